//! What the outputs shall do, and why.

use quantity::{Show, Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};

/// What the outputs shall do until the next decision.
///
/// Invariant: never both on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    /// Whether the heater is on.
    pub heater: bool,
    /// Whether the chiller is on.
    pub chiller: bool,
    /// The rule that decided, with its facts.
    pub because: Because,
}

/// The rule behind a decision, with its facts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Because {
    /// Off: the beer is off its setpoint, but what the outputs did last must show first.
    Awaits {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Cooling starts: the beer is above the band.
    AboveBand {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Heating starts: the beer is below the band.
    BelowBand {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Off: there is no beer reading that is young enough.
    Blind {
        /// The last reading's time; `None` where there never was one.
        last: Option<Stamp>,
    },
    /// Off: the other output ran a moment ago.
    Changeover {
        /// The changeover ends.
        until: Stamp,
    },
    /// Off: what has been cooled around the beer will take it this far down.
    CoastsDown {
        /// The lowest temperature that is expected.
        to: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Off: what has been warmed around the beer will take it this far up.
    CoastsUp {
        /// The highest temperature that is expected.
        to: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Cooling goes on until the beer is where it should be.
    CoolsTo {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Heating goes on until the beer is where it should be.
    HeatsTo {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// On: the output has not yet run its shortest time.
    MinOn {
        /// It ends.
        until: Stamp,
    },
    /// Off: no setpoint is asked for.
    NoSetpoint,
    /// Off: the output that is wanted must not run, or there is none.
    NotAllowed,
    /// Off: the output that is wanted has not yet rested enough.
    Resting {
        /// The rest ends.
        until: Stamp,
    },
    /// Off: what surrounds the vessel is at its limit.
    SurroundLimit {
        /// The temperature around the vessel.
        surround: Temperature,
        /// The limit that it met.
        limit: Temperature,
    },
    /// Off: a short run has ended whose effect is not known yet.
    TrialEnds {
        /// How long it ran.
        ran: Span,
    },
    /// Heating starts: else the beer would fall this far.
    WillFall {
        /// The lowest temperature that is expected, even with the heater on from now.
        to: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Cooling starts: else the beer would rise this far.
    WillRise {
        /// The highest temperature that is expected, even with the chiller on from now.
        to: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
    /// Off: the beer is where it should be.
    WithinBand {
        /// The last reading.
        beer: Temperature,
        /// The setpoint.
        setpoint: Temperature,
    },
}

impl Because {
    /// A sentence for a person, without its full stop.
    pub fn text(&self, show: Show) -> String {
        let t = |temperature: Temperature| show.temperature(temperature);
        match *self {
            Because::AboveBand { beer, setpoint } => {
                format!("the beer, at {}, is above the band around {}", t(beer), t(setpoint))
            }
            Because::Awaits { beer, setpoint } => {
                format!(
                    "the beer is at {} ({} is wanted), and what the outputs did last is awaited",
                    t(beer),
                    t(setpoint)
                )
            }
            Because::BelowBand { beer, setpoint } => {
                format!("the beer, at {}, is below the band around {}", t(beer), t(setpoint))
            }
            Because::Blind { last: None } => "there is no beer temperature yet".to_owned(),
            Because::Blind { last: Some(last) } => {
                format!("the last beer temperature is too old: it is of {last}")
            }
            Because::Changeover { until } => {
                format!("between heating and cooling there is a pause until {until}")
            }
            Because::CoastsDown { to, setpoint } => {
                format!(
                    "the cold around the beer takes it to {} by itself ({} is wanted)",
                    t(to),
                    t(setpoint)
                )
            }
            Because::CoastsUp { to, setpoint } => {
                format!(
                    "the warmth around the beer takes it to {} by itself ({} is wanted)",
                    t(to),
                    t(setpoint)
                )
            }
            Because::CoolsTo { beer, setpoint } => {
                format!("cooling from {} towards {}", t(beer), t(setpoint))
            }
            Because::HeatsTo { beer, setpoint } => {
                format!("heating from {} towards {}", t(beer), t(setpoint))
            }
            Because::MinOn { until } => format!("its shortest run lasts until {until}"),
            Because::NoSetpoint => "no temperature is to be kept".to_owned(),
            Because::NotAllowed => "the output that is needed is not available now".to_owned(),
            Because::Resting { until } => format!("the output rests until {until}"),
            Because::SurroundLimit { surround, limit } => {
                format!("around the vessel it is {}, the limit is {}", t(surround), t(limit))
            }
            Because::TrialEnds { ran } => {
                format!("a trial run of {ran} has ended, its effect is awaited")
            }
            Because::WillFall { to, setpoint } => {
                format!("the beer is about to fall to {} ({} is wanted)", t(to), t(setpoint))
            }
            Because::WillRise { to, setpoint } => {
                format!("the beer is about to rise to {} ({} is wanted)", t(to), t(setpoint))
            }
            Because::WithinBand { beer, setpoint } => {
                format!("the beer, at {}, is near enough to {}", t(beer), t(setpoint))
            }
        }
    }
}
