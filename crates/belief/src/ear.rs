//! What one float alone would have us believe: its trend, its tail, and what these have said.
//!
//! Each float of a vessel has an ear of its own, so that what one of them has told can be left out
//! wholly once it is known to be false.

use crate::noise::Noise;
use crate::past::Past;
use crate::tail::TailBank;
use crate::trend::{TrendBank, Weights};
use crate::watch::{Declared, Stated};
use serde::{Deserialize, Serialize};

/// Hand readings do not enter the tail while a float spoke within this, in h: the float's own
/// course says more of it.
const FLOAT_SPEAKS: f64 = 24.0;
/// A float that joined when the tail had come has one of its own after so many readings.
const LEARNED: u32 = 12;

/// One float's ear; before there is a float, that of the hand readings.
///
/// Invariant: its trend and its tail stand at the time of a reading that it believed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Ear {
    pub trend: TrendBank,
    pub tail: Option<TailBank>,
    pub declared: Declared,
    pub past: Past,
    stated: Stated,
    /// When its float last spoke, in h.
    float_at: Option<f64>,
    warmth: Moving,
    /// By how much the temperature has moved since the tail last heard, in K.
    kelvin: f64,
}

/// The beer's temperature when it last counted as moved, in °C: small changes are noise, not a
/// reason to doubt what a float reads.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
struct Moving(Option<f64>);

impl Moving {
    /// By how much it has moved, in K, since it last counted as moved.
    fn by(&mut self, celsius: Option<f64>) -> f64 {
        const COUNTS: f64 = 0.3;
        let Some(now) = celsius else { return 0.0 };
        let kelvin = now - *self.0.get_or_insert(now);
        if kelvin.abs() < COUNTS {
            return 0.0;
        }
        self.0 = Some(now);
        kelvin
    }
}

impl Ear {
    /// With what it knows of the beer.
    pub fn new(trend: TrendBank) -> Self {
        Ear {
            trend,
            tail: None,
            declared: Declared::default(),
            past: Past::default(),
            stated: Stated::default(),
            float_at: None,
            warmth: Moving::default(),
            kelvin: 0.0,
        }
    }

    /// Lets time pass; the beer has this temperature in °C.
    pub fn advance(&mut self, time: f64, celsius: Option<f64>) {
        self.kelvin += self.warmth.by(celsius);
        self.trend.advance(time, celsius);
    }

    /// Notes what was read by now, where it is time: of its float, or of the samples.
    pub fn note_past(&mut self, time: f64, weights: Weights) {
        if self.past.is_due(time)
            && let Some(moments) = self.trend.moments(time, weights)
        {
            self.past.note(time, moments);
        }
    }

    /// The tail hears the float, in points.
    pub fn float_in_tail(&mut self, time: f64, points: f64) {
        self.float_at = Some(time);
        self.observe(time, points, None);
    }

    /// The tail hears a sample, in points and points², where no float says more of it; `offset` is
    /// the float's, mean and standard deviation.
    pub fn hand_in_tail(&mut self, time: f64, points: f64, own: f64, offset: (f64, f64)) -> bool {
        match self.float_at {
            None => self.observe(time, points, Some(own)),
            Some(float_at) if time - float_at > FLOAT_SPEAKS => {
                self.observe(time, points + offset.0, Some(own + offset.1 * offset.1));
            }
            Some(_) => return false,
        }
        true
    }

    fn observe(&mut self, time: f64, points: f64, own: Option<f64>) {
        let Some(tail) = &mut self.tail else { return };
        tail.observe(time, std::mem::take(&mut self.kelvin), points, own);
        self.declared.note(time, tail);
    }

    /// Whether the beer has been below what the tail had called its end.
    pub fn is_broken(&mut self, time: f64) -> bool {
        self.tail.as_ref().is_some_and(|tail| self.stated.broken(time, tail, &self.trend))
    }

    /// Begins the tail, with the final gravity that is expected in what the float reads.
    pub fn start_tail(&mut self, time: f64, expected: (f64, f64)) {
        self.tail = Some(TailBank::new(time, expected, &self.possible_noises()));
        self.declared.clear();
        self.stated.clear();
        self.kelvin = 0.0;
    }

    /// There is no tail any more: the fall goes on.
    pub fn end_tail(&mut self) {
        self.tail = None;
        self.declared.clear();
        self.stated.clear();
    }

    /// Whether its float has read often enough to have a tail of its own.
    pub fn has_learned(&self) -> bool {
        self.trend.readings() >= LEARNED
    }

    /// The float has moved by this, in points.
    pub fn loosen_tail(&mut self, points: f64) {
        if let Some(tail) = &mut self.tail {
            tail.loosen(points);
        }
    }

    /// Another expectation of the final gravity in what the float reads.
    pub fn expect(&mut self, expected: (f64, f64)) {
        if let Some(tail) = &mut self.tail {
            tail.expect(expected);
        }
    }

    /// The float's noise as far as it is known.
    pub fn noise(&self) -> Noise {
        self.trend.noise()
    }

    /// Kinds of noise for a new tail: what the main fall has taught, less firmly, since there a
    /// wandering slope can pass for noise.
    fn possible_noises(&self) -> Vec<(usize, f64)> {
        const FIRMNESS: f64 = 0.25;
        const REACH: f64 = 8.0;
        const MOST: usize = 8;
        let noises = self.trend.noises();
        let best = noises.first().map_or(0.0, |(_, weight)| *weight);
        noises
            .into_iter()
            .take(MOST)
            .filter(|(_, weight)| *weight > best - REACH)
            .map(|(kind, weight)| (kind, FIRMNESS * (weight - best)))
            .collect()
    }
}
