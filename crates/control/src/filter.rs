//! One model of the vessel, with one time constant, fitted to the readings by a Kalman filter.
//!
//! T' = r + g·uh and r' = (d + c·uc + h·uh − r)/τ, where T is the beer's temperature, r its rate
//! through what surrounds it, d the net drift (fermentation less losses), c and h what chiller and
//! heater do to the rate in the end, g what the heater puts into the beer directly; d, c, h and g
//! are random walks. Temperatures are in °C, times in h, rates in K/h. For a fixed τ this is
//! linear.
//! Source of the method: R. E. Kalman, A new approach to linear filtering and prediction problems,
//! Journal of Basic Engineering 82 (1960) 35–45 (from memory).

#![expect(clippy::needless_range_loop, reason = "indices as in the formulas")]

use serde::{Deserialize, Serialize};

/// Number of states.
const N: usize = 6;
/// Index of each state.
pub(crate) const TEMPERATURE: usize = 0;
pub(crate) const RATE: usize = 1;
pub(crate) const DRIFT: usize = 2;
pub(crate) const COOLING: usize = 3;
pub(crate) const HEATING: usize = 4;
pub(crate) const DIRECT: usize = 5;

/// What is believed at first of a vessel, apart from its temperature, and how surely. Typical of
/// a fermenter in a fridge; engineering estimates, no source.
const FIRST: [f64; N] = [0.0, 0.0, 0.0, -2.5, 0.8, 0.3];
const FIRST_SD: [f64; N] = [0.5, 0.5, 0.5, 2.0, 0.8, 0.8];
/// What is believed where not even the signs are taken for granted.
const IMPARTIAL_SD: [f64; N] = [0.5, 0.5, 0.5, 3.0, 2.0, 0.3];
/// How far each state may wander in 1 h, as a standard deviation.
const WANDER: [f64; N] = [0.01, 0.05, 0.12, 0.01, 0.01, 0.01];
/// A surprise of more than this many variances counts as this many.
const SURPRISE_MAX: f64 = 16.0;

/// Where each covariance stands in the packed upper triangle.
const PLACE: [[usize; N]; N] = places();

/// The two inputs, 0 or 1 each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Inputs {
    pub chiller: f64,
    pub heater: f64,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Filter {
    pub x: [f64; N],
    /// The upper triangle of the covariance, row by row.
    covariance: [f64; N * (N + 1) / 2],
}

/// How well a reading met the forecast.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Surprise {
    /// The squared miss over its expected variance, at most 16.
    pub squared: f64,
    /// The logarithm of the variance that was taken for it.
    pub log_variance: f64,
}

impl Filter {
    /// Nothing is known but one reading.
    pub fn new(beer: f64) -> Self {
        let mut x = FIRST;
        x[TEMPERATURE] = beer;
        let mut p = [[0.0; N]; N];
        for i in 0..N {
            p[i][i] = FIRST_SD[i] * FIRST_SD[i];
        }
        Filter { x, covariance: pack(&p) }
    }

    /// Nothing is known but one reading, not even which output warms and which cools.
    pub fn impartial(beer: f64) -> Self {
        let mut p = [[0.0; N]; N];
        for i in 0..N {
            p[i][i] = IMPARTIAL_SD[i] * IMPARTIAL_SD[i];
        }
        Filter { x: [beer, 0.0, 0.0, 0.0, 0.0, 0.0], covariance: pack(&p) }
    }

    /// Makes a state less sure by this variance.
    pub fn loosen(&mut self, state: usize, variance: f64) {
        self.covariance[PLACE[state][state]] += variance;
    }

    /// What the outputs do is kept, the rest begins anew with one reading.
    pub fn begin_anew(&mut self, beer: f64) {
        let mut p = unpack(&self.covariance);
        self.x[TEMPERATURE] = beer;
        for i in [TEMPERATURE, RATE, DRIFT] {
            for j in 0..N {
                p[i][j] = 0.0;
                p[j][i] = 0.0;
            }
        }
        for i in [TEMPERATURE, RATE, DRIFT] {
            p[i][i] = FIRST_SD[i] * FIRST_SD[i];
        }
        (self.x[RATE], self.x[DRIFT]) = (0.0, 0.0);
        self.covariance = pack(&p);
    }

    /// Lets `hours` pass under constant inputs.
    pub fn predict(&mut self, tau: f64, hours: f64, inputs: Inputs) {
        let a = -(-hours / tau).exp_m1();
        let (b, c) = (tau * a, hours - tau * a);
        let Inputs { chiller, heater } = inputs;
        let of_temperature = [1.0, b, c, c * chiller, c * heater, heater * hours];
        let of_rate = [0.0, 1.0 - a, a, a * chiller, a * heater, 0.0];
        if chiller == 0.0 && heater == 0.0 {
            // What the outputs do has no part in it.
            self.carry::<3>(&of_temperature, &of_rate);
        } else {
            self.carry::<N>(&of_temperature, &of_rate);
        }
        for (i, wander) in WANDER.iter().enumerate() {
            self.covariance[PLACE[i][i]] += wander * wander * hours;
        }
    }

    /// F·x and F·P·Fᵀ. F is the identity but for its first two rows, which begin with 1 and with 0,
    /// and all but their first `K` numbers are 0.
    fn carry<const K: usize>(&mut self, of_temperature: &[f64; N], of_rate: &[f64; N]) {
        let behind = |row: &[f64; N], x: &[f64; N]| (1..K).map(|k| row[k] * x[k]).sum::<f64>();
        let temperature_of = |x: &[f64; N]| x[TEMPERATURE] + behind(of_temperature, x);
        let rate_of = |x: &[f64; N]| behind(of_rate, x);
        (self.x[TEMPERATURE], self.x[RATE]) = (temperature_of(&self.x), rate_of(&self.x));
        let p = &mut self.covariance;
        let (mut temperature, mut rate) = ([0.0; N], [0.0; N]);
        for j in 0..N {
            let column: [f64; N] = std::array::from_fn(|i| p[PLACE[i][j]]);
            temperature[j] = temperature_of(&column);
            rate[j] = rate_of(&column);
        }
        for j in 2..N {
            p[PLACE[TEMPERATURE][j]] = temperature[j];
            p[PLACE[RATE][j]] = rate[j];
        }
        p[PLACE[TEMPERATURE][TEMPERATURE]] = temperature_of(&temperature);
        p[PLACE[TEMPERATURE][RATE]] = rate_of(&temperature);
        p[PLACE[RATE][RATE]] = rate_of(&rate);
    }

    /// Learns from a reading whose error has this variance.
    pub fn update(&mut self, beer: f64, variance: f64) -> Surprise {
        let p = &mut self.covariance;
        let with_beer: [f64; N] = std::array::from_fn(|j| p[PLACE[TEMPERATURE][j]]);
        let miss = beer - self.x[TEMPERATURE];
        // Rounding could take the variance below 0; then the reading's own is all there is.
        let expected = with_beer[TEMPERATURE].max(0.0) + variance;
        let squared = miss * miss / expected;
        let taken = if squared > SURPRISE_MAX { miss * miss / SURPRISE_MAX } else { expected };
        let gain = with_beer.map(|covariance| covariance / taken);
        for i in 0..N {
            self.x[i] += gain[i] * miss;
            for j in i..N {
                p[PLACE[i][j]] -= gain[i] * with_beer[j];
            }
        }
        Surprise { squared: squared.min(SURPRISE_MAX), log_variance: taken.ln() }
    }

    /// Moves the estimate to where heating cannot cool and cooling cannot heat.
    pub fn keep_possible(&mut self) {
        self.bound(&[(HEATING, 1.0), (DIRECT, 0.2)], 0.0);
        self.bound(&[(DIRECT, 1.0)], 0.0);
        self.bound(&[(COOLING, -1.0)], 0.1);
    }

    /// A sum of states, each with its weight.
    pub fn sum(&self, weights: &[(usize, f64)]) -> f64 {
        weights.iter().map(|(state, weight)| weight * self.x[*state]).sum()
    }

    /// The standard deviation of such a sum.
    pub fn sd(&self, weights: &[(usize, f64)]) -> f64 {
        self.variance(weights).max(0.0).sqrt()
    }

    /// Projects so that such a sum is at least `low`.
    fn bound(&mut self, weights: &[(usize, f64)], low: f64) {
        let value = self.sum(weights);
        if value >= low {
            return;
        }
        let variance = self.variance(weights);
        if variance > 0.0 {
            for i in 0..N {
                self.x[i] += self.with_sum(i, weights) * (low - value) / variance;
            }
        }
    }

    /// The covariance of a state with a sum of states.
    fn with_sum(&self, state: usize, weights: &[(usize, f64)]) -> f64 {
        weights.iter().map(|(j, weight)| weight * self.covariance[PLACE[state][*j]]).sum()
    }

    fn variance(&self, weights: &[(usize, f64)]) -> f64 {
        weights.iter().map(|(i, weight)| weight * self.with_sum(*i, weights)).sum()
    }
}

const fn places() -> [[usize; N]; N] {
    let mut places = [[0; N]; N];
    let (mut i, mut next) = (0, 0);
    while i < N {
        let mut j = i;
        while j < N {
            places[i][j] = next;
            places[j][i] = next;
            (next, j) = (next + 1, j + 1);
        }
        i += 1;
    }
    places
}

fn pack(p: &[[f64; N]; N]) -> [f64; N * (N + 1) / 2] {
    let mut packed = [0.0; N * (N + 1) / 2];
    let mut next = 0;
    for i in 0..N {
        for j in i..N {
            packed[next] = (p[i][j] + p[j][i]) / 2.0;
            next += 1;
        }
    }
    packed
}

fn unpack(packed: &[f64; N * (N + 1) / 2]) -> [[f64; N]; N] {
    let mut p = [[0.0; N]; N];
    let mut next = 0;
    for i in 0..N {
        for j in i..N {
            p[i][j] = packed[next];
            p[j][i] = packed[next];
            next += 1;
        }
    }
    p
}
