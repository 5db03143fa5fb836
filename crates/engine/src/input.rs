//! All that can happen to the engine: one closed set.

use crate::command::Command;
use brewing::calibration::Calibration;
use quantity::Stamp;
use schedule::Name;
use schedule::model::Schedule;
use serde::{Deserialize, Serialize};

/// Something that happened, as a driver tells it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Input {
    /// A process began to drive this engine. Outputs are taken to be off and just stopped.
    Started {
        /// The program's version, for the record.
        version: String,
    },
    /// The process is about to end in order: outputs go off.
    Stopping,
    /// Time passed. A driver gives one at least every 10 s of the vessels' time.
    Tick,
    /// A device reported.
    Reading(Reading),
    /// A device's message could not be read at all.
    Unreadable {
        /// Whose message it was.
        vessel: Name,
        /// The source's name.
        source: String,
        /// What is wrong, in a sentence.
        problem: String,
    },
    /// A relay reported its own state; `None`: it said neither of its two words.
    Seen {
        /// Whose relay.
        vessel: Name,
        /// Which one.
        output: crate::OutputKind,
        /// What it says of itself.
        on: Option<bool>,
    },
    /// A person or a script wants something; seldom, so that readings need not have its size.
    Command(Box<CommandInput>),
    /// The link to the broker came up or went down.
    Link {
        /// Whether it is up.
        up: bool,
    },
    /// Writing to the store failed, or works again.
    Store {
        /// What failed; `None`: it works.
        problem: Option<String>,
    },
}

impl From<CommandInput> for Input {
    fn from(command: CommandInput) -> Self {
        Input::Command(Box::new(command))
    }
}

/// What a device reported, in its own numbers: whether they are possible is decided inside.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Whose device.
    pub vessel: Name,
    /// `beer`, `surround` or a gravity source's name.
    pub source: String,
    /// The device's own time (wall clock), where it has one.
    pub taken: Option<Stamp>,
    /// Whether the broker delivered it as retained: it may be of any age.
    pub retained: bool,
    /// What it says.
    pub values: Values,
}

/// The numbers in a report; finite.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Values {
    /// Gravity or angle, for a gravity source.
    pub gravity: Option<RawGravity>,
    /// Temperature, in °C: the beer's, the surround's or the float's own.
    pub temperature_c: Option<f64>,
    /// The battery's charge, in percent.
    pub battery_percent: Option<f64>,
}

impl Values {
    /// Whether all of them are numbers.
    pub fn are_finite(&self) -> bool {
        let gravity = self.gravity.is_none_or(|gravity| gravity.number().is_finite());
        let others = [self.temperature_c, self.battery_percent];
        gravity && others.iter().flatten().all(|value| value.is_finite())
    }
}

/// What a float reports.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum RawGravity {
    /// SG, 20 °C/20 °C.
    Sg(f64),
    /// °Plato.
    Plato(f64),
    /// °Brix.
    Brix(f64),
    /// Degrees; needs a calibration.
    Degrees(f64),
}

impl RawGravity {
    /// The number, in its own unit.
    pub fn number(self) -> f64 {
        match self {
            RawGravity::Sg(number)
            | RawGravity::Plato(number)
            | RawGravity::Brix(number)
            | RawGravity::Degrees(number) => number,
        }
    }
}

/// A command with whence it came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CommandInput {
    /// For which vessel.
    pub vessel: Name,
    /// A second copy of an `id` changes nothing and gets the first reply.
    pub id: Option<String>,
    /// Who sent it, as they say.
    pub by: Option<String>,
    /// What is wanted; an error where the fields do not make a command.
    pub command: Result<Command, String>,
    /// The schedule's file, for commands that name one: the driver reads it.
    pub schedule: Option<LoadedSchedule>,
    /// A calibration's file, for commands that name one: the driver reads it.
    #[serde(default)]
    pub calibration: Option<LoadedCalibration>,
    /// For a pitch in the past: the readings kept since then, oldest first.
    pub history: Vec<(Stamp, Reading)>,
}

/// What became of a calibration's file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadedCalibration {
    /// The file as the command has it.
    pub name: String,
    /// The calibration, or why there is none, in a sentence.
    pub calibration: Result<Calibration, String>,
}

/// What became of a schedule's file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadedSchedule {
    /// The file's name without its ending, such as `pale-lager`.
    pub name: String,
    /// The parsed schedule, or why there is none, in a sentence.
    pub schedule: Result<Box<Schedule>, String>,
}
