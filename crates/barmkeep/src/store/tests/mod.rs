//! One file a hazard; here is what they share.

mod course;
mod crash;
mod failing;
mod figures;
mod keeping;
mod opening;
mod taking;
mod upgrade;

use super::*;
use engine::{RawGravity, Reading, Values};
use serde_json::json;

/// A beginning for simulated time: 2026-03-01T00:00:00Z, a whole day.
pub(super) const BEGIN: i64 = 1_772_323_200_000;

/// So many seconds after the beginning, on both clocks.
pub(super) fn at(seconds: f64) -> Now {
    Now::same(Stamp::from_millis(BEGIN + (seconds * 1000.0).round() as i64))
}

pub(super) const DAY: f64 = 86_400.0;

/// Long enough for all tests that do not ask for less.
pub(super) fn long() -> Span {
    Span::from_hours(730 * 24)
}

pub(super) fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

pub(super) fn open(folder: &Path) -> (Store, Recovered) {
    Store::open(&folder.join("barmkeep.db"), long()).unwrap()
}

pub(super) fn reading(source: &str, values: Values) -> Input {
    let source = source.to_owned();
    Input::Reading(Reading { vessel: name("north"), source, taken: None, retained: false, values })
}

pub(super) fn probe(temperature_c: f64) -> Input {
    reading("beer", Values { temperature_c: Some(temperature_c), ..Values::default() })
}

pub(super) fn float(sg: f64) -> Input {
    let values = Values {
        gravity: Some(RawGravity::Sg(sg)),
        temperature_c: Some(18.3),
        battery_percent: Some(81.0),
    };
    reading("float", values)
}

pub(super) fn record(seq: u64, now: Now, kind: Kind, batch: Option<&str>) -> Record {
    Record {
        seq,
        at: now.wall,
        vessel: batch.map(|_| name("north")),
        batch: batch.map(str::to_owned),
        kind,
        text: format!("Record {seq}."),
        data: json!({"seconds": 0.1, "of": seq}).as_object().unwrap().clone(),
    }
}

/// A record of the batch `north-1`.
pub(super) fn switched(seq: u64, now: Now) -> Record {
    record(seq, now, Kind::OutputSwitched, Some("north-1"))
}

pub(super) fn inputs(store: &Store, snapshot: Option<&Snapshot>) -> Vec<(Now, Input)> {
    let mut all = Vec::new();
    let count = store.replay(snapshot, |now, input| all.push((now, input))).unwrap();
    assert_eq!(count, all.len() as u64);
    all
}

pub(super) fn records(folder: &Path) -> Vec<Record> {
    let reader = Reader::open(&folder.join("barmkeep.db")).unwrap();
    reader.history().records(&Filter::default()).unwrap()
}

pub(super) fn numbers(records: &[Record]) -> Vec<u64> {
    records.iter().map(|record| record.seq).collect()
}
