//! `export`: what the store has of a batch, for a spreadsheet, a script or a shelf.

mod account;
mod page;
mod present;
mod tables;
mod text;
#[cfg(feature = "xlsx")]
mod xlsx;

pub use tables::What;

use crate::cli::ExportArgs;
use crate::compare;
use crate::failure::{Failure, Status};
use crate::files::{self, Cellar};
use crate::store::{Reader, StoreError};
use crate::task::open_failure;
use crate::zone::Zone;
use account::Account;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use quantity::Show;
use std::io::Write;
use std::path::Path;
use tables::Sheet;

/// Fewer rows than this are there before a person looks.
const LONG: u64 = 20_000;

/// In what form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// One table, RFC 4180.
    Csv,
    /// A workbook with all tables and charts.
    Xlsx,
    /// The batch's record: one page that needs nothing else.
    Html,
    /// An object a line.
    Jsonl,
}

/// Exports a batch.
///
/// # Errors
/// Where configuration or store cannot be read, where there is no such batch, where the form does
/// not fit the output, and where the output cannot be written.
pub(crate) fn task(arguments: &ExportArgs) -> Result<(), Failure> {
    let target = arguments.output.as_deref().filter(|path| *path != Path::new("-"));
    let form = form(arguments.format, target)?;
    check(form, arguments.what, target)?;
    if let Some(path) = target
        && path.exists()
        && !arguments.force
    {
        return Err(files::is_there(path));
    }
    let cellar = Cellar::read(&arguments.config.config)?;
    let named = match (&arguments.vessel, &arguments.batch) {
        (None, Some(_)) => None,
        (named, _) => Some(cellar.vessel(named.as_deref())?),
    };
    let reader = Reader::open(&cellar.path(&cellar.config.store.file));
    let reader = reader.map_err(|error| open_failure(&error))?;
    let failed = |error: StoreError| open_failure(&error);
    // The daemon goes on writing: everything here is of one moment.
    reader.hold().map_err(failed)?;
    let history = reader.history();
    let batches = history.batches().map_err(failed)?;
    let (batch, vessel) = compare::choose(&batches, named, arguments.batch.as_deref())?;
    let setup = cellar.setup();
    let account = Account::gather(&history, batch, &vessel, &setup)?;
    let zone = Zone::of(&cellar.config);
    let made = make(&account, form, arguments.what, cellar.config.show, &zone)?;
    match target {
        Some(path) => {
            files::write_whole(path, &made, arguments.force)?;
            eprintln!("{} is in {}", account.batch.id, path.display());
            Ok(())
        }
        None => {
            let mut output = std::io::stdout().lock();
            output.write_all(&made)?;
            Ok(output.flush()?)
        }
    }
}

/// As asked for, else by the output's ending, else CSV.
fn form(asked: Option<Form>, target: Option<&Path>) -> Result<Form, Failure> {
    let Some(path) = target.filter(|_| asked.is_none()) else {
        return Ok(asked.unwrap_or(Form::Csv));
    };
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    match ending.to_ascii_lowercase().as_str() {
        "csv" => Ok(Form::Csv),
        "xlsx" => Ok(Form::Xlsx),
        "html" | "htm" => Ok(Form::Html),
        "jsonl" | "ndjson" => Ok(Form::Jsonl),
        _ => Err(Failure::new(
            Status::Usage,
            format!("in what form? The ending of `{}` does not tell", path.display()),
        )
        .hint("add `--format csv`, `xlsx`, `html` or `jsonl`")),
    }
}

fn check(form: Form, what: Option<What>, target: Option<&Path>) -> Result<(), Failure> {
    if form == Form::Xlsx && !cfg!(feature = "xlsx") {
        return Err(Failure::new(Status::Usage, "this program was built without workbooks")
            .hint("build it with the feature `xlsx`, or take `--format csv`"));
    }
    if form == Form::Xlsx && target.is_none() {
        return Err(Failure::new(Status::Usage, "a workbook is no text for a terminal")
            .hint("add `--output batch.xlsx`"));
    }
    if what.is_some() && matches!(form, Form::Xlsx | Form::Html) {
        return Err(Failure::new(Status::Usage, "`--what` names one table of CSV or JSON lines")
            .hint("leave it out: a workbook and a page have all of them"));
    }
    Ok(())
}

fn make(
    account: &Account,
    form: Form,
    what: Option<What>,
    show: Show,
    zone: &Zone,
) -> Result<Vec<u8>, Failure> {
    let sheets = |all: &[What]| -> Vec<Sheet> {
        all.iter().map(|what| tables::sheet(account, *what, show)).collect()
    };
    let one = what.map(|what| vec![what]);
    let mut made = Vec::new();
    match form {
        Form::Csv => {
            let sheets = sheets(&one.unwrap_or_else(|| vec![What::Readings]));
            let bar = bar(&sheets);
            for sheet in &sheets {
                text::csv(sheet, &mut made, &|| bar.inc(1))?;
            }
            bar.finish_and_clear();
        }
        Form::Jsonl => {
            let sheets = sheets(&one.unwrap_or_else(|| What::ALL.to_vec()));
            let bar = bar(&sheets);
            for sheet in &sheets {
                text::lines(sheet, &account.batch.id, &mut made, &|| bar.inc(1))?;
            }
            bar.finish_and_clear();
        }
        Form::Xlsx => made = workbook(account, &sheets(&What::ALL), show, zone)?,
        Form::Html => made = page::page(account, show, zone).into_bytes(),
    }
    Ok(made)
}

#[cfg(feature = "xlsx")]
fn workbook(
    account: &Account,
    sheets: &[Sheet],
    show: Show,
    zone: &Zone,
) -> Result<Vec<u8>, Failure> {
    let bar = bar(sheets);
    let made = xlsx::workbook(account, sheets, &xlsx::Reader { show, zone }, &|| bar.inc(1));
    bar.finish_and_clear();
    made
}

#[cfg(not(feature = "xlsx"))]
fn workbook(_: &Account, _: &[Sheet], _: Show, _: &Zone) -> Result<Vec<u8>, Failure> {
    check(Form::Xlsx, None, None).map(|()| Vec::new())
}

/// A bar on a terminal, for what is long.
fn bar(sheets: &[Sheet]) -> ProgressBar {
    let rows = sheets.iter().map(|sheet| sheet.rows.len() as u64).sum();
    let target =
        if rows < LONG { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
    let bar = ProgressBar::with_draw_target(Some(rows), target);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos} of {len} rows") {
        bar.set_style(style);
    }
    bar
}
