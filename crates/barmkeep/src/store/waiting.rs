//! What was taken but is not on disk yet: in order, bounded, never losing a record.

use super::row::{Rank, Row};
use engine::Now;
use quantity::{Span, Stamp};

/// At most this many rows wait; beyond it quiet ones are let go, oldest first.
pub const WAITING_MAX: usize = 20_000;

/// A quiet tick this soon after the last one kept tells nothing new; a driver's ticks are up to
/// 10 s apart, so that all of these are kept.
pub const TICK_APART: Span = Span::from_secs(9);

/// The rows not yet on disk.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    rows: Vec<Row>,
    /// A quiet tick after all rows, kept only if nothing follows before the group is written.
    last_tick: Option<Now>,
    /// The last tick that became a row.
    kept_tick: Option<Stamp>,
    /// The highest rank among the rows.
    highest: Option<Rank>,
    /// How many rows were let go for want of room since the last group was written.
    pub(super) let_go: u64,
}

impl Waiting {
    /// Adds a row after all others.
    pub(super) fn push(&mut self, row: Row) {
        self.last_tick = None;
        self.highest = self.highest.max(Some(row.rank));
        self.rows.push(row);
        if self.rows.len() > WAITING_MAX {
            self.make_room();
        }
    }

    /// Adds a tick that caused no record.
    pub(super) fn push_tick(&mut self, now: Now) {
        let soon = |kept: Stamp| now.monotonic.since(kept) < TICK_APART;
        if self.kept_tick.is_some_and(soon) {
            self.last_tick = Some(now);
        } else {
            self.kept_tick = Some(now.monotonic);
            self.push(Row::tick(now));
        }
    }

    /// All rows, in order, with the last tick: how far time has come.
    pub(super) fn group(&mut self) -> &[Row] {
        if let Some(now) = self.last_tick.take() {
            self.kept_tick = Some(now.monotonic);
            self.rows.push(Row::tick(now));
        }
        &self.rows
    }

    /// Forgets the rows: they are on disk.
    pub(super) fn are_on_disk(&mut self) {
        self.rows.clear();
        self.highest = None;
        self.let_go = 0;
    }

    /// How many rows wait.
    pub(super) fn len(&self) -> usize {
        self.rows.len()
    }

    /// The monotonic time of the oldest that waits.
    pub(super) fn since(&self) -> Option<Stamp> {
        self.rows.first().map(|row| row.now.monotonic)
    }

    /// The highest rank that waits.
    pub(super) fn highest(&self) -> Option<Rank> {
        self.highest
    }

    /// Lets go of the older half of the quiet rows; of gravity readings only where that is not
    /// enough, of records and commands never.
    fn make_room(&mut self) {
        for rank in [Rank::Quiet, Rank::Gravity] {
            if self.rows.len() > WAITING_MAX {
                self.let_go_half(rank);
            }
        }
    }

    fn let_go_half(&mut self, rank: Rank) {
        let count = self.rows.iter().filter(|row| row.rank == rank).count();
        let mut left = count.div_ceil(2);
        self.rows.retain(|row| {
            let go = left > 0 && row.rank == rank;
            left -= usize::from(go);
            !go
        });
        self.let_go += count.div_ceil(2) as u64;
    }
}
