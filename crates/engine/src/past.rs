//! What past batches of a schedule did: how much longer or shorter their stages took than foretold.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// So many schedules are remembered; the one that was learned of longest ago makes room.
const SCHEDULES: usize = 200;
/// A stage that took more than e² times as long, or as short, says no more than that.
const MOST: f64 = 2.0;
/// An old batch counts less once there were so many.
const COUNTS: f64 = 8.0;

/// By schedule (its file) and stage.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Past {
    schedules: BTreeMap<String, Stages>,
    lessons: u64,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Stages {
    /// The number of its last lesson.
    last: u64,
    paces: BTreeMap<String, Pace>,
}

/// The mean of the logarithms of real over foretold durations.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
struct Pace {
    count: f64,
    mean: f64,
}

/// One stage that was left, and how long it took beside what was foretold at its beginning.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Lesson {
    pub schedule: String,
    pub stage: String,
    /// Logarithm of real over foretold.
    pub ratio: f64,
}

impl Past {
    /// Takes a lesson.
    pub fn learn(&mut self, lesson: Lesson) {
        self.lessons += 1;
        let stages = self.schedules.entry(lesson.schedule).or_default();
        stages.last = self.lessons;
        let pace = stages.paces.entry(lesson.stage).or_default();
        pace.count = (pace.count + 1.0).min(COUNTS);
        pace.mean += (lesson.ratio.clamp(-MOST, MOST) - pace.mean) / pace.count;
        if self.schedules.len() > SCHEDULES {
            let oldest = self.schedules.iter().min_by_key(|(_, stages)| stages.last);
            if let Some(name) = oldest.map(|(name, _)| name.clone()) {
                self.schedules.remove(&name);
            }
        }
    }

    /// By what factor, as a logarithm, a stage took longer than foretold: less surely the fewer
    /// batches there were.
    pub fn pace(&self, schedule: &str, stage: &str) -> f64 {
        let pace = self.schedules.get(schedule).and_then(|stages| stages.paces.get(stage));
        pace.map_or(0.0, |pace| pace.mean * pace.count / (pace.count + 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lesson(schedule: &str, ratio: f64) -> Lesson {
        Lesson { schedule: schedule.to_owned(), stage: "primary".to_owned(), ratio }
    }

    #[test]
    fn several_batches_are_believed_more_than_one() {
        let mut past = Past::default();
        assert_eq!(past.pace("ale", "primary"), 0.0);
        past.learn(lesson("ale", 0.4));
        let once = past.pace("ale", "primary");
        assert!((once - 0.2).abs() < 1e-12);
        past.learn(lesson("ale", 0.4));
        past.learn(lesson("ale", 0.4));
        assert!((past.pace("ale", "primary") - 0.3).abs() < 1e-12);
        assert_eq!(past.pace("stout", "primary"), 0.0);
    }

    #[test]
    fn it_does_not_grow_for_ever() {
        let mut past = Past::default();
        past.learn(lesson("first", 0.4));
        for number in 0..2 * SCHEDULES {
            past.learn(lesson(&number.to_string(), 0.1));
        }
        assert_eq!(past.schedules.len(), SCHEDULES);
        assert_eq!(past.pace("first", "primary"), 0.0);
    }
}
