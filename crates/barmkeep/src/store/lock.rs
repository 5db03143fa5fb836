//! One daemon a store: a lock that the system lets go of whenever its process ends, however.

use super::error::StoreError;
use std::ffi::OsString;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// The lock on a store, held until it is dropped.
///
/// It is on a file beside the store, named `STORE.lock`, that stays there. It is not on the store
/// itself, because closing any handle of that file would drop SQLite's own locks on it.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock on the store at `store`, or says who holds it.
    pub(super) fn take(store: &Path) -> Result<Lock, StoreError> {
        let path = beside(store, ".lock");
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|error| StoreError::from_io(&path, &error))?;
        match file.try_lock() {
            Ok(()) => {
                // Only for the other's message: the lock itself stands without it.
                if let Err(error) = write_pid(&mut file) {
                    tracing::debug!("cannot write to `{}`: {error}", path.display());
                }
                Ok(Lock { _file: file })
            }
            Err(TryLockError::WouldBlock) => {
                Err(StoreError::Locked { path: store.to_owned(), pid: read_pid(&mut file) })
            }
            Err(TryLockError::Error(error)) => Err(StoreError::from_io(&path, &error)),
        }
    }
}

/// The path of a file beside the store: its name with `ending` added.
pub(super) fn beside(store: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(store);
    name.push(ending);
    PathBuf::from(name)
}

fn write_pid(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    writeln!(file, "{}", std::process::id())
}

fn read_pid(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(16).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}
