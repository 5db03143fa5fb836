//! All that the engine can ask of its driver: one closed set.

use crate::course::Point;
use crate::record::Record;
use quantity::{Span, Temperature};
use schedule::Name;
use serde::{Deserialize, Serialize};

/// What a driver must do, in the order given. Records are kept first, then the rest is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Effect {
    /// Keep this record; when it is on disk, publish it.
    Record(Record),
    /// Keep this point of a batch's course; it is not told.
    Point(Point),
    /// Drive a shared cooler; given on every change and every `refresh`.
    Cool(CoolerDrive),
    /// Drive an output; given on every change and every `refresh`.
    Drive(Drive),
    /// Answer a command.
    Reply(Reply),
}

/// Which output of a vessel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OutputKind {
    /// What warms.
    Heater,
    /// What cools.
    Chiller,
}

impl OutputKind {
    /// `heater` or `chiller`.
    pub fn as_str(self) -> &'static str {
        match self {
            OutputKind::Heater => "heater",
            OutputKind::Chiller => "chiller",
        }
    }
}

/// An output's orders.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drive {
    /// Whose output.
    pub vessel: Name,
    /// Which one.
    pub output: OutputKind,
    /// For a relay: on or off. `None` where it is not driven as a switch.
    pub switch: Option<bool>,
    /// For a thermostat: its setpoint, `None` inside meaning off. `None` outside where it is not
    /// driven by setpoint.
    pub setpoint: Option<Option<Temperature>>,
    /// How long the orders hold: three times `refresh`.
    pub valid_for: Span,
}

/// A shared cooler's orders.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CoolerDrive {
    /// Which cooler.
    pub cooler: Name,
    /// For a relay: on or off. `None` where it is not driven as a switch.
    pub switch: Option<bool>,
    /// For a thermostat: as of [`Drive`].
    pub setpoint: Option<Option<Temperature>>,
    /// How long the orders hold: three times `refresh`.
    pub valid_for: Span,
}

/// The answer to a command.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reply {
    /// Whose.
    pub vessel: Name,
    /// The command's `id`.
    pub id: Option<String>,
    /// Whether it was accepted.
    pub ok: bool,
    /// What happened, or why not.
    pub text: String,
}
