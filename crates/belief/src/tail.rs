//! The tail bank: the end of a fermentation as an exponential approach, with or without a second,
//! slower sugar behind it, seen through a float of unknown noise.
//!
//! The second sugar is maltotriose above all: 15 to 20 % of an all-malt wort's carbohydrate (The
//! Oxford Companion to Beer, "maltotriose"), taken up by its own transport after glucose and while
//! maltose represses it, and by many ale strains poorly (Stewart 2006, MBAA Technical Quarterly
//! 43(4), 265-269). Of the 8 points or so that it gives a wort of 50, most goes beside the maltose;
//! that 1 to 4 are left when the main fall ends, in some beers, is from memory.
//!
//! The data alone cannot tell such a sugar soon: 9 e^(-t/20) + 3 e^(-t/90) looks like one sugar of
//! 24 h that ends a point higher. So what is believed beforehand decides how long is waited.
//!
//! Each filter holds the final gravity, what the first sugar still has to give, what the second
//! has, and the float's lasting noise; all in points, in the frame of what the float reads. What is
//! still to fall is never negative: that is imposed where a question is answered.

use crate::course::positive;
use crate::filter::Filter;
use crate::kept::Kept;
use crate::noise::{KINDS, Noise};
use crate::normal::{Part, Positive, mixture_moments};
use serde::{Deserialize, Serialize};

type Weights = [f64; 4];
const READ_FLOAT: Weights = [1.0, 1.0, 1.0, 1.0];
const READ_HAND: Weights = [1.0, 1.0, 1.0, 0.0];
const FINAL: Weights = [1.0, 0.0, 0.0, 0.0];
const LEFT: Weights = [0.0, 1.0, 1.0, 0.0];

/// Time constants of the first sugar, in h.
const TAUS: [f64; 8] = [7.0, 11.0, 16.0, 24.0, 35.0, 50.0, 72.0, 105.0];
/// Up to this one a second sugar may follow.
const POOL_TAU: f64 = 50.0;
/// Time constant of the second sugar, in h.
const POOL_HOURS: f64 = 90.0;
/// How probable a second sugar is beforehand.
const POOL: f64 = 0.2;
/// What it has to give when the tail begins: mean and standard deviation, in points.
const POOL_POINTS: (f64, f64) = (2.5, 1.5);
/// What the first sugar has to give when the tail begins: mean and standard deviation, in points.
const FIRST_POINTS: (f64, f64) = (8.0, 15.0);
/// Weights go back to what they were beforehand with this time constant, in h.
const FORGET_HOURS: f64 = 300.0;
/// A filter this far behind the best is given up, after `SETTLED` readings.
const GIVEN_UP: f64 = 12.0;
const SETTLED: u32 = 40;
/// At most this many filters are kept after `SETTLED` readings.
const KEPT: usize = 64;
/// How fast the final gravity wanders, in points/√h.
const FINAL_WANDER: f64 = 0.02;
/// How much of the first sugar is uncertain, as a share/√h.
const FIRST_WANDER: f64 = 0.01;
/// What a float may read wrongly for a change of temperature, in points/K.
const PER_KELVIN: f64 = 0.2;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Member {
    noise: usize,
    tau: usize,
    pool: bool,
    /// Logarithm of its weight beforehand.
    prior: f64,
    filter: Filter<4>,
}

/// The bank, from the beginning of the tail on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct TailBank {
    /// When the tail began, in h since pitching.
    began: f64,
    /// To when the filters have been brought.
    at: f64,
    /// How many readings it has seen.
    readings: u32,
    /// When the first of them was taken.
    first: Option<f64>,
    /// The final gravity as it was expected, mean and standard deviation.
    expected: (f64, f64),
    members: Kept<Vec<Member>, Found>,
}

impl TailBank {
    /// At `began`, with the final gravity expected (mean, standard deviation), and the kinds of
    /// noise that are possible with their log weights.
    pub fn new(began: f64, expected: (f64, f64), noises: &[(usize, f64)]) -> Self {
        let mut members = Vec::new();
        for &(noise, log_weight) in noises {
            for (tau, hours) in TAUS.iter().enumerate() {
                let shape = -0.5 * ((hours / 30.0).ln() / 0.7).powi(2);
                for pool in [false, true] {
                    if !pool || *hours <= POOL_TAU {
                        let share: f64 = if pool { POOL } else { 1.0 - POOL };
                        let prior = log_weight + shape + share.ln();
                        let filter = start(noise, pool, expected, prior);
                        members.push(Member { noise, tau, pool, prior, filter });
                    }
                }
            }
        }
        TailBank { began, at: began, readings: 0, first: None, expected, members: members.into() }
    }

    /// When the tail began, in h since pitching.
    pub fn began(&self) -> f64 {
        self.began
    }

    /// How many readings it has seen.
    pub fn readings(&self) -> u32 {
        self.readings
    }

    /// How long its readings span, in h.
    pub fn spans(&self) -> f64 {
        self.first.map_or(0.0, |first| self.at - first)
    }

    /// Another expectation of the final gravity.
    pub fn expect(&mut self, expected: (f64, f64)) {
        let (before, now) = (self.expected, expected);
        for member in self.members.iter_mut() {
            member.filter.learn(&FINAL, before.0, -before.1 * before.1 * 1.0001);
            member.filter.learn(&FINAL, now.0, now.1 * now.1);
        }
        self.expected = expected;
    }

    /// The float moved by about this: its frame is unknown anew.
    pub fn loosen(&mut self, points: f64) {
        for member in self.members.iter_mut() {
            member.filter.covariance[0][0] += points * points;
        }
    }

    /// A reading at `time`, after a change of temperature by `kelvin`; `own` is a hand reading's
    /// variance.
    pub fn observe(&mut self, time: f64, kelvin: f64, points: f64, own: Option<f64>) {
        let step = (time - self.at).max(0.0);
        let forget = (-step / FORGET_HOURS).exp();
        let mut best = f64::NEG_INFINITY;
        for member in self.members.iter_mut() {
            member.advance(step, kelvin);
            let weights = if own.is_some() { &READ_HAND } else { &READ_FLOAT };
            let variance = own.unwrap_or_else(|| Noise::kind(member.noise).white);
            let told = member.filter.observe(weights, points, variance);
            let weight = &mut member.filter.log_weight;
            *weight = forget * *weight + (1.0 - forget) * member.prior + told.log_likelihood;
            best = best.max(*weight);
        }
        for member in self.members.iter_mut() {
            member.filter.log_weight -= best;
        }
        self.at = self.at.max(time);
        self.first.get_or_insert(time);
        self.readings = self.readings.saturating_add(1);
        if self.readings >= SETTLED {
            self.prune();
        }
    }

    /// What is still to fall, in points.
    pub fn left(&self) -> &Positive {
        &self.found().left
    }

    /// How fast it falls, in points an hour.
    pub fn rate(&self) -> &Positive {
        &self.found().rate
    }

    /// Gravity now in the frame of what the float reads, mean and standard deviation.
    pub fn level_moments(&self) -> Option<(f64, f64)> {
        self.found().level
    }

    /// The final gravity in the frame of what the float reads, mean and standard deviation.
    pub fn final_moments(&self) -> Option<(f64, f64)> {
        self.found().end
    }

    /// What two sugars have to give and their time constants in h, of the filter at this share of
    /// all weight and at these shares of its own uncertainty; `None` for an empty bank.
    pub fn draw(&self, share: f64, own: [f64; 2]) -> Option<[(f64, f64); 2]> {
        let weight = |member: &Member| member.filter.log_weight.exp();
        let wanted = share * self.members.iter().map(weight).sum::<f64>();
        let mut passed = 0.0;
        let member = self.members.iter().find(|member| {
            passed += weight(member);
            passed >= wanted
        });
        let member = member.or(self.members.last())?;
        let sugar = |place: usize, share: f64| {
            let filter = &member.filter;
            if place == 2 && !member.pool {
                return 0.0;
            }
            positive(filter.mean[place], filter.covariance[place][place], share)
        };
        Some([(sugar(1, own[0]), TAUS[member.tau]), (sugar(2, own[1]), POOL_HOURS)])
    }

    fn found(&self) -> &Found {
        self.members.found(|members| Found::of(members))
    }

    fn prune(&mut self) {
        self.members.retain(|member| member.filter.log_weight > -GIVEN_UP);
        if self.members.len() > KEPT {
            let mut weights: Vec<f64> =
                self.members.iter().map(|member| member.filter.log_weight).collect();
            weights.sort_by(|a, b| b.total_cmp(a));
            let last = weights[KEPT - 1];
            self.members.retain(|member| member.filter.log_weight >= last);
        }
    }
}

/// What all filters together say.
#[derive(Debug, Clone)]
struct Found {
    left: Positive,
    rate: Positive,
    level: Option<(f64, f64)>,
    end: Option<(f64, f64)>,
}

impl Found {
    fn of(members: &[Member]) -> Self {
        let rate = |member: &Member| [0.0, 1.0 / TAUS[member.tau], 1.0 / POOL_HOURS, 0.0];
        Found {
            left: Positive::new(parts(members, |_| LEFT)),
            rate: Positive::new(parts(members, rate)),
            level: mixture_moments(parts(members, |_| READ_HAND)),
            end: mixture_moments(parts(members, |_| FINAL)),
        }
    }
}

/// A weighted sum as each of these has it.
fn parts(members: &[Member], weights: impl Fn(&Member) -> Weights) -> impl Iterator<Item = Part> {
    members.iter().map(move |member| {
        let (mean, variance) = member.filter.sum(&weights(member));
        Part { weight: member.filter.log_weight.exp(), mean, variance }
    })
}

impl Member {
    fn advance(&mut self, step: f64, kelvin: f64) {
        let noise = Noise::kind(self.noise);
        let keep = [
            1.0,
            (-step / TAUS[self.tau]).exp(),
            (-step / POOL_HOURS).exp(),
            (-step / noise.hours).exp(),
        ];
        let first = self.filter.mean[1].max(0.0);
        let filter = &mut self.filter;
        for row in 0..4 {
            filter.mean[row] *= keep[row];
            for column in 0..4 {
                filter.covariance[row][column] *= keep[row] * keep[column];
            }
        }
        let p = &mut filter.covariance;
        p[0][0] += FINAL_WANDER.powi(2) * step + (PER_KELVIN * kelvin).powi(2);
        p[1][1] += (FIRST_WANDER * first).powi(2) * step;
        p[3][3] += noise.lasting * (1.0 - keep[3] * keep[3]);
    }
}

fn start(noise: usize, pool: bool, expected: (f64, f64), prior: f64) -> Filter<4> {
    let second = if pool { POOL_POINTS } else { (0.0, 0.0) };
    let lasting = if noise < KINDS { Noise::kind(noise).lasting } else { 0.0 };
    Filter::independent(
        prior,
        [expected.0, FIRST_POINTS.0, second.0, 0.0],
        [expected.1.powi(2), FIRST_POINTS.1.powi(2), second.1.powi(2), lasting],
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_tail_is_foretold() {
        let mut bank = TailBank::new(0.0, (10.0, 3.0), &[(0, 0.0), (6, 0.0)]);
        for step in 0..480 {
            let time = f64::from(step) * 0.25;
            bank.observe(time, 0.0, 12.0 + 12.0 * (-time / 30.0).exp(), None);
        }
        let truth = 12.0 * (-119.75f64 / 30.0).exp();
        let (left, sd) = bank.left().moments().unwrap();
        assert!((left - truth).abs() < 3.0 * sd && sd < 0.5, "{left} {sd} {truth}");
        assert!(bank.left().upper(0.99) > truth);
        let (end, end_sd) = bank.final_moments().unwrap();
        assert!((end - 12.0).abs() < 2.5 * end_sd && end_sd < 0.6, "{end} {end_sd}");
    }
}
