//! The link over TLS, against a mosquitto with certificates made for the test.

use super::super::Version;
use super::house::*;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// An authority, a broker's certificate for `localhost` and a client's.
fn certificates() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str]| {
        let output = Command::new("openssl")
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .expect("openssl must be installed");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    for authority in ["ca", "other"] {
        let (cert, private) = (format!("{authority}.pem"), format!("{authority}.key"));
        let more = ["-x509", "-days", "2", "-subj", "/CN=test", "-out", &cert, "-keyout", &private];
        run(&[&["req"], &key[..], &more[..]].concat());
    }
    for (name, more) in
        [("server", "subjectAltName=DNS:localhost"), ("client", "basicConstraints=CA:FALSE")]
    {
        std::fs::write(folder.path().join("extensions"), more).unwrap();
        let (request, private, cert) =
            (format!("{name}.csr"), format!("{name}.key"), format!("{name}.pem"));
        let subject = format!("/CN={name}");
        let ask = ["-subj", &subject, "-out", &request, "-keyout", &private];
        run(&[&["req"], &key[..], &ask[..]].concat());
        run(&[
            "x509",
            "-req",
            "-in",
            &request,
            "-CA",
            "ca.pem",
            "-CAkey",
            "ca.key",
            "-CAcreateserial",
            "-days",
            "2",
            "-extfile",
            "extensions",
            "-out",
            &cert,
        ]);
    }
    folder
}

const SERVER: &str = "cafile {folder}/ca.pem\ncertfile {folder}/server.pem\n\
                      keyfile {folder}/server.key\nallow_anonymous true\n";

async fn reason(port: u16, folder: &Path, change: impl FnOnce(&mut Outside)) -> (String, String) {
    let (link, mut news) = start(&with(port, change), folder, &["in"], vec![]).await;
    let told = down(&mut news).await;
    link.stop().await;
    told
}

#[tokio::test]
async fn tls_with_an_authority_of_ones_own() {
    let broker = Mosquitto::start_in(certificates(), free_port(), SERVER).await;
    let folder = broker.folder.path();
    let config = with(broker.port, |fields| {
        fields.host = "localhost".to_owned();
        fields.tls = true;
        fields.ca_file = Some("ca.pem");
    });
    let switches = vec![relay("relay", quantity::Span::ZERO)];
    let (link, mut news) = start(&config, folder, &["in"], switches).await;
    assert_eq!(up(&mut news).await, Version::Five);
    assert_eq!(switch_up(&mut news).await, "relay");
    link.stop().await;

    let (told, hint) = reason(broker.port, folder, |fields| {
        fields.host = "localhost".to_owned();
        fields.tls = true;
        fields.ca_file = Some("other.pem");
    })
    .await;
    assert!(told.contains("an authority that is not known here"), "{told}");
    assert!(hint.contains("`ca_file`"), "{hint}");

    let (told, _) = reason(broker.port, folder, |fields| {
        fields.tls = true;
        fields.ca_file = Some("ca.pem");
    })
    .await;
    assert!(told.contains("is not for the name `127.0.0.1`"), "{told}");

    // Plain MQTT to a TLS port is a mistake that must not look like an old broker.
    let (told, hint) = reason(broker.port, folder, |_| {}).await;
    assert!(told.contains("hung up") || told.contains("reset by peer"), "{told}");
    assert!(hint.contains("is `mqtt://` or `mqtts://` right?"), "{hint}");
}

#[tokio::test]
async fn tls_with_a_client_s_certificate() {
    let lines = format!("{SERVER}require_certificate true\n");
    let broker = Mosquitto::start_in(certificates(), free_port(), &lines).await;
    let folder = broker.folder.path();
    let with_certificate = |fields: &mut Outside| {
        fields.host = "localhost".to_owned();
        fields.tls = true;
        fields.ca_file = Some("ca.pem");
        fields.client_certificate = Some("client.pem");
        fields.client_key = Some("client.key");
    };
    let config = with(broker.port, with_certificate);
    let (link, mut news) = start(&config, folder, &["in"], vec![]).await;
    up(&mut news).await;
    link.stop().await;

    let (told, hint) = reason(broker.port, folder, |fields| {
        with_certificate(fields);
        fields.client_certificate = None;
    })
    .await;
    assert!(told.contains("wants a certificate of ours"), "{told}; {hint}");
    assert!(hint.contains("`client_certificate`"), "{hint}");

    let crossed = with(broker.port, |fields| {
        with_certificate(fields);
        fields.client_key = Some("server.key");
    });
    let error = super::super::Link::start(&crossed, folder, vec![], vec![]).await.err().unwrap();
    assert!(error.to_string().contains("the key of `client_certificate`"), "{error}");
}
