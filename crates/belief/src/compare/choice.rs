//! Which float is nearest, which is quietest, and what is not known well enough to say.

use super::{Comparison, Figure, FloatReport, PairReport};

/// A bias that is not known within this, in points either way, is not known well.
const BIAS_KNOWN: f64 = 2.0;
/// A drift that is not known within this, in points a day either way, is not known well.
const DRIFT_KNOWN: f64 = 0.3;

/// The first of floats by some measure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ranked {
    /// The first one's name.
    pub first: String,
    /// The next one's.
    pub second: String,
    /// Whether the first is shown to be ahead of the next, with 95 % confidence.
    pub is_shown: bool,
}

/// What is not known well enough.
#[derive(Debug, Clone, PartialEq)]
pub enum Lack {
    /// No sample was taken: nothing says what is true.
    NoSample,
    /// No reading of this float is near any sample, or they are too few to know its noise.
    NoReadingsBeside {
        /// Its name.
        name: String,
    },
    /// One sample only, or several within a day: no drift.
    SamplesTooClose,
    /// The bias is known to no better than this.
    Bias {
        /// The float's name.
        name: String,
        /// Half of the interval, in points.
        half: f64,
    },
    /// The drift is known to no better than this.
    Drift {
        /// The float's name.
        name: String,
        /// Half of the interval, in points a day.
        half: f64,
    },
    /// Its readings are too few to know its noise.
    Noise {
        /// The float's name.
        name: String,
    },
}

/// Two floats that are shown to part slowly.
#[derive(Debug, Clone, PartialEq)]
pub struct Parting {
    /// Their names.
    pub names: [String; 2],
    /// The first less the second grows by this, in points a day.
    pub drift: Figure,
    /// Which of them drifts, where the samples show that the other does not drift by so much.
    pub drifting: Option<String>,
}

impl Comparison {
    /// The float whose mean lies nearest to the samples; `None` where that is known of fewer than
    /// two.
    ///
    /// Biases to the same samples err together, so they are not compared as if they were
    /// independent: the first is nearer where the floats are shown to differ, and the mean of both
    /// biases is shown to have the second's sign. Of two that are shown to part, which is nearer
    /// changes with the time: that is not called shown.
    pub fn nearest(&self) -> Option<Ranked> {
        let (first, second) = self.lowest(|float| Some(float.bias_to_samples?.value.abs()))?;
        let biases = [first.bias_to_samples?, second.bias_to_samples?];
        let between = Figure::mean(&biases)?;
        let is_none = |figure: Option<Figure>| figure.is_none_or(|f| !f.is_apart_from(0.0));
        let pair = self.pair(&first.name, &second.name)?;
        let is_shown = between.is_apart_from(0.0) && !is_none(pair.apart) && is_none(pair.drift);
        Some(Ranked { first: first.name.clone(), second: second.name.clone(), is_shown })
    }

    /// The float whose single readings scatter least: by all of their noise where that is known of
    /// all floats, else by the quick part; `None` where that is known of fewer than two.
    pub fn quietest(&self) -> Option<Ranked> {
        let all = self.floats.iter().all(|float| float.slow_noise.is_some());
        let noise = |float: &FloatReport| {
            let quick = float.quick_noise?;
            let slow = float.slow_noise.filter(|_| all);
            Some(slow.map_or((quick.value, quick.sd), |slow| together(quick, slow)))
        };
        let (first, second) = self.lowest(|float| noise(float).map(|(value, _)| value))?;
        let ((one, one_sd), (other, other_sd)) = (noise(first)?, noise(second)?);
        let is_shown = other - one > 1.96 * one_sd.hypot(other_sd);
        Some(Ranked { first: first.name.clone(), second: second.name.clone(), is_shown })
    }

    /// What is not known well enough, most important first.
    pub fn lacks(&self) -> Vec<Lack> {
        let mut lacks = Vec::new();
        let heard = || self.floats.iter().filter(|float| float.readings > 0);
        if self.samples == 0 {
            lacks.push(Lack::NoSample);
        } else {
            let far = heard().filter(|float| float.samples == 0 && float.quick_noise.is_some());
            lacks.extend(far.map(|float| Lack::NoReadingsBeside { name: float.name.clone() }));
            let beside = || heard().filter(|float| float.samples > 0);
            if beside().any(|float| float.drift_to_samples.is_none()) {
                lacks.push(Lack::SamplesTooClose);
            }
            lacks.extend(beside().filter_map(|float| {
                let half = float.bias_to_samples?.half();
                (half > BIAS_KNOWN).then(|| Lack::Bias { name: float.name.clone(), half })
            }));
            lacks.extend(beside().filter_map(|float| {
                let half = float.drift_to_samples?.half();
                (half > DRIFT_KNOWN).then(|| Lack::Drift { name: float.name.clone(), half })
            }));
        }
        let few = heard().filter(|float| float.quick_noise.is_none());
        lacks.extend(few.map(|float| Lack::Noise { name: float.name.clone() }));
        lacks
    }

    /// The floats that are shown to part, and which of them drifts.
    pub fn partings(&self) -> Vec<Parting> {
        let parting = |pair: &PairReport| {
            let drift = pair.drift.filter(|drift| drift.is_apart_from(0.0))?;
            // The one that drifts alone would drift by this from the samples.
            let alone = [drift.value, -drift.value];
            let may: Vec<&String> = pair
                .names
                .iter()
                .zip(alone)
                .filter(|(name, alone)| {
                    let float = self.floats.iter().find(|float| float.name == **name);
                    let seen = float.and_then(|float| float.drift_to_samples);
                    seen.is_none_or(|seen| !seen.is_apart_from(*alone))
                })
                .map(|(name, _)| name)
                .collect();
            let drifting = if let [only] = may[..] { Some(only.clone()) } else { None };
            Some(Parting { names: pair.names.clone(), drift, drifting })
        };
        self.pairs.iter().filter_map(parting).collect()
    }

    /// The two floats with the least of a measure.
    fn lowest(
        &self,
        measure: impl Fn(&FloatReport) -> Option<f64>,
    ) -> Option<(&FloatReport, &FloatReport)> {
        let mut known: Vec<(f64, &FloatReport)> =
            self.floats.iter().filter_map(|float| Some((measure(float)?, float))).collect();
        known.sort_by(|(one, _), (other, _)| one.total_cmp(other));
        Some((known.first()?.1, known.get(1)?.1))
    }

    /// Two floats beside each other, whichever is first.
    fn pair(&self, one: &str, other: &str) -> Option<&PairReport> {
        let has = |pair: &PairReport, name| pair.names.iter().any(|known| known == name);
        self.pairs.iter().find(|pair| has(pair, one) && has(pair, other))
    }
}

/// Quick and slow noise together: value and standard deviation.
fn together(quick: Figure, slow: Figure) -> (f64, f64) {
    let value = quick.value.hypot(slow.value);
    if value == 0.0 {
        return (0.0, quick.sd.hypot(slow.sd));
    }
    (value, (quick.value * quick.sd).hypot(slow.value * slow.sd) / value)
}
