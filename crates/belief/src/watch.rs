//! What is watched from reading to reading: the beginning of the fall, the beginning of its tail,
//! and what the tail has said of itself.

use crate::belief::points;
use crate::tail::TailBank;
use crate::trend::{FALLEN, FRAME, GRAVITY, ORIGINAL, SLOPE, TrendBank};
use crate::{Care, Expectation};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A fall of this many points, with [`SHOWN`], is a beginning.
const BEGUN_POINTS: f64 = 1.0;
const SHOWN: f64 = 0.95;

/// The fall so far.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Fall {
    /// When it was shown that it has begun, in h.
    pub begun: Option<f64>,
    /// How many readings there were before, and when the first was.
    readings: u32,
    first: Option<f64>,
    /// The fastest fall yet, in points/h.
    fastest: f64,
    /// Since when it has all but stopped, in h.
    stopped: Option<f64>,
    /// Whether its tail has come.
    pub ended: bool,
    /// When it was last fed anew, in h.
    fed: Option<f64>,
    /// Whether the original gravity was measured: readings had settled before the fall.
    pub settled: bool,
}

impl Fall {
    /// The fastest fall yet, in points/h; 0 before one is seen, and where the beer was fed since.
    pub fn fastest(&self) -> f64 {
        if self.fed.is_some() { 0.0 } else { self.fastest }
    }

    /// There is something new to ferment: how fast that goes is another matter than before.
    pub fn renew(&mut self, time: f64) {
        (self.ended, self.stopped, self.fastest) = (false, None, 0.0);
        self.fed = Some(time);
    }

    /// Looks at the trend after a reading at `time`; additions have raised the fall by `raised`
    /// points beyond what they raised the original gravity by.
    pub fn watch(
        &mut self,
        time: f64,
        trend: &TrendBank,
        expectation: &Expectation,
        raised: f64,
    ) -> Phase {
        const SETTLED_READINGS: u32 = 4;
        const SETTLED_HOURS: f64 = 1.0;
        let first = *self.first.get_or_insert(time);
        self.readings = self.readings.saturating_add(1);
        let still = trend.below(time, BEGUN_POINTS, |_| (FALLEN, raised)).unwrap_or(1.0);
        if self.begun.is_none() {
            let enough = self.readings >= SETTLED_READINGS && time - first >= SETTLED_HOURS;
            self.settled |= enough && still > 0.5;
            if 1.0 - still < SHOWN {
                return Phase::Falling;
            }
            self.begun = Some(time);
        }
        let mean = |weights| trend.moments(time, weights).map_or(0.0, |(mean, _)| mean);
        let (gravity, original, rate) = (mean(GRAVITY), mean(ORIGINAL), -mean(SLOPE));
        let end = expectation.final_sg.map_or(0.25 * original, |end| points(end.sg));
        self.phase(time, rate, (original - gravity) / (original - end).max(1.0))
    }

    /// From the present rate in points/h, and the share of the expected fall that is done.
    fn phase(&mut self, time: f64, rate: f64, done: f64) -> Phase {
        const FAST_DONE: f64 = 0.15;
        const TAIL_DONE: f64 = 0.4;
        const FAST: f64 = 2.0 / 24.0;
        const UNREST: f64 = 0.8;
        const TAIL: f64 = 0.5;
        const STOPPED: f64 = 0.2;
        const STOPPED_HOURS: f64 = 12.0;
        const FED_LONG_AGO: f64 = 24.0;
        if done >= FAST_DONE {
            self.fastest = self.fastest.max(rate);
        }
        // What is added to a beer that has nearly ended may never go so fast again.
        let fed_long_ago = self.fed.is_some_and(|fed| time - fed >= FED_LONG_AGO);
        if (self.fastest < FAST && !fed_long_ago) || rate > UNREST * self.fastest {
            self.stopped = None;
            return Phase::Falling;
        }
        // A stop far above the end is a tail too: what ended short is to be seen.
        let stopped = rate < STOPPED * self.fastest;
        self.stopped = stopped.then(|| self.stopped.unwrap_or(time));
        let stopped = self.stopped.is_some_and(|since| time - since >= STOPPED_HOURS);
        if stopped || (rate < TAIL * self.fastest && done >= TAIL_DONE) {
            self.ended = true;
            return Phase::Tail;
        }
        Phase::Falling
    }
}

/// Where the fall is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Phase {
    /// It has not begun, or goes on.
    Falling,
    /// The tail has come. What was read before is not the tail's: a few hours of the main fall in
    /// it look like a fast first sugar, and a slow end behind it is then taken for a second one.
    Tail,
}

/// For how long a tail must have shown its end, in h.
pub(crate) const HOLD: f64 = 2.0;
/// In the quicker mode this share of the tail's age, if that is longer: what falls slowly is also
/// known slowly. At most this long.
const HOLD_OF_AGE: f64 = 0.05;
const HOLD_MOST: f64 = 16.0;

/// For how long it must have been shown in a tail of this age, both in h.
pub(crate) fn hold(care: Care, age: f64) -> f64 {
    match care {
        Care::Safe => HOLD,
        Care::Quick => (HOLD_OF_AGE * age).clamp(HOLD, HOLD_MOST),
    }
}

/// What was probable of the tail over the last hours.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Declared {
    /// Time in h, and the probability that less than each of `GRID` is left; oldest first, and only
    /// the oldest may be older than the longest hold.
    notes: VecDeque<(f64, Vec<f64>)>,
}

/// From 1/8 to 16 points, in steps of √2.
const GRID: usize = 15;
/// Notes are no closer than this, in h, nor than this share of the longest hold.
const NOTE_EVERY: f64 = 0.4;
const NOTES_A_HOLD: f64 = 10.0;

fn grid(index: usize) -> f64 {
    2f64.powf((index as f64 - 6.0) / 2.0)
}

impl Declared {
    /// Forgets all.
    pub fn clear(&mut self) {
        self.notes.clear();
    }

    /// Notes what the tail says after a reading at `time`.
    pub fn note(&mut self, time: f64, tail: &TailBank) {
        let longest = hold(Care::Quick, time - tail.began());
        let every = NOTE_EVERY.max(longest / NOTES_A_HOLD);
        if self.notes.back().is_none_or(|(last, _)| time - last >= every) {
            let left = tail.left();
            // Rounded, for it is stored.
            let below = |index| (left.below(grid(index)).unwrap_or(0.0) * 1e4).floor() * 1e-4;
            self.notes.push_back((time, (0..GRID).map(below).collect()));
        }
        while self.notes.get(1).is_some_and(|(second, _)| time - second >= longest) {
            self.notes.pop_front();
        }
    }

    /// The least probability, in the last `hold` h before `now`, that less than `points` is left;
    /// `None` while the notes do not reach back so far.
    pub fn least_below(&self, now: f64, hold: f64, points: f64) -> Option<f64> {
        let old = |(time, _): &(f64, Vec<f64>)| now - time >= hold - 1e-9;
        let first = self.notes.front().filter(|note| old(note))?;
        let start = self.notes.iter().rposition(old).unwrap_or_default();
        let least = self.notes.iter().skip(start).map(|(_, below)| between(below, points));
        Some(least.fold(between(&first.1, points).max(1.0), f64::min))
    }
}

/// The probability at `points`, between those on the grid.
fn between(below: &[f64], points: f64) -> f64 {
    let place = 2.0 * points.max(1e-9).log2() + 6.0;
    if place <= 0.0 {
        return below[0] * (points / grid(0)).clamp(0.0, 1.0);
    }
    let low = (place.floor() as usize).min(GRID - 1);
    let high = (low + 1).min(GRID - 1);
    below[low] + (below[high] - below[low]) * (place - low as f64).clamp(0.0, 1.0)
}

/// The lowest end that the tail has called credible, and when.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Stated {
    /// Hourly: time in h, and final gravity less 2.33 sd.
    recent: VecDeque<(f64, f64)>,
    /// The highest of those that are old enough.
    highest: Option<f64>,
    /// Since when the beer has been below it.
    below: Option<f64>,
}

impl Stated {
    /// Forgets all.
    pub fn clear(&mut self) {
        *self = Stated::default();
    }

    /// After a reading at `time`: whether the beer has been below what the tail had called its end.
    pub fn broken(&mut self, time: f64, tail: &TailBank, trend: &TrendBank) -> bool {
        const NOT_BEFORE: f64 = 24.0;
        const OLD: f64 = 12.0;
        const BELOW_FOR: f64 = 3.0;
        const EVERY: f64 = 1.0;
        if time - tail.began() < NOT_BEFORE {
            return false;
        }
        let due = self.recent.back().is_none_or(|(last, _)| time - last >= EVERY);
        if let Some((end, sd)) = tail.final_moments().filter(|_| due) {
            self.recent.push_back((time, end - 2.33 * sd));
        }
        while self.recent.front().is_some_and(|(stated, _)| time - stated >= OLD) {
            if let Some((_, low)) = self.recent.pop_front() {
                self.highest = Some(self.highest.map_or(low, |highest| highest.max(low)));
            }
        }
        let level = trend.moments(time, FRAME);
        let under = level
            .zip(self.highest)
            .is_some_and(|((level, sd), highest)| level + 2.0 * sd < highest);
        self.below = under.then(|| self.below.unwrap_or(time));
        self.below.is_some_and(|since| time - since >= BELOW_FOR)
    }
}
