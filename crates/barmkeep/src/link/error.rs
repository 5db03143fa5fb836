//! What can be wrong with a link, sorted by who can act: the user's files, or the machine.

use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Why a link or the embedded broker cannot start.
#[derive(Debug)]
pub enum LinkError {
    /// The broker inside cannot listen.
    Bind {
        /// Where it should.
        listen: String,
        /// Why not.
        error: io::Error,
    },
    /// A file's content is wrong.
    Content {
        /// The file.
        file: PathBuf,
        /// What is wrong, in a sentence.
        problem: String,
    },
    /// A file cannot be read.
    File {
        /// What it is, such as `ca_file`.
        key: &'static str,
        /// The file.
        file: PathBuf,
        /// Why not.
        error: io::Error,
    },
    /// `listen` is not an address with a port.
    Listen(String),
    /// The program was built without the embedded broker.
    NoBroker,
    /// The link was given a topic that none can have.
    Topic(String),
    /// Something failed that should not: a library's refusal, in its own words.
    Unexpected(String),
    /// Listening beyond this machine needs a `users_file`.
    UsersFileMissing {
        /// Where it should have listened.
        listen: String,
    },
}

impl LinkError {
    /// The next step for the user; empty where there is none.
    pub fn hint(&self) -> String {
        match self {
            LinkError::Bind { listen, error } if error.kind() == io::ErrorKind::AddrInUse => {
                let port = listen.rsplit(':').next().unwrap_or_default();
                format!(
                    "another program has port {port}, perhaps a broker: stop it, use it (`broker = \
                     \"mqtt://localhost:{port}\"` under [link]), or choose another port in `listen`"
                )
            }
            LinkError::Bind { error, .. } if error.kind() == io::ErrorKind::PermissionDenied => {
                "ports below 1024 need privileges: choose a higher one in `listen`".to_owned()
            }
            LinkError::Bind { error, .. } if error.kind() == io::ErrorKind::AddrNotAvailable => {
                "`listen` must be an address of this machine; `ip address` lists them".to_owned()
            }
            LinkError::Listen(_) => {
                "write an address and a port, such as `listen = \"127.0.0.1:1883\"`".to_owned()
            }
            LinkError::File { key, .. } => {
                format!("check `{key}` under [link] and who may read the file")
            }
            LinkError::NoBroker => {
                "set `broker` under [link] to the broker that you have, such as \
                 `mqtt://localhost:1883`; or build it with `--features broker`"
                    .to_owned()
            }
            LinkError::UsersFileMissing { .. } => {
                "set `users_file` under [link], or listen on 127.0.0.1".to_owned()
            }
            _ => String::new(),
        }
    }
}

impl fmt::Display for LinkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LinkError::Bind { listen, error } => {
                write!(f, "the embedded broker cannot listen on {listen}: {error}")
            }
            LinkError::Content { file, problem } => write!(f, "{}: {problem}", file.display()),
            LinkError::File { key, file, error } => {
                write!(f, "`{key}`: cannot read {}: {error}", file.display())
            }
            LinkError::Listen(listen) => {
                write!(f, "`{listen}` is not an address with a port to listen on")
            }
            LinkError::NoBroker => {
                f.write_str("this program was built without a broker of its own")
            }
            LinkError::Topic(problem) | LinkError::Unexpected(problem) => f.write_str(problem),
            LinkError::UsersFileMissing { listen } => write!(
                f,
                "the embedded broker would listen on {listen} for other machines, and anybody \
                 there could switch the outputs: it does so only with a `users_file`"
            ),
        }
    }
}

impl std::error::Error for LinkError {}

/// The largest file of users, certificates, a key or a password, in bytes.
const FILE_BYTES_MAX: u64 = 1024 * 1024;

/// The whole of a file that the configuration names under `key`.
pub(super) fn read(key: &'static str, path: &Path) -> Result<Vec<u8>, LinkError> {
    let mut content = Vec::new();
    let read = std::fs::File::open(path)
        .and_then(|opened| opened.take(FILE_BYTES_MAX + 1).read_to_end(&mut content));
    match read {
        Err(error) => Err(LinkError::File { key, file: path.to_owned(), error }),
        Ok(_) if content.len() as u64 > FILE_BYTES_MAX => Err(LinkError::Content {
            file: path.to_owned(),
            problem: format!("it has more than {FILE_BYTES_MAX} bytes: is it the right file?"),
        }),
        Ok(_) => Ok(content),
    }
}
