//! `rehearse`: a schedule against a simulated vessel, the batch in seconds.
//!
//! The engine, the schedule and the control are those of the daemon; beer, vessel, float and probe
//! are simulated. Same seed, same output.

use crate::chart::{Calendar, Chart};
use crate::cli::RehearseArgs;
use crate::driver::{Confirmer, Driver};
use crate::failure::{Failure, Status};
use crate::files;
use crate::replay::print_record;
use engine::command::Pitch;
use engine::{
    Command, CommandInput, Effect, Engine, Input, Kind, LoadedSchedule, OutputKind, RawGravity,
    Reading, Record, Setup, Values, VesselSetup,
};
use plant::cellar::{Ambient, Cellar, CellarSetup, Drive, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, Share, Span, Stamp, Temperature};
use schedule::Name;
use schedule::config::{self, GravitySource, Vessel};
use schedule::model::{ExpectedFinal, ExpectedOriginal, Milestone, Schedule};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};

/// The probe and the plant go on in steps of this.
const STEP: Span = Span::from_secs(10);
/// A rehearsal that has not completed so long after all spans of its schedule never will.
const PATIENCE: Span = Span::from_hours(120 * 24);
/// So far above its surroundings a beer is hot, in K.
const HOT_K: f64 = 8.0;
/// The share of a belt's heat that goes straight into the beer.
const ON_THE_VESSEL: f64 = 0.8;
/// A float uses no more of its battery in the longest rehearsal.
const BATTERY_USED_PERCENT: f64 = 80.0;
/// Where the schedule says nothing.
const ORIGINAL_PLATO: f64 = 12.0;
const ATTENUATION: f64 = 0.78;
/// The setpoint has stood for this long where control is judged.
const SETTLED: Span = Span::from_hours(3);

/// Runs a rehearsal and prints it.
///
/// # Errors
/// Where the schedule is refused, the rehearsal does not complete, or a file cannot be written.
pub fn task(arguments: &RehearseArgs) -> Result<(), Failure> {
    let schedule = files::read_schedule(&arguments.schedule)?;
    let mut output = BufWriter::new(std::io::stdout().lock());
    let rehearsal = Rehearsal::new(schedule, arguments)?;
    let (summary, chart, problem) = rehearsal.run(arguments, &mut output)?;
    if arguments.json {
        writeln!(output, "{summary}")?;
    }
    output.flush()?;
    if let Some(path) = &arguments.plot {
        std::fs::write(path, chart.svg())
            .map_err(|error| Failure::file(path, "written", &error))?;
    }
    problem.map_or(Ok(()), |problem| {
        Err(Failure::new(Status::Failed, problem)
            .hint("the records above say what the last stage waited for"))
    })
}

struct Rehearsal {
    driver: Driver,
    confirmer: Confirmer,
    cellar: Cellar,
    name: Name,
    schedule: Schedule,
    start: Stamp,
    drives: Drives,
    control: ControlFigures,
    chart: Chart,
}

/// How well the temperature was kept.
#[derive(Debug, Default)]
struct ControlFigures {
    squares: f64,
    count: u64,
    most_k: f64,
    starts: BTreeMap<String, u64>,
    setpoint: Option<Temperature>,
    stands_since: Option<Stamp>,
}

impl Rehearsal {
    fn new(schedule: Schedule, arguments: &RehearseArgs) -> Result<Self, Failure> {
        let name = Name::parse("rehearsal").map_err(|e| Failure::new(Status::Failed, e))?;
        let fermentation = beer(&schedule, arguments)?;
        let first = schedule.stages[0].target.end();
        let cellar = Cellar::new(
            arguments.seed,
            CellarSetup {
                volume: arguments.volume,
                vessel: vessel_for(&schedule, arguments),
                fermentation,
                start: first,
                ambient: Ambient { swing_k: 1.5, ..Ambient::steady(arguments.ambient) },
                float: Some(float_for(&schedule, arguments, fermentation.original)),
                beer_probe: Some(ProbeSetup::plain(STEP)),
                surround_probe: None,
            },
        );
        let setup = setup(&name, arguments);
        let setup_show = setup.show;
        let title = format!("{} (rehearsal, seed {})", schedule.name, arguments.seed);
        let start = Stamp::from_millis(START_MILLIS);
        Ok(Rehearsal {
            driver: Driver::new(Engine::new(setup)),
            confirmer: Confirmer::new(arguments.confirm_after, "rehearse"),
            cellar,
            name,
            schedule,
            start,
            drives: Drives::default(),
            control: ControlFigures::default(),
            chart: Chart::new(&title, setup_show, Calendar::Days, start),
        })
    }

    fn run(
        mut self,
        arguments: &RehearseArgs,
        output: &mut impl Write,
    ) -> Result<(Value, Chart, Option<String>), Failure> {
        self.driver.step(self.start);
        let readings = self.cellar.advance(STEP, self.drives);
        self.driver.approach(self.start + self.cellar.now());
        self.give_readings(&readings);
        self.cellar.pitch();
        self.pitch(arguments);
        if let Some(refusal) = self.tell(output, arguments.json)? {
            return Err(Failure::new(Status::Failed, format!("the pitch was refused: {refusal}")));
        }
        let end = self.start + patience(&self.schedule);
        let mut run = "running";
        while run != "complete" && self.driver.now().is_some_and(|now| now < end) {
            self.step();
            self.tell(output, arguments.json)?;
            run = self.look();
        }
        let summary = self.summary(output, arguments.json)?;
        let problem = (run != "complete").then(|| {
            format!(
                "the rehearsal did not complete within {}: it is {run}",
                patience(&self.schedule)
            )
        });
        Ok((summary, self.chart, problem))
    }

    fn pitch(&mut self, arguments: &RehearseArgs) {
        let pitch = Pitch {
            schedule: "rehearsal".to_owned(),
            name: None,
            original_gravity: arguments.original_gravity,
            original_unknown: false,
            uncertainty: None,
            final_gravity: None,
            attenuation: None,
            volume: Some(arguments.volume),
            yeast: None,
            at: None,
            stage: None,
        };
        self.driver.give(Input::from(CommandInput {
            vessel: self.name.clone(),
            id: None,
            by: Some("rehearse".to_owned()),
            command: Ok(Command::Pitch(pitch)),
            schedule: Some(LoadedSchedule {
                name: "rehearsal".to_owned(),
                schedule: Ok(Box::new(self.schedule.clone())),
            }),
            calibration: None,
            history: Vec::new(),
        }));
    }

    fn step(&mut self) {
        let readings = self.cellar.advance(STEP, self.drives);
        let now = self.start + self.cellar.now();
        self.driver.approach(now);
        for input in self.confirmer.due(now) {
            self.driver.give(input);
        }
        self.give_readings(&readings);
    }

    /// Judges the control after a step; gives how the batch runs.
    fn look(&mut self) -> &'static str {
        let Some(glance) = self.driver.engine.glance(&self.name) else { return "idle" };
        let now = self.start + self.cellar.now();
        self.control.look(now, self.cellar.beer_celsius(), glance.setpoint);
        glance.run
    }

    fn give_readings(&mut self, readings: &[plant::cellar::Reading]) {
        let now = self.start + self.cellar.now();
        for reading in readings {
            let (source, values) = match reading.what {
                Measured::Float(float) => {
                    self.chart.readings.push((now, float.sg));
                    let values = Values {
                        gravity: Some(RawGravity::Sg(float.sg)),
                        temperature_c: Some(float.temperature.celsius()),
                        battery_percent: Some(float.battery_percent),
                    };
                    ("float", values)
                }
                Measured::Beer(temperature) => {
                    let temperature_c = Some(temperature.celsius());
                    ("beer", Values { temperature_c, ..Values::default() })
                }
                Measured::Surround(_) => continue,
            };
            self.driver.give(Input::Reading(Reading {
                vessel: self.name.clone(),
                source: source.to_owned(),
                taken: None,
                retained: false,
                values,
            }));
        }
    }

    /// Prints the records and does what the engine asked of the outputs.
    fn tell(&mut self, output: &mut impl Write, as_json: bool) -> Result<Option<String>, Failure> {
        if self.driver.is_quiet() {
            return Ok(None);
        }
        for effect in self.driver.take_effects() {
            if let Effect::Drive(drive) = effect {
                let state = if drive.switch == Some(true) { Drive::On } else { Drive::Off };
                match drive.output {
                    OutputKind::Heater => self.drives.heater = state,
                    OutputKind::Chiller => self.drives.chiller = state,
                }
            }
        }
        let records = self.driver.take_records();
        let points = self.driver.take_points();
        self.chart.extend(points);
        let now = self.driver.now().unwrap_or(self.start);
        self.confirmer.look(&records, now);
        let mut refusal = None;
        for record in &records {
            self.note(record);
            if record.kind == Kind::CommandRefused {
                refusal = record.data.get("reason").and_then(Value::as_str).map(str::to_owned);
            }
            print_record(output, record, as_json)?;
        }
        Ok(refusal)
    }

    fn note(&mut self, record: &Record) {
        self.chart.note(record);
        let on = record.data.get("on") == Some(&Value::Bool(true));
        if record.kind == Kind::OutputSwitched && on {
            let name = record.data.get("output").and_then(Value::as_str);
            if let Some(name) = name {
                *self.control.starts.entry(name.to_owned()).or_default() += 1;
            }
        }
    }

    fn summary(&self, output: &mut impl Write, as_json: bool) -> Result<Value, Failure> {
        let summary = self.driver.engine.summary(&self.name);
        let mut value = json!(summary);
        value["kind"] = json!("summary");
        value["control"] = self.control.json();
        value["truth"] = self.truth();
        if !as_json && let Some(summary) = &summary {
            crate::words::print_summary(output, summary)?;
            let control = &value["control"];
            writeln!(
                output,
                "control      rms {:.2} K, at most {:.2} K off, {} heater and {} chiller starts",
                control["rms_c"].as_f64().unwrap_or_default(),
                control["overshoot_c"].as_f64().unwrap_or_default(),
                control["heater_starts"],
                control["chiller_starts"]
            )?;
        }
        Ok(value)
    }

    /// When the beer truly was where each stage waited for it.
    fn truth(&self) -> Value {
        let mut truth = Map::new();
        for stage in &self.schedule.stages {
            let mut at = None;
            stage.until.any_leaf(&mut |leaf| {
                at = at.or_else(|| self.true_gravity(leaf));
                false
            });
            let reached = at
                .and_then(Gravity::from_sg)
                .and_then(|gravity| self.cellar.first_at_or_below(gravity))
                .map(|after| (self.start + STEP + after).rfc3339());
            truth.insert(stage.name.clone(), json!(reached));
        }
        Value::Object(truth)
    }

    fn true_gravity(&self, milestone: &Milestone) -> Option<f64> {
        let beer = self.cellar.fermentation()?;
        let (original, last) = (beer.original(), beer.final_sg());
        match milestone {
            Milestone::Attenuation(share) => {
                brewing::attenuation::gravity_at(original, *share).map(Gravity::sg)
            }
            Milestone::Progress(share) => {
                Some(original.sg() - share.fraction() * (original.sg() - last))
            }
            Milestone::Gravity(gravity) => Some(gravity.sg()),
            Milestone::AboveFinal(delta) => Some(delta.above(Gravity::from_sg(last)?)),
            Milestone::Stable { within, .. } => Some(within.above(Gravity::from_sg(last)?)),
            Milestone::Drop(delta) => Some(delta.below(original)),
            _ => None,
        }
    }
}

/// 2026-01-01T00:00:00Z: a rehearsal has no date of its own.
const START_MILLIS: i64 = 1_767_225_600_000;

impl ControlFigures {
    fn look(&mut self, now: Stamp, beer_c: f64, setpoint: Option<Temperature>) {
        if setpoint != self.setpoint {
            self.setpoint = setpoint;
            self.stands_since = Some(now);
        }
        let settled = self.stands_since.is_some_and(|since| now.since(since) >= SETTLED);
        if let (true, Some(setpoint)) = (settled, setpoint) {
            let error = beer_c - setpoint.celsius();
            self.squares += error * error;
            self.count += 1;
            self.most_k = self.most_k.max(error.abs());
        }
    }

    fn json(&self) -> Value {
        let starts = |name: &str| self.starts.get(name).copied().unwrap_or_default();
        let rms = (self.count > 0).then(|| (self.squares / self.count as f64).sqrt());
        json!({
            "rms_c": rms,
            "overshoot_c": (self.count > 0).then_some(self.most_k),
            "heater_starts": starts("heater"),
            "chiller_starts": starts("chiller"),
        })
    }
}

/// All that the schedule itself waits for in time, and more.
fn patience(schedule: &Schedule) -> Span {
    let mut spans = PATIENCE;
    for stage in &schedule.stages {
        stage.until.any_leaf(&mut |leaf| {
            if let Milestone::Elapsed(span)
            | Milestone::SincePitch(span)
            | Milestone::AtTarget(span) = leaf
            {
                spans = spans + *span;
            }
            false
        });
        spans = spans + stage.at_least.unwrap_or(Span::ZERO);
    }
    spans
}

/// A vessel that suits the schedule, as a person would choose it: its heater has three times the
/// power that holds the warmest target in these surroundings, and where that is hot it is a belt on
/// the vessel, since warming a whole fridge takes hours. Common practice, no source.
fn vessel_for(schedule: &Schedule, arguments: &RehearseArgs) -> Parameters {
    let plain = Parameters::for_volume(arguments.volume);
    let ends = schedule.stages.iter().map(|stage| stage.target.end().celsius());
    let rise_k = ends.fold(0.0, f64::max) - arguments.ambient.celsius();
    let loss_w = rise_k * (plain.chamber_ambient_w_per_k + plain.beer_ambient_w_per_k);
    let heater_to_beer = if rise_k > HOT_K { ON_THE_VESSEL } else { plain.heater_to_beer };
    Parameters { heater_w: plain.heater_w.max(3.0 * loss_w), heater_to_beer, ..plain }
}

/// A float whose battery lasts for the whole schedule: a person charges it in time.
fn float_for(schedule: &Schedule, arguments: &RehearseArgs, original: Gravity) -> FloatSetup {
    let noise = Noise::of_points(arguments.noise.points_near(original));
    let plain = FloatSetup::plain(arguments.every, noise);
    let slowly = BATTERY_USED_PERCENT / patience(schedule).days();
    let battery_percent_per_day = plain.battery_percent_per_day.min(slowly);
    FloatSetup { battery_percent_per_day, ..plain }
}

/// The beer that is rehearsed: what the person says, else what the schedule expects.
fn beer(schedule: &Schedule, arguments: &RehearseArgs) -> Result<FermentationSetup, Failure> {
    let expected = match schedule.expect.original_gravity {
        ExpectedOriginal::Gravity(gravity) => Some(gravity),
        ExpectedOriginal::Measured => Gravity::from_plato(ORIGINAL_PLATO),
    };
    let original = arguments.original_gravity.or(expected);
    let impossible = || Failure::new(Status::Usage, "this beer cannot be simulated");
    let original = original.ok_or_else(impossible)?;
    let expected = match schedule.expect.final_gravity {
        ExpectedFinal::Attenuation(share) => Some(share),
        ExpectedFinal::Unknown => Share::from_fraction(ATTENUATION),
        ExpectedFinal::Gravity(gravity) => {
            let (from, to) = (original.plato(), quantity::plato_from_sg(gravity.sg()));
            Share::from_fraction(brewing::attenuation::apparent(from, to))
        }
    };
    let attenuation = arguments.attenuation.or(expected).ok_or_else(|| {
        impossible().hint("give `--attenuation`: the expected final gravity does not fit")
    })?;
    Ok(FermentationSetup {
        original,
        attenuation,
        pace: 1.0,
        lag: Span::from_hours(8),
        stall: None,
    })
}

fn setup(name: &Name, arguments: &RehearseArgs) -> Setup {
    let mut vessel = Vessel::plain(BTreeMap::new());
    if let Ok(float) = Name::parse("float") {
        vessel.gravity.insert(float, GravitySource::plain(arguments.every));
    }
    vessel.volume = arguments.volume;
    vessel.beer = Some(config::Probe::plain(STEP));
    vessel.heater = Some(config::Output::plain(Span::from_mins(1), Span::from_mins(1)));
    vessel.chiller = Some(config::Output::plain(Span::from_mins(2), Span::from_mins(5)));
    let vessels = [(name.clone(), VesselSetup::new(vessel, BTreeMap::new()))].into();
    Setup { show: quantity::Show::default(), vessels, coolers: BTreeMap::new() }
}
