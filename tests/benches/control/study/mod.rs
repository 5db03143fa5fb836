//! The control study's scenarios in closed loop: a simulated vessel, a noisy probe, and the engine
//! as it runs in this process or behind the pipe of the real program.

pub mod float;
pub mod host;
pub mod inside;
pub mod piped;
pub mod run;
pub mod scenario;

pub use run::Outcome;
pub use scenario::{Fault, Scenario, Way};

use barmkeep_tests::vectors;

/// All scenarios of the study with J of its oracle, which knew the plant and the future.
pub fn scenarios() -> Vec<(Scenario, f64)> {
    vectors::table("control_scenarios.csv")
        .iter()
        .map(|row| (Scenario::read(row), row.number("oracle_J")))
        .collect()
}

/// A scenario of the study on one of its plants, `P1`, `P2` or `P3`.
pub fn scenario(name: &str, plant: &str) -> Scenario {
    let found = scenarios().into_iter().find(|(s, _)| s.name == name && s.plant.starts_with(plant));
    found.unwrap().0
}
