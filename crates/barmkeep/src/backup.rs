//! `backup`: a copy of the store, also while the daemon runs.

use crate::cli::BackupArgs;
use crate::failure::{Failure, Status};
use crate::files::{self, Cellar};
use crate::store::{CopyError, copy};
use std::io::Write;
use std::path::Path;

/// Copies the store that the configuration names.
///
/// # Errors
/// Where configuration or store cannot be read, and where the copy cannot be written or is there
/// already.
pub(crate) fn task(arguments: &BackupArgs) -> Result<(), Failure> {
    let target = arguments.file.as_path();
    let cellar = Cellar::read(&arguments.config.config)?;
    let store = cellar.path(&cellar.config.store.file);
    if is_same(&store, target) {
        let what = format!("{} is the store itself", target.display());
        return Err(Failure::new(Status::Usage, what).hint("name another file, on another disk"));
    }
    if target.exists() && !arguments.force {
        return Err(files::is_there(target));
    }
    let part = files::part_of(target);
    let copied = copy(&store, &part).map_err(|error| match error {
        CopyError::Store(error) => Failure::new(Status::Io, error.to_string()).hint(error.hint()),
        CopyError::Copy(error) => {
            let text =
                error.to_string().replace(&*part.to_string_lossy(), &target.to_string_lossy());
            Failure::new(Status::Io, text.replacen("the store", "the backup", 1))
                .hint("name a file in a folder that you may write to, on a disk with room")
        }
    })?;
    files::put(&part, target, arguments.force)?;
    let (count, last) = (copied.records, copied.last_seq);
    let line = format!("{}: {count} records, up to number {last}", target.display());
    Ok(writeln!(std::io::stdout(), "{line}")?)
}

fn is_same(store: &Path, target: &Path) -> bool {
    matches!((store.canonicalize(), target.canonicalize()), (Ok(a), Ok(b)) if a == b)
}
