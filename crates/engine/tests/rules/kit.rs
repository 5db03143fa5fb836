//! Scripts that read like tables: one action a line, what must have come of it in the last column.
//!
//! A line is `time action | expected; expected`; one that begins with `|` goes on with the last.
//! Time is `hours:minutes[:seconds]`, with `days+` in front where there are some. Between two lines
//! time passes in ticks of 10 s, as every driver gives them; meanwhile the beer's probe speaks once
//! a minute and each float once an hour, as the script last told them to: `fall …` is the float's,
//! `two fall …` another one's, `two adds 0.006` makes it read too high. Expected are records in
//! their order (`stage.left "evidence"`), their absence (`!alarm.raised`), `nothing`, and how
//! things stand: `set 18.0`, `stage primary`, `run held`, `heater on`, `chiller off`, `ok`,
//! `refused "reason"`, `told heater off`, `alarm ID stands`. An action that begins with a vessel's
//! name and a colon (`south: hold`) is for that vessel, and so is what is expected of it.

use brewing::calibration::Calibration;
use engine::{
    Command, CommandInput, Effect, Engine, Input, LoadedCalibration, LoadedSchedule, Now,
    OutputKind, RawGravity, Reading, Record, Reply, Setup, State, Values, VesselSetup,
};
use quantity::{Show, Span, Stamp, Temperature};
use schedule::{Name, Problem, Source};
use std::collections::BTreeMap;

/// All scripts begin at 2026-03-02T06:00:00Z.
pub const START: i64 = 1_772_431_200_000;
const TICK: i64 = 10_000;

/// A vessel with everything, on a plain band so that outputs are foreseeable.
pub const NORTH: &str = r#"
format = 1
store.file = "unused.db"
[vessel.north]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
[vessel.north.gravity.float]
topic = "cellar/float"
read = { at = "/sg", unit = "SG" }
temperature = { at = "/temp", unit = "C" }
battery = { at = "/battery", unit = "%" }
every = "60 min"
[vessel.north.beer]
topic = "cellar/probe"
read = { unit = "C" }
every = "60 s"
[vessel.north.heater]
drive = "switch"
seen = { topic = "cellar/plug", on = "ON", off = "OFF" }
[vessel.north.chiller]
drive = "switch"
[vessel.north.control]
anticipate = false
"#;

/// Another one beside it, with narrower limits.
pub const SOUTH: &str = r#"
[vessel.south]
volume = "23 L"
coldest = "2 C"
warmest = "24 C"
[vessel.south.gravity.float]
topic = "cellar/float/2"
read = { at = "/sg", unit = "SG" }
temperature = { at = "/temp", unit = "C" }
every = "60 min"
[vessel.south.beer]
topic = "cellar/probe/2"
read = { unit = "C" }
every = "60 s"
[vessel.south.heater]
[vessel.south.chiller]
[vessel.south.control]
anticipate = false
"#;

/// What the float adds to the truth, hour by hour: a real one is never exact.
const NOISE: [f64; 8] = [2e-4, -4e-4, 1e-4, 3e-4, -2e-4, 4e-4, -1e-4, -3e-4];

const HEAD: &str = r#"
format = 1
name = "Test beer"
[expect]
original_gravity = "1.048 SG"
final_gravity = "1.012 SG"
[limits]
coldest = "1 C"
warmest = "25 C"
ramp_up = "1 C/h"
ramp_down = "0.5 C/h"
"#;

/// Runs a script with the vessel `north` and the schedule `beer` made of these stages.
#[track_caller]
pub fn check(stages: &str, script: &str) {
    check_in(NORTH, stages, script);
}

/// Runs a script in a cellar of one's own; a schedule that has a `format` is taken as it stands.
#[track_caller]
pub fn check_in(config: &str, schedule: &str, script: &str) {
    let mut bench = Bench::new(config, Show::default());
    bench.put("beer", schedule);
    bench.run(script);
}

/// An engine, its time, and what its devices say.
pub struct Bench {
    pub engine: Engine,
    setup: Setup,
    monotonic: i64,
    wall: i64,
    schedules: BTreeMap<String, LoadedSchedule>,
    /// Calibrations by their file, for commands that name one.
    pub calibrations: BTreeMap<String, Calibration>,
    /// The vessel that the present line is about.
    at: Name,
    beer: BTreeMap<Name, Beer>,
    floats: BTreeMap<String, Fall>,
    /// What comes with the next command, as a driver would have kept it.
    history: Vec<(Stamp, Reading)>,
    /// All records, from the beginning.
    pub log: Vec<Record>,
    /// All points of batches' courses, from the beginning.
    pub points: Vec<engine::Point>,
    effects: Vec<Effect>,
}

/// What the beer's probe says by itself.
#[derive(Clone, Copy, PartialEq)]
enum Beer {
    Silent,
    At(f64),
    FollowsSetpoint,
    /// It is now this warm, in a place this warm, and does what the outputs make of it.
    Lives {
        celsius: f64,
        place: f64,
    },
}

/// What a float says by itself: gravity falls in a straight line, then stands.
#[derive(Clone, Copy)]
struct Fall {
    /// It reads so much too high, in SG.
    adds: f64,
    /// It says again and again what it said last.
    stuck: bool,
    from: f64,
    to: f64,
    begins: i64,
    ends: i64,
}

impl Bench {
    /// A cellar in which nothing has happened.
    pub fn new(config: &str, show: Show) -> Self {
        let source = Source::new("barmkeep.toml", config);
        let checked = schedule::read_config(&source, &|_| true);
        let problems: Vec<String> = checked.problems.iter().map(Problem::line).collect();
        let Some(config) = checked.value else { panic!("{problems:#?}") };
        let vessels = config.vessels.into_iter();
        let vessels = vessels.map(|(name, v)| (name, VesselSetup::new(v, BTreeMap::new())));
        let setup = Setup { show, vessels: vessels.collect(), coolers: config.coolers };
        Bench {
            engine: Engine::new(setup.clone()),
            setup,
            monotonic: START,
            wall: START,
            schedules: BTreeMap::new(),
            calibrations: BTreeMap::new(),
            at: north(),
            beer: BTreeMap::new(),
            floats: BTreeMap::new(),
            history: Vec::new(),
            log: Vec::new(),
            points: Vec::new(),
            effects: Vec::new(),
        }
    }

    /// What its engine is told of the vessels.
    pub fn setup(&self) -> Setup {
        self.setup.clone()
    }

    /// The next command comes with these readings.
    pub fn with_history(&mut self, history: Vec<(Stamp, Reading)>) {
        self.history = history;
    }

    /// The wall clock, in ms.
    pub fn wall_now(&self) -> i64 {
        self.wall
    }

    /// The present as scripts write it.
    pub fn now_text(&self) -> String {
        let minutes = (self.monotonic - START) / 60_000;
        format!("{}+{:02}:{:02}", minutes / 1440, minutes / 60 % 24, minutes % 60)
    }

    /// The same to the second.
    pub fn now_text_exactly(&self) -> String {
        let seconds = self.passed() / 1000;
        format!("{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
    }

    /// Since the script began, in ms.
    pub fn passed(&self) -> i64 {
        self.monotonic - START
    }

    /// The float gets a calibration; nothing has happened yet.
    pub fn calibrate(&mut self, calibration: Calibration) {
        let vessel = self.setup.vessels.get_mut(&north()).unwrap();
        vessel.calibrations.insert(Name::parse("float").unwrap(), calibration);
        self.engine = Engine::new(self.setup.clone());
    }

    /// Puts a schedule's file into the folder.
    pub fn put(&mut self, name: &str, schedule: &str) {
        let text = if schedule.contains("format") {
            schedule.to_owned()
        } else {
            format!("{HEAD}{schedule}")
        };
        let checked = schedule::read_schedule(&Source::new(format!("{name}.toml"), text));
        let problems: Vec<String> = checked.problems.iter().map(Problem::line).collect();
        let schedule = checked.value.map(Box::new).ok_or_else(|| problems.join("; "));
        let loaded = LoadedSchedule { name: name.to_owned(), schedule };
        self.schedules.insert(name.to_owned(), loaded);
    }

    /// Runs a script and stops at the first line that is not as expected.
    #[track_caller]
    pub fn run(&mut self, script: &str) {
        for line in joined(script) {
            let (action, expected) = line.split_once('|').unwrap_or((line.as_str(), ""));
            let (time, action) = action.trim().split_once(' ').unwrap_or((action.trim(), "tick"));
            let before = self.log.len();
            self.effects.clear();
            self.pass(START + millis(time));
            let action = action.trim();
            let named = action
                .split_once(": ")
                .and_then(|(name, action)| Some((Name::parse(name).ok()?, action)));
            let (at, action) = named.unwrap_or((north(), action));
            self.at = at;
            self.act(action.trim());
            for expected in split(expected) {
                if let Err(problem) = self.holds(&expected, before) {
                    let log: Vec<String> = self.log[before..].iter().map(shown).collect();
                    panic!("{line}\n  {problem}\n  happened:\n    {}", log.join("\n    "));
                }
            }
            self.in_order(expected, before, &line);
        }
    }

    /// Gives an input now.
    pub fn give(&mut self, input: Input) {
        let now = Now {
            monotonic: Stamp::from_millis(self.monotonic),
            wall: Stamp::from_millis(self.wall),
        };
        for effect in self.engine.handle(now, input) {
            match effect {
                Effect::Record(record) => self.log.push(record),
                Effect::Point(point) => self.points.push(point),
                other => self.effects.push(other),
            }
        }
    }

    /// Lets the monotonic clock, and the wall with it, go on to `at`.
    pub fn pass(&mut self, at: i64) {
        while self.monotonic < at {
            let next = ((self.monotonic / TICK + 1) * TICK).min(at);
            self.wall += next - self.monotonic;
            self.monotonic = next;
            self.give(Input::Tick);
            self.devices();
        }
    }

    fn devices(&mut self) {
        if self.monotonic % 60_000 != 0 {
            return;
        }
        for (vessel, beer) in self.beer.clone() {
            let beer = match beer {
                Beer::Silent => None,
                Beer::At(celsius) => Some(celsius),
                Beer::FollowsSetpoint => self.setpoint_of(&vessel),
                Beer::Lives { celsius, place } => {
                    let celsius = self.a_minute_later(&vessel, celsius, place);
                    self.beer.insert(vessel.clone(), Beer::Lives { celsius, place });
                    Some(celsius)
                }
            };
            if let Some(celsius) = beer {
                let wobble = if self.monotonic % 120_000 == 0 { 0.01 } else { 0.0 };
                self.give(probe_reading(&vessel, "beer", celsius + wobble));
            }
        }
        let hourly = self.monotonic % 3_600_000 == 0;
        let floats = if hourly { self.floats.clone() } else { BTreeMap::new() };
        for (place, (name, fall)) in floats.iter().enumerate() {
            let now = if fall.stuck { fall.ends } else { self.monotonic };
            let gravity = fall.at(now, place) + fall.adds;
            self.give(reading_of(name, gravity, self.setpoint().unwrap_or(18.0)));
        }
    }

    /// A plain vessel: a time constant of 40 h, and outputs that move it by 2 °C an hour.
    fn a_minute_later(&self, vessel: &Name, celsius: f64, place: f64) -> f64 {
        let glance = self.engine.glance(vessel);
        let (heats, cools) = glance.map_or((false, false), |it| (it.heater, it.chiller));
        let output = 2.0 * (f64::from(u8::from(heats)) - f64::from(u8::from(cools)));
        celsius + ((place - celsius) / 40.0 + output) / 60.0
    }

    /// In °C.
    pub fn setpoint(&self) -> Option<f64> {
        self.setpoint_of(&north())
    }

    fn setpoint_of(&self, vessel: &Name) -> Option<f64> {
        self.engine.glance(vessel)?.setpoint.map(Temperature::celsius)
    }

    fn say(&mut self, beer: Beer) {
        self.beer.insert(self.at.clone(), beer);
    }

    fn act(&mut self, action: &str) {
        let words: Vec<&str> = action.split_whitespace().collect();
        match words.as_slice() {
            ["tick"] => self.give(Input::Tick),
            ["beer", "silent"] => self.say(Beer::Silent),
            ["beer", "follows"] => self.say(Beer::FollowsSetpoint),
            ["beer", "at", celsius] => self.say(Beer::At(celsius.parse().unwrap())),
            ["beer", "lives", "in", place] => self.lives_in(place.parse().unwrap()),
            ["beer", celsius, rest @ ..] => {
                self.reading("beer", |v| v.temperature_c = Some(celsius.parse().unwrap()), rest);
            }
            ["surround", celsius, rest @ ..] => {
                self.reading(
                    "surround",
                    |v| v.temperature_c = Some(celsius.parse().unwrap()),
                    rest,
                );
            }
            [name, "silent"] => {
                self.floats.remove(*name);
            }
            [name, "adds", by] => {
                self.floats.get_mut(*name).unwrap().adds = by.parse().unwrap();
            }
            [name, "sticks"] => {
                let now = self.monotonic;
                let fall = self.floats.get_mut(*name).unwrap();
                let gravity = fall.at(now, 0);
                *fall = Fall { from: gravity, to: gravity, stuck: true, ..*fall };
            }
            ["reservoir", celsius] => {
                let reading = probe_reading(&self.at, "reservoir", celsius.parse().unwrap());
                self.give(reading);
            }
            ["float", gravity, rest @ ..] => {
                let sg = RawGravity::Sg(gravity.parse().unwrap());
                self.reading("float", |v| v.gravity = Some(sg), rest);
            }
            ["battery", percent] => {
                self.reading("float", |v| v.battery_percent = Some(percent.parse().unwrap()), &[]);
            }
            ["fall", from, "to", to, "in", hours, "h"] => {
                self.fall("float", [from, to, hours]);
            }
            [name, "fall", from, "to", to, "in", hours, "h"] => {
                self.fall(name, [from, to, hours]);
            }
            ["end"] => self.give(Input::Stopping),
            ["start"] => self.give(Input::Started { version: "1.0.0".to_owned() }),
            ["restart", "after", time] => self.restart(millis(time)),
            ["crash"] => self.crash(),
            ["clock", sign, time] => self.wall += millis(time) * if *sign == "+" { 1 } else { -1 },
            ["link", word] => self.give(Input::Link { up: *word == "up" }),
            ["store", "works"] => self.give(Input::Store { problem: None }),
            ["store", "fails"] => {
                self.give(Input::Store { problem: Some("the disk is full".to_owned()) });
            }
            ["seen", output, word] => self.seen(output, word),
            ["garbage", source] => self.give(Input::Unreadable {
                vessel: north(),
                source: (*source).to_owned(),
                problem: "the payload is no JSON".to_owned(),
            }),
            ["file", name, rest @ ..] => {
                let stages = rest.join(" ").replace('¶', "\n");
                self.put(name, &stages);
            }
            _ => self.command(action),
        }
    }

    fn lives_in(&mut self, place: f64) {
        let celsius = match self.beer.get(&self.at) {
            Some(Beer::At(celsius) | Beer::Lives { celsius, .. }) => *celsius,
            _ => panic!("how warm is it?"),
        };
        self.say(Beer::Lives { celsius, place });
    }

    fn fall(&mut self, name: &str, numbers: [&str; 3]) {
        let [from, to, hours] = numbers.map(|number| number.parse::<f64>().unwrap());
        let ends = self.monotonic + (3_600_000.0 * hours) as i64;
        let begins = self.monotonic;
        let fall = Fall { adds: 0.0, stuck: false, from, to, begins, ends };
        self.floats.insert(name.to_owned(), fall);
    }

    fn reading(&mut self, source: &str, fill: impl Fn(&mut Values), rest: &[&str]) {
        let mut values = Values::default();
        fill(&mut values);
        let taken = match rest {
            ["taken", time, ..] => Some(Stamp::from_millis(START + millis(time))),
            _ => None,
        };
        let retained = rest.contains(&"retained");
        let source = source.to_owned();
        let vessel = self.at.clone();
        self.give(Input::Reading(Reading { vessel, source, taken, retained, values }));
    }

    fn seen(&mut self, output: &str, word: &str) {
        let output = kind(output);
        let on = match word {
            "on" => Some(true),
            "off" => Some(false),
            _ => None,
        };
        self.give(Input::Seen { vessel: self.at.clone(), output, on });
    }

    /// Another process goes on from what was stored, after so long by the wall clock.
    fn restart(&mut self, away: i64) {
        self.crash();
        self.wall += away;
        self.give(Input::Started { version: "1.0.0".to_owned() });
    }

    /// The state goes through the store and back.
    pub fn crash(&mut self) {
        let text = serde_json::to_string(self.engine.state()).unwrap();
        let state: State = serde_json::from_str(&text).unwrap();
        self.engine = Engine::restore(self.setup.clone(), state);
    }

    /// `[#id] name field="value" …`.
    fn command(&mut self, text: &str) {
        let (id, text) = match text.strip_prefix('#').and_then(|text| text.split_once(' ')) {
            Some((id, text)) => (Some(id.to_owned()), text),
            None => (None, text),
        };
        let (name, mut rest) = text.split_once(' ').unwrap_or((text, ""));
        let mut fields = BTreeMap::new();
        while let Some((field, after)) = rest.trim().split_once("=\"") {
            let (value, after) = after.split_once('"').unwrap();
            fields.insert(field.to_owned(), value.to_owned());
            rest = after;
        }
        assert!(rest.trim().is_empty(), "{text}");
        let command = Command::from_fields(name, &fields).map_err(|error| error.to_string());
        let file = command.as_ref().ok().and_then(|command| {
            command.schedule_file(self.engine.schedule_file(&self.at)).map(str::to_owned)
        });
        let calibration = command.as_ref().ok().and_then(|command| {
            let name = command.calibration_file()?.to_owned();
            let calibration = self.calibrations.get(&name).cloned();
            let calibration = calibration.ok_or_else(|| format!("{name} is not there"));
            Some(LoadedCalibration { name, calibration })
        });
        let history = std::mem::take(&mut self.history);
        self.give(Input::from(CommandInput {
            vessel: self.at.clone(),
            id,
            by: None,
            command,
            schedule: file.and_then(|file| self.schedules.get(&file).cloned()),
            calibration,
            history,
        }));
    }

    fn holds(&self, expected: &str, before: usize) -> Result<(), String> {
        if let Some(on) = self.engine.cooler(&self.at) {
            let is = format!("cooler {}", if on { "on" } else { "off" });
            return match expected {
                "cooler on" | "cooler off" if expected == is => Ok(()),
                _ if is_kind(expected) => Ok(()),
                _ => Err(format!("it is {is:?}")),
            };
        }
        let glance = self.engine.glance(&self.at).expect("the vessel has been seen");
        let (word, rest) = expected.split_once(' ').unwrap_or((expected, ""));
        let rest = rest.trim();
        let same = |is: &str| if is == rest { Ok(()) } else { Err(format!("it is {is:?}")) };
        let on = |on: bool| same(if on { "on" } else { "off" });
        match word {
            "set" => {
                let is =
                    self.setpoint_of(&self.at).map_or("none".to_owned(), |c| format!("{c:.1}"));
                same(&is)
            }
            "stage" => same(glance.stage.as_deref().unwrap_or("none")),
            "run" => same(glance.run),
            "heater" => on(glance.heater),
            "chiller" => on(glance.chiller),
            "because" => {
                let because = self.engine.view(&self.at).unwrap().outputs.because;
                let found = because.contains(rest.trim_matches('"'));
                found.then_some(()).ok_or(format!("it is {because:?}"))
            }
            "ok" | "refused" => self.replied(word == "ok", rest),
            "told" => self.told(rest),
            "alarm" => self.alarm(rest),
            "nothing" => {
                let quiet = self.log.len() == before;
                quiet.then_some(()).ok_or("something happened".to_owned())
            }
            absent if absent.starts_with('!') => {
                let found = self.log[before..].iter().any(|record| matches(record, &expected[1..]));
                (!found).then_some(()).ok_or("it happened".to_owned())
            }
            _ if is_kind(expected) => Ok(()),
            _ => Err(format!("nobody knows how to expect `{expected}`")),
        }
    }

    /// Records that are expected come in the order in which they are named.
    #[track_caller]
    fn in_order(&self, expected: &str, before: usize, line: &str) {
        let mut rest = self.log[before..].iter();
        for expected in split(expected).into_iter().filter(|expected| is_kind(expected)) {
            if !rest.any(|record| matches(record, &expected)) {
                let log: Vec<String> = self.log[before..].iter().map(shown).collect();
                let log = log.join("\n    ");
                panic!(
                    "{line}\n  not found, or not in this order: {expected}\n  happened:\n    {log}"
                );
            }
        }
    }

    fn replied(&self, ok: bool, text: &str) -> Result<(), String> {
        let reply: Option<&Reply> = self.effects.iter().rev().find_map(|effect| match effect {
            Effect::Reply(reply) => Some(reply),
            _ => None,
        });
        let reply = reply.ok_or("there was no reply")?;
        let fits = reply.ok == ok && reply.text.contains(text.trim_matches('"'));
        fits.then_some(()).ok_or(format!("the reply was {reply:?}"))
    }

    /// `heater on`, `chiller off`, or `heater none` and `heater 17.7` for thermostats.
    fn told(&self, text: &str) -> Result<(), String> {
        let (output, order) = text.split_once(' ').unwrap();
        let output = kind(output);
        let drive = self.effects.iter().rev().find_map(|effect| match effect {
            Effect::Drive(drive) if drive.output == output && drive.vessel == self.at => {
                Some(drive)
            }
            _ => None,
        });
        let drive = drive.ok_or("it was told nothing")?;
        let is = match (drive.switch, drive.setpoint) {
            (Some(true), None) => "on".to_owned(),
            (Some(false), None) => "off".to_owned(),
            (_, Some(Some(to))) => format!("{:.1}", to.celsius()),
            (_, Some(None)) => "none".to_owned(),
            (None, None) => "?".to_owned(),
        };
        (is == order).then_some(()).ok_or(format!("it was told {is}"))
    }

    /// `id stands`, `id seen`, `id shelved` or `id gone`.
    fn alarm(&self, text: &str) -> Result<(), String> {
        let (id, how) = text.split_once(' ').unwrap();
        let view = self.engine.view(&self.at).unwrap();
        let alarm = view.alarms.iter().find(|alarm| alarm.id == id);
        let is = match alarm {
            None => "gone",
            Some(alarm) if alarm.shelved_until.is_some() => "shelved",
            Some(alarm) if alarm.acknowledged => "seen",
            Some(_) => "stands",
        };
        (is == how).then_some(()).ok_or(format!("it is {is}"))
    }
}

impl Fall {
    /// What the float in this place says.
    fn at(&self, now: i64, place: usize) -> f64 {
        let way = (now - self.begins) as f64 / (self.ends - self.begins) as f64;
        let noise = NOISE[(now / 3_600_000 + 3 * place as i64).rem_euclid(8) as usize];
        self.from + (self.to - self.from) * way.clamp(0.0, 1.0) + noise
    }
}

/// The only vessel.
pub fn north() -> Name {
    Name::parse("north").unwrap()
}

/// A reading of the beer's probe.
pub fn beer_reading(celsius: f64) -> Input {
    probe_reading(&north(), "beer", celsius)
}

fn probe_reading(vessel: &Name, source: &str, celsius: f64) -> Input {
    let values = Values { temperature_c: Some(celsius), ..Values::default() };
    let (vessel, source) = (vessel.clone(), source.to_owned());
    Input::Reading(Reading { vessel, source, taken: None, retained: false, values })
}

/// A reading of the float.
pub fn float_reading(sg: f64, celsius: f64) -> Input {
    reading_of("float", sg, celsius)
}

fn reading_of(float: &str, sg: f64, celsius: f64) -> Input {
    let gravity = Some(RawGravity::Sg(sg));
    let values = Values { gravity, temperature_c: Some(celsius), battery_percent: None };
    let source = float.to_owned();
    Input::Reading(Reading { vessel: north(), source, taken: None, retained: false, values })
}

/// `2+03:30` as milliseconds.
pub fn millis(text: &str) -> i64 {
    let (days, clock) = text.split_once('+').unwrap_or(("0", text));
    let parts: Vec<i64> = clock.split(':').map(|part| part.parse().expect(text)).collect();
    let seconds = parts.get(2).copied().unwrap_or(0);
    Span::from_secs(
        (days.parse::<i64>().expect(text) * 24 + parts[0]) * 3600 + parts[1] * 60 + seconds,
    )
    .millis()
}

fn kind(output: &str) -> OutputKind {
    if output == "heater" { OutputKind::Heater } else { OutputKind::Chiller }
}

/// The lines of a script, those that begin with `|` joined to the one before.
fn joined(script: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        match (line.strip_prefix('|'), lines.last_mut()) {
            (Some(more), Some(last)) => {
                last.push(';');
                last.push_str(more);
            }
            _ => lines.push(line.to_owned()),
        }
    }
    lines
}

/// Semicolons part what is expected, except in quotation marks.
fn split(expected: &str) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut quoted = false;
    for letter in expected.chars() {
        quoted ^= letter == '"';
        if letter == ';' && !quoted {
            parts.push(String::new());
        } else if let Some(part) = parts.last_mut() {
            part.push(letter);
        }
    }
    parts.iter().map(|part| part.trim().to_owned()).filter(|part| !part.is_empty()).collect()
}

fn is_kind(expected: &str) -> bool {
    let word = expected.split_whitespace().next().unwrap_or("");
    engine::Kind::ALL.iter().any(|kind| kind.as_str() == word)
}

fn matches(record: &Record, expected: &str) -> bool {
    let (kind, text) = expected.split_once(' ').unwrap_or((expected, ""));
    record.kind.as_str() == kind && record.text.contains(text.trim().trim_matches('"'))
}

fn shown(record: &Record) -> String {
    format!("{} {} {}", record.at, record.kind.as_str(), record.text)
}
