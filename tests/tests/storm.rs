//! A share of the fault simulation: the first seeds, until so many vessel-hours have passed.
//!
//! `cargo run --release -p barmkeep-tests --bin storm` is the longer mode, a million of them.

use barmkeep_tests::storm::{Options, campaign, fault, run};
use std::time::Duration;

const VESSEL_HOURS: f64 = 1500.0;
/// On a busy machine fewer have to do.
const MOST: Duration = Duration::from_secs(180);

#[test]
fn nothing_wrong_happens_under_faults_and_batches_complete_once_they_stop() {
    let report = campaign(1, 96, VESSEL_HOURS, MOST, |_, _| {});
    println!("{}", report.figures());
    if let Some(failed) = report.failed {
        panic!("{failed}");
    }
    assert!(report.total.looks > 1000 && report.total.starts > 0);
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
