//! A share of the fault simulation: the first seeds, until so many vessel-hours have passed.
//!
//! `cargo run --release -p barmkeep-tests --bin storm` is the longer mode, a million of them.

use barmkeep_tests::storm::{Options, campaign, fault, run};
use std::time::Duration;

const VESSEL_HOURS: f64 = 1500.0;
/// On a busy machine fewer have to do.
const MOST: Duration = Duration::from_secs(120);

#[test]
fn nothing_wrong_happens_under_faults_and_batches_complete_once_they_stop() {
    let report = campaign(1, 96, VESSEL_HOURS, MOST, |_, _| {});
    println!("{}", report.figures());
    if let Some(failed) = report.failed {
        panic!("{failed}");
    }
    assert!(report.total.looks > 1000 && report.total.starts > 0);
}

fn holds(options: &Options) {
    if let Some((broken, trace)) = run(options).broken {
        panic!("{trace}\n{}: {}\n{}", broken.invariant, broken.text, options.command());
    }
}

#[test]
fn no_relay_hears_an_order_that_a_failing_store_has_just_overruled() {
    holds(&Options { storm_h: 182, ..Options::of(1022) });
}

#[test]
fn a_start_without_a_clock_takes_no_temperature_of_any_age_for_a_fresh_one() {
    let names =
        "broker-forgets,clock-leap,clock-none,repeats,restart,spikes,late,retained".split(',');
    let faults = names.map(|name| fault::named(name).expect("it is a fault"));
    holds(&Options { seed: 24, storm_h: 128, faults: faults.collect(), named: true });
}

#[test]
fn a_seed_gives_the_same_run_twice_and_another_seed_another() {
    let of = |seed| {
        let outcome = run(&Options { storm_h: 12, ..Options::of(seed) });
        (outcome.vessel_hours, outcome.kinds, outcome.struck)
    };
    assert_eq!(of(3), of(3));
    assert_ne!(of(3), of(4));
}

#[test]
fn every_fault_has_a_name_of_its_own() {
    let all = fault::all();
    let names = fault::names(&all);
    assert_eq!(names.split(',').count(), all.len());
    for name in names.split(',') {
        assert!(fault::named(name).is_some_and(|fault| all.contains(&fault)), "{name}");
    }
}
