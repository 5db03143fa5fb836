//! The control study's scenarios in closed loop through the engine:
//! `cargo bench -p barmkeep-tests --bench control -- [PART …]`.
//!
//! Nine scenarios on three plants with twelve seeds each, under the plain band and under the
//! anticipating law; then a cold descent, other vessels, poor readings, broken hardware, and the
//! real program behind its `pipe`. Each scenario is a configuration and a schedule, pitched into
//! the engine as a daemon does it. J is the integral of the squared error over 108 h plus
//! 0.1 K²h a start; the oracle knew the plant and the future (its figures come from the table).
//!
//! The error is taken from the study's setpoint. Only in the descent to 2 °C it is taken from the
//! setpoint that the engine publishes, since below 5 °C that descends at 0.25 K/h at most and the
//! study's at 0.5 K/h; how far the two are apart stands beside it.

#![allow(clippy::unwrap_used, reason = "a benchmark may panic")]

mod study;
mod tables;

/// The parts, in the order in which they run.
const PARTS: [(&str, fn()); 6] = [
    ("study", tables::study),
    ("crash", tables::cold_crash),
    ("others", tables::other_vessels),
    ("poor", tables::poor_readings),
    ("faults", tables::faults),
    ("pipe", tables::pipe),
];

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|arg| arg != "--bench").collect();
    for part in &wanted {
        assert!(PARTS.iter().any(|(name, _)| name == part), "there is no part `{part}`");
    }
    for (name, print) in PARTS {
        if wanted.is_empty() || wanted.iter().any(|part| part == name) {
            print();
            println!();
        }
    }
}
