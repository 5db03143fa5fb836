//! One simulated batch through the engine, and what was foretold along it.

use engine::command::Pitch;
use engine::{
    Command, CommandInput, Effect, Engine, Input, LoadedSchedule, Now, OutputKind, RawGravity,
    Reading, Setup, Values, VesselSetup,
};
use plant::cellar::{Ambient, Cellar, CellarSetup, Drive, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, GravityDelta, Share, Span, Stamp, Temperature, Volume};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use schedule::Name;
use schedule::config::{GravitySource, Output, Probe, Vessel};
use schedule::model::{ExpectedFinal, ExpectedOriginal, Schedule};
use std::collections::BTreeMap;

const STEP: Span = Span::from_secs(30);
/// Confirmations come at once.
const CONFIRM: Span = Span::from_mins(30);
const LOOK: Span = Span::from_hours(12);
const PATIENCE: Span = Span::from_hours(100 * 24);
const START: Stamp = Stamp::from_millis(1_767_225_600_000);

/// What was foretold of one stage at one look, in h since pitching, and how it came.
#[derive(Debug, Clone)]
pub struct Told {
    pub stage: usize,
    /// Whether it was the running stage.
    pub running: bool,
    pub leaves: Option<f64>,
    pub earliest: Option<f64>,
    pub latest: Option<f64>,
    /// When it was left.
    pub came: f64,
}

impl Told {
    /// Whether no more than an hour was open.
    pub fn is_certain(&self) -> bool {
        self.earliest.zip(self.latest).is_some_and(|(earliest, latest)| latest - earliest < 1.0)
    }
}

/// How this batch differs from what its schedule expects.
struct Nature {
    pace: f64,
    lag: Span,
    /// In points.
    end: f64,
    noise: f64,
    every: Span,
}

impl Nature {
    fn of(chance: &mut ChaCha8Rng) -> Self {
        let mut normal = || Normal::new(0.0, 1.0).expect("a standard normal").sample(chance);
        let (pace, lag, end) = (0.3 * normal(), 0.4 * normal(), 2.0 * normal());
        Nature {
            pace: 1.2 * f64::exp(pace),
            lag: Span::from_hours_f64(10.0 * f64::exp(lag)),
            end: end.clamp(-2.5, 2.5),
            noise: [0.5, 1.0, 2.0][chance.random_range(0..3)],
            every: [Span::from_mins(15), Span::from_mins(60)][chance.random_range(0..2)],
        }
    }
}

/// Runs batches one after the other through one engine, so that later ones know of earlier ones.
pub struct House {
    engine: Engine,
    vessel: Name,
    now: Stamp,
    drives: Drives,
}

impl House {
    pub fn new() -> Self {
        let vessel = Name::parse("north").expect("a name");
        let mut config = Vessel::plain(BTreeMap::new());
        let float = Name::parse("float").expect("a name");
        config.gravity.insert(float, GravitySource::plain(Span::from_mins(15)));
        config.beer = Some(Probe::plain(STEP));
        config.heater = Some(Output::plain(Span::from_mins(1), Span::from_mins(1)));
        config.chiller = Some(Output::plain(Span::from_mins(2), Span::from_mins(5)));
        let vessels = [(vessel.clone(), VesselSetup::new(config, BTreeMap::new()))].into();
        let engine = Engine::new(Setup {
            show: quantity::Show::default(),
            vessels,
            coolers: BTreeMap::new(),
        });
        House { engine, vessel, now: START, drives: Drives::default() }
    }

    /// What was foretold along one batch; nothing where it did not complete.
    pub fn batch(&mut self, schedule: &Schedule, seed: u64) -> Vec<Told> {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let nature = Nature::of(&mut chance);
        let mut cellar = cellar(schedule, &nature, seed);
        self.step(&mut cellar);
        cellar.pitch();
        self.command(Command::Pitch(pitch(schedule)), Some(schedule));
        let (pitched, mut told, mut next) = (self.now, Vec::new(), self.now);
        let mut run = "running";
        while run == "running" && self.now.since(pitched) < PATIENCE {
            self.step(&mut cellar);
            if self.now >= next {
                next = self.now + LOOK;
                told.extend(self.told(schedule, pitched));
            }
            if self.now.millis() % CONFIRM.millis() == 0 {
                self.command(Command::Confirm { say: None }, None);
            }
            run = self.engine.glance(&self.vessel).map_or("idle", |glance| glance.run);
        }
        let left: Vec<Option<f64>> = self
            .engine
            .summary(&self.vessel)
            .map(|summary| summary.stages.into_iter().map(|s| hours(s.left, pitched)).collect())
            .unwrap_or_default();
        self.command(Command::Stop, None);
        told.retain_mut(|told| match left.get(told.stage).copied().flatten() {
            Some(came) => {
                told.came = came;
                true
            }
            None => false,
        });
        told
    }

    fn told(&self, schedule: &Schedule, pitched: Stamp) -> Vec<Told> {
        let Some(state) = self.engine.view(&self.vessel) else { return Vec::new() };
        let running = state.stage.map(|stage| stage.name);
        let told = state.forecast.into_iter().filter_map(|foreseen| {
            let stage = schedule.stages.iter().position(|stage| stage.name == foreseen.stage)?;
            Some(Told {
                stage,
                running: Some(&foreseen.stage) == running.as_ref(),
                leaves: hours(foreseen.leaves, pitched),
                earliest: hours(foreseen.earliest, pitched),
                latest: hours(foreseen.latest, pitched),
                came: f64::NAN,
            })
        });
        told.collect()
    }

    fn step(&mut self, cellar: &mut Cellar) {
        let readings = cellar.advance(STEP, self.drives);
        for _ in 0..3 {
            self.now = self.now + Span::from_secs(10);
            self.give(Input::Tick);
        }
        for reading in readings {
            let (source, values) = match reading.what {
                Measured::Float(float) => {
                    let values = Values {
                        gravity: Some(RawGravity::Sg(float.sg)),
                        temperature_c: Some(float.temperature.celsius()),
                        battery_percent: None,
                    };
                    ("float", values)
                }
                Measured::Beer(temperature) => {
                    let temperature_c = Some(temperature.celsius());
                    ("beer", Values { temperature_c, ..Values::default() })
                }
                Measured::Surround(_) => continue,
            };
            self.give(Input::Reading(Reading {
                vessel: self.vessel.clone(),
                source: source.to_owned(),
                taken: None,
                retained: false,
                values,
            }));
        }
    }

    fn command(&mut self, command: Command, schedule: Option<&Schedule>) {
        let schedule = schedule.map(|schedule| LoadedSchedule {
            name: "bench".to_owned(),
            schedule: Ok(Box::new(schedule.clone())),
        });
        self.give(Input::from(CommandInput {
            vessel: self.vessel.clone(),
            id: None,
            by: None,
            command: Ok(command),
            schedule,
            calibration: None,
            history: Vec::new(),
        }));
    }

    fn give(&mut self, input: Input) {
        for effect in self.engine.handle(Now::same(self.now), input) {
            if let Effect::Drive(drive) = effect {
                let state = if drive.switch == Some(true) { Drive::On } else { Drive::Off };
                match drive.output {
                    OutputKind::Heater => self.drives.heater = state,
                    OutputKind::Chiller => self.drives.chiller = state,
                }
            }
        }
    }
}

fn hours(at: Option<String>, pitched: Stamp) -> Option<f64> {
    let at = Stamp::parse_rfc3339(&at?).ok()?;
    Some(at.millis_after(pitched) as f64 / 3_600_000.0)
}

fn original(schedule: &Schedule) -> Gravity {
    match schedule.expect.original_gravity {
        ExpectedOriginal::Gravity(gravity) => gravity,
        ExpectedOriginal::Measured => Gravity::from_plato(12.0).expect("a wort"),
    }
}

fn pitch(schedule: &Schedule) -> Pitch {
    Pitch {
        schedule: "bench".to_owned(),
        name: None,
        original_unknown: false,
        original_gravity: Some(original(schedule)),
        uncertainty: Some(GravityDelta::Points(0.5)),
        final_gravity: None,
        attenuation: None,
        volume: None,
        yeast: None,
        at: None,
        stage: None,
    }
}

fn cellar(schedule: &Schedule, nature: &Nature, seed: u64) -> Cellar {
    let original = original(schedule);
    let expected = match schedule.expect.final_gravity {
        ExpectedFinal::Gravity(gravity) => gravity.sg(),
        ExpectedFinal::Attenuation(share) => {
            quantity::sg_from_plato(original.plato() * (1.0 - share.fraction()))
        }
        ExpectedFinal::Unknown => quantity::sg_from_plato(original.plato() * 0.24),
    };
    let end = quantity::plato_from_sg(expected + nature.end * 1e-3);
    let attenuation = brewing::attenuation::apparent(original.plato(), end);
    let volume = Volume::from_litres(23.0).expect("a volume");
    let ambient = Temperature::from_celsius(19.0).expect("a temperature");
    Cellar::new(
        seed,
        CellarSetup {
            volume,
            vessel: Parameters::for_volume(volume),
            fermentation: FermentationSetup {
                original,
                attenuation: Share::from_fraction(attenuation).expect("a share"),
                pace: nature.pace,
                lag: nature.lag,
                stall: None,
            },
            start: schedule.stages[0].target.end(),
            ambient: Ambient { swing_k: 1.5, ..Ambient::steady(ambient) },
            float: Some(FloatSetup::plain(nature.every, Noise::of_points(nature.noise))),
            beer_probe: Some(ProbeSetup::plain(STEP)),
            surround_probe: None,
        },
    )
}
