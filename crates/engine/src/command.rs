//! Commands: the same fields over the broker, in `pipe` and as flags on the command line.

use quantity::{Gravity, GravityDelta, Quantity, Share, Span, Stamp, Temperature, Volume};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// What a person or a script can want of a vessel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Command {
    /// Start a batch.
    Pitch(Pitch),
    /// Keep the setpoint, freeze the stage's clock.
    Hold,
    /// Go on.
    Resume,
    /// The next stage.
    Advance,
    /// Confirm one sentence, or all that wait.
    Confirm {
        /// The sentence.
        say: Option<String>,
    },
    /// Put the edited schedule under the batch.
    Revise {
        /// Another file than the one it was pitched with.
        schedule: Option<String>,
    },
    /// A hand reading.
    Sample(Sample),
    /// A free line.
    Note {
        /// The line.
        text: String,
    },
    /// Take the batch to another vessel.
    Move(Move),
    /// An alarm was seen; left out: all.
    Acknowledge {
        /// The alarm's id.
        alarm: Option<String>,
    },
    /// Silence an alarm for a time.
    Shelve {
        /// The alarm's id.
        alarm: String,
        /// For how long.
        time: Span,
    },
    /// End the batch, outputs off.
    Stop,
    /// Outputs off now.
    Abort,
}

/// The fields of a pitch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pitch {
    /// The schedule's file, without its ending.
    pub schedule: String,
    /// The batch's name, for people.
    pub name: Option<String>,
    /// A hand sample at pitch.
    pub original_gravity: Option<Gravity>,
    /// Its uncertainty; 1 point where left out.
    pub uncertainty: Option<GravityDelta>,
    /// Overrides the schedule's expectation.
    pub final_gravity: Option<Gravity>,
    /// Overrides the schedule's expectation.
    pub attenuation: Option<Share>,
    /// Overrides the vessel's.
    pub volume: Option<Volume>,
    /// For the record.
    pub yeast: Option<String>,
    /// When it was pitched, where not now.
    pub at: Option<Stamp>,
    /// The stage that it begins in, where not the first.
    pub stage: Option<String>,
}

/// The fields of a hand sample.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// As read.
    pub gravity: Gravity,
    /// What it was read with.
    pub instrument: Instrument,
    /// The sample's temperature.
    pub temperature: Option<Temperature>,
    /// The temperature the instrument was calibrated at; 20 °C where left out.
    pub calibrated_at: Option<Temperature>,
    /// Its standard deviation.
    pub uncertainty: Option<GravityDelta>,
    /// When it was taken, where not now.
    pub taken: Option<Stamp>,
}

/// The fields of a move.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Move {
    /// The other vessel.
    pub to: String,
    /// What stays, as a twin.
    pub keep: Keep,
    /// What moves; of a batch that moves whole, what arrives.
    pub volume: Option<Volume>,
}

/// What of a batch stays where it was.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Keep {
    /// Nothing: all of it moves.
    Nothing,
    /// What does not move; half of it where that is not said.
    Rest,
    /// So much.
    Volume(Volume),
}

/// What a hand sample was read with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Instrument {
    /// A glass hydrometer.
    #[default]
    Hydrometer,
    /// A refractometer.
    Refractometer,
    /// A density meter.
    DensityMeter,
}

/// Why fields do not make a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandError(pub String);

impl fmt::Display for CommandError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for CommandError {}

/// The names of all commands, with the fields each takes: the one table for parser, help and flags.
pub const COMMANDS: &[(&str, &[&str])] = &[
    (
        "pitch",
        &[
            "schedule",
            "name",
            "original_gravity",
            "uncertainty",
            "final_gravity",
            "attenuation",
            "volume",
            "yeast",
            "at",
            "stage",
        ],
    ),
    ("hold", &[]),
    ("resume", &[]),
    ("advance", &[]),
    ("confirm", &["say"]),
    ("revise", &["schedule"]),
    ("sample", &["gravity", "instrument", "temperature", "calibrated_at", "uncertainty", "taken"]),
    ("note", &["text"]),
    ("move", &["to", "keep", "volume"]),
    ("acknowledge", &["alarm"]),
    ("shelve", &["alarm", "for"]),
    ("stop", &[]),
    ("abort", &[]),
];

/// Fields that may be said without a value, or as true and false: `yes` and `no`.
pub const SWITCHES: &[&str] = &["keep"];

impl Command {
    /// Reads a command from its name and its fields, quantities as texts with units.
    ///
    /// # Errors
    /// Says which field is missing, unknown or wrong, and what it could be.
    pub fn from_fields(
        name: &str,
        fields: &BTreeMap<String, String>,
    ) -> Result<Self, CommandError> {
        let Some((_, known)) = COMMANDS.iter().find(|(command, _)| *command == name) else {
            let names: Vec<&str> = COMMANDS.iter().map(|(command, _)| *command).collect();
            return Err(CommandError(format!(
                "`{name}` is not a command; the commands are {}",
                names.join(", ")
            )));
        };
        if let Some(unknown) = fields.keys().find(|field| !known.contains(&field.as_str())) {
            let takes = if known.is_empty() {
                "it takes none".to_owned()
            } else {
                format!("it takes {}", known.join(", "))
            };
            return Err(CommandError(format!("`{name}` has no field `{unknown}`: {takes}")));
        }
        Fields { name, fields }.command()
    }

    /// The command's name, as in [`COMMANDS`].
    pub fn name(&self) -> &'static str {
        match self {
            Command::Pitch(_) => "pitch",
            Command::Hold => "hold",
            Command::Resume => "resume",
            Command::Advance => "advance",
            Command::Confirm { .. } => "confirm",
            Command::Revise { .. } => "revise",
            Command::Sample(_) => "sample",
            Command::Note { .. } => "note",
            Command::Move(_) => "move",
            Command::Acknowledge { .. } => "acknowledge",
            Command::Shelve { .. } => "shelve",
            Command::Stop => "stop",
            Command::Abort => "abort",
        }
    }

    /// The schedule's file that the command needs; `pitched` is the running batch's.
    pub fn schedule_file<'a>(&'a self, pitched: Option<&'a str>) -> Option<&'a str> {
        match self {
            Command::Pitch(pitch) => Some(&pitch.schedule),
            Command::Revise { schedule } => schedule.as_deref().or(pitched),
            _ => None,
        }
    }
}

/// The fields of one command, read one by one.
struct Fields<'a> {
    name: &'a str,
    fields: &'a BTreeMap<String, String>,
}

impl Fields<'_> {
    fn command(&self) -> Result<Command, CommandError> {
        Ok(match self.name {
            "pitch" => Command::Pitch(self.pitch()?),
            "hold" => Command::Hold,
            "resume" => Command::Resume,
            "advance" => Command::Advance,
            "confirm" => Command::Confirm { say: self.text("say") },
            "revise" => Command::Revise { schedule: self.text("schedule") },
            "sample" => Command::Sample(self.sample()?),
            "note" => Command::Note { text: self.required("text")? },
            "move" => Command::Move(Move {
                to: self.required("to")?,
                keep: self.keep()?,
                volume: self.quantity("volume")?,
            }),
            "acknowledge" => Command::Acknowledge { alarm: self.text("alarm") },
            "shelve" => {
                let time = self.quantity("for")?.ok_or_else(|| self.missing("for"))?;
                Command::Shelve { alarm: self.required("alarm")?, time }
            }
            "stop" => Command::Stop,
            _ => Command::Abort,
        })
    }

    fn pitch(&self) -> Result<Pitch, CommandError> {
        let pitch = Pitch {
            schedule: self.required("schedule")?,
            name: self.text("name"),
            original_gravity: self.quantity("original_gravity")?,
            uncertainty: self.quantity("uncertainty")?,
            final_gravity: self.quantity("final_gravity")?,
            attenuation: self.quantity("attenuation")?,
            volume: self.quantity("volume")?,
            yeast: self.text("yeast"),
            at: self.time("at")?,
            stage: self.text("stage"),
        };
        if pitch.final_gravity.is_some() && pitch.attenuation.is_some() {
            return Err(CommandError(
                "`final_gravity` and `attenuation` say the same thing: give one".to_owned(),
            ));
        }
        Ok(pitch)
    }

    fn sample(&self) -> Result<Sample, CommandError> {
        let instrument = match self.text("instrument").as_deref() {
            None | Some("hydrometer") => Instrument::Hydrometer,
            Some("refractometer") => Instrument::Refractometer,
            Some("density meter") => Instrument::DensityMeter,
            Some(other) => {
                return Err(CommandError(format!(
                    "`{other}` is not an instrument: it could be `hydrometer`, `refractometer` or \
                     `density meter`"
                )));
            }
        };
        Ok(Sample {
            gravity: self.quantity("gravity")?.ok_or_else(|| self.missing("gravity"))?,
            instrument,
            temperature: self.quantity("temperature")?,
            calibrated_at: self.quantity("calibrated_at")?,
            uncertainty: self.quantity("uncertainty")?,
            taken: self.time("taken")?,
        })
    }

    /// `yes`, `no` or a volume.
    fn keep(&self) -> Result<Keep, CommandError> {
        Ok(match self.text("keep").as_deref().map(str::trim) {
            None | Some("no" | "false") => Keep::Nothing,
            Some("yes" | "true") => Keep::Rest,
            Some(text) => Keep::Volume(Volume::parse(text).map_err(|error| {
                let hint = error.hint();
                CommandError(format!("`keep`: {error}; {hint}; or `yes`: what does not move"))
            })?),
        })
    }

    fn text(&self, field: &str) -> Option<String> {
        self.fields.get(field).filter(|text| !text.trim().is_empty()).cloned()
    }

    fn required(&self, field: &str) -> Result<String, CommandError> {
        self.text(field).ok_or_else(|| self.missing(field))
    }

    fn missing(&self, field: &str) -> CommandError {
        CommandError(format!("`{}` needs `{field}`", self.name))
    }

    fn quantity<Q: Quantity>(&self, field: &str) -> Result<Option<Q>, CommandError> {
        let parsed = self.text(field).map(|text| Q::parse(&text)).transpose();
        parsed.map_err(|error| CommandError(format!("`{field}`: {error}; {}", error.hint())))
    }

    fn time(&self, field: &str) -> Result<Option<Stamp>, CommandError> {
        let parsed = self.text(field).map(|text| Stamp::parse_rfc3339(&text)).transpose();
        parsed.map_err(|error| CommandError(format!("`{field}`: {error}")))
    }
}
