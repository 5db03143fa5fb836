//! Asking a store what happened: the daemon of its own store, the command line beside it.

use super::course;
use super::error::StoreError;
use super::past::{self, Past};
use super::schema::{self, Found};
use super::source;
use super::{Snapshot, row};
use engine::{Input, Kind, Now, Point, Reading, Record};
use quantity::Stamp;
use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, OpenFlags, Row, params_from_iter};
use schedule::Name;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Sources that measure temperature alone.
const PROBES: [&str; 3] = ["beer", "surround", "reservoir"];

/// A store opened for reading only, also while a daemon writes it.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    path: PathBuf,
}

/// Questions to a store; each answer is of one moment.
#[derive(Debug, Clone, Copy)]
pub struct History<'a> {
    pub(super) connection: &'a Connection,
    pub(super) path: &'a Path,
}

/// Which records are wanted; the default is all.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Filter {
    /// Of this vessel, and the daemon's own.
    pub vessel: Option<Name>,
    /// Of this batch.
    pub batch: Option<String>,
    /// Of these kinds; empty: of any.
    pub kinds: Vec<Kind>,
    /// At this time or later.
    pub since: Option<Stamp>,
    /// Before this time.
    pub until: Option<Stamp>,
    /// With a higher number.
    pub after_seq: Option<u64>,
    /// With a lower number.
    pub before_seq: Option<u64>,
    /// At most so many.
    pub limit: Limit,
}

/// How many records are wanted. They come in the order of their numbers in any case.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Limit {
    /// All.
    #[default]
    None,
    /// The first so many.
    First(u32),
    /// The last so many.
    Last(u32),
}

/// A batch in the store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// Such as `north-1`.
    pub id: String,
    /// The vessel that it began in.
    pub vessel: Option<String>,
    /// The number of its first record, which says how it was pitched.
    pub first_seq: u64,
    /// When that was.
    pub began: Stamp,
    /// When its last stage was left.
    pub completed: Option<Stamp>,
    /// When it was stopped or aborted.
    pub ended: Option<Stamp>,
}

impl Reader {
    /// Opens the store at `path` for reading.
    ///
    /// # Errors
    /// Where there is none, where it may not be read, or where it is of another version.
    pub fn open(path: &Path) -> Result<Reader, StoreError> {
        let (connection, found) = connect_any(path)?;
        let known = schema::STEPS.len() as i64;
        let path = path.to_owned();
        match found {
            Found::Store(found) if found == known => Ok(Reader { connection, path }),
            Found::Store(found) if found > known => Err(StoreError::Newer { path, found, known }),
            Found::Store(found) => Err(StoreError::Older { path, found, known }),
            Found::Empty | Found::Other => Err(StoreError::NotOurs { path }),
        }
    }

    /// From now on all answers are of this moment, whatever the daemon writes.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn hold(&self) -> Result<(), StoreError> {
        // It ends with the connection.
        let held = self.connection.execute_batch("BEGIN");
        held.map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }

    /// What can be asked.
    pub fn history(&self) -> History<'_> {
        History { connection: &self.connection, path: &self.path }
    }
}

impl History<'_> {
    /// The records that `filter` wants, in the order of their numbers.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn records(&self, filter: &Filter) -> Result<Vec<Record>, StoreError> {
        let (sql, parameters) = filter.query();
        let mut records = self.all(&sql, params_from_iter(parameters), record_of)?;
        if let Limit::Last(_) = filter.limit {
            records.reverse();
        }
        Ok(records)
    }

    /// The readings of a vessel that arrived from `since` to before `until`, of one source or of
    /// all, in the order of their arrival, each with its time.
    ///
    /// Gravity readings are all there; probes' are thinned as [`tidy`](super::tidy) says.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn readings(
        &self,
        vessel: &Name,
        source: Option<&str>,
        since: Stamp,
        until: Stamp,
    ) -> Result<Vec<(Stamp, Reading)>, StoreError> {
        self.readings_of(since, until, |of, name| {
            of == vessel && source.is_none_or(|wanted| wanted == name)
        })
    }

    /// As [`History::readings`], of all sources but probes, which speak much more often.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn gravities(
        &self,
        vessel: &Name,
        since: Stamp,
        until: Stamp,
    ) -> Result<Vec<(Stamp, Reading)>, StoreError> {
        self.readings_of(since, until, |of, name| of == vessel && !PROBES.contains(&name))
    }

    fn readings_of(
        &self,
        since: Stamp,
        until: Stamp,
        is_wanted: impl Fn(&Name, &str) -> bool,
    ) -> Result<Vec<(Stamp, Reading)>, StoreError> {
        let names = source::names(self.connection, self.path)?;
        let mut readings = Vec::new();
        for (number, (of, name)) in &names {
            if is_wanted(of, name) {
                let parameters = (number, since.millis(), until.millis());
                let read = |row: &Row<'_>| past::past_of(row, *number, &names);
                readings.extend(self.all(past::SELECT, parameters, read)?);
            }
        }
        let newer = past::not_filled(self.connection, self.path, &names)?;
        readings.extend(newer.into_iter().filter(|past| {
            is_wanted(&past.reading.vessel, &past.reading.source)
                && (since..until).contains(&past.at)
        }));
        readings.sort_by_key(Past::order);
        Ok(readings.into_iter().map(|past| (past.at, past.reading)).collect())
    }

    /// The newest snapshot.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn snapshot(&self) -> Result<Option<Snapshot>, StoreError> {
        super::snapshot_before(self.connection, 0)
            .map_err(|error| StoreError::from_sqlite(self.path, &error))
    }

    /// Gives the inputs on disk after a snapshot to `visit`, in order; returns how many.
    ///
    /// # Errors
    /// Where the store cannot be read, or an input cannot be understood.
    pub fn replay(
        &self,
        snapshot: &Snapshot,
        mut visit: impl FnMut(Now, Input),
    ) -> Result<u64, StoreError> {
        let names = source::names(self.connection, self.path)?;
        let after = snapshot.after_input;
        row::each_input(self.connection, self.path, &names, after, |_, now, input| {
            visit(now, input);
        })
    }

    /// The course of a batch in the order of time, up to the newest snapshot: what came since is in
    /// the daemon's memory ([`Store::points_waiting`](super::Store::points_waiting)).
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn course(&self, batch: &str) -> Result<Vec<Point>, StoreError> {
        course::of_batch(self.connection, self.path, batch)
    }

    /// All batches, in the order in which they began.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn batches(&self) -> Result<Vec<Batch>, StoreError> {
        let sql = "SELECT id, vessel, first_seq, began, completed, ended FROM batch \
                   ORDER BY first_seq";
        self.all(sql, [], |row| batch_of(row).map(Ok))
    }

    /// The rows of a query; the inner error of `read` says what a row should not be.
    fn all<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        read: impl Fn(&Row<'_>) -> rusqlite::Result<Result<T, String>>,
    ) -> Result<Vec<T>, StoreError> {
        let ours = |error: rusqlite::Error| StoreError::from_sqlite(self.path, &error);
        let mut statement = self.connection.prepare_cached(sql).map_err(ours)?;
        let rows = statement.query_map(parameters, |row| read(row)).map_err(ours)?;
        rows.map(|row| {
            row.map_err(ours)?
                .map_err(|problem| StoreError::Damaged { path: self.path.to_owned(), problem })
        })
        .collect()
    }
}

impl Filter {
    /// The query with its parameters, newest first where the last ones are wanted.
    ///
    /// A vessel's records and the daemon's own are two queries that are merged by their numbers:
    /// each goes along an index, so that the last few are found without reading all.
    pub(super) fn query(&self) -> (String, Vec<Value>) {
        let (conditions, values) = self.conditions();
        let select = |vessel: &str| {
            format!(
                "SELECT seq, at, vessel, batch, kind, text, data FROM record \
                 WHERE {vessel}{conditions}"
            )
        };
        let (mut sql, parameters) = match &self.vessel {
            None => (select("true"), values),
            Some(vessel) => {
                let sql = [select("vessel = ?"), select("vessel IS NULL")].join(" UNION ALL ");
                let vessel = Value::from(vessel.as_str().to_owned());
                let parameters = [vec![vessel], values.clone(), values].concat();
                (sql, parameters)
            }
        };
        match self.limit {
            Limit::None => sql.push_str(" ORDER BY seq"),
            Limit::First(count) => sql.push_str(&format!(" ORDER BY seq LIMIT {count}")),
            Limit::Last(count) => sql.push_str(&format!(" ORDER BY seq DESC LIMIT {count}")),
        }
        (sql, parameters)
    }

    /// What is wanted beside the vessel, each with `AND` before it.
    fn conditions(&self) -> (String, Vec<Value>) {
        let mut sql = String::new();
        let mut parameters = Vec::new();
        let mut want = |condition: &str, value: Value| {
            sql.push_str(" AND ");
            sql.push_str(condition);
            parameters.push(value);
        };
        if let Some(batch) = &self.batch {
            want("batch = ?", batch.clone().into());
        }
        if let Some(since) = self.since {
            want("at >= ?", since.millis().into());
        }
        if let Some(until) = self.until {
            want("at < ?", until.millis().into());
        }
        if let Some(seq) = self.after_seq {
            want("seq > ?", i64::try_from(seq).unwrap_or(i64::MAX).into());
        }
        if let Some(seq) = self.before_seq {
            want("seq < ?", i64::try_from(seq).unwrap_or(i64::MAX).into());
        }
        if !self.kinds.is_empty() {
            let marks = vec!["?"; self.kinds.len()].join(", ");
            sql.push_str(&format!(" AND kind IN ({marks})"));
            parameters.extend(self.kinds.iter().map(|kind| kind.as_str().to_owned().into()));
        }
        (sql, parameters)
    }
}

/// The version of the newest state in the store at `path`, whatever the version of its tables;
/// `None` where there is none, or where it cannot be read, which opening it tells.
pub fn state_version(path: &Path) -> Option<u32> {
    let (connection, found) = connect_any(path).ok()?;
    let newest = "SELECT version FROM snapshot ORDER BY id DESC LIMIT 1";
    let version = || connection.query_row(newest, [], |row| row.get(0)).ok();
    matches!(found, Found::Store(_)).then(version).flatten()
}

/// Opens what is at `path` for reading, whether or not a daemon writes it, and says what it is.
pub(super) fn connect_any(path: &Path) -> Result<(Connection, Found), StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let connected = match connect(path) {
        Err(error)
            if error.sqlite_error_code() == Some(ErrorCode::CannotOpen)
                && !super::lock::beside(path, "-wal").exists() =>
        {
            connect_still(path)
        }
        other => other,
    };
    connected.map_err(|error| StoreError::from_sqlite(path, &error))
}

fn connect(path: &Path) -> rusqlite::Result<(Connection, Found)> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(Duration::from_secs(5))?;
    let found = schema::look(&connection)?;
    Ok((connection, found))
}

/// Opens a store that no daemon writes, in a folder that we may not write: SQLite then needs to be
/// told that nothing changes, as it cannot make the files that tell.
pub(super) fn connect_still(path: &Path) -> rusqlite::Result<(Connection, Found)> {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-_.~".contains(byte) {
            uri.push(char::from(*byte));
        } else {
            // Writing to a text cannot fail.
            let _ = write!(uri, "%{byte:02X}");
        }
    }
    uri.push_str("?immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    let connection = Connection::open_with_flags(uri, flags)?;
    let found = schema::look(&connection)?;
    Ok((connection, found))
}

fn record_of(row: &Row<'_>) -> rusqlite::Result<Result<Record, String>> {
    let seq: i64 = row.get(0)?;
    let (vessel, kind, data): (Option<String>, String, String) =
        (row.get(2)?, row.get(4)?, row.get(6)?);
    let known = Kind::ALL.iter().copied().find(|known| known.as_str() == kind);
    let parts = vessel
        .map(|name| Name::parse(&name))
        .transpose()
        .and_then(|vessel| Ok((vessel, known.ok_or(format!("`{kind}` is no kind of event"))?)))
        .and_then(|(vessel, kind)| {
            let data = serde_json::from_str(&data).map_err(|error| error.to_string())?;
            Ok((vessel, kind, data))
        });
    let (vessel, kind, data) = match parts {
        Ok(parts) => parts,
        Err(problem) => return Ok(Err(format!("record {seq}: {problem}"))),
    };
    let at = Stamp::from_millis(row.get(1)?);
    let (batch, text) = (row.get(3)?, row.get(5)?);
    Ok(Ok(Record { seq: seq.unsigned_abs(), at, vessel, batch, kind, text, data }))
}

fn batch_of(row: &Row<'_>) -> rusqlite::Result<Batch> {
    let stamp =
        |index| row.get::<_, Option<i64>>(index).map(|millis| millis.map(Stamp::from_millis));
    Ok(Batch {
        id: row.get(0)?,
        vessel: row.get(1)?,
        first_seq: row.get::<_, i64>(2)?.unsigned_abs(),
        began: Stamp::from_millis(row.get(3)?),
        completed: stamp(4)?,
        ended: stamp(5)?,
    })
}
