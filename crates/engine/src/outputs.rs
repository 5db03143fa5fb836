//! From setpoint to outputs: what is wanted, what is allowed, and what the devices are told.

use crate::context::Context;
use crate::effect::{Drive, Effect, OutputKind};
use crate::record::Kind;
use crate::setpoint;
use crate::vessel::{Run, Told, Vessel};
use control::{Demand, Envelope, Rests, Rules};
use quantity::{Span, Stamp, Temperature};
use schedule::config;
use schedule::model::{Finish, Target};
use serde_json::json;

/// A thermostat is told at once when its setpoint moved this far, in K; less waits for `refresh`.
const SETPOINT_STEP: f64 = 0.05;
/// An output that disagrees is asked again this often.
const ASK_AGAIN: Span = Span::from_secs(30);

/// Where the two outputs should hold the beer; `None`: that output stays off.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Wanted {
    heat_at: Option<Temperature>,
    cool_at: Option<Temperature>,
    off_because: Option<&'static str>,
}

impl Vessel {
    /// Decides on both outputs and tells the devices.
    pub fn regulate(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let wanted = self.wanted(config);
        let demand = self.demand(config, wanted);
        let decision = self.regulator.decide(cx.now, &rules(config), &demand);
        self.because = match wanted.off_because {
            Some(because) => because.to_owned(),
            None => decision.because.text(cx.show),
        };
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
        self.regulator.decide(cx.now, &rules(&cx.setup.config), &demand);
        "the program ends".clone_into(&mut self.because);
        for kind in [OutputKind::Heater, OutputKind::Chiller] {
            if let Some(output) = output(&cx.setup.config, kind) {
                self.told.remove(&kind);
                self.tell(cx, kind, output, false, None);
            }
        }
    }

    fn wanted(&self, config: &config::Vessel) -> Wanted {
        let off = |because| Wanted { heat_at: None, cool_at: None, off_because: Some(because) };
        let setpoint = match (self.is_regulating(), self.setpoint) {
            (true, Some(setpoint)) => setpoint,
            _ => return off(why_idle(self)),
        };
        if self.blocks.runaway {
            return off("the beer went away from its setpoint while an output acted");
        }
        if self.beer_now(config).is_none() {
            return off("there is no beer temperature that can be trusted");
        }
        let (mut heat_at, mut cool_at) = (Some(setpoint), Some(setpoint));
        if let (Run::Running, Some(batch)) = (self.run, &self.batch)
            && let Target::FreeRise { not_below, .. } = batch.stage().target
        {
            let bounds = self.bounds(config);
            let clamp = |t| bounds.map_or(t, |bounds| bounds.clamp(t));
            heat_at = not_below.map(clamp);
            cool_at = Some(clamp(batch.stage().target.end()));
        }
        if self.blocks.too_warm || self.alarms.unseen("heater-no-effect") {
            heat_at = None;
        }
        if self.blocks.too_cold || self.blocks.near_freezing {
            cool_at = None;
        }
        Wanted { heat_at, cool_at, off_because: None }
    }

    /// A regulator holds one setpoint: in free rise the nearer of the two bounds.
    fn demand(&self, config: &config::Vessel, wanted: Wanted) -> Demand {
        let (heat, cool) = (wanted.heat_at.is_some(), wanted.cool_at.is_some());
        match (wanted.heat_at, wanted.cool_at) {
            (Some(low), Some(high)) if low == high => {
                Demand { setpoint: Some(low), ahead: self.ahead(config), heat, cool }
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

    fn ahead(&self, config: &config::Vessel) -> Vec<(Span, Temperature)> {
        let (Run::Running, Some(batch), Some(setpoint), Some(bounds)) =
            (self.run, &self.batch, self.setpoint, self.bounds(config))
        else {
            return Vec::new();
        };
        setpoint::ahead(&batch.stage().target, &batch.stage, setpoint, &bounds)
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
        let setpoint = at.filter(|_| by_setpoint).map(|at| match kind {
            OutputKind::Heater => at - hysteresis,
            OutputKind::Chiller => at + hysteresis,
        });
        let on = if by_switch { on } else { setpoint.is_some() };
        let told = self.told.entry(kind).or_default();
        let switched = told.on != on;
        let moved = moved(told.setpoint, setpoint);
        let disagrees = by_switch && told.seen.is_some_and(|seen| seen != on);
        let refresh = cx.setup.config.control.refresh;
        let wait = if disagrees { ASK_AGAIN.less(Span::ZERO).min(refresh) } else { refresh };
        let due = told.at.is_none_or(|told| cx.now.since(told) >= wait);
        if !(switched || moved || due) {
            return;
        }
        *told = Told { on, setpoint, at: Some(cx.now), seen: told.seen };
        if switched {
            self.record_switch(cx, kind, on);
        }
        cx.journal.effects.push(Effect::Drive(Drive {
            vessel: cx.name.clone(),
            output: kind,
            switch: by_switch.then_some(on),
            setpoint: by_setpoint.then_some(setpoint),
            valid_for: refresh * 3,
        }));
    }

    fn record_switch(&mut self, cx: &mut Context<'_, '_>, kind: OutputKind, on: bool) {
        let beer = self.beer_now(&cx.setup.config);
        let name = if kind == OutputKind::Heater { "Heater" } else { "Chiller" };
        let state = if on { "on" } else { "off" };
        let text = format!("{name} {state}: {}.", self.because);
        let data = json!({
            "output": kind.as_str(), "on": on, "because": self.because,
            "beer_c": beer.map(Temperature::celsius),
            "setpoint_c": self.setpoint.map(Temperature::celsius),
        });
        let batch = self.batch_id().filter(|_| self.has_beer());
        cx.record(batch.as_deref(), Kind::OutputSwitched, text, data);
    }

    /// Whether the relay has said for a while that it is not what it was told to be.
    pub fn disagreement(&self, kind: OutputKind, now: Stamp) -> Option<(bool, bool)> {
        let told = self.told.get(&kind)?;
        let seen = told.seen?;
        told.at.filter(|at| now >= *at)?;
        (seen != told.on).then_some((told.on, seen))
    }
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
            .filter(|output| output.drive != config::Drive::Setpoint)
            .map(|output| Rests { min_on: output.min_on, min_off: output.min_off })
    };
    let envelope = config.surround.as_ref().map_or_else(Envelope::default, |surround| Envelope {
        below_beer: Some(surround.below_beer),
        above_beer: Some(surround.above_beer),
        coldest: Some(surround.coldest),
    });
    Rules {
        heater: rests(OutputKind::Heater),
        chiller: rests(OutputKind::Chiller),
        changeover: config.control.changeover,
        hysteresis: config.control.hysteresis,
        anticipate: config.control.anticipate,
        max_on: config.control.max_on,
        envelope,
    }
}

fn moved(before: Option<Temperature>, now: Option<Temperature>) -> bool {
    match (before, now) {
        (Some(before), Some(now)) => (before.celsius() - now.celsius()).abs() >= SETPOINT_STEP,
        (None, None) => false,
        _ => true,
    }
}

fn why_idle(vessel: &Vessel) -> &'static str {
    let off_at_end =
        vessel.batch.as_ref().is_some_and(|batch| batch.schedule.finish == Finish::Off);
    match vessel.run {
        Run::Idle => "there is no batch",
        Run::Stopped => "the batch was stopped",
        Run::Aborted => "the batch was aborted",
        Run::Complete if off_at_end => "the batch is complete and its finish is off",
        Run::Complete | Run::Running | Run::Held => "there is no setpoint",
    }
}
