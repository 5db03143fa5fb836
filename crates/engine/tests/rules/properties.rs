//! What holds whatever happens: any schedule, any readings, any commands, any restarts.

use crate::kit::{Bench, NORTH, START, beer_reading, float_reading, north};
use engine::{
    Command, CommandInput, Effect, Engine, Input, Kind, LoadedSchedule, Now, OutputKind,
    RawGravity, Reading, Record, State, Values,
};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use quantity::{
    Gravity, GravityDelta, GravityRate, Share, Show, Span, Stamp, Temperature, TemperatureRate,
};
use schedule::model::{
    Along, AtMost, Expect, ExpectedFinal, ExpectedOriginal, Finish, Limits, Milestone, Notice,
    Overdue, Pace, Schedule, Stage, Target,
};
use serde_json::Value;
use std::collections::BTreeMap;
use std::num::NonZeroU32;

const TICK_MS: i64 = 10_000;
const COLDEST: f64 = 2.0;
const WARMEST: f64 = 24.0;
const UP: f64 = 2.0;
const DOWN: f64 = 1.0;
/// Of the vessel `north`: both outputs' rests and the changeover.
const MIN_OFF: [(OutputKind, i64); 2] =
    [(OutputKind::Heater, 60_000), (OutputKind::Chiller, 300_000)];
const CHANGEOVER: i64 = 600_000;

/// What a script of chance may do.
#[derive(Debug, Clone)]
enum Act {
    Wait(i64),
    Beer(f64),
    Float(f64),
    Command(&'static str),
    Pitch(usize),
    Unreadable,
    Store(bool),
    Link(bool),
    Seen(bool),
    Step(i64),
    Restart(i64),
    Crash,
}

fn celsius(c: f64) -> Temperature {
    Temperature::from_celsius(c).unwrap()
}

fn share(percent: f64) -> Share {
    Share::from_fraction(percent / 100.0).unwrap()
}

fn a_temperature() -> impl Strategy<Value = Temperature> {
    (COLDEST..WARMEST).prop_map(celsius)
}

fn a_span(most_min: i64) -> impl Strategy<Value = Span> {
    (1..most_min).prop_map(Span::from_mins)
}

fn some_steps() -> impl Strategy<Value = Option<NonZeroU32>> {
    (0..6u32).prop_map(NonZeroU32::new)
}

fn a_target() -> impl Strategy<Value = Target> {
    let pace = prop_oneof![
        a_span(600).prop_map(Pace::Over),
        (0.1..4.0).prop_map(|r| Pace::Rate(TemperatureRate::from_kelvin_per_hour(r).unwrap())),
    ];
    let along = prop_oneof![Just(Along::Attenuation), Just(Along::Progress)];
    prop_oneof![
        a_temperature().prop_map(Target::Fixed),
        (a_temperature(), pace, some_steps()).prop_map(|(to, pace, steps)| Target::Timed {
            to,
            pace,
            steps
        }),
        (a_temperature(), along, 1.0..40.0, 41.0..80.0, some_steps()).prop_map(
            |(to, along, from, until, steps)| {
                Target::Climb { to, along, from: share(from), until: share(until), steps }
            }
        ),
        (a_temperature(), prop::option::of(COLDEST..10.0)).prop_map(|(ceiling, floor)| {
            Target::FreeRise { ceiling, not_below: floor.map(celsius).filter(|f| *f < ceiling) }
        }),
    ]
}

fn a_milestone() -> impl Strategy<Value = Milestone> {
    let leaf = prop_oneof![
        (5.0..80.0).prop_map(|p| Milestone::Attenuation(share(p))),
        (5.0..95.0).prop_map(|p| Milestone::Progress(share(p))),
        (1.01..1.045).prop_map(|sg| Milestone::Gravity(Gravity::from_sg(sg).unwrap())),
        Just(Milestone::AboveFinal(GravityDelta::Points(4.0))),
        (2.0..20.0).prop_map(|points| Milestone::Drop(GravityDelta::Points(points))),
        Just(Milestone::SlowerThan(GravityRate::Points(3.0))),
        Just(Milestone::Stable { within: GravityDelta::Points(2.0), over: Span::from_hours(24) }),
        a_span(120).prop_map(Milestone::AtTarget),
        a_span(600).prop_map(Milestone::Elapsed),
        a_span(900).prop_map(Milestone::SincePitch),
        Just(Milestone::Confirm("It is so".to_owned())),
    ];
    leaf.prop_recursive(2, 6, 3, |inner| {
        let list = prop::collection::vec(inner, 1..3);
        prop_oneof![list.clone().prop_map(Milestone::All), list.prop_map(Milestone::Any)]
    })
}

fn a_stage() -> impl Strategy<Value = Stage> {
    let then = prop_oneof![Just(Overdue::Alarm), Just(Overdue::Advance), Just(Overdue::Hold)];
    let at_most = (a_span(900), then).prop_map(|(time, then)| AtMost { time, then });
    let notices = prop::collection::vec(a_milestone(), 0..2);
    (a_target(), a_milestone(), prop::option::of(at_most), notices).prop_map(
        |(target, until, at_most, notices)| Stage {
            name: String::new(),
            target,
            until,
            at_least: None,
            at_most,
            remind: Span::from_hours(2),
            notices: notices
                .into_iter()
                .map(|when| Notice { say: "Look at it".to_owned(), when })
                .collect(),
        },
    )
}

fn a_schedule() -> impl Strategy<Value = Schedule> {
    let finish = prop_oneof![Just(Finish::Keep), Just(Finish::Off)];
    (prop::collection::vec(a_stage(), 1..4), finish).prop_map(|(mut stages, finish)| {
        for (index, stage) in stages.iter_mut().enumerate() {
            stage.name = format!("stage {index}");
        }
        let rate = |r| TemperatureRate::from_kelvin_per_hour(r).unwrap();
        Schedule {
            name: "By chance".to_owned(),
            confidence: share(95.0),
            finish,
            expect: Expect {
                original_gravity: ExpectedOriginal::Gravity(Gravity::from_sg(1.048).unwrap()),
                final_gravity: ExpectedFinal::Gravity(Gravity::from_sg(1.012).unwrap()),
                begins_within: Span::from_hours(6),
                yeast_range: None,
            },
            limits: Limits {
                coldest: Some(celsius(COLDEST)),
                warmest: Some(celsius(WARMEST)),
                ramp_up: rate(UP),
                ramp_down: rate(DOWN),
            },
            stages,
        }
    })
}

fn an_act() -> impl Strategy<Value = Act> {
    let command = prop::sample::select(vec![
        "hold",
        "resume",
        "advance",
        "confirm",
        "acknowledge",
        "stop",
        "abort",
        "revise",
        "hold target=9 C",
        "nudge by=4 C",
        "nudge by=-30 C",
        "nudge target=17 C until=2 h",
        "park target=14 C",
        "lock because=Cleaning",
        "unlock",
        "unpark",
    ]);
    prop_oneof![
        8 => (1..5400i64).prop_map(|s| Act::Wait(s * 1000)),
        6 => (-12.0..30.0).prop_map(Act::Beer),
        6 => (8.0..20.0).prop_map(Act::Beer),
        6 => (1.005..1.05).prop_map(Act::Float),
        2 => (0.5..1.3).prop_map(Act::Float),
        5 => command.prop_map(Act::Command),
        3 => (0..2usize).prop_map(Act::Pitch),
        1 => Just(Act::Unreadable),
        1 => any::<bool>().prop_map(Act::Store),
        1 => any::<bool>().prop_map(Act::Link),
        1 => any::<bool>().prop_map(Act::Seen),
        1 => (-7200..7200i64).prop_map(|s| Act::Step(s * 1000)),
        1 => (0..20_000i64).prop_map(|s| Act::Restart(s * 1000)),
        2 => Just(Act::Crash),
    ]
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    // Begin with a beer that is known and a batch, so that few scripts are about nothing.
    prop::collection::vec(an_act(), 5..40).prop_map(|mut acts| {
        acts.splice(0..0, [Act::Beer(15.0), Act::Pitch(0)]);
        acts
    })
}

/// An engine under a script of chance, and what its outputs are known to do.
struct Run {
    engine: Engine,
    setup: engine::Setup,
    schedules: [Schedule; 2],
    monotonic: i64,
    wall: i64,
    /// Whether `Act::Crash` goes through the store.
    crashes: bool,
    beer: Option<f64>,
    /// Every effect, from the beginning, as text.
    effects: Vec<String>,
    records: Vec<Record>,
    /// A person keeps the outputs off.
    locked: bool,
    watch: Watch,
}

/// What outputs are on, and since when they are off, by real time.
#[derive(Default)]
struct Watch {
    real: i64,
    on: BTreeMap<OutputKind, bool>,
    off_since: BTreeMap<OutputKind, i64>,
}

impl Watch {
    fn tell(&mut self, output: OutputKind, on: bool) {
        let was = self.on.insert(output, on).unwrap_or(false);
        if was && !on {
            self.off_since.insert(output, self.real);
        }
        if on && !was {
            for (kind, min_off) in MIN_OFF {
                let least = if kind == output { min_off } else { CHANGEOVER };
                if let Some(since) = self.off_since.get(&kind) {
                    let rested = self.real - since;
                    assert!(rested >= least, "{output:?} began {rested} ms after {kind:?} ended");
                }
            }
        }
        assert!(!self.on.values().all(|on| *on) || self.on.len() < 2, "both outputs are on");
    }

    fn died(&mut self) {
        for output in [OutputKind::Heater, OutputKind::Chiller] {
            self.tell(output, false);
        }
    }
}

impl Run {
    fn new(schedules: [Schedule; 2], crashes: bool) -> Self {
        let setup = Bench::new(NORTH, Show::default()).setup();
        Run {
            engine: Engine::new(setup.clone()),
            setup,
            schedules,
            monotonic: START,
            wall: START,
            crashes,
            beer: None,
            effects: Vec::new(),
            records: Vec::new(),
            locked: false,
            watch: Watch::default(),
        }
    }

    fn all(&mut self, acts: &[Act]) {
        self.give(Input::Started { version: "1".to_owned() });
        for act in acts {
            self.act(act);
        }
    }

    fn act(&mut self, act: &Act) {
        match act {
            Act::Wait(time) => self.wait(self.monotonic + time),
            Act::Beer(celsius) => {
                self.beer = Some(*celsius);
                self.give(beer_reading(*celsius));
            }
            Act::Float(sg) => self.give(float_reading(*sg, 18.0)),
            Act::Command(name) => self.command(name, None),
            Act::Pitch(which) => {
                let fields = [("schedule".to_owned(), "x".to_owned())].into();
                self.command_with("pitch", &fields, Some(*which));
            }
            Act::Unreadable => self.give(Input::Unreadable {
                vessel: north(),
                source: "float".to_owned(),
                problem: "nothing to read".to_owned(),
            }),
            Act::Store(works) => {
                let problem = (!works).then(|| "the disk is full".to_owned());
                self.give(Input::Store { problem });
            }
            Act::Link(up) => self.give(Input::Link { up: *up }),
            Act::Seen(on) => {
                let (vessel, output) = (north(), OutputKind::Heater);
                self.give(Input::Seen { vessel, output, on: Some(*on) });
            }
            Act::Step(millis) => self.wall += millis,
            Act::Restart(away) => {
                self.wall += away;
                self.watch.real += away;
                self.watch.died();
                self.give(Input::Started { version: "1".to_owned() });
            }
            Act::Crash if self.crashes => {
                let text = serde_json::to_string(self.engine.state()).unwrap();
                let state: State = serde_json::from_str(&text).unwrap();
                assert_eq!(&state, self.engine.state());
                self.engine = Engine::restore(self.setup.clone(), state);
            }
            Act::Crash => {}
        }
    }

    fn wait(&mut self, until: i64) {
        while self.monotonic < until {
            let next = ((self.monotonic / TICK_MS + 1) * TICK_MS).min(until);
            self.watch.real += next - self.monotonic;
            self.wall += next - self.monotonic;
            self.monotonic = next;
            self.give(Input::Tick);
            let minute = self.monotonic % 60_000 == 0;
            if let Some(celsius) = self.beer.filter(|_| minute) {
                self.give(beer_reading(celsius + (self.monotonic % 7) as f64 * 0.01));
            }
        }
    }

    /// `name field=value field=value`, where a value may have blanks.
    fn command(&mut self, text: &str, which: Option<usize>) {
        let (name, rest) = text.split_once(' ').unwrap_or((text, ""));
        let mut fields: Vec<(String, String)> = Vec::new();
        for word in rest.split_whitespace() {
            match (word.split_once('='), fields.last_mut()) {
                (Some((field, value)), _) => fields.push((field.to_owned(), value.to_owned())),
                (None, Some((_, value))) => *value = format!("{value} {word}"),
                (None, None) => panic!("{text}"),
            }
        }
        self.command_with(name, &fields.into_iter().collect(), which);
    }

    fn command_with(
        &mut self,
        name: &str,
        fields: &BTreeMap<String, String>,
        which: Option<usize>,
    ) {
        let schedule = self.schedules[which.unwrap_or(1)].clone();
        let loaded = LoadedSchedule { name: "x".to_owned(), schedule: Ok(Box::new(schedule)) };
        self.give(Input::from(CommandInput {
            vessel: north(),
            id: None,
            by: None,
            command: Command::from_fields(name, fields).map_err(|error| error.to_string()),
            schedule: Some(loaded),
            calibration: None,
            history: Vec::new(),
        }));
    }

    fn give(&mut self, input: Input) {
        let now = Now {
            monotonic: Stamp::from_millis(self.monotonic),
            wall: Stamp::from_millis(self.wall),
        };
        let before = self.setpoint();
        let effects = self.engine.handle(now, input);
        let mut free = self.is_free();
        for effect in &effects {
            self.effects.push(serde_json::to_string(effect).unwrap());
            match effect {
                Effect::Drive(drive) => self.watch.tell(drive.output, drive.switch.unwrap()),
                Effect::Record(record) => {
                    let sets = [Kind::BatchPitched, Kind::RunParked, Kind::StageLeft];
                    free |= sets.contains(&record.kind);
                    if record.kind == Kind::RunLocked {
                        self.locked = record.data["locked"] == true;
                    }
                    self.records.push(record.clone());
                }
                Effect::Cool(_) | Effect::Point(_) | Effect::Reply(_) => {}
            }
        }
        self.check_setpoint(before, free);
        assert!(!self.locked || !self.watch.on.values().any(|on| *on), "a locked output is on");
    }

    fn setpoint(&self) -> Option<f64> {
        self.engine.glance(&north())?.setpoint.map(Temperature::celsius)
    }

    /// Whether the beer itself may move the setpoint now.
    fn is_free(&self) -> bool {
        let stage = self.engine.glance(&north()).and_then(|glance| glance.stage);
        let stages = self.schedules.iter().flat_map(|schedule| &schedule.stages);
        let mut named = stages.filter(|known| Some(&known.name) == stage.as_ref());
        named.any(|stage| matches!(stage.target, Target::FreeRise { .. }))
    }

    fn check_setpoint(&self, before: Option<f64>, free: bool) {
        let Some(now) = self.setpoint() else { return };
        assert!((COLDEST - 1e-9..=WARMEST + 1e-9).contains(&now), "{now} is outside the limits");
        let Some(before) = before.filter(|_| !free) else { return };
        let hours = TICK_MS as f64 / 3.6e6;
        let (down, up) = (-DOWN * hours - 1e-9, UP * hours + 1e-9);
        assert!((down..=up).contains(&(now - before)), "from {before} to {now} in a tick");
    }

    /// Every stage was left by a person, by its bound, or with all of its evidence.
    fn check_evidence(&self) {
        for record in self.records.iter().filter(|record| record.kind == Kind::StageLeft) {
            let because = record.data["because"].as_str().unwrap();
            if because.contains("a person advanced it") || because.contains("`at_most`") {
                continue;
            }
            let name = record.data["stage"].as_str().unwrap();
            let milestones = record.data["milestones"].as_array().unwrap();
            let met = self.schedules.iter().any(|schedule| {
                let mut stages = schedule.stages.iter();
                let stage = stages.find(|stage| stage.name == name);
                stage.is_some_and(|stage| is_met(&stage.until, &mut milestones.iter()))
            });
            assert!(met, "{}: {:?}", record.text, record.data);
        }
    }

    fn check_numbers(&self) {
        for (index, record) in self.records.iter().enumerate() {
            assert_eq!(record.seq, index as u64 + 1);
        }
    }
}

/// Whether the recorded answers, leaf by leaf, make the whole a yes. Without `no` and `unknown`
/// told apart: neither counts.
fn is_met<'a>(milestone: &Milestone, answers: &mut impl Iterator<Item = &'a Value>) -> bool {
    match milestone {
        Milestone::All(list) => list.iter().map(|m| is_met(m, answers)).fold(true, |a, b| a & b),
        Milestone::Any(list) => list.iter().map(|m| is_met(m, answers)).fold(false, |a, b| a | b),
        _ => answers.next().is_some_and(|answer| answer["answer"] == "yes"),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn nothing_that_must_not_happen_happens(
        first in a_schedule(), second in a_schedule(), acts in acts(),
    ) {
        let mut run = Run::new([first, second], false);
        run.all(&acts);
        run.check_numbers();
        run.check_evidence();
    }

    /// A hard stop: whatever a schedule asks for and a person commands, but for `unlock`.
    #[test]
    fn nothing_but_unlock_brings_locked_outputs_back(
        first in a_schedule(), second in a_schedule(), before in acts(), after in acts(),
    ) {
        let mut run = Run::new([first, second], true);
        run.all(&before);
        run.act(&Act::Command("lock because=Cleaning"));
        prop_assert!(!run.watch.on.values().any(|on| *on), "off at once");
        let from = run.effects.len();
        for act in after.iter().filter(|act| !matches!(act, Act::Command("unlock"))) {
            run.act(act);
        }
        prop_assert!(run.locked);
        let told_on = |effect: &String| effect.contains("\"switch\":true");
        prop_assert!(!run.effects[from..].iter().any(told_on), "an order to be on");
        // And it was the lock that kept them off: a cold beer is heated again without it.
        let from = run.effects.len();
        run.act(&Act::Store(true));
        run.act(&Act::Command("unlock"));
        run.act(&Act::Command("abort"));
        run.act(&Act::Command("stop"));
        run.act(&Act::Command("acknowledge"));
        run.act(&Act::Command("park target=14 C"));
        run.act(&Act::Beer(12.0));
        run.act(&Act::Wait(3 * 3_600_000));
        let view = run.engine.view(&north());
        prop_assert!(run.effects[from..].iter().any(told_on), "{view:?}");
    }

    /// The vessel's own limits: no schedule and no command cools a beer below `coldest`, or heats
    /// one above `warmest`.
    #[test]
    fn no_order_drives_a_beer_on_past_the_vessels_limits(
        first in a_schedule(), second in a_schedule(), acts in acts(), warm in any::<bool>(),
    ) {
        let mut run = Run::new([first, second], true);
        run.all(&acts);
        let cold = (-0.4, OutputKind::Chiller);
        let (beer, output) = if warm { (26.5, OutputKind::Heater) } else { cold };
        // Three readings that agree end whatever the probe did before.
        for _ in 0..4 {
            run.act(&Act::Beer(beer));
            run.act(&Act::Wait(60_000));
        }
        for act in acts.iter().filter(|act| !matches!(act, Act::Beer(_))) {
            run.act(act);
            let on = run.watch.on.get(&output).copied().unwrap_or(false);
            prop_assert!(!on, "{output:?} is on at {beer} °C");
        }
    }

    #[test]
    fn a_state_that_was_stored_goes_on_exactly_alike(
        first in a_schedule(), second in a_schedule(), acts in acts(),
    ) {
        let mut whole = Run::new([first.clone(), second.clone()], false);
        let mut broken = Run::new([first, second], true);
        whole.all(&acts);
        broken.all(&acts);
        prop_assert_eq!(&whole.effects, &broken.effects);
        let text = |run: &Run| serde_json::to_string(run.engine.state()).unwrap();
        prop_assert_eq!(text(&whole), text(&broken));
    }

    #[test]
    fn any_numbers_from_any_device_are_survived(
        numbers in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>(), 0..6u8), 1..60),
    ) {
        let mut run = Run::new([plain(), plain()], false);
        run.act(&Act::Pitch(0));
        for (k, (gravity, celsius, percent, form)) in numbers.into_iter().enumerate() {
            run.monotonic = START + k as i64 * 600_000;
            run.wall = run.monotonic;
            run.watch.real = run.monotonic;
            let gravity = match form {
                0 => RawGravity::Plato(gravity),
                1 => RawGravity::Brix(gravity),
                2 => RawGravity::Degrees(gravity),
                _ => RawGravity::Sg(gravity),
            };
            let values = Values {
                gravity: Some(gravity),
                temperature_c: Some(celsius),
                battery_percent: Some(percent),
            };
            let source = if form == 5 { "beer" } else { "float" }.to_owned();
            let (vessel, retained) = (north(), form == 4);
            let reading = Reading { vessel, source, taken: None, retained, values };
            run.give(Input::Reading(reading));
            let text = serde_json::to_string(run.engine.state()).unwrap();
            let state: State = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(&state, run.engine.state());
        }
    }
}

fn plain() -> Schedule {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    a_schedule().new_tree(&mut runner).unwrap().current()
}

#[test]
fn a_flood_of_garbage_leaves_the_state_small() {
    let mut run = Run::new([plain(), plain()], false);
    run.act(&Act::Pitch(0));
    let size = |run: &Run| serde_json::to_string(run.engine.state()).unwrap().len();
    let mut sizes = Vec::new();
    for k in 0..20_000u32 {
        run.monotonic += 500;
        run.wall = run.monotonic;
        let source = format!("stranger-{k}");
        let (vessel, taken, problem) = (north(), None, "no number".to_owned());
        if k % 2 == 0 {
            run.give(Input::Unreadable { vessel, source, problem });
        } else {
            let values = Values { gravity: Some(RawGravity::Sg(1.04)), ..Values::default() };
            let reading = Reading { vessel, source, taken, retained: k % 4 == 1, values };
            run.give(Input::Reading(reading));
        }
        run.effects.clear();
        if k % 10_000 == 9_999 {
            sizes.push(size(&run));
        }
    }
    // Between the two lie one or two hours' marks of what the outputs did.
    assert!(sizes[1] < sizes[0] + 400 && sizes[1] < 60_000, "{sizes:?}");
    assert!(run.records.len() < 300, "{} records", run.records.len());
}

#[test]
fn a_flood_of_commands_is_forgotten_in_time() {
    let mut run = Run::new([plain(), plain()], false);
    for k in 0..6_000u32 {
        run.monotonic += 1_000;
        run.wall = run.monotonic;
        run.give(Input::from(CommandInput {
            vessel: north(),
            id: Some(format!("{k:0>200}")),
            by: None,
            command: Err("no such thing".to_owned()),
            schedule: None,
            calibration: None,
            history: Vec::new(),
        }));
        run.effects.clear();
    }
    let size = serde_json::to_string(run.engine.state()).unwrap().len();
    assert!((800_000..1_200_000).contains(&size), "{size}");
}
