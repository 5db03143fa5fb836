//! The control study's scenarios in closed loop: `cargo bench -p barmkeep-tests --bench control`.
//!
//! Nine scenarios on three plants with three seeds each, under the plain band and under the
//! anticipating law; then other vessels, poor readings and broken hardware. J is the integral of
//! the squared error over 108 h plus 0.1 K²h a start; the oracle knew the plant and the future (its
//! figures come from the table).

#![allow(clippy::unwrap_used, reason = "a benchmark may panic")]

mod scenario;

use barmkeep_tests::vectors;
use control::Envelope;
use plant::vessel::{FRIDGE_20L, JACKET_300L, Parameters, WRAP_10L};
use quantity::{Temperature, TemperatureDelta};
use scenario::{Fault, Outcome, Scenario, Way};

const SEEDS: [u64; 3] = [1, 2, 3];

fn main() {
    study();
    cold_crash();
    other_vessels();
    poor_readings();
    faults();
}

/// A mean over runs.
fn mean(runs: &[Outcome], of: impl Fn(&Outcome) -> f64) -> f64 {
    runs.iter().map(of).sum::<f64>() / runs.len() as f64
}

/// The largest over runs.
fn largest(runs: &[Outcome], of: impl Fn(&Outcome) -> f64) -> f64 {
    runs.iter().map(of).fold(f64::NEG_INFINITY, f64::max)
}

fn starts(outcome: &Outcome) -> f64 {
    f64::from(outcome.heater_starts + outcome.chiller_starts)
}

fn watt_hours(outcome: &Outcome) -> f64 {
    outcome.heater_wh + outcome.chiller_wh
}

fn has_sign(outcome: &Outcome) -> bool {
    let signs = [outcome.stopped_h, outcome.chiller_dead_h, outcome.heater_dead_h];
    signs.iter().any(Option::is_some)
}

fn scenarios() -> Vec<(Scenario, f64)> {
    vectors::table("control_scenarios.csv")
        .iter()
        .map(|row| (Scenario::read(row), row.number("oracle_J")))
        .collect()
}

/// The nine scenarios, against the plain band and against the oracle.
fn study() {
    println!("Nine scenarios, three plants, seeds {SEEDS:?}; law / plain band (p) / oracle (o)");
    println!("rms, over, under: K; heat, cool: starts a day; fights: hours in all; Wh/d: thermal");
    println!(
        "               rms  over under  heat  cool fights  Wh/d low C  \
         rms/p st/p Wh/p  J/p  worst  J/o"
    );
    let mut false_signs = 0;
    for (scenario, oracle) in scenarios() {
        let law = SEEDS.map(|seed| scenario.run(&Way::anticipating(seed)));
        let plain = SEEDS.map(|seed| scenario.run(&Way::plain(seed)));
        let worst = law.iter().zip(&plain).map(|(l, p)| l.cost / p.cost).fold(0.0, f64::max);
        let days = (scenario.end_h - scenario.scored_from_h) / 24.0;
        let ratio = |of: fn(&Outcome) -> f64| mean(&law, of) / mean(&plain, of);
        print!(
            "{:7} {:4} {:5.3} {:5.2} {:5.2} {:5.1} {:5.1} {:6} {:5.0} {:5.1}",
            scenario.name,
            &scenario.plant[..2],
            mean(&law, |o| o.rms),
            largest(&law, |o| o.over),
            largest(&law, |o| o.under),
            mean(&law, |o| f64::from(o.heater_starts)) / days,
            mean(&law, |o| f64::from(o.chiller_starts)) / days,
            law.iter().map(|o| o.fights).sum::<u32>(),
            mean(&law, watt_hours) / days,
            -largest(&law, |o| -o.chamber_low),
        );
        println!(
            "  {:5.2} {:4.2} {:4.2} {:4.2} {:6.2} {:4.2}",
            ratio(|o| o.rms),
            ratio(starts),
            ratio(watt_hours),
            ratio(|o| o.cost),
            worst,
            mean(&law, |o| o.cost) / oracle,
        );
        if scenario.name == "stuck" {
            println!("        sign after h: {:?}", law.map(|o| o.heater_dead_h.map(|h| h - 60.0)));
        } else {
            false_signs += law.iter().filter(|o| has_sign(o)).count();
        }
    }
    println!("false signs in all runs but stuck: {false_signs}");
}

/// The descent to 2 C with and without a probe in the chamber.
fn cold_crash() {
    let envelope = Envelope {
        below_beer: TemperatureDelta::from_kelvin(8.0),
        above_beer: TemperatureDelta::from_kelvin(10.0),
        coldest: Temperature::from_celsius(-2.0),
    };
    println!();
    println!("The descent to 2 C: slowed below 5 C; and with a chamber probe, never below -2 C");
    println!("                          rms  over under  heat  cool  Wh/d low C");
    for (scenario, _) in scenarios().iter().filter(|(scenario, _)| scenario.name == "crash") {
        let days = (scenario.end_h - scenario.scored_from_h) / 24.0;
        for (name, gentle, envelope) in [
            ("as the study", false, None),
            ("slowed", true, None),
            ("probe", false, Some(envelope)),
            ("slowed, probe", true, Some(envelope)),
        ] {
            let runs = SEEDS
                .map(|seed| scenario.run(&Way { gentle, envelope, ..Way::anticipating(seed) }));
            println!(
                "{:4} {:15} {:8.3} {:5.2} {:5.2} {:5.1} {:5.1} {:5.0} {:5.1}",
                &scenario.plant[..2],
                name,
                mean(&runs, |o| o.rms),
                largest(&runs, |o| o.over),
                largest(&runs, |o| o.under),
                mean(&runs, |o| f64::from(o.heater_starts)) / days,
                mean(&runs, |o| f64::from(o.chiller_starts)) / days,
                mean(&runs, watt_hours) / days,
                -largest(&runs, |o| -o.chamber_low),
            );
        }
    }
}

/// Vessels, ambients and seeds that nothing was tuned on.
fn other_vessels() {
    let vessel = |preset: Parameters, beer: f64, walls: f64, power: f64| Parameters {
        beer_j_per_k: preset.beer_j_per_k * beer,
        beer_chamber_w_per_k: preset.beer_chamber_w_per_k * beer.powf(2.0 / 3.0),
        chamber_j_per_k: preset.chamber_j_per_k * walls,
        chamber_ambient_w_per_k: preset.chamber_ambient_w_per_k * walls,
        chiller_w: preset.chiller_w * power,
        heater_w: preset.heater_w * power,
        ..preset
    };
    let others = [
        ("40 L fridge", "P1", vessel(FRIDGE_20L, 2.0, 1.3, 1.2), 2.0),
        ("10 L, strong", "P1", vessel(FRIDGE_20L, 0.5, 1.0, 1.4), 0.5),
        ("6 L wrap", "P2", vessel(WRAP_10L, 0.6, 0.9, 0.8), 0.6),
        ("20 L wrap, weak", "P2", vessel(WRAP_10L, 2.0, 1.2, 0.8), 2.0),
        ("500 L jacket", "P3", vessel(JACKET_300L, 1.67, 1.5, 1.4), 1.67),
        ("150 L, slow jacket", "P3", vessel(JACKET_300L, 0.5, 1.2, 0.5), 0.5),
    ];
    println!();
    println!(
        "Six other vessels, ambient swing 3 K: J / plain band and starts / plain band, mean of"
    );
    println!("seeds {SEEDS:?}, then the worst single J ratio, fight hours and false signs");
    for (name, like, parameters, litres) in others {
        for scenario_name in ["hold12", "hold19", "climb", "crash", "step3", "door"] {
            let (mut scenario, _) = scenarios()
                .into_iter()
                .find(|(s, _)| s.name == scenario_name && s.plant.starts_with(like))
                .unwrap();
            scenario.parameters = parameters;
            scenario.peak_w *= litres;
            (scenario.ambient_swing, scenario.ambient_phase_h) = (3.0, 7.0);
            let law = SEEDS.map(|seed| scenario.run(&Way::anticipating(100 + seed)));
            let plain = SEEDS.map(|seed| scenario.run(&Way::plain(100 + seed)));
            let ratios = || law.iter().zip(&plain).map(|(l, p)| l.cost / p.cost);
            println!(
                "{name:18} {scenario_name:7} {:5.2} {:5.2} {:6.2} {:3} {:3}",
                ratios().sum::<f64>() / SEEDS.len() as f64,
                mean(&law, starts) / mean(&plain, starts),
                ratios().fold(0.0, f64::max),
                law.iter().map(|o| o.fights).sum::<u32>(),
                law.iter().filter(|o| has_sign(o)).count(),
            );
        }
    }
}

/// Coarse, rare and missing readings: never worse than the plain band with the same readings.
fn poor_readings() {
    println!();
    println!("Poor readings: J of the law / of the plain band, mean and worst of seeds {SEEDS:?}");
    println!("               each 10 s     0.5 K steps    each 5 min     10 % missing");
    for (scenario, _) in scenarios() {
        print!("{:7} {:4}", scenario.name, &scenario.plant[..2]);
        for poor in [
            |way: Way| Way { every_s: Some(10), ..way },
            |way: Way| Way { step: Some(0.5), ..way },
            |way: Way| Way { every_s: Some(300), ..way },
            |way: Way| Way { missing: 0.1, ..way },
        ] {
            let ratios = SEEDS.map(|seed| {
                let law = scenario.run(&poor(Way::anticipating(seed)));
                law.cost / scenario.run(&poor(Way::plain(seed))).cost
            });
            let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
            print!("   {mean:5.2} {:5.2}", ratios.iter().copied().fold(0.0, f64::max));
        }
        println!();
    }
}

/// What is told of broken hardware, how soon, and how far the beer goes.
fn faults() {
    println!();
    println!(
        "Faults from 40 h on, or from the start: signs after h (none: no sign), largest error K"
    );
    println!("                                 chiller dead  heater dead  runs away  error");
    for (scenario, _) in scenarios() {
        if !["hold12", "hold19"].contains(&scenario.name.as_str()) {
            continue;
        }
        for fault in [
            Fault::Swapped,
            Fault::DeadChiller,
            Fault::DeadHeater,
            Fault::HeaterStuckOn,
            Fault::FrozenProbe,
            Fault::ProbeInAir,
        ] {
            for fault_from_h in [40.0, 0.0] {
                let way = Way { fault, fault_from_h, ..Way::anticipating(SEEDS[0]) };
                let outcome = scenario.run(&way);
                let after = |sign: Option<f64>| {
                    sign.map_or("none".to_owned(), |h| format!("{:.1}", h - fault_from_h))
                };
                println!(
                    "{:7} {:3} {:14} {:3.0} {:>12} {:>12} {:>10} {:6.1}",
                    scenario.name,
                    &scenario.plant[..2],
                    format!("{fault:?}"),
                    fault_from_h,
                    after(outcome.chiller_dead_h),
                    after(outcome.heater_dead_h),
                    after(outcome.stopped_h),
                    outcome.worst,
                );
            }
        }
    }
}
