//! Who switches the outputs: the engine in this process, or a program of its own.

/// A tick at least this often, as every driver gives them, in s.
pub const TICK_S: i64 = 10;
/// All runs begin at 2026-03-02T06:00:00Z.
pub const START_MS: i64 = 1_772_431_200_000;

/// What is handed in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Given {
    /// The beer's probe, in °C.
    Beer(f64),
    /// The probe around the vessel, in °C.
    Surround(f64),
    /// The float: gravity in SG, and its own temperature in °C.
    Float(f64, f64),
    /// The batch begins.
    Pitch,
    /// A person has seen all alarms.
    Acknowledge,
}

/// What the relays are told, and the setpoint that is published.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standing {
    pub heater: bool,
    pub chiller: bool,
    pub setpoint: Option<f64>,
}

/// An alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct Raised {
    /// Hours after the pitch.
    pub hours: f64,
    pub id: String,
    pub text: String,
}

/// Who switches the outputs.
///
/// Between two readings nothing that the vessel does can reach him: so all that he does until the
/// next one is asked for at once.
pub trait Host {
    /// Gives all this at `at_s`, then lets time pass in ticks; how things stood at `at_s` and at
    /// each tick before `until_s`.
    fn pass(&mut self, at_s: i64, given: &[Given], until_s: i64) -> Vec<Standing>;

    /// A new process goes on with what was stored.
    fn restart(&mut self, at_s: i64);

    /// All alarms from the beginning, in order.
    fn raised(&self) -> &[Raised];
}
