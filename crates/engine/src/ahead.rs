//! The setpoint's known future: along its stage, and through all stages that time alone ends.
//!
//! Control looks ahead along it, so that the beer is on time and not only its setpoint.

use crate::batch::{Batch, StageRun};
use crate::milestone::latch_key;
use crate::setpoint::{Bounds, STEP_SLACK, between, duration, part};
use quantity::{Span, Stamp, Temperature, TemperatureRate};
use schedule::model::{Milestone, Target};
use std::num::NonZeroU32;

/// How far the future is told.
const HORIZON: Span = Span::from_hours(6);
/// Through so many stages that follow.
const STAGES_MOST: usize = 3;

/// How long from now the setpoint is where, in order: between two points it moves in a straight
/// line, after the last it stands. Empty where it stands for as long as can be told.
pub(crate) fn ahead(
    batch: &Batch,
    setpoint: Temperature,
    bounds: &Bounds,
    now: Stamp,
) -> Vec<(Span, Temperature)> {
    let mut points = Vec::new();
    let (running, mut behind) = (&batch.stage, None);
    let (mut elapsed, mut since_pitch) = (batch.elapsed(now), now.since(batch.pitched_at));
    let (mut begins, mut from) = (Span::ZERO, setpoint);
    let most = running.index + 1 + STAGES_MOST;
    for index in running.index..batch.schedule.stages.len().min(most) {
        let stage = &batch.schedule.stages[index];
        let run = behind.as_ref().unwrap_or(running);
        let Some(path) = corrected(&stage.target, run, from, bounds) else { break };
        let known = |leaf: &Milestone| {
            index == running.index
                && !running.latches.is_empty()
                && running.latches.contains_key(&latch_key(leaf))
        };
        let ends = ends_in(&stage.until, elapsed, since_pitch, &known)
            .map(|ends| ends.max(stage.at_least.map_or(Span::ZERO, |least| least.less(elapsed))))
            .filter(|ends| begins + *ends <= HORIZON);
        let last = ends.is_none();
        let until = ends.unwrap_or(HORIZON * 365);
        from = put(&mut points, &path, (begins, until), from);
        if last {
            break;
        }
        begins = begins + until;
        (elapsed, since_pitch) = (Span::ZERO, since_pitch + until);
        behind = Some(StageRun::new(index + 1, now, from));
    }
    points
}

/// Puts those points of a path that its stage lives to see, and gives where it stands then.
fn put(
    points: &mut Vec<(Span, Temperature)>,
    path: &[(Span, Temperature)],
    (begins, until): (Span, Span),
    start: Temperature,
) -> Temperature {
    let mut last = (Span::ZERO, start);
    if begins > Span::ZERO && !path.is_empty() {
        points.push((begins, start));
    }
    for (after, temperature) in path {
        if *after > until {
            let way = part(until.less(last.0), after.less(last.0));
            let cut = between(last.1, *temperature, way);
            points.push((begins + until, cut));
            return cut;
        }
        points.push((begins + *after, *temperature));
        last = (*after, *temperature);
    }
    last.1
}

/// The same with a person's correction, which ends with its stage; that it may end earlier is not
/// foreseen.
fn corrected(
    target: &Target,
    run: &StageRun,
    setpoint: Temperature,
    bounds: &Bounds,
) -> Option<Vec<(Span, Temperature)>> {
    let Some(nudge) = &run.nudge else { return along(target, run, setpoint, bounds) };
    if let Some(to) = nudge.to() {
        return Some(ramp(setpoint, bounds.clamp(to), Span::ZERO, bounds));
    }
    let shift = nudge.shift();
    let path = along(target, run, setpoint - shift, bounds)?;
    Some(path.into_iter().map(|(after, at)| (after, bounds.clamp(at + shift))).collect())
}

/// Where a target takes the setpoint, from its present place on; `None` where the beer decides.
fn along(
    target: &Target,
    run: &StageRun,
    setpoint: Temperature,
    bounds: &Bounds,
) -> Option<Vec<(Span, Temperature)>> {
    let end = bounds.clamp(target.end());
    match target {
        Target::Fixed(_) => Some(ramp(setpoint, end, Span::ZERO, bounds)),
        Target::Timed { to, pace, steps: None } => {
            let left = duration(run.entry_setpoint, *to, *pace).less(run.path);
            Some(line(setpoint, end, left, bounds))
        }
        Target::Timed { to, pace, steps: Some(steps) } => {
            let total = duration(run.entry_setpoint, *to, *pace);
            Some(jumps(setpoint, *to, (total, *steps), run, bounds))
        }
        Target::Climb { .. } | Target::FreeRise { .. } => None,
    }
}

/// Under the ramps, from `starts` on.
fn ramp(
    from: Temperature,
    to: Temperature,
    starts: Span,
    bounds: &Bounds,
) -> Vec<(Span, Temperature)> {
    let points = control::ramp_points(from, to, bounds.up, bounds.down);
    points.into_iter().map(|(after, at)| (starts + after, at)).collect()
}

/// In a straight line that takes the time that is left, or longer where the ramps are slower.
fn line(
    from: Temperature,
    to: Temperature,
    left: Span,
    bounds: &Bounds,
) -> Vec<(Span, Temperature)> {
    let asked =
        if left.is_zero() { f64::INFINITY } else { (to - from).kelvin().abs() / left.hours() };
    let slower = |ramp: TemperatureRate| {
        TemperatureRate::from_kelvin_per_hour(asked).filter(|rate| *rate < ramp).unwrap_or(ramp)
    };
    control::ramp_points(from, to, slower(bounds.up), slower(bounds.down))
}

/// Jump by jump, each under the ramps.
fn jumps(
    setpoint: Temperature,
    to: Temperature,
    (total, steps): (Span, NonZeroU32),
    run: &StageRun,
    bounds: &Bounds,
) -> Vec<(Span, Temperature)> {
    let count = f64::from(steps.get());
    let done = (part(run.path, total) * count + STEP_SLACK).floor();
    let mut from = bounds.clamp(between(run.entry_setpoint, to, done / count));
    let mut points = ramp(setpoint, from, Span::ZERO, bounds);
    for k in (done as u32 + 1)..=steps.get() {
        let way = f64::from(k) / count;
        let starts = Span::from_hours_f64(total.hours() * way).less(run.path);
        if starts > HORIZON {
            break;
        }
        let next = bounds.clamp(between(run.entry_setpoint, to, way));
        points.push((starts, from));
        points.append(&mut ramp(from, next, starts, bounds));
        from = next;
    }
    in_order(points)
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

/// In how long a milestone becomes yes; `None` where anything but time has a say.
fn ends_in(
    milestone: &Milestone,
    elapsed: Span,
    since_pitch: Span,
    known: &dyn Fn(&Milestone) -> bool,
) -> Option<Span> {
    let each = |list: &[Milestone]| -> Option<Vec<Span>> {
        list.iter().map(|part| ends_in(part, elapsed, since_pitch, known)).collect()
    };
    match milestone {
        Milestone::Elapsed(time) => Some(time.less(elapsed)),
        Milestone::SincePitch(time) => Some(time.less(since_pitch)),
        Milestone::All(list) => each(list)?.into_iter().max(),
        Milestone::Any(list) => each(list)?.into_iter().min(),
        leaf => known(leaf).then_some(Span::ZERO),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use schedule::model::Pace;

    fn c(celsius: f64) -> Temperature {
        Temperature::from_celsius(celsius).unwrap()
    }

    fn rate(kelvin_per_hour: f64) -> TemperatureRate {
        TemperatureRate::from_kelvin_per_hour(kelvin_per_hour).unwrap()
    }

    fn bounds() -> Bounds {
        Bounds { coldest: c(0.0), warmest: c(20.0), up: rate(1.0), down: rate(4.0) }
    }

    fn points(points: &[(f64, f64)]) -> Vec<(Span, Temperature)> {
        points.iter().map(|(hours, at)| (Span::from_hours_f64(*hours), c(*at))).collect()
    }

    #[test]
    fn the_known_future_of_steps_is_told_in_order() {
        let target =
            Target::Timed { to: c(4.0), pace: Pace::Rate(rate(1.0)), steps: NonZeroU32::new(3) };
        let mut run = StageRun::new(0, Stamp::from_millis(0), c(10.0));
        run.path = Span::from_hours(1);
        // The last step goes below 5 °C, where descents are slow.
        let expected = [(1.0, 10.0), (1.5, 8.0), (3.0, 8.0), (3.5, 6.0), (5.0, 6.0), (5.25, 5.0)];
        let along = along(&target, &run, c(10.0), &bounds()).unwrap();
        assert_eq!(along[..6], points(&expected));
        assert_eq!(along[6], (Span::from_hours_f64(9.25), c(4.0)));
    }

    #[test]
    fn a_line_is_as_slow_as_its_ramp_and_no_faster_than_it_is_asked() {
        let bounds = bounds();
        for (from, to, left, expected) in [
            (10.0, 14.0, 8.0, vec![(8.0, 14.0)]),
            (10.0, 14.0, 2.0, vec![(4.0, 14.0)]),
            (10.0, 3.0, 3.5, vec![(2.5, 5.0), (10.5, 3.0)]),
            (10.0, 10.0, 3.0, vec![]),
        ] {
            let line = line(c(from), c(to), Span::from_hours_f64(left), &bounds);
            assert_eq!(line, points(&expected), "{from} to {to} in {left} h");
        }
    }

    #[test]
    fn only_time_foretells_the_end_of_a_stage() {
        let h = Span::from_hours;
        let elapsed = |hours| Milestone::Elapsed(h(hours));
        let clean = || Milestone::Confirm("clean".to_owned());
        let ends =
            |milestone: &Milestone, known: bool| ends_in(milestone, h(10), h(40), &|_| known);
        assert_eq!(ends(&elapsed(24), false), Some(h(14)));
        assert_eq!(ends(&elapsed(4), false), Some(h(0)));
        assert_eq!(ends(&Milestone::SincePitch(h(48)), false), Some(h(8)));
        assert_eq!(ends(&Milestone::All(vec![elapsed(12), elapsed(30)]), false), Some(h(20)));
        assert_eq!(ends(&Milestone::Any(vec![elapsed(12), elapsed(30)]), false), Some(h(2)));
        for of in [Milestone::All, Milestone::Any] {
            assert_eq!(ends(&of(vec![elapsed(12), clean()]), false), None);
        }
        assert_eq!(ends(&Milestone::All(vec![elapsed(12), clean()]), true), Some(h(2)));
    }
}
