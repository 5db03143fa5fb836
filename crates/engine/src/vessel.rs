//! One vessel: its run state, and what happens whenever time passes.

use crate::advice::Host;
use crate::alarm::{AlarmBook, Change};
use crate::batch::{Batch, StageRun};
use crate::context::Context;
use crate::course::Quarter;
use crate::daily::Day;
use crate::effect::OutputKind;
use crate::float::Float;
use crate::milestone::Answer;
use crate::nudge::Nudge;
use crate::outputs::Why;
use crate::park::{Locked, Parked};
use crate::probe::Probe;
use crate::record::Kind;
use crate::setpoint::{self, Bounds};
use crate::setup::VesselSetup;
use crate::valve::Valve;
use crate::wear::Wear;
use control::Regulator;
use quantity::{Span, Stamp, Temperature};
use schedule::config;
use schedule::model::{Finish, Target};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Milestones and alarms on gravity are judged when something came in or a time is up, else once
/// in this time.
const JUDGE_EVERY: Span = Span::from_mins(15);
/// A setpoint nearer to its goal than this has arrived, in K.
pub(crate) const ARRIVED: f64 = 1e-6;

/// What is measured around the vessel counts for three of its intervals, but no less than this.
const SURROUND_LASTS: Span = Span::from_mins(10);

/// The procedural states of IEC 61512 / ISA-88, transient ones left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Run {
    Idle,
    Running,
    Held,
    Stopped,
    Aborted,
    Complete,
}

/// What an output was last told, and when.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Told {
    /// Whether it is on, or has a setpoint.
    pub on: bool,
    /// Whether its relay is on; a thermostat's own cycling is not known.
    pub runs: bool,
    pub setpoint: Option<Temperature>,
    pub at: Option<Stamp>,
    /// When `on` last changed.
    pub switched_at: Option<Stamp>,
    /// What the relay said of itself, and when.
    pub seen: Option<(bool, Stamp)>,
}

/// The state of one vessel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Vessel {
    pub run: Run,
    /// The present batch, or the last one.
    pub batch: Option<Batch>,
    pub batches: u64,
    pub setpoint: Option<Temperature>,
    /// The setpoint's place when the present move began; `None` while it stands.
    pub moving_from: Option<Temperature>,
    /// Since when the setpoint stands.
    pub standing_since: Option<Stamp>,
    /// A temperature that is held without a batch. Invariant: `None` while a batch is under way.
    pub parked: Option<Parked>,
    /// Both outputs stay off, whatever happens, until a person ends it.
    pub locked: Option<Locked>,
    pub beer: Probe,
    pub surround: Probe,
    pub floats: BTreeMap<String, Float>,
    /// The last time that a source gave itself, by its own clock.
    pub own_times: BTreeMap<String, Stamp>,
    pub regulator: Regulator,
    /// How far the regulator's time is behind ours: rests are not served by time away that came to
    /// light after the start.
    pub regulator_lag: Span,
    pub told: BTreeMap<OutputKind, Told>,
    /// The watch over outputs that regulate themselves.
    pub thermostats: BTreeMap<OutputKind, control::Thermostat>,
    pub wear: Wear,
    /// The batch's day under way; `None` without a batch.
    pub day: Option<Day>,
    /// The quarter of an hour under way; `None` without a batch.
    #[serde(default)]
    pub quarter: Option<Quarter>,
    /// Why the outputs do what they do.
    pub because: Why,
    pub alarms: AlarmBook,
    /// When commands with an id came, and what was answered; shared with the copies that are made
    /// of a vessel at each input.
    pub replies: Arc<BTreeMap<String, (Stamp, bool, String)>>,
    /// How many readings were refused in the present hour, by source.
    pub refused: BTreeMap<String, (i64, u32)>,
    /// The chiller is kept off near freezing, and the like.
    pub blocks: Blocks,
    /// How its valve stands to a shared cooler.
    pub valve: Valve,
    /// The vessel whose fridge it shares, as last seen.
    pub host: Option<Host>,
    /// Why a vessel that shares this one's fridge is locked.
    pub locked_with: Option<String>,
    pub settled_at: Stamp,
    /// When this process began.
    pub started_at: Stamp,
    /// Something came in that milestones may depend on.
    pub fresh: bool,
    /// When milestones and alarms are to be judged next, if nothing comes in.
    pub judge_at: Stamp,
    /// The lowest freezing point that was shown of this beer, in °C. Invariant: rises only with
    /// another batch.
    pub freezing_c: f64,
    /// When that was last looked at.
    pub strength_at: Stamp,
}

/// Outputs that must not run, with hysteresis of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) struct Blocks {
    pub too_cold: bool,
    pub too_warm: bool,
    pub near_freezing: bool,
    /// The beer went away from its setpoint for hours while an output acted.
    pub ran_away: bool,
    /// The chiller rests between two tries, since it had no effect.
    pub chiller_rests: bool,
    /// Around the vessel it is as cold, or as warm, as may be.
    pub surround_cold: bool,
    pub surround_warm: bool,
}

impl Run {
    /// As `state` and the contract name it.
    pub fn as_str(self) -> &'static str {
        match self {
            Run::Idle => "idle",
            Run::Running => "running",
            Run::Held => "held",
            Run::Stopped => "stopped",
            Run::Aborted => "aborted",
            Run::Complete => "complete",
        }
    }
}

impl Vessel {
    /// An idle vessel.
    pub fn new(now: Stamp) -> Self {
        Vessel {
            run: Run::Idle,
            batch: None,
            batches: 0,
            setpoint: None,
            moving_from: None,
            standing_since: None,
            parked: None,
            locked: None,
            beer: Probe::default(),
            surround: Probe::default(),
            floats: BTreeMap::new(),
            own_times: BTreeMap::new(),
            regulator: Regulator::new(now),
            regulator_lag: Span::ZERO,
            told: BTreeMap::new(),
            thermostats: BTreeMap::new(),
            wear: Wear::default(),
            day: None,
            quarter: None,
            because: Why::Idle,
            alarms: AlarmBook::default(),
            replies: Arc::default(),
            refused: BTreeMap::new(),
            blocks: Blocks::default(),
            valve: Valve::default(),
            host: None,
            locked_with: None,
            settled_at: now,
            started_at: now,
            fresh: true,
            judge_at: now,
            freezing_c: 0.0,
            strength_at: now,
        }
    }

    /// A new process drives this vessel: outputs are off, and count as just stopped unless the end
    /// of the process before was `seen`; the setpoint has stood still, and `at_target` has a gap.
    pub fn restarted(&mut self, now: Stamp, seen: bool) {
        self.settled_at = now;
        self.started_at = now;
        self.regulator.restarted(now - self.regulator_lag, seen);
        for told in self.told.values_mut() {
            *told = Told::default();
        }
        if let Some(batch) = &mut self.batch {
            batch.stage.at_target_since = None;
        }
        self.fresh = true;
    }

    /// It is not known how long nobody looked: a machine without a clock of its own may come up
    /// with the time of its last shutdown. What was measured before may be of any age, and counts
    /// no more.
    pub fn forget_temperatures(&mut self) {
        self.beer.forget();
        self.surround.forget();
        self.floats.values_mut().for_each(|float| float.temperature.forget());
    }

    /// Time away came to light after the start: stages have lasted longer than they seemed to, but
    /// whatever is counted since the start goes on as if nothing had been.
    pub fn slept(&mut self, started: Stamp, away: Span) {
        let shift = |at: &mut Stamp| {
            if *at >= started {
                *at = *at + away;
            }
        };
        self.regulator_lag = self.regulator_lag + away;
        shift(&mut self.settled_at);
        shift(&mut self.started_at);
        for told in self.told.values_mut() {
            told.at.iter_mut().for_each(shift);
            told.switched_at.iter_mut().for_each(shift);
        }
        for probe in [&mut self.beer, &mut self.surround] {
            probe.slept(started, away);
        }
        for float in self.floats.values_mut() {
            float.temperature.slept(started, away);
        }
        self.alarms.slept(started, away);
        if let Some(batch) = &mut self.batch {
            batch.stage.at_target_since = None;
            batch.stage.nudge.iter_mut().for_each(|nudge| nudge.slept(started, away));
        }
        self.parked.iter_mut().for_each(|parked| parked.slept(started, away));
        self.fresh = true;
    }

    /// Brings everything to the present: the one order in which a vessel decides.
    pub fn settle(&mut self, cx: &mut Context<'_, '_>) {
        let passed = cx.now.since(self.settled_at);
        self.settled_at = cx.now;
        self.watch_probes(cx, passed);
        if let Some(batch) = &mut self.batch {
            batch.belief.advance(cx.now);
        }
        self.return_in_time(cx);
        let judge = self.fresh || cx.now >= self.judge_at;
        if judge {
            self.fresh = false;
            self.follow_share();
        }
        self.watch_nudge(cx);
        self.watch_park(cx, passed);
        self.move_setpoint(cx, passed);
        self.move_held(cx, passed);
        self.watch_target(cx);
        if judge {
            self.judge_stage(cx);
            self.foresee(cx);
            self.watch_beer(cx);
            self.judge_at = self.next_judgement(cx);
        }
        self.watch_thermostats(cx);
        self.watch_temperature(cx);
        self.regulate(cx);
        self.mark_wear(cx.now);
        self.keep_day(cx, passed);
        self.keep_course(cx);
    }

    /// When something will be due by time alone, at the latest after [`JUDGE_EVERY`].
    fn next_judgement(&self, cx: &Context<'_, '_>) -> Stamp {
        // Not on a common grid: a thousand vessels would be judged at the same instant.
        let latest = cx.now + JUDGE_EVERY;
        let stage = self.stage_due(cx.now);
        let silence = self.silence_due(&cx.setup.config);
        stage.chain(silence).filter(|due| *due > cx.now).fold(latest, Stamp::min)
    }

    /// Whether a temperature is kept: a batch's, or that of a parked vessel.
    pub fn is_regulating(&self) -> bool {
        match self.run {
            Run::Running | Run::Held => true,
            Run::Complete => {
                self.batch.as_ref().is_some_and(|batch| batch.schedule.finish == Finish::Keep)
            }
            Run::Idle | Run::Stopped | Run::Aborted => self.parked.is_some(),
        }
    }

    /// Whether gravity readings belong to a batch.
    pub fn has_beer(&self) -> bool {
        matches!(self.run, Run::Running | Run::Held | Run::Complete)
    }

    /// The probe that is controlled on: the beer's, else the first float's own temperature.
    #[inline]
    pub fn controlled(&self, config: &config::Vessel) -> Option<&Probe> {
        match controlled_on(config)? {
            Controlled::Beer => Some(&self.beer),
            Controlled::Float(name) => self.floats.get(name).map(|float| &float.temperature),
        }
    }

    /// The beer's temperature, where it is known well enough to act on.
    #[inline]
    pub fn beer_now(&self, config: &config::Vessel) -> Option<Temperature> {
        let probe = self.controlled(config)?;
        let (at, temperature) = probe.last()?;
        let fresh = self.settled_at.since(at) < config.control.silent_after;
        (fresh && probe.is_trusted()).then_some(temperature)
    }

    /// The temperature around the vessel, where it is known.
    pub fn surround_now(&self, config: &config::Vessel) -> Option<Temperature> {
        let every = config.surround.as_ref()?.probe.every;
        let (at, temperature) = self.surround.last()?;
        let fresh = self.settled_at.since(at) < (every * 3).max(SURROUND_LASTS);
        (fresh && self.surround.is_trusted()).then_some(temperature)
    }

    /// The limits that hold now.
    pub fn bounds(&self, config: &config::Vessel) -> Option<Bounds> {
        if self.parked.is_some() {
            return Some(Self::own_bounds(config));
        }
        self.batch.as_ref().map(|batch| Bounds::of(config, &batch.schedule.limits))
    }

    /// Writes down what an alarm did, where it did something.
    pub fn note(&self, cx: &mut Context<'_, '_>, change: Option<Change>) {
        if let Some(change) = change {
            let batch = self.batch_id();
            cx.record(batch.as_deref(), change.kind, change.text, change.data);
        }
    }

    /// The id of the batch that records belong to.
    pub fn batch_id(&self) -> Option<String> {
        self.batch.as_ref().map(|batch| batch.id.clone())
    }

    /// The running stage's name.
    pub fn stage_name(&self) -> Option<String> {
        let in_stage = matches!(self.run, Run::Running | Run::Held);
        self.batch.as_ref().filter(|_| in_stage).map(|batch| batch.stage().name.clone())
    }

    /// A climb follows the largest share yet shown.
    fn follow_share(&mut self) {
        let (Run::Running, Some(batch)) = (self.run, &mut self.batch) else { return };
        batch.refresh_expectation();
        let Target::Climb { along, .. } = batch.stage().target else { return };
        let by_attenuation = along == schedule::model::Along::Attenuation;
        let shown = batch.belief.share_shown(by_attenuation, batch.confidence());
        batch.stage.share_known = shown.is_some();
        batch.stage.share = batch.stage.share.into_iter().chain(shown).reduce(f64::max);
    }

    fn move_setpoint(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        if !self.is_regulating() || self.parked.is_some() {
            return;
        }
        let Some(bounds) = self.bounds(&cx.setup.config) else { return };
        let beer = self.beer_now(&cx.setup.config);
        let (Some(from), Some(batch)) = (self.setpoint, &mut self.batch) else { return };
        // Limits may have become narrower since.
        self.setpoint = Some(bounds.clamp(from));
        if self.run != Run::Running {
            return;
        }
        batch.stage.path = batch.stage.path + passed;
        let (stage, run) = (batch.stage(), &batch.stage);
        if matches!(stage.target, Target::Climb { .. }) && !run.share_known {
            return;
        }
        let open = setpoint::path_is_open(&stage.target, run);
        let goal = setpoint::goal(&stage.target, run);
        let Some(goal) = nudged(run, goal).map(|goal| bounds.clamp(goal)) else {
            // Free rise: the beer's own temperature, at most the ceiling; ramps do not apply.
            let (_, ceiling) = self.free_rise(&cx.setup.config).unwrap_or((None, from));
            self.setpoint = Some(beer.map_or(from, |beer| bounds.clamp(beer).min(ceiling)));
            self.moving_from = None;
            return;
        };
        let open = open && !run.nudge.as_ref().is_some_and(Nudge::is_fixed);
        let to = bounds.ramped(from, goal, passed);
        self.setpoint = Some(to);
        self.tell_move(cx, from, to, goal, open);
    }

    /// Tells the start and the arrival of a move, not what lies between.
    pub fn tell_move(
        &mut self,
        cx: &mut Context<'_, '_>,
        from: Temperature,
        to: Temperature,
        goal: Temperature,
        open: bool,
    ) {
        let there = (to.celsius() - goal.celsius()).abs() <= ARRIVED && !open;
        let moves = open || (goal.celsius() - from.celsius()).abs() > ARRIVED;
        match self.moving_from {
            None if moves && !there => {
                self.moving_from = Some(from);
                self.standing_since = None;
                self.record_departure(cx, from, goal, open);
            }
            None if moves => self.record_arrival(cx, from, to),
            Some(began) if there => self.record_arrival(cx, began, to),
            _ => {}
        }
        if self.moving_from.is_none() && self.standing_since.is_none() {
            self.standing_since = Some(cx.now);
        }
    }

    fn record_departure(
        &self,
        cx: &mut Context<'_, '_>,
        from: Temperature,
        goal: Temperature,
        open: bool,
    ) {
        let Some(batch) = &self.batch else { return };
        let stage = batch.stage();
        let end = self.stage_end(&cx.setup.config).filter(|_| open).unwrap_or(goal);
        let text = format!(
            "Setpoint begins to move from {} to {} ({}).",
            cx.show.temperature(from),
            cx.show.temperature(end),
            stage.name
        );
        let data = json!({
            "from_c": from.celsius(), "to_c": end.celsius(), "arrived": false,
            "stage": stage.name,
        });
        cx.record(Some(&batch.id), Kind::SetpointMoved, text, data);
    }

    fn record_arrival(&mut self, cx: &mut Context<'_, '_>, from: Temperature, to: Temperature) {
        self.moving_from = None;
        self.standing_since = Some(cx.now);
        let Some(batch) = &self.batch else { return };
        let stage = &batch.stage().name;
        let text = format!(
            "Setpoint arrived at {}, from {} ({stage}).",
            cx.show.temperature(to),
            cx.show.temperature(from)
        );
        let data = json!({
            "from_c": from.celsius(), "to_c": to.celsius(), "arrived": true, "stage": stage,
        });
        cx.record(Some(&batch.id), Kind::SetpointMoved, text, data);
    }

    /// Keeps the time for which the beer has been at the stage's target.
    fn watch_target(&mut self, cx: &Context<'_, '_>) {
        let at_target = self.distance_to_target(cx.setup).map(|(_, there)| there);
        let running = self.run == Run::Running;
        let Some(batch) = &mut self.batch else { return };
        let since = &mut batch.stage.at_target_since;
        let there = running && at_target == Some(true);
        if there != since.is_some() {
            *since = there.then_some(cx.now);
            self.fresh = true;
        }
    }

    /// How far the beer's mean is above the stage's target, in K, and whether that counts as there;
    /// `None` without a beer temperature.
    pub fn distance_to_target(&self, setup: &VesselSetup) -> Option<(f64, bool)> {
        let config = &setup.config;
        let batch = self.batch.as_ref()?;
        let end = self.stage_end(config)?.celsius();
        let arrived = self.setpoint.is_some_and(|at| (at.celsius() - end).abs() <= ARRIVED);
        if setup.beer_follows_setpoint {
            return Some((self.setpoint?.celsius() - end, arrived));
        }
        self.beer_now(config)?;
        let mean = self.controlled(config)?.mean(self.settled_at)?.celsius();
        let hysteresis = config.control.hysteresis.kelvin();
        let free = !batch.stage.nudge.as_ref().is_some_and(Nudge::is_fixed);
        if matches!(batch.stage().target, Target::FreeRise { .. }) && free {
            return Some((mean - end, mean >= end - hysteresis));
        }
        Some((mean - end, arrived && (mean - end).abs() <= 2.0 * hysteresis))
    }

    /// Whether the setpoint has arrived where the stage ends.
    pub fn setpoint_arrived(&self, config: &config::Vessel) -> bool {
        let Some(end) = self.stage_end(config).map(Temperature::celsius) else { return false };
        self.setpoint.is_some_and(|setpoint| (setpoint.celsius() - end).abs() <= ARRIVED)
    }

    /// Time for which outputs were on since the last time this was asked.
    fn watch_probes(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let on = self.told.values().any(|told| told.runs);
        let on_time = if on { passed } else { Span::ZERO };
        let doubt = self.beer.pass(cx.now, on_time);
        let floats = self.floats.values_mut();
        let doubts = floats.filter_map(|float| float.temperature.pass(cx.now, on_time)).count();
        self.fresh |= doubt.is_some() || doubts > 0;
    }
}

/// Where the setpoint should be by now, as a person corrected it.
fn nudged(run: &StageRun, goal: Option<Temperature>) -> Option<Temperature> {
    match &run.nudge {
        Some(nudge) => nudge.to().or(goal.map(|goal| nudge.on(goal))),
        None => goal,
    }
}

impl Answer {
    /// Whether it counts.
    pub fn is_yes(self) -> bool {
        self == Answer::Yes
    }
}

/// What a vessel is controlled on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Controlled<'a> {
    /// Its beer probe.
    Beer,
    /// This float's own temperature.
    Float(&'a str),
}

/// What a vessel is controlled on; `None` where nothing in it measures the beer's temperature.
#[inline]
pub(crate) fn controlled_on(config: &config::Vessel) -> Option<Controlled<'_>> {
    // Asked many times at each input.
    if config.beer.is_some() { Some(Controlled::Beer) } else { float_controlled_on(config) }
}

#[cold]
fn float_controlled_on(config: &config::Vessel) -> Option<Controlled<'_>> {
    let mut floats = config.gravity.iter().filter(|(_, source)| source.temperature.is_some());
    floats.next().map(|(name, _)| Controlled::Float(name.as_str()))
}
