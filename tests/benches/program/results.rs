//! Figures as they are measured: a line to read, and a line of JSON that is kept with the commit.

use serde_json::{Value, json};
use std::path::PathBuf;

/// What is compared is measured by turns, so often: the machine is not alike fast all the time.
pub const ROUNDS: usize = 3;

/// The middle one of an odd number of values.
pub fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// What a figure should be.
#[derive(Debug, Clone, Copy)]
pub enum Goal {
    /// Not more than this.
    AtMost(f64),
    /// Not less than this.
    AtLeast(f64),
    /// It is only stated.
    None,
}

/// The figures of one part of the bench.
pub struct Results {
    part: &'static str,
    lines: Vec<Value>,
}

impl Results {
    /// None yet.
    pub fn of(part: &'static str) -> Self {
        println!("== {part}");
        Results { part, lines: Vec::new() }
    }

    /// Prints a figure and keeps it.
    pub fn tell(&mut self, figure: &str, value: f64, unit: &str, goal: Goal) {
        let (reached, goal) = match goal {
            Goal::AtMost(most) => (Some(value <= most), Some(format!("<= {most}"))),
            Goal::AtLeast(least) => (Some(value >= least), Some(format!(">= {least}"))),
            Goal::None => (None, None),
        };
        let verdict = match (&goal, reached) {
            (Some(goal), Some(true)) => format!("  goal {goal}: reached"),
            (Some(goal), _) => format!("  goal {goal}: NOT reached"),
            _ => String::new(),
        };
        let shown = shown(value);
        println!("{figure:58} {shown:>10} {unit}{verdict}");
        self.lines.push(json!({
            "part": self.part, "figure": figure, "value": rounded(value), "unit": unit,
            "goal": goal, "reached": reached, "on": today(),
        }));
        self.save();
    }

    /// Puts the figures in the place of this part's former ones.
    fn save(&self) {
        let path = file();
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        let of_ours = |line: &&str| {
            let line: Value = serde_json::from_str(line).unwrap_or_default();
            line["part"] != self.part
        };
        let mut lines: Vec<String> = text.lines().filter(of_ours).map(str::to_owned).collect();
        lines.extend(self.lines.iter().map(Value::to_string));
        lines.sort_by_key(|line| {
            let line: Value = serde_json::from_str(line).unwrap_or_default();
            line["part"].as_str().map(str::to_owned)
        });
        std::fs::create_dir_all(path.parent().expect("it lies in a folder")).expect("a folder");
        std::fs::write(&path, lines.join("\n") + "\n").expect("the results are written");
    }
}

fn file() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("benches/results/program.jsonl")
}

fn today() -> String {
    barmkeep::clock::wall().rfc3339().chars().take(10).collect()
}

fn shown(value: f64) -> String {
    match value.abs() {
        big if big >= 1000.0 => format!("{value:.0}"),
        middle if middle >= 10.0 => format!("{value:.1}"),
        _ => format!("{value:.4}"),
    }
}

fn rounded(value: f64) -> f64 {
    shown(value).parse().unwrap_or(value)
}
