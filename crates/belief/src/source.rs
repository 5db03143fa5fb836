//! One source of gravity: its rhythm, its readings that wait, and whether it is trusted.

use crate::{Doubt, GravityReading, Kind};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// Readings that come faster than this are joined, in h: five minutes.
const JOIN: f64 = 5.0 / 60.0;
/// At most this many wait; later ones are left out until the five minutes are over.
const WAITING: usize = 64;
/// Of so many of the last readings the middle one is what a float reads now.
const RECENT: usize = 3;
/// How much the newest gap between readings counts for the usual one.
const RHYTHM: f64 = 0.2;
/// Bounds of the longest gap over which a source is trusted, and how many usual gaps it is.
const GAP_LEAST: Span = Span::from_hours(6);
const GAP_MOST: Span = Span::from_hours(72);
const GAP_UNKNOWN: Span = Span::from_hours(24);
const GAP_TIMES: i64 = 4;
/// A smaller step, in points or in parts of the noise, is learned without a word.
const STEP: f64 = 3.0;
const STEP_NOISE: f64 = 2.2;
/// A float that moved within this of coming back into the beer did so outside, in h.
const JUST_BACK: f64 = 24.0;
/// What is read anew is trusted again after this, in h.
const FORGIVEN: f64 = 12.0;

/// One source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Source {
    pub kind: Kind,
    /// When its last reading was taken, and what it was.
    pub last: Stamp,
    pub last_sg: f64,
    /// Usual gap between readings, in h.
    gap: Option<f64>,
    /// When a reading last went on to the banks, in h.
    passed: Option<f64>,
    /// Readings that wait, in points.
    waiting: Vec<f64>,
    /// The last readings that went on, in points, the newest last; at most [`RECENT`].
    recent: Vec<f64>,
    /// The present run of equal readings.
    run: Option<Run>,
    pub doubt: Option<Doubt>,
    /// Since when it is doubted, in h.
    doubted: f64,
    /// It is doubted, but read anew: what it has told of its zero is forgotten.
    anew: bool,
    /// It is out of the beer.
    pub is_aside: bool,
    /// When it came back into the beer, in h.
    back: Option<f64>,
    /// By how much it turned out to have moved meanwhile, in points, until that is told.
    pub moved_outside: Option<f64>,
    /// Its last step that was seen: when, in h, and by how many points.
    step: Option<(f64, f64)>,
}

/// A run of equal readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Run {
    points: f64,
    count: u32,
    since: f64,
    /// How fast the beer fell when it began, in points/h, and where it was, in points.
    rate: f64,
    gravity: f64,
}

/// The beer as it is believed while a float reads.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Beer {
    /// In points.
    pub gravity: f64,
    /// How fast it falls, in points/h.
    pub rate: f64,
    /// It may have come to its end: equal readings are just that, on a float of coarse steps.
    pub may_end: bool,
    /// Others see it too: it is known how far it fell.
    pub seen: bool,
}

/// What a reading says of a run of equal ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sticking {
    No,
    /// It sticks, as is known from now on.
    Begins,
    /// It was stuck and is free.
    Ends,
}

impl Source {
    /// Before its first reading, which is to come at `at`.
    pub fn new(kind: Kind, at: Stamp) -> Self {
        Source {
            kind,
            last: at,
            last_sg: 1.0,
            gap: None,
            passed: None,
            waiting: Vec::new(),
            recent: Vec::new(),
            run: None,
            doubt: None,
            doubted: 0.0,
            anew: false,
            is_aside: false,
            back: None,
            moved_outside: None,
            step: None,
        }
    }

    /// Takes a reading in; gives what is to be believed now, in points, if anything is.
    pub fn take(&mut self, reading: &GravityReading, time: f64, points: f64) -> Option<f64> {
        let is_newer = reading.at > self.last || self.passed.is_none();
        if !is_newer {
            // A sample that was taken before the last one and told after it.
            return Some(points);
        }
        if self.passed.is_some() {
            let gap = reading.at.since(self.last).hours();
            self.gap = Some(self.gap.map_or(gap, |usual| usual + RHYTHM * (gap - usual)));
        }
        (self.kind, self.last, self.last_sg) = (reading.kind, reading.at, reading.sg);
        if matches!(reading.kind, Kind::Hand { .. }) {
            self.passed = Some(time);
            return Some(points);
        }
        if self.waiting.len() < WAITING {
            self.waiting.push(points);
        }
        if self.passed.is_some_and(|passed| time - passed < JOIN - 1e-9) {
            return None;
        }
        self.passed = Some(time);
        let points = median(&mut self.waiting);
        self.waiting.clear();
        if self.recent.len() == RECENT {
            self.recent.remove(0);
        }
        self.recent.push(points);
        Some(points)
    }

    /// What it reads now, one outlier aside, in points; `None` before a float has read.
    pub fn reads(&self) -> Option<f64> {
        (!self.recent.is_empty()).then(|| median(&mut self.recent.clone()))
    }

    /// Whether it is a float.
    pub fn is_float(&self) -> bool {
        self.kind == Kind::Float
    }

    /// Whether its readings are believed now: what is read anew is, what sticks or disagrees is
    /// not.
    pub fn is_heard(&self) -> bool {
        self.doubt.is_none() || self.anew
    }

    /// Whether it has spoken lately at `now`.
    pub fn speaks(&self, now: Stamp) -> bool {
        now.since(self.last) <= self.bound()
    }

    /// The longest gap over which it is trusted.
    pub fn bound(&self) -> Span {
        let usual = self.interval().map(|usual| (usual * GAP_TIMES).max(GAP_LEAST));
        usual.unwrap_or(GAP_UNKNOWN).min(GAP_MOST)
    }

    /// Since when it is doubted, in h.
    pub fn doubted_since(&self) -> Option<f64> {
        self.doubt.map(|_| self.doubted)
    }

    /// Looks for a run of equal readings while the beer falls.
    pub fn watch_run(&mut self, at: Stamp, time: f64, points: f64, beer: Beer) -> Sticking {
        const READINGS: u32 = 6;
        const HOURS: f64 = 3.0;
        // A float that shows whole points repeats itself for less.
        const FALL: f64 = 3.0;
        const FORETOLD: f64 = 12.0;
        let Some(run) = self.run.as_mut().filter(|run| run.points == points) else {
            let rate = if beer.may_end { 0.0 } else { beer.rate };
            let gravity = beer.gravity;
            self.run = Some(Run { points, count: 1, since: time, rate, gravity });
            if matches!(self.doubt, Some(Doubt::Stuck { .. })) {
                self.trust();
                return Sticking::Ends;
            }
            return Sticking::No;
        };
        run.count = run.count.saturating_add(1);
        let hours = time - run.since;
        let seen = if beer.seen { run.gravity - beer.gravity } else { 0.0 };
        let fall = seen.max(run.rate * hours.min(FORETOLD));
        let heard = self.doubt.is_none() || self.anew;
        if run.count < READINGS || hours < HOURS || fall <= FALL || !heard {
            return Sticking::No;
        }
        self.doubt(Doubt::Stuck { since: at - Span::from_hours_f64(hours) }, time);
        Sticking::Begins
    }

    /// A step of this many points was seen, by a float whose noise is so large, in points. One
    /// that has just come back into the beer may have moved: that is no fault of it.
    pub fn stepped(&mut self, at: Stamp, time: f64, points: f64, noise: f64) {
        if self.back.take().is_some_and(|back| time - back <= JUST_BACK) {
            self.moved_outside = Some(points);
            return;
        }
        if points.abs() >= STEP.max(STEP_NOISE * noise) {
            self.step = Some((time, points));
            self.doubt(Doubt::Stepped { at, points }, time);
            self.anew = true;
        }
    }

    /// The last step that was seen: when, in h, and by how many points.
    pub fn step(&self) -> Option<(f64, f64)> {
        self.step
    }

    /// What was taken for a step of the float was the beer's.
    pub fn has_not_stepped(&mut self) {
        self.step = None;
        self.recent.clear();
        if matches!(self.doubt, Some(Doubt::Stepped { .. })) {
            self.trust();
        }
    }

    /// It is back in the beer.
    pub fn is_back(&mut self, time: f64) {
        self.is_aside = false;
        self.back = Some(time);
        self.run = None;
        self.waiting.clear();
        self.recent.clear();
    }

    /// Another float has taken its place: nothing is known of it but its name.
    pub fn is_another(&mut self) {
        let (last, last_sg) = (self.last, self.last_sg);
        *self = Source { last_sg, ..Source::new(self.kind, last) };
    }

    /// Samples say that it has drifted by this many points: they have set it.
    pub fn was_set(&mut self, time: f64, points: f64) {
        if points.abs() >= STEP {
            self.doubt(Doubt::Disagrees { points }, time);
            self.anew = true;
        } else {
            self.trust();
        }
    }

    /// It is not believed from now on.
    pub fn doubt(&mut self, doubt: Doubt, time: f64) {
        (self.doubt, self.doubted, self.anew) = (Some(doubt), time, false);
    }

    /// It is believed wholly from now on.
    pub fn trust(&mut self) {
        (self.doubt, self.anew) = (None, false);
    }

    /// What was read anew for long enough is trusted again.
    pub fn forgive(&mut self, time: f64) {
        if self.anew && time - self.doubted > FORGIVEN {
            self.trust();
        }
    }

    /// Equal readings count from now on.
    pub fn forget_run(&mut self) {
        self.run = None;
    }

    /// The usual time between its readings.
    pub fn interval(&self) -> Option<Span> {
        self.gap.map(Span::from_hours_f64)
    }
}

/// The median of these, of which there is one at least.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { 0.5 * (values[middle - 1] + values[middle]) }
}
