//! The forecast: what it lists, when it is told, what it learns from past batches.

use crate::kit::{Bench, NORTH, START, north};
use engine::{Kind, view};
use quantity::{Show, Stamp};

const ALE: &str = r#"
[[stage]]
name = "fermentation"
target = "18 C"
until = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "40 d", then = "alarm" }
[[stage]]
name = "crash"
target = "2 C"
until = { at_target = "24 h" }
[[stage]]
name = "lagering"
target = "2 C"
until = { elapsed = "10 d" }
"#;

fn bench(stages: &str) -> Bench {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", stages);
    bench
}

fn forecast(bench: &Bench) -> Vec<view::Forecast> {
    bench.engine.view(&north()).unwrap().forecast
}

/// Hours after the beginning of the script.
fn hours(at: Option<&String>) -> f64 {
    let at = Stamp::parse_rfc3339(at.unwrap()).unwrap();
    at.millis_after(Stamp::from_millis(START)) as f64 / 3_600_000.0
}

#[test]
fn it_lists_the_running_stage_and_all_behind_it_in_order() {
    let mut bench = bench(ALE);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        40:00 tick |"#,
    );
    let told = forecast(&bench);
    let names: Vec<&str> = told.iter().map(|foreseen| foreseen.stage.as_str()).collect();
    assert_eq!(names, ["fermentation", "crash", "lagering"]);
    let mut before = 40.0;
    for foreseen in &told {
        let [earliest, leaves, latest] =
            [&foreseen.earliest, &foreseen.leaves, &foreseen.latest].map(|at| hours(at.as_ref()));
        assert!(earliest <= leaves && leaves <= latest, "{foreseen:?}");
        assert!(leaves > before, "{foreseen:?}");
        before = leaves;
    }
    // What time alone decides is as long as the schedule has it.
    let [crash, lagering] = [&told[1], &told[2]].map(|foreseen| hours(foreseen.leaves.as_ref()));
    assert!((lagering - crash - 240.0).abs() < 1.0, "{crash} {lagering}");
}

#[test]
fn what_time_alone_decides_is_foretold_to_the_minute() {
    let mut bench = bench("[[stage]]\nname = 'rest'\ntarget = '18 C'\nuntil = { elapsed = '3 d' }");
    bench.run("0:00 beer follows |\n 0:05 pitch schedule=\"beer\" | ok");
    let told = forecast(&bench);
    for at in [&told[0].earliest, &told[0].leaves, &told[0].latest] {
        assert!((hours(at.as_ref()) - 72.083).abs() < 0.02, "{told:?}");
    }
}

#[test]
fn it_is_told_seldom_and_not_at_every_reading() {
    let mut bench = bench(ALE);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        9+00:00 tick |"#,
    );
    let told: Vec<_> = bench.log.iter().filter(|r| r.kind == Kind::ForecastRevised).collect();
    assert!((2..=12).contains(&told.len()), "{}", told.len());
    for pair in told.windows(2) {
        assert!(pair[1].at.since(pair[0].at).hours() >= 6.0);
    }
    assert!(told[0].text.starts_with("Forecast (90 %): fermentation ends in "), "{}", told[0].text);
    assert!(told[0].text.contains("; lagering ends in "), "{}", told[0].text);
    assert_eq!(told[0].data["stages"].as_array().unwrap().len(), 3);
}

#[test]
fn a_held_batch_has_none_and_it_comes_back() {
    let mut bench = bench(ALE);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        40:00 hold | ok"#,
    );
    assert_eq!(forecast(&bench), []);
    bench.run("44:00 resume | ok\n 48:00 tick |");
    assert_eq!(forecast(&bench).len(), 3);
}

#[test]
fn nothing_is_foretold_of_a_beer_that_has_stalled() {
    let mut bench = bench(ALE);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.024 in 60 h |
        12+00:00 tick | alarm stalled stands"#,
    );
    let told = forecast(&bench);
    assert_eq!(told.len(), 3);
    assert!(told.iter().all(|foreseen| foreseen.leaves.is_none()), "{told:?}");
}

#[test]
fn nothing_is_foretold_while_no_source_is_left() {
    let mut bench = bench(ALE);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        40:00 float silent |
        60:00 tick | alarm gravity-silent.float stands"#,
    );
    assert_eq!(forecast(&bench), []);
}

#[test]
fn it_learns_from_past_batches_of_the_schedule() {
    let slow = r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        40:00 fall 1.048 to 1.018 in 220 h |
        14+00:00 float silent |"#;
    let half = r#"
[[stage]]
name = "primary"
target = "18 C"
until = { attenuation = "50 %" }
at_most = { time = "40 d", then = "alarm" }
[[stage]]
name = "rest"
target = "18 C"
until = { elapsed = "1 d" }
"#;
    let mut bench = bench(half);
    bench.run(slow);
    let left = bench.log.iter().find(|record| record.kind == Kind::StageLeft).unwrap();
    let took = left.data["took_s"].as_f64().unwrap() / 3600.0;
    let first = bench.log.iter().find(|record| record.kind == Kind::ForecastRevised).unwrap();
    let foretold = first.data["stages"][0]["leaves"].as_str().map(str::to_owned);
    let foretold = hours(foretold.as_ref());
    assert!(took > 1.3 * foretold, "{took} {foretold}");
    let at = "20+00:00";
    bench.run(&format!("{at} stop | ok\n 20+00:05 pitch schedule=\"beer\" | ok"));
    let again = hours(forecast(&bench)[0].leaves.as_ref()) - 480.0;
    assert!(again > 1.15 * foretold, "{again} {foretold}");
    // Another schedule knows nothing of it.
    bench.put("other", half);
    bench.run("20+01:00 stop | ok\n 20+01:05 pitch schedule=\"other\" | ok");
    let other = hours(forecast(&bench)[0].leaves.as_ref()) - 481.0;
    assert!(other < again - 5.0, "{other} {again}");
}
