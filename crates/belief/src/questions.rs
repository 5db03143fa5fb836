//! The questions that are answered from the trend: how far, how fast, how much is shown.

use crate::belief::{Belief, points};
use crate::source::Source;
use crate::trend::{FALLEN, GRAVITY, ORIGINAL, SLOPE, Weights};
use crate::{Estimate, Judgement, Measured, Missing, Original};
use quantity::{Gravity, GravityDelta, GravityRate, Share, Stamp, plato_from_sg, sg_from_plato};

/// A person who samples so often is silent after so many times.
const SILENT_SAMPLES: i64 = 3;

impl Belief {
    /// Gravity and rate now, or, where the last reading is too long ago to go on from it, as they
    /// were then; `None` without a usable reading.
    pub fn estimate(&self) -> Option<Estimate> {
        let (_, last) = self.last.as_ref()?;
        let at = if self.missing().is_some() { *last } else { self.hours(self.now) };
        let (gravity, gravity_sd) = self.trend_at(at, GRAVITY)?;
        let (slope, slope_sd) = self.trend_at(at, SLOPE)?;
        Some(Estimate {
            sg: in_sg((gravity, gravity_sd)),
            rate_points_per_day: Measured { value: slope * 24.0, sd: slope_sd * 24.0 },
            as_of: self.stamp(*last),
        })
    }

    /// The original gravity as believed, in SG.
    pub fn original(&self) -> Option<Measured> {
        if self.original_missing().is_some() {
            return None;
        }
        self.trend_now(ORIGINAL).map(in_sg)
    }

    /// The original gravity as believed, in SG, without what additions made of it.
    pub fn original_as_pitched(&self) -> Option<f64> {
        self.original().map(|original| original.value - self.raised.original * 1e-3)
    }

    /// The final gravity that is still to come, in SG: of the tail once it has begun, else as
    /// expected.
    pub fn final_gravity(&self) -> Option<Measured> {
        let Some(tail) = self.ended() else {
            let expected = self.expectation.final_sg?;
            return Some(Measured { value: expected.sg, sd: expected.sd_points * 1e-3 });
        };
        let (end, sd) = tail.final_moments()?;
        let (offset, offset_sd) = self.trend_now(crate::trend::OFFSET)?;
        Some(in_sg((end - offset, sd.hypot(offset_sd))))
    }

    /// Whether gravity is at or below this; the value is in SG.
    pub fn at_or_below(&self, gravity: Gravity) -> Judgement {
        self.judge(None, |belief| {
            let value = belief.trend_now(GRAVITY).map(in_sg);
            (belief.trend_below(points(gravity.sg()), |_| (GRAVITY, 0.0)), value)
        })
    }

    /// Whether the apparent attenuation of the original extract, in °P, is at least this; the value
    /// is a fraction.
    pub fn attenuation(&self, share: Share) -> Judgement {
        self.judge(self.original_missing(), |belief| {
            (belief.attenuation_shown(share.fraction()), belief.attenuation_now())
        })
    }

    /// The apparent attenuation of the original extract, a fraction; `None` while it is unknown.
    pub fn attenuated(&self) -> Option<Measured> {
        let known = self.missing().is_none() && self.original_missing().is_none();
        known.then(|| self.attenuation_now())?
    }

    /// Whether this share of the way from the original to the expected final gravity is done; the
    /// value is a fraction.
    pub fn progress(&self, share: Share) -> Judgement {
        let Some(end) = self.expectation.final_sg else {
            return unknown(Missing::NoExpectedFinal);
        };
        self.judge(self.original_missing(), |belief| {
            let end = points(end.sg);
            (belief.progress_shown(end, share.fraction()), belief.progress_now(end))
        })
    }

    /// The share of the way from the original to the expected final gravity that is done; `None`
    /// while it is unknown.
    pub fn progressed(&self) -> Option<Measured> {
        let end = self.expectation.final_sg?;
        let known = self.missing().is_none() && self.original_missing().is_none();
        known.then(|| self.progress_now(points(end.sg)))?
    }

    /// Whether gravity is within this above the expected final one; the value is in points above.
    pub fn above_final(&self, delta: GravityDelta) -> Judgement {
        let end = self.expectation.final_sg.and_then(|end| Gravity::from_sg(end.sg));
        let Some(end) = end else { return unknown(Missing::NoExpectedFinal) };
        self.judge(None, |belief| {
            let value = belief.trend_now(GRAVITY).map(beyond(-points(end.sg())));
            (belief.trend_below(points(delta.above(end)), |_| (GRAVITY, 0.0)), value)
        })
    }

    /// Whether gravity credibly lies more than `points` below the expected final one; the value is
    /// in points below.
    pub fn below_final(&self, below: f64) -> Judgement {
        let Some(end) = self.expectation.final_sg else {
            return unknown(Missing::NoExpectedFinal);
        };
        self.judge(None, |belief| {
            let down: Weights = GRAVITY.map(|weight| -weight);
            let value = belief.trend_now(down).map(beyond(points(end.sg)));
            (belief.trend_below(points(end.sg) - below, |_| (GRAVITY, 0.0)), value)
        })
    }

    /// Whether gravity has fallen by at least this since pitching, what additions raised it by not
    /// counted; the value is in points.
    pub fn fallen(&self, delta: GravityDelta) -> Judgement {
        let raised = self.raised.beyond();
        self.judge(self.original_missing(), |belief| {
            let near = belief.original().and_then(|original| Gravity::from_sg(original.value));
            let wanted = near.map(|near| points(near.sg()) - points(delta.below(near)));
            let up: Weights = FALLEN.map(|weight| -weight);
            let probability =
                wanted.and_then(|wanted| belief.trend_below(-wanted, |_| (up, -raised)));
            (probability, belief.trend_now(FALLEN).map(beyond(raised)))
        })
    }

    /// Whether gravity has begun to fall and falls more slowly than this; the value is in points a
    /// day, negative while it falls.
    pub fn slower_than(&self, rate: GravityRate) -> Judgement {
        let mut judgement = self.judge(None, |belief| {
            let slope = belief.trend_now(SLOPE);
            let near = belief.estimate().and_then(|now| Gravity::from_sg(now.sg.value));
            let bound = near.map(|near| rate.points_per_day_near(near) / 24.0);
            let up: Weights = SLOPE.map(|weight| -weight);
            let probability = bound.and_then(|bound| belief.trend_below(bound, |_| (up, 0.0)));
            let per_day = |(slope, sd): (f64, f64)| Measured { value: slope * 24.0, sd: sd * 24.0 };
            (probability, slope.map(per_day))
        });
        if judgement.probability.is_some() && self.fall.begun.is_none() {
            judgement.probability = Some(0.0);
            judgement.missing = Some(Missing::NotBegun);
        }
        judgement
    }

    /// Whether a fall has been shown.
    pub fn has_begun(&self) -> bool {
        self.fall.begun.is_some()
    }

    /// Whether a fall has been shown, once and for all; the value is in points since pitching.
    pub fn begun(&self) -> Judgement {
        if self.fall.begun.is_some() {
            let raised = self.raised.beyond();
            let value = self.trend_now(FALLEN).map(beyond(raised));
            return Judgement { probability: Some(1.0), value, missing: None };
        }
        self.fallen(GravityDelta::Points(1.0))
    }

    /// The largest share of attenuation (else of progress) that is shown with this confidence, as a
    /// fraction; `None` while it is unknown.
    pub fn share_shown(&self, along_attenuation: bool, confidence: f64) -> Option<f64> {
        if self.missing().is_some() || self.original_missing().is_some() {
            return None;
        }
        let end = self.expectation.final_sg.map(|end| points(end.sg));
        let probability = |share: f64| match along_attenuation {
            true => self.attenuation_shown(share),
            false => self.progress_shown(end?, share),
        };
        if probability(0.0)? < confidence {
            return Some(0.0);
        }
        // The probability falls as the share rises: halving finds where it passes.
        let (mut low, mut high) = (0.0, 1.1);
        for _ in 0..14 {
            let middle = 0.5 * (low + high);
            if probability(middle)? >= confidence { low = middle } else { high = middle }
        }
        Some(low)
    }

    /// Why nothing can be said of the beer at all; `None` where something can.
    pub(crate) fn missing(&self) -> Option<Missing> {
        let Some((name, last)) = &self.last else { return Some(Missing::NoReading) };
        if !self.has_trusted_source() {
            return Some(Missing::NoTrustedSource);
        }
        let source = self.sources.get(name)?;
        let bound = match self.samples_every.filter(|_| !source.is_float()) {
            Some(every) => source.bound().max(every * SILENT_SAMPLES),
            None => source.bound(),
        };
        let last: Stamp = self.stamp(*last);
        (self.now.since(last) > bound).then_some(Missing::Gap { last, bound })
    }

    /// A float that is believed; else, where all are doubted, a sample that came after that.
    fn has_trusted_source(&self) -> bool {
        let floats = || self.sources.values().filter(|source| source.is_float());
        let doubted = floats().filter_map(Source::doubted_since).fold(0.0, f64::max);
        floats().any(Source::is_heard)
            || self
                .sources
                .values()
                .any(|source| !source.is_float() && self.hours(source.last) >= doubted)
    }

    /// Why the original gravity is not known; `None` where it is.
    fn original_missing(&self) -> Option<Missing> {
        match self.expectation.original {
            Original::Measured if self.fall.settled => None,
            Original::Measured if self.fall.begun.is_some() => Some(Missing::OriginalMissed),
            Original::Measured => Some(Missing::OriginalNotSettled),
            Original::Unknown => Some(Missing::OriginalUnknown),
            Original::Sampled { .. } | Original::Expected { .. } => None,
        }
    }

    pub(crate) fn trend_now(&self, weights: Weights) -> Option<(f64, f64)> {
        self.trend_at(self.hours(self.now), weights)
    }

    /// Mean and standard deviation of a weighted sum as all trusted floats have it; an offset is
    /// that of the float that leads.
    pub(crate) fn trend_at(&self, time: f64, weights: Weights) -> Option<(f64, f64)> {
        match self.leading() {
            Some((joint, float)) => joint.moments(float, time, weights),
            None => self.ear.trend.moments(time, weights),
        }
    }

    fn trend_below(&self, bound: f64, linear: impl Fn(f64) -> (Weights, f64)) -> Option<f64> {
        let time = self.hours(self.now);
        match self.leading() {
            Some((joint, float)) => joint.below(float, time, bound, linear),
            None => self.ear.trend.below(time, bound, linear),
        }
    }

    /// The probability that this share of the original extract is attenuated.
    fn attenuation_shown(&self, share: f64) -> Option<f64> {
        self.trend_below(0.0, |original| to_attenuation(original, share))
    }

    /// The probability that this share of the way to `end` is done.
    fn progress_shown(&self, end: f64, share: f64) -> Option<f64> {
        self.trend_below(0.0, |_| to_progress(end, share))
    }

    fn judge(
        &self,
        missing: Option<Missing>,
        answer: impl Fn(&Self) -> (Option<f64>, Option<Measured>),
    ) -> Judgement {
        if let Some(missing) = self.missing().or(missing) {
            return unknown(missing);
        }
        let (probability, value) = answer(self);
        let missing = probability.is_none().then_some(Missing::NoReading);
        Judgement { probability, value, missing }
    }

    /// Apparent attenuation now: linear about the most probable gravities.
    fn attenuation_now(&self) -> Option<Measured> {
        let (gravity, _) = self.trend_now(GRAVITY)?;
        let (original, _) = self.trend_now(ORIGINAL)?;
        let (now, start) = (plato(gravity), plato(original));
        if start < 1.0 {
            return None;
        }
        let weights: Weights = [
            -plato_slope(gravity) / start,
            0.0,
            0.0,
            0.0,
            now * plato_slope(original) / (start * start),
        ];
        let (_, sd) = self.trend_now(weights)?;
        Some(Measured { value: 1.0 - now / start, sd })
    }

    /// Progress now: linear about the most probable gravities.
    fn progress_now(&self, end: f64) -> Option<Measured> {
        let (gravity, _) = self.trend_now(GRAVITY)?;
        let (original, _) = self.trend_now(ORIGINAL)?;
        let way = original - end;
        if way < 1.0 {
            return None;
        }
        let weights: Weights = [-1.0 / way, 0.0, 0.0, 0.0, (gravity - end) / (way * way)];
        let (_, sd) = self.trend_now(weights)?;
        Some(Measured { value: (original - gravity) / way, sd })
    }
}

/// Gravity less the gravity at which `share` is attenuated, as a sum over a filter's numbers:
/// linear about its mean original gravity.
fn to_attenuation(original: f64, share: f64) -> (Weights, f64) {
    let target = |original: f64| points(sg_from_plato((1.0 - share) * plato(original)));
    let at = target(original);
    let slope = (target(original + 0.5) - target(original - 0.5)).clamp(0.0, 1.5);
    ([1.0, 0.0, 0.0, 0.0, -slope], slope * original - at)
}

/// Gravity less the gravity at which `share` of the way to `end` is done.
fn to_progress(end: f64, share: f64) -> (Weights, f64) {
    ([1.0, 0.0, 0.0, 0.0, share - 1.0], -share * end)
}

pub(crate) fn unknown(missing: Missing) -> Judgement {
    Judgement { probability: None, value: None, missing: Some(missing) }
}

pub(crate) fn in_sg((points, sd): (f64, f64)) -> Measured {
    Measured { value: 1.0 + points * 1e-3, sd: sd * 1e-3 }
}

pub(crate) fn measured((value, sd): (f64, f64)) -> Measured {
    Measured { value, sd }
}

/// The same with so much added to the value.
fn beyond(constant: f64) -> impl Fn((f64, f64)) -> Measured {
    move |(value, sd)| Measured { value: value + constant, sd }
}

fn plato(points: f64) -> f64 {
    plato_from_sg(1.0 + points * 1e-3)
}

/// °P a point.
fn plato_slope(points: f64) -> f64 {
    plato(points + 0.5) - plato(points - 0.5)
}
