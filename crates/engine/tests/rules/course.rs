//! The course of a batch: a point at each whole quarter of an hour.

use crate::kit::{Bench, NORTH, SOUTH};
use engine::{POINTS_APART, Point};
use quantity::Show;

const STAGES: &str = r#"
[[stage]]
name = "primary"
target = "18 C"
until = { elapsed = "30 d" }
"#;

fn bench() -> Bench {
    let mut bench = Bench::new(&format!("{NORTH}{SOUTH}"), Show::default());
    bench.put("beer", STAGES);
    bench
}

fn are_quarters(points: &[Point]) {
    assert!(points.iter().all(|p| p.at.millis() % POINTS_APART.millis() == 0));
    for pair in points.windows(2) {
        assert_eq!(pair[1].at.since(pair[0].at), POINTS_APART, "{:?}", pair[1]);
    }
}

#[test]
fn each_quarter_of_a_batch_has_one_point_and_no_other_time_has() {
    let mut bench = bench();
    bench.run(
        r#"
        0:00 beer at 18.0              |
        1:00 tick                      |
        1:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        1:10 fall 1.048 to 1.012 in 72 h |
        3+01:05 tick                   |
        3+01:10 beer at 19.0           |
        3+01:40 tick                   | chiller on
        3+02:20 stop                   | ok
        3+06:00 tick                   |"#,
    );
    let points = std::mem::take(&mut bench.points);
    are_quarters(&points);
    // From 1:15 to 3+02:15.
    assert_eq!(points.len(), 3 * 96 + 5);
    assert!(points.iter().all(|p| p.batch == "north-1" && p.vessel.as_str() == "north"));
    let last = points.last().unwrap();
    assert!((last.sg.unwrap() - 1.0121).abs() < 1e-3 && last.sg_sd.unwrap() > 0.0, "{last:?}");
    assert!(last.attenuation_percent.unwrap() > 70.0 && last.attenuation_sd.unwrap() > 0.0);
    // The bench's probe wobbles by 0.01 °C.
    assert!((last.beer_c.unwrap() - 19.0).abs() < 0.02, "{last:?}");
    assert_eq!((last.setpoint_c, last.surround_c), (Some(18.0), None));
    assert!(points.iter().all(|p| p.heater_share == Some(0.0)));
    let chilled_s: f64 = points.iter().map(|p| p.chiller_share.unwrap() * 900.0).sum();
    let stopped = bench.log.iter().rev().find(|r| r.kind == engine::Kind::BatchStopped).unwrap();
    let on_s = stopped.data["outputs"]["chiller"]["on_s"].as_f64().unwrap();
    // But for the last five minutes, whose quarter was not over.
    assert!((on_s - 300.0..=on_s).contains(&chilled_s) && chilled_s > 600.0, "{chilled_s} {on_s}");
}

#[test]
fn what_is_not_known_is_none_and_time_away_is_a_gap() {
    let mut bench = bench();
    bench.run(
        r#"
        0:00 beer at 18.0              |
        0:05 pitch schedule="beer"     | ok
        1:00 beer silent               |
        2:00 tick                      |
        2:00 restart after 5:00        |
        8:00 tick                      |"#,
    );
    let at = |hours: f64| {
        let first = bench.points[0].at;
        let found =
            bench.points.iter().find(|p| (p.at.since(first).hours() + 0.25 - hours).abs() < 1e-9);
        found.cloned()
    };
    assert_eq!(at(0.5).unwrap().beer_c, Some(18.0));
    let blind = at(1.75).unwrap();
    assert_eq!((blind.beer_c, blind.sg, blind.attenuation_percent), (None, None, None));
    assert!(at(3.0).is_none() && at(6.75).is_none() && at(7.25).is_some());
}

#[test]
fn the_course_follows_its_batch_into_another_vessel() {
    let mut bench = bench();
    bench.run(
        r#"
        0:00 beer at 18.0                  |
        0:00 south: beer at 17.0           |
        0:05 pitch schedule="beer"         | ok
        5:05 move to="south" keep="yes" volume="10 L" | ok
        9:00 tick                          |"#,
    );
    let of = |batch: &str| -> Vec<Point> {
        bench.points.iter().filter(|p| p.batch == batch).cloned().collect()
    };
    let (moved, twin) = (of("north-1"), of("north-2"));
    are_quarters(&moved);
    are_quarters(&twin);
    assert_eq!((moved.len(), twin.len()), (36, 16));
    assert!(moved.iter().all(|p| (p.vessel.as_str() == "south") == (p.beer_c.unwrap() < 17.5)));
    assert!(twin.iter().all(|p| p.vessel.as_str() == "north"));
}

#[test]
fn a_wall_clock_that_steps_back_gives_points_of_keys_that_were_there() {
    let mut bench = bench();
    bench.run(
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        3:00 clock - 2:00          |
        6:00 tick                  |"#,
    );
    let mut keys: Vec<_> = bench.points.iter().map(|p| p.at).collect();
    assert!(keys.len() > 20);
    keys.sort_unstable();
    keys.dedup();
    assert_eq!(keys.len(), 16);
}
