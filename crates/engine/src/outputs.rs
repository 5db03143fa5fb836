//! From setpoint to outputs: what is wanted, what is allowed, and what the devices are told.

use crate::advice::is_driven;
use crate::ahead;
use crate::context::Context;
use crate::effect::{Drive, Effect, OutputKind};
use crate::record::Kind;
use crate::setup::VesselSetup;
use crate::vessel::{Run, Told, Vessel};
use control::{Because, Demand, Envelope, Output, Rests, Rules};
use quantity::{Span, Stamp, Temperature};
use schedule::Name;
use schedule::config;
use schedule::model::Finish;
use serde::{Deserialize, Serialize};
use serde_json::json;

/// A thermostat is told at once when its setpoint moved this far, in K; less waits for `refresh`.
const SETPOINT_STEP: f64 = 0.05;
/// A thermostat that was held back for what is around the vessel is told again with so much room,
/// in K.
const SURROUND_BACK_K: f64 = 1.0;
/// An output that disagrees is asked again this often.
pub(crate) const ASK_AGAIN: Span = Span::from_secs(30);
/// A report that is older than the order speaks against it only after this: relays that report now
/// and then have had their turn by then. Common practice, no source.
pub(crate) const OLD_REPORT: Span = Span::from_mins(2);

/// Where the two outputs should hold the beer; `None`: that output stays off.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Wanted {
    heat_at: Option<Temperature>,
    cool_at: Option<Temperature>,
    off_because: Option<Why>,
}

/// Why the outputs do what they do; put into words only where somebody reads it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) enum Why {
    Aborted,
    Blind,
    Decided(Because),
    Ends,
    Finished,
    Idle,
    Locked,
    LockedWith,
    NoSetpoint,
    RanAway,
    Rides {
        /// Where the host keeps its beer.
        setpoint: Option<Temperature>,
    },
    Stopped,
    /// The valve waits for its turn at the shared cooler, since then; so many may be open.
    Turn {
        since: Stamp,
        at_once: u32,
    },
    Watched {
        beer: Option<Temperature>,
        setpoint: Option<Temperature>,
    },
}

impl Why {
    /// In words; `lag` is how far the regulator's time is behind ours.
    pub fn text(self, cx: &Context<'_, '_>, lag: Span) -> String {
        let wall = |at: Stamp| cx.clock.wall_of(at + lag);
        let plain = match self {
            Why::Aborted => "the batch was aborted",
            Why::Blind => "there is no beer temperature that can be trusted",
            Why::Ends => "the program ends",
            Why::Finished => "the batch is complete and its finish is off",
            Why::Idle => "there is no batch",
            Why::Locked => "they are locked; `unlock` ends it",
            Why::LockedWith => "a vessel that shares the fridge is locked; `unlock` there ends it",
            Why::NoSetpoint => "there is no setpoint",
            Why::RanAway => "the beer went away from its setpoint while an output acted",
            Why::Rides { setpoint } => return crate::advice::rides_text(cx, setpoint),
            Why::Stopped => "the batch was stopped",
            Why::Turn { since, at_once } => {
                return crate::valve::turn_text(cx, since, at_once);
            }
            Why::Watched { beer, setpoint } => {
                return crate::advice::watched_text(cx, beer, setpoint);
            }
            Why::Decided(because) => {
                let because = match because {
                    Because::Blind { last } => Because::Blind { last: last.map(wall) },
                    Because::Changeover { until } => Because::Changeover { until: wall(until) },
                    Because::MinOn { until } => Because::MinOn { until: wall(until) },
                    Because::Resting { until } => Because::Resting { until: wall(until) },
                    other => other,
                };
                return because.text(cx.show);
            }
        };
        plain.to_owned()
    }
}

impl Vessel {
    /// Decides on both outputs and tells the devices.
    pub fn regulate(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        self.limit_surround(config);
        let mut wanted = self.wanted(config);
        wanted.cool_at = self.ask_for_cold(config, wanted.cool_at);
        let now = cx.now - self.regulator_lag;
        let decision = is_driven(config).then(|| {
            let demand = self.demand(cx, wanted);
            self.regulator.decide(now, &rules(config), &demand)
        });
        let heats = decision.is_some_and(|decision| decision.heater);
        let turn = self.waits_for_turn().filter(|_| !heats);
        let turn = turn.map(|(since, at_once)| Why::Turn { since, at_once });
        let decided = match decision {
            Some(decision) => Why::Decided(decision.because),
            None => self.why_undriven(config),
        };
        self.because = wanted.off_because.or(turn).unwrap_or(decided);
        let Some(decision) = decision else { return };
        for kind in [OutputKind::Heater, OutputKind::Chiller] {
            let Some(output) = output(config, kind) else { continue };
            let (on, at) = match kind {
                OutputKind::Heater => (decision.heater, wanted.heat_at),
                OutputKind::Chiller => (decision.chiller, wanted.cool_at),
            };
            self.tell(cx, kind, output, on, at);
        }
    }

    /// Tells every output to be off, as at an orderly end.
    pub fn all_off(&mut self, cx: &mut Context<'_, '_>) {
        let demand = Demand { setpoint: None, ahead: Vec::new(), heat: false, cool: false };
        self.regulator.decide(cx.now - self.regulator_lag, &rules(&cx.setup.config), &demand);
        self.because = Why::Ends;
        for kind in [OutputKind::Heater, OutputKind::Chiller] {
            if let Some(output) = output(&cx.setup.config, kind) {
                // Told again, also where it was off.
                self.told.entry(kind).or_default().at = None;
                self.tell(cx, kind, output, false, None);
            }
        }
    }

    /// Whether the surroundings are at a limit, with some room before they are not any more.
    fn limit_surround(&mut self, config: &config::Vessel) {
        if config.surround.is_none() {
            (self.blocks.surround_cold, self.blocks.surround_warm) = (false, false);
            return;
        }
        let (beer, surround) = (self.beer_now(config), self.surround_now(config));
        let envelope = envelope(config);
        let at_limit = |which, before: bool| {
            let Some((room, _)) = beer.zip(surround).and_then(|(b, s)| envelope.room(which, b, s))
            else {
                return false;
            };
            room <= if before { SURROUND_BACK_K } else { 0.0 }
        };
        self.blocks.surround_cold = at_limit(Output::Chiller, self.blocks.surround_cold);
        self.blocks.surround_warm = at_limit(Output::Heater, self.blocks.surround_warm);
    }

    fn wanted(&self, config: &config::Vessel) -> Wanted {
        let off = |because| Wanted { heat_at: None, cool_at: None, off_because: Some(because) };
        if self.locked.is_some() {
            return off(Why::Locked);
        }
        if self.locked_with.is_some() {
            return off(Why::LockedWith);
        }
        let setpoint = match (self.is_regulating(), self.setpoint) {
            (true, Some(setpoint)) => setpoint,
            _ => return off(why_idle(self)),
        };
        if self.blocks.ran_away {
            return off(Why::RanAway);
        }
        if self.beer_now(config).is_none() {
            return off(Why::Blind);
        }
        let (mut heat_at, mut cool_at) = (Some(setpoint), Some(setpoint));
        if let Some((not_below, ceiling)) = self.free_rise(config) {
            (heat_at, cool_at) = (not_below, Some(ceiling));
        }
        if self.blocks.too_warm || self.alarms.unseen("heater-no-effect") {
            heat_at = None;
        }
        if self.blocks.too_cold || self.blocks.near_freezing || self.blocks.chiller_rests {
            cool_at = None;
        }
        Wanted { heat_at, cool_at, off_because: None }
    }

    /// A regulator holds one setpoint: in free rise the nearer of the two bounds.
    fn demand(&self, cx: &Context<'_, '_>, wanted: Wanted) -> Demand {
        let config = &cx.setup.config;
        let (heat, cool) = (wanted.heat_at.is_some(), wanted.cool_at.is_some());
        match (wanted.heat_at, wanted.cool_at) {
            (Some(low), Some(high)) if low == high => {
                Demand { setpoint: Some(low), ahead: self.ahead(cx), heat, cool }
            }
            (Some(low), Some(high)) => {
                let beer = self.beer_now(config).map_or(low.celsius(), Temperature::celsius);
                let warm = beer - low.celsius() > high.celsius() - beer;
                let setpoint = if warm { high } else { low };
                Demand { setpoint: Some(setpoint), ahead: Vec::new(), heat: !warm, cool: warm }
            }
            (low, high) => Demand { setpoint: low.or(high), ahead: Vec::new(), heat, cool },
        }
    }

    /// The setpoint's known future; while the clock is in doubt, or no stage can end for want of a
    /// store, none is known.
    fn ahead(&self, cx: &Context<'_, '_>) -> Vec<(Span, Temperature)> {
        let known = self.run == Run::Running && !cx.clock_doubtful() && !cx.store_failing;
        let config = &cx.setup.config;
        let (Some(batch), Some(setpoint), Some(bounds)) =
            (self.batch.as_ref().filter(|_| known), self.setpoint, self.bounds(config))
        else {
            return Vec::new();
        };
        ahead::ahead(batch, setpoint, &bounds, cx.now)
    }

    /// Tells an output what to do: on a change and every `refresh`.
    fn tell(
        &mut self,
        cx: &mut Context<'_, '_>,
        kind: OutputKind,
        output: &config::Output,
        on: bool,
        at: Option<Temperature>,
    ) {
        let by_switch = output.drive != config::Drive::Setpoint;
        let by_setpoint = output.drive != config::Drive::Switch;
        let hysteresis = cx.setup.config.control.hysteresis;
        // A relay's limit around the vessel is the regulator's; a thermostat is told nothing there.
        let limited = match kind {
            OutputKind::Heater => self.blocks.surround_warm,
            OutputKind::Chiller => self.blocks.surround_cold,
        };
        let setpoint = at.filter(|_| by_setpoint && !limited).map(|at| match kind {
            OutputKind::Heater => at - hysteresis,
            OutputKind::Chiller => at + hysteresis,
        });
        let on = if by_switch { on } else { setpoint.is_some() };
        let told = self.told.entry(kind).or_default();
        let switched = told.on != on;
        let moved = moved(told.setpoint, setpoint);
        let disagrees = by_switch && told.seen.is_some_and(|(seen, _)| seen != on);
        let refresh = cx.setup.config.control.refresh;
        let wait = if disagrees { ASK_AGAIN.min(refresh) } else { refresh };
        let due = told.at.is_none_or(|told| cx.now.since(told) >= wait);
        if !(switched || moved || due) {
            return;
        }
        *told = Told {
            on,
            runs: on && by_switch,
            setpoint,
            at: Some(cx.now),
            switched_at: if switched { Some(cx.now) } else { told.switched_at },
            seen: told.seen,
        };
        if switched {
            self.record_switch(cx, kind, on);
        }
        let drive = drive(cx.name, kind, output, (on, setpoint), refresh);
        cx.journal.effects.push(Effect::Drive(drive));
    }

    fn record_switch(&mut self, cx: &mut Context<'_, '_>, kind: OutputKind, on: bool) {
        let beer = self.beer_now(&cx.setup.config);
        let name = if kind == OutputKind::Heater { "Heater" } else { "Chiller" };
        let state = if on { "on" } else { "off" };
        let because = self.because.text(cx, self.regulator_lag);
        let text = format!("{name} {state}: {because}.");
        let data = json!({
            "output": kind.as_str(), "on": on, "because": because,
            "beer_c": beer.map(Temperature::celsius),
            "setpoint_c": self.setpoint.map(Temperature::celsius),
        });
        let batch = self.batch_id().filter(|_| self.has_beer());
        cx.record(batch.as_deref(), Kind::OutputSwitched, text, data);
    }

    /// What every output is told now.
    pub fn orders(&self, name: &Name, setup: &VesselSetup) -> Vec<Drive> {
        let config = &setup.config;
        let kinds = [OutputKind::Heater, OutputKind::Chiller].into_iter();
        let told =
            kinds.filter_map(|kind| Some((kind, self.told.get(&kind)?, output(config, kind)?)));
        let refresh = config.control.refresh;
        told.map(|(kind, told, output)| {
            drive(name, kind, output, (told.on, told.setpoint), refresh)
        })
        .collect()
    }

    /// What the relay was told and what it says instead.
    pub fn disagreement(&self, kind: OutputKind, now: Stamp) -> Option<(bool, bool)> {
        let told = self.told.get(&kind)?;
        let (seen, at) = told.seen?;
        let patient = told
            .switched_at
            .is_some_and(|switched| at < switched && now.since(switched) < OLD_REPORT);
        (seen != told.runs && !patient).then_some((told.runs, seen))
    }
}

/// Whether an output regulates itself, by the setpoint that it is told.
pub(crate) fn takes_setpoint_only(output: &config::Output) -> bool {
    output.drive == config::Drive::Setpoint
}

/// An output of a vessel that is in use and is this vessel's own.
pub(crate) fn output(config: &config::Vessel, kind: OutputKind) -> Option<&config::Output> {
    let output = match kind {
        OutputKind::Heater => config.heater.as_ref(),
        OutputKind::Chiller => config.chiller.as_ref(),
    };
    output.filter(|output| !output.out_of_use && config.rides_with.is_none())
}

fn rules(config: &config::Vessel) -> Rules {
    let rests = |kind| {
        output(config, kind)
            .filter(|output| !takes_setpoint_only(output))
            .map(|output| Rests { min_on: output.min_on, min_off: output.min_off })
    };
    Rules {
        heater: rests(OutputKind::Heater),
        chiller: rests(OutputKind::Chiller),
        changeover: config.control.changeover,
        hysteresis: config.control.hysteresis,
        anticipate: config.control.anticipate,
        max_on: config.control.max_on,
        envelope: envelope(config),
    }
}

fn envelope(config: &config::Vessel) -> Envelope {
    config.surround.as_ref().map_or_else(Envelope::default, |surround| Envelope {
        below_beer: Some(surround.below_beer),
        above_beer: Some(surround.above_beer),
        coldest: Some(surround.coldest),
    })
}

/// What an output was told, as its device is to get it.
pub(crate) fn drive(
    vessel: &Name,
    kind: OutputKind,
    output: &config::Output,
    (on, setpoint): (bool, Option<Temperature>),
    refresh: Span,
) -> Drive {
    Drive {
        vessel: vessel.clone(),
        output: kind,
        switch: (output.drive != config::Drive::Setpoint).then_some(on),
        setpoint: (output.drive != config::Drive::Switch).then_some(setpoint),
        valid_for: refresh * 3,
    }
}

fn moved(before: Option<Temperature>, now: Option<Temperature>) -> bool {
    match (before, now) {
        (Some(before), Some(now)) => (before.celsius() - now.celsius()).abs() >= SETPOINT_STEP,
        (None, None) => false,
        _ => true,
    }
}

fn why_idle(vessel: &Vessel) -> Why {
    let off_at_end =
        vessel.batch.as_ref().is_some_and(|batch| batch.schedule.finish == Finish::Off);
    match vessel.run {
        Run::Idle => Why::Idle,
        Run::Stopped => Why::Stopped,
        Run::Aborted => Why::Aborted,
        Run::Complete if off_at_end => Why::Finished,
        Run::Complete | Run::Running | Run::Held => Why::NoSetpoint,
    }
}
