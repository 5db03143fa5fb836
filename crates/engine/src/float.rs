//! A gravity source as the engine sees it: its temperature, its battery, its last word.

use crate::probe::Probe;
use brewing::calibration::Calibration;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// A battery's trend is told once it was watched this long.
const BATTERY_WATCHED: Span = Span::from_hours(48);

/// A reading beyond its calibration is told again after this at the earliest: a beer that stands at
/// the end of the range must not fill the log.
const BEYOND_AGAIN: Span = Span::from_hours(24);

/// What is known of a float besides what the belief knows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Float {
    /// The time of its last reading, believed or not.
    pub heard: Option<Stamp>,
    /// The time of its last gravity that could be used.
    pub used: Option<Stamp>,
    /// Its last gravity, calibrated and corrected, in SG.
    pub last_sg: Option<f64>,
    /// Its own temperature.
    pub temperature: Probe,
    /// Its charge now, in percent.
    pub battery: Option<f64>,
    /// Its charge when it was first heard since it was last full.
    battery_from: Option<(Stamp, f64)>,
    /// Whether its last gravity lay beyond the range of its calibration.
    #[serde(default)]
    pub beyond: bool,
    /// When that was last told in this batch.
    #[serde(default)]
    beyond_told: Option<Stamp>,
    /// Whether it has been back inside since.
    #[serde(default)]
    back_inside: bool,
    /// It is out of the beer.
    pub aside: Option<Aside>,
    /// When it last came back into the beer.
    pub back_at: Option<Stamp>,
    /// When another one took its place in this batch, and with which calibration of its own.
    pub exchanged: Option<Exchanged>,
}

/// A float that a person took out of the beer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Aside {
    pub since: Stamp,
    /// It counts as back from then on.
    pub until: Option<Stamp>,
}

/// A float that took the place of another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Exchanged {
    pub at: Stamp,
    /// The file's name and what it holds; `None`: the configured one goes on.
    pub calibration: Option<(String, Calibration)>,
}

impl Float {
    /// A batch began: what was told of the one before is not told of this one.
    pub fn begin_batch(&mut self) {
        (self.beyond_told, self.back_inside) = (None, false);
        self.exchanged = None;
    }

    /// Another one is in its place: nothing is known of it yet.
    pub fn exchange(&mut self, exchanged: Exchanged) {
        let back_at = Some(exchanged.at);
        *self = Float { exchanged: Some(exchanged), back_at, ..Float::default() };
    }

    /// The calibration that it has of its own, for this batch.
    pub fn own_calibration(&self) -> Option<&(String, Calibration)> {
        self.exchanged.as_ref()?.calibration.as_ref()
    }

    /// Takes whether a gravity that counts lay within the range of the calibration; answers whether
    /// a person is to be told that it did not: the first time in a batch, and again when it has
    /// been back inside meanwhile, at most once a day.
    pub fn take_range(&mut self, at: Stamp, within: bool) -> bool {
        if within {
            self.back_inside = true;
            return false;
        }
        let told_long_ago = |told: Stamp| at.since(told) >= BEYOND_AGAIN;
        let due = self.beyond_told.is_none_or(|told| self.back_inside && told_long_ago(told));
        if due {
            (self.beyond_told, self.back_inside) = (Some(at), false);
        }
        due
    }

    /// Takes a charge in percent.
    pub fn take_battery(&mut self, at: Stamp, percent: f64) {
        let recharged = self.battery.is_some_and(|before| percent > before + 5.0);
        if recharged || self.battery_from.is_none() {
            self.battery_from = Some((at, percent));
        }
        self.battery = Some(percent);
    }

    /// For how many days the battery lasts at the rate seen so far.
    pub fn battery_days_left(&self, now: Stamp) -> Option<f64> {
        let (from, full) = self.battery_from?;
        let percent = self.battery?;
        let days = now.since(from).days();
        let lost = full - percent;
        (now.since(from) >= BATTERY_WATCHED && lost > 0.0).then(|| percent / (lost / days))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_calibration_is_told_once_and_again_after_it_was_back() {
        let at = |hours| Stamp::from_millis(0) + Span::from_hours(hours);
        let mut float = Float::default();
        assert!(!float.take_range(at(0), true));
        assert!(float.take_range(at(1), false));
        // Days beyond are one piece of news.
        assert!(!float.take_range(at(2), false) && !float.take_range(at(60), false));
        // To and fro at the end of the range is told once a day.
        let told = (61..61 + 48).filter(|hour| float.take_range(at(*hour), hour % 2 == 0)).count();
        assert_eq!(told, 2);
        float.begin_batch();
        assert!(float.take_range(at(110), false));
    }

    #[test]
    fn a_battery_is_foretold_from_what_it_lost() {
        let at = |hours| Stamp::from_millis(0) + Span::from_hours(hours);
        let mut float = Float::default();
        float.take_battery(at(0), 90.0);
        float.take_battery(at(24), 89.0);
        assert_eq!(float.battery_days_left(at(24)), None);
        float.take_battery(at(72), 87.0);
        assert_eq!(float.battery_days_left(at(72)), Some(87.0));
        float.take_battery(at(96), 100.0);
        assert_eq!(float.battery_days_left(at(96)), None);
    }
}
