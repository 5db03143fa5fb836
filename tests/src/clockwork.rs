//! A clock of its own for a program: faster than true time, or set wrong (the system's `faketime`).

use crate::installed;
use std::process::Command;

/// What a program's environment must say for its clocks to be so: `+0 x60` lets an hour pass in a
/// minute, `-30d` is a month ago.
///
/// # Panics
/// Where `faketime` is missing and cannot be installed.
pub fn clock(setting: &str) -> Vec<(String, String)> {
    let tool = installed::tool("faketime", &["faketime"]);
    let output = Command::new(tool).args(["-f", setting, "env"]).output().expect("faketime runs");
    let text = String::from_utf8(output.stdout).expect("an environment is text");
    // The rest of what it sets is for several processes with one clock.
    let wanted = ["LD_PRELOAD", "FAKETIME"];
    let pairs = text.lines().filter_map(|line| line.split_once('='));
    let pairs: Vec<(String, String)> = pairs
        .filter(|(name, _)| wanted.contains(name))
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .collect();
    assert_eq!(pairs.len(), wanted.len(), "faketime sets {wanted:?}: {text}");
    pairs
}
