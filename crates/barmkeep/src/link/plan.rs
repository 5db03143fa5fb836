//! What the embedded broker is asked for, also by a program that was built without one.

use schedule::config::ListenTls;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What an embedded broker is to be.
#[derive(Debug, Clone, Default)]
pub struct Plan<'a> {
    /// Where it listens, `address:port`.
    pub listen: &'a str,
    /// Where and how it listens by TLS besides, if it does.
    pub tls: Option<&'a ListenTls>,
    /// Where the files of `tls` lie.
    pub folder: PathBuf,
    /// The users; without it it listens on this machine only.
    pub users_file: Option<&'a Path>,
    /// Only the daemon may use this client id and those that follow it with a `-`.
    pub reserved: &'a str,
    /// What only the daemon may say.
    pub own: Own,
}

/// What nobody but the daemon says: what lies below its own topics, other than commands, and what
/// switches. An order of somebody else's would know neither rests nor limits.
#[derive(Debug, Clone, Default)]
pub struct Own {
    /// The first level of the daemon's topics.
    pub prefix: String,
    /// Where it describes itself and its vessels, if it does: the beginning of their topics.
    pub described: Option<String>,
    /// Topics that switch.
    pub driven: BTreeSet<String>,
}
