//! Everything that comes from outside, mangled: no panic, no hang, bounded memory.
//!
//! `FUZZ_S=600 cargo test --release -p barmkeep-tests --test fuzz -- --nocapture --test-threads 9`
//! tries each target for ten minutes, all at once; `FUZZ_SEED` chooses other cases. A case that was
//! found is kept as a file in `tests/data/fuzz/TARGET`, and is tried first from then on.

use barmkeep_tests::fuzz::{House, Target, fuzz, kept};
use barmkeep_tests::program::project;
use std::time::Duration;

/// So many cases of each target at least.
const CASES: u64 = 300;

fn number(name: &str, otherwise: u64) -> u64 {
    let given = std::env::var(name).ok();
    given.map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

fn target(target: Target) {
    let folder = Target::ALL.iter().find(|(known, _)| *known == target).expect("it is known").1;
    let folder = project().join("tests/data/fuzz").join(folder);
    let kept = kept(&folder);
    let (seed, time) = (number("FUZZ_SEED", 1), Duration::from_secs(number("FUZZ_S", 0)));
    let house = House::new();
    let found = fuzz(&house, target, &kept, seed, CASES, time);
    println!("{target:?}: {} cases, {} KiB more", found.cases, found.grew_kib);
    if let Some((case, text)) = found.panicked {
        let path = std::env::temp_dir().join(format!("fuzz-{target:?}-{seed}-{}", found.cases));
        std::fs::write(&path, &case).expect("the case can be written");
        panic!("{text}\nthe case is in {}: keep it in {}", path.display(), folder.display());
    }
}

#[test]
fn no_schedule_panics_or_hangs() {
    target(Target::Schedule);
}

#[test]
fn no_configuration_panics_or_hangs() {
    target(Target::Configuration);
}

#[test]
fn no_payload_panics_or_hangs() {
    target(Target::Payload);
}

#[test]
fn no_command_panics_or_hangs() {
    target(Target::Command);
}

#[test]
fn no_line_of_pipe_panics_or_hangs() {
    target(Target::Pipe);
}

#[test]
fn no_recording_panics_or_hangs() {
    target(Target::Csv);
}

#[test]
fn no_points_panic_or_hang() {
    target(Target::Points);
}

#[test]
fn no_calibration_panics_or_hangs() {
    target(Target::Calibration);
}

#[test]
fn no_stored_state_panics_or_hangs() {
    target(Target::Snapshot);
}
