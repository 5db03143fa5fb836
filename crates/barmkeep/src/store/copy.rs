//! A copy of a store as it is at one moment, also while a daemon writes it.

use super::error::StoreError;
use super::read;
use super::schema::Found;
use rusqlite::{Connection, OpenFlags};
use std::fs::{self, File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// What a copy holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copied {
    /// How many records.
    pub records: u64,
    /// The number of the last one, 0 where there is none.
    pub last_seq: u64,
}

/// Why there is no copy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CopyError {
    /// The store cannot be read.
    Store(StoreError),
    /// The copy cannot be written.
    Copy(StoreError),
}

/// Copies the store at `path` into the new file `to`: all that was on disk at one moment, in one
/// file, checked and synced. The daemon that writes the store does not wait for it. A store of any
/// version is copied as it is.
///
/// # Errors
/// Where the store cannot be read or the copy cannot be written, or is there already; `to` is then
/// not there.
pub fn copy(path: &Path, to: &Path) -> Result<Copied, CopyError> {
    let (connection, found) = read::connect_any(path).map_err(CopyError::Store)?;
    if !matches!(found, Found::Store(_)) {
        return Err(CopyError::Store(StoreError::NotOurs { path: path.to_owned() }));
    }
    let file_problem = |error: &std::io::Error| CopyError::Copy(StoreError::from_io(to, error));
    // SQLite takes an empty file for it: this one is nobody else's to read.
    let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(to);
    let unfinished = Unfinished(Some((to.to_owned(), file.map_err(|error| file_problem(&error))?)));
    let name = to.to_str().ok_or_else(|| {
        let problem = "its name is not text".to_owned();
        CopyError::Copy(StoreError::Disk { path: to.to_owned(), problem })
    })?;
    let of_store = |error: rusqlite::Error| of_either(path, to, &error);
    connection.execute("VACUUM INTO ?1", [name]).map_err(of_store)?;
    let copied = look_over(to).map_err(CopyError::Copy)?;
    unfinished.finish().map_err(|error| file_problem(&error))?;
    Ok(copied)
}

/// A failed copy's error names neither of the two files: a full disk or a refusal is the copy's.
fn of_either(path: &Path, to: &Path, error: &rusqlite::Error) -> CopyError {
    match StoreError::from_sqlite(path, error) {
        StoreError::Full { .. } | StoreError::Denied { .. } | StoreError::Disk { .. } => {
            CopyError::Copy(StoreError::from_sqlite(to, error))
        }
        other => CopyError::Store(other),
    }
}

/// Reads the whole copy once: what cannot be read now could not be restored either.
fn look_over(to: &Path) -> Result<Copied, StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(to, &error);
    let copy = Connection::open_with_flags(to, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(ours)?;
    let said: String =
        copy.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0)).map_err(ours)?;
    if said != "ok" {
        return Err(StoreError::Damaged { path: to.to_owned(), problem: said });
    }
    let number = |sql: &str| copy.query_row(sql, [], |row| row.get::<_, i64>(0)).map_err(ours);
    Ok(Copied {
        records: number("SELECT count(*) FROM record")?.unsigned_abs(),
        last_seq: number("SELECT ifnull(max(seq), 0) FROM record")?.unsigned_abs(),
    })
}

/// A file that goes again unless it was finished.
struct Unfinished(Option<(PathBuf, File)>);

impl Unfinished {
    fn finish(mut self) -> std::io::Result<()> {
        // Only a second call would find it gone.
        let Some((_, file)) = self.0.as_ref() else { return Ok(()) };
        file.sync_all()?;
        self.0 = None;
        Ok(())
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some((path, _)) = self.0.take() {
            // The failure that is being told says more than this one would.
            let _ = fs::remove_file(path);
        }
    }
}
