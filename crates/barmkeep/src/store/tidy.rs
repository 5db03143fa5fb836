//! What a store lets go of, so that it never outgrows its disk.
//!
//! - Inputs: those before the older of the two snapshots.
//! - Readings without gravity: the first of each minute for [`FINE_FOR`], then the first of each
//!   [`COARSE`]. Gravity readings are never thinned.
//! - Batches that were stopped or aborted longer ago than `keep`, with all their records and their
//!   course; one a pass, the one that ended first. Records of no batch that are older than `keep`.
//! - Readings of before the oldest batch kept and of before `keep`, with [`READINGS_MARGIN`] to
//!   spare, since a batch can be pitched in the past.
//!
//! A record of a machine that had started without its clock says 1970, and is no older for that:
//! none goes that follows, by number, one which is to be kept.
//!
//! Every pass is bounded. What goes by the wall clock goes only once that clock has been steady
//! for [`STEADY_FOR`]: a machine that starts in a wrong year must not drop what it keeps.

use engine::Now;
use quantity::{Span, Stamp};
use rusqlite::{OptionalExtension, Transaction, params};

/// Probes' readings are kept one a minute for this long.
pub const FINE_FOR: Span = Span::from_hours(30 * 24);

/// After that, the first in this time is kept.
pub const COARSE: Span = Span::from_mins(15);

/// Readings are kept for this much longer than the batch that they may belong to.
pub const READINGS_MARGIN: Span = Span::from_hours(30 * 24);

/// The wall clock is believed, for letting go, after this long without a step of over a minute.
pub const STEADY_FOR: Span = Span::from_hours(6);

/// A pass lets go of at most so many records of no batch.
const LOOSE_RECORDS: i64 = 5_000;

/// A pass looks at no more than this much of the readings' time.
const PASS: Span = Span::from_hours(30 * 24);

/// Whether the wall clock runs with the monotonic one, and since when.
#[derive(Debug, Default)]
pub(super) struct Steadiness {
    /// How far the wall clock was ahead, in ms, and the monotonic time since it has been so.
    lead: Option<(i64, Stamp)>,
}

impl Steadiness {
    /// Looks at both clocks; true once they have run together for [`STEADY_FOR`].
    pub(super) fn look(&mut self, now: Now) -> bool {
        let lead = now.wall.millis_after(now.monotonic);
        let since = match self.lead {
            Some((before, since)) if (lead - before).abs() <= 60_000 => since,
            _ => now.monotonic,
        };
        self.lead = Some((lead, since));
        now.monotonic.since(since) >= STEADY_FOR
    }
}

/// Keeps the two newest snapshots and the inputs that a start from the older one needs.
pub(super) fn after_snapshot(transaction: &Transaction<'_>) -> rusqlite::Result<()> {
    let older = transaction
        .query_row(
            "SELECT id, after_input FROM snapshot ORDER BY id DESC LIMIT 1 OFFSET 1",
            [],
            |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)),
        )
        .optional()?;
    // With one snapshot alone the older start is the empty one: it needs all inputs.
    let Some((id, after_input)) = older else { return Ok(()) };
    transaction.execute("DELETE FROM snapshot WHERE id < ?1", [id])?;
    transaction.execute("DELETE FROM input WHERE id <= ?1", [after_input])?;
    Ok(())
}

/// Lets go of what is too old by a wall clock that can be believed.
pub(super) fn by_age(
    transaction: &Transaction<'_>,
    wall: Stamp,
    keep: Span,
    last_seq: u64,
) -> rusqlite::Result<()> {
    thin(transaction, wall - FINE_FOR)?;
    drop_batch(transaction, wall - keep)?;
    drop_loose_records(transaction, wall - keep)?;
    drop_readings(transaction, wall - keep)?;
    // Numbers never repeat, also when the newest record is dropped.
    transaction.execute(
        "INSERT INTO meta (key, value) VALUES ('last_seq', ?1) \
         ON CONFLICT (key) DO UPDATE SET value = excluded.value WHERE value IS NOT excluded.value",
        [last_seq as i64],
    )?;
    Ok(())
}

/// Thins the probes' readings of whole days before `until`, going on where the last pass ended.
fn thin(transaction: &Transaction<'_>, until: Stamp) -> rusqlite::Result<()> {
    const DAY: i64 = 86_400_000;
    let from: Option<i64> = transaction
        .query_row("SELECT value FROM meta WHERE key = 'thinned_until'", [], |row| row.get(0))
        .optional()?;
    let from = match from {
        Some(from) => Some(from),
        None => oldest_reading(transaction)?,
    };
    let Some(from) = from else { return Ok(()) };
    // Whole days, and both ends at a boundary of `COARSE`, so that no quarter is cut in two.
    let from = from.div_euclid(DAY) * DAY;
    let until = (until.millis().div_euclid(DAY) * DAY).min(from + PASS.millis());
    if until <= from {
        return Ok(());
    }
    for source in sources(transaction)? {
        transaction
            .prepare_cached(
                "DELETE FROM reading WHERE source = ?1 AND at >= ?2 AND at < ?3 \
                 AND gravity IS NULL AND EXISTS (SELECT 1 FROM reading AS earlier \
                 WHERE earlier.source = ?1 AND earlier.at >= reading.at / ?4 * ?4 \
                 AND (earlier.at, earlier.input) < (reading.at, reading.input))",
            )?
            .execute(params![source, from, until, COARSE.millis()])?;
    }
    transaction.execute(
        "INSERT OR REPLACE INTO meta (key, value) VALUES ('thinned_until', ?1)",
        [until],
    )?;
    Ok(())
}

/// The number of the first record that is to be kept by its own time: all behind it are younger,
/// whatever they say.
fn first_kept(transaction: &Transaction<'_>, before: Stamp) -> rusqlite::Result<i64> {
    let first = transaction
        .query_row(
            "SELECT seq FROM record WHERE at >= ?1 ORDER BY seq LIMIT 1",
            [before.millis()],
            |row| row.get(0),
        )
        .optional()?;
    Ok(first.unwrap_or(i64::MAX))
}

fn drop_batch(transaction: &Transaction<'_>, before: Stamp) -> rusqlite::Result<()> {
    let first_kept = first_kept(transaction, before)?;
    let batch: Option<String> = transaction
        .query_row(
            "SELECT id FROM batch WHERE ended < ?1 AND ifnull((SELECT max(seq) FROM record \
             WHERE record.batch = batch.id \
             AND kind IN ('batch.stopped', 'batch.aborted')), 0) < ?2 ORDER BY ended LIMIT 1",
            [before.millis(), first_kept],
            |row| row.get(0),
        )
        .optional()?;
    let Some(batch) = batch else { return Ok(()) };
    let records = transaction.execute("DELETE FROM record WHERE batch = ?1", [&batch])?;
    transaction.execute("DELETE FROM point WHERE batch = ?1", [&batch])?;
    transaction.execute("DELETE FROM batch WHERE id = ?1", [&batch])?;
    tracing::info!("batch `{batch}` ended before {before}: it was dropped, {records} records");
    Ok(())
}

fn drop_loose_records(transaction: &Transaction<'_>, before: Stamp) -> rusqlite::Result<()> {
    let first_kept = first_kept(transaction, before)?;
    transaction.execute(
        "DELETE FROM record WHERE at < ?1 AND seq < ?3 AND seq IN \
         (SELECT seq FROM record WHERE batch IS NULL ORDER BY seq LIMIT ?2)",
        [before.millis(), LOOSE_RECORDS, first_kept],
    )?;
    Ok(())
}

fn drop_readings(transaction: &Transaction<'_>, before: Stamp) -> rusqlite::Result<()> {
    let began: Option<i64> =
        transaction.query_row("SELECT min(began) FROM batch", [], |row| row.get(0))?;
    let before = began.map_or(before, |began| before.min(Stamp::from_millis(began)));
    let before = before - READINGS_MARGIN;
    let Some(oldest) = oldest_reading(transaction)? else { return Ok(()) };
    let before = before.min(Stamp::from_millis(oldest) + PASS);
    for source in sources(transaction)? {
        transaction.execute(
            "DELETE FROM reading WHERE source = ?1 AND at < ?2",
            [source, before.millis()],
        )?;
    }
    Ok(())
}

fn oldest_reading(transaction: &Transaction<'_>) -> rusqlite::Result<Option<i64>> {
    let mut oldest: Option<i64> = None;
    for source in sources(transaction)? {
        let first: Option<i64> = transaction
            .prepare_cached("SELECT min(at) FROM reading WHERE source = ?1")?
            .query_row([source], |row| row.get(0))?;
        oldest = match (oldest, first) {
            (Some(oldest), Some(first)) => Some(oldest.min(first)),
            (one, other) => one.or(other),
        };
    }
    Ok(oldest)
}

fn sources(transaction: &Transaction<'_>) -> rusqlite::Result<Vec<i64>> {
    let mut statement = transaction.prepare_cached("SELECT id FROM source ORDER BY id")?;
    statement.query_map([], |row| row.get(0))?.collect()
}
