//! The beer's temperature over the last hours, thinned to half-hour means.

use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Length of one block, in h.
const BLOCK: f64 = 0.5;
/// How many blocks make the mean that is judged: 3 h.
const MEAN: usize = 6;
/// Over how many blocks it may move: 12 h.
const WINDOW: usize = 24;
/// Temperatures older than this are no longer known, in h.
const LATEST: f64 = 3.0;

/// What a float that feels the density of warm beer, and not what it is at 20 °C, reads wrongly
/// between two temperatures in °C, in points: as water swells (Tanaka et al., Metrologia 38, 2001,
/// 301; within 7 % up to 30 °C).
pub(crate) fn misread(from: f64, to: f64) -> f64 {
    let swells = |celsius: f64| 0.0068 * (celsius - 4.0).powi(2);
    swells(from) - swells(to)
}

/// Means of half hours; empty ones are `None`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Thermal {
    /// Number of the block that is being filled, counted from pitching.
    block: i64,
    sum: f64,
    count: u32,
    /// When the last temperature was taken, in h, and what it was.
    last: Option<(f64, f64)>,
    /// Finished blocks, oldest first; at most `WINDOW + MEAN`.
    means: VecDeque<Option<f64>>,
}

/// How far the temperature moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Moved {
    /// Nothing was ever measured.
    Never,
    /// It was measured, but not long enough or not lately.
    Unknown,
    /// The 3 h mean moved by this in 12 h, in K.
    By(f64),
}

impl Thermal {
    /// A temperature in °C at `time` h.
    pub fn take(&mut self, time: f64, celsius: f64) {
        self.advance(time);
        self.sum += celsius;
        self.count = self.count.saturating_add(1);
        self.last = Some((time, celsius));
    }

    /// Closes the blocks that are over.
    pub fn advance(&mut self, time: f64) {
        let block = (time / BLOCK).floor() as i64;
        let over = block - self.block;
        for _ in 0..over.clamp(0, (WINDOW + MEAN) as i64) {
            let mean = (self.count > 0).then(|| self.sum / f64::from(self.count));
            self.means.push_back(mean);
            (self.sum, self.count) = (0.0, 0);
            if self.means.len() > WINDOW + MEAN {
                self.means.pop_front();
            }
        }
        self.block = self.block.max(block);
    }

    /// The newest half hour's mean, else the first value; `None` before that.
    pub fn now(&self) -> Option<f64> {
        let mean = self.means.iter().rev().flatten().next().copied();
        mean.or(self.last.map(|(_, celsius)| celsius))
    }

    /// When the last temperature was taken, in h.
    pub fn last_at(&self) -> Option<f64> {
        self.last.map(|(time, _)| time)
    }

    /// How far the 3 h mean moved in the 12 h before `time`.
    pub fn moved(&self, time: f64) -> Moved {
        let Some((last, _)) = self.last else { return Moved::Never };
        if time - last > LATEST || self.means.len() < WINDOW {
            return Moved::Unknown;
        }
        let means: Vec<Option<f64>> = self.means.iter().copied().collect();
        let (mut low, mut high, mut seen) = (f64::INFINITY, f64::NEG_INFINITY, 0);
        let first = means.len().saturating_sub(WINDOW);
        for end in first.max(MEAN)..=means.len() {
            let known: Vec<f64> = means[end - MEAN..end].iter().flatten().copied().collect();
            if !known.is_empty() {
                let mean = known.iter().sum::<f64>() / known.len() as f64;
                (low, high, seen) = (low.min(mean), high.max(mean), seen + 1);
            }
        }
        if seen < 2 * MEAN { Moved::Unknown } else { Moved::By(high - low) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(hours: f64, celsius: impl Fn(f64) -> f64) -> Thermal {
        let mut thermal = Thermal::default();
        let mut time = 0.0;
        while time < hours {
            thermal.take(time, celsius(time));
            time += 0.1;
        }
        thermal
    }

    /// Water's density in kg/m³ (Tanaka et al. 2001, table 1): 4 °C, 10 °C, 18 °C, 24 °C, 30 °C.
    #[test]
    fn what_is_misread_is_how_water_swells() {
        let density = [(4.0, 999.975), (10.0, 999.703), (18.0, 998.597), (24.0, 997.299)];
        for (from, heavy) in density {
            for (to, light) in density {
                let wrong = misread(from, to);
                assert!((wrong - (light - heavy)).abs() < 0.1, "{from} {to}: {wrong}");
            }
        }
        assert!((misread(20.0, 30.0) + 2.557).abs() < 0.35);
    }

    #[test]
    fn a_steady_beer_has_not_moved() {
        let thermal = filled(40.0, |time| 18.0 + 0.3 * (time * 9.0).sin());
        let Moved::By(kelvin) = thermal.moved(40.0) else { panic!("known") };
        assert!(kelvin < 0.1, "{kelvin}");
    }

    #[test]
    fn a_ramp_has_moved() {
        let thermal = filled(40.0, |time| 18.0 + 4.0 * time / 48.0);
        let Moved::By(kelvin) = thermal.moved(40.0) else { panic!("known") };
        assert!((kelvin - 1.0).abs() < 0.1, "{kelvin}");
    }

    #[test]
    fn what_was_not_measured_is_not_known() {
        assert_eq!(Thermal::default().moved(10.0), Moved::Never);
        assert_eq!(filled(6.0, |_| 18.0).moved(6.0), Moved::Unknown);
        assert_eq!(filled(40.0, |_| 18.0).moved(44.0), Moved::Unknown);
        let mut thermal = filled(40.0, |_| 18.0);
        thermal.take(80.0, 18.0);
        assert_eq!(thermal.moved(80.0), Moved::Unknown);
    }
}
