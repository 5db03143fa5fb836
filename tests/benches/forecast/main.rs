//! How honest the forecast is: how often what came lies within the 90 % that was told.
//!
//! `cargo bench -p barmkeep-tests --bench forecast -- [SEED] [BATCHES] [SCHEDULE]`: batches of the
//! example schedules with yeasts, lags, final gravities and floats of their own, simulated by Model
//! R, each looked at every 12 h. The same seed prints the same tables.

mod batch;

use batch::{House, Told};
use schedule::model::Schedule;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number = |index: usize, otherwise: u64| {
        words.get(index).and_then(|word| word.parse().ok()).unwrap_or(otherwise)
    };
    let (seed, batches) = (number(0, 1), number(1, 60));
    println!("seed {seed}, {batches} batches a schedule, looked at every 12 h\n");
    println!(
        "{:<24} {:>7} {:>7} {:>8} {:>6} {:>6} {:>8} {:>8} {:>8}",
        "schedule, stage",
        "told",
        "open",
        "within",
        "early",
        "late",
        "unknown",
        "error h",
        "width h"
    );
    for name in ["one-stage-cold-crash", "pale-lager-at-once", "pale-lager-quick"] {
        if words.get(2).is_some_and(|wanted| wanted != name) {
            continue;
        }
        let schedule = read(name);
        let fresh =
            in_parallel(batches, |index| House::new().batch(&schedule, seed * 1_000_003 + index));
        table(name, &schedule, &fresh);
        let learned = in_parallel(batches.div_ceil(6), |index| {
            let mut house = House::new();
            let all = (0..6).map(|k| house.batch(&schedule, seed * 2_000_003 + index * 100 + k));
            all.collect::<Vec<_>>().into_iter().skip(2).flatten().collect()
        });
        line("  after 2 to 5 past ones", learned.iter().collect());
        println!();
    }
}

fn read(name: &str) -> Schedule {
    let path = format!("{}/../config-examples/schedules/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("an example");
    let source = schedule::Source::new(&path, text);
    schedule::read_schedule(&source).value.expect("a good schedule")
}

fn table(name: &str, schedule: &Schedule, told: &[Told]) {
    line(name, told.iter().collect());
    for (index, stage) in schedule.stages.iter().enumerate() {
        let of = |running| {
            told.iter().filter(move |t| t.stage == index && t.running == running).collect()
        };
        line(&format!("  {}, ahead", stage.name), of(false));
        line(&format!("  {}, running", stage.name), of(true));
    }
}

fn line(name: &str, told: Vec<&Told>) {
    if told.is_empty() {
        return;
    }
    // What the clock alone decides is always right: it says nothing of the forecast.
    let all = told.len();
    let told: Vec<&Told> = told.into_iter().filter(|told| !told.is_certain()).collect();
    let share = |test: &dyn Fn(&Told) -> bool| {
        100.0 * told.iter().filter(|told| test(told)).count() as f64 / told.len() as f64
    };
    let early = |t: &Told| t.earliest.is_some_and(|earliest| t.came < earliest);
    let late = |t: &Told| t.latest.is_some_and(|latest| t.came > latest);
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    let errors = told.iter().filter_map(|t| t.leaves.map(|leaves| (t.came - leaves).abs()));
    let widths = told.iter().filter_map(|t| Some(t.latest? - t.earliest?));
    println!(
        "{name:<24} {all:>7} {:>7} {:>6.1} % {:>5.1}% {:>5.1}% {:>6.1} % {:>8.1} {:>8.1}",
        told.len(),
        share(&|t| !early(t) && !late(t)),
        share(&early),
        share(&late),
        share(&|t| t.latest.is_none()),
        median(errors.collect()),
        median(widths.collect()),
    );
}

/// Runs `count` on two threads; the order of results is that of the numbers.
fn in_parallel(count: u64, run: impl Fn(u64) -> Vec<Told> + Sync) -> Vec<Told> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let mut results: Vec<(u64, Vec<Told>)> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..threads)
            .map(|thread| {
                let run = &run;
                scope.spawn(move || {
                    let mine = (0..count).filter(|index| index % threads == thread);
                    mine.map(|index| (index, run(index))).collect::<Vec<_>>()
                })
            })
            .collect();
        handles.into_iter().flat_map(|handle| handle.join().expect("a run")).collect()
    });
    results.sort_by_key(|(index, _)| *index);
    results.into_iter().flat_map(|(_, told)| told).collect()
}
