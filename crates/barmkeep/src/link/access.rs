//! How the broker is reached: address, who we are, TLS.

use super::error::{LinkError, read};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use schedule::config::Broker;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The way to a broker.
#[derive(Clone)]
pub(super) struct Access {
    pub host: String,
    pub port: u16,
    pub login: Option<Login>,
    pub tls: Option<Arc<ClientConfig>>,
}

/// Who we are.
#[derive(Clone)]
pub(super) struct Login {
    pub username: String,
    pub password: Password,
}

/// The password, or the file that holds it: read at each connect, so that it may be changed.
#[derive(Clone)]
pub(super) enum Password {
    Known(String),
    File(PathBuf),
    None,
}

impl Access {
    /// The way that the configuration names; its files lie relative to `folder`.
    pub fn new(broker: &Broker, folder: &Path) -> Result<Self, LinkError> {
        match broker {
            Broker::Embedded { listen, username, password_file, .. } => {
                let address = listen_address(listen)?;
                let loopback = if address.is_ipv4() { "127.0.0.1" } else { "::1" };
                let host = match address.ip() {
                    ip if ip.is_unspecified() => loopback.to_owned(),
                    ip => ip.to_string(),
                };
                // For a person's commands: the daemon itself enters by a login of its own.
                let login = Login::new(username.as_deref(), password_file.as_deref(), folder)?;
                Ok(Access { host, port: address.port(), login, tls: None })
            }
            Broker::Outside {
                host,
                port,
                tls,
                username,
                password_file,
                ca_file,
                client_certificate,
                client_key,
            } => {
                let login = Login::new(username.as_deref(), password_file.as_deref(), folder)?;
                let identity = client_certificate.as_deref().zip(client_key.as_deref());
                let tls =
                    tls.then(|| client_config(folder, ca_file.as_deref(), identity)).transpose()?;
                // An IPv6 address in brackets is a URL's way; name lookup and TLS want it bare.
                let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
                Ok(Access { host, port: *port, login, tls })
            }
        }
    }

    /// `host:port`, for people.
    pub fn place(&self) -> String {
        if self.host.contains(':') {
            format!("[{}]:{}", self.host, self.port)
        } else {
            format!("{}:{}", self.host, self.port)
        }
    }
}

impl Login {
    /// Who the configuration says that we are; its password must be readable.
    fn new(
        username: Option<&str>,
        password_file: Option<&str>,
        folder: &Path,
    ) -> Result<Option<Self>, LinkError> {
        let Some(username) = username else { return Ok(None) };
        let password =
            password_file.map_or(Password::None, |file| Password::File(folder.join(file)));
        let login = Login { username: username.to_owned(), password };
        login.password()?;
        Ok(Some(login))
    }

    /// The password as it is now; without the line's end, which editors add.
    pub fn password(&self) -> Result<String, LinkError> {
        let path = match &self.password {
            Password::Known(password) => return Ok(password.clone()),
            Password::None => return Ok(String::new()),
            Password::File(path) => path,
        };
        let content = read("password_file", path)?;
        let text = String::from_utf8(content).map_err(|_| LinkError::Content {
            file: path.clone(),
            problem: "it is not text (UTF-8)".to_owned(),
        })?;
        Ok(text.trim_end_matches(['\r', '\n']).to_owned())
    }
}

/// TLS with the machine's own authorities.
///
/// # Errors
/// Where the machine has none.
pub(crate) fn machine_tls() -> Result<Arc<ClientConfig>, LinkError> {
    client_config(Path::new(""), None, None)
}

/// TLS with the authority of `ca_file`, else the machine's own; with our certificate and its key
/// where the broker wants one.
fn client_config(
    folder: &Path,
    ca_file: Option<&str>,
    identity: Option<(&str, &str)>,
) -> Result<Arc<ClientConfig>, LinkError> {
    // The provider is given here and not installed for the process: two could be compiled in.
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| LinkError::Unexpected(format!("TLS: {error}")))?
        .with_root_certificates(roots(folder, ca_file)?);
    let Some((certificate, key)) = identity else {
        return Ok(Arc::new(builder.with_no_client_auth()));
    };
    let chain = certificates("client_certificate", folder, certificate)?;
    let (file, key) = private_key("client_key", folder, key)?;
    let config = builder
        .with_client_auth_cert(chain, key)
        .map_err(|error| content(&file, "the key of `client_certificate`", &error.to_string()))?;
    Ok(Arc::new(config))
}

fn roots(folder: &Path, ca_file: Option<&str>) -> Result<RootCertStore, LinkError> {
    let mut roots = RootCertStore::empty();
    if let Some(file) = ca_file {
        for certificate in certificates("ca_file", folder, file)? {
            roots.add(certificate).map_err(|error| {
                content(&folder.join(file), "an authority's certificate", &error.to_string())
            })?;
        }
        return Ok(roots);
    }
    let found = rustls_native_certs::load_native_certs();
    for error in &found.errors {
        tracing::warn!(%error, "some of the machine's own certificates cannot be read");
    }
    roots.add_parsable_certificates(found.certs);
    if roots.is_empty() {
        return Err(LinkError::Unexpected(
            "TLS: this machine has no authorities' certificates of its own; install the package \
             `ca-certificates`, or set `ca_file` under [link]"
                .to_owned(),
        ));
    }
    Ok(roots)
}

/// A private key, and the path of its file.
pub(super) fn private_key(
    key: &'static str,
    folder: &Path,
    file: &str,
) -> Result<(PathBuf, PrivateKeyDer<'static>), LinkError> {
    let path = folder.join(file);
    let found = PrivateKeyDer::from_pem_slice(&read(key, &path)?)
        .map_err(|error| content(&path, "a private key in PEM form", &error.to_string()))?;
    Ok((path, found))
}

/// The certificates in a file; it has at least one.
pub(super) fn certificates(
    key: &'static str,
    folder: &Path,
    file: &str,
) -> Result<Vec<CertificateDer<'static>>, LinkError> {
    let path = folder.join(file);
    let text = read(key, &path)?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&text).collect();
    let found = found.map_err(|error| content(&path, "certificates", &error.to_string()))?;
    if found.is_empty() {
        return Err(content(&path, "certificates in PEM form", "it has none"));
    }
    Ok(found)
}

/// A file holds something else.
pub(super) fn content(file: &Path, wanted: &str, error: &str) -> LinkError {
    LinkError::Content {
        file: file.to_owned(),
        problem: format!("it should hold {wanted}: {error}"),
    }
}

/// The address in `listen`.
pub(super) fn listen_address(listen: &str) -> Result<SocketAddr, LinkError> {
    let named = listen.strip_prefix("localhost:").map(|port| format!("127.0.0.1:{port}"));
    named
        .as_deref()
        .unwrap_or(listen)
        .trim()
        .parse()
        .map_err(|_| LinkError::Listen(listen.to_owned()))
}
