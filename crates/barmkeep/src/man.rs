//! `man`: the manual pages, made of the same descriptions as the help.

use crate::cli;
use crate::failure::{Failure, Status};
use clap_mangen::Man;
use std::io::Write;
use std::path::Path;

/// Prints the page of the whole program or of one of its commands, or writes all into a folder.
///
/// # Errors
/// Where the command is not known, or the pages cannot be written.
pub fn task(of: Option<&str>, folder: Option<&Path>) -> Result<(), Failure> {
    let whole = built();
    if let Some(folder) = folder {
        return write_all(&whole, folder);
    }
    let page = match of {
        None => page(&whole)?,
        Some(name) => page(whole.find_subcommand(name).ok_or_else(|| {
            Failure::new(Status::Usage, format!("`{name}` is not a command"))
                .hint("`barmkeep --help` lists them")
        })?)?,
    };
    Ok(std::io::stdout().write_all(&page)?)
}

fn built() -> clap::Command {
    let mut whole = cli::command();
    whole.build();
    whole
}

fn write_all(whole: &clap::Command, folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|error| Failure::file(folder, "made", &error))?;
    let commands = whole.get_subcommands().filter(|command| command.get_name() != "help");
    for command in std::iter::once(whole).chain(commands) {
        let path = folder.join(format!("{}.1", title(command)));
        std::fs::write(&path, page(command)?)
            .map_err(|error| Failure::file(&path, "written", &error))?;
    }
    Ok(())
}

/// `barmkeep`, `barmkeep-pitch`.
fn title(command: &clap::Command) -> String {
    command.get_display_name().unwrap_or(command.get_name()).to_owned()
}

fn page(command: &clap::Command) -> Result<Vec<u8>, Failure> {
    let mut page = Vec::new();
    Man::new(command.clone()).title(title(command)).render(&mut page)?;
    Ok(page)
}
