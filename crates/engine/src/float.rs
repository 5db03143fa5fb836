//! A gravity source as the engine sees it: its temperature, its battery, its last word.

use crate::probe::Probe;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// A battery's trend is told once it was watched this long.
const BATTERY_WATCHED: Span = Span::from_hours(48);

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
}

impl Float {
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
