//! What each output really does, without a belief about its sign: the witness for wiring and
//! hardware.
//!
//! One model as those of the bank, but it begins without knowing which output warms and which
//! cools, keeps no bounds, and lets an effect change while the output is on. So a relay that is
//! wired the wrong way round shows as an effect of the wrong sign, and a dead one as none.

use crate::Output;
use crate::filter::{self, Filter, Inputs};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// An effect may change by this in one hour in which the output is on, in K/h.
const CHANGES: f64 = 1.0;
/// After a longer gap only what the outputs do is still believed, in h.
const LONGEST_GAP: f64 = 12.0;
/// The time constant at first, in h: between a jacket's and a fridge's.
const FIRST_TAU: f64 = 0.75;
/// Once no output has acted for this long, in h, the bank's is taken.
const IDLE: f64 = 0.5;
/// What is usual is the mean over about this long, in h.
const USUAL_OVER: f64 = 3.0;

/// Less than this is not told from nothing, in K/h.
pub(crate) const SOMETHING: f64 = 0.3;
/// For so long must an output be seen to do the contrary.
pub(crate) const EVIDENCE_AFTER: Span = Span::from_mins(20);

/// The witness.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Witness {
    at: Stamp,
    filter: Filter,
    /// The time constant, in h: the bank's, as it was before the outputs' last work. While they
    /// work, what is wrong with them would choose it.
    tau: f64,
    /// For how long no output has acted, in h.
    idle: f64,
    /// The drift that was usual of late, in K/h.
    usual: f64,
    /// For how long that has been watched, in h.
    watched: f64,
}

/// An estimate in K/h: positive where the output does what it is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Acts {
    pub mean: f64,
    pub sd: f64,
}

impl Witness {
    pub fn new(at: Stamp, beer: f64, variance: f64) -> Self {
        let mut filter = Filter::impartial(beer);
        filter.update(beer, variance);
        Witness { at, filter, tau: FIRST_TAU, idle: 0.0, usual: 0.0, watched: 0.0 }
    }

    /// Takes a reading; `tau` is the bank's time constant in h, `pieces` are the inputs since the
    /// last reading.
    pub fn take(
        &mut self,
        at: Stamp,
        beer: f64,
        variance: f64,
        tau: f64,
        pieces: &[(Stamp, Stamp, Inputs)],
    ) {
        let hours = at.since(self.at).hours();
        self.at = at;
        if hours > LONGEST_GAP {
            self.filter.begin_anew(beer);
            self.watched = 0.0;
        }
        let acts = pieces.iter().any(|(.., inputs)| inputs.chiller + inputs.heater > 0.0);
        self.idle = if acts { 0.0 } else { self.idle + hours };
        if self.idle >= IDLE {
            self.tau = tau;
        }
        for (from, to, inputs) in pieces.iter().filter(|_| hours <= LONGEST_GAP) {
            let piece = to.since(*from).hours();
            let change = CHANGES * CHANGES * piece;
            self.filter.loosen(filter::COOLING, change * inputs.chiller);
            self.filter.loosen(filter::HEATING, change * inputs.heater);
            self.filter.predict(self.tau, piece, *inputs);
        }
        self.filter.update(beer, variance);
        let share = (hours / USUAL_OVER).min(1.0);
        self.usual += (self.filter.x[filter::DRIFT] - self.usual) * share;
        self.watched += hours;
    }

    /// What an output does.
    pub fn acts(&self, output: Output) -> Acts {
        let weights: &[(usize, f64)] = match output {
            Output::Chiller => &[(filter::COOLING, -1.0)],
            Output::Heater => &[(filter::HEATING, 1.0), (filter::DIRECT, 1.0)],
        };
        Acts { mean: self.filter.sum(weights), sd: self.filter.sd(weights) }
    }

    /// By how much more the beer warms by itself than was usual of late, in K/h; `None` where it
    /// has not been watched for long enough.
    pub fn gains(&self) -> Option<f64> {
        let long_enough = self.watched >= 2.0 * USUAL_OVER;
        long_enough.then(|| self.filter.x[filter::DRIFT] - self.usual)
    }
}

impl Acts {
    /// Whether it credibly does the contrary of what it is for.
    pub fn is_contrary(self) -> bool {
        self.mean < -SOMETHING && self.mean + 2.5 * self.sd < 0.0
    }

    /// Whether it credibly does at least this much of what it is for, in K/h.
    pub fn does(self, least: f64) -> bool {
        self.mean - 2.0 * self.sd >= least
    }
}
