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

/// Parts of parts are followed so far.
const PARENTS_MAX: usize = 8;

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
    let Some(line) = line_of(history, batch)? else { return Ok(None) };
    let Some(first) = line.records.first() else { return Ok(None) };
    let from = pitched_at(first).unwrap_or(first.at);
    let mut chart = Chart::new(&title(batch, first), setup.show, calendar, from);
    line.records.iter().for_each(|record| chart.note(record));
    chart.extend(line.course);
    chart.extend(recent.iter().filter(|point| point.batch == batch).cloned());
    let under_way = |state: &&State| {
        state.batch.as_deref() == Some(batch)
            && ["running", "held", "complete"].contains(&state.run.as_str())
    };
    if let Some(state) = present.filter(under_way) {
        chart.present(state);
    }
    for (vessel, since, until) in places(&line.records, from, chart.until) {
        let said = history.gravities(&vessel, since, until + Span::from_millis(1))?;
        chart.readings.extend(said.iter().filter_map(|(at, reading)| sg_of(setup, *at, reading)));
    }
    Ok(Some(chart))
}

/// A batch's records and course, with those of the batch that it was a part of, up to the split.
struct Line {
    records: Vec<Record>,
    course: Vec<Point>,
}

fn line_of(history: &History<'_>, batch: &str) -> Result<Option<Line>, StoreError> {
    let records_of = |batch: &str, until| {
        let (batch, kinds) = (Some(batch.to_owned()), KINDS.to_vec());
        history.records(&Filter { batch, kinds, until, ..Filter::default() })
    };
    let own = records_of(batch, None)?;
    let Some(first) = own.first() else { return Ok(None) };
    let mut line = Line { course: history.course(batch)?, records: Vec::new() };
    let (mut split, mut parent) = (first.at, parent_of(first));
    line.records = own;
    for _ in 0..PARENTS_MAX {
        let Some(id) = parent else { break };
        let mut before = records_of(&id, Some(split))?;
        let mut course = history.course(&id)?;
        course.retain(|point| point.at < split);
        let Some(first) = before.first() else { break };
        (split, parent) = (first.at, parent_of(first));
        before.append(&mut line.records);
        course.append(&mut line.course);
        (line.records, line.course) = (before, course);
    }
    Ok(Some(line))
}

/// What a twin's first record says that it was a part of.
fn parent_of(first: &Record) -> Option<String> {
    let parent = first.data.get("parent")?.as_str()?;
    (first.kind == Kind::BatchMoved).then(|| parent.to_owned())
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
