//! The faults: each has a name, a weight (how often it comes) and a length.

use std::collections::BTreeSet;

/// Something that goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The broker is away.
    BrokerAway,
    /// The broker is restarted and has forgotten everything.
    BrokerForgets,
    /// The broker takes up to two minutes for each message.
    BrokerSlow,
    /// The connection is gone, and nobody has noticed yet.
    HalfOpen,
    /// The broker delivers everything twice.
    Twice,
    /// The wall clock is set back.
    ClockBack,
    /// The wall clock is set forward.
    ClockForward,
    /// The wall clock leaps by an hour, as one that keeps local time does twice a year.
    ClockLeap,
    /// The machine boots without a clock, and gets its time later.
    ClockNone,
    /// People want one thing and its contrary.
    Contradictions,
    /// Each command comes again, with its `id`.
    Repeats,
    /// The disk is full.
    DiskFull,
    /// The disk fails now and then.
    DiskFails,
    /// The program is slow: it hears nothing for minutes.
    Stall,
    /// The process is killed between two inputs.
    Kill,
    /// The process is killed between two effects.
    KillMidway,
    /// The power is cut: what was not synced is gone.
    PowerCut,
    /// An orderly restart.
    Restart,
    /// A relay does not hear.
    DeafRelay,
    /// A relay reports what is not so.
    LyingRelay,
    /// A float is silent.
    SilentFloat,
    /// A probe is silent.
    SilentProbe,
    /// A device repeats what it last said.
    Stuck,
    /// A device reboots and says what such devices then say.
    Rebooted,
    /// A device's clock is wrong.
    DeviceClock,
    /// Readings jump.
    Spikes,
    /// Messages come late.
    Late,
    /// Messages come twice.
    Doubled,
    /// Messages overtake each other.
    Reordered,
    /// Messages are garbled.
    Garbled,
    /// Messages come as retained ones.
    Retained,
    /// Old messages come again.
    Old,
    /// A stranger floods every topic with what is none of it.
    Flood,
}

/// How often a fault comes and how long it stays.
#[derive(Debug, Clone, Copy)]
pub struct Weight {
    /// Which.
    pub fault: Fault,
    /// Its name on the command line.
    pub name: &'static str,
    /// Mean time from one to the next, in hours.
    pub every_h: f64,
    /// Its length, in minutes; 0 and 0: an instant.
    pub lasts_min: (f64, f64),
}

const fn weight(fault: Fault, name: &'static str, every_h: f64, lasts_min: (f64, f64)) -> Weight {
    Weight { fault, name, every_h, lasts_min }
}

/// All faults.
pub const FAULTS: &[Weight] = &[
    weight(Fault::BrokerAway, "broker-away", 36.0, (0.5, 180.0)),
    weight(Fault::BrokerForgets, "broker-forgets", 60.0, (0.0, 0.0)),
    weight(Fault::BrokerSlow, "broker-slow", 60.0, (5.0, 120.0)),
    weight(Fault::HalfOpen, "half-open", 48.0, (0.0, 0.0)),
    weight(Fault::Twice, "twice", 48.0, (5.0, 240.0)),
    weight(Fault::ClockBack, "clock-back", 90.0, (0.0, 0.0)),
    weight(Fault::ClockForward, "clock-forward", 90.0, (0.0, 0.0)),
    weight(Fault::ClockLeap, "clock-leap", 120.0, (0.0, 0.0)),
    weight(Fault::ClockNone, "clock-none", 120.0, (0.0, 0.0)),
    weight(Fault::Contradictions, "contradictions", 24.0, (5.0, 60.0)),
    weight(Fault::Repeats, "repeats", 24.0, (10.0, 120.0)),
    weight(Fault::DiskFull, "disk-full", 48.0, (1.0, 240.0)),
    weight(Fault::DiskFails, "disk-fails", 48.0, (1.0, 120.0)),
    weight(Fault::Stall, "stall", 36.0, (0.5, 20.0)),
    weight(Fault::Kill, "kill", 24.0, (0.0, 0.0)),
    weight(Fault::KillMidway, "kill-midway", 24.0, (0.0, 0.0)),
    weight(Fault::PowerCut, "power-cut", 48.0, (0.0, 0.0)),
    weight(Fault::Restart, "restart", 72.0, (0.0, 0.0)),
    weight(Fault::DeafRelay, "deaf-relay", 60.0, (5.0, 240.0)),
    weight(Fault::LyingRelay, "lying-relay", 60.0, (5.0, 120.0)),
    weight(Fault::SilentFloat, "silent-float", 48.0, (60.0, 1200.0)),
    weight(Fault::SilentProbe, "silent-probe", 36.0, (5.0, 300.0)),
    weight(Fault::Stuck, "stuck", 60.0, (30.0, 600.0)),
    weight(Fault::Rebooted, "rebooted", 36.0, (0.5, 5.0)),
    weight(Fault::DeviceClock, "device-clock", 48.0, (60.0, 600.0)),
    weight(Fault::Spikes, "spikes", 36.0, (5.0, 60.0)),
    weight(Fault::Late, "late", 24.0, (10.0, 240.0)),
    weight(Fault::Doubled, "doubled", 24.0, (10.0, 240.0)),
    weight(Fault::Reordered, "reordered", 36.0, (10.0, 240.0)),
    weight(Fault::Garbled, "garbled", 36.0, (5.0, 120.0)),
    weight(Fault::Retained, "retained", 48.0, (5.0, 120.0)),
    weight(Fault::Old, "old", 36.0, (10.0, 120.0)),
    weight(Fault::Flood, "flood", 72.0, (1.0, 10.0)),
];

/// All of them.
pub fn all() -> BTreeSet<Fault> {
    FAULTS.iter().map(|weight| weight.fault).collect()
}

/// The fault of this name.
pub fn named(name: &str) -> Option<Fault> {
    FAULTS.iter().find(|weight| weight.name == name).map(|weight| weight.fault)
}

/// The names of these, as the command line takes them.
pub fn names(faults: &BTreeSet<Fault>) -> String {
    let names: Vec<&str> = FAULTS
        .iter()
        .filter(|weight| faults.contains(&weight.fault))
        .map(|weight| weight.name)
        .collect();
    if names.is_empty() { "none".to_owned() } else { names.join(",") }
}
