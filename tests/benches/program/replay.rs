//! `replay` and `rehearse`, beside a script that reads the same file.

use crate::cellar::{SCHEDULE, record};
use crate::results::{Goal, ROUNDS, Results, median};
use crate::{folder, program};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const DAYS: i64 = 21;
const LONG_DAYS: i64 = 365;
/// Replays of the short recording in a round.
const SHORT_RUNS: usize = 3;

const FORTY_DAYS: &str = r#"
format = 1
name = "Forty days"
[expect]
original_gravity = "12 P"
final_gravity = "2.5 P"
[[stage]]
name = "primary"
target = "18 C"
until = { attenuation = "50 %" }
at_most = { time = "10 d", then = "alarm" }
[[stage]]
name = "cold"
target = "4 C"
until = { since_pitch = "40 d" }
"#;

/// Measures them.
pub fn measure() {
    let mut results = Results::of("replay");
    let folder = folder();
    let schedule = folder.path().join("ale.toml");
    std::fs::write(&schedule, SCHEDULE).expect("the schedule is written");
    let recording = folder.path().join("batch.csv");
    let long_recording = folder.path().join("year.csv");
    let rows = record(&recording, DAYS) as f64;
    let longer = record(&long_recording, LONG_DAYS) as f64 / rows;
    let rounds = (0..ROUNDS).map(|_| Round {
        short: replay(&schedule, &recording, SHORT_RUNS),
        script: script(&recording),
        long: replay(&schedule, &long_recording, 1),
    });
    let rounds: Vec<Round> = rounds.collect();
    let short = least(rounds.iter().map(|round| round.short));
    results.tell("replay of 21 days, best of 9", short, "s", Goal::AtMost(0.15));
    results.tell("replay of 21 days: readings", rows / short, "a second", Goal::None);
    match rounds.iter().map(|round| round.script.clone()).collect::<Result<Vec<_>, _>>() {
        Ok(seconds) => {
            let ratio = median(rounds.iter().zip(&seconds).map(|(ours, its)| its / ours.short));
            let seconds = least(seconds.into_iter());
            results.tell("the script on the same file, best of 3", seconds, "s", Goal::None);
            let what = "the script's time over ours, median of 3 rounds";
            results.tell(what, ratio, "times", Goal::AtLeast(20.0));
        }
        Err(problem) => println!("the script was not run: {problem}"),
    }
    let long = least(rounds.iter().map(|round| round.long));
    results.tell("replay of 365 days, best of 3", long, "s", Goal::None);
    let growth = median(rounds.iter().map(|round| round.long / longer / round.short));
    let what = "a reading's time, 365 days over 21, median of 3 rounds";
    results.tell(what, growth, "times", Goal::AtMost(1.2));
    std::fs::write(&schedule, FORTY_DAYS).expect("the schedule is written");
    let rehearsal = best(5, || run(&["rehearse", "--json"], &[&schedule]));
    results.tell("rehearsal of 40 days, best of 5", rehearsal, "s", Goal::AtMost(0.5));
}

/// What was measured by turns, in s.
struct Round {
    /// The best of the short replays.
    short: f64,
    script: Result<f64, String>,
    long: f64,
}

fn replay(schedule: &Path, recording: &Path, times: usize) -> f64 {
    best(times, || run(&["replay", "--json"], &[schedule, recording]))
}

fn run(arguments: &[&str], files: &[&Path]) {
    let done = Command::new(program())
        .args(arguments)
        .args(files)
        .stdout(Stdio::null())
        .status()
        .expect("the program runs");
    assert!(done.success(), "{arguments:?} failed");
}

/// The script's time; the reason where it cannot be run.
fn script(recording: &Path) -> Result<f64, String> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/program/reference.py");
    let began = Instant::now();
    let done = Command::new("python3").arg(script).arg(recording).output();
    let done = done.map_err(|error| format!("python3: {error}"))?;
    if !done.status.success() {
        let errors = String::from_utf8_lossy(&done.stderr).into_owned();
        return Err(format!("{errors}it needs python3 with numpy and scipy"));
    }
    print!("{}", String::from_utf8_lossy(&done.stdout));
    Ok(began.elapsed().as_secs_f64())
}

fn best(times: usize, mut act: impl FnMut()) -> f64 {
    least((0..times).map(|_| {
        let began = Instant::now();
        act();
        began.elapsed().as_secs_f64()
    }))
}

fn least(seconds: impl Iterator<Item = f64>) -> f64 {
    seconds.fold(f64::INFINITY, f64::min)
}
