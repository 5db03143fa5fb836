//! One batch's belief: the room's one door.

use crate::{
    Care, Estimate, Expectation, GravityReading, Judgement, Lacking, Measured, Missing,
    SourceReport, StableJudgement, Taken,
};
use quantity::{Gravity, GravityDelta, GravityRate, Share, Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};

/// What is believed of one batch in one vessel.
///
/// `take*` put readings in, [`Belief::advance`] lets time pass; all else only asks, and may be asked
/// as often as one likes. A copy that was stored and read back goes on exactly alike.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    pitched_at: Stamp,
    now: Stamp,
    expectation: Expectation,
}

impl Belief {
    /// A batch that was pitched at this instant.
    pub fn new(pitched_at: Stamp, expectation: Expectation) -> Self {
        Belief { pitched_at, now: pitched_at, expectation }
    }

    /// Takes a float's or a hand reading.
    pub fn take(&mut self, reading: &GravityReading) -> Taken {
        self.advance(reading.at);
        Taken::Believed
    }

    /// Takes a temperature of the beer; may come every few seconds.
    pub fn take_temperature(&mut self, at: Stamp, _beer: Temperature) {
        self.advance(at);
    }

    /// Lets time pass; an instant before the last one changes nothing.
    pub fn advance(&mut self, now: Stamp) {
        self.now = self.now.max(now);
    }

    /// Another expectation, in mid-batch.
    pub fn expect(&mut self, expectation: Expectation) {
        self.expectation = expectation;
    }

    /// Gravity and rate now; `None` without a usable reading.
    pub fn estimate(&self) -> Option<Estimate> {
        None
    }

    /// The original gravity as believed, in SG.
    pub fn original(&self) -> Option<Measured> {
        None
    }

    /// The final gravity that is still to come, in SG.
    pub fn final_gravity(&self) -> Option<Measured> {
        None
    }

    /// Whether gravity is at or below this; the value is in SG.
    pub fn at_or_below(&self, _gravity: Gravity) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether the apparent attenuation of the original extract, in °P, is at least this; the value
    /// is a fraction.
    pub fn attenuation(&self, _share: Share) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether this share of the way from the original to the expected final gravity is done; the
    /// value is a fraction.
    pub fn progress(&self, _share: Share) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether gravity is within this above the expected final one; the value is in points above.
    pub fn above_final(&self, _delta: GravityDelta) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether gravity has fallen by at least this since pitching; the value is in points.
    pub fn fallen(&self, _delta: GravityDelta) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether gravity has begun to fall and falls more slowly than this; the value is in points a
    /// day, negative while it falls.
    pub fn slower_than(&self, _rate: GravityRate) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether a fall has been shown; the value is in points since pitching.
    pub fn begun(&self) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// Whether gravity credibly lies more than `points` below the expected final one; the value is
    /// in points below.
    pub fn below_final(&self, _points: f64) -> Judgement {
        unknown(Missing::NoReading)
    }

    /// The largest share of attenuation (else of progress) that is shown with this confidence, as a
    /// fraction; `None` while it is unknown.
    pub fn share_shown(&self, _along_attenuation: bool, _confidence: f64) -> Option<f64> {
        None
    }

    /// Whether, with this confidence, less than `within` is still to fall and the present rate is
    /// below `within` per `over`.
    pub fn stable(
        &self,
        _within: GravityDelta,
        _over: Span,
        _confidence: f64,
        care: Care,
    ) -> StableJudgement {
        StableJudgement {
            answer: None,
            care,
            probability: None,
            left: None,
            left_upper: None,
            rate_points_per_day: None,
            lacking: vec![Lacking::Missing(Missing::NoReading)],
            stalled: false,
        }
    }

    /// What is known of each source, by name.
    pub fn sources(&self) -> Vec<SourceReport> {
        Vec::new()
    }
}

fn unknown(missing: Missing) -> Judgement {
    Judgement { probability: None, value: None, missing: Some(missing) }
}
