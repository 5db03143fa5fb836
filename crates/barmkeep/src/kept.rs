//! Readings that `pipe` keeps in memory for a late pitch, thinned as the store thins them.

use engine::Reading;
use quantity::{Span, Stamp};
use schedule::Name;
use std::collections::{BTreeMap, VecDeque};

/// No pitch lies farther in the past.
const KEPT: Span = Span::from_hours(60 * 24);

/// The readings of all vessels, in the order of their arrival.
#[derive(Debug, Default)]
pub struct Kept {
    readings: BTreeMap<Name, VecDeque<(Stamp, Reading)>>,
    /// The minute of each source's last reading that was kept.
    minutes: BTreeMap<(Name, String), i64>,
}

impl Kept {
    /// Keeps a reading: a gravity always, a temperature the first of its minute.
    pub fn keep(&mut self, at: Stamp, reading: &Reading) {
        let minute = at.millis().div_euclid(60_000);
        let key = (reading.vessel.clone(), reading.source.clone());
        let first = self.minutes.insert(key, minute) != Some(minute);
        if !first && reading.values.gravity.is_none() {
            return;
        }
        let kept = self.readings.entry(reading.vessel.clone()).or_default();
        while kept.front().is_some_and(|(before, _)| at.since(*before) > KEPT) {
            kept.pop_front();
        }
        kept.push_back((at, reading.clone()));
    }

    /// Those of a vessel since then, oldest first.
    pub fn since(&self, vessel: &Name, at: Stamp) -> Vec<(Stamp, Reading)> {
        let kept = self.readings.get(vessel).into_iter().flatten();
        kept.filter(|(arrived, _)| *arrived >= at).cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use engine::{RawGravity, Values};

    fn reading(source: &str, values: Values) -> Reading {
        let vessel = Name::parse("north").unwrap();
        Reading { vessel, source: source.to_owned(), taken: None, retained: false, values }
    }

    #[test]
    fn gravities_are_all_kept_and_temperatures_the_first_of_a_minute() {
        let mut kept = Kept::default();
        let celsius = Values { temperature_c: Some(18.0), ..Values::default() };
        let gravity = Values { gravity: Some(RawGravity::Sg(1.05)), ..celsius };
        for second in 0..180 {
            let at = Stamp::from_millis(second * 1000);
            kept.keep(at, &reading("beer", celsius));
            kept.keep(at, &reading("float", gravity));
        }
        let north = Name::parse("north").unwrap();
        let all = kept.since(&north, Stamp::from_millis(0));
        let of = |source: &str| all.iter().filter(|(_, r)| r.source == source).count();
        assert_eq!((of("beer"), of("float")), (3, 180));
        assert_eq!(kept.since(&north, Stamp::from_millis(179_000)).len(), 1);
        assert!(kept.since(&Name::parse("south").unwrap(), Stamp::from_millis(0)).is_empty());
        kept.keep(Stamp::from_millis(0) + KEPT + Span::from_mins(1), &reading("beer", celsius));
        let left = kept.since(&north, Stamp::from_millis(0));
        assert!(left.iter().all(|(at, _)| *at >= Stamp::from_millis(60_000)), "{left:?}");
    }
}
