//! How much one topic may bring: far more than any device has, and no more than the disk can bear
//! for months.
//!
//! Whatever comes in is kept for a recovery. One who publishes as fast as he can would fill the
//! disk, and have a start replay it for hours. Commands are not cut: among a flood of them may be
//! the one that stops.

use quantity::{Span, Stamp};
use std::collections::BTreeMap;

/// What a topic brings, each with a measure of its own: garbage takes no reading's place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// What cannot be read; the engine counts more than a few an hour only.
    Garbage,
    /// A reading, or a relay's report of itself.
    Reading,
}

impl Kind {
    /// How many may come at once, and how many a second for ever.
    const fn most(self) -> (f64, f64) {
        match self {
            Kind::Garbage => (1000.0, 1.0),
            // A float that was out of reach for long sends all that it has stored.
            Kind::Reading => (20_000.0, 20.0),
        }
    }
}

/// So often it is told of one topic.
const TOLD_EVERY: Span = Span::from_hours(1);

/// How much each topic may still bring. As many topics as the daemon listens to.
#[derive(Debug, Default)]
pub struct Throttle {
    topics: [BTreeMap<String, Left>; 2],
}

#[derive(Debug)]
struct Left {
    messages: f64,
    at: Stamp,
    told: Option<Stamp>,
    dropped: u64,
}

/// Whether a message is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It is.
    Heard,
    /// It is not, and so many before it were not since that was told last; due to be told now.
    Told(u64),
    /// It is not.
    Dropped,
}

impl Throttle {
    /// One more of this kind on a topic.
    pub fn lets(&mut self, topic: &str, kind: Kind, now: Stamp) -> Verdict {
        let (most, a_second) = kind.most();
        let topics = &mut self.topics[kind as usize];
        if !topics.contains_key(topic) {
            let left = Left { messages: most, at: now, told: None, dropped: 0 };
            topics.insert(topic.to_owned(), left);
        }
        let Some(left) = topics.get_mut(topic) else { return Verdict::Heard };
        let passed = now.since(left.at).millis().max(0) as f64 / 1000.0;
        left.at = now;
        left.messages = (left.messages + passed * a_second).min(most);
        if left.messages >= 1.0 {
            left.messages -= 1.0;
            return Verdict::Heard;
        }
        left.dropped += 1;
        if left.told.is_some_and(|told| now.since(told) < TOLD_EVERY) {
            return Verdict::Dropped;
        }
        left.told = Some(now);
        Verdict::Told(std::mem::take(&mut left.dropped) - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: i64) -> Stamp {
        Stamp::from_millis(millis)
    }

    #[test]
    fn no_device_that_means_well_is_throttled() {
        let mut throttle = Throttle::default();
        // Ten a second for a day, after a backlog of a month of quarters of an hour.
        for _ in 0..2880 {
            assert_eq!(throttle.lets("float", Kind::Reading, at(0)), Verdict::Heard);
        }
        for tenth in 0..864_000 {
            assert_eq!(throttle.lets("float", Kind::Reading, at(tenth * 100)), Verdict::Heard);
        }
    }

    #[test]
    fn a_flood_on_one_topic_is_cut_and_told_each_hour_and_no_other_suffers() {
        let mut throttle = Throttle::default();
        let (mut heard, mut told) = (0, Vec::new());
        // A thousand a second for two hours and a bit.
        for millis in 0..7_300_000 {
            match throttle.lets("probe", Kind::Reading, at(millis)) {
                Verdict::Heard => heard += 1,
                Verdict::Told(before) => told.push(before),
                Verdict::Dropped => {}
            }
        }
        let (most, a_second) = Kind::Reading.most();
        let due = most + a_second * 7300.0;
        assert!((f64::from(heard) - due).abs() < 2.0, "{heard}, {due}");
        assert_eq!(told.len(), 3);
        assert!(told[0] == 0 && told[1] > 3_000_000, "{told:?}");
        assert_eq!(throttle.lets("float", Kind::Reading, at(7_300_000)), Verdict::Heard);
    }

    #[test]
    fn garbage_takes_no_readings_place() {
        let mut throttle = Throttle::default();
        let garbage: Vec<Verdict> =
            (0..100_000).map(|n| throttle.lets("float", Kind::Garbage, at(n))).collect();
        let heard = garbage.iter().filter(|verdict| **verdict == Verdict::Heard).count();
        assert!((1000..=1101).contains(&heard), "{heard}");
        assert_eq!(throttle.lets("float", Kind::Reading, at(100_000)), Verdict::Heard);
    }

    #[test]
    fn a_clock_that_falls_gives_nothing() {
        let mut throttle = Throttle::default();
        for _ in 0..Kind::Reading.most().0 as u32 {
            assert_eq!(throttle.lets("probe", Kind::Reading, at(5000)), Verdict::Heard);
        }
        assert_ne!(throttle.lets("probe", Kind::Reading, at(0)), Verdict::Heard);
        assert_eq!(
            throttle.lets("probe", Kind::Reading, at(50)),
            Verdict::Heard,
            "a twentieth of a second on"
        );
        assert_ne!(throttle.lets("probe", Kind::Reading, at(50)), Verdict::Heard);
    }
}
