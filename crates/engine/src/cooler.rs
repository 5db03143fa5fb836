//! A cold source that several vessels' valves share: any open valve runs it, and the compressor's
//! rest is its own.
//!
//! Decided after the vessels, from what their valves were told. Pure like the rest: state in,
//! orders out. Whose turn it is where not all valves may be open is decided in [`crate::valve`].

use crate::OutputKind;
use crate::alarm::{Condition, Rule, rules};
use crate::context::Journal;
use crate::effect::{CoolerDrive, Effect};
use crate::engine::{Engine, note_daemon};
use crate::input::Reading;
use crate::outputs::{ASK_AGAIN, OLD_REPORT};
use crate::record::Kind;
use crate::setup::Setup;
use crate::time::Clock;
use crate::valve::Turn;
use crate::vessel::Vessel;
use crate::view;
use quantity::{Show, Span, Stamp, Temperature};
use schedule::Name;
use schedule::config;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;

/// A reservoir is cold enough this far below its target, in K: a call does not freeze it.
const COLD_ENOUGH_K: f64 = 0.5;
/// Where no valve calls, it is cooled again when it is this far above, in K.
const WARM_K: f64 = 1.0;
/// A reservoir's reading counts for three of its intervals, but no less than this.
const RESERVOIR_LASTS: Span = Span::from_mins(10);
/// What a probe in a reservoir cannot say, in °C: below and above it is broken.
const POSSIBLE_C: std::ops::RangeInclusive<f64> = -40.0..=60.0;
/// Readings of a reservoir that are refused are told this often.
const REFUSALS_EVERY: Span = Span::from_hours(1);

/// The state of one shared cooler.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Cooler {
    /// Since when it is on; `None` while off.
    on_since: Option<Stamp>,
    /// Its rest is counted from here: the end of its last run, or a start that does not tell.
    rests_since: Stamp,
    /// What it was told last: on or off, its setpoint, and when.
    told: bool,
    setpoint: Option<Temperature>,
    told_at: Option<Stamp>,
    switched_at: Option<Stamp>,
    /// What its relay said of itself, and when.
    seen: Option<(bool, Stamp)>,
    /// The reservoir's last reading, in °C.
    reservoir: Option<(Stamp, f64)>,
    /// What the broker had kept of it, of any age: only shown.
    retained: Option<f64>,
    refused_at: Option<Stamp>,
    because: Why,
    /// Whose turn it is, where not all valves may be open at once.
    pub turns: BTreeMap<Name, Turn>,
    started_at: Stamp,
}

/// Why a cooler does what it does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
enum Why {
    Called(Vec<Name>),
    ColdEnough { reservoir_c: f64 },
    Ends,
    KeepsCold { reservoir_c: f64 },
    MinOn { until: Stamp },
    NobodyCalls,
    NotInUse,
    Resting { until: Stamp },
}

/// What a cooler shall do.
struct Decision {
    on: bool,
    setpoint: Option<Temperature>,
    because: Why,
}

impl Cooler {
    /// Off, and as if it had just stopped.
    pub fn new(now: Stamp) -> Self {
        Cooler {
            on_since: None,
            rests_since: now,
            told: false,
            setpoint: None,
            told_at: None,
            switched_at: None,
            seen: None,
            reservoir: None,
            retained: None,
            refused_at: None,
            because: Why::NobodyCalls,
            turns: BTreeMap::new(),
            started_at: now,
        }
    }

    /// A new process: it is off, and has just stopped where it was on, or where the end of the
    /// process before was not `seen`.
    pub fn restarted(&mut self, now: Stamp, seen: bool) {
        if self.on_since.take().is_some() || !seen {
            self.rests_since = now;
        }
        (self.told, self.setpoint, self.told_at) = (false, None, None);
        (self.switched_at, self.seen) = (None, None);
        self.started_at = now;
    }

    /// As [`crate::vessel::Vessel::forget_temperatures`].
    pub fn forget_reservoir(&mut self) {
        self.reservoir = None;
    }

    /// Time away came to light after the start: what was counted since goes on as before.
    pub fn slept(&mut self, started: Stamp, away: Span) {
        let shift = |at: &mut Stamp| {
            if *at >= started {
                *at = *at + away;
            }
        };
        // Its rest is not served by time away that came to light late.
        self.rests_since = self.rests_since + away;
        self.on_since.iter_mut().for_each(shift);
        self.told_at.iter_mut().for_each(shift);
        self.switched_at.iter_mut().for_each(shift);
        self.refused_at.iter_mut().for_each(shift);
        shift(&mut self.started_at);
        if let Some((_, at)) = &mut self.seen {
            shift(at);
        }
        if let Some((at, _)) = &mut self.reservoir {
            shift(at);
        }
        for turn in self.turns.values_mut() {
            turn.slept(started, away);
        }
    }

    /// Whether it is told to be on, or has a setpoint.
    pub fn is_on(&self) -> bool {
        self.told
    }

    /// The reservoir's temperature, in °C, where it is known.
    fn reservoir_now(&self, config: &config::Cooler, now: Stamp) -> Option<f64> {
        let every = config.reservoir.as_ref()?.every;
        let (at, celsius) = self.reservoir?;
        (now.since(at) < (every * 3).max(RESERVOIR_LASTS)).then_some(celsius)
    }

    /// What is wanted, its rests apart.
    fn wish(&self, config: &config::Cooler, calls: Vec<Name>, now: Stamp) -> (bool, Why) {
        let reservoir = self.reservoir_now(config, now).zip(config.target);
        let Some((reservoir_c, target)) = reservoir else {
            return if calls.is_empty() {
                (false, Why::NobodyCalls)
            } else {
                (true, Why::Called(calls))
            };
        };
        let above = reservoir_c - target.celsius();
        let runs = self.on_since.is_some();
        if above <= if runs { -COLD_ENOUGH_K } else { 0.0 } {
            return (false, Why::ColdEnough { reservoir_c });
        }
        if !calls.is_empty() {
            return (true, Why::Called(calls));
        }
        let warm = above >= if runs { 0.0 } else { WARM_K };
        let keeps = Why::KeepsCold { reservoir_c };
        if warm { (true, keeps) } else { (false, Why::ColdEnough { reservoir_c }) }
    }

    fn decide(&mut self, config: &config::Cooler, calls: Vec<Name>, now: Stamp) -> Decision {
        let output = &config.output;
        let (wanted, why) = self.wish(config, calls, now);
        if output.drive == config::Drive::Setpoint {
            // A thermostat cycles by itself: where there is a reservoir, it keeps that.
            let keeps = self.reservoir_now(config, now).is_some();
            let setpoint = config.target.filter(|_| wanted || keeps);
            return Decision { on: setpoint.is_some(), setpoint, because: why };
        }
        let (on, because) = match (self.on_since, wanted) {
            (Some(since), false) if since + output.min_on > now => {
                (true, Why::MinOn { until: since + output.min_on })
            }
            (None, true) if self.rests_since + output.min_off > now => {
                (false, Why::Resting { until: self.rests_since + output.min_off })
            }
            (_, wanted) => (wanted, why),
        };
        self.run(on, now);
        let setpoint = config.target.filter(|_| on && output.drive == config::Drive::Both);
        Decision { on, setpoint, because }
    }

    fn run(&mut self, on: bool, now: Stamp) {
        match (self.on_since, on) {
            (None, true) => self.on_since = Some(now),
            (Some(_), false) => {
                self.on_since = None;
                self.rests_since = now;
            }
            _ => {}
        }
    }

    /// What its relay was told and what it says instead.
    fn disagreement(&self, config: &config::Cooler, now: Stamp) -> Option<(bool, bool)> {
        let (seen, at) = self.seen?;
        let by_switch = config.output.drive != config::Drive::Setpoint;
        let patient = self
            .switched_at
            .is_some_and(|switched| at < switched && now.since(switched) < OLD_REPORT);
        (by_switch && seen != self.told && !patient).then_some((self.told, seen))
    }

    /// What its device is to get now.
    fn drive(&self, name: &Name, config: &config::Cooler, refresh: Span) -> CoolerDrive {
        let drive = config.output.drive;
        CoolerDrive {
            cooler: name.clone(),
            switch: (drive != config::Drive::Setpoint).then_some(self.told),
            setpoint: (drive != config::Drive::Switch).then_some(self.setpoint),
            valid_for: refresh * 3,
        }
    }

    fn because(&self, clock: &Clock, show: Show) -> String {
        let wall = |at: Stamp| clock.wall_of(at);
        let t = |celsius: f64| show.temperature(Temperature::clamped(celsius));
        match &self.because {
            Why::Called(names) => {
                let names: Vec<&str> = names.iter().map(Name::as_str).collect();
                let call = if names.len() == 1 { "calls" } else { "call" };
                format!("{} {call}", names.join(" and "))
            }
            Why::ColdEnough { reservoir_c } => {
                format!("the reservoir, at {}, is cold enough", t(*reservoir_c))
            }
            Why::Ends => "the program ends".to_owned(),
            Why::KeepsCold { reservoir_c } => {
                format!("the reservoir, at {}, is kept cold", t(*reservoir_c))
            }
            Why::MinOn { until } => format!("its shortest run lasts until {}", wall(*until)),
            Why::NobodyCalls => "no valve calls".to_owned(),
            Why::NotInUse => "it is out of use".to_owned(),
            Why::Resting { until } => format!("the compressor rests until {}", wall(*until)),
        }
    }
}

impl Engine {
    /// Whether a shared cooler runs; `None` for a name that is none.
    pub fn cooler(&self, name: &Name) -> Option<bool> {
        self.setup.coolers.get(name)?;
        Some(self.state.coolers.get(name).is_some_and(Cooler::is_on))
    }

    /// The shared coolers, by name.
    pub fn coolers(&self) -> impl Iterator<Item = &Name> {
        self.setup.coolers.keys()
    }

    /// What every shared cooler is told now: for a broker that may have forgotten it.
    pub fn cooler_orders(&self) -> Vec<CoolerDrive> {
        let in_use = |(_, config): &(&Name, &config::Cooler)| !config.output.out_of_use;
        let coolers = self.setup.coolers.iter().filter(in_use);
        let known = coolers.filter_map(|(name, config)| {
            let cooler = self.state.coolers.get(name)?;
            Some(cooler.drive(name, config, self.bonds.refresh_of(name)))
        });
        known.collect()
    }

    /// The cooler that this vessel's valve is on, as it stands.
    pub(crate) fn cooler_view(&self, vessel: &Name) -> Option<view::Cooler> {
        let name = self.setup.vessels.get(vessel)?.config.chiller.as_ref()?.from.as_ref()?;
        let (config, clock) = (self.setup.coolers.get(name)?, self.state.clock.as_ref()?);
        let cooler = self.state.coolers.get(name)?;
        let reservoir = cooler.reservoir_now(config, clock.steady);
        Some(view::Cooler {
            name: name.to_string(),
            on: cooler.told,
            reservoir_c: reservoir.or(cooler.retained),
            target_c: config.target.map(Temperature::celsius),
            because: cooler.because(clock, self.setup.show),
        })
    }

    /// Decides on every shared cooler, once the vessels have decided on their valves.
    pub(crate) fn settle_coolers(&mut self, journal: &mut Journal<'_>) {
        let Engine { setup, state, bonds, .. } = self;
        let Some(clock) = &state.clock else { return };
        let (now, link) = (clock.steady, state.link());
        for (name, config) in &setup.coolers {
            let cooler = state.coolers.entry(name.clone()).or_insert_with(|| Cooler::new(now));
            if config.output.out_of_use {
                cooler.because = Why::NotInUse;
                continue;
            }
            let drawing = bonds.drawing(name);
            crate::valve::take_turns(cooler, config.at_once, drawing, &mut state.vessels, now);
            let open =
                |vessel: &Vessel| vessel.told.get(&OutputKind::Chiller).is_some_and(|told| told.on);
            let calls = drawing.iter().filter(|name| state.vessels.get(*name).is_some_and(open));
            let calls = calls.cloned().collect();
            let decision = cooler.decide(config, calls, now);
            let refresh = bonds.refresh_of(name);
            tell(cooler, (name, config), (decision, refresh), (setup, clock), journal);
            // A broker that is away is told once.
            let raised = |rule: Rule| state.alarms.is_raised(rule.id, name.as_str());
            let silent = reservoir_silent(cooler, name, config, now).filter(|_| {
                let lasts = config.reservoir.as_ref().map_or(Span::ZERO, reservoir_lasts);
                raised(rules::RESERVOIR_SILENT) || !link.explains_silence(now, lasts)
            });
            let disagrees = disagrees(cooler, name, config, now)
                .filter(|_| raised(rules::OUTPUT_DISAGREES) || !link.down);
            let at = clock.wall_of(now);
            for (rule, condition) in
                [(rules::RESERVOIR_SILENT, silent), (rules::OUTPUT_DISAGREES, disagrees)]
            {
                let change = state.alarms.update(rule, Some(name.as_str()), condition, now);
                note_daemon(at, change, journal);
            }
        }
    }

    /// An orderly end: every cooler is told to be off, also where it was.
    pub(crate) fn coolers_off(&mut self, journal: &mut Journal<'_>) {
        let Engine { setup, state, bonds, .. } = self;
        let Some(clock) = &state.clock else { return };
        for (name, config) in &setup.coolers {
            let in_use = !config.output.out_of_use;
            let Some(cooler) = state.coolers.get_mut(name).filter(|_| in_use) else { continue };
            cooler.run(false, clock.steady);
            cooler.told_at = None;
            let decision = Decision { on: false, setpoint: None, because: Why::Ends };
            let refresh = bonds.refresh_of(name);
            tell(cooler, (name, config), (decision, refresh), (setup, clock), journal);
        }
    }

    /// Takes the report of a reservoir's probe; a name that is no cooler is nobody.
    pub(crate) fn take_reservoir(&mut self, reading: &Reading, journal: &mut Journal<'_>) {
        let name = &reading.vessel;
        let probe = self.setup.coolers.get(name).and_then(|config| config.reservoir.as_ref());
        let Some(probe) = probe.filter(|_| reading.source == "reservoir") else {
            return self.refuse_of_cooler(name, "there is no such source", journal);
        };
        let said = reading.values.temperature_c.map(|celsius| celsius + probe.offset.kelvin());
        let Some(celsius) = said.filter(|celsius| POSSIBLE_C.contains(celsius)) else {
            return self.refuse_of_cooler(name, "no reservoir has such a temperature", journal);
        };
        let Some(now) = self.state.clock.map(|clock| clock.steady) else { return };
        let cooler = self.state.coolers.entry(name.clone()).or_insert_with(|| Cooler::new(now));
        if reading.retained {
            cooler.retained = Some(celsius);
        } else {
            cooler.reservoir = Some((now, celsius));
            cooler.retained = None;
        }
    }

    /// Takes what a cooler's relay says of itself.
    pub(crate) fn take_cooler_seen(
        &mut self,
        name: &Name,
        on: Option<bool>,
        journal: &mut Journal<'_>,
    ) {
        let Some(on) = on else {
            let problem = "it is neither of the two words that its `seen` has";
            return self.refuse_of_cooler(name, problem, journal);
        };
        let Some(now) = self.state.clock.map(|clock| clock.steady) else { return };
        if let Some(cooler) = self.state.coolers.get_mut(name) {
            cooler.seen = Some((on, now));
        }
    }

    /// Records that a cooler's device was not understood, now and then.
    pub(crate) fn refuse_of_cooler(
        &mut self,
        name: &Name,
        problem: &str,
        journal: &mut Journal<'_>,
    ) {
        let Some(clock) = self.state.clock else { return };
        let Some(cooler) = self.state.coolers.get_mut(name) else { return };
        if cooler.refused_at.is_some_and(|at| clock.steady.since(at) < REFUSALS_EVERY) {
            return;
        }
        cooler.refused_at = Some(clock.steady);
        let text = format!("A reading of the cooler {name} was refused: {problem}.");
        let data = json!({ "cooler": name, "source": "reservoir", "reason": problem });
        let at = clock.wall_of(clock.steady);
        journal.record(at, None, None, Kind::ReadingRefused, text, data);
    }
}

/// Tells a cooler what to do: on a change and every `refresh`.
fn tell(
    cooler: &mut Cooler,
    (name, config): (&Name, &config::Cooler),
    (decision, refresh): (Decision, Span),
    (setup, clock): (&Setup, &Clock),
    journal: &mut Journal<'_>,
) {
    let Decision { on, setpoint, because } = decision;
    cooler.because = because;
    let now = clock.steady;
    let switched = cooler.told != on;
    let asked_again = cooler.seen.is_some_and(|(seen, _)| seen != on)
        && config.output.drive != config::Drive::Setpoint;
    let wait = if asked_again { ASK_AGAIN.min(refresh) } else { refresh };
    let due = cooler.told_at.is_none_or(|at| now.since(at) >= wait);
    if !(switched || due || cooler.setpoint != setpoint) {
        return;
    }
    (cooler.told, cooler.setpoint, cooler.told_at) = (on, setpoint, Some(now));
    if switched {
        cooler.switched_at = Some(now);
        let because = cooler.because(clock, setup.show);
        let text = format!("Cooler {name} {}: {because}.", if on { "on" } else { "off" });
        let data = json!({
            "cooler": name, "output": "cooler", "on": on, "because": because,
            "reservoir_c": cooler.reservoir_now(config, now),
        });
        journal.record(clock.wall_of(now), None, None, Kind::OutputSwitched, text, data);
    }
    journal.effects.push(Effect::Cool(cooler.drive(name, config, refresh)));
}

/// A reservoir that was not heard for so long is not known.
fn reservoir_lasts(probe: &config::Probe) -> Span {
    (probe.every * 3).max(RESERVOIR_LASTS)
}

fn reservoir_silent(
    cooler: &Cooler,
    name: &Name,
    config: &config::Cooler,
    now: Stamp,
) -> Option<Condition> {
    let probe = config.reservoir.as_ref()?;
    let heard = cooler.reservoir.map_or(cooler.started_at, |(at, _)| at.max(cooler.started_at));
    let silent = now.since(heard);
    (silent >= reservoir_lasts(probe)).then(|| {
        let text = format!(
            "the probe in the reservoir of {name} has been silent for {silent}: it runs only while \
             a valve calls. Look at the probe"
        );
        Condition::new(text, json!({ "cooler": name, "silent_s": silent.secs() }))
    })
}

fn disagrees(
    cooler: &Cooler,
    name: &Name,
    config: &config::Cooler,
    now: Stamp,
) -> Option<Condition> {
    let (told, seen) = cooler.disagreement(config, now)?;
    let word = |on| if on { "on" } else { "off" };
    let text = format!(
        "the cooler {name} was told to be {} and reports {}; it is asked again. Look at the relay",
        word(told),
        word(seen)
    );
    Some(Condition::new(text, json!({ "cooler": name, "told": told, "seen": seen })))
}
