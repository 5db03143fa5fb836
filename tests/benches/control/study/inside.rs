//! The engine in this process: readings and ticks in, orders to the relays out.

use super::host::{Given, Host, Raised, START_MS, Standing, TICK_S};
use super::scenario::{Scenario, VESSEL, Way};
use engine::{
    Command, CommandInput, Effect, Engine, Input, Kind, LoadedSchedule, Now, OutputKind,
    RawGravity, Reading, Record, Setup, State, Values, VesselSetup,
};
use quantity::{Show, Stamp, Temperature};
use schedule::{Name, Problem, Source};
use std::collections::BTreeMap;

/// An engine, its relays and its clocks.
pub struct Inside {
    engine: Engine,
    setup: Setup,
    name: Name,
    schedule: LoadedSchedule,
    /// When this process began, in s; its monotonic clock counts from there.
    began_s: i64,
    standing: Standing,
    raised: Vec<Raised>,
}

impl Inside {
    /// A cellar in which nothing has happened.
    pub fn new(scenario: &Scenario, way: &Way) -> Self {
        let config = Source::new("barmkeep.toml", scenario.config(way));
        let config = read(schedule::read_config(&config, &|_| true));
        let vessels = config.vessels.into_iter();
        let vessels = vessels.map(|(name, v)| (name, VesselSetup::new(v, BTreeMap::new())));
        let setup =
            Setup { show: Show::default(), vessels: vessels.collect(), coolers: BTreeMap::new() };
        let stages = Source::new("study.toml", scenario.schedule(way));
        let stages = read(schedule::read_schedule(&stages));
        let mut host = Inside {
            engine: Engine::new(setup.clone()),
            setup,
            name: Name::parse(VESSEL).unwrap(),
            schedule: LoadedSchedule { name: VESSEL.to_owned(), schedule: Ok(Box::new(stages)) },
            began_s: 0,
            standing: Standing::default(),
            raised: Vec::new(),
        };
        host.give(0, Input::Started { version: "1.0.0".to_owned() });
        host
    }

    fn give(&mut self, at_s: i64, input: Input) {
        let now = Now {
            // Another process, another zero.
            monotonic: Stamp::from_millis((at_s - self.began_s + 1) * 1000),
            wall: Stamp::from_millis(START_MS + at_s * 1000),
        };
        for effect in self.engine.handle(now, input) {
            match effect {
                Effect::Drive(drive) => {
                    let relay = match drive.output {
                        OutputKind::Heater => &mut self.standing.heater,
                        OutputKind::Chiller => &mut self.standing.chiller,
                    };
                    *relay = drive.switch == Some(true);
                }
                Effect::Record(record) => self.note(at_s, &record),
                Effect::Cool(_) | Effect::Point(_) | Effect::Reply(_) => {}
            }
        }
        let glance = self.engine.glance(&self.name).unwrap();
        self.standing.setpoint = glance.setpoint.map(Temperature::celsius);
        assert_eq!(
            (glance.heater, glance.chiller),
            (self.standing.heater, self.standing.chiller),
            "what the relays were told is what the engine says they do"
        );
    }

    fn note(&mut self, at_s: i64, record: &Record) {
        if record.kind == Kind::AlarmRaised {
            self.raised.push(Raised {
                hours: at_s as f64 / 3600.0,
                id: record.data["alarm"].as_str().unwrap().to_owned(),
                text: record.text.clone(),
            });
        }
        assert_ne!(record.kind, Kind::CommandRefused, "{}", record.text);
        assert_ne!(record.kind, Kind::BatchCompleted, "the last stage outlasts the scenario");
    }

    fn input(&self, given: Given) -> Input {
        let mut values = Values::default();
        let source = match given {
            Given::Beer(celsius) => {
                values.temperature_c = Some(celsius);
                "beer"
            }
            Given::Surround(celsius) => {
                values.temperature_c = Some(celsius);
                "surround"
            }
            Given::Float(sg, celsius) => {
                values.gravity = Some(RawGravity::Sg(sg));
                values.temperature_c = Some(celsius);
                "float"
            }
            Given::Pitch => {
                let fields = BTreeMap::from([("schedule".to_owned(), VESSEL.to_owned())]);
                let command = Command::from_fields("pitch", &fields).unwrap();
                return self.command(command, Some(self.schedule.clone()));
            }
            Given::Acknowledge => {
                return self.command(Command::Acknowledge { alarm: None }, None);
            }
        };
        Input::Reading(Reading {
            vessel: self.name.clone(),
            source: source.to_owned(),
            taken: None,
            retained: false,
            values,
        })
    }

    fn command(&self, command: Command, schedule: Option<LoadedSchedule>) -> Input {
        Input::from(CommandInput {
            vessel: self.name.clone(),
            id: None,
            by: None,
            command: Ok(command),
            schedule,
            calibration: None,
            history: Vec::new(),
        })
    }
}

impl Host for Inside {
    fn pass(&mut self, at_s: i64, given: &[Given], until_s: i64) -> Vec<Standing> {
        for given in given {
            self.give(at_s, self.input(*given));
        }
        if given.is_empty() {
            self.give(at_s, Input::Tick);
        }
        let mut standings = vec![self.standing];
        let mut at_s = at_s + TICK_S;
        while at_s < until_s {
            self.give(at_s, Input::Tick);
            standings.push(self.standing);
            at_s += TICK_S;
        }
        standings
    }

    fn restart(&mut self, at_s: i64) {
        let text = serde_json::to_string(self.engine.state()).unwrap();
        let state: State = serde_json::from_str(&text).unwrap();
        self.engine = Engine::restore(self.setup.clone(), state);
        (self.began_s, self.standing) = (at_s, Standing::default());
        self.give(at_s, Input::Started { version: "1.0.0".to_owned() });
    }

    fn raised(&self) -> &[Raised] {
        &self.raised
    }
}

fn read<T>(checked: schedule::Checked<T>) -> T {
    let problems: Vec<String> = checked.problems.iter().map(Problem::line).collect();
    checked.value.unwrap_or_else(|| panic!("{problems:#?}"))
}
