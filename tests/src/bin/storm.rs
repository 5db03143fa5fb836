//! The fault simulation from the command line.
//!
//! `storm` runs seeds until a million vessel-hours have passed; `--seed N` runs one, as the message
//! of a failed run says.

use barmkeep_tests::storm::{Options, Outcome, campaign, fault, run};
use std::process::ExitCode;
use std::time::Duration;

const USAGE: &str = "\
storm [--vessel-hours N] [--from SEED] [--hours STORM] [--minutes MOST]   seeds from SEED on
storm --seed SEED [--hours STORM] [--only FAULT,FAULT|none]               one seed
storm --faults                                                            their names";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match act(&arguments) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(problem) => {
            eprintln!("{problem}\n{USAGE}");
            ExitCode::from(64)
        }
    }
}

fn act(arguments: &[String]) -> Result<bool, String> {
    let (mut seed, mut from, mut storm_h) = (None, 1, 240);
    let (mut hours, mut minutes, mut only) = (1e6, 1e9, None);
    let mut given = arguments.iter();
    while let Some(name) = given.next() {
        if name == "--faults" {
            println!("{}", fault::names(&fault::all()));
            return Ok(true);
        }
        let value = given.next().ok_or_else(|| format!("`{name}` needs a value"))?;
        let number = || value.parse::<f64>().map_err(|_| format!("`{value}` is no number"));
        match name.as_str() {
            "--seed" => seed = Some(number()? as u64),
            "--from" => from = number()? as u64,
            "--hours" => storm_h = number()? as u32,
            "--vessel-hours" => hours = number()?,
            "--minutes" => minutes = number()?,
            "--only" => only = Some(value.clone()),
            _ => return Err(format!("`{name}` is unknown")),
        }
    }
    let Some(seed) = seed else {
        let time = Duration::from_secs_f64(minutes * 60.0);
        let report = campaign(from, storm_h, hours, time, tell);
        println!("{}", report.figures());
        println!("{:?}\n{:?}", report.total.struck, report.total.kinds);
        if let Some(failed) = &report.failed {
            println!("{failed}");
        }
        return Ok(report.failed.is_none());
    };
    let mut options = Options { storm_h, ..Options::of(seed) };
    if let Some(only) = only {
        let names = only.split(',').filter(|name| *name != "none");
        let faults: Result<_, String> = names
            .map(|name| fault::named(name).ok_or_else(|| format!("there is no fault `{name}`")))
            .collect();
        options.faults = faults?;
        options.named = true;
    }
    let outcome = run(&options);
    tell(seed, &outcome);
    if let Some((broken, trace)) = &outcome.broken {
        println!("{trace}\n{}: {}", broken.invariant, broken.text);
    }
    Ok(outcome.broken.is_none())
}

fn tell(seed: u64, outcome: &Outcome) {
    let how = outcome.broken.as_ref().map_or("ok", |(broken, _)| broken.invariant);
    println!("seed {seed}: {:.0} vessel-hours, {how}", outcome.vessel_hours);
}
