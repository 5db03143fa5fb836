//! The study's series through the program itself: `replay`, as a person runs it.

use barmkeep_tests::program::{barmkeep, project};
use barmkeep_tests::yardstick::windows;
use quantity::{Span, Stamp};
use std::collections::BTreeMap;

const START: Stamp = Stamp::from_millis(1_772_000_000_000);
/// What a series has left at its end is told by the study; a declaration before the true one-point
/// time has more than a point left.
const NO_HOURS: &str = "-";

type Row = BTreeMap<String, String>;

/// Runs every series; says so where they are not there.
pub fn run() {
    let folder = project().join("../shared/decide");
    let rows = |name: &str| -> Option<Vec<Row>> {
        let mut reader = csv::Reader::from_path(folder.join(name)).ok()?;
        Some(reader.deserialize().collect::<Result<_, _>>().expect("a table"))
    };
    let (Some(truth), Some(readings)) = (rows("truth.csv"), rows("series.csv")) else {
        println!("The study's series are not in {}: left out\n", folder.display());
        return;
    };
    println!("The study's series through `replay`: hours after the true times");
    println!(
        "{:<5} {:<16} {:>5} {:>5} {:>4} {:>8} {:>8} {:>8} {:>8} {:>8}",
        "", "kind", "noise", "tau", "min", "half", "quick", "safe", "R", "FG err"
    );
    let mut delays: [Vec<f64>; 4] = Default::default();
    for truth in &truth {
        let id = &truth["series_id"];
        let series: Vec<&Row> = readings.iter().filter(|row| row["series_id"] == *id).collect();
        let outcome = Outcome::of(truth, &series);
        outcome.print(truth);
        for (delays, delay) in delays.iter_mut().zip(outcome.delays) {
            delays.extend(delay.filter(|_| !truth["t_true_1mSG_left_h"].is_empty()));
        }
    }
    let median = |mut delays: Vec<f64>| {
        delays.sort_by(f64::total_cmp);
        delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN)
    };
    let [half, quick, safe, reference] = delays.map(median);
    println!(
        "median: half {half:.1} h, quick {quick:.0} h, safe {safe:.0} h, R {reference:.0} h\n"
    );
}

struct Outcome {
    /// Half attenuation, quick, safe, and the reference rule.
    delays: [Option<f64>; 4],
    /// The final gravity that was reported at the end, less the true one, in points.
    error: Option<f64>,
}

impl Outcome {
    fn of(truth: &Row, series: &[&Row]) -> Self {
        let number = |row: &Row, column: &str| row[column].parse::<f64>().ok();
        let half = number(truth, "t_true_50pct_attenuation_h");
        let one = number(truth, "t_true_1mSG_left_h");
        let at: Vec<(f64, f64)> =
            series.iter().filter_map(|r| Some((number(r, "t_h")?, number(r, "sg")?))).collect();
        let summary = replayed(truth, series);
        let left = |index: usize| {
            let left = summary["stages"][index]["left"].as_str()?;
            Some(Stamp::parse_rfc3339(left).ok()?.millis_after(START) as f64 / 3_600_000.0)
        };
        let tail = half.unwrap_or(0.0) * 1.3;
        let (t, y): (Vec<f64>, Vec<f64>) =
            at.iter().filter(|(t, _)| *t >= tail).map(|(t, y)| (t - tail, *y)).unzip();
        let reference = windows::run(&t, &y, true).declared.map(|hour| tail + hour as f64);
        // A beer that never comes so far is judged against its last reading.
        let one = one.or(at.last().map(|(t, _)| *t));
        let after = |left: Option<f64>, truth: Option<f64>| Some(left? - truth?);
        let last = summary["final_gravity"]["sg"].as_f64();
        Outcome {
            delays: [
                after(left(0), half),
                after(left(1), one),
                after(left(2), one),
                after(reference, one),
            ],
            error: last.zip(number(truth, "true_final_sg")).map(|(sg, end)| 1e3 * (sg - end)),
        }
    }

    fn print(&self, truth: &Row) {
        let hours = |delay: Option<f64>, digits: usize| {
            delay.map_or_else(|| NO_HOURS.to_owned(), |delay| format!("{delay:.digits$}"))
        };
        let [half, quick, safe, reference] = self.delays;
        println!(
            "{:<5} {:<16} {:>5} {:>5} {:>4} {:>8} {:>8} {:>8} {:>8} {:>8}",
            truth["series_id"],
            truth["kind"],
            truth["noise"],
            truth["tau"],
            truth["sampling_min"],
            hours(half, 1),
            hours(quick, 0),
            hours(safe, 0),
            hours(reference, 0),
            hours(self.error, 2),
        );
    }
}

/// The summary of a replay through three stages: half attenuation, the quicker answer, the safer.
fn replayed(truth: &Row, series: &[&Row]) -> serde_json::Value {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("a file");
        path.display().to_string()
    };
    let end = "until = { stable = { within = '1 points', over = '48 h' } }\n";
    let stage = |name: &str, rest: &str| {
        format!(
            "[[stage]]\nname = '{name}'\ntarget = '19 C'\n{rest}at_most = {{ time = '90 d' }}\n"
        )
    };
    let schedule = write(
        "series.toml",
        &format!(
            "format = 1\nname = 'Series'\n[expect]\noriginal_gravity = '{} SG'\n\
             final_gravity = '{} SG'\n[limits]\n{}{}{}",
            truth["original_gravity"],
            truth["expected_final_sg"],
            stage("half", "until = { attenuation = '50 %' }\n"),
            stage("quick", end),
            stage("safe", end),
        ),
    );
    let mut text = "time,gravity_sg,temperature_c\n".to_owned();
    for row in series {
        let hours: f64 = row["t_h"].parse().expect("hours");
        let at = (START + Span::from_hours_f64(hours)).rfc3339();
        text += &format!("{at},{},{}\n", row["sg"], row["temperature_c"]);
    }
    let readings = write("series.csv", &text);
    let original = format!("{} SG", truth["original_gravity"]);
    let said =
        barmkeep(&["replay", &schedule, &readings, "--json", "--original-gravity", &original]);
    said.with(0).objects().pop().expect("a summary")
}
