//! What goes out: estimates, and answers with their evidence.

use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// A value and its standard deviation, both in the unit that the function names.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The most probable value.
    pub value: f64,
    /// Its standard deviation.
    pub sd: f64,
}

/// The beer's gravity now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// In SG.
    pub sg: Measured,
    /// In points of 0.001 SG a day; negative while it falls.
    pub rate_points_per_day: Measured,
    /// When the last believed reading was taken.
    pub as_of: Stamp,
}

/// The answer to a question about the beer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// How probable it is that the answer is yes; `None` is unknown, and `missing` says why.
    pub probability: Option<f64>,
    /// The value that was judged, in the unit that the question names.
    pub value: Option<Measured>,
    /// What is missing for an answer, or for yes.
    pub missing: Option<Missing>,
}

/// What is missing for an answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Missing {
    /// No usable reading yet.
    NoReading,
    /// No usable reading for too long.
    Gap {
        /// When the last one was taken.
        last: Stamp,
        /// The longest gap over which the trend is trusted.
        bound: Span,
    },
    /// No source is trusted now.
    NoTrustedSource,
    /// The final gravity is not expected to be anything.
    NoExpectedFinal,
    /// The original gravity is not known: readings have not settled yet.
    OriginalNotSettled,
    /// The original gravity cannot be measured any more: the fall began before readings settled.
    OriginalMissed,
    /// Nobody knows the original gravity.
    OriginalUnknown,
    /// No fall has been shown yet.
    NotBegun,
}

/// How careful [`crate::Belief::stable`] is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Care {
    /// For steps that can be taken back: the beer is only warmed or waits.
    Quick,
    /// For steps that cannot: cooling below the yeast's range, packaging.
    Safe,
}

/// Whether the final gravity is reached.
#[derive(Debug, Clone, PartialEq)]
pub struct StableJudgement {
    /// `None` is unknown.
    pub answer: Option<bool>,
    /// Which rule was asked.
    pub care: Care,
    /// How probable it is that less than `within` is still to fall.
    pub probability: Option<f64>,
    /// What is still to fall, in points.
    pub left: Option<Measured>,
    /// What is still to fall at most, with the asked confidence, in points.
    pub left_upper: Option<f64>,
    /// The present rate as the tail has it, in points a day; negative while it falls.
    pub rate_points_per_day: Option<Measured>,
    /// All that keeps the answer from being yes, the gravest first; empty where it is yes.
    pub lacking: Vec<Lacking>,
    /// The fall has ended too far above the expected final gravity.
    pub stalled: bool,
}

/// What keeps a final gravity from being stable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lacking {
    /// There is no answer at all for this reason.
    Missing(Missing),
    /// The fall has not slowed down yet.
    StillFalling,
    /// Readings of the tail span too little time, or are too few.
    Span {
        /// What they span.
        spans: Span,
        /// What is needed.
        needed: Span,
        /// How many there are.
        readings: u32,
    },
    /// Too much may still be to fall.
    Left {
        /// At most this, with the asked confidence, in points.
        upper: f64,
    },
    /// It may still fall too fast.
    Rate {
        /// At most this fast, with the asked confidence, in points a day.
        upper: f64,
        /// What is asked, in points a day.
        bound: f64,
    },
    /// It was not yet so for long enough.
    Hold {
        /// How long it must hold.
        needed: Span,
    },
    /// The beer's temperature moved.
    TemperatureMoved {
        /// By how much the 3 h mean moved in 12 h, in K.
        kelvin: f64,
    },
    /// The beer's temperature was not known long enough or not lately.
    TemperatureUnknown,
    /// It ended too far above the expected final gravity.
    Stalled {
        /// By how much, in points.
        above: f64,
    },
}
