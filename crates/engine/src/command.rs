//! Commands: the same fields over the broker, in `pipe` and as flags on the command line.

use brewing::addition::Portion;
use quantity::{
    Gravity, GravityDelta, Mass, Quantity, Share, Span, Stamp, Temperature, TemperatureDelta,
    Volume,
};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// What a person or a script can want of a vessel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Command {
    /// Start a batch.
    Pitch(Pitch),
    /// Keep the setpoint, freeze the stage's clock.
    Hold {
        /// Keep this one instead.
        target: Option<Temperature>,
    },
    /// Go on.
    Resume,
    /// The next stage.
    Advance {
        /// Another one by its name, also an earlier one.
        to: Option<String>,
    },
    /// Correct the setpoint.
    Nudge(Nudge),
    /// Another expectation of the beer.
    Expect(Expect),
    /// Hold a temperature without a batch.
    Park {
        /// Which.
        target: Temperature,
        /// For how long; left out: until a person ends it.
        time: Option<Span>,
    },
    /// Hold it no longer.
    Unpark,
    /// Keep both outputs off until a person ends it.
    Lock {
        /// Why.
        because: String,
    },
    /// Keep them off no longer.
    Unlock,
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
    /// Something was added to the beer.
    Addition(Addition),
    /// A float was taken out of the beer, came back, or was replaced.
    Source(Source),
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
    /// Nobody knows the original gravity, whatever the schedule expects.
    pub original_unknown: bool,
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

/// The fields of a nudge.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Nudge {
    /// Where to.
    pub change: NudgeBy,
    /// For how long; left out: until the stage ends.
    pub until: Option<Span>,
}

/// Where a nudge goes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum NudgeBy {
    /// By so much from where the stage's setpoint would be.
    By(TemperatureDelta),
    /// To this.
    To(Temperature),
}

/// The fields of a new expectation; at least one gravity is there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expect {
    /// The gravity at pitching, as somebody measured it.
    pub original_gravity: Option<Gravity>,
    /// Its standard deviation; 1 point where left out.
    pub uncertainty: Option<GravityDelta>,
    /// The gravity at the end.
    pub final_gravity: Option<Gravity>,
    /// The same as an attenuation.
    pub attenuation: Option<Share>,
    /// On what evidence.
    pub because: String,
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

/// The fields of an addition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Addition {
    /// What it was, in words.
    pub what: String,
    /// What it brings; `None`: nothing that counts, such as hops.
    pub brings: Option<Brings>,
    /// For how long readings may be wild.
    pub disturbs: Option<Span>,
}

/// What an addition brings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Brings {
    /// So much dry extract that ferments wholly.
    Extract(Mass),
    /// So much of a liquid of this gravity.
    Liquid(Volume, Gravity),
    /// As much as was seen to raise the gravity by this.
    Rise(GravityDelta),
}

impl Brings {
    /// As the mass balance takes it.
    pub fn portion(self) -> Portion {
        match self {
            Brings::Extract(mass) => Portion::Extract(mass),
            Brings::Liquid(volume, gravity) => Portion::Liquid(volume, gravity),
            Brings::Rise(rise) => Portion::Rise(rise),
        }
    }
}

/// The fields of what was done with a gravity source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// What was done.
    pub done: Done,
}

/// What was done with a gravity source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Done {
    /// It is out of the beer; it counts as back after this time.
    Aside(Option<Span>),
    /// It is back.
    Return,
    /// Another one is in its place, with this file as its calibration.
    Exchanged(Option<String>),
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
            "pitched_at",
            "stage",
        ],
    ),
    ("hold", &["target"]),
    ("resume", &[]),
    ("advance", &["to"]),
    ("nudge", &["by", "target", "until"]),
    ("confirm", &["say"]),
    ("expect", &["original_gravity", "uncertainty", "final_gravity", "attenuation", "because"]),
    ("revise", &["schedule"]),
    ("sample", &["gravity", "instrument", "temperature", "calibrated_at", "uncertainty", "taken"]),
    ("addition", &["what", "extract", "volume", "gravity", "raises", "disturbs"]),
    ("source", &["name", "do", "for", "calibration"]),
    ("note", &["text"]),
    ("move", &["to", "keep", "volume"]),
    ("park", &["target", "for"]),
    ("unpark", &[]),
    ("lock", &["because"]),
    ("unlock", &[]),
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
            Command::Hold { .. } => "hold",
            Command::Resume => "resume",
            Command::Advance { .. } => "advance",
            Command::Nudge(_) => "nudge",
            Command::Expect(_) => "expect",
            Command::Park { .. } => "park",
            Command::Unpark => "unpark",
            Command::Lock { .. } => "lock",
            Command::Unlock => "unlock",
            Command::Confirm { .. } => "confirm",
            Command::Revise { .. } => "revise",
            Command::Sample(_) => "sample",
            Command::Addition(_) => "addition",
            Command::Source(_) => "source",
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

    /// The file of a calibration that the command needs, as it is written: relative to the
    /// configuration.
    pub fn calibration_file(&self) -> Option<&str> {
        match self {
            Command::Source(Source { done: Done::Exchanged(file), .. }) => file.as_deref(),
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
            "hold" => Command::Hold { target: self.quantity("target")? },
            "resume" => Command::Resume,
            "advance" => Command::Advance { to: self.text("to") },
            "nudge" => Command::Nudge(self.nudge()?),
            "expect" => Command::Expect(self.expect()?),
            "park" => {
                let target = self.quantity("target")?.ok_or_else(|| self.missing("target"))?;
                Command::Park { target, time: self.quantity("for")? }
            }
            "unpark" => Command::Unpark,
            "lock" => Command::Lock { because: self.required("because")? },
            "unlock" => Command::Unlock,
            "confirm" => Command::Confirm { say: self.text("say") },
            "revise" => Command::Revise { schedule: self.text("schedule") },
            "sample" => Command::Sample(self.sample()?),
            "addition" => Command::Addition(self.addition()?),
            "source" => Command::Source(self.source()?),
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
        let (at, pitched_at) = (self.time("at")?, self.time("pitched_at")?);
        if at.is_some() && pitched_at.is_some() && at != pitched_at {
            return Err(CommandError(
                "`at` and `pitched_at` both say when it was pitched: give one".to_owned(),
            ));
        }
        let original_unknown = self.text("original_gravity").is_some_and(|text| is_unknown(&text));
        let pitch = Pitch {
            schedule: self.required("schedule")?,
            name: self.text("name"),
            original_gravity: match original_unknown {
                true => None,
                false => self.quantity("original_gravity")?,
            },
            original_unknown,
            uncertainty: self.quantity("uncertainty")?,
            final_gravity: self.quantity("final_gravity")?,
            attenuation: self.quantity("attenuation")?,
            volume: self.quantity("volume")?,
            yeast: self.text("yeast"),
            at: at.or(pitched_at),
            stage: self.text("stage"),
        };
        self.one_end()?;
        Ok(pitch)
    }

    /// A final gravity and an attenuation are two words for one end.
    fn one_end(&self) -> Result<(), CommandError> {
        match (self.text("final_gravity"), self.text("attenuation")) {
            (Some(_), Some(_)) => Err(CommandError(
                "`final_gravity` and `attenuation` say the same thing: give one".to_owned(),
            )),
            _ => Ok(()),
        }
    }

    fn nudge(&self) -> Result<Nudge, CommandError> {
        let by = self.quantity::<TemperatureDelta>("by")?;
        let target = self.quantity("target")?;
        let change = match (by, target) {
            (Some(by), None) => NudgeBy::By(by),
            (None, Some(target)) => NudgeBy::To(target),
            (Some(_), Some(_)) => {
                return Err(CommandError(
                    "`by` and `target` say the same thing: give one".to_owned(),
                ));
            }
            (None, None) => {
                return Err(CommandError(
                    "`nudge` needs `by`, such as \"1 C\", or `target`, such as \"18 C\"".to_owned(),
                ));
            }
        };
        let until = match self.text("until").as_deref().map(str::trim) {
            None | Some("stage") => None,
            Some(_) => self.quantity("until").map_err(|error| {
                CommandError(format!("{error}; or `stage`, to the end of the stage"))
            })?,
        };
        Ok(Nudge { change, until })
    }

    fn expect(&self) -> Result<Expect, CommandError> {
        let expect = Expect {
            original_gravity: self.quantity("original_gravity")?,
            uncertainty: self.quantity("uncertainty")?,
            final_gravity: self.quantity("final_gravity")?,
            attenuation: self.quantity("attenuation")?,
            because: self.required("because")?,
        };
        self.one_end()?;
        let of_end = expect.final_gravity.is_some() || expect.attenuation.is_some();
        if expect.original_gravity.is_none() && !of_end {
            return Err(CommandError(
                "`expect` needs `original_gravity`, `final_gravity` or `attenuation`".to_owned(),
            ));
        }
        Ok(expect)
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

    fn addition(&self) -> Result<Addition, CommandError> {
        let (extract, rise) = (self.quantity("extract")?, self.quantity("raises")?);
        let liquid = match (self.quantity("volume")?, self.quantity("gravity")?) {
            (Some(volume), Some(gravity)) => Some(Brings::Liquid(volume, gravity)),
            (None, None) => None,
            _ => {
                return Err(CommandError(
                    "`volume` and `gravity` belong together: water has a `gravity` of \"1.000 SG\""
                        .to_owned(),
                ));
            }
        };
        let all = [extract.map(Brings::Extract), liquid, rise.map(Brings::Rise)];
        let mut given = all.into_iter().flatten();
        let brings = given.next();
        if given.next().is_some() {
            return Err(CommandError(
                "give one of `extract`, `volume` with `gravity`, and `raises`, or none of them"
                    .to_owned(),
            ));
        }
        let disturbs = self.quantity("disturbs")?;
        Ok(Addition { what: self.required("what")?, brings, disturbs })
    }

    fn source(&self) -> Result<Source, CommandError> {
        let (time, file) = (self.quantity("for")?, self.text("calibration"));
        let word = self.required("do")?;
        if time.is_some() && word != "aside" {
            return Err(CommandError("`for` goes with `aside` only".to_owned()));
        }
        if file.is_some() && word != "exchanged" {
            return Err(CommandError("`calibration` goes with `exchanged` only".to_owned()));
        }
        let done = match word.as_str() {
            "aside" => Done::Aside(time),
            "return" => Done::Return,
            "exchanged" => Done::Exchanged(file),
            other => {
                return Err(CommandError(format!(
                    "`do`: `{other}` is nothing that is done with a source: it could be `aside`, \
                     `return` or `exchanged`"
                )));
            }
        };
        Ok(Source { name: self.required("name")?, done })
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

    /// The text of a field; `None` where it says nothing.
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

/// What a person writes where nobody knows.
fn is_unknown(text: &str) -> bool {
    text.trim() == "unknown"
}
