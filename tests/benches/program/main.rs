//! What the program costs, side by side in one run:
//! `cargo bench -p barmkeep-tests --bench program -- [PART …]`.
//!
//! `replay`: a recorded batch and a rehearsal, beside a script; `growth`: old batches and many
//! vessels; `memory`, `idle`: the real daemon on a broker; `disk`: what it writes, keeps and reads
//! at a start; `intake`: what it takes in, beside a bare subscriber and an echo; `build`: what it
//! takes to build it, which is left out unless it is named. Each figure is printed with its goal
//! and put as a line of JSON into `benches/results/program.jsonl`, in the place of the part's
//! former ones.

mod built;
mod cellar;
mod disk;
mod driven;
mod growth;
mod intake;
mod memory;
mod replay;
mod results;
mod running;

use std::path::PathBuf;

/// The parts, in the order in which they run, and whether they run unasked.
const PARTS: [(&str, fn(), bool); 7] = [
    ("replay", replay::measure, true),
    ("growth", growth::measure, true),
    ("memory", memory::measure, true),
    ("idle", memory::idle, true),
    ("disk", disk::measure, true),
    ("intake", intake::measure, true),
    ("build", built::measure, false),
];

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|arg| arg != "--bench").collect();
    for part in &wanted {
        assert!(PARTS.iter().any(|(name, ..)| name == part), "there is no part `{part}`");
    }
    for (name, measure, unasked) in PARTS {
        let named = wanted.iter().any(|part| part == name);
        if named || (wanted.is_empty() && unasked) {
            measure();
        }
    }
}

/// The program in release mode; another build of it where `PROGRAM` names one.
fn program() -> PathBuf {
    let named = std::env::var_os("PROGRAM").map(PathBuf::from);
    named.unwrap_or_else(|| barmkeep_tests::program::binary().to_owned())
}

/// A folder in memory: what is measured there is not to wait for a disk.
fn folder() -> tempfile::TempDir {
    barmkeep_tests::broker::folder()
}
