//! `log`: what happened, from the store, also while the daemon runs; with `--follow` what happens.

use crate::cli::LogArgs;
use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::task::{json_line, open_failure, runtime};
use crate::zone::Zone;
use crate::{standing, store};
use engine::{Kind, Record};
use quantity::{Quantity, Span, Stamp};
use std::io::Write;
use std::time::Duration;

/// How often the store is asked for what is new.
const ASKED_EVERY: Duration = Duration::from_millis(300);
/// So many records come first where one follows and asks for no others.
const FIRST: u32 = 10;

/// Prints records, and stays for those to come where that is asked for.
///
/// # Errors
/// Where the configuration, the store or the arguments cannot be used.
pub fn task(arguments: &LogArgs) -> Result<(), Failure> {
    let cellar = Cellar::read(&arguments.config.config)?;
    let mut filter = filter(arguments, &cellar)?;
    let path = cellar.path(&cellar.config.store.file);
    let reader = store::Reader::open(&path).map_err(|error| open_failure(&error))?;
    let zone = Zone::of(&cellar.config);
    let mut printer = Printer { json: arguments.json, zone: &zone };
    let records = reader.history().records(&filter).map_err(|error| open_failure(&error))?;
    printer.print(&records)?;
    if !arguments.follow {
        return Ok(());
    }
    filter.after_seq = records.last().map(|record| record.seq).or(filter.after_seq);
    (filter.limit, filter.since) = (store::Limit::None, None);
    if filter.after_seq.is_none() {
        // Nothing of what was asked for is there yet: what is older than now stays out.
        let last = store::Filter { limit: store::Limit::Last(1), ..store::Filter::default() };
        let last = reader.history().records(&last).map_err(|error| open_failure(&error))?;
        filter.after_seq = last.last().map(|record| record.seq);
    }
    runtime()?.block_on(follow(&reader, &mut filter, &mut printer))
}

/// Prints what comes until a person has seen enough.
async fn follow(
    reader: &store::Reader,
    filter: &mut store::Filter,
    printer: &mut Printer<'_>,
) -> Result<(), Failure> {
    let mut ended = ends()?;
    loop {
        tokio::select! {
            _ = tokio::signal::ctrl_c() => return Ok(()),
            _ = ended.recv() => return Ok(()),
            () = tokio::time::sleep(ASKED_EVERY) => {}
        }
        let records = reader.history().records(filter).map_err(|error| open_failure(&error))?;
        printer.print(&records)?;
        filter.after_seq = records.last().map(|record| record.seq).or(filter.after_seq);
    }
}

fn ends() -> Result<tokio::signal::unix::Signal, Failure> {
    let terminate = tokio::signal::unix::SignalKind::terminate();
    tokio::signal::unix::signal(terminate)
        .map_err(|error| Failure::new(Status::Io, format!("signals: {error}")))
}

struct Printer<'a> {
    json: bool,
    zone: &'a Zone,
}

impl Printer<'_> {
    fn print(&mut self, records: &[Record]) -> Result<(), Failure> {
        let (mut output, width) = (standing::output(), standing::log_width());
        for record in records {
            if self.json {
                writeln!(output, "{}", json_line(record))?;
            } else {
                standing::print_line(&mut output, record, self.zone, width)?;
            }
        }
        Ok(output.flush()?)
    }
}

fn filter(arguments: &LogArgs, cellar: &Cellar) -> Result<store::Filter, Failure> {
    let vessel = match &arguments.vessel {
        Some(name) => Some(cellar.vessel(Some(name))?.clone()),
        None => None,
    };
    let kinds = arguments.kind.iter().map(|kind| {
        let known = Kind::ALL.iter().find(|known| known.as_str() == kind);
        known.copied().ok_or_else(|| {
            let names: Vec<&str> = Kind::ALL.iter().map(|kind| kind.as_str()).collect();
            Failure::new(Status::Usage, format!("`{kind}` is not a kind of event"))
                .hint(format!("the kinds are {}", names.join(", ")))
        })
    });
    let first = (arguments.follow && arguments.since.is_none()).then_some(FIRST);
    let last = arguments.last.or(first);
    Ok(store::Filter {
        vessel,
        kinds: kinds.collect::<Result<_, _>>()?,
        since: arguments.since.as_deref().map(since).transpose()?,
        limit: last.map_or(store::Limit::None, store::Limit::Last),
        ..store::Filter::default()
    })
}

/// A time, or a span before now.
fn since(text: &str) -> Result<Stamp, Failure> {
    if let Ok(stamp) = Stamp::parse_rfc3339(text) {
        return Ok(stamp);
    }
    let span = Span::parse(text).map_err(|error| {
        Failure::new(Status::Usage, format!("`{text}` is neither a time nor a span: {error}"))
            .hint("write `2026-03-01T18:00:00Z` or `2 d`")
    })?;
    Ok(crate::clock::wall() - span)
}
