//! The store: one SQLite file with every input that matters and every record.
//!
//! An input and the records that it caused are one transaction, on disk before anything is
//! published. A start takes the newest snapshot and gives the inputs after it to the same engine.
//!
//! # What reaches the disk when
//! At once, with all that waited before it: an input that caused a record, a command, a start, an
//! end; and a gravity reading, but not within [`GRAVITY_APART`] of the last write. Quiet inputs
//! (probes' readings, ticks, what relays report) wait in memory for the next write, at most
//! [`GROUP_TIME`] or [`GROUP_ROWS`]. Of quiet ticks closer than [`TICK_APART`] only the last before
//! a write is kept: it says how far time had come. All writes are synced but those of quiet groups
//! alone, which a cut in power may take back, in order, back to the last synced one.
//!
//! # What can be read with any SQLite tool
//! Times are RFC 3339 in these views, whole milliseconds since 1970 in the tables below them.
//!
//! - `records`: `seq`, `at`, `vessel`, `batch`, `kind`, `text`, `data` (JSON).
//! - `readings`, up to the newest snapshot: `at` (of arrival), `vessel`, `source`, `kind`
//!   (`gravity` or `temperature`), `gravity` and its `unit` (as the device said), `temperature_c`,
//!   `battery_percent`, `taken` (by the device's own clock), `retained`.
//! - `batches`: `id`, `vessel` (where it began), `first_seq`, `began`, `completed`, `ended`.
//! - `course`, up to the newest snapshot, a point each quarter of an hour of a batch: `batch`,
//!   `at`, `vessel`, `sg` and `attenuation` (apparent, percent) as believed, each with its standard
//!   deviation `_sd`, `beer_c`, `setpoint_c`, `surround_c`, and the shares of the quarter for which
//!   `heater` and `chiller` were on (0 to 1).
//! - `inputs`, since the older of the two snapshots: `id`, `at`, `kind`, `vessel`, `source`,
//!   `temperature_c`, `body` (JSON).
//!
//! [`tidy`] says what is thinned and dropped. Beside the file stand `-wal` and `-shm` (SQLite's
//! own, part of the store while they are there) and `.lock`.

mod copy;
pub mod course;
mod error;
mod lock;
mod past;
mod read;
mod row;
mod schema;
mod source;
pub mod tidy;
mod told;
mod waiting;

#[cfg(test)]
mod tests;

pub use copy::{Copied, CopyError, copy};
pub use error::StoreError;
pub use read::{Batch, Filter, History, Limit, Reader, state_version};
pub use waiting::{TICK_APART, WAITING_MAX};

use engine::{Input, Kind, Now, Point, Record};
use lock::Lock;
use quantity::{Span, Stamp};
use row::{Rank, Row};
use rusqlite::{
    Connection, OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params,
};
use schedule::Name;
use source::Sources;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tidy::Steadiness;
use waiting::Waiting;

/// A quiet input waits for at most this long.
pub const GROUP_TIME: Span = Span::from_mins(5);

/// At most this many inputs wait, unless writing fails.
pub const GROUP_ROWS: usize = 2_000;

/// Gravity readings alone make no write sooner than this after the last one.
pub const GRAVITY_APART: Span = Span::from_secs(1);

/// After a failed write, only what must be on disk makes another try sooner than this.
pub const RETRY_AFTER: Span = Span::from_secs(10);

/// How long a write waits for another program that holds the file.
const BUSY_TIMEOUT: Duration = Duration::from_millis(500);

/// The write-ahead log goes into the file whenever it has grown to so many pages.
const CHECKPOINT_PAGES: i64 = 4_000;

/// A log that grew larger, since someone read for long, is cut back to this.
const LOG_BYTES_MAX: i64 = 8 << 20;

/// The memory for SQLite's pages, in KiB.
const CACHE_KIB: i64 = 1_024;

/// A store, open for this process alone to write.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    keep: Span,
    waiting: Waiting,
    /// Points of batches' courses that wait for the next snapshot, oldest first.
    points: Vec<Point>,
    sources: Sources,
    /// The id of the next input's row.
    next_input: i64,
    /// The number that the next record must have.
    next_seq: u64,
    /// The number of the last record that is on disk; 0: none ever.
    seq_on_disk: u64,
    /// Monotonic time of the last write.
    written: Option<Stamp>,
    /// Monotonic time of the last try, where it failed.
    failed: Option<Stamp>,
    /// Whether writes are synced, as SQLite was last told.
    synced: Option<bool>,
    steadiness: Steadiness,
    // Last, so that it is let go of after the connection is closed.
    _lock: Lock,
}

/// What a start needs to know of the time before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recovered {
    /// The newest snapshot; [`Store::replay`] gives the inputs after it.
    pub snapshot: Option<Snapshot>,
    /// The wall time of the last thing kept.
    pub last_wall: Option<Stamp>,
    /// The number that the next record must have.
    pub next_seq: u64,
}

/// The engine's state at some time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// When, by the wall clock.
    pub at: Stamp,
    /// The version of its form; the writer's business.
    pub version: u32,
    /// The state, as its writer gave it.
    pub body: String,
    after_input: i64,
}

/// Where an input is now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// It and everything before it is on disk: its records may be published.
    OnDisk,
    /// It caused no record and waits in memory.
    Waiting,
}

impl Store {
    /// Opens the store at `path`, or makes one, for this process alone to write.
    ///
    /// # Errors
    /// Where another daemon has it, where the file is not a store that this program knows, or where
    /// file or folder cannot be read or written.
    pub fn open(path: &Path, keep: Span) -> Result<(Store, Recovered), StoreError> {
        // One file has one lock, by whichever name it is called.
        let path = path.canonicalize().unwrap_or_else(|_| path.to_owned());
        if path.parent().is_some_and(|folder| folder != Path::new("") && !folder.is_dir()) {
            return Err(StoreError::NoFolder { path });
        }
        let lock = Lock::take(&path)?;
        schema::refuse_foreign(&path)?;
        let ours = |error: rusqlite::Error| StoreError::from_sqlite(&path, &error);
        let mut connection = connect(&path).map_err(ours)?;
        schema::bring_up(&mut connection, &path, schema::STEPS)?;
        let (recovered, next_input) = recover(&connection).map_err(ours)?;
        let sources = Sources::read(&connection, &path)?;
        let store = Store {
            connection,
            keep,
            waiting: Waiting::default(),
            points: Vec::new(),
            sources,
            next_input,
            next_seq: recovered.next_seq,
            seq_on_disk: recovered.next_seq - 1,
            written: None,
            failed: None,
            synced: None,
            steadiness: Steadiness::default(),
            _lock: lock,
            path,
        };
        Ok((store, recovered))
    }

    /// Gives the inputs after `snapshot` to `visit`, in order: all that there are where it is
    /// `None`. Returns how many.
    ///
    /// # Errors
    /// Where the store cannot be read or an input cannot be understood; `visit` has then got those
    /// before it.
    pub fn replay(
        &self,
        snapshot: Option<&Snapshot>,
        mut visit: impl FnMut(Now, Input),
    ) -> Result<u64, StoreError> {
        let after = snapshot.map_or(0, |snapshot| snapshot.after_input);
        let names = source::names(&self.connection, &self.path)?;
        row::each_input(&self.connection, &self.path, &names, after, |_, now, input| {
            visit(now, input);
        })
    }

    /// The snapshot before the newest, for a start where the newest cannot be used. Its inputs are
    /// all there; `None`: there is none, and all inputs since the empty start are.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn older_snapshot(&self) -> Result<Option<Snapshot>, StoreError> {
        snapshot_before(&self.connection, 1)
            .map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }

    /// Takes an input with the records that it caused.
    ///
    /// Where writing fails, all that waits stays in memory, in order, and is written with a later
    /// one: an error means *not on disk yet*, never *lost*.
    ///
    /// # Errors
    /// [`StoreError::Gap`] where the records' numbers do not follow the last one's: nothing was
    /// taken. Any other: it was taken, and could not be written.
    pub fn take(
        &mut self,
        now: Now,
        input: &Input,
        records: &[Record],
    ) -> Result<Taken, StoreError> {
        self.next_seq = follow(self.next_seq, records)?;
        let mut rank = Rank::Quiet;
        if matches!(input, Input::Tick) && records.is_empty() {
            self.waiting.push_tick(now);
        } else {
            let row = Row::new(now, input, records, &mut self.sources);
            rank = row.rank;
            self.waiting.push(row);
        }
        if !self.is_due(rank, now) {
            return Ok(Taken::Waiting);
        }
        let synced = self.waiting.highest() > Some(Rank::Quiet);
        self.write(now, synced, |_| Ok(()))?;
        Ok(Taken::OnDisk)
    }

    /// Takes points of batches' courses; they wait for the next snapshot.
    pub fn take_points(&mut self, points: impl IntoIterator<Item = Point>) {
        self.points.extend(points);
        let too_many = self.points.len().saturating_sub(course::POINTS_MAX);
        self.points.drain(..too_many);
    }

    /// The points that wait for the next snapshot, oldest first.
    pub fn points_waiting(&self) -> &[Point] {
        &self.points
    }

    /// Writes all that waits, but points.
    ///
    /// # Errors
    /// Where it cannot be written; it goes on waiting.
    pub fn flush(&mut self, now: Now) -> Result<(), StoreError> {
        self.write(now, true, |_| Ok(()))
    }

    /// Writes all that waits and the engine's state after it, then lets go of what is too old.
    /// Due after a start, every hour, and at an orderly end.
    ///
    /// # Errors
    /// Where it cannot be written; what waits goes on waiting.
    pub fn snapshot(&mut self, now: Now, version: u32, body: &str) -> Result<(), StoreError> {
        let steady = self.steadiness.look(now);
        let keep = self.keep;
        let points = std::mem::take(&mut self.points);
        let written = self.write(now, true, |written| {
            let ours = |error: rusqlite::Error| StoreError::from_sqlite(written.path, &error);
            let names = source::names(written.transaction, written.path)?;
            past::fill(written.transaction, written.path, &names)?;
            course::insert(written.transaction, &points).map_err(ours)?;
            let insert =
                "INSERT INTO snapshot (after_input, at, version, body) VALUES (?1, ?2, ?3, ?4)";
            written
                .transaction
                .execute(insert, params![written.last_input, now.wall.millis(), version, body])
                .map_err(ours)?;
            tidy::after_snapshot(written.transaction).map_err(ours)?;
            if steady {
                tidy::by_age(written.transaction, now.wall, keep, written.last_seq)
                    .map_err(ours)?;
            }
            Ok(())
        });
        if written.is_err() {
            self.points = points;
        }
        written
    }

    /// Writes all that waits, then answers questions.
    ///
    /// # Errors
    /// Where what waits cannot be written.
    pub fn history(&mut self, now: Now) -> Result<History<'_>, StoreError> {
        self.flush(now)?;
        Ok(History { connection: &self.connection, path: &self.path })
    }

    /// The number of the last record that is on disk, 0 where there was none ever: records up to
    /// here may be published.
    pub fn seq_on_disk(&self) -> u64 {
        self.seq_on_disk
    }

    /// Whether the last write failed.
    pub fn is_failing(&self) -> bool {
        self.failed.is_some()
    }

    /// How many inputs wait in memory.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Whether it is time to write, as an input of this rank is taken.
    fn is_due(&self, rank: Rank, now: Now) -> bool {
        let waited = |since: Stamp, span: Span| now.monotonic.since(since) >= span;
        let Some(oldest) = self.waiting.since() else { return false };
        if rank == Rank::Must {
            return true;
        }
        if self.failed.is_some_and(|failed| !waited(failed, RETRY_AFTER)) {
            return false;
        }
        let rest = self.written.is_none_or(|written| waited(written, GRAVITY_APART));
        match self.waiting.highest() {
            Some(Rank::Must) => true,
            Some(Rank::Gravity) if rest => true,
            _ => waited(oldest, GROUP_TIME) || self.waiting.len() >= GROUP_ROWS,
        }
    }

    /// Writes all that waits, and `more`, in one transaction.
    fn write(
        &mut self,
        now: Now,
        synced: bool,
        more: impl FnOnce(&Written<'_>) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        match self.commit(synced, more) {
            Ok(last_input) => {
                if self.waiting.let_go > 0 {
                    let count = self.waiting.let_go;
                    tracing::warn!("while the store failed, {count} quiet inputs were let go");
                }
                self.next_input = last_input + 1;
                self.seq_on_disk = self.next_seq - 1;
                self.waiting.are_on_disk();
                self.sources.are_on_disk();
                self.written = Some(now.monotonic);
                self.failed = None;
                Ok(())
            }
            Err(error) => {
                self.failed = Some(now.monotonic);
                Err(error)
            }
        }
    }

    /// Returns the id of the last input's row.
    fn commit(
        &mut self,
        synced: bool,
        more: impl FnOnce(&Written<'_>) -> Result<(), StoreError>,
    ) -> Result<i64, StoreError> {
        let path = self.path.as_path();
        let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
        if self.synced != Some(synced) {
            let level = if synced { "full" } else { "normal" };
            self.connection.pragma_update(None, "synchronous", level).map_err(ours)?;
            self.synced = Some(synced);
        }
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(ours)?;
        self.sources.write_new(&transaction).map_err(ours)?;
        let rows = self.waiting.group();
        let last_input = insert_rows(&transaction, self.next_input, rows).map_err(ours)?;
        let last_seq = self.next_seq - 1;
        more(&Written { transaction: &transaction, path, last_input, last_seq })?;
        transaction.commit().map_err(ours)?;
        Ok(last_input)
    }
}

/// A transaction that has all that waited.
struct Written<'a> {
    transaction: &'a Transaction<'a>,
    path: &'a Path,
    last_input: i64,
    last_seq: u64,
}

fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(BUSY_TIMEOUT)?;
    connection.pragma_update(None, "cache_size", -CACHE_KIB)?;
    connection.pragma_update_and_check(None, "wal_autocheckpoint", CHECKPOINT_PAGES, |_| Ok(()))?;
    connection.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES_MAX, |_| Ok(()))?;
    Ok(connection)
}

/// What is known of the time before, and the id of the next input's row.
fn recover(connection: &Connection) -> rusqlite::Result<(Recovered, i64)> {
    let snapshot = snapshot_before(connection, 0)?;
    let last_input = connection
        .query_row("SELECT id, wall FROM input ORDER BY id DESC LIMIT 1", [], |row| {
            Ok((row.get::<_, i64>(0)?, Stamp::from_millis(row.get(1)?)))
        })
        .optional()?;
    let last_seq: i64 = connection.query_row(
        "SELECT max((SELECT ifnull(max(seq), 0) FROM record), \
         ifnull((SELECT value FROM meta WHERE key = 'last_seq'), 0))",
        [],
        |row| row.get(0),
    )?;
    let after = snapshot.as_ref().map_or(0, |snapshot| snapshot.after_input);
    let last_wall = match last_input {
        Some((id, wall)) if id > after => Some(wall),
        _ => snapshot.as_ref().map(|snapshot| snapshot.at),
    };
    let next_input = last_input.map_or(0, |(id, _)| id).max(after) + 1;
    let next_seq = last_seq.unsigned_abs() + 1;
    Ok((Recovered { snapshot, last_wall, next_seq }, next_input))
}

/// The newest snapshot, or the one so many before it.
fn snapshot_before(connection: &Connection, newer: i64) -> rusqlite::Result<Option<Snapshot>> {
    connection
        .query_row(
            "SELECT at, version, body, after_input FROM snapshot \
             ORDER BY id DESC LIMIT 1 OFFSET ?1",
            [newer],
            |row| {
                Ok(Snapshot {
                    at: Stamp::from_millis(row.get(0)?),
                    version: row.get(1)?,
                    body: row.get(2)?,
                    after_input: row.get(3)?,
                })
            },
        )
        .optional()
}

/// The number after `records`, which must go on from `next` one by one.
fn follow(next: u64, records: &[Record]) -> Result<u64, StoreError> {
    records.iter().try_fold(next, |expected, record| {
        if record.seq == expected {
            Ok(expected + 1)
        } else {
            Err(StoreError::Gap { expected, found: record.seq })
        }
    })
}

/// Returns the id of the last row.
fn insert_rows(
    transaction: &Transaction<'_>,
    first_id: i64,
    rows: &[Row],
) -> rusqlite::Result<i64> {
    let mut input = transaction.prepare_cached(row::INSERT_INPUT)?;
    let mut id = first_id - 1;
    for run in rows.chunk_by(Row::packs_with) {
        id += 1;
        row::insert(run, id, &mut input)?;
        for record in run.iter().flat_map(|row| &row.records) {
            insert_record(transaction, record)?;
        }
    }
    Ok(id)
}

fn insert_record(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<()> {
    let vessel = record.vessel.as_ref().map(Name::as_str);
    let data = serde_json::Value::Object(record.data.clone()).to_string();
    transaction
        .prepare_cached(
            "INSERT INTO record (seq, at, vessel, batch, kind, text, data) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            record.seq as i64,
            record.at.millis(),
            vessel,
            record.batch,
            record.kind.as_str(),
            record.text,
            data
        ])?;
    let Some(batch) = &record.batch else { return Ok(()) };
    transaction
        .prepare_cached(
            "INSERT OR IGNORE INTO batch (id, vessel, first_seq, began) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![batch, vessel, record.seq as i64, record.at.millis()])?;
    let column = match record.kind {
        Kind::BatchCompleted => "completed",
        Kind::BatchStopped | Kind::BatchAborted => "ended",
        _ => return Ok(()),
    };
    transaction
        .execute(
            &format!("UPDATE batch SET {column} = ?2 WHERE id = ?1"),
            params![batch, record.at.millis()],
        )
        .map(drop)
}
