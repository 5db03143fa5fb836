//! Inputs as rows: runs of ticks and probe readings packed into one, everything else as JSON.

use super::error::StoreError;
use super::source::{Names, Sources};
use engine::{Input, Now, Reading, Record, Values};
use quantity::Stamp;
use rusqlite::{CachedStatement, Connection, params};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// How much an input matters once memory for those not yet written runs short; least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Rank {
    /// A tick, a probe's reading or the like that caused no record.
    Quiet,
    /// A gravity reading that caused no record.
    Gravity,
    /// A command, a start, an end, or anything that caused a record: never let go.
    Must,
}

/// An input on its way to the disk, with the records that it caused.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub(super) now: Now,
    pub(super) rank: Rank,
    pub(super) records: Vec<Record>,
    what: What,
}

/// The input itself.
#[derive(Debug, Clone, PartialEq)]
enum What {
    Tick,
    /// A temperature and nothing else, from the source of this number.
    Probe(i64, f64),
    /// Any other, as JSON.
    Whole(&'static str, String),
}

/// A tick or a probe's reading in a packed row: `[ms before the row's wall time, ms that the wall
/// clock was further ahead of the monotonic one than at the row's, source, °C]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
enum Packed {
    Probe(i64, i64, i64, f64),
    Tick(i64, i64),
}

impl Row {
    /// A tick without records.
    pub(super) fn tick(now: Now) -> Self {
        Row { now, rank: Rank::Quiet, records: Vec::new(), what: What::Tick }
    }

    /// Any input; a probe gets its number from `sources`.
    pub(super) fn new(now: Now, input: &Input, records: &[Record], sources: &mut Sources) -> Self {
        let what = match input {
            Input::Tick => What::Tick,
            Input::Reading(reading) => {
                let number = sources.of(reading);
                match plain_probe(reading) {
                    Some(temperature_c) => What::Probe(number, temperature_c),
                    None => whole(input),
                }
            }
            _ => whole(input),
        };
        Row { now, rank: rank(input, records), records: records.to_vec(), what }
    }

    /// Whether two rows that follow each other go into one on disk.
    pub(super) fn packs_with(&self, next: &Row) -> bool {
        let small = |row: &Row| !matches!(row.what, What::Whole(..));
        small(self) && small(next)
    }

    fn pack(&self, last: Now) -> Packed {
        let back = last.wall.millis_after(self.now.wall);
        let lead = lead(self.now).wrapping_sub(lead(last));
        match self.what {
            What::Probe(source, temperature_c) => Packed::Probe(back, lead, source, temperature_c),
            What::Tick | What::Whole(..) => Packed::Tick(back, lead),
        }
    }
}

/// Writes rows that pack together, or one that does not pack, as the input row `id`.
pub(super) fn insert(
    rows: &[Row],
    id: i64,
    statement: &mut CachedStatement<'_>,
) -> rusqlite::Result<()> {
    let Some(last) = rows.last() else { return Ok(()) };
    let (wall, monotonic) = (last.now.wall.millis(), last.now.monotonic.millis());
    if let What::Whole(kind, body) = &last.what {
        return statement.execute(params![id, wall, monotonic, kind, body]).map(drop);
    }
    let packed: Vec<Packed> = rows.iter().map(|row| row.pack(last.now)).collect();
    statement.execute(params![id, wall, monotonic, PACKED, json(&packed)]).map(drop)
}

/// The kind of a packed row.
const PACKED: &str = "packed";

/// The statement that [`insert`] wants.
pub(super) const INSERT_INPUT: &str =
    "INSERT INTO input (id, wall, monotonic, kind, body) VALUES (?1, ?2, ?3, ?4, ?5)";

/// Gives the inputs on disk after the row `after` to `visit`, in order, each with its row's id.
/// Returns how many.
pub(super) fn each_input(
    connection: &Connection,
    path: &Path,
    names: &Names,
    after: i64,
    mut visit: impl FnMut(i64, Now, Input),
) -> Result<u64, StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
    let sql = "SELECT id, wall, monotonic, kind, body FROM input WHERE id > ?1 ORDER BY id";
    let mut statement = connection.prepare_cached(sql).map_err(ours)?;
    let mut rows = statement.query([after]).map_err(ours)?;
    let mut count = 0;
    while let Some(row) = rows.next().map_err(ours)? {
        let id: i64 = row.get(0).map_err(ours)?;
        let now = Now {
            wall: Stamp::from_millis(row.get(1).map_err(ours)?),
            monotonic: Stamp::from_millis(row.get(2).map_err(ours)?),
        };
        let (kind, body): (String, String) = (row.get(3).map_err(ours)?, row.get(4).map_err(ours)?);
        let inputs = inputs_of(&kind, &body, now, names).map_err(|problem| {
            let problem = format!("input {id}, `{kind}`: {problem}");
            StoreError::Damaged { path: path.to_owned(), problem }
        })?;
        count += inputs.len() as u64;
        inputs.into_iter().for_each(|(now, input)| visit(id, now, input));
    }
    Ok(count)
}

fn rank(input: &Input, records: &[Record]) -> Rank {
    match input {
        _ if !records.is_empty() => Rank::Must,
        Input::Command(_) | Input::Started { .. } | Input::Stopping => Rank::Must,
        Input::Reading(reading) if reading.values.gravity.is_some() => Rank::Gravity,
        _ => Rank::Quiet,
    }
}

/// The temperature of a reading that is nothing else.
fn plain_probe(reading: &Reading) -> Option<f64> {
    let temperature_c = reading.values.temperature_c.filter(|number| number.is_finite());
    let plain = Values { temperature_c, ..Values::default() };
    let is_plain = reading.values == plain && reading.taken.is_none() && !reading.retained;
    temperature_c.filter(|_| is_plain)
}

fn whole(input: &Input) -> What {
    What::Whole(kind(input), json(input))
}

fn kind(input: &Input) -> &'static str {
    match input {
        Input::Started { .. } => "started",
        Input::Stopping => "stopping",
        Input::Tick => "tick",
        Input::Reading(_) => "reading",
        Input::Unreadable { .. } => "unreadable",
        Input::Seen { .. } => "seen",
        Input::Command(_) => "command",
        Input::Link { .. } => "link",
        Input::Store { .. } => "store",
    }
}

/// Inputs as JSON. Each of them can be: their maps have texts as keys.
fn json(value: &impl Serialize) -> String {
    serde_json::to_string(value).unwrap_or_else(|error| {
        tracing::error!("an input cannot be written as JSON: {error}");
        "\"Tick\"".to_owned()
    })
}

/// How far the wall clock is ahead of the monotonic one, in ms.
fn lead(now: Now) -> i64 {
    now.wall.millis().wrapping_sub(now.monotonic.millis())
}

fn inputs_of(kind: &str, body: &str, now: Now, names: &Names) -> Result<Vec<(Now, Input)>, String> {
    if kind == PACKED {
        return unpack(body, now, names);
    }
    let input = serde_json::from_str(body).map_err(|error| error.to_string())?;
    Ok(vec![(now, input)])
}

fn unpack(body: &str, last: Now, names: &Names) -> Result<Vec<(Now, Input)>, String> {
    let packed: Vec<Packed> = serde_json::from_str(body).map_err(|error| error.to_string())?;
    let input = |packed: &Packed| {
        let (back, ahead, input) = match packed {
            Packed::Tick(back, ahead) => (back, ahead, Input::Tick),
            Packed::Probe(back, ahead, source, temperature_c) => {
                (back, ahead, probe(*source, *temperature_c, names)?)
            }
        };
        let wall = last.wall.millis().wrapping_sub(*back);
        let monotonic = wall.wrapping_sub(lead(last).wrapping_add(*ahead));
        let now = Now { wall: Stamp::from_millis(wall), monotonic: Stamp::from_millis(monotonic) };
        Ok((now, input))
    };
    packed.iter().map(input).collect()
}

fn probe(source: i64, temperature_c: f64, names: &Names) -> Result<Input, String> {
    let (vessel, name) =
        names.get(&source).ok_or_else(|| format!("its source {source} is not in the store"))?;
    Ok(Input::Reading(Reading {
        vessel: vessel.clone(),
        source: name.clone(),
        taken: None,
        retained: false,
        values: Values { temperature_c: Some(temperature_c), ..Values::default() },
    }))
}
