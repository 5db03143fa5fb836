//! "The final gravity is stable": what is still to fall, how fast it falls, what else must hold.

use crate::belief::{Belief, points};
use crate::normal::Positive;
use crate::questions::measured;
use crate::tail::TailBank;
use crate::thermal::Moved;
use crate::trend::OFFSET;
use crate::watch::hold;
use crate::{Care, Lacking, Measured, Missing, StableJudgement};
use quantity::{Gravity, GravityDelta, Span};

/// Further above the expected final gravity than this it is a stop, not an end, in points.
pub(crate) const STALLED_ABOVE: f64 = 4.0;
/// What has stalled is so until it is lower than this, in points.
pub(crate) const NO_LONGER_STALLED: f64 = 3.4;
/// How many standard deviations are counted against it. A stop that is called an end is packaged;
/// an end that is called a stop costs a sample.
pub(crate) const STALLED_SDS: f64 = 1.5;
/// What may be a stop is called an end at this share of the risk.
const DOUBT: f64 = 0.15;
/// How far the 3 h mean of the beer may move in 12 h, in K.
const MOVED_MOST: f64 = 0.8;
/// No end is seen in fewer readings.
const READINGS: u32 = 3;

impl Belief {
    /// Whether, with this confidence, less than `within` is still to fall and the present rate is
    /// below `within` per `over`, and all else that [`Lacking`] lists holds.
    pub fn stable(
        &self,
        within: GravityDelta,
        over: Span,
        confidence: f64,
        care: Care,
    ) -> StableJudgement {
        let mut judgement = StableJudgement {
            answer: None,
            care,
            probability: None,
            left: None,
            left_upper: None,
            rate_points_per_day: None,
            lacking: Vec::new(),
            stalled: false,
        };
        if let Some(missing) = self.missing() {
            judgement.lacking.push(Lacking::Missing(missing));
            return judgement;
        }
        let Some(tail) = self.ended() else {
            let begun = self.fall.begun.is_some();
            let lacking = Lacking::Missing(Missing::NotBegun);
            judgement.lacking.push(if begun { Lacking::StillFalling } else { lacking });
            judgement.answer = Some(false);
            return judgement;
        };
        let near = self.estimate().and_then(|now| Gravity::from_sg(now.sg.value));
        let within = near.map_or(1.0, |near| within.points_near(near));
        let doubt = if self.may_be_a_stop() { DOUBT } else { 1.0 };
        let confidence = 1.0 - doubt * (1.0 - confidence);
        let asked = Asked { within, over: over.hours(), confidence, care };
        let (left, rate) = (tail.left(), tail.rate());
        judgement.probability = left.below(within);
        judgement.left = left.moments().map(measured);
        let upper = left.upper(confidence);
        judgement.left_upper = Some(upper);
        judgement.rate_points_per_day =
            rate.moments().map(|(rate, sd)| Measured { value: -24.0 * rate, sd: 24.0 * sd });
        judgement.lacking = self.shown(tail, (left, upper), rate, &asked);
        judgement.lacking.extend(self.surroundings(tail, &asked));
        judgement.stalled = self.stalled(&judgement.lacking);
        judgement.answer = answer(&judgement.lacking);
        judgement
    }

    /// Whether all but the height says that it has ended: [`StableJudgement::stalled`].
    pub fn has_stalled(
        &self,
        within: GravityDelta,
        over: Span,
        confidence: f64,
        care: Care,
    ) -> bool {
        self.too_high().is_some() && self.stable(within, over, confidence, care).stalled
    }

    /// What the tail's own figures lack; `left` with its upper bound.
    fn shown(
        &self,
        tail: &TailBank,
        (left, upper): (&Positive, f64),
        rate: &Positive,
        asked: &Asked,
    ) -> Vec<Lacking> {
        let mut lacking = Vec::new();
        if asked.left_is_shown(|bound| left.below(bound)) {
            let now = self.hours(self.now);
            let hold = hold(asked.care, now - tail.began());
            let held = asked.left_is_shown(|bound| self.ear.declared.least_below(now, hold, bound));
            if !held {
                lacking.push(Lacking::Hold { needed: Span::from_hours_f64(hold) });
            }
        } else {
            lacking.push(Lacking::Left { upper });
        }
        lacking.extend(asked.too_fast(rate));
        lacking
    }

    /// What readings, temperature and height lack.
    fn surroundings(&self, tail: &TailBank, asked: &Asked) -> Vec<Lacking> {
        let mut lacking = Vec::new();
        let needed = 0.5 * asked.over;
        if tail.spans() < needed || tail.readings() < READINGS {
            lacking.push(Lacking::Span {
                spans: Span::from_hours_f64(tail.spans()),
                needed: Span::from_hours_f64(needed),
                readings: tail.readings(),
            });
        }
        match self.thermal.moved(self.hours(self.now)) {
            Moved::By(kelvin) if kelvin > MOVED_MOST => {
                lacking.push(Lacking::TemperatureMoved { kelvin });
            }
            Moved::Unknown => lacking.push(Lacking::TemperatureUnknown),
            // A batch whose temperature nobody measures is judged on gravity alone.
            Moved::Never | Moved::By(_) => {}
        }
        lacking.extend(self.too_high());
        lacking
    }

    /// It lies too far above what was expected, or may do so.
    fn too_high(&self) -> Option<Lacking> {
        let above = self.above_expected()?;
        (self.stalled || above.value + STALLED_SDS * above.sd > STALLED_ABOVE)
            .then_some(Lacking::Stalled { above: above.value })
    }

    /// How far above the expected final gravity the tail ends, in points; as uncertain as the
    /// float's own reading now. What is left is judged elsewhere; and the float's zero is no less
    /// certain than the expectation, for which the points above it allow.
    pub(crate) fn above_expected(&self) -> Option<Measured> {
        let end = points(self.expectation.final_sg?.sg);
        let tail = self.ended()?;
        let ((level, _), (_, sd)) = (tail.final_moments()?, tail.level_moments()?);
        let (offset, _) = self.trend_now(OFFSET)?;
        Some(Measured { value: level - offset - end, sd })
    }

    /// It may lie too far above what was expected, since the float's zero is not known well: then
    /// its end must be shown more surely.
    fn may_be_a_stop(&self) -> bool {
        let zero = self.trend_now(OFFSET).map_or(0.0, |(_, sd)| sd);
        self.above_expected()
            .is_some_and(|above| above.value + STALLED_SDS * above.sd.hypot(zero) > STALLED_ABOVE)
    }

    /// All but the height says that it has ended.
    fn stalled(&self, lacking: &[Lacking]) -> bool {
        matches!(lacking, [Lacking::Stalled { .. }])
    }
}

struct Asked {
    within: f64,
    over: f64,
    confidence: f64,
    care: Care,
}

impl Asked {
    fn left_is_shown(&self, below: impl Fn(f64) -> Option<f64>) -> bool {
        let least = |bound, confidence| below(bound).is_some_and(|shown| shown >= confidence);
        match self.care {
            Care::Safe => least(self.within, self.confidence),
            // Less sure of `within`, and surer that it is not twice as much.
            Care::Quick => {
                least(self.within, 1.0 - 2.0 * (1.0 - self.confidence))
                    && least(2.0 * self.within, 1.0 - 0.4 * (1.0 - self.confidence))
            }
        }
    }

    /// It falls too fast for an end, or may do so.
    fn too_fast(&self, rate: &Positive) -> Option<Lacking> {
        // `within` at this rate would take `over`.
        let bound = self.within / self.over.max(1.0);
        match self.care {
            Care::Safe => {
                let slow = rate.below(bound).is_some_and(|shown| shown >= self.confidence);
                (!slow).then(|| Lacking::Rate {
                    upper: 24.0 * rate.upper(self.confidence),
                    bound: 24.0 * bound,
                })
            }
            // The most probable rate must be well below: were all that still falls the slowest
            // sugar, about `within` would be left.
            Care::Quick => {
                const WELL_BELOW: f64 = 0.6;
                let mean = rate.moments().map_or(f64::INFINITY, |(mean, _)| mean);
                (mean > WELL_BELOW * bound).then_some(Lacking::Rate {
                    upper: 24.0 * mean,
                    bound: 24.0 * WELL_BELOW * bound,
                })
            }
        }
    }
}

/// Kleene: anything that is surely against it says no; else anything unknown says unknown.
fn answer(lacking: &[Lacking]) -> Option<bool> {
    let unknown =
        |lacking: &Lacking| matches!(lacking, Lacking::TemperatureUnknown | Lacking::Missing(_));
    if lacking.is_empty() {
        Some(true)
    } else if lacking.iter().all(unknown) {
        None
    } else {
        Some(false)
    }
}
