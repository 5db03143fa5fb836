//! The plain band: on at its edges, off at the setpoint.

use crate::{Because, Output, Thresholds};
use quantity::Temperature;

/// Which output is wanted, and why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wish {
    pub output: Option<Output>,
    pub because: Because,
}

/// What the plain band wants, given which output runs.
pub(crate) fn wish(
    running: Option<Output>,
    beer: Temperature,
    setpoint: Temperature,
    thresholds: &Thresholds,
) -> Wish {
    let (y, s) = (beer.celsius(), setpoint.celsius());
    let within = Wish { output: None, because: Because::WithinBand { beer, setpoint } };
    match running {
        Some(Output::Chiller) if y <= s + thresholds.cool_off => within,
        Some(Output::Chiller) => {
            Wish { output: Some(Output::Chiller), because: Because::CoolsTo { beer, setpoint } }
        }
        Some(Output::Heater) if y >= s - thresholds.heat_off => within,
        Some(Output::Heater) => {
            Wish { output: Some(Output::Heater), because: Because::HeatsTo { beer, setpoint } }
        }
        None if y > s + thresholds.cool_on => {
            Wish { output: Some(Output::Chiller), because: Because::AboveBand { beer, setpoint } }
        }
        None if y < s - thresholds.heat_on => {
            Wish { output: Some(Output::Heater), because: Because::BelowBand { beer, setpoint } }
        }
        None => within,
    }
}
