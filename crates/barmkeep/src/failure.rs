//! How a command ends: an exit status of sysexits, a sentence, and a hint.

use std::fmt;

/// The exit statuses; 0 is success.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// It ran and failed: a command refused, a rehearsal that did not complete.
    Failed = 1,
    /// Wrong usage (`EX_USAGE`).
    Usage = 64,
    /// A bad data file (`EX_DATAERR`).
    Data = 65,
    /// Broker or daemon not reachable (`EX_UNAVAILABLE`).
    Unavailable = 69,
    /// Input or output failed (`EX_IOERR`).
    Io = 74,
    /// A bad configuration or schedule (`EX_CONFIG`).
    Config = 78,
}

/// Why a command ends other than well.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// The exit status.
    pub status: Status,
    /// What, where and why; may be empty where all was said already.
    pub message: String,
    /// The next step.
    pub hint: Option<String>,
}

impl Failure {
    /// A failure without a hint.
    pub fn new(status: Status, message: impl Into<String>) -> Self {
        Failure { status, message: message.into(), hint: None }
    }

    /// The same with a next step.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// A file that cannot be read or written.
    pub fn file(path: &std::path::Path, what: &str, error: &std::io::Error) -> Self {
        Failure::new(Status::Io, format!("{}: cannot be {what}: {error}", path.display()))
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "error: {}", self.message)?;
        match &self.hint {
            Some(hint) => write!(f, "\n\nhint: {hint}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Failure {}

/// Standard output that went away (`| head`) is told to nobody.
impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        match error.kind() {
            // Whoever read has seen enough (`| head`): there is nobody left to tell.
            std::io::ErrorKind::BrokenPipe => Failure::new(Status::Io, String::new()),
            _ => Failure::new(Status::Io, format!("standard output or input: {error}")),
        }
    }
}
