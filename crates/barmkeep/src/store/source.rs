//! Gravity sources and probes, each with a number that stands for its vessel and name in rows.

use super::error::StoreError;
use engine::Reading;
use rusqlite::{Connection, Transaction, params};
use schedule::Name;
use std::collections::BTreeMap;
use std::path::Path;

/// The sources by their numbers: vessel and name.
pub(super) type Names = BTreeMap<i64, (Name, String)>;

/// The numbers of all sources that ever spoke.
///
/// Bounded by the configuration: a driver passes on only the sources that it names.
#[derive(Debug, Default)]
pub(super) struct Sources {
    by_vessel: BTreeMap<Name, BTreeMap<String, Source>>,
    last_number: i64,
}

#[derive(Debug, Clone, Copy)]
struct Source {
    number: i64,
    on_disk: bool,
}

impl Sources {
    /// Those that are on disk.
    pub(super) fn read(connection: &Connection, path: &Path) -> Result<Self, StoreError> {
        let mut sources = Sources::default();
        for (number, (vessel, name)) in names(connection, path)? {
            let by_name = sources.by_vessel.entry(vessel).or_default();
            by_name.insert(name, Source { number, on_disk: true });
            sources.last_number = sources.last_number.max(number);
        }
        Ok(sources)
    }

    /// The number of a reading's source; a new one gets the next.
    pub(super) fn of(&mut self, reading: &Reading) -> i64 {
        let by_name = self.by_vessel.get(&reading.vessel);
        if let Some(source) = by_name.and_then(|by_name| by_name.get(&reading.source)) {
            return source.number;
        }
        self.last_number += 1;
        let source = Source { number: self.last_number, on_disk: false };
        let by_name = self.by_vessel.entry(reading.vessel.clone()).or_default();
        by_name.insert(reading.source.clone(), source);
        source.number
    }

    /// Writes those that are not on disk yet.
    pub(super) fn write_new(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        for (vessel, by_name) in &self.by_vessel {
            for (name, source) in by_name.iter().filter(|(_, source)| !source.on_disk) {
                transaction
                    .prepare_cached("INSERT INTO source (id, vessel, name) VALUES (?1, ?2, ?3)")?
                    .execute(params![source.number, vessel.as_str(), name])?;
            }
        }
        Ok(())
    }

    /// Notes that all are on disk.
    pub(super) fn are_on_disk(&mut self) {
        let sources = self.by_vessel.values_mut().flat_map(BTreeMap::values_mut);
        sources.for_each(|source| source.on_disk = true);
    }
}

/// The names of all sources on disk.
pub(super) fn names(connection: &Connection, path: &Path) -> Result<Names, StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
    let sql = "SELECT id, vessel, name FROM source";
    let mut statement = connection.prepare_cached(sql).map_err(ours)?;
    let mut rows = statement.query([]).map_err(ours)?;
    let mut names = Names::new();
    while let Some(row) = rows.next().map_err(ours)? {
        let vessel: String = row.get(1).map_err(ours)?;
        let vessel = Name::parse(&vessel)
            .map_err(|problem| StoreError::Damaged { path: path.to_owned(), problem })?;
        names.insert(row.get(0).map_err(ours)?, (vessel, row.get(2).map_err(ours)?));
    }
    Ok(names)
}
