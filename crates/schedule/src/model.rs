//! A schedule as the rest of the program sees it: parsed once, so that nobody validates again.
//!
//! Invariants, established by the parser and `check` and relied on everywhere: at least one stage;
//! stage names differ; every list of milestones has at least one; a climb's `from` lies before its
//! `until`; `at_least` is not above `at_most`.

use quantity::{Gravity, GravityDelta, GravityRate, Share, Span, Temperature, TemperatureRate};
use serde::{Deserialize, Serialize};
use std::num::NonZeroU32;

/// One style of beer: what is expected of it, its limits, and its stages in order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Schedule {
    /// For people.
    pub name: String,
    /// How sure a gravity milestone must be; 95 % unless the file says otherwise; 50 to 99.9 %.
    pub confidence: Share,
    /// What happens after the last stage.
    pub finish: Finish,
    /// What this beer should do.
    pub expect: Expect,
    /// What no stage can override.
    pub limits: Limits,
    /// At least one.
    pub stages: Vec<Stage>,
}

/// What happens to the outputs once the last stage is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Finish {
    /// The last setpoint is kept until a person stops the batch.
    #[default]
    Keep,
    /// The outputs go off.
    Off,
}

/// What a beer should do; a batch may override each when it is pitched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expect {
    /// The gravity before fermentation.
    pub original_gravity: ExpectedOriginal,
    /// The gravity after it.
    pub final_gravity: ExpectedFinal,
    /// A fall must be shown within this time from pitching; 36 h where the file says nothing.
    pub begins_within: Span,
    /// The yeast's range, coldest and warmest, where its data sheet was given.
    pub yeast_range: Option<(Temperature, Temperature)>,
}

/// The expected original gravity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum ExpectedOriginal {
    /// As the recipe has it (± 3 points until a sample says better).
    Gravity(Gravity),
    /// The settled readings of the first hours.
    Measured,
}

/// The expected final gravity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum ExpectedFinal {
    /// A gravity.
    Gravity(Gravity),
    /// An apparent attenuation of the original extract.
    Attenuation(Share),
    /// Nobody knows: `progress` and `above_final` are refused.
    Unknown,
}

/// Limits that no stage can override.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// No setpoint is colder; left out, the vessel's own limit stands.
    pub coldest: Option<Temperature>,
    /// No setpoint is warmer; left out, the vessel's own limit stands.
    pub warmest: Option<Temperature>,
    /// How fast a setpoint may rise; 1 K/h where the file says nothing.
    pub ramp_up: TemperatureRate,
    /// How fast a setpoint may fall; 0.5 K/h where the file says nothing.
    pub ramp_down: TemperatureRate,
}

/// One stage: where the temperature goes, and what ends it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Unique within the schedule.
    pub name: String,
    /// Where the setpoint goes.
    pub target: Target,
    /// What ends the stage.
    pub until: Milestone,
    /// The stage is kept for at least this time.
    pub at_least: Option<Span>,
    /// A bound on its length.
    pub at_most: Option<AtMost>,
    /// How often a `confirm.due` calls again; 12 h where the file says nothing.
    pub remind: Span,
    /// What is said once, when.
    pub notices: Vec<Notice>,
}

/// Where a stage's setpoint goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Target {
    /// One temperature.
    Fixed(Temperature),
    /// From wherever the setpoint stands to `to`, in time.
    Timed {
        /// The end.
        to: Temperature,
        /// How fast.
        pace: Pace,
        /// `None`: a smooth line; else that many equal jumps, the k-th when k/N of the way is done.
        steps: Option<NonZeroU32>,
    },
    /// From the setpoint at the stage's entry to `to`, as the beer goes from `from` to `until`.
    Climb {
        /// The end.
        to: Temperature,
        /// Which share is followed.
        along: Along,
        /// The share at which it begins.
        from: Share,
        /// The share at which it ends; above `from`.
        until: Share,
        /// As in [`Target::Timed`].
        steps: Option<NonZeroU32>,
    },
    /// The beer's own warmth decides, below a ceiling.
    FreeRise {
        /// The chiller holds this.
        ceiling: Temperature,
        /// No heating above this; left out, no heating at all.
        not_below: Option<Temperature>,
    },
}

/// How fast a [`Target::Timed`] goes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Pace {
    /// It takes this long.
    Over(Span),
    /// It goes this fast.
    Rate(TemperatureRate),
}

/// The share that a climb follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Along {
    /// Apparent attenuation of the original extract.
    Attenuation,
    /// The way from original to expected final gravity.
    Progress,
}

/// A bound on a stage's length, acting once a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct AtMost {
    /// Counted as `elapsed`.
    pub time: Span,
    /// What happens then.
    pub then: Overdue,
}

/// What happens when a stage has lasted for its `at_most`; `stage-overdue` is raised each time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Overdue {
    /// Only the alarm.
    Alarm,
    /// The next stage, without asking `until`.
    Advance,
    /// The run is held.
    Hold,
}

/// A sentence for a person, once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// The sentence.
    pub say: String,
    /// When it is said.
    pub when: Milestone,
}

/// A question that is answered with yes, no or unknown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Milestone {
    /// Apparent attenuation is at least this.
    Attenuation(Share),
    /// This share of the way from original to expected final gravity is done.
    Progress(Share),
    /// Gravity is at or below this.
    Gravity(Gravity),
    /// Gravity is within this of the expected final gravity.
    AboveFinal(GravityDelta),
    /// Gravity has fallen by at least this since pitching.
    Drop(GravityDelta),
    /// Gravity falls more slowly than this, and has begun to fall.
    SlowerThan(GravityRate),
    /// Less than `within` is still to fall, and the present rate is below `within` per `over`.
    Stable {
        /// How much may still be to fall.
        within: GravityDelta,
        /// The time to which the rate is compared.
        over: Span,
    },
    /// The beer has been at the stage's final target for this long.
    AtTarget(Span),
    /// Time in this stage.
    Elapsed(Span),
    /// Time since pitching.
    SincePitch(Span),
    /// A person has confirmed this sentence.
    Confirm(String),
    /// All of them.
    All(Vec<Milestone>),
    /// Any of them.
    Any(Vec<Milestone>),
}

impl Milestone {
    /// Whether `test` holds for this milestone or for one inside it.
    pub fn any_leaf(&self, test: &mut dyn FnMut(&Milestone) -> bool) -> bool {
        match self {
            Milestone::All(list) | Milestone::Any(list) => {
                list.iter().any(|milestone| milestone.any_leaf(test))
            }
            leaf => test(leaf),
        }
    }

    /// Whether it is decided on gravity.
    pub fn is_on_gravity(&self) -> bool {
        matches!(
            self,
            Milestone::Attenuation(_)
                | Milestone::Progress(_)
                | Milestone::Gravity(_)
                | Milestone::AboveFinal(_)
                | Milestone::Drop(_)
                | Milestone::SlowerThan(_)
                | Milestone::Stable { .. }
        )
    }

    /// Whether it stays yes within its stage once it was yes.
    pub fn latches(&self) -> bool {
        matches!(
            self,
            Milestone::Attenuation(_)
                | Milestone::Progress(_)
                | Milestone::Gravity(_)
                | Milestone::AboveFinal(_)
                | Milestone::Drop(_)
                | Milestone::Confirm(_)
        )
    }

    /// Whether it cannot be judged without the original gravity.
    pub fn needs_original(&self) -> bool {
        matches!(self, Milestone::Attenuation(_) | Milestone::Progress(_) | Milestone::Drop(_))
    }

    /// Whether it cannot be judged without an expected final gravity.
    pub fn needs_final(&self) -> bool {
        matches!(self, Milestone::Progress(_) | Milestone::AboveFinal(_))
    }
}

impl Target {
    /// The temperature at which the stage ends.
    pub fn end(&self) -> Temperature {
        match self {
            Target::Fixed(to) | Target::Timed { to, .. } | Target::Climb { to, .. } => *to,
            Target::FreeRise { ceiling, .. } => *ceiling,
        }
    }
}
