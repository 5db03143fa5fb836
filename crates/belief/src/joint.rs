//! Several floats weighed together: one beer, and for each float a lasting noise and an offset of
//! its own.
//!
//! The filters are those of the trend bank with more numbers. That the offsets stand in one filter
//! with the beer says all there is to say of them: how well each is known against the others and
//! against samples, and that a float which joined late knows the fall only as far as the others
//! taught it. What a float's noise is comes from its own bank, where it is alone; here it is taken
//! as known, so that a few filters are enough.

use crate::ahead::{Ahead, Joined};
use crate::bank::{self, Asked, FAR, Heard, Jump, Member, Offsets, WANDERS};
use crate::filter::Filter;
use crate::kept::Kept;
use crate::noise::{KINDS, Noise};
use crate::normal::{Part, mixture_below, mixture_moments};
use crate::trend::{OFFSET_SD, OFFSET_WANDER, TrendBank, Warmth, Weights};
use serde::{Deserialize, Serialize};

/// How many floats are weighed together; further ones wait until one of these is out.
const FLOATS: usize = 5;
/// How many numbers a filter holds: those of [`Weights`], with the first float's noise and offset,
/// then noise and offset of each further one.
const NUMBERS: usize = 3 + 2 * FLOATS;
/// A float is asked whether it has moved only after so many of its readings.
const LEARNED: u32 = 4;

/// One float in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Voice {
    name: String,
    /// When it last spoke, in h.
    last: Option<f64>,
    readings: u32,
}

/// The bank of several floats.
///
/// Invariant: there are at most [`FLOATS`] voices, and numbers that belong to none are 0.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Joint {
    at: f64,
    voices: Vec<Voice>,
    members: Kept<Vec<Member<NUMBERS>>, Option<Joined<NUMBERS>>>,
    asked: Option<Asked>,
    warmth: Warmth,
}

/// Where a float's lasting noise stands; its offset is the next.
fn noise_place(float: usize) -> usize {
    if float == 0 { 2 } else { 3 + 2 * float }
}

fn offset_place(float: usize) -> usize {
    noise_place(float) + 1
}

/// What a float would read.
fn read_by(float: usize) -> [f64; NUMBERS] {
    let mut weights = [0.0; NUMBERS];
    for place in [0, noise_place(float), offset_place(float)] {
        weights[place] = 1.0;
    }
    weights
}

impl Joint {
    /// Of what this float alone has taught so far.
    pub fn new(name: &str, alone: &TrendBank) -> Self {
        let member = |(wander, held): &(usize, Filter<5>)| {
            let mut filter = Filter::independent(held.log_weight, [0.0; NUMBERS], [0.0; NUMBERS]);
            filter.mean[..5].copy_from_slice(&held.mean);
            for (row, cells) in held.covariance.iter().enumerate() {
                filter.covariance[row][..5].copy_from_slice(cells);
            }
            Member { noise: KINDS, wander: *wander, moved: false, filter }
        };
        let voice = Voice { name: name.to_owned(), last: None, readings: 0 };
        Joint {
            at: alone.at(),
            voices: vec![voice],
            members: alone.held().iter().map(member).collect::<Vec<_>>().into(),
            asked: None,
            warmth: alone.warmth(),
        }
    }

    /// Takes in another float. Where it has read before, what it would read now without its noise
    /// is known: mean and standard deviation, in points.
    pub fn join(&mut self, name: &str, frame: Option<(f64, f64)>) {
        let float = self.voices.len();
        if float == FLOATS || self.index(name).is_some() {
            return;
        }
        self.voices.push(Voice { name: name.to_owned(), last: None, readings: 0 });
        let place = offset_place(float);
        let mut weights = [0.0; NUMBERS];
        (weights[0], weights[place]) = (1.0, 1.0);
        for member in self.members.iter_mut() {
            member.filter.covariance[place][place] = OFFSET_SD.powi(2);
            if let Some((mean, sd)) = frame {
                member.filter.learn(&weights, mean, sd * sd);
            }
        }
    }

    /// Its floats.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.voices.iter().map(|voice| voice.name.as_str())
    }

    /// Which of its floats this is; `None` where it is none.
    pub fn index(&self, name: &str) -> Option<usize> {
        self.voices.iter().position(|voice| voice.name == name)
    }

    /// The name of the float whose offset stands there.
    pub fn named(&self, offset: usize) -> Option<&str> {
        let float = (0..self.voices.len()).find(|float| offset_place(*float) == offset)?;
        self.voices.get(float).map(|voice| voice.name.as_str())
    }

    /// What it holds of the beer, one belief for each wander that it has.
    pub fn held(&self) -> Vec<(usize, Filter<5>)> {
        let held = |wander| {
            let mut those = bank::stood(&self.members).filter(|member| member.wander == wander);
            let wide = &those.next()?.filter;
            let mut held = Filter::independent(wide.log_weight, [0.0; 5], [0.0; 5]);
            held.mean.copy_from_slice(&wide.mean[..5]);
            for (row, cells) in held.covariance.iter_mut().enumerate() {
                cells.copy_from_slice(&wide.covariance[row][..5]);
            }
            Some((wander, held))
        };
        (0..WANDERS.len()).filter_map(held).collect()
    }

    /// To when it was brought, in h.
    pub fn at(&self) -> f64 {
        self.at
    }

    /// Lets time pass; the beer has this temperature in °C, and its floats these noises.
    pub fn advance(&mut self, to: f64, celsius: Option<f64>, noises: &[Noise]) {
        let step = (to - self.at).max(0.0);
        let offset = OFFSET_WANDER.powi(2) * step + self.warmth.change(celsius);
        for member in self.members.iter_mut() {
            member.advance_beer(step);
            for (float, noise) in noises.iter().take(self.voices.len()).enumerate() {
                member.advance_noise(noise_place(float), step, noise.lasting, noise.hours);
                let place = offset_place(float);
                member.filter.covariance[place][place] += offset;
            }
        }
        self.at = self.at.max(to);
    }

    /// A reading of its float number `float`, whose noise is this, at the time to which it was
    /// brought; `wild` is the variance that it has beyond that noise.
    pub fn float(&mut self, float: usize, points: f64, noise: Noise, wild: f64) -> Heard {
        let weights = read_by(float);
        let voice = &mut self.voices[float];
        let gap = voice.last.map_or(1.0, |last| self.at - last);
        voice.last = Some(self.at);
        voice.readings = voice.readings.saturating_add(1);
        if voice.readings == 1 {
            // Its noise has gone on for long.
            let place = noise_place(float);
            for member in self.members.iter_mut().filter(|_| float > 0) {
                member.filter.covariance[place][place] += noise.lasting;
            }
        }
        let next = mixture_moments(bank::stood(&self.members).map(|member| {
            let part = member.part(&weights);
            Part { variance: part.variance + noise.white, ..part }
        }));
        let far = next.is_some_and(|(mean, sd)| (points - mean).abs() >= FAR * sd);
        if far && wild == 0.0 && self.voices[float].readings >= LEARNED {
            let offset = offset_place(float);
            self.ask(Offsets::One(offset), &[offset], bank::moves_within(gap));
        }
        let mut heard = bank::observe(&mut self.members, &weights, points, |_| noise.white + wild);
        heard.moved = bank::answer(&mut self.members, &mut self.asked, self.at);
        heard
    }

    /// A hand reading, at the time to which it was brought.
    pub fn hand(&mut self, points: f64, sd: f64) -> Heard {
        let mut weights = [0.0; NUMBERS];
        weights[0] = 1.0;
        let next = mixture_moments(bank::stood(&self.members).map(|member| member.part(&weights)));
        if next.is_some_and(|(mean, own)| (points - mean).abs() >= FAR * own.hypot(sd)) {
            let floats = self.voices.len();
            let offsets: Vec<usize> = (0..floats).map(offset_place).collect();
            self.ask(Offsets::All(offset_place(0)), &offsets, bank::drifted(floats));
        }
        let mut heard = bank::observe(&mut self.members, &weights, points, |_| sd * sd);
        heard.moved = bank::answer(&mut self.members, &mut self.asked, self.at);
        heard
    }

    /// The next readings of this float tell whether it has moved; so probable it is beforehand.
    pub fn may_have_moved(&mut self, float: usize, probable: f64) {
        let offset = offset_place(float);
        self.ask(Offsets::One(offset), &[offset], probable);
    }

    /// What was taken for a move of this float by so much was none.
    pub fn has_not_moved(&mut self, float: usize, points: f64) {
        for member in self.members.iter_mut() {
            member.filter.mean[offset_place(float)] -= points;
        }
    }

    /// Something was added to the beer.
    pub fn jump(&mut self, jump: &Jump) {
        bank::jump(&mut self.members, &mut self.asked, jump);
    }

    /// Knowledge of the original gravity, in points; a negative variance takes some back.
    pub fn learn_original(&mut self, points: f64, variance: f64) {
        let mut weights = [0.0; NUMBERS];
        weights[4] = 1.0;
        for member in self.members.iter_mut() {
            member.filter.learn(&weights, points, variance);
        }
    }

    /// Probability that a weighted sum is at most `bound` at `time`, with the offset of this float;
    /// see [`TrendBank::below`].
    pub fn below(
        &self,
        float: usize,
        time: f64,
        bound: f64,
        linear: impl Fn(f64) -> (Weights, f64),
    ) -> Option<f64> {
        let step = self.ahead(time);
        let parts = self.members.iter().map(|member| {
            let (weights, constant) = linear(member.filter.mean[4]);
            Ahead::new(weights, step, offset_place(float)).of(member).and(constant)
        });
        mixture_below(parts, bound)
    }

    /// Mean and standard deviation of a weighted sum at `time`, with the offset of this float; see
    /// [`TrendBank::moments`].
    pub fn moments(&self, float: usize, time: f64, weights: Weights) -> Option<(f64, f64)> {
        let joined = self.members.found(|members| Joined::of(members)).as_ref()?;
        Some(Ahead::new(weights, self.ahead(time), offset_place(float)).of_all(joined))
    }

    fn ahead(&self, time: f64) -> f64 {
        (time - self.at).max(0.0)
    }

    fn ask(&mut self, offsets: Offsets, places: &[usize], probable: f64) {
        bank::ask(&mut self.members, &mut self.asked, (self.at, probable), offsets, places);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trend::{FALLEN, GRAVITY, OFFSET};

    /// A float that reads 50 + 1 for a day, every half hour, with a small swing.
    fn alone() -> TrendBank {
        let mut bank = TrendBank::new((50.0, 1.0));
        for step in 0..48 {
            let time = f64::from(step) * 0.5;
            bank.advance(time, None);
            bank.float(51.0 + 0.3 * (time * 7.0).sin(), 0.0);
        }
        bank
    }

    #[test]
    fn it_begins_with_what_one_float_has_told() {
        let bank = alone();
        let joint = Joint::new("one", &bank);
        for weights in [GRAVITY, OFFSET, FALLEN] {
            let (mean, sd) = bank.moments(30.0, weights).unwrap();
            let (joint_mean, joint_sd) = joint.moments(0, 30.0, weights).unwrap();
            assert!(
                (mean - joint_mean).abs() < 1e-9 && (sd - joint_sd).abs() < 1e-9,
                "{weights:?}"
            );
        }
    }

    #[test]
    fn a_float_that_joins_late_learns_its_offset_and_leaves_the_fall_to_the_first() {
        let bank = alone();
        let mut joint = Joint::new("one", &bank);
        joint.join("two", None);
        assert_eq!((joint.index("two"), joint.named(offset_place(1))), (Some(1), Some("two")));
        let fallen = joint.moments(0, joint.at(), FALLEN).unwrap();
        let noise = Noise { white: 0.1, lasting: 0.1, hours: 5.0 };
        for step in 0..48 {
            let time = 24.0 + f64::from(step) * 0.5;
            joint.advance(time, None, &[noise, noise]);
            joint.float(1, 47.0 + 0.3 * (time * 5.0).sin(), noise, 0.0);
        }
        let (one, _) = joint.moments(0, joint.at(), OFFSET).unwrap();
        let (two, sd) = joint.moments(1, joint.at(), OFFSET).unwrap();
        assert!((one - two - 4.0).abs() < 0.5 && sd < 1.5, "{one} {two} {sd}");
        let (after, _) = joint.moments(0, joint.at(), FALLEN).unwrap();
        assert!((after - fallen.0).abs() < 0.3, "{fallen:?} {after}");
    }

    #[test]
    fn a_sample_sets_all_offsets() {
        let bank = alone();
        let mut joint = Joint::new("one", &bank);
        joint.join("two", Some((48.0, 0.3)));
        let before: Vec<f64> =
            (0..2).map(|float| joint.moments(float, 24.0, OFFSET).unwrap().0).collect();
        joint.hand(51.0, 0.2);
        for float in 0..2 {
            let (offset, sd) = joint.moments(float, 24.0, OFFSET).unwrap();
            assert!(offset < before[float] - 0.5 && sd < 0.6, "{before:?} {offset} {sd}");
        }
    }

    #[test]
    fn no_more_are_weighed_than_have_a_place() {
        let mut joint = Joint::new("0", &alone());
        for name in ["1", "2", "3", "4", "5"] {
            joint.join(name, None);
        }
        assert_eq!(joint.names().collect::<Vec<_>>(), ["0", "1", "2", "3", "4"]);
    }
}
