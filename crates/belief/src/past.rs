//! What a float read over the batch so far, thinned: a sample that was taken some time ago belongs
//! to the readings of then.

use crate::belief::Belief;
use crate::trend::{FRAME, GRAVITY};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Notes are no closer than this, in h.
const EVERY: f64 = 1.0;
/// At most so many; then every second one of the older half goes.
const MOST: usize = 256;
/// A sample that is no older than this, in h, is taken as of now.
const NOW: f64 = 0.25;
/// Between notes the beer is known less well by this, in points an hour to the nearest one.
const BETWEEN: f64 = 0.2;

/// What it read without its noise.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Past {
    notes: VecDeque<Note>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Note {
    /// In h.
    at: f64,
    /// In points.
    points: f64,
    sd: f64,
}

impl Past {
    /// Whether a note is due.
    pub fn is_due(&self, time: f64) -> bool {
        self.notes.back().is_none_or(|last| time - last.at >= EVERY)
    }

    /// Notes what was read at a time, mean and standard deviation.
    pub fn note(&mut self, at: f64, (points, sd): (f64, f64)) {
        self.notes.push_back(Note { at, points, sd });
        if self.notes.len() > MOST {
            let mut place = 0;
            self.notes.retain(|_| {
                place += 1;
                place > MOST / 2 || place % 2 == 1
            });
        }
    }

    /// What it had read then, mean and standard deviation; `None` where nothing was noted.
    pub fn at(&self, time: f64) -> Option<(f64, f64)> {
        let after = self.notes.iter().find(|note| note.at >= time);
        let before = self.notes.iter().rev().find(|note| note.at <= time);
        let (before, after) = (before.or(after)?, after.or(before)?);
        let step = after.at - before.at;
        let share = if step > 0.0 { (time - before.at) / step } else { 0.0 };
        let nearest = (time - before.at).abs().min((after.at - time).abs());
        let sd = before.sd.max(after.sd).hypot(BETWEEN * nearest);
        Some((before.points + share * (after.points - before.points), sd))
    }

    /// The float has moved by this, in points: what it had read before is told as it reads now.
    pub fn has_moved(&mut self, points: f64) {
        for note in &mut self.notes {
            note.points += points;
        }
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        self.notes.clear();
    }
}

impl Belief {
    /// A sample of `taken` as it would have been at `time`: by as much lower as the readings have
    /// fallen since. Mean and standard deviation, in points.
    pub(crate) fn brought_on(&self, taken: f64, time: f64, points: f64, sd: f64) -> (f64, f64) {
        let weights = if self.lead.is_some() { FRAME } else { GRAVITY };
        let now = self.ear.trend.moments(time, weights);
        match self.ear.past.at(taken).zip(now).filter(|_| is_past(taken, time)) {
            Some(((then, then_sd), (now, now_sd))) => {
                (points + now - then, sd.hypot(then_sd).hypot(now_sd))
            }
            None => (points, sd),
        }
    }
}

/// Whether a sample says nothing of now by itself.
pub(crate) fn is_past(taken: f64, time: f64) -> bool {
    time - taken > NOW
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_read_then_lies_between_its_notes() {
        let mut past = Past::default();
        assert_eq!(past.at(3.0), None);
        past.note(2.0, (40.0, 0.3));
        past.note(6.0, (36.0, 0.4));
        let (points, sd) = past.at(3.0).unwrap();
        assert!((points - 39.0).abs() < 1e-12 && (sd - 0.4f64.hypot(0.2)).abs() < 1e-12);
        assert_eq!(past.at(0.0).unwrap().0, 40.0);
        assert_eq!(past.at(9.0).unwrap().0, 36.0);
        past.has_moved(-2.0);
        assert_eq!(past.at(6.0), Some((34.0, 0.4)));
    }

    #[test]
    fn it_stays_small_and_reaches_back_to_the_beginning() {
        let mut past = Past::default();
        for hour in 0..3000 {
            assert!(past.is_due(f64::from(hour)));
            past.note(f64::from(hour), (f64::from(hour), 0.1));
        }
        assert!(past.notes.len() <= MOST);
        for hour in [0.0, 700.0, 1500.5, 2990.5] {
            assert!((past.at(hour).unwrap().0 - hour).abs() < 1e-9, "{hour}");
        }
    }
}
