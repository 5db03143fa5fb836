//! What can be wrong with a store, sorted by who can act, each with the next step.

use rusqlite::ErrorCode;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Why the store cannot be opened, written or read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StoreError {
    // The user's: the configuration names the wrong file, or the file needs care.
    /// There is no such file; only where it is to be read.
    Missing {
        /// The store's file.
        path: PathBuf,
    },
    /// The folder that it should be in does not exist.
    NoFolder {
        /// The store's file.
        path: PathBuf,
    },
    /// The file belongs to something else.
    NotOurs {
        /// The store's file.
        path: PathBuf,
    },
    /// A newer program wrote it.
    Newer {
        /// The store's file.
        path: PathBuf,
        /// The version of its tables.
        found: i64,
        /// The newest version that this program knows.
        known: i64,
    },
    /// An older program wrote it, and it is only being read.
    Older {
        /// The store's file.
        path: PathBuf,
        /// The version of its tables.
        found: i64,
        /// The version that this program reads.
        known: i64,
    },
    /// Its contents are damaged.
    Damaged {
        /// The store's file.
        path: PathBuf,
        /// What cannot be read.
        problem: String,
    },

    // The machine's: another process, the disk, the rights.
    /// Another daemon uses it.
    Locked {
        /// The store's file.
        path: PathBuf,
        /// That daemon's process, where it has said so.
        pid: Option<u32>,
    },
    /// Another program holds it for writing.
    Busy {
        /// The store's file.
        path: PathBuf,
    },
    /// It may not be read or written by us.
    Denied {
        /// The file that was refused.
        path: PathBuf,
        /// What the system says.
        problem: String,
    },
    /// No room is left.
    Full {
        /// The store's file.
        path: PathBuf,
    },
    /// The disk failed in another way.
    Disk {
        /// The store's file.
        path: PathBuf,
        /// What the system says.
        problem: String,
    },

    // Our own bugs.
    /// A record's number does not follow the last one's: it was not taken.
    Gap {
        /// The number that should have come.
        expected: u64,
        /// The number that came.
        found: u64,
    },
    /// A query that cannot be wrong was wrong.
    Bug {
        /// The store's file.
        path: PathBuf,
        /// What SQLite says.
        problem: String,
    },
}

impl StoreError {
    /// The next step, in a sentence.
    pub fn hint(&self) -> String {
        match self {
            StoreError::Missing { .. } => {
                "check `file` in `[store]`; `barmkeep run` makes the store at its first start"
            }
            StoreError::NoFolder { .. } => {
                "make the folder, with the daemon's user as its owner, or name another `file` in \
                 `[store]`"
            }
            StoreError::NotOurs { .. } => {
                "name another `file` in `[store]`; if this was a store of barmkeep, put a backup \
                 of it in its place"
            }
            StoreError::Newer { .. } => {
                "install the newer program again, or put back the store that was kept before the \
                 upgrade"
            }
            StoreError::Older { .. } => {
                "start the daemon once with this program: it brings the store up to date"
            }
            StoreError::Damaged { .. } => {
                "stop the daemon, keep a copy of the file and of those beside it, and put a backup \
                 in its place; `sqlite3 FILE .recover` saves what can still be read"
            }
            StoreError::Locked { .. } => {
                "one daemon uses one store: stop the other one, or give this one its own `file` in \
                 `[store]`"
            }
            StoreError::Busy { .. } => "close the other program, or let it open the file read-only",
            StoreError::Denied { .. } => {
                "let the daemon's user write to the file and to its folder (SQLite keeps two more \
                 files beside it), on a disk that is not mounted read-only"
            }
            StoreError::Full { .. } => {
                "make room on this disk: what happened since is kept in memory and written then"
            }
            StoreError::Disk { .. } => {
                "look at the system's log for this disk; the store must be on a local disk, not on \
                 a network share"
            }
            StoreError::Gap { .. } | StoreError::Bug { .. } => {
                "this is a fault of barmkeep: please report it with this message"
            }
        }
        .to_owned()
    }

    /// What SQLite's `error` about the store at `path` means.
    pub(super) fn from_sqlite(path: &Path, error: &rusqlite::Error) -> Self {
        let path = path.to_owned();
        let problem = error.to_string();
        let code = match error {
            rusqlite::Error::SqliteFailure(error, _)
            | rusqlite::Error::SqlInputError { error, .. } => error.code,
            // Not SQLite's own, so a value in a row that is not of its column's kind.
            _ => return StoreError::Damaged { path, problem },
        };
        match code {
            ErrorCode::NotADatabase => StoreError::NotOurs { path },
            ErrorCode::DatabaseCorrupt => StoreError::Damaged { path, problem },
            ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => StoreError::Busy { path },
            ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen => {
                StoreError::Denied { path, problem }
            }
            ErrorCode::DiskFull => StoreError::Full { path },
            ErrorCode::SystemIoFailure => StoreError::Disk { path, problem },
            _ => StoreError::Bug { path, problem },
        }
    }

    /// What the system's `error` about the file at `path` means.
    pub(super) fn from_io(path: &Path, error: &io::Error) -> Self {
        let path = path.to_owned();
        let problem = error.to_string();
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::Full { path },
            io::ErrorKind::PermissionDenied
            | io::ErrorKind::ReadOnlyFilesystem
            | io::ErrorKind::NotFound
            | io::ErrorKind::IsADirectory
            | io::ErrorKind::NotADirectory => StoreError::Denied { path, problem },
            _ => StoreError::Disk { path, problem },
        }
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StoreError::Missing { path } => write!(f, "there is no store `{}`", path.display()),
            StoreError::NoFolder { path } => {
                write!(f, "the folder of the store `{}` does not exist", path.display())
            }
            StoreError::NotOurs { path } => {
                write!(f, "`{}` is not a store of barmkeep", path.display())
            }
            StoreError::Newer { path, found, known } => write!(
                f,
                "the store `{}` is of version {found}, which a newer barmkeep wrote; this one \
                 knows up to version {known}",
                path.display()
            ),
            StoreError::Older { path, found, known } => write!(
                f,
                "the store `{}` is of version {found}, this barmkeep reads version {known}",
                path.display()
            ),
            StoreError::Damaged { path, problem } => {
                write!(f, "the store `{}` is damaged: {problem}", path.display())
            }
            StoreError::Locked { path, pid: Some(pid) } => {
                write!(f, "another daemon, process {pid}, uses the store `{}`", path.display())
            }
            StoreError::Locked { path, pid: None } => {
                write!(f, "another daemon uses the store `{}`", path.display())
            }
            StoreError::Busy { path } => {
                write!(f, "another program holds the store `{}` for writing", path.display())
            }
            StoreError::Denied { path, problem } => {
                write!(f, "the store `{}` cannot be used: {problem}", path.display())
            }
            StoreError::Full { path } => {
                write!(f, "no room is left on the disk of the store `{}`", path.display())
            }
            StoreError::Disk { path, problem } => {
                write!(f, "the disk of the store `{}` failed: {problem}", path.display())
            }
            StoreError::Gap { expected, found } => write!(
                f,
                "record {found} does not follow the last one kept: {expected} should have come"
            ),
            StoreError::Bug { path, problem } => {
                write!(f, "the store `{}` refused a query: {problem}", path.display())
            }
        }
    }
}

impl std::error::Error for StoreError {}
