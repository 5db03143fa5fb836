//! Where the beer will go if the outputs do this or that.

use crate::Output;
use crate::bank::State;
use crate::filter::{COOLING, DIRECT, DRIFT, HEATING, Inputs, RATE, TEMPERATURE};
use crate::past::inputs;
use quantity::{Span, Temperature};
use serde::{Deserialize, Serialize};

/// Number of steps looked ahead.
const STEPS: usize = 60;
/// Before its setpoint moves, the beer leaves it by no more than this, in K: half a step of 3 K. An
/// engineering choice, no source.
const EARLY_MOST: f64 = 1.5;
/// A step is an eighth of the time constant, within these bounds, in h.
const STEP_LEAST: f64 = 2.0 / 60.0;
const STEP_MOST: f64 = 6.0 / 60.0;

/// The setpoint now and to come, in °C over h from now.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Path {
    /// Invariant: never empty, in order of time.
    points: Vec<(f64, f64)>,
}

/// The lowest and the highest of something.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Extremes {
    pub low: f64,
    pub high: f64,
}

/// Errors to come, beer less setpoint, in K.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Outlook {
    /// The error now, as the model sees it.
    pub error: f64,
    /// With both outputs off from now on.
    pub off: Extremes,
    /// The same, over the time in which the coast shows.
    pub soon: Extremes,
    /// The beer's temperatures with both outputs off, in °C.
    pub beer: Extremes,
    /// The highest error with the chiller on from now on.
    pub cooled_high: f64,
    /// The lowest error with the heater on from now on.
    pub heated_low: f64,
}

impl Path {
    /// From the setpoint and its known future.
    pub fn new(setpoint: Temperature, ahead: &[(Span, Temperature)]) -> Self {
        let mut points = Vec::with_capacity(1 + ahead.len());
        points.push((0.0, setpoint.celsius()));
        for (after, temperature) in ahead {
            let hours = after.hours();
            if points.last().is_some_and(|(last, _)| hours >= *last) {
                points.push((hours, temperature.celsius()));
            }
        }
        // Before its first point a path stands, so a flat beginning needs one point only.
        let flat = points.windows(2).take_while(|pair| pair[0].1 == pair[1].1).count();
        points.drain(..flat);
        Path { points }
    }

    /// A course that the beer can follow: each climb and descent that is steeper than these rates,
    /// in K/h, becomes as steep as they are and is spread evenly around its own middle, which is
    /// the least squared error that such a beer can have. It leaves its place before its time by
    /// [`EARLY_MOST`] at most.
    pub fn followable(mut self, up: Option<f64>, down: Option<f64>) -> Path {
        for i in 1..self.points.len() {
            let ((from, start), (to, end)) = (self.points[i - 1], self.points[i]);
            let way = (end - start).abs();
            let Some(rate) = (if end > start { up } else { down }) else { continue };
            if way <= rate * (to - from) || way == 0.0 {
                continue;
            }
            let middle = (from + to) / 2.0;
            let earliest = if i == 1 { f64::NEG_INFINITY } else { self.points[i - 2].0 };
            let begin = (middle - way / rate / 2.0).max(earliest).max(from - EARLY_MOST / rate);
            let latest = self.points.get(i + 1).map_or(f64::INFINITY, |(at, _)| *at);
            self.points[i - 1].0 = begin;
            self.points[i].0 = (begin + way / rate).min(latest);
        }
        self
    }

    /// The setpoint in so many hours.
    pub fn at(&self, hours: f64) -> f64 {
        let next = self.points.partition_point(|(at, _)| *at <= hours);
        let (from, start) = self.points[next.saturating_sub(1)];
        match self.points.get(next) {
            Some((to, end)) if *to > from => start + (end - start) * (hours - from) / (to - from),
            _ => start,
        }
    }

    /// Its straight legs from `begins` on, in hours from now.
    fn legs(&self, begins: f64) -> impl Iterator<Item = Leg> {
        // It stands before its first point and after its last one.
        let first = self.points.first().map(|(_, at)| (f64::NEG_INFINITY, *at));
        let last = self.points.last().map(|(_, at)| (f64::INFINITY, *at));
        let (from, to) = (self.points.iter().copied(), self.points.iter().copied());
        let pairs = first.into_iter().chain(from).zip(to.chain(last));
        pairs.filter_map(move |((from, start), (ends, end))| {
            let begins = from.max(begins);
            let slope = if start == end { 0.0 } else { (end - start) / (ends - from) };
            let start = if slope == 0.0 { start } else { start + slope * (begins - from) };
            (begins < ends).then_some(Leg { begins, ends, start, slope })
        })
    }
}

/// A straight part of a path; times in h from now, temperatures in °C.
struct Leg {
    begins: f64,
    /// The next one begins here.
    ends: f64,
    start: f64,
    /// In K/h.
    slope: f64,
}

impl Leg {
    fn at(&self, hours: f64) -> f64 {
        self.start + self.slope * (hours - self.begins)
    }
}

impl Outlook {
    /// With all errors higher by so much.
    pub fn shifted(mut self, by: f64) -> Outlook {
        self.error += by;
        for extremes in [&mut self.off, &mut self.soon] {
            extremes.low += by;
            extremes.high += by;
        }
        self.cooled_high += by;
        self.heated_low += by;
        self
    }
}

impl Extremes {
    const NONE: Extremes = Extremes { low: f64::INFINITY, high: f64::NEG_INFINITY };

    fn take(&mut self, value: f64) {
        if value < self.low {
            self.low = value;
        }
        if value > self.high {
            self.high = value;
        }
    }

    fn join(&mut self, other: Extremes) {
        self.take(other.low);
        self.take(other.high);
    }
}

/// Looks ahead from now; `pending` are the pieces of inputs that were given and have not acted yet.
pub(crate) fn outlook(mut state: State, pending: &[(f64, Inputs)], path: &Path) -> Outlook {
    let error = state.x[TEMPERATURE] - path.at(0.0);
    let mut begins = 0.0;
    for (hours, inputs) in pending {
        state.advance(*hours, *inputs);
        begins += hours;
    }
    let step = (state.tau / 8.0).clamp(STEP_LEAST, STEP_MOST);
    let soon = (2.0 * state.tau).max(0.5);
    // The last step that is not later than `soon`.
    let soon = (((soon - begins) / step).max(0.0) as usize).min(STEPS);
    let fades = (-step / state.tau).exp();
    let course = |running| Course::new(&state, (begins, step, fades), inputs(running));
    let [off, cooled, heated] = [None, Some(Output::Chiller), Some(Output::Heater)].map(course);
    let mut outlook = Outlook {
        error,
        off: Extremes::NONE,
        soon: Extremes::NONE,
        beer: Extremes::NONE,
        cooled_high: f64::NEG_INFINITY,
        heated_low: f64::INFINITY,
    };
    for leg in path.legs(begins) {
        let Some(steps) = off.steps(&leg) else { continue };
        outlook.off.join(off.errors(&leg, steps));
        outlook.cooled_high = outlook.cooled_high.max(cooled.errors(&leg, steps).high);
        outlook.heated_low = outlook.heated_low.min(heated.errors(&leg, steps).low);
        if steps.0 <= soon {
            outlook.soon.join(off.errors(&leg, (steps.0, steps.1.min(soon))));
        }
    }
    let none = Leg { begins, ends: f64::INFINITY, start: 0.0, slope: 0.0 };
    outlook.beer = off.errors(&none, (0, STEPS));
    outlook
}

/// The beer's course if one output runs from `begins` on, or none: what [`State::advance`] gives,
/// as a function of time, so that not all steps need be gone to find the extremes among them.
struct Course {
    begins: f64,
    step: f64,
    /// What is left of an excess after a step.
    fades: f64,
    beer: f64,
    tau: f64,
    /// How fast the beer goes in the end, and by how much faster at the beginning, in K/h.
    end: f64,
    excess: f64,
}

impl Course {
    fn new(state: &State, (begins, step, fades): (f64, f64, f64), inputs: Inputs) -> Self {
        let x = &state.x;
        let rate = x[DRIFT] + x[COOLING] * inputs.chiller + x[HEATING] * inputs.heater;
        Course {
            begins,
            step,
            fades,
            beer: x[TEMPERATURE],
            tau: state.tau,
            end: rate + x[DIRECT] * inputs.heater,
            excess: x[RATE] - rate,
        }
    }

    /// The first and the last step within a leg; the same for all courses.
    fn steps(&self, leg: &Leg) -> Option<(usize, usize)> {
        let first = ((leg.begins - self.begins) / self.step).ceil() as usize;
        let behind = (leg.ends - self.begins) / self.step;
        // A step at its very end is the next leg's.
        let last =
            if behind > STEPS as f64 { STEPS } else { (behind.ceil() as usize).checked_sub(1)? };
        (first <= last).then_some((first, last))
    }

    /// Beer less setpoint after so many steps, on a leg.
    fn error(&self, leg: &Leg, steps: usize) -> f64 {
        let hours = steps as f64 * self.step;
        let gone = 1.0 - self.fades.powi(steps as i32);
        let beer = self.beer + self.end * hours + self.excess * self.tau * gone;
        beer - leg.at(self.begins + hours)
    }

    /// The extremes of beer less setpoint at these steps of a leg.
    fn errors(&self, leg: &Leg, (first, last): (usize, usize)) -> Extremes {
        let mut extremes = Extremes::NONE;
        extremes.take(self.error(leg, first));
        extremes.take(self.error(leg, last));
        // The error turns where the beer is as fast as the setpoint: once at most, since its speed
        // only nears its end.
        let left = (leg.slope - self.end) / self.excess;
        if left > 0.0 && left < 1.0 {
            let before = (-self.tau * left.ln() / self.step) as usize;
            for step in [before, before + 1] {
                if step > first && step < last {
                    extremes.take(self.error(leg, step));
                }
            }
        }
        extremes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_runs_through_its_points_and_then_stands() {
        let c = |celsius: f64| Temperature::from_celsius(celsius).unwrap();
        let path = Path::new(
            c(10.0),
            &[
                (Span::from_hours(2), c(10.0)),
                (Span::from_hours(4), c(12.0)),
                (Span::ZERO, c(50.0)),
            ],
        );
        for (hours, expected) in [(0.0, 10.0), (1.9, 10.0), (3.0, 11.0), (4.0, 12.0), (99.0, 12.0)]
        {
            assert!((path.at(hours) - expected).abs() < 1e-12, "{hours}");
        }
        let jump =
            Path::new(c(16.0), &[(Span::from_hours(1), c(16.0)), (Span::from_hours(1), c(19.0))]);
        assert_eq!((jump.at(0.99), jump.at(1.0)), (16.0, 19.0));
    }

    #[test]
    fn the_outlook_has_the_extremes_of_all_its_steps() {
        let c = |celsius: f64| Temperature::from_celsius(celsius).unwrap();
        let h = Span::from_hours_f64;
        let jump = [(h(1.0), c(18.0)), (h(1.0), c(17.0)), (h(3.0), c(16.0)), (h(4.5), c(18.5))];
        for (tau, rate, ahead) in
            [(0.2, 1.0, &jump[..]), (0.75, -2.0, &jump[..]), (0.75, 1.5, &[]), (1.7, 0.0, &jump)]
        {
            let state = State { tau, x: [18.2, rate, 0.15, -2.0, 1.2, 0.3] };
            let path = Path::new(c(18.0), ahead);
            let pending = [(1.0 / 60.0, inputs(None))];
            let outlook = outlook(state, &pending, &path);
            let step = (tau / 8.0).clamp(STEP_LEAST, STEP_MOST);
            let stepped = |running, hours: f64| {
                let (mut state, mut at) = (state, pending[0].0);
                state.advance(at, pending[0].1);
                let (mut errors, mut beer) = (Extremes::NONE, Extremes::NONE);
                for _ in (0..=STEPS).take_while(|k| pending[0].0 + *k as f64 * step <= hours) {
                    beer.take(state.x[TEMPERATURE]);
                    errors.take(state.x[TEMPERATURE] - path.at(at));
                    state.advance(step, inputs(running));
                    at += step;
                }
                (errors, beer)
            };
            let (off, beer) = stepped(None, f64::INFINITY);
            let (soon, _) = stepped(None, (2.0 * tau).max(0.5));
            let (cooled, _) = stepped(Some(Output::Chiller), f64::INFINITY);
            let (heated, _) = stepped(Some(Output::Heater), f64::INFINITY);
            for (what, found, expected) in [
                ("off, low", outlook.off.low, off.low),
                ("off, high", outlook.off.high, off.high),
                ("soon, low", outlook.soon.low, soon.low),
                ("soon, high", outlook.soon.high, soon.high),
                ("beer, low", outlook.beer.low, beer.low),
                ("beer, high", outlook.beer.high, beer.high),
                ("cooled, high", outlook.cooled_high, cooled.high),
                ("heated, low", outlook.heated_low, heated.low),
            ] {
                assert!((found - expected).abs() < 1e-9, "{tau} h, {what}: {found}, {expected}");
            }
        }
    }

    #[test]
    fn a_step_becomes_a_climb_that_is_centred_on_it() {
        let c = |celsius: f64| Temperature::from_celsius(celsius).unwrap();
        let at = Span::from_hours(5);
        let path = Path::new(c(16.0), &[(at, c(16.0)), (at, c(19.0))]).followable(Some(1.0), None);
        for (hours, expected) in [(0.0, 16.0), (3.5, 16.0), (5.0, 17.5), (6.5, 19.0), (9.0, 19.0)] {
            assert!((path.at(hours) - expected).abs() < 1e-12, "{hours}: {}", path.at(hours));
        }
        // The climb has begun before now where the step is near.
        let near =
            Path::new(c(16.0), &[(Span::from_hours(1), c(16.0)), (Span::from_hours(1), c(19.0))])
                .followable(Some(1.0), None);
        assert!((near.at(0.0) - 16.5).abs() < 1e-12);
        // A long way does not begin the earlier for that.
        let long = Path::new(c(4.0), &[(at, c(4.0)), (at, c(19.0))]).followable(Some(1.0), None);
        for (hours, expected) in [(3.5, 4.0), (5.0, 5.5), (18.5, 19.0)] {
            assert!((long.at(hours) - expected).abs() < 1e-12, "{hours}: {}", long.at(hours));
        }
        // What the beer can follow stays as it is, and so does a way down that is not known.
        for (to, up) in [(c(19.0), Some(2.0)), (c(13.0), Some(0.1))] {
            let ramp = Path::new(c(16.0), &[(at, to)]);
            assert_eq!(ramp.clone().followable(up, None), ramp);
        }
    }
}
