//! The engine's one door: an input and its time in, effects out.

use crate::alarm::{AlarmBook, Change, Condition, rules};
use crate::bonds::Bonds;
use crate::context::{Context, Journal, Link};
use crate::cooler::Cooler;
use crate::effect::{Drive, Effect, Reply};
use crate::guard::{self, Faults};
use crate::input::{CommandInput, Input};
use crate::past::Past;
use crate::record::Kind;
use crate::setup::{Setup, VesselSetup};
use crate::time::{Clock, ClockEvent, Now};
use crate::vessel::Vessel;
use crate::view;
use quantity::{Span, Stamp, Temperature};
use schedule::Name;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// The version of [`State`]; raised when an older program could not go on from it.
pub const STATE_VERSION: u32 = 1;

/// All vessels, their setup and their state.
#[derive(Debug, Clone)]
pub struct Engine {
    pub(crate) setup: Setup,
    pub(crate) state: State,
    /// What ties the setup's vessels together.
    pub(crate) bonds: Bonds,
    /// Whether each vessel of the setup is in the state.
    complete: bool,
    /// Whether a panic in one vessel's handling is survived.
    pub(crate) guarded: bool,
}

/// What a broker that is away explains: `link-down` alone is told.
const STANDS_FOR: [&str; 4] = [
    rules::BEER_SILENT.id,
    rules::GRAVITY_SILENT.id,
    rules::OUTPUT_DISAGREES.id,
    rules::RESERVOIR_SILENT.id,
];

/// All that must survive the process: stored whole, restored whole, it goes on exactly alike.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// The last record's number.
    seq: u64,
    pub(crate) clock: Option<Clock>,
    store_problem: Option<String>,
    link_down: bool,
    /// Steady time at which the broker came back last.
    #[serde(default)]
    link_back: Option<Stamp>,
    /// Alarms that all vessels share.
    pub(crate) alarms: AlarmBook,
    pub(crate) vessels: BTreeMap<Name, Vessel>,
    pub(crate) coolers: BTreeMap<Name, Cooler>,
    past: Past,
    /// The process ended in order: what its outputs did last is on record.
    #[serde(default)]
    ended: bool,
    /// Vessels whose handling panicked.
    #[serde(default)]
    pub(crate) faults: Faults,
}

/// A vessel's outputs and run in one line, for `pipe`.
#[derive(Debug, Clone, PartialEq)]
pub struct Glance {
    /// `idle`, `running`, `held`, `stopped`, `aborted` or `complete`.
    pub run: &'static str,
    /// The running stage's name.
    pub stage: Option<String>,
    /// The setpoint.
    pub setpoint: Option<Temperature>,
    /// Whether its own outputs are locked off.
    pub locked: bool,
    /// Whether the heater is on, or has a setpoint.
    pub heater: bool,
    /// Whether the chiller is on, or has a setpoint.
    pub chiller: bool,
}

impl State {
    /// How the devices are heard.
    pub(crate) fn link(&self) -> Link {
        Link { down: self.link_down, back: self.link_back }
    }
}

impl Engine {
    /// An engine that nothing has happened to.
    pub fn new(setup: Setup) -> Self {
        let state = State {
            seq: 0,
            clock: None,
            store_problem: None,
            link_down: false,
            link_back: None,
            alarms: AlarmBook::default(),
            vessels: BTreeMap::new(),
            coolers: BTreeMap::new(),
            past: Past::default(),
            ended: false,
            faults: Faults::default(),
        };
        Self::restore(setup, state)
    }

    /// An engine that goes on from a stored state, under what may be a new setup.
    pub fn restore(setup: Setup, state: State) -> Self {
        Engine { bonds: Bonds::of(&setup), setup, state, complete: false, guarded: false }
    }

    /// What must be stored.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// The last record's number.
    pub fn last_seq(&self) -> u64 {
        self.state.seq
    }

    /// The vessels, by name.
    pub fn vessels(&self) -> impl Iterator<Item = &Name> {
        self.setup.vessels.keys()
    }

    /// Lets time pass to `now`, takes the input, and returns all that the driver must do, in
    /// order.
    ///
    /// Repeating a [`Input::Tick`] at the same `now` returns nothing, so waking early is harmless.
    /// A monotonic time that falls counts as none passing, except at [`Input::Started`]. What
    /// concerns one vessel brings only that one to `now`; a tick brings all.
    pub fn handle(&mut self, now: Now, input: Input) -> Vec<Effect> {
        let started = matches!(input, Input::Started { .. });
        let stopping = input == Input::Stopping;
        let before = self.state.clock.map(|clock| clock.steady);
        let event = self.pass(now, started);
        let mut seq = self.state.seq;
        let mut journal = Journal::new(&mut seq);
        self.clock_events(event, &mut journal);
        let early = before.is_some() && before == self.state.clock.map(|clock| clock.steady);
        // A reading at this same instant brought only its own vessel to the present.
        let all = || self.state.vessels.values().all(|v| Some(v.settled_at) == before);
        if !(early && input == Input::Tick && all()) {
            self.take(input, &mut journal);
            if !stopping {
                self.look_at_fridges(&mut journal);
                self.settle_coolers(&mut journal);
            }
        }
        let Journal { effects, lessons, .. } = journal;
        self.state.seq = seq;
        for lesson in lessons {
            self.state.past.learn(lesson);
        }
        effects
    }

    /// The view of a vessel; `None` for a name that is not in the setup.
    pub fn view(&self, name: &Name) -> Option<view::State> {
        let (vessel, setup, clock) = self.parts(name)?;
        guard::look(self.guarded, || {
            let mut seq = 0;
            let mut journal = Journal::new(&mut seq);
            let cx = self.context(name, setup, clock, &mut journal);
            let cooler = self.cooler_view(name);
            Some(view::State { cooler, ..vessel.look(&cx, &self.state.alarms) })
        })
    }

    /// What came of the vessel's batch.
    pub fn summary(&self, name: &Name) -> Option<view::Summary> {
        let (vessel, setup, clock) = self.parts(name)?;
        let mut seq = 0;
        let mut journal = Journal::new(&mut seq);
        let cx = self.context(name, setup, clock, &mut journal);
        vessel.summary(&cx)
    }

    /// A vessel's run, setpoint and outputs.
    pub fn glance(&self, name: &Name) -> Option<Glance> {
        let (vessel, ..) = self.parts(name)?;
        let on = |kind| vessel.told.get(&kind).is_some_and(|told| told.on);
        Some(Glance {
            run: vessel.run.as_str(),
            stage: vessel.stage_name(),
            setpoint: vessel.setpoint,
            locked: vessel.locked.is_some(),
            heater: on(crate::OutputKind::Heater),
            chiller: on(crate::OutputKind::Chiller),
        })
    }

    /// What every output is told now: for a broker that may have forgotten it.
    pub fn orders(&self) -> Vec<Drive> {
        let vessels = self.setup.vessels.iter();
        let known = vessels.filter_map(|(name, setup)| {
            self.state.vessels.get(name).map(|vessel| vessel.orders(name, setup))
        });
        known.flatten().collect()
    }

    /// Numbers go on after `seq`, where more is on record than this engine knows of.
    pub fn continue_after(&mut self, seq: u64) {
        self.state.seq = self.state.seq.max(seq);
    }

    /// The file of the schedule that the vessel's batch was pitched with, without its ending.
    pub fn schedule_file(&self, name: &Name) -> Option<&str> {
        let batch = self.state.vessels.get(name)?.batch.as_ref()?;
        Some(&batch.file)
    }

    /// The wall time of the last input.
    pub fn last_wall(&self) -> Option<Stamp> {
        self.state.clock.map(|clock| clock.wall_of(clock.steady))
    }

    fn parts(&self, name: &Name) -> Option<(&Vessel, &VesselSetup, &Clock)> {
        let vessel = self.state.vessels.get(name)?;
        let setup = self.setup.vessels.get(name)?;
        Some((vessel, setup, self.state.clock.as_ref()?))
    }

    fn context<'a, 'j>(
        &'a self,
        name: &'a Name,
        setup: &'a VesselSetup,
        clock: &'a Clock,
        journal: &'a mut Journal<'j>,
    ) -> Context<'a, 'j> {
        Context {
            now: clock.steady,
            clock,
            show: self.setup.show,
            name,
            setup,
            store_failing: self.state.store_problem.is_some(),
            daemon_alarms: &self.state.alarms,
            link: self.state.link(),
            past: &self.state.past,
            journal,
        }
    }

    /// Lets time pass on both clocks; vessels of a new setup begin to exist.
    fn pass(&mut self, now: Now, started: bool) -> ClockEvent {
        let mut event = ClockEvent::Steady;
        let steady = match &mut self.state.clock {
            None => {
                let clock = Clock::new(now);
                self.state.clock = Some(clock);
                clock.steady
            }
            Some(clock) => {
                if started {
                    clock.restart(now);
                } else {
                    event = clock.advance(now);
                }
                clock.steady
            }
        };
        let Some(clock) = self.state.clock else { return event };
        if !self.complete {
            self.complete_vessels(steady);
        }
        if started {
            self.state.store_problem = None;
            let seen = std::mem::take(&mut self.state.ended);
            for vessel in self.state.vessels.values_mut() {
                vessel.restarted(steady, seen);
                vessel.forget_temperatures();
            }
            for cooler in self.state.coolers.values_mut() {
                cooler.restarted(steady, seen);
                cooler.forget_reservoir();
            }
        }
        if let ClockEvent::Stepped { away: Some(away), .. } = event {
            for vessel in self.state.vessels.values_mut() {
                vessel.slept(clock.started_before(away), away);
            }
            for cooler in self.state.coolers.values_mut() {
                cooler.slept(clock.started_before(away), away);
            }
        }
        event
    }

    /// Vessels of a new setup begin to exist; none is locked by a fridge that it shares no more.
    fn complete_vessels(&mut self, steady: Stamp) {
        for name in self.setup.vessels.keys() {
            if !self.state.vessels.contains_key(name) {
                self.state.vessels.insert(name.clone(), Vessel::new(steady));
            }
        }
        for (name, vessel) in &mut self.state.vessels {
            if !self.bonds.hosts.contains(name) {
                vessel.locked_with = None;
            }
        }
        self.complete = true;
    }

    fn clock_events(&mut self, event: ClockEvent, journal: &mut Journal<'_>) {
        let Some(clock) = self.state.clock else { return };
        let steady = event == ClockEvent::Steady;
        if steady && clock.doubtful_until.is_none() && self.state.alarms.is_quiet() {
            return;
        }
        let at = clock.wall_of(clock.steady);
        if let ClockEvent::Stepped { millis, away } = event {
            let size = Span::from_millis(millis.abs());
            let side = if millis > 0 { "forward" } else { "back" };
            let what = match away {
                Some(away) => format!("soon after a start, so {away} of it count as time away"),
                None => "no span moved by it".to_owned(),
            };
            let text = format!("The wall clock stepped {side} by {size}; {what}.");
            let data = json!({ "step_s": millis as f64 / 1e3, "away_s": away.map(Span::secs) });
            journal.record(at, None, None, Kind::ClockStepped, text, data);
        }
        let doubtful = clock.doubtful_until.map(|until| {
            let text = format!(
                "the clock is behind the last record of {until}; time milestones wait until it has \
                 passed that, or a person acknowledges. Look at the machine's date; where it is \
                 right, acknowledge"
            );
            Condition::new(text, json!({ "last_record": until.rfc3339() }))
        });
        let change = self.state.alarms.update(rules::CLOCK_DOUBTFUL, None, doubtful, clock.steady);
        if change.is_some() {
            self.look_anew();
        }
        note_daemon(at, change, journal);
    }

    /// Something changed that all milestones may depend on.
    fn look_anew(&mut self) {
        for vessel in self.state.vessels.values_mut() {
            vessel.fresh = true;
        }
    }

    fn take(&mut self, input: Input, journal: &mut Journal<'_>) {
        match input {
            Input::Started { version } => {
                let text = format!("barmkeep {version} began.");
                self.note(journal, Kind::DaemonStarted, text, json!({ "version": version }));
            }
            Input::Stopping => return self.stop(journal),
            Input::Tick => {}
            Input::Reading(reading) if self.setup.coolers.contains_key(&reading.vessel) => {
                return self.take_reservoir(&reading, journal);
            }
            Input::Reading(reading) => {
                self.with(&reading.vessel, journal, |vessel, cx| {
                    vessel.take_reading(cx, &reading);
                    vessel.settle(cx);
                });
                return;
            }
            Input::Unreadable { vessel, problem, .. }
                if self.setup.coolers.contains_key(&vessel) =>
            {
                return self.refuse_of_cooler(&vessel, &problem, journal);
            }
            Input::Unreadable { vessel, source, problem } => {
                self.with(&vessel, journal, |vessel, cx| {
                    vessel.take_unreadable(cx, &source, &problem);
                });
                return;
            }
            Input::Seen { vessel, on, .. } if self.setup.coolers.contains_key(&vessel) => {
                return self.take_cooler_seen(&vessel, on, journal);
            }
            Input::Seen { vessel, output, on } => {
                self.with(&vessel, journal, |vessel, cx| {
                    vessel.take_seen(cx, output, on);
                    vessel.settle(cx);
                });
                return;
            }
            Input::Command(command) => return self.command(&command, journal),
            Input::Link { up } => {
                if self.state.link_down && up {
                    self.state.link_back = self.state.clock.map(|clock| clock.steady);
                }
                self.state.link_down = !up;
            }
            Input::Store { problem } => {
                self.state.store_problem = problem;
                self.look_anew();
            }
        }
        self.watch_daemon(journal);
        self.each(journal, Vessel::settle);
    }

    /// An orderly end: outputs off, and that is the last word.
    fn stop(&mut self, journal: &mut Journal<'_>) {
        self.each(journal, Vessel::settle);
        self.each(journal, Vessel::all_off);
        self.coolers_off(journal);
        self.state.ended = true;
        let text = "barmkeep ended in order; all outputs are off.".to_owned();
        self.note(journal, Kind::DaemonStopped, text, json!({}));
    }

    /// Time passes under the old order before a command gives a new one.
    fn command(&mut self, input: &CommandInput, journal: &mut Journal<'_>) {
        if !self.setup.vessels.contains_key(&input.vessel) {
            let known: Vec<&str> = self.setup.vessels.keys().map(Name::as_str).collect();
            let text = format!("there is no vessel `{}`: {}", input.vessel, known.join(", "));
            let (vessel, id) = (input.vessel.clone(), input.id.clone());
            journal.effects.push(Effect::Reply(Reply { vessel, id, ok: false, text }));
            return;
        }
        let mut done = false;
        self.with(&input.vessel, journal, Vessel::settle);
        self.look_across(input, journal);
        let before = self.before_crossing(input, journal);
        let performed =
            self.with(&input.vessel, journal, |vessel, cx| done = vessel.perform(cx, input));
        if !performed {
            self.refuse_for_fault(input, journal);
            return;
        }
        if !self.carry(journal) {
            self.take_back(before, journal);
            self.refuse_for_fault(input, journal);
            return;
        }
        if done {
            self.acknowledge_daemons(input, journal);
        }
        self.with(&input.vessel, journal, Vessel::settle);
    }

    /// Where a batch is to move: brings the other vessel to the present, and asks it.
    fn look_across(&mut self, input: &CommandInput, journal: &mut Journal<'_>) {
        let Ok(crate::Command::Move(asked)) = &input.command else { return };
        let Some((to, setup)) = self.setup.vessels.get_key_value(asked.to.as_str()) else {
            let known: Vec<&str> = self.setup.vessels.keys().map(Name::as_str).collect();
            let text = format!("there is no vessel `{}`: {}", asked.to, known.join(", "));
            journal.crossing.refused = Some(text);
            return;
        };
        if to == &input.vessel {
            journal.crossing.refused = Some(format!("it is in {to} already"));
            return;
        }
        let (to, config, show) = (to.clone(), setup.config.clone(), self.setup.show);
        self.with(&to, journal, Vessel::settle);
        let vessels = (self.state.vessels.get(&to), self.state.vessels.get(&input.vessel));
        if let (Some(vessel), Some(coming)) = vessels {
            journal.crossing.refused = vessel.refuse_arrival(&to, &config, coming, show);
        }
    }

    /// A batch that has left its vessel arrives in the other; `false` where that failed.
    fn carry(&mut self, journal: &mut Journal<'_>) -> bool {
        let Some(load) = journal.crossing.load.take() else { return true };
        let to = load.to.clone();
        self.with(&to, journal, |vessel, cx| {
            vessel.arrive(cx, load);
            vessel.settle(cx);
        })
    }

    /// Adds a record of the daemon's own.
    fn note(&self, journal: &mut Journal<'_>, kind: Kind, text: String, data: Value) {
        let Some(clock) = self.state.clock else { return };
        journal.record(clock.wall_of(clock.steady), None, None, kind, text, data);
    }

    fn each(
        &mut self,
        journal: &mut Journal<'_>,
        mut act: impl FnMut(&mut Vessel, &mut Context<'_, '_>),
    ) {
        let Engine { setup, state, guarded, .. } = self;
        let link = state.link();
        let Some(clock) = &state.clock else { return };
        for (name, vessel_setup) in &setup.vessels {
            let Some(vessel) = state.vessels.get_mut(name) else { continue };
            let mut cx = Context {
                now: clock.steady,
                clock,
                show: setup.show,
                name,
                setup: vessel_setup,
                store_failing: state.store_problem.is_some(),
                daemon_alarms: &state.alarms,
                link,
                past: &state.past,
                journal: &mut *journal,
            };
            guard::act(*guarded, &mut state.faults, vessel, &mut cx, &mut act);
        }
    }

    /// Lets a vessel act; a name that is not in the setup is nobody. `false`: it did not.
    pub(crate) fn with(
        &mut self,
        name: &Name,
        journal: &mut Journal<'_>,
        act: impl FnOnce(&mut Vessel, &mut Context<'_, '_>),
    ) -> bool {
        let Engine { setup, state, guarded, .. } = self;
        let link = state.link();
        let (Some((name, vessel_setup)), Some(clock)) =
            (setup.vessels.get_key_value(name), &state.clock)
        else {
            return false;
        };
        let Some(vessel) = state.vessels.get_mut(name) else { return false };
        let mut cx = Context {
            now: clock.steady,
            clock,
            show: setup.show,
            name,
            setup: vessel_setup,
            store_failing: state.store_problem.is_some(),
            daemon_alarms: &state.alarms,
            link,
            past: &state.past,
            journal,
        };
        guard::act(*guarded, &mut state.faults, vessel, &mut cx, act)
    }

    fn watch_daemon(&mut self, journal: &mut Journal<'_>) {
        let Some(clock) = self.state.clock else { return };
        let at = clock.wall_of(clock.steady);
        let link = self.state.link_down.then(|| {
            let text = "the broker is away, so no device is heard: relays run out by their own \
                        timers, and where a beer's probe has been silent for `silent_after` its \
                        outputs are off. The silences are not told one by one. Look at the broker \
                        and the network, and after the beers";
            let vessels: Vec<&str> = self.setup.vessels.keys().map(Name::as_str).collect();
            Condition::new(text, json!({ "vessels": vessels, "stands_for": STANDS_FOR }))
        });
        let store = self.state.store_problem.as_ref().map(|problem| {
            let text = format!(
                "records cannot be written: {problem}. No stage changes; temperature control goes \
                 on. Make room on the disk, or look whether it still works"
            );
            Condition::new(text, json!({ "problem": problem }))
        });
        let change = self.state.alarms.update(rules::LINK_DOWN, None, link, clock.steady);
        note_daemon(at, change, journal);
        let change = self.state.alarms.update(rules::STORE_FAILING, None, store, clock.steady);
        note_daemon(at, change, journal);
        self.state.alarms.unshelve(clock.steady);
        self.watch_faults(journal);
    }

    /// The daemon's own alarms are acknowledged and shelved through any vessel.
    fn acknowledge_daemons(&mut self, input: &CommandInput, journal: &mut Journal<'_>) {
        let Some(clock) = &mut self.state.clock else { return };
        let at = clock.wall_of(clock.steady);
        match &input.command {
            Ok(crate::Command::Acknowledge { alarm }) => {
                for id in self.state.alarms.acknowledge(alarm.as_deref()) {
                    if id == rules::CLOCK_DOUBTFUL.id {
                        clock.trust();
                    }
                    let text = format!("Alarm {id} was seen.");
                    journal.record(
                        at,
                        None,
                        None,
                        Kind::AlarmAcknowledged,
                        text,
                        json!({ "alarm": id }),
                    );
                }
            }
            Ok(crate::Command::Shelve { alarm, time }) if self.state.alarms.stands(alarm) => {
                self.state.alarms.shelve(alarm, clock.steady + *time);
            }
            _ => {}
        }
    }
}

pub(crate) fn note_daemon(at: Stamp, change: Option<Change>, journal: &mut Journal<'_>) {
    if let Some(Change { kind, text, data }) = change {
        journal.record(at, None, None, kind, text, data);
    }
}
