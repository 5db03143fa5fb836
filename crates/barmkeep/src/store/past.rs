//! The history of readings: of a probe the first in each minute, of gravity every one.
//!
//! It is filled from the inputs at each snapshot, source by source, since that writes far fewer
//! pages than a row here and there all the time. What came since is still among the inputs: a
//! question looks at both.

use super::error::StoreError;
use super::row;
use super::source::Names;
use engine::{Input, RawGravity, Reading, Values};
use quantity::Stamp;
use rusqlite::{Connection, Row, Transaction, params};
use std::collections::BTreeMap;
use std::path::Path;

/// A reading in the history, with the number of its source and its input's row.
pub(super) struct Past {
    source: i64,
    pub(super) at: Stamp,
    input: i64,
    pub(super) reading: Reading,
}

impl Past {
    /// The order of arrival.
    pub(super) fn order(&self) -> (Stamp, i64) {
        (self.at, self.input)
    }
}

/// Selects what [`past_of`] reads: the readings of a source that arrived in a time.
pub(super) const SELECT: &str = "SELECT at, input, taken, retained, gravity, unit, \
     temperature_c, battery_percent FROM reading \
     WHERE source = ?1 AND at >= ?2 AND at < ?3 ORDER BY at, input";

const INSERT: &str = "INSERT INTO reading (source, at, input, taken, retained, gravity, unit, \
     temperature_c, battery_percent) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) \
     ON CONFLICT (source, at, input) DO NOTHING";

/// Writes the readings among the inputs after the newest snapshot into the history.
///
/// Two readings of a probe can have one time in one row where the wall clock stepped back: one of
/// them is enough.
pub(super) fn fill(
    transaction: &Transaction<'_>,
    path: &Path,
    names: &Names,
) -> Result<(), StoreError> {
    let mut readings = not_filled(transaction, path, names)?;
    readings.sort_by_key(|past| (past.source, past.order()));
    insert(transaction, &readings).map_err(|error| StoreError::from_sqlite(path, &error))
}

/// The readings that the history will have, among the inputs after the newest snapshot, in the
/// order of their arrival.
pub(super) fn not_filled(
    connection: &Connection,
    path: &Path,
    names: &Names,
) -> Result<Vec<Past>, StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
    let after = connection
        .query_row("SELECT ifnull(max(after_input), 0) FROM snapshot", [], |row| row.get(0))
        .map_err(ours)?;
    let numbers: BTreeMap<(&str, &str), i64> = names
        .iter()
        .map(|(number, (vessel, name))| ((vessel.as_str(), name.as_str()), *number))
        .collect();
    let mut minutes = last_minutes(connection, names).map_err(ours)?;
    let mut readings = Vec::new();
    row::each_input(connection, path, names, after, |input, now, what| {
        let Input::Reading(reading) = what else { return };
        let key = (reading.vessel.as_str(), reading.source.as_str());
        let Some(source) = numbers.get(&key).copied() else { return };
        let minute = minute(now.wall);
        let first = minutes.insert(source, minute) != Some(minute);
        if first || reading.values.gravity.is_some() {
            readings.push(Past { source, at: now.wall, input, reading });
        }
    })?;
    Ok(readings)
}

/// Reads a row of [`SELECT`], of this source; the inner error says what is no reading.
pub(super) fn past_of(
    row: &Row<'_>,
    source: i64,
    names: &Names,
) -> rusqlite::Result<Result<Past, String>> {
    let gravity: Option<f64> = row.get(4)?;
    let unit: Option<String> = row.get(5)?;
    let gravity = gravity.zip(unit).map(|(number, unit)| raw_gravity(number, &unit)).transpose();
    let gravity = match gravity {
        Ok(gravity) => gravity,
        Err(problem) => return Ok(Err(problem)),
    };
    let Some((vessel, name)) = names.get(&source).cloned() else {
        return Ok(Err(format!("source {source} is not in the store")));
    };
    let reading = Reading {
        vessel,
        source: name,
        taken: row.get::<_, Option<i64>>(2)?.map(Stamp::from_millis),
        retained: row.get(3)?,
        values: Values { gravity, temperature_c: row.get(6)?, battery_percent: row.get(7)? },
    };
    let at = Stamp::from_millis(row.get(0)?);
    Ok(Ok(Past { source, at, input: row.get(1)?, reading }))
}

fn insert(transaction: &Transaction<'_>, readings: &[Past]) -> rusqlite::Result<()> {
    let mut statement = transaction.prepare_cached(INSERT)?;
    for past in readings {
        let values = past.reading.values;
        let (gravity, unit) = values.gravity.map(gravity_columns).unzip();
        statement.execute(params![
            past.source,
            past.at.millis(),
            past.input,
            past.reading.taken.map(Stamp::millis),
            past.reading.retained,
            gravity,
            unit,
            values.temperature_c,
            values.battery_percent,
        ])?;
    }
    Ok(())
}

/// The minute of each source's newest reading in the history.
fn last_minutes(connection: &Connection, names: &Names) -> rusqlite::Result<BTreeMap<i64, i64>> {
    let mut statement =
        connection.prepare_cached("SELECT max(at) FROM reading WHERE source = ?1")?;
    let mut minutes = BTreeMap::new();
    for source in names.keys() {
        let at: Option<i64> = statement.query_row([source], |row| row.get(0))?;
        minutes.extend(at.map(|at| (*source, minute(Stamp::from_millis(at)))));
    }
    Ok(minutes)
}

/// The minute of the wall clock, counted from 1970.
fn minute(at: Stamp) -> i64 {
    at.millis().div_euclid(60_000)
}

fn gravity_columns(gravity: RawGravity) -> (f64, &'static str) {
    match gravity {
        RawGravity::Sg(number) => (number, "SG"),
        RawGravity::Plato(number) => (number, "P"),
        RawGravity::Brix(number) => (number, "Bx"),
        RawGravity::Degrees(number) => (number, "deg"),
    }
}

fn raw_gravity(number: f64, unit: &str) -> Result<RawGravity, String> {
    match unit {
        "SG" => Ok(RawGravity::Sg(number)),
        "P" => Ok(RawGravity::Plato(number)),
        "Bx" => Ok(RawGravity::Brix(number)),
        "deg" => Ok(RawGravity::Degrees(number)),
        _ => Err(format!("a reading's unit `{unit}` is none that a float reports")),
    }
}
