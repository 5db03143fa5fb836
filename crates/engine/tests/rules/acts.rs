//! What a person does to a running batch or an empty vessel: nudge, hold, park, lock, expect, and a
//! pitch that comes late.

use crate::kit::{Bench, NORTH, beer_reading, check, check_in, millis, north};
use engine::{CommandInput, Input, RawGravity, Reading, Values};
use quantity::{Show, Span, Stamp};

const LONG: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '40 d' }\n";
const TWO: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '40 d' }\n\
                   [[stage]]\nname = 'warm'\ntarget = '20 C'\nuntil = { elapsed = '40 d' }\n";

#[test]
fn a_nudge_goes_under_the_ramps_and_adds_to_the_one_before() {
    check(
        LONG,
        r#"
        0:00 beer follows          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | set 18.0
        1:00 nudge by="2 C"        | ok "by +2.0 °C"; batch.noted "Setpoint corrected, by +2.0 °C"
                                   | setpoint.moved "from 18.0 °C to 20.0 °C"
        2:00 tick                  | set 19.0
        3:01 tick                  | set 20.0; setpoint.moved "arrived at 20.0 °C"
        4:00 nudge by="1 C"        | ok "by +3.0 °C"
        5:01 tick                  | set 21.0
        5:02 nudge by="-3 C"       | ok "the schedule again"; batch.noted "add up to nothing"
        11:10 tick                 | set 18.0
        11:11 nudge by="0 C"       | refused "changes nothing""#,
    );
}

#[test]
fn a_nudge_ends_with_its_time_or_with_its_stage() {
    check(
        TWO,
        r#"
        0:00 beer follows                   |
        0:05 pitch schedule="beer"          | ok
        1:00 nudge target="19 C" until="6 h" | ok "to 19.0 °C"
        2:30 tick                           | set 19.0
        6:59 tick                           | set 19.0; !batch.noted
        7:01 tick                           | batch.noted "over: it follows the schedule again"
        9:30 tick                           | set 18.0
        10:00 nudge by="1 C" until="stage"  | ok
        11:10 tick                          | set 19.0
        11:11 advance                       | ok
        12:30 tick                          | set 20.0; stage warm
        20:00 tick                          | set 20.0"#,
    );
}

#[test]
fn a_nudge_keeps_within_the_limits() {
    check(
        LONG,
        r#"
        0:00 beer follows          |
        0:05 pitch schedule="beer" | ok
        1:00 nudge by="30 C"       | ok "ends at the limit of 25.0 °C"
        12:00 tick                 | set 25.0
        12:01 nudge target="26 C"  | refused "outside the limits, 1.0 °C to 25.0 °C"
        12:02 nudge                | refused "needs `by`"
        12:03 nudge by="1"         | refused "has no unit"
        12:04 nudge by="1 C" target="18 C" | refused "give one"
        12:05 nudge by="1 C" until="soon"  | refused "or `stage`""#,
    );
}

#[test]
fn a_nudge_and_a_lock_survive_a_restart() {
    check(
        LONG,
        r#"
        0:00 beer follows                  |
        0:05 pitch schedule="beer"         | ok
        1:00 #n nudge by="2 C" until="12 h" | ok
        1:01 #l lock because="cleaning"    | ok; run.locked "locked off until `unlock`: cleaning"
        2:00 tick                          | set 19.0; heater off; chiller off
        2:00 restart after 2:00            | daemon.started
        2:05 tick                          | heater off; chiller off
        4:05 tick                          | set 20.0; heater off; chiller off
        4:06 #n nudge by="2 C" until="12 h" | ok; nothing
        4:06 #l lock because="again"       | ok; nothing
        4:10 unlock                        | ok; run.locked "unlocked after 5 h 9 min: cleaning"
        10:58 tick                         | set 20.0
        11:02 tick                         | batch.noted "is over""#,
    );
}

#[test]
fn in_free_rise_a_nudge_moves_the_ceiling_or_stands_in_its_place() {
    let free = "[[stage]]\nname = 'rise'\ntarget = { free_rise = '22 C' }\n\
                until = { elapsed = '40 d' }\n";
    check(
        free,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 beer at 20.0          |
        1:05 tick                  | set 20.0; heater off; chiller off
        2:00 beer at 22.6          |
        2:05 tick                  | set 22.0; chiller on
        2:06 nudge by="1 C"        | ok
        2:20 tick                  | set 22.6; chiller off
        3:00 nudge target="20 C"   | ok
        9:00 tick                  | set 20.0; chiller on"#,
    );
}

#[test]
fn at_target_follows_a_correction() {
    let stage = "[[stage]]\nname = 'rest'\ntarget = '18 C'\nuntil = { at_target = '6 h' }\n";
    check(
        stage,
        r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | ok
        0:10 nudge by="2 C"        | ok
        0:20 tick                  | set 20.0
        6:30 tick                  | run complete"#,
    );
}

#[test]
fn a_hold_may_name_its_setpoint_and_a_nudge_moves_a_held_one() {
    check(
        LONG,
        r#"
        0:00 beer follows           |
        0:05 pitch schedule="beer"  | ok
        1:00 hold target="16 C"     | ok; run.held "Held at 16.0 °C"; setpoint.moved "to 16.0 °C"
        3:00 tick                   | set 17.0; run held
        5:05 tick                   | set 16.0; setpoint.moved "arrived at 16.0 °C"
        6:00 nudge by="1 C" until="5 h" | ok
        7:05 tick                   | set 17.0
        11:05 tick                  | batch.noted "it is held where it was before"
        13:05 tick                  | set 16.0
        13:05 restart after 1:00    | daemon.started
        14:00 tick                  | set 16.0; run held
        14:01 resume                | ok
        16:05 tick                  | set 18.0
        16:06 hold target="30 C"    | refused "outside the limits"; run running"#,
    );
}

#[test]
fn advance_goes_to_a_stage_by_name_and_an_earlier_one_begins_afresh() {
    check(
        TWO,
        r#"
        0:00 beer follows            |
        0:05 pitch schedule="beer"   | ok
        1:00 advance to="cold"       | refused "it has `primary`, `warm`"; stage primary
        1:01 advance to="warm"       | ok "now in stage warm"; stage.left
                                     | stage.entered "Stage 2 of 2"
        2:00 #a advance to="primary" | ok; stage.left; stage.entered "Stage 1 of 2"; stage primary
        2:01 #a advance to="primary" | ok; nothing
        3:00 advance to="primary"    | ok; stage.entered "Stage 1 of 2, primary"
        3:30 restart after 0:30      | daemon.started
        3:31 tick                    | stage primary; run running"#,
    );
}

#[test]
fn an_empty_vessel_holds_a_temperature_and_says_that_wort_does_not_keep() {
    check(
        LONG,
        r#"
        0:00 beer at 22.0             |
        0:05 park target="12 C"       | ok "parked at 12.0 °C"; run.parked "Parked at 12.0 °C"
                                      | notice.due "Caution before a fall of 10.0 °C"
                                      | run idle; set 12.0
        0:11 tick                     | chiller on
        6:00 tick                     | alarm off-target gone
        8:00 restart after 1:00       | daemon.started
        8:06 tick                     | set 12.0; run idle; chiller on
        23:00 tick                    | !notice.due
        23:06 tick                    | notice.due "pitch it now or cool it"
        34:00 tick                    | !notice.due
        35:10 tick                    | notice.due "Parked at 12.0 °C for 1 d 12 h"
        36:00 unpark                  | ok; run.parked "a person ended it"; chiller off; set none
        36:01 unpark                  | ok "was not parked"
        36:02 park target="30 C"      | refused "outside the vessel's limits of 0.0 °C to 26.0 °C"
        36:03 park target="20 C" for="2 h" | ok; set 20.0
        38:04 tick                    | run.parked "its time is over"; set none"#,
    );
}

#[test]
fn a_pitch_and_an_abort_end_a_park() {
    check(
        LONG,
        r#"
        0:00 beer at 20.0          |
        0:05 park target="18 C"    | ok
        1:00 pitch schedule="beer" | ok "north-1"; run.parked "a batch begins"; set 20.0
        2:00 stop                  | ok; set none
        2:01 park target="4 C"     | ok; set 5.0; run stopped
        2:02 abort                 | ok; run.parked "the vessel was aborted"; set none; run aborted
        3:00 tick                  | chiller off; set none"#,
    );
}

#[test]
fn a_parked_probe_that_falls_silent_is_told() {
    check(
        LONG,
        r#"
        0:00 beer at 20.0       |
        5:00 park target="12 C" | ok
        5:06 tick               | chiller on
        6:00 beer silent        |
        6:12 tick               | alarm beer-silent stands; chiller off
        6:13 unpark             | ok; alarm beer-silent gone"#,
    );
}

#[test]
fn locked_outputs_stay_off_whatever_happens() {
    check(
        LONG,
        r#"
        0:00 beer at 25.0          |
        0:05 pitch schedule="beer" | ok
        0:41 tick                  | chiller on
        0:41 lock because="probe out" | ok; chiller off; told chiller off
        0:50 restart after 0:10    | daemon.started
        1:30 tick                  | chiller off
        1:31 hold                  | ok; chiller off
        1:32 stop                  | ok
        1:33 park target="10 C"    | ok; chiller off
        2:30 tick                  | chiller off; set 10.0
        2:31 unpark                | ok
        2:32 pitch schedule="beer" | ok
        4:00 tick                  | chiller off
        4:01 advance               | ok; run complete
        5:00 tick                  | chiller off
        5:01 unlock                | ok
        5:10 tick                  | chiller on
        5:11 unlock                | ok "it was not locked"; !run.locked"#,
    );
}

#[test]
fn another_expectation_is_judged_at_once_and_passed_stages_stay_passed() {
    let stages = "[[stage]]\nname = 'first'\ntarget = '18 C'\nuntil = { progress = '50 %' }\n\
                  at_most = { time = '20 d', then = 'alarm' }\n\
                  [[stage]]\nname = 'second'\ntarget = '18 C'\n\
                  until = { above_final = '3 points' }\n\
                  at_most = { time = '20 d', then = 'alarm' }\n";
    check(
        stages,
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 48 h |
        5+00:00 tick      | stage second
        5+00:05 expect final_gravity="1.020 SG" | refused "needs `because`"
        5+00:06 expect because="A guess" | refused "needs `original_gravity`, `final_gravity`"
        5+00:07 expect final_gravity="1.050 SG" because="A slip" | refused "is not below"
        5+00:08 #e expect final_gravity="1.020 SG" because="Forced test" | ok
                | batch.expected "final gravity 1.0200 SG (was 1.0120 SG). Forced test."
                | batch.completed; run complete
        5+00:11 #e expect final_gravity="1.020 SG" because="Forced test" | ok; nothing"#,
    );
}

#[test]
fn stalled_and_below_expected_follow_the_new_expectation() {
    check(
        LONG,
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.022 in 48 h |
        8+00:00 tick | alarm stalled stands
        8+00:01 expect final_gravity="1.021 SG" because="Forced fermentation test" | ok
        8+06:00 tick | alarm stalled gone
        8+06:01 expect final_gravity="1.028 SG" because="The test was misread" | ok
        8+07:30 tick | alarm below-expected stands
        8+08:00 restart after 0:10 | daemon.started
        8+08:01 expect attenuation="54 %" because="It was not" | ok
        8+10:00 tick | alarm below-expected gone"#,
    );
}

#[test]
fn an_original_gravity_that_was_misread_is_put_right() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.044 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        5+00:00 tick |"#,
    );
    let original = |bench: &Bench| {
        let state = bench.engine.view(&north()).unwrap();
        // Apparent attenuation is 1 - present/original in °P.
        let share = state.attenuation.unwrap().apparent_percent / 100.0;
        state.gravity.unwrap().plato / (1.0 - share)
    };
    assert!((original(&bench) - quantity::plato_from_sg(1.044)).abs() < 0.6);
    bench.run(
        r#"5+00:01 expect original_gravity="1.048 SG" because="It was 1.048" | ok
           | batch.expected "original gravity 1.04""#,
    );
    let after = original(&bench);
    assert!((after - quantity::plato_from_sg(1.048)).abs() < 0.25, "{after}");
}

#[test]
fn nobody_knows_the_original_gravity() {
    let needs = |until: &str| {
        format!(
            "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = {{ {until} }}\n\
             at_most = {{ time = '20 d', then = 'alarm' }}\n"
        )
    };
    let pitch = r#"0:05 pitch schedule="beer" original_gravity="unknown""#;
    for until in ["attenuation = '50 %'", "progress = '50 %'", "drop = '10 points'"] {
        check(&needs(until), &format!("{pitch} | refused \"needs the original gravity\""));
    }
    let climb = "[[stage]]\nname = 'a'\ntarget = { to = '20 C', along = 'attenuation', \
                 from = '50 %', until = '60 %' }\nuntil = { elapsed = '9 d' }\n";
    check(climb, &format!("{pitch} | refused \"needs the original gravity\""));
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", &needs("gravity = '1.030 SG'"));
    bench.run(&format!(
        r#"
        0:00 beer at 18.0 |
        {pitch} | ok; batch.pitched "original gravity unknown"
        0:10 fall 1.048 to 1.034 in 48 h |
        3+00:00 tick      | run running; !batch.expected"#
    ));
    let state = bench.engine.view(&north()).unwrap();
    assert_eq!((state.attenuation, state.abv_percent), (None, None));
    bench.put("beer", &needs("attenuation = '20 %'"));
    bench.run(
        r#"
        3+00:01 revise | refused "stage `a` needs the original gravity"
        3+00:02 expect original_gravity="1.048 SG" because="Found in the brew's book" | ok
                | batch.expected "original gravity 1.0"
        3+00:03 revise | ok
        3+00:30 tick   | run complete"#,
    );
    assert!(bench.engine.view(&north()).unwrap().attenuation.is_some());
}

#[test]
fn an_end_that_nobody_knows_is_unknown_and_no_more() {
    let schedule = |until: &str| {
        format!(
            "format = 1\nname = 'X'\n[expect]\noriginal_gravity = '1.048 SG'\n\
             final_gravity = 'unknown'\n[[stage]]\nname = 'a'\ntarget = '18 C'\n\
             until = {{ {until} }}\nat_most = {{ time = '20 d', then = 'alarm' }}\n"
        )
    };
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", &schedule("stable = { within = '1 points', over = '48 h' }"));
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" | ok; batch.pitched "final gravity unknown expected"
        0:10 fall 1.048 to 1.022 in 48 h |
        4+00:00 tick      | !alarm.raised"#,
    );
    let state = bench.engine.view(&north()).unwrap();
    assert_eq!(state.attenuation.unwrap().progress_percent, None);
    bench.put("wants", &schedule("progress = '50 %'"));
    // A file that asks for it is refused as it is read, and one that gave it up too.
    bench.run(r#"4+00:01 revise schedule="wants" | refused "final""#);
    bench.run(
        r#"
        4+00:02 expect attenuation="75 %" because="Forced fermentation test" | ok
                | batch.expected "(was unknown)"
        9+00:00 tick      | alarm stalled stands"#,
    );
    assert!(bench.engine.view(&north()).unwrap().attenuation.unwrap().progress_percent.is_some());
}

/// Readings that were kept: a probe each 10 min, a float each hour, from so many hours ago.
fn kept(hours: i64, now: i64, gravity: impl Fn(f64) -> f64) -> Vec<(Stamp, Reading)> {
    let mut kept = Vec::new();
    for minute in (0..hours * 60).step_by(10) {
        let at = Stamp::from_millis(now) - Span::from_mins(hours * 60 - minute);
        let Input::Reading(beer) = beer_reading(18.0) else { unreachable!() };
        kept.push((at, beer));
        if minute % 60 == 0 {
            let values = Values {
                gravity: Some(RawGravity::Sg(gravity(minute as f64 / 60.0))),
                temperature_c: Some(18.0),
                ..Values::default()
            };
            let source = "float".to_owned();
            let vessel = north();
            kept.push((at, Reading { vessel, source, taken: None, retained: false, values }));
        }
    }
    kept
}

/// A pitch at `ago` before now, with the readings that were kept.
fn pitch_late(bench: &mut Bench, ago: i64, fields: &str, history: Vec<(Stamp, Reading)>) {
    let at = Stamp::from_millis(bench.wall_now() - ago).rfc3339();
    bench.with_history(history);
    bench.run(&format!("{} {fields} pitched_at=\"{at}\" | ok", bench.now_text()));
}

#[test]
fn a_late_pitch_takes_in_what_was_kept_and_no_reading_of_unknown_age() {
    let stages = "[[stage]]\nname = 'primary'\ntarget = '18 C'\n\
                  until = { all = [ { attenuation = '25 %' }, { elapsed = '30 h' } ] }\n\
                  at_most = { time = '20 d', then = 'alarm' }\n\
                  [[stage]]\nname = 'second'\ntarget = '18 C'\nuntil = { elapsed = '9 d' }\n";
    let fall = |hour: f64| 1.048 - 0.0005 * hour;
    for (spoilt, stage) in [(false, "second"), (true, "primary")] {
        let mut bench = Bench::new(NORTH, Show::default());
        bench.put("beer", stages);
        bench.run("0:00 beer at 18.0 |\n2+00:00 tick |");
        let mut history = kept(36, bench.wall_now(), fall);
        if spoilt {
            // Delivered as retained and without a time of its own, it may be of any age.
            history.iter_mut().for_each(|(_, reading)| reading.retained = true);
        }
        let fields = r#"pitch schedule="beer" original_gravity="1.048 SG""#;
        pitch_late(&mut bench, millis("36:00"), fields, history);
        bench.run(&format!("2+00:01 tick | stage {stage}"));
    }
}

#[test]
fn a_late_pitch_has_its_course_from_then_on() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", TWO);
    bench.run("0:00 beer at 18.0 |\n3+00:00 tick |");
    let history = kept(40, bench.wall_now(), |hour| 1.048 - 0.0005 * hour);
    let fields = r#"pitch schedule="beer" original_gravity="1.048 SG""#;
    pitch_late(&mut bench, millis("40:00"), fields, history);
    bench.run("3+01:00 tick |");
    let apart = bench.points.windows(2).map(|pair| pair[1].at.since(pair[0].at));
    assert_eq!(apart.filter(|apart| *apart != engine::POINTS_APART).count(), 0);
    assert_eq!(bench.points.len(), 41 * 4);
    let half_way = &bench.points[20 * 4 - 1];
    let sg = half_way.sg.unwrap();
    assert!((sg - 1.038).abs() < 1.5e-3 && half_way.beer_c == Some(18.0), "{half_way:?}");
    assert_eq!((half_way.setpoint_c, half_way.heater_share), (None, None));
    let last = bench.points.last().unwrap();
    assert!(last.setpoint_c.is_some() && last.heater_share.is_some(), "{last:?}");
    // The fall is shown by what was kept: nobody is told that it had not begun.
    let raised = |record: &&engine::Record| record.kind == engine::Kind::AlarmRaised;
    let told: Vec<_> = bench.log.iter().filter(raised).map(|record| &record.text).collect();
    assert!(!told.iter().any(|text| text.contains("no fall of gravity")), "{told:?}");
}

#[test]
fn a_late_pitch_may_enter_a_later_stage() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", TWO);
    bench.run("0:00 beer at 18.0 |\n2+00:00 tick |");
    let history = kept(30, bench.wall_now(), |hour| 1.048 - 0.0005 * hour);
    pitch_late(&mut bench, millis("30:00"), r#"pitch schedule="beer" stage="warm""#, history);
    bench.run("2+00:01 tick | stage warm; run running");
    let state = bench.engine.view(&north()).unwrap();
    assert!((state.gravity.unwrap().sg - 1.0335).abs() < 0.001);
    // The stage began at the pitch's command, the batch with the yeast.
    assert!(state.stage.unwrap().since.starts_with("2026-03-04T06:00"));
}

#[test]
fn at_and_pitched_at_are_one_thing() {
    let pitch = |fields: &str| format!(r#"pitch schedule="beer" {fields}"#);
    let both = pitch(r#"at="2026-03-02T08:00:00Z" pitched_at="2026-03-02T09:00:00Z""#);
    let ahead = pitch(r#"pitched_at="2026-03-02T18:00:00Z""#);
    let late = pitch(r#"pitched_at="2026-03-02T08:00:00Z""#);
    check(
        LONG,
        &format!(
            r#"
            0:00 tick    |
            9:00 {both}  | refused "give one"
            9:01 {ahead} | refused "in the past"
            9:02 {late}  | ok"#
        ),
    );
}

/// A vessel that is kept on its float's own temperature is parked, held and nudged like any other.
#[test]
fn a_vessel_without_a_probe_can_be_parked() {
    let (before, rest) = NORTH.split_once("[vessel.north.beer]").unwrap();
    let (_, after) = rest.split_once("[vessel.north.heater]").unwrap();
    let config = format!("{before}[vessel.north.heater]{after}").replace("60 min", "15 min");
    check_in(
        &config,
        LONG,
        r#"
        0:00 float 1.050        |
        0:05 park target="12 C" | ok
        0:06 tick               | set 12.0; heater off; chiller off"#,
    );
}

/// A command that came with its history is one input: what came of it is stored with it.
#[test]
fn the_history_is_part_of_the_input() {
    let input = CommandInput {
        vessel: north(),
        id: None,
        by: None,
        command: Ok(engine::Command::Unlock),
        schedule: None,
        calibration: None,
        history: kept(1, crate::kit::START, |_| 1.048),
    };
    let text = serde_json::to_string(&Input::from(input.clone())).unwrap();
    assert_eq!(serde_json::from_str::<Input>(&text).unwrap(), Input::from(input));
}
