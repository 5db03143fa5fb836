//! The plain band: on at its edges, off at the setpoint.

use crate::coast::QUIET;
use crate::relay::Relays;
use crate::{Because, Demand, Output, Rules, Thresholds};
use quantity::{Stamp, Temperature};

/// Which output is wanted, and why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wish {
    pub output: Option<Output>,
    pub because: Because,
}

/// All that a decision is made from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Situation<'a> {
    pub now: Stamp,
    /// The last reading.
    pub beer: Temperature,
    pub setpoint: Temperature,
    pub relays: &'a Relays,
    pub rules: &'a Rules,
    pub demand: &'a Demand,
    pub thresholds: &'a Thresholds,
}

/// What the plain band wants.
pub(crate) fn wish(situation: &Situation) -> Wish {
    let Situation { beer, setpoint, thresholds, .. } = *situation;
    let (y, s) = (beer.celsius(), setpoint.celsius());
    let off = Wish { output: None, because: Because::WithinBand { beer, setpoint } };
    let on = |output, because| Wish { output: Some(output), because };
    match situation.relays.running() {
        Some(Output::Chiller) if y <= s + thresholds.cool_off => off,
        Some(Output::Chiller) => on(Output::Chiller, Because::CoolsTo { beer, setpoint }),
        Some(Output::Heater) if y >= s - thresholds.heat_off => off,
        Some(Output::Heater) => on(Output::Heater, Because::HeatsTo { beer, setpoint }),
        None if y > s + thresholds.cool_on => {
            on(Output::Chiller, Because::AboveBand { beer, setpoint })
        }
        None if y < s - thresholds.heat_on => {
            on(Output::Heater, Because::BelowBand { beer, setpoint })
        }
        None => off,
    }
}

/// The plain band, but it does not start one output soon after the other, unless the beer is far
/// off: for when the beer is known to coast and it is not known how far.
pub(crate) fn calmed_wish(situation: &Situation) -> Wish {
    let wish = wish(situation);
    let Situation { now, beer, setpoint, relays, rules, .. } = *situation;
    let far = (beer - setpoint).kelvin().abs() > 2.0 * rules.half_width();
    match (relays.running(), wish.output) {
        (None, Some(output)) if !far => match relays.of(output.opposite()).ran_until {
            Some(until) if until + QUIET > now => {
                Wish { output: None, because: Because::Changeover { until: until + QUIET } }
            }
            _ => wish,
        },
        _ => wish,
    }
}
