//! A batch's chart from what a store has of it.

use super::{Calendar, Chart};
use crate::store::{Filter, History, StoreError};
use engine::view::State;
use engine::{Kind, Point, Reading, Record, Setup};
use quantity::{Span, Stamp, Temperature};
use schedule::Name;

/// The kinds of record that a chart shows something of.
const KINDS: [Kind; 20] = [
    Kind::BatchPitched,
    Kind::BatchExpected,
    Kind::BatchAdded,
    Kind::BatchMoved,
    Kind::BatchNoted,
    Kind::BatchRevised,
    Kind::BatchCompleted,
    Kind::BatchStopped,
    Kind::BatchAborted,
    Kind::StageEntered,
    Kind::StageLeft,
    Kind::SampleTaken,
    Kind::SampleDue,
    Kind::NoticeDue,
    Kind::ConfirmDue,
    Kind::ConfirmGiven,
    Kind::RunHeld,
    Kind::RunResumed,
    Kind::AlarmRaised,
    Kind::AlarmReturned,
];

/// What a store has of a batch, as a chart; `None` where it has no such batch.
///
/// `recent` are points that are not on disk yet, of any batch; `present` is how its vessel stands,
/// where it still carries this batch. Readings are calibrated and corrected as `setup` says now.
///
/// # Errors
/// Where the store cannot be read.
pub fn of_batch(
    history: &History<'_>,
    batch: &str,
    setup: &Setup,
    calendar: Calendar,
    recent: &[Point],
    present: Option<&State>,
) -> Result<Option<Chart>, StoreError> {
    let records = history.records(&Filter {
        batch: Some(batch.to_owned()),
        kinds: KINDS.to_vec(),
        ..Filter::default()
    })?;
    let Some(first) = records.first() else { return Ok(None) };
    let from = pitched_at(first).unwrap_or(first.at);
    let mut chart = Chart::new(&title(batch, first), setup.show, calendar, from);
    records.iter().for_each(|record| chart.note(record));
    chart.extend(history.course(batch)?);
    chart.extend(recent.iter().filter(|point| point.batch == batch).cloned());
    let under_way = |state: &&State| {
        state.batch.as_deref() == Some(batch)
            && ["running", "held", "complete"].contains(&state.run.as_str())
    };
    if let Some(state) = present.filter(under_way) {
        chart.present(state);
    }
    for (vessel, since, until) in places(&records, from, chart.until) {
        let said = history.gravities(&vessel, since, until + Span::from_millis(1))?;
        chart.readings.extend(said.iter().filter_map(|(at, reading)| sg_of(setup, *at, reading)));
    }
    Ok(Some(chart))
}

/// `north-3, First lager: Pale lager, warm finish`.
fn title(batch: &str, first: &Record) -> String {
    let text = |key: &str| first.data.get(key).and_then(serde_json::Value::as_str);
    let name = text("name").map_or_else(String::new, |name| format!(", {name}"));
    let schedule = text("schedule").map_or_else(String::new, |schedule| format!(": {schedule}"));
    format!("{batch}{name}{schedule}")
}

fn pitched_at(first: &Record) -> Option<Stamp> {
    Stamp::parse_rfc3339(first.data.get("pitched_at")?.as_str()?).ok()
}

/// Where the batch was, and when.
fn places(records: &[Record], from: Stamp, until: Stamp) -> Vec<(Name, Stamp, Stamp)> {
    let mut places: Vec<(Name, Stamp, Stamp)> = Vec::new();
    for record in records {
        let Some(vessel) = &record.vessel else { continue };
        match places.last_mut() {
            Some((last, _, ends)) if last == vessel => *ends = until,
            Some((_, _, ends)) => {
                *ends = record.at;
                places.push((vessel.clone(), record.at, until));
            }
            None => places.push((vessel.clone(), from, until)),
        }
    }
    places
}

/// When a float's reading was taken, and the gravity that the engine would take it for today.
fn sg_of(setup: &Setup, arrived: Stamp, reading: &Reading) -> Option<(Stamp, f64)> {
    if reading.retained && reading.taken.is_none() {
        return None;
    }
    let vessel = setup.vessels.get(&reading.vessel)?;
    let warm = reading.values.temperature_c.and_then(Temperature::from_celsius);
    let corrected = vessel.corrected(&reading.source, reading.values.gravity?, warm).ok()?;
    Some((reading.taken.unwrap_or(arrived).min(arrived), corrected.gravity.sg()))
}
