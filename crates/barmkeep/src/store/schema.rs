//! The tables of a store, their version, and how a store comes to the newest one.

use super::error::StoreError;
use rusqlite::{Connection, TransactionBehavior};
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

/// `barm`, in the file's header: what `file` and other tools can know a store by.
pub(super) const APPLICATION_ID: i64 = 0x6261_726d;

/// Bytes a page. Small, since a commit writes whole pages and most commits change little.
const PAGE_BYTES: i64 = 1024;

/// Each brings a store from the version that is its index to the next one.
///
/// A step that was ever released is never edited: a change is a step of its own.
pub(super) const STEPS: &[&str] = &[
    "
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value ANY
) STRICT, WITHOUT ROWID;

CREATE TABLE source (
    id INTEGER PRIMARY KEY,
    vessel TEXT NOT NULL,
    name TEXT NOT NULL,
    UNIQUE (vessel, name)
) STRICT;

CREATE TABLE input (
    id INTEGER PRIMARY KEY,
    wall INTEGER NOT NULL,      -- milliseconds since 1970
    monotonic INTEGER NOT NULL, -- milliseconds, from any origin
    kind TEXT NOT NULL,         -- packed: a run of ticks and probe readings; else one input
    body TEXT NOT NULL          -- JSON; packed: [ms before, ms of lead, source, °C] each
) STRICT;

CREATE TABLE record (
    seq INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,        -- milliseconds since 1970
    vessel TEXT,                -- null: the daemon's own
    batch TEXT,
    kind TEXT NOT NULL,
    text TEXT NOT NULL,
    data TEXT NOT NULL          -- JSON
) STRICT;
CREATE INDEX record_vessel ON record (vessel);
CREATE INDEX record_batch ON record (batch);

CREATE TABLE batch (
    id TEXT PRIMARY KEY,
    vessel TEXT,                -- where it began
    first_seq INTEGER NOT NULL,
    began INTEGER NOT NULL,
    completed INTEGER,
    ended INTEGER               -- stopped or aborted
) STRICT, WITHOUT ROWID;

CREATE TABLE snapshot (
    id INTEGER PRIMARY KEY,
    after_input INTEGER NOT NULL,
    at INTEGER NOT NULL,
    version INTEGER NOT NULL,
    body TEXT NOT NULL
) STRICT;

CREATE TABLE reading (
    source INTEGER NOT NULL,
    at INTEGER NOT NULL,        -- of arrival
    input INTEGER NOT NULL,
    taken INTEGER,              -- by the device's own clock
    retained INTEGER NOT NULL,
    gravity REAL,               -- in `unit`, as the device said
    unit TEXT,                  -- SG, P, Bx, deg
    temperature_c REAL,
    battery_percent REAL,
    PRIMARY KEY (source, at, input)
) STRICT, WITHOUT ROWID;

CREATE VIEW records AS
SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS at,
       vessel, batch, kind, text, data
FROM record;

CREATE VIEW readings AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', reading.at / 1000.0, 'unixepoch') AS at,
       source.vessel AS vessel, source.name AS source,
       CASE WHEN gravity IS NULL THEN 'temperature' ELSE 'gravity' END AS kind,
       gravity, unit, temperature_c, battery_percent,
       strftime('%Y-%m-%dT%H:%M:%fZ', taken / 1000.0, 'unixepoch') AS taken, retained
FROM reading JOIN source ON source.id = reading.source;

CREATE VIEW batches AS
SELECT id, vessel, first_seq,
       strftime('%Y-%m-%dT%H:%M:%fZ', began / 1000.0, 'unixepoch') AS began,
       strftime('%Y-%m-%dT%H:%M:%fZ', completed / 1000.0, 'unixepoch') AS completed,
       strftime('%Y-%m-%dT%H:%M:%fZ', ended / 1000.0, 'unixepoch') AS ended
FROM batch;

CREATE VIEW inputs AS
SELECT one.id AS id,
       strftime('%Y-%m-%dT%H:%M:%fZ', (wall - ifnull(part ->> 0, 0)) / 1000.0, 'unixepoch') AS at,
       CASE WHEN part IS NULL THEN kind WHEN part ->> 2 IS NULL THEN 'tick' ELSE 'probe' END
           AS kind,
       source.vessel AS vessel, source.name AS source, part ->> 3 AS temperature_c,
       CASE WHEN part IS NULL THEN body END AS body
FROM (SELECT id, wall, kind, body, NULL AS part FROM input WHERE kind <> 'packed'
      UNION ALL
      SELECT input.id, wall, kind, body, json_each.value
      FROM input, json_each(body) WHERE kind = 'packed') AS one
     LEFT JOIN source ON source.id = part ->> 2
ORDER BY one.id;
",
    "
CREATE TABLE point (
    batch TEXT NOT NULL,
    at INTEGER NOT NULL,        -- milliseconds since 1970, a whole quarter of an hour
    vessel TEXT NOT NULL,
    sg REAL,
    sg_sd REAL,
    attenuation REAL,           -- apparent, percent
    attenuation_sd REAL,        -- percent
    beer_c REAL,
    setpoint_c REAL,
    surround_c REAL,
    heater REAL,                -- share of the quarter before `at` for which it was on, 0 to 1
    chiller REAL,
    PRIMARY KEY (batch, at)
) STRICT, WITHOUT ROWID;

CREATE VIEW course AS
SELECT batch, strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS at, vessel,
       sg, sg_sd, attenuation, attenuation_sd, beer_c, setpoint_c, surround_c, heater, chiller
FROM point;
",
];

/// What the file at hand is, by its header.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Found {
    /// Nothing is in it yet.
    Empty,
    /// A store, of this version.
    Store(i64),
    /// Something else's database.
    Other,
}

/// Refuses a file that SQLite would take for an empty one, and overwrite, as it is so short.
///
/// Only for a file that no connection of this process has open: closing it drops their locks.
pub(super) fn refuse_foreign(path: &Path) -> Result<(), StoreError> {
    const MAGIC: &[u8] = b"SQLite format 3\0";
    const SHORTEST: usize = 512;
    let mut head = Vec::new();
    match File::open(path) {
        Ok(file) => file
            .take(SHORTEST as u64)
            .read_to_end(&mut head)
            .map_err(|error| StoreError::from_io(path, &error))?,
        Err(error) if error.kind() == ErrorKind::NotFound => 0,
        Err(error) => return Err(StoreError::from_io(path, &error)),
    };
    let begins = head.len().min(MAGIC.len());
    if head[..begins] != MAGIC[..begins] {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if (1..SHORTEST).contains(&head.len()) {
        let problem = format!("only {} bytes of it are left", head.len());
        return Err(StoreError::Damaged { path: path.to_owned(), problem });
    }
    Ok(())
}

/// Looks at what the file is, changing nothing.
pub(super) fn look(connection: &Connection) -> rusqlite::Result<Found> {
    let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let application = number("PRAGMA application_id")?;
    let version = number("PRAGMA user_version")?;
    let tables = number("SELECT count(*) FROM sqlite_schema")?;
    Ok(match (application, tables) {
        (APPLICATION_ID, _) => Found::Store(version),
        (0, 0) => Found::Empty,
        _ => Found::Other,
    })
}

/// Makes an empty file a store, or brings an older store to the newest of `steps`.
///
/// Each step is a transaction with its version: a crash between two leaves a whole older store.
pub(super) fn bring_up(
    connection: &mut Connection,
    path: &Path,
    steps: &[&str],
) -> Result<(), StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
    let known = steps.len() as i64;
    let found = match look(connection).map_err(ours)? {
        Found::Other => return Err(StoreError::NotOurs { path: path.to_owned() }),
        Found::Store(found) if found > known => {
            return Err(StoreError::Newer { path: path.to_owned(), found, known });
        }
        Found::Store(found) => found.max(0),
        Found::Empty => {
            connection.pragma_update(None, "page_size", PAGE_BYTES).map_err(ours)?;
            0
        }
    };
    let mode: String = connection
        .pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0))
        .map_err(ours)?;
    if mode != "wal" {
        let problem = "its file system cannot share memory between processes".to_owned();
        return Err(StoreError::Disk { path: path.to_owned(), problem });
    }
    for (version, step) in (1..=known).zip(steps).skip(found as usize) {
        apply(connection, version, step).map_err(ours)?;
    }
    Ok(())
}

fn apply(connection: &mut Connection, version: i64, step: &str) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    transaction.execute_batch(step)?;
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", version)?;
    transaction.commit()
}
