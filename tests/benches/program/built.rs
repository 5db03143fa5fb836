//! What the build costs: dependencies, size, time.

use crate::program;
use crate::results::{Goal, Results};
use barmkeep_tests::program::cargo;
use std::collections::BTreeSet;
use std::time::Instant;

/// The features as a person chooses them.
const CHOICES: [(&str, &[&str]); 4] = [
    ("all features", &[]),
    ("without xlsx", &["--no-default-features", "--features", "broker"]),
    ("without broker", &["--no-default-features", "--features", "xlsx"]),
    ("without either", &["--no-default-features"]),
];

/// Counts dependencies, measures sizes, and times a clean build of each choice.
pub fn measure() {
    let mut results = Results::of("build");
    for (name, features) in CHOICES {
        let crates = dependencies(features) as f64;
        results.tell(&format!("{name}: dependencies"), crates, "crates", Goal::None);
    }
    let size = std::fs::metadata(program()).expect("the program was built").len();
    results.tell("the program, stripped", size as f64 / 1e6, "MB", Goal::AtMost(20.0));
    for (name, features) in [CHOICES[0], CHOICES[3]] {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a folder");
        let began = Instant::now();
        let done = cargo()
            .args(["build", "--release", "--locked", "-q", "-p", "barmkeep", "--target-dir"])
            .arg(folder.path())
            .args(features)
            .status()
            .expect("cargo runs");
        assert!(done.success(), "{name} does not build");
        let seconds = began.elapsed().as_secs_f64();
        results.tell(&format!("{name}: a clean release build"), seconds, "s", Goal::None);
        let program = folder.path().join("release/barmkeep");
        let size = std::fs::metadata(program).expect("it was built").len();
        results.tell(&format!("{name}: size"), size as f64 / 1e6, "MB", Goal::None);
    }
}

/// How many crates of others are below the program, those of its build scripts and macros too.
fn dependencies(features: &[&str]) -> usize {
    let tree = cargo()
        .args(["tree", "--locked", "-p", "barmkeep", "--edges", "normal,build", "--prefix", "none"])
        .args(["--format", "{p}"])
        .args(features)
        .output()
        .expect("cargo runs");
    assert!(tree.status.success(), "{}", String::from_utf8_lossy(&tree.stderr));
    let text = String::from_utf8_lossy(&tree.stdout).into_owned();
    let others = text.lines().filter(|line| !line.contains("(/"));
    others.map(|line| line.trim_end_matches(" (*)")).collect::<BTreeSet<&str>>().len()
}
