//! The fault simulation: the shipped engine, store and link's logic in a cellar where everything
//! goes wrong, with a simulated clock, network, disk, devices and beer; one seed fixes all of it.
//!
//! First nothing wrong may happen while faults strike ([`watch`] has the invariants, one function
//! each); then, once they stop, every batch must complete. A run that fails tells the command that
//! repeats it, with as few kinds of fault as it takes. The way of testing was learnt from databases
//! that are tested so; the code is ours.

mod devices;
mod draw;
pub mod fault;
mod grammar;
mod net;
mod person;
mod trace;
pub mod watch;
mod world;

use engine::Kind;
use fault::Fault;
use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};
use watch::Broken;

/// What is simulated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// Fixes everything.
    pub seed: u64,
    /// How long faults strike, in hours.
    pub storm_h: u32,
    /// Which faults may come; the seed leaves out some of them, unless they were named.
    pub faults: BTreeSet<Fault>,
    /// Whether all of `faults` come.
    pub named: bool,
}

impl Options {
    /// The usual run of a seed.
    pub fn of(seed: u64) -> Self {
        Options { seed, storm_h: 240, faults: fault::all(), named: false }
    }

    /// The command that repeats the run.
    pub fn command(&self) -> String {
        let only = fault::names(&self.faults);
        let only = if self.named { format!(" --only {only}") } else { String::new() };
        format!(
            "cargo run --release -p barmkeep-tests --bin storm -- --seed {} --hours {}{only}",
            self.seed, self.storm_h
        )
    }
}

/// What a run came to.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Vessel-hours that were simulated.
    pub vessel_hours: f64,
    /// How often each fault struck.
    pub struck: BTreeMap<&'static str, u64>,
    /// How often the daemon began.
    pub starts: u64,
    /// The kinds of record that came, and how often.
    pub kinds: BTreeMap<Kind, u64>,
    /// How often the invariants of a step were looked at.
    pub looks: u64,
    /// How often a recovered engine was compared with the one before.
    pub compared: u64,
    /// How often a person had to help a batch over a stage after the storm.
    pub helped: u32,
    /// What did not hold, and the end of the trace.
    pub broken: Option<(Broken, String)>,
}

impl Outcome {
    fn add(&mut self, other: Outcome) {
        self.vessel_hours += other.vessel_hours;
        for (name, count) in other.struck {
            *self.struck.entry(name).or_default() += count;
        }
        for (kind, count) in other.kinds {
            *self.kinds.entry(kind).or_default() += count;
        }
        self.starts += other.starts;
        self.looks += other.looks;
        self.compared += other.compared;
        self.helped += other.helped;
    }
}

/// Runs one seed.
pub fn run(options: &Options) -> Outcome {
    world::World::new(options).run()
}

/// A failed run with as few kinds of fault as break the same invariant.
pub fn shrink(options: &Options, invariant: &str) -> Options {
    let breaks = |options: &Options| {
        run(options).broken.is_some_and(|(broken, _)| broken.invariant == invariant)
    };
    let mut least = Options { faults: world::faults_of(options), named: true, ..options.clone() };
    if !breaks(&least) {
        return options.clone();
    }
    for fault in least.faults.clone() {
        let mut fewer = least.clone();
        fewer.faults.remove(&fault);
        if breaks(&fewer) {
            least = fewer;
        }
    }
    least
}

/// Runs seeds from `first` until `hours` vessel-hours or `time` have passed; `tell` hears of each.
/// Stops at the first that fails.
pub fn campaign(
    first: u64,
    storm_h: u32,
    hours: f64,
    time: Duration,
    mut tell: impl FnMut(u64, &Outcome),
) -> Report {
    let began = Instant::now();
    let mut report = Report::default();
    for seed in first.. {
        let options = Options { storm_h, ..Options::of(seed) };
        let outcome = run(&options);
        tell(seed, &outcome);
        report.seeds += 1;
        let broken = outcome.broken.clone();
        report.total.add(outcome);
        report.took = began.elapsed();
        if let Some((broken, trace)) = broken {
            let least = shrink(&options, broken.invariant);
            report.failed = Some(format!(
                "{trace}\n{}: {}\nseed {seed} failed; repeat it with\n    {}\n",
                broken.invariant,
                broken.text,
                least.command()
            ));
            break;
        }
        if report.total.vessel_hours >= hours || report.took >= time {
            break;
        }
    }
    report
}

/// What a campaign came to.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// How many seeds ran.
    pub seeds: u64,
    /// All of them together.
    pub total: Outcome,
    /// How long it took.
    pub took: Duration,
    /// The seed that failed, with the end of its trace and how to repeat it.
    pub failed: Option<String>,
}

impl Report {
    /// The figures in words.
    pub fn figures(&self) -> String {
        let total = &self.total;
        let faults: u64 = total.struck.values().sum();
        let records: u64 = total.kinds.values().sum();
        format!(
            "{} seeds, {:.0} vessel-hours in {:.0} s: {:.0} hours simulated a second; {faults} \
             faults, {} starts, {records} records, {} steps looked at, {} recoveries compared; {} \
             batches were helped over a stage",
            self.seeds,
            total.vessel_hours,
            self.took.as_secs_f64(),
            total.vessel_hours / self.took.as_secs_f64().max(1e-9),
            total.starts,
            total.looks,
            total.compared,
            total.helped,
        )
    }
}
