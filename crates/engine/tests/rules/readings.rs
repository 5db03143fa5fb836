//! What devices say: believed, shown or refused; silence, doubt, and what the outputs do meanwhile.

use crate::kit::{Bench, NORTH, check, check_in, north};
use brewing::calibration::{Calibration, Point, Reads, fit};
use quantity::{Gravity, Show};

const STAGE: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '20 d' }\n";

#[test]
fn silence_switches_both_off_and_three_readings_bring_them_back() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | chiller on
        1:00 beer silent           |
        1:05 tick                  | alarm beer-silent gone
        1:09:50 tick               | alarm beer-silent gone
        1:10:10 tick               | alarm.raised "beer-silent"; alarm beer-silent stands
                                   | chiller off
        1:30 beer 18.6             | alarm beer-silent stands; chiller off
        1:30:10 beer 18.6          | alarm beer-silent stands
        1:30:20 beer 18.6          | alarm.returned "beer-silent"; chiller on"#,
    );
}

#[test]
fn a_probe_that_was_never_heard_is_silent_too() {
    check(
        STAGE,
        r#"
        0:05 pitch schedule="beer" | ok
        0:14:50 tick               | alarm beer-silent gone
        0:15 tick                  | alarm beer-silent stands; heater off; chiller off
        0:20 restart after 0:30    | alarm beer-silent stands; !alarm.returned
        0:21 beer 18.0             | alarm beer-silent stands
        0:22 beer 18.1             | alarm beer-silent stands
        0:23 beer 18.0             | alarm beer-silent gone"#,
    );
}

#[test]
fn a_restart_gives_the_probe_its_time() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 beer silent           |
        1:00 restart after 5:00    | alarm beer-silent gone; heater off; chiller off
        1:09:50 tick               | alarm beer-silent gone
        1:10 tick                  | alarm beer-silent stands"#,
    );
}

#[test]
fn an_impossible_or_jumping_probe_is_doubted_and_both_outputs_go_off() {
    for wrong in ["85.0", "-55.0", "22.0"] {
        let script = format!(
            r#"
            0:00 beer at 18.5          |
            0:05 pitch schedule="beer" | ok
            1:00 tick                  | chiller on
            1:00 beer silent           |
            1:00:30 beer {wrong}       | reading.refused "beer"; alarm.raised "beer-doubtful"
                    | output.switched "Chiller off: there is no beer temperature that can be"
                                       | chiller off
            1:01 beer 18.6             | alarm beer-doubtful stands
            1:01:10 beer 18.6          |
            1:01:20 beer 18.5          | alarm beer-doubtful stands; chiller off
            1:06 beer 18.6             | chiller on; alarm beer-doubtful stands
            1:11:30 tick               | alarm.returned "beer-doubtful""#
        );
        // A jump might be the first of three readings that agree; these do not agree with it.
        check(STAGE, &script);
    }
}

#[test]
fn each_impossible_reading_is_refused_but_not_a_flood_of_them() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.run("0:00 beer 18.0 | !reading.refused");
    for second in 1..200 {
        let time = format!("0:{:02}:{:02}", second / 60, second % 60);
        bench.run(&format!("{time} beer 85.0"));
    }
    let refused = |bench: &Bench| {
        bench.log.iter().filter(|record| record.kind == engine::Kind::ReadingRefused).count()
    };
    assert_eq!(refused(&bench), 60);
    bench.run(r#"1:00:01 beer 85.0 | reading.refused "(139 more in the hour before)""#);
}

#[test]
fn a_frozen_probe_is_doubted_while_an_output_ran() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGE);
    bench.run(
        r#"
        0:00 beer 18.5             |
        0:01 pitch schedule="beer" | ok"#,
    );
    for minute in 2..420 {
        bench.run(&format!("{}:{:02} beer 18.5", minute / 60, minute % 60));
    }
    bench.run(r#"7:00 tick | alarm beer-doubtful stands; chiller off"#);
    let raised = bench.log.iter().find(|record| record.text.contains("beer-doubtful")).unwrap();
    assert!(raised.text.contains("for over 6 h while an output ran"), "{}", raised.text);
    assert_eq!(raised.at.rfc3339(), "2026-03-02T12:00:00Z");
}

#[test]
fn a_thermostats_setpoint_does_not_make_a_steady_probe_a_frozen_one() {
    let config = NORTH.replace("drive = \"switch\"", "drive = \"setpoint\"");
    let config =
        config.replace("seen = { topic = \"cellar/plug\", on = \"ON\", off = \"OFF\" }\n", "");
    let mut bench = Bench::new(&config, Show::default());
    bench.put("beer", STAGE);
    bench.run(
        r#"
        0:00 beer 18.0             |
        0:01 pitch schedule="beer" | ok"#,
    );
    for minute in 2..480 {
        bench.run(&format!("{}:{:02} beer 18.0", minute / 60, minute % 60));
    }
    bench.run("8:00 tick | alarm beer-doubtful gone; heater on");
}

#[test]
fn retained_readings_without_a_time_are_only_shown() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGE);
    bench.run(
        r#"
        0:00 beer 21.0 retained    | reading.refused "only shown"
        0:00 float 1.0400 retained | reading.refused "only shown""#,
    );
    assert_eq!(bench.engine.view(&north()).unwrap().beer_c, Some(21.0));
    bench.run(
        r#"
        0:01 pitch schedule="beer" | set 18.0; heater off; chiller off
        0:11 tick                  | alarm beer-silent stands"#,
    );
}

#[test]
fn a_retained_reading_with_its_time_is_as_old_as_it_says() {
    check(
        STAGE,
        r#"
        0:30 beer 21.0 taken 0:25 retained | !reading.refused
        0:31 pitch schedule="beer"         | set 21.0"#,
    );
}

#[test]
fn times_ahead_and_times_that_are_not_newer_are_refused() {
    check(
        STAGE,
        r#"
        0:10 beer 18.0 taken 0:15:01 | reading.refused "its time is 5 min 1 s ahead of ours"
        0:10 beer 18.0 taken 0:15:00 | !reading.refused
        0:10:30 beer 18.0 taken 0:15:00 | reading.refused "not newer"
        0:10:40 beer 18.0 taken 0:15:01 | !reading.refused
        0:20 float 1.0480 taken 0:19 | !reading.refused
        0:21 float 1.0480 taken 0:19 | reading.refused "it is not newer than the last one."
        0:22 float 1.0470 taken 0:18 | reading.refused "not newer"
        0:23 float 1.0470            | !reading.refused
        0:23 float 1.0470            | reading.refused "not newer""#,
    );
}

#[test]
fn what_cannot_be_used_is_refused_and_changes_nothing() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0           |
        0:05 pitch schedule="beer"  | ok
        0:06 garbage float          | reading.refused "float was refused: the payload is no JSON."
                                    | !alarm.raised
        0:07 float 3.5              | reading.refused "not a possible gravity"
        0:08 float NaN              | reading.refused "not a number"
        0:09 surround 4.0           | reading.refused "no surround probe"
        0:10 beer inf               | reading.refused "not a number"; !alarm.raised
        0:11 float 1.1900           | reading.refused; set 18.0"#,
    );
}

#[test]
fn a_float_without_a_usable_gravity_is_silent_after_three_intervals() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        5:00 pitch schedule="beer" | alarm gravity-silent.float gone
        6:00 float 3.5             |
        7:00 battery 80            |
        7:59:50 tick               | alarm gravity-silent.float gone
        8:00 tick                  | alarm.raised "gravity-silent.float"
                                   | alarm gravity-silent.float stands
        8:10 restart after 0:10    | alarm gravity-silent.float stands
        9:00 float 1.0480          | alarm gravity-silent.float stands
        9:09 tick                  | alarm gravity-silent.float stands
        9:20 tick                  | alarm.returned "gravity-silent.float"
        11:59 tick                 | alarm gravity-silent.float gone
        12:01 tick                 | alarm gravity-silent.float stands
        12:02 stop                 | alarm.returned "gravity-silent.float"
        1+12:00 pitch schedule="beer" | alarm gravity-silent.float gone"#,
    );
}

#[test]
fn a_vessel_without_a_probe_is_controlled_on_its_float() {
    let from = NORTH.find("[vessel.north.beer]").unwrap();
    let to = NORTH.find("[vessel.north.heater]").unwrap();
    let config = format!("{}{}", &NORTH[..from], &NORTH[to..]);
    check_in(
        &config,
        STAGE,
        r#"
        0:00 fall 1.048 to 1.010 in 72 h |
        0:05 pitch schedule="beer" | set 18.0
        1:30 tick                  | alarm beer-silent gone
        2:10 float silent          |
        5:10 tick                  | alarm beer-silent stands"#,
    );
}

#[test]
fn what_a_relay_reports_is_compared_with_what_it_was_told() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | heater off
        0:06 seen heater off       |
        0:10 tick                  | alarm output-disagrees gone
        0:10 seen heater on        |
        0:10:20 tick               | alarm output-disagrees gone
        0:10:40 tick               | alarm.raised "the heater was told to be off and reports on"
                                   | told heater off
        0:11 seen heater off       |
        0:20 tick                  | alarm output-disagrees stands
        0:22 tick                  | alarm.returned "output-disagrees""#,
    );
    // An older report has two minutes to be followed by a newer one.
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:01 seen heater off       |
        0:02 pitch schedule="beer" | heater off
        0:04 beer at 17.5          |
        0:05 tick                  | heater on
        0:06:30 tick               | heater on; alarm output-disagrees gone
        0:06:40 seen heater on     |
        0:10 tick                  | alarm output-disagrees gone"#,
    );
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:01 seen heater off       |
        0:02 pitch schedule="beer" | heater off
        0:04 beer at 17.5          |
        0:05 tick                  | heater on
        0:06:50 tick               | alarm output-disagrees gone
        0:08 tick                  | alarm output-disagrees stands
        0:09 seen heater ?         | reading.refused "neither of the two words"
                                   | alarm output-disagrees stands
        0:10 seen heater on        |
        0:19 tick                  | alarm output-disagrees stands
        0:21 tick                  | alarm.returned "output-disagrees""#,
    );
}

/// A line through these points.
fn calibration(reads: Reads, points: [(f64, f64); 2]) -> Calibration {
    let point = |(reading, sg)| Point { reading, reference: Gravity::from_sg(sg).unwrap() };
    fit(reads, &points.map(point)).unwrap().calibration
}

/// A bench whose float reads 2 points too high and was calibrated up to 1.042.
fn calibrated() -> Bench {
    let config = NORTH.replace(
        "temperature = { at = \"/temp\", unit = \"C\" }",
        "calibration = \"float-1.toml\"",
    );
    let mut bench = Bench::new(&config, Show::default());
    bench.calibrate(calibration(Reads::Gravity, [(1.002, 1.000), (1.042, 1.040)]));
    bench.put("beer", STAGE);
    bench
}

fn caution(bench: &Bench) -> Option<String> {
    let view = bench.engine.view(&north()).unwrap();
    view.sources.iter().find(|source| source.name == "float").unwrap().caution.clone()
}

#[test]
fn a_gravity_beyond_the_calibration_counts_and_is_told_once_a_batch() {
    let mut bench = calibrated();
    bench.run(
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 float 1.0500 | batch.noted "1.0500 SG, lies beyond its calibration float-1.toml"
                                   | !reading.refused
        2:00 float 1.0501          | !batch.noted; !reading.refused
        3:00 float 1.0499          | !batch.noted"#,
    );
    let noted = bench.log.iter().find(|record| record.kind == engine::Kind::BatchNoted).unwrap();
    assert!(noted.text.contains("(1.0020 SG to 1.0420 SG): its 1.0480 SG"), "{}", noted.text);
    assert_eq!(noted.batch.as_deref(), Some("north-1"));
    assert_eq!(
        (noted.data["reading"].as_f64(), noted.data["highest"].as_f64()),
        (Some(1.0500), Some(1.042))
    );
    let gravity = bench.engine.view(&north()).unwrap().gravity.unwrap();
    assert!((gravity.sg - 1.048).abs() < 5e-4, "it counts: {gravity:?}");
    assert_eq!(caution(&bench).as_deref(), Some("beyond its calibration, 1.0020 SG to 1.0420 SG"));
    // What was told is not told again by a restart, but is of the next batch.
    bench.run(
        r#"
        4:00 restart after 0:10    |
        5:00 float 1.0500          | !batch.noted
        6:00 stop                  | ok
        6:05 pitch schedule="beer" | ok
        7:00 float 1.0500          | batch.noted "beyond its calibration"
        8:00 float 1.0400          |"#,
    );
    assert_eq!(caution(&bench), None);
}

#[test]
fn a_beer_that_stands_at_the_end_of_the_calibration_is_told_of_once_a_day() {
    let mut bench = calibrated();
    bench.run(
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok"#,
    );
    for hour in 1..=60 {
        let sg = if hour % 2 == 0 { 1.0419 } else { 1.0421 };
        bench.run(&format!("{hour}:00 float {sg} |"));
    }
    let told = bench.log.iter().filter(|record| record.text.contains("beyond its calibration"));
    assert_eq!(told.count(), 3);
}

#[test]
fn an_idle_vessel_shows_a_gravity_beyond_the_calibration_and_records_nothing() {
    let mut bench = calibrated();
    bench.run("1:00 float 1.0500 | nothing");
    assert!(caution(&bench).is_some());
}

#[test]
fn a_calibration_of_another_kind_is_refused_with_each_reading() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.calibrate(calibration(Reads::Angle, [(25.0, 1.000), (60.0, 1.080)]));
    bench.run(r#"1:00 float 1.0500 | reading.refused "its calibration is of another kind""#);
}
