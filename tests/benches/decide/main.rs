//! How soon and how rightly the program decides on simulated floats, beside the reference rule.
//!
//! `cargo bench -p barmkeep-tests --bench decide -- [SEED] [RUNS] [PART] [alone]`: PART is
//! `stable`, `hourly`, `stress`, `wear`, `limit`, `milestone`, `series`, `cost` or nothing for all;
//! `alone` leaves the other rules out. The same seed prints the same tables. The last column says
//! whether the goals of the line hold, or which are missed; `frame` is the error of the final
//! gravity as the float reads it, so without what is not known of the float's zero.

mod beer;
mod goals;
mod limit;
mod series;
mod tables;

use beer::{Ending, Float, Wear};

/// What is run.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Of the first batch; the others follow from it.
    pub seed: u64,
    /// How many batches a cell has.
    pub runs: u64,
    part: Option<String>,
    /// Leaves the other rules out.
    pub alone: bool,
}

impl Plan {
    fn wants(&self, part: &str) -> bool {
        self.part.as_deref().is_none_or(|wanted| wanted == part)
    }
}

fn main() {
    // Cargo adds `--bench`; the rest is ours.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number = |index: usize, otherwise: u64| {
        words.get(index).and_then(|word| word.parse().ok()).unwrap_or(otherwise)
    };
    let plan = Plan {
        seed: number(0, 1),
        runs: number(1, 200),
        part: words.get(2).cloned(),
        alone: words.len() > 3,
    };
    println!("seed {}, {} batches a cell\n", plan.seed, plan.runs);
    for (part, minutes) in [("stable", 15.0), ("hourly", 60.0)] {
        if plan.wants(part) {
            plain(&plan, minutes);
        }
    }
    if plan.wants("stress") {
        stress(&plan);
    }
    if plan.wants("wear") {
        wear(&plan);
    }
    if plan.wants("limit") {
        println!("What no rule can do: 9 exp(-t/20) + 3 exp(-t/90), the quicker mode");
        for (noise, goal) in [(0.5, 38.0), (1.0, 44.0), (2.0, 70.0)] {
            limit::line(noise, goal);
        }
        println!();
    }
    if plan.wants("milestone") {
        milestones(&plan);
    }
    if plan.wants("series") {
        series::run();
    }
    if plan.wants("cost") {
        tables::cost(&plan);
    }
}

fn float(noise: f64, wear: Wear, minutes: f64) -> Float {
    Float { noise, wear, minutes, offset_sd: 1.0 }
}

fn plain(plan: &Plan, minutes: f64) {
    println!("Stable, plain tails, a reading every {minutes} min");
    tables::stable_head();
    for noise in [0.5, 1.0, 2.0] {
        for tau in [12.0, 24.0, 48.0, 72.0] {
            let float = float(noise, Wear::Study, minutes);
            tables::stable(plan, &format!("{noise}, {tau} h"), Ending::Plain(tau), &float);
        }
    }
    println!();
}

fn stress(plan: &Plan) {
    println!("Stable, stress, a reading every 15 min");
    tables::stable_head();
    for (name, ending) in [
        ("slow sugar", Ending::SlowSugar),
        ("ramp", Ending::Ramp),
        ("drift -0.3", Ending::Drift(-0.3)),
        ("drift +0.3", Ending::Drift(0.3)),
        ("coarse", Ending::Coarse),
        ("surprise", Ending::Surprise),
        ("stall +4", Ending::Stalls(4.0)),
        ("stall +6", Ending::Stalls(6.0)),
    ] {
        for noise in [0.5, 1.0, 2.0] {
            let float = float(noise, Wear::Study, 15.0);
            tables::stable(plan, &format!("{name}, {noise}"), ending, &float);
        }
    }
    println!();
}

fn wear(plan: &Plan) {
    println!("Stable, noise that the filters do not know, a reading every 15 min");
    tables::stable_head();
    for (wear_name, wear) in [("1/f", Wear::Wander), ("sticks", Wear::Sticking)] {
        for (name, ending) in [
            ("24 h", Ending::Plain(24.0)),
            ("72 h", Ending::Plain(72.0)),
            ("slow sugar", Ending::SlowSugar),
        ] {
            for noise in [0.5, 1.0] {
                let float = float(noise, wear, 15.0);
                tables::stable(plan, &format!("{wear_name}, {name}, {noise}"), ending, &float);
            }
        }
    }
    println!();
}

fn milestones(plan: &Plan) {
    println!("Half attenuation");
    tables::milestone_head();
    for (noise, minutes) in [(0.5, 15.0), (1.0, 15.0), (2.0, 15.0), (1.0, 60.0)] {
        for rate in [9.0, 17.0, 40.0] {
            for known in [true, false] {
                tables::milestone(plan, noise, minutes, rate, known);
            }
        }
    }
    println!();
}
