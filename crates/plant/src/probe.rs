//! A temperature probe: noise, a coarse scale, and a dead time between the beer and the reading.

use crate::chance::Chance;
use crate::float::round_to;
use quantity::{Span, Temperature};
use std::collections::VecDeque;

/// What a probe is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProbeSetup {
    /// How often it reads.
    pub every: Span,
    /// Standard deviation of its noise, K.
    pub noise_k: f64,
    /// What its readings are rounded to, K; 0 for not at all.
    pub quantum_k: f64,
    /// How old the temperature is that it reads.
    pub dead_time: Span,
    /// By how much it reads too warm, K.
    pub offset_k: f64,
    /// Share of readings that never arrive, 0 to 1.
    pub lost_share: f64,
}

/// A probe.
#[derive(Debug, Clone)]
pub struct Probe {
    setup: ProbeSetup,
    chance: Chance,
    /// True temperatures in °C: the newest that is old enough to be read, and those after it.
    past: VecDeque<(Span, f64)>,
}

impl ProbeSetup {
    /// A usual probe: 0.05 K of noise, steps of 1/16 K, a minute behind. Common practice, no
    /// source.
    pub fn plain(every: Span) -> Self {
        ProbeSetup {
            every,
            noise_k: 0.05,
            quantum_k: 0.0625,
            dead_time: Span::from_mins(1),
            offset_k: 0.0,
            lost_share: 0.0,
        }
    }

    /// One that reads the truth at once.
    pub fn perfect(every: Span) -> Self {
        ProbeSetup {
            every,
            noise_k: 0.0,
            quantum_k: 0.0,
            dead_time: Span::ZERO,
            offset_k: 0.0,
            lost_share: 0.0,
        }
    }
}

impl Probe {
    /// A probe with its own stream of chance.
    pub fn new(setup: ProbeSetup, chance: Chance) -> Self {
        Probe { setup, chance, past: VecDeque::new() }
    }

    /// How often it reads.
    pub fn every(&self) -> Span {
        self.setup.every
    }

    /// Lets it feel a true temperature (°C); call it at growing times, often against its dead time.
    pub fn feel(&mut self, now: Span, celsius: f64) {
        self.past.push_back((now, celsius));
        let readable = now.less(self.setup.dead_time);
        while self.past.get(1).is_some_and(|(at, _)| *at <= readable) {
            self.past.pop_front();
        }
    }

    /// What it reads now; `None` where it has felt nothing, or where the reading is lost.
    pub fn read(&mut self) -> Option<Temperature> {
        let noise = self.setup.noise_k * self.chance.normal();
        let lost = self.chance.happens(self.setup.lost_share);
        let (_, celsius) = self.past.front().filter(|_| !lost)?;
        let reading = celsius + noise + self.setup.offset_k;
        Some(Temperature::clamped(round_to(reading, self.setup.quantum_k)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn probe(setup: ProbeSetup) -> Probe {
        Probe::new(setup, Chance::new(5, 2))
    }

    #[test]
    fn it_reads_what_was_a_dead_time_ago() {
        let every = Span::from_secs(10);
        let setup = ProbeSetup { dead_time: Span::from_mins(1), ..ProbeSetup::perfect(every) };
        let mut probe = probe(setup);
        assert_eq!(probe.read(), None);
        for k in 0..100 {
            probe.feel(every * k, k as f64 * 0.1);
            let expected = (k - 6).max(0) as f64 * 0.1;
            assert!((probe.read().unwrap().celsius() - expected).abs() < 1e-12, "{k}");
        }
        assert!(probe.past.len() <= 8, "{}", probe.past.len());
    }

    #[test]
    fn its_readings_are_steps_around_the_truth() {
        let mut probe = probe(ProbeSetup::plain(Span::from_secs(10)));
        probe.feel(Span::ZERO, 12.03);
        let readings: Vec<f64> = (0..4000).map(|_| probe.read().unwrap().celsius()).collect();
        assert!(readings.iter().all(|celsius| (celsius * 16.0).fract() == 0.0));
        let mean = readings.iter().sum::<f64>() / 4000.0;
        assert!((mean - 12.03).abs() < 0.01, "{mean}");
        let spread = readings.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / 4000.0;
        // Rounding adds a twelfth of its step squared.
        let expected = (0.05f64 * 0.05 + 0.0625 * 0.0625 / 12.0).sqrt();
        assert!((spread.sqrt() - expected).abs() < 0.005, "{}", spread.sqrt());
    }
}
