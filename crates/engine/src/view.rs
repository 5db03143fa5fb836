//! What a person or a script may know of a vessel: the shape of `P/V/state`.
//!
//! Field for field the contract's `state`; what is not known is null. Instants are RFC 3339, UTC.

use schedule::Name;
use serde::{Deserialize, Serialize};

/// A vessel as it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// Which vessel.
    pub vessel: Name,
    /// When this was so.
    pub at: String,
    /// `idle`, `running`, `held`, `stopped`, `aborted` or `complete`.
    pub run: String,
    /// The batch's id.
    pub batch: Option<String>,
    /// The batch's name, as it was pitched.
    pub batch_name: Option<String>,
    /// The batch that it was a part of before a split.
    #[serde(default)]
    pub parent: Option<String>,
    /// The schedule's name.
    pub schedule: Option<String>,
    /// The running stage.
    pub stage: Option<Stage>,
    /// Where the stage ends, in °C.
    pub target_c: Option<f64>,
    /// In °C; null: outputs off.
    pub setpoint_c: Option<f64>,
    /// In °C.
    pub beer_c: Option<f64>,
    /// In °C.
    pub surround_c: Option<f64>,
    /// The gravity as believed.
    pub gravity: Option<Gravity>,
    /// The attenuation as believed.
    pub attenuation: Option<Attenuation>,
    /// Alcohol by volume, in percent.
    pub abv_percent: Option<f64>,
    /// What the outputs do.
    pub outputs: Outputs,
    /// The shared cooler that the chiller is a valve of; left out where it is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cooler: Option<Cooler>,
    /// What the stage waits for.
    pub waits_for: Vec<Waiting>,
    /// When stages are expected to be left.
    pub forecast: Vec<Forecast>,
    /// Whether it may be packaged.
    pub packaging: Option<Packaging>,
    /// The temperature held without a batch, in °C.
    pub parked_c: Option<f64>,
    /// Until when; null: until a person ends it.
    #[serde(default)]
    pub parked_until: Option<String>,
    /// Why both outputs are locked off.
    pub locked: Option<String>,
    /// Where the setpoint is held, or is going to be, in °C.
    #[serde(default)]
    pub held_c: Option<f64>,
    /// A person's correction of the setpoint.
    #[serde(default)]
    pub nudge: Option<Nudge>,
    /// The vessel's devices.
    pub sources: Vec<Source>,
    /// What stands.
    pub alarms: Vec<Alarm>,
}

/// A person's correction of the setpoint.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Nudge {
    /// By how much the schedule's setpoint is moved, in °C.
    pub by_c: Option<f64>,
    /// What stands in its place, in °C.
    pub target_c: Option<f64>,
    /// Until when; null: until the stage ends.
    pub until: Option<String>,
    /// Who gave it.
    pub by: Option<String>,
}

/// The running stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// From 1.
    pub index: usize,
    /// How many there are.
    pub of: usize,
    /// Its name.
    pub name: String,
    /// When it began.
    pub since: String,
}

/// The gravity as believed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gravity {
    /// SG.
    pub sg: f64,
    /// Its standard deviation, in SG.
    pub sd: f64,
    /// °P.
    pub plato: f64,
    /// Negative where it falls.
    pub rate_points_per_day: Option<f64>,
    /// The newest reading in it.
    pub as_of: String,
}

/// The attenuation as believed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Attenuation {
    /// Apparent, in percent of the original extract in °P.
    pub apparent_percent: f64,
    /// Its standard deviation, in percent.
    pub sd: Option<f64>,
    /// The share of the way to the expected final gravity, in percent.
    pub progress_percent: Option<f64>,
    /// Real, in percent.
    pub real_percent: f64,
}

/// What the outputs do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outputs {
    /// `on`, `off`; null where there is none.
    pub heater: Option<String>,
    /// `on`, `off`; null where there is none.
    pub chiller: Option<String>,
    /// Why.
    pub because: String,
    /// What the heater did; null where it is not known.
    #[serde(default)]
    pub heater_wear: Option<Wear>,
    /// What the chiller did; null where it is not known.
    #[serde(default)]
    pub chiller_wear: Option<Wear>,
    /// What they work against; null while the vessel is not known.
    #[serde(default)]
    pub warmth: Option<Warmth>,
}

/// What an output did: in the last 24 hours, or since the vessel is known, and in the batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wear {
    /// How often it was switched on.
    pub day_starts: u64,
    /// For how many hours it was on.
    pub day_on_h: f64,
    /// What that took, in kWh; null where its power is not configured.
    pub day_kwh: Option<f64>,
    /// How often it was switched on in this batch.
    pub batch_starts: Option<u64>,
    /// For how many hours it was on in this batch.
    pub batch_on_h: Option<f64>,
    /// What that took, in kWh.
    pub batch_kwh: Option<f64>,
}

/// What warms the beer besides heater and chiller.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    /// How fast it would warm with both outputs off, in K/h; negative where it would cool.
    pub alone_k_per_h: f64,
    /// The yeast's heat, in W; null while no fall of gravity is shown.
    pub yeast_w: Option<f64>,
    /// How fast that warms the beer, in K/h.
    pub yeast_k_per_h: Option<f64>,
    /// Its part of `alone_k_per_h`, in percent, where that is positive.
    pub yeast_share_percent: Option<f64>,
    /// The same as a sentence without its end.
    pub text: String,
}

/// The shared cooler that the chiller is a valve of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cooler {
    /// Its name.
    pub name: String,
    /// Whether it runs, or has a setpoint.
    pub on: bool,
    /// The temperature of its reservoir, in °C.
    pub reservoir_c: Option<f64>,
    /// Where that is kept, in °C.
    pub target_c: Option<f64>,
    /// Why it runs or does not.
    pub because: String,
}

/// One thing that the stage waits for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Waiting {
    /// In words.
    pub milestone: String,
    /// `yes`, `no` or `unknown`.
    pub answer: String,
    /// How it stands.
    pub now: String,
    /// What it needs.
    pub needs: String,
}

/// When a stage is expected to be left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// The stage's name.
    pub stage: String,
    /// Most likely.
    pub leaves: Option<String>,
    /// At the earliest.
    pub earliest: Option<String>,
    /// At the latest.
    pub latest: Option<String>,
}

/// Whether it may be packaged: advice only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Packaging {
    /// `yes`, `no` or `unknown`.
    pub answer: String,
    /// How many points could still fall, at most.
    pub points_left_upper: Option<f64>,
    /// The CO2 that a closed package could still build up, in volumes.
    pub co2_volumes_if_closed: Option<f64>,
    /// Why.
    pub because: String,
}

/// A device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// `gravity`, `beer` or `surround`.
    pub kind: String,
    /// Its last usable reading.
    pub last: Option<String>,
    /// How far it reads above the truth, in points.
    pub offset_points: Option<f64>,
    /// Charge.
    pub battery_percent: Option<f64>,
    /// How long it will last.
    pub battery_days_left: Option<f64>,
    /// Why its last gravity is to be taken with care.
    #[serde(default)]
    pub caution: Option<String>,
}

/// A standing alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// Its id, such as `beer-silent`.
    pub id: String,
    /// `critical`, `high`, `medium` or `low`.
    pub priority: String,
    /// Since when.
    pub since: String,
    /// Whether a person has seen it.
    pub acknowledged: bool,
    /// Until when a person silenced it.
    pub shelved_until: Option<String>,
    /// What is wrong, in a sentence.
    pub text: String,
}

/// What came of a batch: the last line of `replay` and `rehearse`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Every stage that was entered, in order.
    pub stages: Vec<StageSummary>,
    /// The gravity as believed.
    pub gravity: Option<Measured>,
    /// The attenuation as believed.
    pub attenuation: Option<AttenuationSummary>,
    /// Alcohol by volume, in percent.
    pub abv_percent: Option<f64>,
    /// The final gravity as believed.
    pub final_gravity: Option<Measured>,
    /// Whether the safer rule calls the gravity final.
    pub stable: bool,
    /// `complete`, `running` or `held`.
    pub run: String,
}

/// A stage that was entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageSummary {
    /// Its name.
    pub name: String,
    /// When it began.
    pub entered: String,
    /// When it ended; null where it did not.
    pub left: Option<String>,
    /// Why it ended.
    pub because: Option<String>,
}

/// A gravity with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// In SG.
    pub sg: f64,
    /// In SG.
    pub sd: f64,
}

/// Attenuation in a summary.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AttenuationSummary {
    /// Apparent, in percent.
    pub apparent_percent: f64,
    /// Real, in percent.
    pub real_percent: f64,
}
