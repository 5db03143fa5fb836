//! How noisy and how coarse the beer's probe is, as its readings show it.

use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// The variance of a reading that is taken at least, in K².
const VARIANCE_LEAST: f64 = 0.06 * 0.06;
/// The noise of a fine probe, in K, to which the effect of its steps is added.
const NOISE: f64 = 0.05;
/// Steps wider than this make foresight impossible, in K.
const COARSE: f64 = 0.26;
/// So many changes of the reading are seen before its steps are judged.
const CHANGES_LEAST: u32 = 3;
/// The finest step is the finest of this long, or of twice this long.
const WINDOW: Span = Span::from_hours(24);
/// Changes over longer intervals say nothing about noise.
const INTERVAL_MAX: Span = Span::from_mins(2);
/// The noise is a running mean of about this many changes.
const CHANGES_MEAN: f64 = 240.0;

/// What is known of the probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Probe {
    /// The last reading.
    last: (Stamp, f64),
    /// The present window began.
    since: Stamp,
    /// The finest step of the present window and of the one before, in K, and how many there were.
    now: Steps,
    before: Steps,
    /// Running mean of half the squared change from reading to reading, in K².
    noise: f64,
}

/// The steps of one window.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Steps {
    finest: Option<f64>,
    count: u32,
}

impl Probe {
    pub fn new(at: Stamp, beer: f64) -> Self {
        Probe {
            last: (at, beer),
            since: at,
            now: Steps::default(),
            before: Steps::default(),
            noise: NOISE * NOISE,
        }
    }

    /// Takes the next reading.
    pub fn take(&mut self, at: Stamp, beer: f64) {
        let (last, from) = std::mem::replace(&mut self.last, (at, beer));
        if at.since(self.since) > WINDOW {
            self.since = at;
            self.before = std::mem::take(&mut self.now);
        }
        let step = (beer - from).abs();
        if step > 1e-6 {
            self.now.finest = Some(self.now.finest.map_or(step, |finest| finest.min(step)));
            self.now.count = self.now.count.saturating_add(1);
        }
        if at.since(last) <= INTERVAL_MAX {
            // One wild reading must not count as noise for hours.
            let half = (step * step / 2.0).min(9.0 * self.noise);
            self.noise += (half - self.noise) / CHANGES_MEAN;
        }
    }

    /// The finest step that was seen, in K; `None` until enough changes were seen.
    pub fn step(&self) -> Option<f64> {
        let finest = match (self.now.finest, self.before.finest) {
            (Some(now), Some(before)) => Some(now.min(before)),
            (now, before) => now.or(before),
        };
        finest.filter(|_| self.now.count + self.before.count >= CHANGES_LEAST)
    }

    /// Whether its steps are known and fine enough to foresee anything by it.
    pub fn is_fine(&self) -> bool {
        self.step().is_some_and(|step| step <= COARSE)
    }

    /// The variance of a reading, in K².
    pub fn variance(&self) -> f64 {
        let step = self.step().unwrap_or(0.0).min(COARSE);
        let of_steps = NOISE * NOISE + step * step / 12.0;
        // The running mean itself scatters: it counts only where it is far above the least.
        let of_noise = if self.noise > 2.0 * VARIANCE_LEAST { self.noise } else { 0.0 };
        VARIANCE_LEAST.max(of_steps).max(of_noise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn probe(readings: &[f64]) -> Probe {
        let at = |i: usize| Stamp::from_millis(i as i64 * 30_000);
        let mut probe = Probe::new(at(0), readings[0]);
        for (i, reading) in readings.iter().enumerate().skip(1) {
            probe.take(at(i), *reading);
        }
        probe
    }

    #[test]
    fn a_coarse_probe_is_known_by_its_steps() {
        for (readings, fine) in [
            (vec![12.0, 12.5, 12.0, 12.0, 12.5], false),
            (vec![12.0, 12.0, 12.0, 12.0, 12.0], false),
            (vec![12.0, 12.1, 12.0, 12.0, 12.0], false),
            (vec![12.0, 12.25, 12.0, 12.25], true),
            (vec![12.0, 12.5, 12.0, 12.4, 12.5], true),
        ] {
            assert_eq!(probe(&readings).is_fine(), fine, "{readings:?}");
        }
    }

    #[test]
    fn a_noisy_probe_is_believed_less() {
        assert_eq!(probe(&[12.0; 500]).variance(), VARIANCE_LEAST);
        let noisy: Vec<f64> = (0..2000).map(|i| 12.0 + f64::from(i * 7919 % 101) / 80.0).collect();
        assert!(probe(&noisy).variance() > 0.05);
    }
}
