//! One vessel: its run state, and what happens whenever time passes.

use crate::alarm::{AlarmBook, Change};
use crate::batch::Batch;
use crate::context::Context;
use crate::effect::OutputKind;
use crate::float::Float;
use crate::milestone::Answer;
use crate::probe::Probe;
use crate::record::Kind;
use crate::setpoint::{self, Bounds};
use control::Regulator;
use quantity::{Span, Stamp, Temperature};
use schedule::config;
use schedule::model::{Finish, Target};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;

/// Milestones and alarms on gravity are judged when something came in, else once in this time.
const JUDGE_EVERY_MS: i64 = 60_000;
/// A setpoint nearer to its goal than this has arrived, in K.
pub(crate) const ARRIVED: f64 = 1e-6;
/// A setpoint that follows the beer up is told as moved when it moved this far, in K.
const MOVE_TOLD: f64 = 0.05;

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
    pub on: bool,
    pub setpoint: Option<Temperature>,
    pub at: Option<Stamp>,
    /// What the relay said of itself, and since when that disagrees.
    pub seen: Option<bool>,
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
    pub beer: Probe,
    pub surround: Probe,
    pub floats: BTreeMap<String, Float>,
    pub regulator: Regulator,
    pub told: BTreeMap<OutputKind, Told>,
    /// Why the outputs do what they do.
    pub because: String,
    pub alarms: AlarmBook,
    /// When commands with an id came, and what was answered.
    pub replies: BTreeMap<String, (Stamp, bool, String)>,
    /// How many readings were refused in the present hour, by source.
    pub refused: BTreeMap<String, (i64, u32)>,
    /// The chiller is kept off near freezing, and the like.
    pub blocks: Blocks,
    pub settled_at: Stamp,
    /// A process began and the beer has not been heard since.
    pub started_at: Stamp,
    /// Something came in that milestones may depend on.
    pub fresh: bool,
}

/// Outputs that must not run, with hysteresis of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) struct Blocks {
    pub too_cold: bool,
    pub too_warm: bool,
    pub near_freezing: bool,
    /// The beer went away from its setpoint for hours while an output acted.
    pub runaway: bool,
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
            beer: Probe::default(),
            surround: Probe::default(),
            floats: BTreeMap::new(),
            regulator: Regulator::new(now),
            told: BTreeMap::new(),
            because: "no batch".to_owned(),
            alarms: AlarmBook::default(),
            replies: BTreeMap::new(),
            refused: BTreeMap::new(),
            blocks: Blocks::default(),
            settled_at: now,
            started_at: now,
            fresh: true,
        }
    }

    /// A new process drives this vessel: outputs are off and count as just stopped, the setpoint
    /// has stood still, and `at_target` has a gap.
    pub fn restarted(&mut self, now: Stamp) {
        self.settled_at = now;
        self.started_at = now;
        self.regulator.restarted(now);
        for told in self.told.values_mut() {
            *told = Told::default();
        }
        if let Some(batch) = &mut self.batch {
            batch.stage.at_target_since = None;
        }
        self.fresh = true;
    }

    /// Brings everything to the present: the one order in which a vessel decides.
    pub fn settle(&mut self, cx: &mut Context<'_, '_>) {
        let passed = cx.now.since(self.settled_at);
        let judge = self.fresh || crosses(self.settled_at, cx.now);
        self.settled_at = cx.now;
        self.watch_probes(cx, passed);
        if let Some(batch) = &mut self.batch {
            batch.belief.advance(cx.now);
        }
        if judge {
            self.fresh = false;
            self.follow_share();
        }
        self.move_setpoint(cx, passed);
        self.watch_target(cx);
        if judge {
            self.judge_stage(cx);
            self.watch_beer(cx);
        }
        self.watch_temperature(cx);
        self.regulate(cx);
    }

    /// Whether a batch is under way whose temperature is kept.
    pub fn is_regulating(&self) -> bool {
        match self.run {
            Run::Running | Run::Held => true,
            Run::Complete => {
                self.batch.as_ref().is_some_and(|batch| batch.schedule.finish == Finish::Keep)
            }
            Run::Idle | Run::Stopped | Run::Aborted => false,
        }
    }

    /// Whether gravity readings belong to a batch.
    pub fn has_beer(&self) -> bool {
        matches!(self.run, Run::Running | Run::Held | Run::Complete)
    }

    /// The probe that is controlled on: the beer's, else the first float's own temperature.
    pub fn controlled<'a>(&'a self, config: &config::Vessel) -> Option<&'a Probe> {
        if config.beer.is_some() {
            return Some(&self.beer);
        }
        let first = config.gravity.iter().find(|(_, source)| source.temperature.is_some())?;
        self.floats.get(first.0.as_str()).map(|float| &float.temperature)
    }

    /// The beer's temperature, where it is known well enough to act on.
    pub fn beer_now(&self, config: &config::Vessel) -> Option<Temperature> {
        let probe = self.controlled(config)?;
        let (at, temperature) = probe.last()?;
        let fresh = self.settled_at.since(at) < config.control.silent_after;
        (fresh && probe.doubt().is_none()).then_some(temperature)
    }

    /// The limits that hold now.
    pub fn bounds(&self, config: &config::Vessel) -> Option<Bounds> {
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
        if let Some(shown) = shown {
            batch.stage.share = Some(batch.stage.share.map_or(shown, |share| share.max(shown)));
        }
    }

    fn move_setpoint(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let (Run::Running, Some(from)) = (self.run, self.setpoint) else { return };
        let Some(bounds) = self.bounds(&cx.setup.config) else { return };
        let beer = self.beer_now(&cx.setup.config);
        let Some(batch) = &mut self.batch else { return };
        batch.stage.path = batch.stage.path + passed;
        let target = batch.stage().target.clone();
        let goal = match setpoint::goal(&target, &batch.stage) {
            Some(goal) => bounds.clamp(goal),
            None => {
                // Free rise: the beer's own temperature, at most the ceiling; ramps do not apply.
                let ceiling = bounds.clamp(target.end());
                let own = beer.map_or(from, |beer| bounds.clamp(beer).min(ceiling));
                self.setpoint = Some(own);
                self.moving_from = None;
                return;
            }
        };
        let open = setpoint::path_is_open(&target, &batch.stage);
        let to = bounds.ramped(from, goal, passed);
        self.setpoint = Some(to);
        self.tell_move(cx, from, to, goal, open);
    }

    /// Tells the start and the arrival of a move, not what lies between.
    fn tell_move(
        &mut self,
        cx: &mut Context<'_, '_>,
        from: Temperature,
        to: Temperature,
        goal: Temperature,
        open: bool,
    ) {
        let there = (to.celsius() - goal.celsius()).abs() <= ARRIVED && !open;
        let moves = (goal.celsius() - from.celsius()).abs() > MOVE_TOLD.min(ARRIVED) || open;
        let Some(batch) = &self.batch else { return };
        let end = if open { batch.stage().target.end() } else { goal };
        let (id, stage) = (batch.id.clone(), batch.stage().name.clone());
        let show = cx.show;
        match self.moving_from {
            None if moves && !there => {
                self.moving_from = Some(from);
                self.standing_since = None;
                let text = format!(
                    "Setpoint begins to move from {} to {} ({stage}).",
                    show.temperature(from),
                    show.temperature(end)
                );
                let data = json!({
                    "from_c": from.celsius(), "to_c": end.celsius(), "arrived": false,
                    "stage": stage,
                });
                cx.record(Some(&id), Kind::SetpointMoved, text, data);
            }
            None if moves => self.tell_arrival(cx, &id, from, to, &stage),
            Some(began) if there => self.tell_arrival(cx, &id, began, to, &stage),
            _ => {}
        }
        if self.moving_from.is_none() && self.standing_since.is_none() {
            self.standing_since = Some(cx.now);
        }
    }

    fn tell_arrival(
        &mut self,
        cx: &mut Context<'_, '_>,
        id: &str,
        from: Temperature,
        to: Temperature,
        stage: &str,
    ) {
        self.moving_from = None;
        self.standing_since = Some(cx.now);
        let text = format!(
            "Setpoint arrived at {}, from {} ({stage}).",
            cx.show.temperature(to),
            cx.show.temperature(from)
        );
        let data = json!({
            "from_c": from.celsius(), "to_c": to.celsius(), "arrived": true, "stage": stage,
        });
        cx.record(Some(id), Kind::SetpointMoved, text, data);
    }

    /// Keeps the time for which the beer has been at the stage's target.
    fn watch_target(&mut self, cx: &Context<'_, '_>) {
        let at_target = self.distance_to_target(&cx.setup.config).map(|(_, there)| there);
        let running = self.run == Run::Running;
        let Some(batch) = &mut self.batch else { return };
        let since = &mut batch.stage.at_target_since;
        match at_target {
            Some(true) if running => *since = Some(since.unwrap_or(cx.now)),
            _ => *since = None,
        }
    }

    /// How far the beer's mean is above the stage's target, in K, and whether that counts as there;
    /// `None` without a beer temperature.
    pub fn distance_to_target(&self, config: &config::Vessel) -> Option<(f64, bool)> {
        let batch = self.batch.as_ref()?;
        self.beer_now(config)?;
        let mean = self.controlled(config)?.mean(self.settled_at)?.celsius();
        let hysteresis = config.control.hysteresis.kelvin();
        let end = self.bounds(config)?.clamp(batch.stage().target.end()).celsius();
        if let Target::FreeRise { .. } = batch.stage().target {
            return Some((mean - end, mean >= end - hysteresis));
        }
        let arrived = self.setpoint_arrived(config);
        Some((mean - end, arrived && (mean - end).abs() <= 2.0 * hysteresis))
    }

    /// Whether the setpoint has arrived where the stage ends.
    pub fn setpoint_arrived(&self, config: &config::Vessel) -> bool {
        let (Some(batch), Some(bounds)) = (&self.batch, self.bounds(config)) else { return false };
        let end = bounds.clamp(batch.stage().target.end()).celsius();
        self.setpoint.is_some_and(|setpoint| (setpoint.celsius() - end).abs() <= ARRIVED)
    }

    /// Time for which outputs were on since the last time this was asked.
    fn watch_probes(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let on = self.told.values().any(|told| told.on);
        let on_time = if on { passed } else { Span::ZERO };
        let doubt = self.beer.pass(cx.now, on_time);
        for float in self.floats.values_mut() {
            float.temperature.pass(cx.now, on_time);
        }
        if doubt.is_some() {
            self.fresh = true;
        }
    }
}

impl Answer {
    /// Whether it counts.
    pub fn is_yes(self) -> bool {
        self == Answer::Yes
    }
}

/// Whether a whole minute lies between the two.
fn crosses(before: Stamp, now: Stamp) -> bool {
    before.millis().div_euclid(JUDGE_EVERY_MS) != now.millis().div_euclid(JUDGE_EVERY_MS)
}
