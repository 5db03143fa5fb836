//! One source of gravity: its rhythm, its readings that wait, and whether it is trusted.

use crate::{Doubt, GravityReading, Kind};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// Readings that come faster than this are joined, in h: five minutes.
const JOIN: f64 = 5.0 / 60.0;
/// At most this many wait; later ones are left out until the five minutes are over.
const WAITING: usize = 64;
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
    pub doubt: Option<Doubt>,
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
            waiting: vec![],
            doubt: None,
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

    /// The usual time between its readings.
    pub fn interval(&self) -> Option<Span> {
        self.gap.map(Span::from_hours_f64)
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
