//! Where the setpoint goes: the targets of a stage, the ramps and the limits.

use crate::batch::StageRun;
use quantity::{Share, Span, Temperature, TemperatureRate};
use schedule::config;
use schedule::model::{Limits, Pace, Target};
use std::num::NonZeroU32;

/// A share of the way that is short of a step by less than this has reached it.
pub(crate) const STEP_SLACK: f64 = 1e-9;

/// The narrower of the vessel's and the schedule's limits, and the ramps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bounds {
    pub coldest: Temperature,
    pub warmest: Temperature,
    pub up: TemperatureRate,
    pub down: TemperatureRate,
}

impl Bounds {
    /// Of a vessel under a schedule.
    pub fn of(vessel: &config::Vessel, limits: &Limits) -> Self {
        let coldest = limits.coldest.map_or(vessel.coldest, |limit| limit.max(vessel.coldest));
        let warmest = limits.warmest.map_or(vessel.warmest, |limit| limit.min(vessel.warmest));
        Bounds { coldest, warmest, up: limits.ramp_up, down: limits.ramp_down }
    }

    /// The nearest temperature within the limits.
    pub fn clamp(&self, temperature: Temperature) -> Temperature {
        temperature.within(self.coldest, self.warmest)
    }

    /// Where a setpoint stands that goes towards `goal` for `time`, under ramps and limits.
    pub fn ramped(&self, from: Temperature, goal: Temperature, time: Span) -> Temperature {
        self.clamp(control::ramped(from, self.clamp(goal), time, self.up, self.down))
    }
}

/// Where the setpoint should be by now, before ramps and limits; `None` in free rise, where the
/// beer's own temperature decides.
pub(crate) fn goal(target: &Target, run: &StageRun) -> Option<Temperature> {
    match target {
        Target::Fixed(to) => Some(*to),
        Target::Timed { to, pace, steps } => {
            let way = part(run.path, duration(run.entry_setpoint, *to, *pace));
            Some(between(run.entry_setpoint, *to, stepped(way, *steps)))
        }
        Target::Climb { to, from, until, steps, .. } => {
            let way = run.share.map_or(0.0, |share| share_way(share, *from, *until));
            Some(between(run.entry_setpoint, *to, stepped(way, *steps)))
        }
        Target::FreeRise { .. } => None,
    }
}

/// Whether the stage itself still moves its goal.
pub(crate) fn path_is_open(target: &Target, run: &StageRun) -> bool {
    match target {
        Target::Fixed(_) => false,
        // Between two jumps a stepped one is at rest; a smooth one is under way until its end.
        Target::Timed { to, pace, steps } => {
            steps.is_none() && run.path < duration(run.entry_setpoint, *to, *pace)
        }
        Target::Climb { from, until, steps, .. } => {
            let way = run.share.map_or(0.0, |share| share_way(share, *from, *until));
            steps.is_none() && way > 0.0 && way < 1.0
        }
        Target::FreeRise { .. } => true,
    }
}

pub(crate) fn duration(from: Temperature, to: Temperature, pace: Pace) -> Span {
    match pace {
        Pace::Over(span) => span,
        Pace::Rate(rate) if rate.kelvin_per_hour() > 0.0 => {
            let distance = (to.celsius() - from.celsius()).abs();
            Span::from_hours_f64(distance / rate.kelvin_per_hour())
        }
        Pace::Rate(_) => Span::ZERO,
    }
}

pub(crate) fn part(of: Span, total: Span) -> f64 {
    if total.is_zero() { 1.0 } else { (of.hours() / total.hours()).min(1.0) }
}

fn share_way(share: f64, from: Share, until: Share) -> f64 {
    let length = until.fraction() - from.fraction();
    ((share - from.fraction()) / length).clamp(0.0, 1.0)
}

fn stepped(way: f64, steps: Option<NonZeroU32>) -> f64 {
    match steps {
        None => way,
        Some(steps) => {
            let count = f64::from(steps.get());
            ((way * count + STEP_SLACK).floor() / count).min(1.0)
        }
    }
}

pub(crate) fn between(from: Temperature, to: Temperature, way: f64) -> Temperature {
    // At the end exactly the end, without rounding.
    if way >= 1.0 {
        to
    } else {
        Temperature::clamped(from.celsius() + (to.celsius() - from.celsius()) * way)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::{Quantity, Stamp};

    fn c(celsius: f64) -> Temperature {
        Temperature::from_celsius(celsius).unwrap()
    }

    fn run(hours: f64, share: Option<f64>) -> StageRun {
        let mut run = StageRun::new(0, Stamp::from_millis(0), c(10.0));
        run.path = Span::from_hours_f64(hours);
        run.share = share;
        run
    }

    fn timed(steps: u32) -> Target {
        Target::Timed {
            to: c(4.0),
            pace: Pace::Rate(TemperatureRate::parse("1 C/h").unwrap()),
            steps: NonZeroU32::new(steps),
        }
    }

    #[test]
    fn the_kth_jump_comes_when_k_nths_of_the_way_are_done() {
        for (steps, hours, expected) in [
            (3, 0.0, 10.0),
            (3, 1.99, 10.0),
            (3, 2.0, 8.0),
            (3, 5.99, 6.0),
            (3, 6.0, 4.0),
            (0, 1.5, 8.5),
        ] {
            let goal = goal(&timed(steps), &run(hours, None)).unwrap();
            assert!((goal.celsius() - expected).abs() < 1e-9, "{steps} steps after {hours} h");
        }
    }

    #[test]
    fn a_climb_waits_while_its_share_is_unknown_or_below_its_start() {
        let climb = Target::Climb {
            to: c(16.0),
            along: schedule::model::Along::Attenuation,
            from: Share::from_fraction(0.5).unwrap(),
            until: Share::from_fraction(0.68).unwrap(),
            steps: NonZeroU32::new(6),
        };
        for (share, expected) in [
            (None, 10.0),
            (Some(0.4), 10.0),
            (Some(0.5299), 10.0),
            (Some(0.53), 11.0),
            (Some(0.68), 16.0),
            (Some(0.9), 16.0),
        ] {
            let goal = goal(&climb, &run(0.0, share)).unwrap();
            assert!((goal.celsius() - expected).abs() < 1e-9, "{share:?}: {goal:?}");
        }
    }
}
