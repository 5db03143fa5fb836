//! Where the setpoint goes: the targets of a stage, the limits, and its known future.

use crate::batch::StageRun;
use quantity::{Share, Span, Temperature, TemperatureRate};
use schedule::config;
use schedule::model::{Limits, Pace, Target};
use std::num::NonZeroU32;

/// How far the future of the setpoint is told.
const HORIZON: Span = Span::from_hours(6);
/// A share of the way that is short of a step by less than this has reached it.
const STEP_SLACK: f64 = 1e-9;

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

/// The setpoint's known future from now on, as points of a line; empty where it stands or where the
/// beer decides.
pub(crate) fn ahead(
    target: &Target,
    run: &StageRun,
    setpoint: Temperature,
    bounds: &Bounds,
) -> Vec<(Span, Temperature)> {
    let end = bounds.clamp(target.end());
    match target {
        Target::Fixed(_) => ramp_to(setpoint, end, Span::ZERO, bounds),
        Target::Timed { to, pace, steps: None } => {
            let left = duration(run.entry_setpoint, *to, *pace).less(run.path);
            let ramp = ramp_time(setpoint, end, bounds);
            vec![(left.max(ramp), end)]
        }
        Target::Timed { to, pace, steps: Some(steps) } => {
            let total = duration(run.entry_setpoint, *to, *pace);
            let done = (part(run.path, total) * f64::from(steps.get()) + STEP_SLACK).floor();
            let mut points = Vec::new();
            let mut from =
                bounds.clamp(between(run.entry_setpoint, *to, done / f64::from(steps.get())));
            points.append(&mut ramp_to(setpoint, from, Span::ZERO, bounds));
            for k in (done as u32 + 1)..=steps.get() {
                let way = f64::from(k) / f64::from(steps.get());
                let starts = Span::from_hours_f64(total.hours() * way).less(run.path);
                if starts > HORIZON {
                    break;
                }
                let next = bounds.clamp(between(run.entry_setpoint, *to, way));
                points.push((starts, from));
                points.append(&mut ramp_to(from, next, starts, bounds));
                from = next;
            }
            in_order(points)
        }
        Target::Climb { .. } | Target::FreeRise { .. } => Vec::new(),
    }
}

fn ramp_to(
    from: Temperature,
    to: Temperature,
    starts: Span,
    bounds: &Bounds,
) -> Vec<(Span, Temperature)> {
    if from == to { Vec::new() } else { vec![(starts + ramp_time(from, to, bounds), to)] }
}

fn ramp_time(from: Temperature, to: Temperature, bounds: &Bounds) -> Span {
    let rate = if to > from { bounds.up } else { bounds.down }.kelvin_per_hour();
    let distance = (to.celsius() - from.celsius()).abs();
    if rate > 0.0 { Span::from_hours_f64(distance / rate) } else { HORIZON }
}

/// Ramps slower than the steps overlap: a point that is not later than the one before is dropped.
fn in_order(points: Vec<(Span, Temperature)>) -> Vec<(Span, Temperature)> {
    let mut kept: Vec<(Span, Temperature)> = Vec::new();
    for point in points {
        if kept.last().is_none_or(|last| point.0 > last.0) {
            kept.push(point);
        }
    }
    kept
}

fn duration(from: Temperature, to: Temperature, pace: Pace) -> Span {
    match pace {
        Pace::Over(span) => span,
        Pace::Rate(rate) if rate.kelvin_per_hour() > 0.0 => {
            let distance = (to.celsius() - from.celsius()).abs();
            Span::from_hours_f64(distance / rate.kelvin_per_hour())
        }
        Pace::Rate(_) => Span::ZERO,
    }
}

fn part(of: Span, total: Span) -> f64 {
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

fn between(from: Temperature, to: Temperature, way: f64) -> Temperature {
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

    #[test]
    fn the_known_future_of_steps_is_told_in_order() {
        let bounds = Bounds {
            coldest: c(0.0),
            warmest: c(20.0),
            up: TemperatureRate::parse("1 C/h").unwrap(),
            down: TemperatureRate::parse("4 C/h").unwrap(),
        };
        let points = ahead(&timed(3), &run(1.0, None), c(10.0), &bounds);
        let expected: Vec<(Span, Temperature)> = [(1.0, 10.0), (1.5, 8.0), (3.0, 8.0), (3.5, 6.0)]
            .into_iter()
            .chain([(5.0, 6.0), (5.5, 4.0)])
            .map(|(hours, celsius)| (Span::from_hours_f64(hours), c(celsius)))
            .collect();
        assert_eq!(points, expected);
    }
}
