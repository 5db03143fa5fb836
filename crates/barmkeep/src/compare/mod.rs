//! `compare`: the floats of a batch beside hand samples and each other, from the store alone.

mod words;

pub(crate) use words::{conclusions, rows};

use crate::cli::CompareArgs;
use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::store::{Batch, Filter, History, Limit, Reader, StoreError};
use crate::task::{json_line, open_failure};
use crate::zone::Zone;
use belief::compare::{Comparison, FloatReadings, HandSample, compare};
use engine::{Kind, Reading, Record, Setup, VesselSetup};
use quantity::{Span, Stamp, Temperature};
use schedule::Name;
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};

/// A device's time may be ahead of its arrival by this much, as the engine has it.
const AHEAD: Span = Span::from_mins(5);
/// How sure an original gravity was, in points, in records that do not say it.
const ORIGINAL_SD: f64 = 1.0;

/// What is known of a batch's floats.
pub(crate) struct Found {
    batch: Batch,
    vessel: Name,
    /// When the batch was pitched.
    from: Stamp,
    /// When it ended, else the last thing that the store knows.
    until: Stamp,
    /// Readings that are no gravity, by float: how many, and why the last one is none.
    unusable: BTreeMap<String, (usize, String)>,
    pub(crate) comparison: Comparison,
}

/// Compares the floats of a batch.
///
/// # Errors
/// Where configuration or store cannot be read, where there is no such batch or it has no gravity,
/// and where the output fails.
pub(crate) fn task(arguments: &CompareArgs) -> Result<(), Failure> {
    let cellar = Cellar::read(&arguments.config.config)?;
    let named = match (&arguments.vessel, &arguments.batch) {
        (None, Some(_)) => None,
        (named, _) => Some(cellar.vessel(named.as_deref())?),
    };
    let path = cellar.path(&cellar.config.store.file);
    let reader = Reader::open(&path).map_err(|error| open_failure(&error))?;
    let history = reader.history();
    let failed = |error: StoreError| open_failure(&error);
    let batches = history.batches().map_err(failed)?;
    let (batch, vessel) = choose(&batches, named, arguments.batch.as_deref())?;
    let setup = cellar.setup();
    let setup = setup_of(&setup, &vessel, &batch)?;
    let found = look(&history, batch, vessel, setup).map_err(failed)?;
    if found.comparison.floats.iter().all(|float| float.readings == 0) {
        return Err(nothing(&found));
    }
    let mut output = BufWriter::new(std::io::stdout().lock());
    if arguments.json {
        for line in words::objects(&found, setup) {
            writeln!(output, "{}", json_line(&line))?;
        }
    } else {
        let zone = Zone::of(&cellar.config);
        words::print(&mut output, &found, setup, cellar.config.show, &zone)?;
    }
    Ok(output.flush()?)
}

/// The batch that was named, else the vessel's last one, which runs if any does.
pub(crate) fn choose(
    batches: &[Batch],
    vessel: Option<&Name>,
    id: Option<&str>,
) -> Result<(Batch, Name), Failure> {
    let is_of = |batch: &&Batch, name: &Name| batch.vessel.as_deref() == Some(name.as_str());
    let ours: Vec<&Batch> =
        batches.iter().filter(|batch| vessel.is_none_or(|name| is_of(batch, name))).collect();
    let of = vessel.map_or_else(String::new, |name| format!(" of {name}"));
    let chosen = match id {
        Some(id) => ours.iter().find(|batch| batch.id == id).ok_or_else(|| {
            let ids: Vec<&str> = ours.iter().map(|batch| batch.id.as_str()).collect();
            let failure = Failure::new(Status::Usage, format!("there is no batch `{id}`{of}"));
            match ids.is_empty() {
                true => failure.hint("the store has none; `barmkeep pitch` begins one"),
                false => failure.hint(format!("the store has {}", ids.join(", "))),
            }
        })?,
        None => ours.last().ok_or_else(|| {
            Failure::new(Status::Failed, format!("the store has no batch{of}"))
                .hint("`barmkeep pitch` begins one; readings are compared from its beginning on")
        })?,
    };
    let name = chosen.vessel.as_deref().map(Name::parse).and_then(Result::ok).ok_or_else(|| {
        Failure::new(Status::Failed, format!("the store does not say where {} was", chosen.id))
    })?;
    Ok(((*chosen).clone(), name))
}

fn setup_of<'a>(
    setup: &'a Setup,
    vessel: &Name,
    batch: &Batch,
) -> Result<&'a VesselSetup, Failure> {
    setup.vessels.get(vessel).ok_or_else(|| {
        let problem =
            format!("{} was in {vessel}, which the configuration does not have", batch.id);
        Failure::new(Status::Config, problem)
            .hint(format!("add `[vessel.{vessel}]` with its floats again"))
    })
}

fn nothing(found: &Found) -> Failure {
    let problem = format!("{} has no gravity reading that can be used", found.batch.id);
    let reason = found.unusable.iter().next();
    let hint = reason.map_or_else(
        || "`barmkeep log --kind reading.refused` tells what came and was not believed".to_owned(),
        |(name, (count, why))| format!("{count} readings of {name} could not be used: {why}"),
    );
    Failure::new(Status::Failed, problem).hint(hint)
}

/// Reads what the store has of a batch, and compares.
pub(crate) fn look(
    history: &History<'_>,
    batch: Batch,
    vessel: Name,
    setup: &VesselSetup,
) -> Result<Found, StoreError> {
    let told = history.records(&Filter {
        batch: Some(batch.id.clone()),
        kinds: vec![Kind::BatchPitched, Kind::SampleTaken],
        ..Filter::default()
    })?;
    let pitched = told.iter().find(|record| record.kind == Kind::BatchPitched);
    let from = pitched.and_then(|record| stamp(record, "pitched_at")).unwrap_or(batch.began);
    let last = history.records(&Filter { limit: Limit::Last(1), ..Filter::default() })?;
    let known_until = last.last().map_or(batch.began, |record| record.at);
    // One more, as the end is not part of what is asked for.
    let end = batch.ended.unwrap_or(Stamp::from_millis(i64::MAX - 1));
    let readings = history.readings(&vessel, None, from, end + Span::from_millis(1))?;
    let heard = readings.last().map_or(known_until, |(at, _)| *at);
    let until = batch.ended.unwrap_or(known_until.max(heard));
    let (floats, unusable) = floats(&readings, setup, from, until);
    let samples: Vec<HandSample> = told
        .iter()
        .filter_map(sample)
        .filter(|sample| (from..=until).contains(&sample.at))
        .collect();
    let comparison = compare(&floats, &samples, until);
    Ok(Found { batch, vessel, from, until, unusable, comparison })
}

/// A sample, or the original gravity that was measured at the pitch.
fn sample(record: &Record) -> Option<HandSample> {
    let number = |key: &str| record.data.get(key).and_then(serde_json::Value::as_f64);
    let (at, sg, sd_points) = match record.kind {
        Kind::SampleTaken => (stamp(record, "taken")?, number("sg")?, number("sd_points")?),
        Kind::BatchPitched => {
            let sd_points = number("original_sd_points").unwrap_or(ORIGINAL_SD);
            (stamp(record, "pitched_at")?, number("original_sg")?, sd_points)
        }
        _ => return None,
    };
    Some(HandSample { at, points: points(sg), sd_points })
}

fn stamp(record: &Record, key: &str) -> Option<Stamp> {
    Stamp::parse_rfc3339(record.data.get(key)?.as_str()?).ok()
}

/// What each float said, as the engine would take it today: those of the configuration, and those
/// that spoke and are no longer in it.
fn floats(
    readings: &[(Stamp, Reading)],
    setup: &VesselSetup,
    from: Stamp,
    until: Stamp,
) -> (Vec<FloatReadings>, BTreeMap<String, (usize, String)>) {
    let mut floats: BTreeMap<String, FloatReadings> = BTreeMap::new();
    let named = |name: &str| FloatReadings { name: name.to_owned(), ..FloatReadings::default() };
    for name in setup.config.gravity.keys() {
        floats.insert(name.as_str().to_owned(), named(name.as_str()));
    }
    let mut newest: BTreeMap<&str, Stamp> = BTreeMap::new();
    let mut unusable: BTreeMap<String, (usize, String)> = BTreeMap::new();
    for (arrived, reading) in readings {
        let (source, values) = (reading.source.as_str(), reading.values);
        if values.gravity.is_none() && !floats.contains_key(source) {
            continue;
        }
        let Some(at) = taken_at(*arrived, reading) else { continue };
        let is_newer = newest.get(source).is_none_or(|newest| at > *newest);
        if !is_newer || !(from..=until).contains(&at) {
            continue;
        }
        let temperature = values.temperature_c.and_then(Temperature::from_celsius);
        let gravity =
            values.gravity.map(|raw| setup.corrected(source, raw, temperature).map(|c| c.gravity));
        let gravity = match gravity.transpose() {
            Ok(gravity) => gravity,
            Err(why) => {
                let (count, last) = unusable.entry(source.to_owned()).or_default();
                (*count, *last) = (*count + 1, why);
                continue;
            }
        };
        newest.insert(source, at);
        let float = floats.entry(source.to_owned()).or_insert_with(|| named(source));
        float.gravities.extend(gravity.map(|gravity| (at, points(gravity.sg()))));
        let charge = values.battery_percent.filter(|percent| (0.0..=110.0).contains(percent));
        float.charges.extend(charge.map(|percent| (at, percent)));
    }
    (floats.into_values().collect(), unusable)
}

/// When a reading was taken; `None` for one that the engine would refuse for its time.
pub(crate) fn taken_at(arrived: Stamp, reading: &Reading) -> Option<Stamp> {
    match reading.taken {
        None if reading.retained => None,
        Some(taken) if taken > arrived + AHEAD => None,
        taken => Some(taken.unwrap_or(arrived).min(arrived)),
    }
}

fn points(sg: f64) -> f64 {
    (sg - 1.0) * 1e3
}
