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
        let mut points = vec![(0.0, setpoint.celsius())];
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
        self.along().at(hours)
    }

    /// The path, to be asked in order of time.
    fn along(&self) -> Along<'_> {
        Along { points: &self.points, next: 0 }
    }
}

/// A path on which time only goes forward.
struct Along<'a> {
    points: &'a [(f64, f64)],
    /// The first point that has not come.
    next: usize,
}

impl Along<'_> {
    /// The setpoint in so many hours; not fewer than the last time.
    fn at(&mut self, hours: f64) -> f64 {
        while self.points.get(self.next).is_some_and(|(at, _)| *at <= hours) {
            self.next += 1;
        }
        let (from, start) = self.points[self.next.saturating_sub(1)];
        match self.points.get(self.next) {
            Some((to, end)) if *to > from => start + (end - start) * (hours - from) / (to - from),
            _ => start,
        }
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
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }
}

/// Looks ahead from now; `pending` are the pieces of inputs that were given and have not acted yet.
pub(crate) fn outlook(mut state: State, pending: &[(f64, Inputs)], path: &Path) -> Outlook {
    let error = state.x[TEMPERATURE] - path.at(0.0);
    let soon = (2.0 * state.tau).max(0.5);
    let mut elapsed = 0.0;
    for (hours, inputs) in pending {
        state.advance(*hours, *inputs);
        elapsed += hours;
    }
    let step = (state.tau / 8.0).clamp(STEP_LEAST, STEP_MOST);
    let course = |running| Course::new(&state, step, inputs(running));
    // Side by side, so that the machine need not wait for one to begin the next.
    let mut courses = [None, Some(Output::Chiller), Some(Output::Heater)].map(course);
    let mut outlook = Outlook {
        error,
        off: Extremes::NONE,
        soon: Extremes::NONE,
        beer: Extremes::NONE,
        cooled_high: f64::NEG_INFINITY,
        heated_low: f64::INFINITY,
    };
    let mut along = path.along();
    for number in 0..=STEPS {
        if number > 0 {
            courses.iter_mut().for_each(Course::step);
            elapsed += step;
        }
        let setpoint = along.at(elapsed);
        let [off, cooled, heated] = courses.each_ref().map(|course| course.beer);
        outlook.beer.take(off);
        outlook.off.take(off - setpoint);
        if elapsed <= soon {
            outlook.soon.take(off - setpoint);
        }
        outlook.cooled_high = outlook.cooled_high.max(cooled - setpoint);
        outlook.heated_low = outlook.heated_low.min(heated - setpoint);
    }
    outlook
}

/// The beer's course if one output runs from now on, or none; as [`State::advance`], with all that
/// stays the same worked out before.
struct Course {
    beer: f64,
    rate: f64,
    /// Where the rate goes, in K/h, and the share of the way in a step.
    end: f64,
    a: f64,
    /// What a step adds: for each K/h of the rate, by where the rate goes, and directly.
    by_rate: f64,
    by_end: f64,
    direct: f64,
}

impl Course {
    fn new(state: &State, step: f64, inputs: Inputs) -> Self {
        let a = -(-step / state.tau).exp_m1();
        let x = &state.x;
        let end = x[DRIFT] + x[COOLING] * inputs.chiller + x[HEATING] * inputs.heater;
        Course {
            beer: x[TEMPERATURE],
            rate: x[RATE],
            end,
            a,
            by_rate: state.tau * a,
            by_end: (step - state.tau * a) * end,
            direct: x[DIRECT] * inputs.heater * step,
        }
    }

    fn step(&mut self) {
        self.beer += self.by_rate * self.rate + self.by_end + self.direct;
        self.rate += self.a * (self.end - self.rate);
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
