//! One source of gravity: its rhythm, its readings that wait, and whether it is trusted.

use crate::{Doubt, GravityReading, Kind};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// Readings that come faster than this are joined, in h: five minutes.
const JOIN: f64 = 5.0 / 60.0;
/// At most this many wait; later ones are left out until the five minutes are over.
const WAITING: usize = 64;
/// A float's place beside the others is known after so many blocks.
const KNOWN_BLOCKS: u32 = 4;
/// How much the newest gap between readings counts for the usual one.
const RHYTHM: f64 = 0.2;

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
    /// The present run of equal readings.
    run: Option<Run>,
    /// How it reads beside the float that was here first; `None` for that one.
    pub beside: Option<Beside>,
    pub doubt: Option<Doubt>,
    /// Since when it is doubted, in h.
    doubted: f64,
}

/// A run of equal readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Run {
    points: f64,
    count: u32,
    since: f64,
    /// How fast the beer fell when it began, in points/h.
    rate: f64,
}

/// How one float reads beside the others, in blocks of some hours.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Beside {
    /// This float less the others, in points.
    mean: f64,
    blocks: u32,
    /// Where it stood when it was first known, and when, in h.
    first: Option<(f64, f64)>,
    /// The block that is being filled.
    begun: f64,
    sum: f64,
    count: u32,
    /// How many blocks in a row lay far from the mean.
    far: u32,
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
            run: None,
            beside: None,
            doubt: None,
            doubted: 0.0,
        }
    }

    /// Takes a reading in; gives what is to be believed now, in points, if anything is.
    pub fn take(&mut self, reading: &GravityReading, time: f64, points: f64) -> Option<f64> {
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
        Some(median(&mut self.waiting))
    }

    /// Whether its readings are believed now: what stepped is read anew, what sticks or disagrees
    /// is not.
    pub fn is_heard(&self) -> bool {
        matches!(self.doubt, None | Some(Doubt::Stepped { .. }))
    }

    /// Looks for a run of equal readings while the beer falls; `rate` is in points/h.
    pub fn watch_run(&mut self, at: Stamp, time: f64, points: f64, rate: f64) {
        const READINGS: u32 = 6;
        const HOURS: f64 = 3.0;
        // A float that shows whole points repeats itself for less.
        const FALL: f64 = 3.0;
        const FORETOLD: f64 = 12.0;
        match &mut self.run {
            Some(run) if run.points == points => {
                run.count = run.count.saturating_add(1);
                let hours = time - run.since;
                let fall = run.rate * hours.min(FORETOLD);
                if run.count >= READINGS && hours >= HOURS && fall > FALL && self.doubt.is_none() {
                    let since = at - Span::from_hours_f64(hours);
                    self.doubt = Some(Doubt::Stuck { since });
                    self.doubted = time;
                }
            }
            _ => {
                self.run = Some(Run { points, count: 1, since: time, rate });
                if matches!(self.doubt, Some(Doubt::Stuck { .. })) {
                    self.doubt = None;
                }
            }
        }
    }

    /// A step of this many points was seen.
    pub fn stepped(&mut self, at: Stamp, time: f64, points: f64) {
        const STEP: f64 = 3.0;
        if points.abs() >= STEP {
            self.doubt = Some(Doubt::Stepped { at, points });
            self.doubted = time;
        }
    }

    /// A float that stepped long enough ago is trusted again: it was read anew.
    pub fn forgive(&mut self, time: f64) {
        const FORGIVEN: f64 = 12.0;
        if matches!(self.doubt, Some(Doubt::Stepped { .. })) && time - self.doubted > FORGIVEN {
            self.doubt = None;
        }
    }

    /// A sample was taken: a float that agrees with it is trusted again.
    pub fn compare(&mut self, apart: f64, tolerance: f64) {
        if apart.abs() <= tolerance {
            self.doubt = None;
        }
    }

    /// The usual time between its readings.
    pub fn interval(&self) -> Option<Span> {
        self.gap.map(Span::from_hours_f64)
    }
}

impl Beside {
    /// A reading that differs from the others by this; gives a doubt where it parts from them.
    pub fn take(&mut self, time: f64, apart: f64) -> Option<Doubt> {
        const BLOCK: f64 = 3.0;
        const FOLLOW: f64 = 0.05;
        const FAR: f64 = 3.0;
        const FAR_BLOCKS: u32 = 3;
        const DRIFTED: f64 = 2.5;
        if self.count == 0 {
            self.begun = time;
        }
        self.sum += apart;
        self.count = self.count.saturating_add(1);
        if time - self.begun < BLOCK && self.blocks > 0 {
            return None;
        }
        let block = self.sum / f64::from(self.count);
        (self.sum, self.count) = (0.0, 0);
        self.blocks = self.blocks.saturating_add(1);
        if let Some((mean, since)) = self.first {
            let far = (block - self.mean).abs() > FAR;
            self.far = if far { self.far.saturating_add(1) } else { 0 };
            if self.far >= FAR_BLOCKS {
                return Some(Doubt::Disagrees { points: block - self.mean });
            }
            if !far {
                self.mean += FOLLOW * (block - self.mean);
            }
            let (moved, days) = (self.mean - mean, (time - since) / 24.0);
            return (moved.abs() > DRIFTED && days > 1.0)
                .then_some(Doubt::Drifts { points_per_day: moved / days });
        }
        self.mean += (block - self.mean) / f64::from(self.blocks);
        if self.blocks >= KNOWN_BLOCKS {
            self.first = Some((self.mean, time));
        }
        None
    }

    /// This float less the others, in points, once it is known.
    pub fn offset(&self) -> Option<f64> {
        self.first.map(|_| self.mean)
    }
}

/// The median of what waits, which is taken out.
fn median(waiting: &mut Vec<f64>) -> f64 {
    waiting.sort_by(f64::total_cmp);
    let middle = waiting.len() / 2;
    let median = if waiting.len() % 2 == 1 {
        waiting[middle]
    } else {
        0.5 * (waiting[middle - 1] + waiting[middle])
    };
    waiting.clear();
    median
}
