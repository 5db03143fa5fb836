//! Whether the probe hangs in the air around the beer.
//!
//! Beer coasts: for a while after the chiller stops it goes on falling. What rises again at once,
//! time after time, is no beer. The same holds for a heater with the signs turned round.

use crate::watch::Look;
use crate::{Output, Sign};
use quantity::{Span, Stamp, TemperatureDelta};
use serde::{Deserialize, Serialize};

/// So far back towards where it came from …
const REBOUND: f64 = 0.3;
/// … within this time after a run is more than any beer does. Engineering choices, no source: a
/// beer that warms by 0.9 K/h and did not coast at all would come just there.
const WITHIN: Span = Span::from_mins(20);
/// So many more runs must end so than end as a beer's do.
const RUNS: u8 = 5;
/// Readings are smoothed over this time, against noise.
const SMOOTHED: Span = Span::from_mins(2);

/// The ends of runs.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Rebounds {
    /// The smoothed reading, in °C, and its time.
    smooth: Option<(Stamp, f64)>,
    /// The run that ended last.
    last: Option<End>,
    /// By so many more runs ended with a rebound than without, 0 to [`RUNS`].
    count: u8,
}

/// The end of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct End {
    output: Output,
    at: Stamp,
    /// The smoothed reading that is farthest the run's way, in °C.
    extreme: f64,
    /// How far the reading came back, in K.
    back: f64,
    judged: bool,
}

impl Rebounds {
    /// Looks after a decision.
    pub fn look(&mut self, look: &Look<'_>) {
        if !look.fine {
            *self = Rebounds::default();
            return;
        }
        let smooth = self.smoothed(look.now, look.beer);
        let ends = [Output::Chiller, Output::Heater].into_iter();
        let ended = ends.filter_map(|output| Some((output, look.relays.of(output).ran_until?)));
        let idle = look.relays.running().is_none();
        if let Some((output, at)) = ended.max_by_key(|(_, at)| *at).filter(|_| idle)
            && self.last.as_ref().is_none_or(|last| last.at != at)
        {
            self.judge();
            self.last = Some(End { output, at, extreme: smooth, back: 0.0, judged: false });
        }
        let Some(last) = &mut self.last else { return };
        if idle && look.now.since(last.at) <= WITHIN {
            let sign = last.output.sign();
            if (last.extreme - smooth) * sign > 0.0 {
                last.extreme = smooth;
            }
            last.back = last.back.max((smooth - last.extreme) * sign);
        } else {
            self.judge();
        }
    }

    /// What that says, where it says something.
    pub fn sign(&self) -> Option<Sign> {
        let last = self.last.as_ref().filter(|_| self.count >= RUNS)?;
        let by = TemperatureDelta::from_kelvin(last.back.max(REBOUND))?;
        Some(Sign::Misplaced { output: last.output, by, within: WITHIN })
    }

    fn smoothed(&mut self, now: Stamp, beer: f64) -> f64 {
        let smooth = match self.smooth {
            None => beer,
            Some((at, smooth)) => {
                let keep = (-now.since(at).hours() / SMOOTHED.hours()).exp();
                beer + (smooth - beer) * keep
            }
        };
        self.smooth = Some((now, smooth));
        smooth
    }

    fn judge(&mut self) {
        let Some(last) = self.last.as_mut().filter(|last| !last.judged) else { return };
        last.judged = true;
        self.count = if last.back >= REBOUND {
            (self.count + 1).min(RUNS)
        } else {
            self.count.saturating_sub(1)
        };
    }
}
