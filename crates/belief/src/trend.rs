//! The trend bank: gravity as a wandering straight line, with no assumption on fermentation.
//!
//! Each filter holds five numbers: the beer's gravity now, its slope, the float's lasting noise,
//! the float's offset (reading less truth) and the original gravity. Gravity and original gravity
//! start as one number, so whatever is later learned of one (a sample, say) is learned of the
//! other, and a fall is known better than either. Gravities are in points above 1.000, times in h
//! since pitching.

use crate::filter::Filter;
use crate::noise::{KINDS, Noise};
use crate::normal::{Part, mixture_below, mixture_moments};
use serde::{Deserialize, Serialize};

/// Weights of a sum over a filter's numbers: gravity, slope, noise, offset, original.
pub(crate) type Weights = [f64; 5];
pub(crate) const GRAVITY: Weights = [1.0, 0.0, 0.0, 0.0, 0.0];
pub(crate) const SLOPE: Weights = [0.0, 1.0, 0.0, 0.0, 0.0];
pub(crate) const OFFSET: Weights = [0.0, 0.0, 0.0, 1.0, 0.0];
pub(crate) const ORIGINAL: Weights = [0.0, 0.0, 0.0, 0.0, 1.0];
pub(crate) const FALLEN: Weights = [-1.0, 0.0, 0.0, 0.0, 1.0];
/// What a float would read without its noise.
pub(crate) const FRAME: Weights = [1.0, 0.0, 0.0, 1.0, 0.0];
const FLOAT: Weights = [1.0, 0.0, 1.0, 1.0, 0.0];

/// How fast the slope wanders, in points/h/√h.
const WANDERS: [f64; 5] = [0.005, 0.02, 0.05, 0.12, HAND_WANDER];
/// Between samples half a day apart a fall may begin and be over; a float would have shown it.
const HAND_WANDER: f64 = 0.4;
/// A wander that fell this far behind the best of its kind of noise begins anew from that one's
/// state, `SECOND_CHANCE` behind it: so a calm slope can come back when the main fall has passed
/// into the tail.
const HOPELESS: f64 = 8.0;
const SECOND_CHANCE: f64 = 5.0;
/// A kind of noise this far behind the best is given up, after `SETTLED` readings.
const GIVEN_UP: f64 = 14.0;
const SETTLED: u32 = 40;
/// At most this many kinds of noise are kept after `SETTLED` readings.
const KEPT: usize = 10;
/// How well a float's offset is known before anything is measured, in points.
const OFFSET_SD: f64 = 2.5;
/// Slope at pitching, in points/h: yeast needs hours to begin.
const START_SLOPE_SD: f64 = 0.1;
/// How fast a float's offset wanders, in points/√h.
const OFFSET_WANDER: f64 = 0.02;
/// What a float may read wrongly for a change of temperature, in points/K.
const PER_KELVIN: f64 = 0.2;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Member {
    noise: usize,
    wander: usize,
    filter: Filter<5>,
}

/// The bank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct TrendBank {
    /// To when the filters have been brought.
    at: f64,
    /// How many float readings it has seen.
    readings: u32,
    members: Vec<Member>,
}

/// What a bank made of one reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Heard {
    /// Mean and standard deviation that were foretold for it, in points.
    pub foretold: (f64, f64),
    /// How probable it is that it was no outlier.
    pub ordinary: f64,
}

impl TrendBank {
    /// At pitching, with the original gravity's mean and standard deviation in points.
    pub fn new(original: (f64, f64)) -> Self {
        let member = |wander| {
            let (mean, variance) = (original.0, original.1 * original.1);
            let mut filter = Filter::independent(
                0.0,
                [mean, 0.0, 0.0, 0.0, mean],
                [variance, START_SLOPE_SD.powi(2), 0.0, OFFSET_SD.powi(2), variance],
            );
            filter.covariance[0][4] = variance;
            filter.covariance[4][0] = variance;
            Member { noise: KINDS, wander, filter }
        };
        let members = (0..WANDERS.len()).map(member).collect();
        TrendBank { at: 0.0, readings: 0, members }
    }

    /// To when it was brought, in h.
    pub fn at(&self) -> f64 {
        self.at
    }

    /// Lets time pass, and the temperature change by `kelvin`.
    pub fn advance(&mut self, to: f64, kelvin: f64) {
        let step = (to - self.at).max(0.0);
        for member in &mut self.members {
            member.advance(step, kelvin);
        }
        self.at = self.at.max(to);
    }

    /// A float's reading, at the time to which the bank was brought.
    pub fn float(&mut self, points: f64) -> Heard {
        if self.readings == 0 {
            self.split();
        }
        self.readings = self.readings.saturating_add(1);
        let heard = self.observe(&FLOAT, points, None);
        if self.readings >= SETTLED {
            self.prune();
        }
        heard
    }

    /// Whether it has seen enough of a float to know what is odd for it.
    pub fn has_learned(&self) -> bool {
        const LEARNED: u32 = 12;
        self.readings >= LEARNED
    }

    /// A hand reading, at the time to which the bank was brought.
    pub fn hand(&mut self, points: f64, sd: f64) -> Heard {
        self.observe(&GRAVITY, points, Some(sd * sd))
    }

    /// A float's offset is unknown anew: it moved by about this.
    pub fn loosen_offset(&mut self, points: f64) {
        for member in &mut self.members {
            member.filter.covariance[3][3] += points * points;
        }
    }

    /// Knowledge of the original gravity, in points; a negative variance takes some back.
    pub fn learn_original(&mut self, points: f64, variance: f64) {
        for member in &mut self.members {
            member.filter.learn(&ORIGINAL, points, variance);
        }
    }

    /// Probability that a weighted sum is at most `bound` at `time`; `None` for an empty bank.
    ///
    /// `linear` gives weights and a constant for a filter's mean original gravity.
    pub fn below(
        &self,
        time: f64,
        bound: f64,
        linear: impl Fn(f64) -> (Weights, f64),
    ) -> Option<f64> {
        mixture_below(self.parts(time, linear), bound)
    }

    /// Mean and standard deviation of a weighted sum at `time`.
    pub fn moments(&self, time: f64, linear: impl Fn(f64) -> (Weights, f64)) -> Option<(f64, f64)> {
        mixture_moments(self.parts(time, linear))
    }

    /// Kinds of noise with their log weights, best first.
    pub fn noises(&self) -> Vec<(usize, f64)> {
        let mut kinds: Vec<(usize, f64)> = Vec::new();
        for kind in 0..=KINDS {
            let weights = || self.members.iter().filter(|member| member.noise == kind);
            let sum: f64 = weights().map(|member| member.filter.log_weight.exp()).sum();
            if weights().next().is_some() {
                kinds.push((kind, sum.max(1e-300).ln()));
            }
        }
        kinds.sort_by(|a, b| b.1.total_cmp(&a.1));
        kinds
    }

    /// The standard deviation of a float's readings, in points; `None` without a float.
    pub fn noise_sd(&self) -> Option<f64> {
        let (mut total, mut variance) = (0.0, 0.0);
        for (kind, log_weight) in self.noises() {
            let (weight, noise) = (log_weight.exp(), Noise::kind(kind));
            total += weight;
            variance += weight * (noise.white + noise.lasting);
        }
        (variance > 0.0).then(|| (variance / total).sqrt())
    }

    fn parts<'bank>(
        &'bank self,
        time: f64,
        linear: impl Fn(f64) -> (Weights, f64) + 'bank,
    ) -> impl Iterator<Item = Part> + 'bank {
        let step = (time - self.at).max(0.0);
        self.members.iter().map(move |member| {
            let (weights, constant) = linear(member.filter.mean[4]);
            let (mean, variance) = member.ahead(step, weights);
            let weight = member.filter.log_weight.exp();
            Part { weight, mean: mean + constant, variance }
        })
    }

    fn observe(&mut self, weights: &Weights, points: f64, variance: Option<f64>) -> Heard {
        let foretold = self.moments(self.at, |_| (*weights, 0.0)).unwrap_or((points, 0.0));
        let (mut total, mut ordinary) = (0.0, 0.0);
        for member in &mut self.members {
            let own = variance.unwrap_or_else(|| Noise::kind(member.noise).white);
            let weight = member.filter.log_weight.exp();
            let told = member.filter.observe(weights, points, own);
            member.filter.log_weight += told.log_likelihood;
            total += weight;
            ordinary += weight * told.ordinary;
        }
        self.level_weights();
        Heard { foretold, ordinary: ordinary / total }
    }

    /// Keeps the best weight at 0, and gives hopeless wanders another start.
    fn level_weights(&mut self) {
        let top = self.members.iter().map(|member| member.filter.log_weight);
        let top = top.fold(f64::NEG_INFINITY, f64::max);
        for member in &mut self.members {
            member.filter.log_weight -= top;
        }
        for group in self.members.chunk_by_mut(|a, b| a.noise == b.noise) {
            let weight = |member: &Member| member.filter.log_weight;
            let Some(best) = group.iter().max_by(|a, b| weight(a).total_cmp(&weight(b))) else {
                continue;
            };
            let mut anew = best.filter.clone();
            let hopeless = anew.log_weight - HOPELESS;
            anew.log_weight -= SECOND_CHANCE;
            for member in group.iter_mut().filter(|member| weight(member) < hopeless) {
                member.filter = anew.clone();
            }
        }
    }

    /// From no float to one of unknown noise.
    fn split(&mut self) {
        let before = std::mem::take(&mut self.members);
        for kind in 0..KINDS {
            for member in before.iter().filter(|m| WANDERS[m.wander] < HAND_WANDER) {
                let mut member = member.clone();
                member.noise = kind;
                member.filter.covariance[2][2] = Noise::kind(kind).lasting;
                self.members.push(member);
            }
        }
    }

    fn prune(&mut self) {
        let noises = self.noises();
        if noises.len() <= 1 {
            return;
        }
        let best = noises[0].1;
        let keep: Vec<usize> = noises
            .iter()
            .take(KEPT)
            .filter(|(_, weight)| *weight > best - GIVEN_UP)
            .map(|(kind, _)| *kind)
            .collect();
        self.members.retain(|member| keep.contains(&member.noise));
    }
}

impl Member {
    /// Mean and variance of a weighted sum (without the lasting noise) after `step` hours.
    fn ahead(&self, step: f64, weights: Weights) -> (f64, f64) {
        let [gravity, slope, noise, offset, original] = weights;
        let now = [gravity, slope + step * gravity, noise, offset, original];
        let (mean, variance) = self.filter.sum(&now);
        let wander = WANDERS[self.wander].powi(2) * step;
        let wandered =
            gravity * gravity * step * step / 3.0 + gravity * slope * step + slope * slope;
        let drift = OFFSET_WANDER.powi(2) * step;
        (mean, variance + wander * wandered + offset * offset * drift)
    }

    fn advance(&mut self, step: f64, kelvin: f64) {
        let noise = Noise::kind(self.noise);
        let keep = (-step / noise.hours).exp();
        let wander = WANDERS[self.wander].powi(2);
        let filter = &mut self.filter;
        filter.mean[0] += step * filter.mean[1];
        filter.mean[2] *= keep;
        let p = &mut filter.covariance;
        // Rows first, then columns: F P, then (F P) F'.
        for column in 0..5 {
            p[0][column] += step * p[1][column];
            p[2][column] *= keep;
        }
        for row in p.iter_mut() {
            row[0] += step * row[1];
            row[2] *= keep;
        }
        p[0][0] += wander * step.powi(3) / 3.0;
        p[0][1] += wander * step * step / 2.0;
        p[1][1] += wander * step;
        p[2][2] += noise.lasting * (1.0 - keep * keep);
        p[3][3] += OFFSET_WANDER.powi(2) * step + (PER_KELVIN * kelvin).powi(2);
        for row in 0..5 {
            for column in 0..row {
                p[row][column] = p[column][row];
            }
        }
    }
}
