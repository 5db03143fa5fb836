//! What comes in: readings, expectations, and what became of each reading.

use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};

/// One reading of gravity.
#[derive(Debug, Clone, PartialEq)]
pub struct GravityReading {
    /// When it was taken.
    pub at: Stamp,
    /// The source's name; readings of one name share one offset.
    pub source: String,
    /// What took it.
    pub kind: Kind,
    /// In SG (20 °C/20 °C), calibrated and corrected as far as that is known.
    pub sg: f64,
    /// The beer's temperature as this source has it.
    pub temperature: Option<Temperature>,
}

/// What took a reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Kind {
    /// An instrument in the beer: its offset is constant but unknown, its noise is learned.
    Float,
    /// A person's sample: no offset, and a standard deviation that is given.
    Hand {
        /// In points of 0.001 SG.
        sd_points: f64,
    },
}

/// What is expected of the beer before anything is measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Expectation {
    /// The gravity at pitching.
    pub original: Original,
    /// The gravity at the end; `None` where nobody knows.
    pub final_sg: Option<Expected>,
}

/// A gravity with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// In SG.
    pub sg: f64,
    /// In points of 0.001 SG.
    pub sd_points: f64,
}

/// How the original gravity is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Original {
    /// Nobody knows it, nor will: what needs it is unknown.
    Unknown,
    /// A hand sample at pitching: it sets every float's offset.
    Sampled {
        /// In SG.
        sg: f64,
        /// In points of 0.001 SG.
        sd_points: f64,
    },
    /// As the recipe has it.
    Expected {
        /// In SG.
        sg: f64,
        /// In points of 0.001 SG.
        sd_points: f64,
    },
    /// Unknown until the settled readings of the first hours say it.
    Measured,
}

/// What became of a reading.
#[derive(Debug, Clone, PartialEq)]
pub enum Taken {
    /// It was taken in: it counts as much as its source is trusted; one that comes soon after
    /// another is joined with those after it.
    Believed,
    /// It counts for almost nothing: it lies too far from what was foretold.
    Outlying {
        /// What was foretold, in SG.
        foretold: Measured,
        /// How probable it is that this reading is of the ordinary kind.
        ordinary: f64,
    },
    /// It does not count at all.
    Refused(Refusal),
}

use crate::Measured;

/// Why a reading does not count.
#[derive(Debug, Clone, PartialEq)]
pub enum Refusal {
    /// No beer has this gravity.
    Implausible {
        /// The reading, in SG.
        sg: f64,
        /// The least believed, in SG.
        low: f64,
        /// The largest believed, in SG.
        high: f64,
    },
    /// It was taken before the batch was pitched.
    BeforePitch {
        /// When the batch was pitched.
        pitched_at: Stamp,
    },
    /// It is not newer than the last of the same source.
    NotNewer {
        /// When the last one was taken.
        last: Stamp,
    },
}

/// What is wrong with a source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Doubt {
    /// It repeats itself while the beer moves.
    Stuck {
        /// Since when.
        since: Stamp,
    },
    /// It moved at once, as no beer can.
    Stepped {
        /// When.
        at: Stamp,
        /// By how much, in points; positive is up.
        points: f64,
    },
    /// It parts slowly from the other sources.
    Drifts {
        /// In points a day.
        points_per_day: f64,
    },
    /// It disagrees with the other sources or with a sample.
    Disagrees {
        /// In points, this source less the others.
        points: f64,
    },
}

/// What is known of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceReport {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Reading less truth, in points; `None` while nothing is known of it.
    pub offset: Option<Measured>,
    /// When its last reading was taken.
    pub last: Stamp,
    /// Its last reading, in SG.
    pub last_sg: f64,
    /// The usual time between its readings, once there were two.
    pub interval: Option<Span>,
    /// Why it is not trusted now.
    pub doubt: Option<Doubt>,
}

/// The least and the largest gravity that is believed of a beer, in SG.
pub(crate) const PLAUSIBLE: (f64, f64) = (0.980, 1.170);
