//! The trend bank: gravity as a wandering straight line, with no assumption on fermentation, as one
//! float alone and a person's samples have it.
//!
//! Each filter holds five numbers: the beer's gravity now, its slope, the float's lasting noise,
//! the float's offset (reading less truth) and the original gravity. Gravity and original gravity
//! start as one number, so whatever is later learned of one (a sample, say) is learned of the
//! other, and a fall is known better than either. Gravities are in points above 1.000, times in h
//! since pitching.

use crate::ahead::{Ahead, Joined};
use crate::bank::{self, Asked, FAR, HAND_WANDER, Heard, Jump, Member, Offsets, WANDERS};
use crate::filter::Filter;
use crate::kept::Kept;
use crate::noise::{KINDS, Noise};
use crate::normal::{Part, deviation, mixture_below, mixture_moments};
use crate::thermal::misread;
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
/// Where the offset stands among them.
const OFFSET_PLACE: usize = 3;

/// A kind of noise this far behind the best is given up, after `SETTLED` readings.
const GIVEN_UP: f64 = 14.0;
const SETTLED: u32 = 40;
/// At most this many kinds of noise are kept after `SETTLED` readings.
const KEPT: usize = 10;
/// How well a float's offset is known before anything is measured, in points.
pub(crate) const OFFSET_SD: f64 = 2.5;
/// Slope at pitching, in points/h: yeast needs hours to begin.
const START_SLOPE_SD: f64 = 0.1;
/// How fast a float's offset wanders, in points/√h.
pub(crate) const OFFSET_WANDER: f64 = 0.02;
/// Whether a float has moved is asked only after so many of its readings.
const LEARNED: u32 = 4;

/// The bank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct TrendBank {
    /// To when the filters have been brought.
    at: f64,
    /// How many float readings it has seen.
    readings: u32,
    members: Kept<Vec<Member<5>>, Option<Joined<5>>>,
    asked: Option<Asked>,
    /// When the float last spoke, in h.
    last: Option<f64>,
    warmth: Warmth,
}

/// Where the beer's temperature was, in °C, and what a float has read wrongly for warmth since at
/// most, in points, where it feels it at all.
///
/// It is the same all the way and is gone when the beer is as before: so its uncertainty grows with
/// the way, and only beyond the farthest yet.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Warmth {
    first: Option<f64>,
    farthest: f64,
}

impl Warmth {
    /// At this temperature, where it is known: the variance that a float's offset gains, in
    /// points².
    pub fn change(&mut self, celsius: Option<f64>) -> f64 {
        let Some(now) = celsius else { return 0.0 };
        let before = self.farthest;
        self.farthest = before.max(misread(*self.first.get_or_insert(now), now).abs());
        self.farthest.powi(2) - before.powi(2)
    }
}

impl TrendBank {
    /// At pitching, with the original gravity's mean and standard deviation in points.
    pub fn new(original: (f64, f64)) -> Self {
        let (mean, variance) = (original.0, original.1 * original.1);
        let mut filter = Filter::independent(
            0.0,
            [mean, 0.0, 0.0, 0.0, mean],
            [variance, START_SLOPE_SD.powi(2), 0.0, OFFSET_SD.powi(2), variance],
        );
        filter.covariance[0][4] = variance;
        filter.covariance[4][0] = variance;
        let beers: Vec<_> = (0..WANDERS.len()).map(|wander| (wander, filter.clone())).collect();
        TrendBank::holding(0.0, &beers)
    }

    /// At `at`, with a beer as these hold it, each with its wander; nothing is known of a float.
    pub fn holding(at: f64, beers: &[(usize, Filter<5>)]) -> Self {
        let member = |(wander, beer): &(usize, Filter<5>)| {
            let mut filter = beer.clone();
            for place in [2, OFFSET_PLACE] {
                filter.forget(place, 0.0);
            }
            filter.covariance[OFFSET_PLACE][OFFSET_PLACE] = OFFSET_SD.powi(2);
            Member { noise: KINDS, wander: *wander, moved: false, filter }
        };
        TrendBank {
            at,
            readings: 0,
            members: beers.iter().map(member).collect::<Vec<_>>().into(),
            asked: None,
            last: None,
            warmth: Warmth::default(),
        }
    }

    /// What it holds, one belief for each wander that it has.
    pub fn held(&self) -> Vec<(usize, Filter<5>)> {
        let held = |wander| {
            let mut those = bank::stood(&self.members).filter(|member| member.wander == wander);
            let first = those.next()?.filter.clone();
            let joined = those.fold(first, |mut sum, member| {
                sum.join(&member.filter);
                sum
            });
            Some((wander, joined))
        };
        (0..WANDERS.len()).filter_map(held).collect()
    }

    /// How many float readings it has seen.
    pub fn readings(&self) -> u32 {
        self.readings
    }

    /// What warmth has done to its float.
    pub fn warmth(&self) -> Warmth {
        self.warmth
    }

    /// To when it was brought, in h.
    pub fn at(&self) -> f64 {
        self.at
    }

    /// Lets time pass; the beer has this temperature in °C.
    pub fn advance(&mut self, to: f64, celsius: Option<f64>) {
        let step = (to - self.at).max(0.0);
        let offset = OFFSET_WANDER.powi(2) * step + self.warmth.change(celsius);
        for member in self.members.iter_mut() {
            let noise = Noise::kind(member.noise);
            member.advance_beer(step);
            member.advance_noise(2, step, noise.lasting, noise.hours);
            member.filter.covariance[OFFSET_PLACE][OFFSET_PLACE] += offset;
        }
        self.at = self.at.max(to);
    }

    /// A float's reading, at the time to which the bank was brought; `wild` is the variance that it
    /// has beyond the float's noise.
    pub fn float(&mut self, points: f64, wild: f64) -> Heard {
        if self.readings == 0 {
            self.split();
        }
        self.readings = self.readings.saturating_add(1);
        let gap = self.last.map_or(1.0, |last| self.at - last);
        self.last = Some(self.at);
        let next = mixture_moments(bank::stood(&self.members).map(|member| {
            let part = member.part(&FLOAT);
            Part { variance: part.variance + Noise::kind(member.noise).white, ..part }
        }));
        let far = next.is_some_and(|(mean, sd)| (points - mean).abs() >= FAR * sd);
        if far && wild == 0.0 && self.readings >= LEARNED {
            self.ask(Offsets::One(OFFSET_PLACE), bank::moves_within(gap));
        }
        let white = |member: &Member<5>| Noise::kind(member.noise).white + wild;
        let mut heard = bank::observe(&mut self.members, &FLOAT, points, white);
        heard.moved = bank::answer(&mut self.members, &mut self.asked, self.at);
        if self.readings >= SETTLED {
            self.prune();
        }
        heard
    }

    /// A hand reading, at the time to which the bank was brought.
    pub fn hand(&mut self, points: f64, sd: f64) -> Heard {
        let next = mixture_moments(bank::stood(&self.members).map(|member| member.part(&GRAVITY)));
        let far = next.is_some_and(|(mean, own)| (points - mean).abs() >= FAR * own.hypot(sd));
        if far && self.readings > 0 {
            self.ask(Offsets::All(OFFSET_PLACE), bank::drifted(1));
        }
        let mut heard = bank::observe(&mut self.members, &GRAVITY, points, |_| sd * sd);
        heard.moved = bank::answer(&mut self.members, &mut self.asked, self.at);
        heard
    }

    /// The float has moved by about this, as others have it.
    pub fn has_moved(&mut self, points: f64) {
        for member in self.members.iter_mut() {
            member.filter.covariance[OFFSET_PLACE][OFFSET_PLACE] += points * points;
        }
    }

    /// Its next readings tell whether the float has moved; so probable it is beforehand.
    pub fn may_have_moved(&mut self, probable: f64) {
        if self.readings > 0 {
            self.ask(Offsets::One(OFFSET_PLACE), probable);
        }
    }

    /// What was taken for a move of the float by this was none.
    pub fn has_not_moved(&mut self, points: f64) {
        for member in self.members.iter_mut() {
            member.filter.mean[OFFSET_PLACE] -= points;
        }
    }

    /// Something was added to the beer.
    pub fn jump(&mut self, jump: &Jump) {
        bank::jump(&mut self.members, &mut self.asked, jump);
    }

    /// The float has drifted by about this, and the beer was taken to have fallen less or more by
    /// as much.
    pub fn has_drifted(&mut self, points: f64) {
        for member in self.members.iter_mut() {
            member.filter.exchange(0, &[OFFSET_PLACE], points * points);
        }
    }

    /// Knowledge of the original gravity, in points; a negative variance takes some back.
    pub fn learn_original(&mut self, points: f64, variance: f64) {
        for member in self.members.iter_mut() {
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
        let step = self.ahead(time);
        let parts = self.members.iter().map(|member| {
            let (weights, constant) = linear(member.filter.mean[4]);
            Ahead::new(weights, step, OFFSET_PLACE).of(member).and(constant)
        });
        mixture_below(parts, bound)
    }

    /// Mean and standard deviation of a weighted sum at `time`; while it is asked whether the float
    /// has moved, without those that hold so: a few that hold something quite different say nothing
    /// of how exactly the others know it.
    pub fn moments(&self, time: f64, weights: Weights) -> Option<(f64, f64)> {
        let joined = self.members.found(|members| Joined::of(members)).as_ref()?;
        Some(Ahead::new(weights, self.ahead(time), OFFSET_PLACE).of_all(joined))
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

    /// The float's noise as far as it is known: the mean over its kinds.
    pub fn noise(&self) -> Noise {
        let (mut total, mut mean) = (0.0, Noise { hours: 0.0, ..Noise::NONE });
        for member in self.members.iter() {
            let (weight, noise) = (member.filter.log_weight.exp(), Noise::kind(member.noise));
            total += weight;
            mean.white += weight * noise.white;
            mean.lasting += weight * noise.lasting;
            mean.hours += weight * noise.hours;
        }
        Noise {
            white: mean.white / total,
            lasting: mean.lasting / total,
            hours: mean.hours / total,
        }
    }

    /// How far `time` lies ahead, in h.
    fn ahead(&self, time: f64) -> f64 {
        (time - self.at).max(0.0)
    }

    fn ask(&mut self, offsets: Offsets, probable: f64) {
        bank::ask(
            &mut self.members,
            &mut self.asked,
            (self.at, probable),
            offsets,
            &[OFFSET_PLACE],
        );
    }

    /// From no float to one of unknown noise.
    fn split(&mut self) {
        let before = std::mem::take(&mut *self.members);
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

/// How large a float's noise is, in points.
pub(crate) fn size(noise: Noise) -> f64 {
    deviation(noise.white + noise.lasting)
}
