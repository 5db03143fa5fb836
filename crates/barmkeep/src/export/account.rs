//! All that the store has of a batch, gathered once for every form of export.

use crate::compare::{self, Found};
use crate::failure::Failure;
use crate::store::{Batch, Filter, History, Limit, StoreError};
use crate::task::open_failure;
use engine::view::State;
use engine::{Kind, Point, RawGravity, Reading, Record, Setup};
use quantity::{Gravity, Span, Stamp, Temperature, plato_from_sg};
use schedule::Name;
use serde_json::Value;

/// A batch with everything that happened to it.
pub(super) struct Account {
    pub batch: Batch,
    /// Where it is, or was last.
    pub vessel: Name,
    /// When it was pitched.
    pub from: Stamp,
    /// When it ended, else the last thing that the store knows.
    pub until: Stamp,
    /// In the order of their numbers.
    pub records: Vec<Record>,
    /// In the order of their time.
    pub readings: Vec<Heard>,
    pub course: Vec<Point>,
    pub stages: Vec<StageRun>,
    pub samples: Vec<Sample>,
    pub figures: Figures,
    /// How it stands now, where it is the vessel's present batch.
    pub state: Option<State>,
    /// Its floats beside samples and each other; `None` where the configuration no longer has the
    /// vessel in which it began.
    pub found: Option<Found>,
}

/// A reading that counts by its time.
pub(super) struct Heard {
    /// When it was true: the device's own time where it has one.
    pub at: Stamp,
    pub arrived: Stamp,
    pub reading: Reading,
    /// As the engine takes it today: calibrated and corrected; in SG.
    pub corrected_sg: Option<f64>,
}

/// A stage that was entered.
pub(super) struct StageRun {
    pub index: u64,
    pub name: String,
    pub entered: Stamp,
    pub left: Option<Stamp>,
    pub because: Option<String>,
}

/// A hand sample.
pub(super) struct Sample {
    pub taken: Stamp,
    pub told: Stamp,
    pub sg: f64,
    pub sd_points: Option<f64>,
    pub instrument: Option<String>,
    /// As it was read, before any correction; in SG.
    pub read_sg: Option<f64>,
    pub temperature_c: Option<f64>,
    pub text: String,
}

/// What came of it, as far as it is known.
#[derive(Debug, Default)]
pub(super) struct Figures {
    pub name: Option<String>,
    pub schedule: Option<String>,
    pub yeast: Option<String>,
    pub volume_l: Option<f64>,
    pub run: String,
    pub original_sg: Option<f64>,
    pub expected_final_sg: Option<f64>,
    pub sg: Option<f64>,
    pub sd: Option<f64>,
    pub apparent_percent: Option<f64>,
    pub real_percent: Option<f64>,
    pub abv_percent: Option<f64>,
    pub heater: Wear,
    pub chiller: Wear,
}

/// What an output did in the batch.
#[derive(Debug, Default, Clone, Copy)]
pub(super) struct Wear {
    pub starts: Option<f64>,
    pub on_h: Option<f64>,
    pub kwh: Option<f64>,
}

impl Account {
    /// Gathers it.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn gather(
        history: &History<'_>,
        batch: Batch,
        began_in: &Name,
        setup: &Setup,
    ) -> Result<Account, Failure> {
        let failed = |error: StoreError| open_failure(&error);
        let of_batch = Filter { batch: Some(batch.id.clone()), ..Filter::default() };
        let records = history.records(&of_batch).map_err(failed)?;
        let pitched = records.iter().find(|record| record.kind == Kind::BatchPitched);
        let from = pitched.and_then(|record| stamp(record, "pitched_at")).unwrap_or(batch.began);
        let last = Filter { limit: Limit::Last(1), ..Filter::default() };
        let last = history.records(&last).map_err(failed)?.last().map(|record| record.at);
        let vessel = records.iter().rev().find_map(|record| record.vessel.clone());
        let vessel = vessel.unwrap_or_else(|| began_in.clone());
        let (course, state) = present(history, &batch, &vessel, setup)?;
        let readings =
            readings(history, &batch, &records, began_in, from, setup).map_err(failed)?;
        let known = [last, readings.last().map(|heard| heard.arrived), course.last().map(|p| p.at)];
        let known = known.into_iter().flatten().max().unwrap_or(from);
        let until = batch.ended.unwrap_or(known);
        let samples = records.iter().filter_map(Sample::of).collect();
        let found = setup
            .vessels
            .get(began_in)
            .map(|vessel| compare::look(history, batch.clone(), began_in.clone(), vessel));
        Ok(Account {
            vessel,
            from,
            until,
            stages: stages(&records, from),
            figures: figures(&records, state.as_ref(), &course),
            found: found.transpose().map_err(failed)?,
            batch,
            records,
            readings,
            course,
            samples,
            state,
        })
    }

    /// The records of these kinds.
    pub fn of<'a>(&'a self, kinds: &'a [Kind]) -> impl Iterator<Item = &'a Record> + 'a {
        self.records.iter().filter(|record| kinds.contains(&record.kind))
    }

    /// Whether it is still under way, or complete and kept.
    pub fn runs(&self) -> bool {
        self.batch.ended.is_none()
    }

    /// How long it took, or has taken so far.
    pub fn took(&self) -> Span {
        self.until.since(self.from)
    }
}

/// The course up to now, and how the vessel stands where the batch is in it: the newest snapshot
/// and the inputs after it, through the same engine. A state that this program cannot read is no
/// hindrance: the course is then that of the last snapshot.
fn present(
    history: &History<'_>,
    batch: &Batch,
    vessel: &Name,
    setup: &Setup,
) -> Result<(Vec<Point>, Option<State>), Failure> {
    let mut course = history.course(&batch.id).map_err(|error| open_failure(&error))?;
    if batch.ended.is_some() {
        return Ok((course, None));
    }
    let recovered = super::present::of(history, setup.clone()).unwrap_or_else(|failure| {
        tracing::warn!("how the vessel stands now is not known: {}", failure.message);
        None
    });
    let Some((engine, points)) = recovered else { return Ok((course, None)) };
    let newest = course.last().map(|point| point.at);
    let newer =
        points.into_iter().filter(|point| point.batch == batch.id && Some(point.at) > newest);
    course.extend(newer);
    let state = engine.view(vessel).filter(|state| state.batch.as_deref() == Some(&*batch.id));
    Ok((course, state))
}

/// The readings of the vessels that the batch was in, each for its time there.
fn readings(
    history: &History<'_>,
    batch: &Batch,
    records: &[Record],
    began_in: &Name,
    from: Stamp,
    setup: &Setup,
) -> Result<Vec<Heard>, StoreError> {
    let mut stays: Vec<(Name, Stamp)> = vec![(began_in.clone(), from)];
    for record in records {
        let Some(vessel) = &record.vessel else { continue };
        if stays.last().is_some_and(|(last, _)| last != vessel) {
            stays.push((vessel.clone(), record.at));
        }
    }
    // The end itself is part of it, and the asked time is up to before its end.
    let end = batch.ended.map_or(Stamp::from_millis(i64::MAX), |end| end + Span::from_millis(1));
    let mut all = Vec::new();
    for (index, (vessel, since)) in stays.iter().enumerate() {
        let until = stays.get(index + 1).map_or(end, |(_, next)| *next);
        for (arrived, reading) in history.readings(vessel, None, *since, until)? {
            let Some(at) = compare::taken_at(arrived, &reading) else { continue };
            if at < from {
                continue;
            }
            let values = reading.values;
            let temperature = values.temperature_c.and_then(Temperature::from_celsius);
            let corrected_sg = values.gravity.and_then(|raw| {
                let vessel = setup.vessels.get(vessel)?;
                Some(vessel.corrected(&reading.source, raw, temperature).ok()?.gravity.sg())
            });
            all.push(Heard { at, arrived, reading, corrected_sg });
        }
    }
    all.sort_by_key(|heard| (heard.at, heard.arrived));
    Ok(all)
}

/// The stages; the first one of a pitch in the past began with it.
fn stages(records: &[Record], from: Stamp) -> Vec<StageRun> {
    let mut stages: Vec<StageRun> = Vec::new();
    for record in records {
        match record.kind {
            Kind::StageEntered => stages.push(StageRun {
                index: record.data.get("index").and_then(Value::as_u64).unwrap_or_default(),
                name: text(record, "stage").unwrap_or_default(),
                entered: if stages.is_empty() { from.min(record.at) } else { record.at },
                left: None,
                because: None,
            }),
            Kind::StageLeft => {
                if let Some(stage) = stages.last_mut() {
                    stage.left = Some(record.at);
                    stage.because = text(record, "because");
                }
            }
            Kind::BatchStopped | Kind::BatchAborted => {
                if let Some(stage) = stages.last_mut().filter(|stage| stage.left.is_none()) {
                    stage.left = Some(record.at);
                    let word =
                        if record.kind == Kind::BatchStopped { "stopped" } else { "aborted" };
                    stage.because = Some(format!("the batch was {word}"));
                }
            }
            _ => {}
        }
    }
    stages
}

impl Sample {
    fn of(record: &Record) -> Option<Sample> {
        if record.kind != Kind::SampleTaken {
            return None;
        }
        Some(Sample {
            taken: stamp(record, "taken").unwrap_or(record.at),
            told: record.at,
            sg: number(record, "sg")?,
            sd_points: number(record, "sd_points"),
            instrument: text(record, "instrument"),
            read_sg: number(record, "read_sg"),
            temperature_c: number(record, "temperature_c"),
            text: record.text.clone(),
        })
    }
}

/// From the present state where there is one, else from the record of the end.
fn figures(records: &[Record], state: Option<&State>, course: &[Point]) -> Figures {
    let mut figures = Figures { run: "running".to_owned(), ..Figures::default() };
    for record in records {
        let number = |key| number(record, key);
        match record.kind {
            Kind::BatchPitched => {
                figures.name = text(record, "name");
                figures.schedule = text(record, "schedule");
                figures.yeast = text(record, "yeast");
                figures.volume_l = number("volume_l");
                figures.original_sg = number("original_sg");
                figures.expected_final_sg = number("expected_final_sg");
            }
            Kind::BatchAdded => {
                figures.volume_l = number("volume_l").or(figures.volume_l);
                figures.original_sg = number("original_sg").or(figures.original_sg);
                figures.expected_final_sg =
                    number("expected_final_sg").or(figures.expected_final_sg);
            }
            Kind::BatchMoved => figures.volume_l = number("volume_l").or(figures.volume_l),
            Kind::BatchExpected => {
                figures.original_sg = number("original_sg").or(figures.original_sg);
                figures.expected_final_sg = number("final_sg").or(figures.expected_final_sg);
            }
            Kind::BatchRevised => figures.schedule = text(record, "schedule").or(figures.schedule),
            Kind::RunHeld => figures.run = "held".to_owned(),
            Kind::RunResumed => figures.run = "running".to_owned(),
            Kind::BatchCompleted => figures.end("complete", record),
            Kind::BatchStopped => figures.end("stopped", record),
            Kind::BatchAborted => figures.end("aborted", record),
            _ => {}
        }
    }
    match state {
        Some(state) => figures.stand(state),
        None => figures.fill(course),
    }
    figures
}

impl Figures {
    fn end(&mut self, run: &str, record: &Record) {
        self.run = run.to_owned();
        let number = |key| number(record, key);
        self.original_sg = number("original_sg").or(self.original_sg);
        self.sg = number("sg").or(self.sg);
        self.sd = number("sd").or(self.sd);
        self.apparent_percent = number("apparent_percent").or(self.apparent_percent);
        self.real_percent = number("real_percent").or(self.real_percent);
        self.abv_percent = number("abv_percent").or(self.abv_percent);
        let wear = |kind: &str| {
            let of = |key: &str| record.data.get("outputs")?.get(kind)?.get(key)?.as_f64();
            Wear { starts: of("starts"), on_h: of("on_s").map(|s| s / 3600.0), kwh: of("kwh") }
        };
        self.heater = wear("heater");
        self.chiller = wear("chiller");
    }

    fn stand(&mut self, state: &State) {
        self.run.clone_from(&state.run);
        self.sg = state.gravity.as_ref().map(|gravity| gravity.sg).or(self.sg);
        self.sd = state.gravity.as_ref().map(|gravity| gravity.sd).or(self.sd);
        let attenuation = state.attenuation.as_ref();
        self.apparent_percent = attenuation.map(|a| a.apparent_percent).or(self.apparent_percent);
        self.real_percent = attenuation.map(|a| a.real_percent).or(self.real_percent);
        self.abv_percent = state.abv_percent.or(self.abv_percent);
        let wear = |wear: &Option<engine::view::Wear>| {
            wear.as_ref().map_or_else(Wear::default, |wear| Wear {
                starts: wear.batch_starts.map(|starts| starts as f64),
                on_h: wear.batch_on_h,
                kwh: wear.batch_kwh,
            })
        };
        self.heater = wear(&state.outputs.heater_wear);
        self.chiller = wear(&state.outputs.chiller_wear);
    }

    /// What the record of the end does not say is taken from the course's last point.
    fn fill(&mut self, course: &[Point]) {
        let Some(point) = course.iter().rev().find(|point| point.sg.is_some()) else { return };
        if self.sg.is_some() {
            return;
        }
        (self.sg, self.sd) = (point.sg, point.sg_sd);
        self.apparent_percent = point.attenuation_percent;
        let gravities = self.original_sg.and_then(Gravity::from_sg);
        let gravities = gravities.zip(self.sg.and_then(Gravity::from_sg));
        let beer = gravities.and_then(|(original, present)| {
            brewing::attenuation::Composition::of(original, present)
        });
        self.real_percent = beer.map(|beer| beer.real_attenuation * 100.0);
        self.abv_percent = beer.map(|beer| beer.alcohol_volume_percent);
    }
}

/// A reading's gravity with the column that `replay` reads it from.
pub(super) fn raw(gravity: RawGravity) -> (&'static str, f64) {
    match gravity {
        RawGravity::Sg(number) => ("gravity_sg", number),
        RawGravity::Plato(number) => ("gravity_plato", number),
        RawGravity::Brix(number) => ("gravity_brix", number),
        RawGravity::Degrees(number) => ("angle_deg", number),
    }
}

/// °P of a gravity in SG.
pub(super) fn plato(sg: Option<f64>) -> Option<f64> {
    sg.map(plato_from_sg)
}

fn number(record: &Record, key: &str) -> Option<f64> {
    record.data.get(key).and_then(Value::as_f64)
}

pub(super) fn text(record: &Record, key: &str) -> Option<String> {
    record.data.get(key).and_then(Value::as_str).map(str::to_owned)
}

fn stamp(record: &Record, key: &str) -> Option<Stamp> {
    Stamp::parse_rfc3339(record.data.get(key)?.as_str()?).ok()
}
