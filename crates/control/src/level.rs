//! Brings the mean error to nothing: coasts end a little lower or higher than foreseen, always to
//! the same side, so the beer's mean would stand a few hundredths of a kelvin off.

use crate::Thresholds;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// The correction stays within this share of the hysteresis.
const SHARE_MOST: f64 = 0.3;
/// A longer time between two decisions says nothing about the time between.
const GAP_MOST: Span = Span::from_mins(10);
/// An output that was idle for less works again and again; one that was idle for longer rests.
const WORKS: Span = Span::from_hours(4);
const RESTS: Span = Span::from_hours(48);

/// The running correction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Level {
    at: Stamp,
    /// By how much errors count as higher than they are, in K.
    pub lean: f64,
}

impl Level {
    pub fn new(start: Stamp) -> Self {
        Level { at: start, lean: 0.0 }
    }

    /// Takes the error of this instant, in K, and for how long each output has been idle.
    ///
    /// Only errors within the band count, and only while one output alone works again and again:
    /// larger ones are approaches and disturbances, and a beer that drifts freely has no coasts.
    pub fn take(
        &mut self,
        now: Stamp,
        error: f64,
        half_width: f64,
        idle: [Option<Span>; 2],
        thresholds: &Thresholds,
    ) {
        let passed = now.since(self.at);
        self.at = now;
        let Some(over) = thresholds.level_over.filter(|over| !over.is_zero()) else { return };
        if passed > GAP_MOST {
            return;
        }
        let share = passed.hours() / over.hours();
        let works = |idle: Option<Span>| idle.is_some_and(|idle| idle <= WORKS);
        let rests = |idle: Option<Span>| idle.is_none_or(|idle| idle >= RESTS);
        let [one, other] = idle;
        if (works(one) && rests(other)) || (works(other) && rests(one)) {
            if error.abs() <= half_width {
                let most = SHARE_MOST * half_width;
                self.lean = (self.lean + error * share).clamp(-most, most);
            }
        } else {
            self.lean -= self.lean * (4.0 * share).min(1.0);
        }
    }
}
