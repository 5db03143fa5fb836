//! Certificates for tests of TLS.

use crate::broker::folder;
use crate::clockwork::clock;
use crate::installed::tool;
use std::process::Command;
use tempfile::TempDir;

/// An authority; a broker's certificate for `localhost`, one that is over and a client's, by it;
/// and another authority, made with the system's `openssl`.
///
/// # Panics
/// Where they cannot be made.
pub fn certificates() -> TempDir {
    let folder = folder();
    let openssl = tool("openssl", &["openssl"]);
    let run = |arguments: &[&str], when: &str| {
        let mut made = Command::new(&openssl);
        made.args(arguments).current_dir(folder.path()).envs(clock(when));
        let output = made.output().expect("openssl runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    for authority in ["ca", "other"] {
        let (cert, private) = (format!("{authority}.pem"), format!("{authority}.key"));
        let subject = format!("/CN={authority}");
        let more = ["-x509", "-days", "99", "-subj", &subject, "-out", &cert, "-keyout"];
        run(&[&["req"], &key[..], &more[..], &[private.as_str()]].concat(), "-40d");
    }
    let server = "subjectAltName=DNS:localhost";
    for (name, extension, when) in [
        ("server", server, "-1d"),
        ("over", server, "-30d"),
        ("client", "basicConstraints=CA:FALSE", "-1d"),
    ] {
        std::fs::write(folder.path().join("extensions"), extension).expect("extensions");
        let [csr, private, cert] = ["csr", "key", "pem"].map(|ending| format!("{name}.{ending}"));
        let subject = format!("/CN={name}");
        let ask = ["-subj", &subject, "-out", &csr, "-keyout", &private];
        run(&[&["req"], &key[..], &ask[..]].concat(), when);
        let sign = ["x509", "-req", "-in", &csr, "-CA", "ca.pem", "-CAkey", "ca.key"];
        let more = ["-CAcreateserial", "-days", "9", "-extfile", "extensions", "-out", &cert];
        run(&[&sign[..], &more[..]].concat(), when);
    }
    folder
}
