//! A bank of models that differ in their time constant; the one that forecasts best is used.
//!
//! Source of the method: D. T. Magill, Optimal adaptive estimation of sampled stochastic processes,
//! IEEE Transactions on Automatic Control 10 (1965) 434–439 (from memory).

use crate::filter::{self, Filter, Inputs};
use crate::{Output, past::Past};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// The time constants, in h.
const TAUS: [f64; 9] = [0.08, 0.13, 0.2, 0.32, 0.5, 0.75, 1.0, 1.3, 1.7];
/// The one that is used at first.
const FIRST: usize = 4;
/// What an output does acts on the readings this much later.
pub(crate) const DELAY: Span = Span::from_secs(60);
/// Evidence between models halves in this time, in h.
const HALF_LIFE: f64 = 48.0;
/// Another model is taken once the present one is this much less likely, as a logarithm.
const LEAD: f64 = 3.0;
/// After a longer gap only what the outputs do is still believed, in h.
const LONGEST_GAP: f64 = 12.0;
/// The mean surprise at which the models count as wrong; 1 is expected of a right one.
const WRONG: f64 = 3.0;
/// Over which time the mean surprise is taken, in h.
const MEMORY: f64 = 1.0;

/// This share of the estimated rates is relied on; less where the output is not known yet, so that
/// its trials begin early enough to be of use.
const SURE: f64 = 0.85;
const UNSURE: f64 = 0.4;
/// Slower rates, in K/h, are not planned with.
const RATE_LEAST: f64 = 0.05;

/// The models and what is known of their worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Bank {
    /// The time of the last reading.
    pub at: Stamp,
    filters: Vec<Filter>,
    /// Log-likelihoods relative to the best, one a filter; none above 0.
    weights: Vec<f64>,
    current: usize,
    /// Running mean of the used model's surprise.
    surprise: f64,
    chiller_known: bool,
    heater_known: bool,
}

/// The used model at some instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct State {
    pub tau: f64,
    pub x: [f64; 6],
}

impl Bank {
    pub fn new(at: Stamp, beer: f64, variance: f64) -> Self {
        let mut bank = Bank {
            at,
            filters: vec![Filter::new(beer); TAUS.len()],
            weights: vec![0.0; TAUS.len()],
            current: FIRST,
            surprise: 1.0,
            chiller_known: false,
            heater_known: false,
        };
        bank.learn(beer, variance, 0.0);
        bank
    }

    /// Takes a reading with an error of this variance, newer than the last one; `pieces` are the
    /// inputs since that.
    pub fn take(&mut self, at: Stamp, beer: f64, variance: f64, pieces: &[(Stamp, Stamp, Inputs)]) {
        let hours = at.since(self.at).hours();
        if hours > LONGEST_GAP {
            for filter in &mut self.filters {
                filter.begin_anew(beer);
            }
        } else {
            for (from, to, inputs) in pieces {
                let piece = to.since(*from).hours();
                for (filter, tau) in self.filters.iter_mut().zip(TAUS) {
                    filter.predict(tau, piece, *inputs);
                }
            }
        }
        self.at = at;
        self.learn(beer, variance, hours);
        self.judge();
    }

    /// The used model, carried on from the last reading to `now` by what the outputs did.
    pub fn state(&self, now: Stamp, past: &Past) -> State {
        let mut state = self.last();
        for (from, to, inputs) in past.pieces(self.at, now, DELAY) {
            state.advance(to.since(from).hours(), inputs);
        }
        state
    }

    /// The used model at the last reading.
    pub fn last(&self) -> State {
        State { tau: TAUS[self.current], x: self.filters[self.current].x }
    }

    /// Whether what this output does is known well enough to foresee it.
    pub fn knows(&self, output: Output) -> bool {
        match output {
            Output::Chiller => self.chiller_known,
            Output::Heater => self.heater_known,
        }
    }

    /// How fast the beer can be heated and cooled in the long run, in K/h, to plan with.
    pub fn rates(&self, heats: bool, cools: bool) -> (Option<f64>, Option<f64>) {
        let x = &self.filters[self.current].x;
        let sure = |known| if known { SURE } else { UNSURE };
        let up = x[filter::DRIFT] + x[filter::HEATING] + x[filter::DIRECT];
        let down = -x[filter::DRIFT] - x[filter::COOLING];
        let usable = |rate: &f64| *rate > RATE_LEAST;
        (
            Some(sure(self.heater_known) * up).filter(|rate| heats && usable(rate)),
            Some(sure(self.chiller_known) * down).filter(|rate| cools && usable(rate)),
        )
    }

    /// The used model, by its place.
    pub fn current(&self) -> usize {
        self.current
    }

    /// The used model's time constant, in h.
    pub fn tau(&self) -> f64 {
        TAUS[self.current]
    }

    /// The net drift of a model, in K/h.
    pub fn drift(&self, model: usize) -> f64 {
        self.filters.get(model).map_or(0.0, |filter| filter.x[filter::DRIFT])
    }

    /// What an output does in the end, in K/h, never negative.
    pub fn effect(&self, output: Output) -> f64 {
        let x = &self.filters[self.current].x;
        match output {
            Output::Chiller => -x[filter::COOLING],
            Output::Heater => x[filter::HEATING] + x[filter::DIRECT],
        }
        .max(0.0)
    }

    /// Whether the used model has met the readings of the last hour.
    pub fn is_right(&self) -> bool {
        self.surprise <= WRONG
    }

    fn learn(&mut self, beer: f64, variance: f64, hours: f64) {
        let fading = 0.5_f64.powf(hours / HALF_LIFE);
        for (i, filter) in self.filters.iter_mut().enumerate() {
            let surprise = filter.update(beer, variance);
            self.weights[i] =
                self.weights[i] * fading - (surprise.squared + surprise.log_variance) / 2.0;
            if i == self.current {
                let keep = (-hours / MEMORY).exp();
                self.surprise = self.surprise * keep + surprise.squared * (1.0 - keep);
            }
        }
        let best = self.weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for weight in &mut self.weights {
            *weight -= best;
        }
        if self.weights[self.current] < -LEAD {
            self.current =
                self.weights.iter().position(|weight| *weight == 0.0).unwrap_or(self.current);
        }
        for filter in &mut self.filters {
            filter.keep_possible();
        }
    }

    /// Whether each output's effect is known; what was known is lost only at twice the limit.
    fn judge(&mut self) {
        let filter = &self.filters[self.current];
        let cooling = filter.x[filter::COOLING];
        let cooling_sd = filter.sd(&[(filter::COOLING, 1.0)]);
        self.chiller_known = if self.chiller_known {
            cooling_sd < 0.5 * cooling.abs()
        } else {
            cooling < -0.2 && cooling_sd < 0.25 * cooling.abs()
        };
        let heats = [(filter::HEATING, 1.0), (filter::DIRECT, 1.0)];
        let (heating, heating_sd) = (filter.sum(&heats), filter.sd(&heats));
        self.heater_known = if self.heater_known {
            heating_sd < 0.6 * heating.abs()
        } else {
            heating > 0.1 && heating_sd < 0.3 * heating
        };
    }
}

impl State {
    /// Lets `hours` pass under constant inputs.
    pub fn advance(&mut self, hours: f64, inputs: Inputs) {
        let a = -(-hours / self.tau).exp_m1();
        let x = &mut self.x;
        let q = x[filter::DRIFT]
            + x[filter::COOLING] * inputs.chiller
            + x[filter::HEATING] * inputs.heater;
        x[filter::TEMPERATURE] += self.tau * a * x[filter::RATE]
            + (hours - self.tau * a) * q
            + x[filter::DIRECT] * inputs.heater * hours;
        x[filter::RATE] += a * (q - x[filter::RATE]);
    }
}
