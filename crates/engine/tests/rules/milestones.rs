//! Milestones and stages: yes, no, unknown; latches; what bounds a stage; what people are told.

use crate::kit::{Bench, NORTH, check, check_in};
use quantity::{GravityUnit, Show, TemperatureUnit};

/// One stage that ends on `until`, and one after it.
fn until(milestone: &str) -> String {
    format!(
        "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = {milestone}\n\
         [[stage]]\nname = 'after'\ntarget = '18 C'\nuntil = {{ elapsed = '20 d' }}\n"
    )
}

const PITCH: &str = r#"
    0:00 beer at 18.0          |
    0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok; stage primary
    0:10 fall 1.048 to 1.010 in 72 h |
    "#;

/// The stage stays while nothing is known; it ends between two times once gravity falls.
#[track_caller]
fn ends_between(milestone: &str, not_yet: &str, surely: &str, evidence: &str) {
    let unknown = r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        4+00:00 tick               | stage primary; !stage.left"#;
    check(&until(milestone), unknown);
    let script = format!(
        "{PITCH}
        {not_yet} tick | stage primary; !stage.left
        {surely} tick  | stage after; stage.left \"{evidence}\"; stage.entered \"{evidence}\""
    );
    check(&until(milestone), &script);
}

const MEASURED: &str = r#"
format = 1
name = "Measured"
[expect]
original_gravity = "measured"
attenuation = "75 %"
[limits]
[[stage]]
name = "primary"
target = "18 C"
until = { attenuation = "70 %", elapsed = "60 d" }
"#;

#[test]
fn an_original_gravity_that_was_to_be_measured_is_told() {
    check_in(
        NORTH,
        MEASURED,
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" | ok
        0:10 fall 1.048 to 1.0479 in 20 h |
        20:00 tick | !batch.expected
        20:10 fall 1.048 to 1.012 in 60 h |
        40:00 tick | batch.expected "was measured: 1.047"
        41:00 crash |
        48:00 tick | !batch.expected"#,
    );
}

#[test]
fn an_original_gravity_that_nobody_saw_is_refused_with_the_reason() {
    check_in(
        NORTH,
        MEASURED,
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" | ok
        24:10 fall 1.040 to 1.012 in 20 h |
        44:00 tick | batch.expected "fall began before readings had settled""#,
    );
}

#[test]
fn attenuation_is_a_share_of_the_extract_in_plato() {
    // Half of 11.9 °P is at 1.0238, that is after 46 h.
    let evidence = "passed 50 %";
    ends_between("{ attenuation = '50 %' }", "1+18:00", "2+04:00", evidence);
}

#[test]
fn progress_is_the_other_thing_that_brewers_mean() {
    // Half of the way from 1.048 to 1.012 is at 1.030, after 34 h.
    ends_between("{ progress = '50 %' }", "1+06:00", "1+16:00", "progress 5");
}

#[test]
fn gravity_at_or_below() {
    ends_between("{ gravity = '1.030 SG' }", "1+06:00", "1+16:00", "is at or below 1.0300 SG");
}

#[test]
fn gravity_near_the_expected_final_one() {
    // 1.016 after 61 h.
    let evidence = "gravity within 4.0 points of the expected final one: ";
    ends_between("{ above_final = '4 points' }", "2+08:00", "2+18:00", evidence);
}

#[test]
fn a_fall_since_pitching() {
    let evidence = "gravity fallen by at least 10.0 points: 1";
    ends_between("{ drop = '10 points' }", "0+14:00", "1+02:00", evidence);
}

#[test]
fn a_slow_fall_counts_only_once_it_has_begun() {
    let evidence = "gravity falling more slowly than 3.0 points a day: ";
    ends_between("{ slower_than = '3 points/d' }", "2+22:00", "5+00:00", evidence);
}

#[test]
fn a_stable_gravity() {
    let stable = "{ stable = { within = '1 points', over = '48 h' } }";
    ends_between(stable, "3+00:00", "9+00:00", "gravity is stable: ");
}

#[test]
fn a_stop_far_above_the_expected_end_is_no_end() {
    check(
        &until("{ stable = { within = '1 points', over = '48 h' } }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.022 in 48 h |
        14+00:00 tick              | stage primary; alarm.raised "stalled"; alarm stalled stands"#,
    );
}

#[test]
fn time_in_the_stage_and_since_pitching() {
    check(
        &until("{ elapsed = '5 h' }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        5:04:59 tick               | stage primary
        5:05 tick                  | stage after
                                   | stage.left "5 h in this stage are over. It took 5 h"
                | stage.entered "after, began: 5 h in this stage are over. Primary took 5 h.""#,
    );
    check(
        &until("{ since_pitch = '5 h' }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:05 hold                  | ok
        5:00 resume                | ok; stage primary
        5:05 tick                  | stage after; stage.left "5 h since pitching are over""#,
    );
}

#[test]
fn the_stages_clock_stands_still_while_held() {
    check(
        &until("{ elapsed = '5 h' }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:05 hold                  | ok
        9:05 resume                | ok; stage primary
        13:04:59 tick              | stage primary
        13:05 tick                 | stage after; stage.left "It took 13 h""#,
    );
}

#[test]
fn at_target_asks_for_an_arrived_setpoint_and_a_beer_that_stays() {
    check(
        &until("{ at_target = '2 h' }"),
        r#"
        0:00 beer at 16.0          |
        0:05 pitch schedule="beer" | set 16.0
        0:10 beer at 18.0          |
        4:04 tick                  | stage primary
        4:06 tick                  | stage after; stage.left "the beer was at its target for 2 h""#,
    );
    // 0.6 K is twice the hysteresis; the mean of 15 min decides.
    check(
        &until("{ at_target = '2 h' }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | set 18.0
        1:00 beer at 18.9          |
        1:08 beer at 18.0          |
        2:06 tick                  | stage after"#,
    );
    check(
        &until("{ at_target = '2 h' }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | set 18.0
        1:00 beer at 18.9          |
        1:30 beer at 18.0          |
        3:20 tick                  | stage primary
        3:50 tick                  | stage after"#,
    );
}

#[test]
fn a_gap_a_hold_and_a_restart_begin_at_target_anew() {
    for (from, to) in [("beer silent", "beer at 18.0"), ("hold", "resume"), ("crash", "start")] {
        let script = format!(
            r#"
            0:00 beer at 18.0          |
            0:05 pitch schedule="beer" | set 18.0
            1:00 {from}                |
            1:30 {to}                  |
            3:20 tick                  | stage primary
            3:40 tick                  | stage after"#
        );
        check(&until("{ at_target = '2 h' }"), &script);
    }
}

#[test]
fn in_free_rise_the_target_is_the_ceiling_less_the_hysteresis() {
    let stages = until("{ at_target = '1 h' }").replacen("'18 C'", "{ free_rise = '22 C' }", 1);
    check(
        &stages,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | set 18.0
        1:00 beer at 21.6          |
        4:00 tick                  | stage primary
        4:00 beer at 21.75         |
        5:30 tick                  | stage after"#,
    );
}

#[test]
fn lists_count_only_a_yes() {
    // A gravity that nobody knows: `all` waits, `any` does not.
    check(
        &until("{ all = [ { gravity = '1.030 SG' }, { elapsed = '2 h' } ] }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        2+00:00 tick               | stage primary"#,
    );
    check(
        &until("{ any = [ { gravity = '1.030 SG' }, { elapsed = '2 h' } ] }"),
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        2:06 tick                  | stage after; stage.left "2 h in this stage are over""#,
    );
    // Several keys in one table mean all of them.
    check(
        &until("{ elapsed = '2 h', since_pitch = '4 h' }"),
        r#"
        0:05 pitch schedule="beer" | ok
        4:04 tick                  | stage primary
        4:06 tick                  | stage after
                | stage.left "2 h in this stage are over, 4 h since pitching are over""#,
    );
}

#[test]
fn what_was_shown_stays_shown_within_its_stage() {
    // Gravity passes 1.030, then its float is lost: what it showed stands, and time does the rest.
    let script = format!(
        "{PITCH}
        2+00:00 float silent |
        5+23:00 tick | stage primary; alarm gravity-silent.float stands
        6+01:00 tick | stage after; stage.left \"is at or below 1.0300 SG\""
    );
    check(&until("{ all = [ { gravity = '1.030 SG' }, { elapsed = '6 d' } ] }"), &script);
    // `slower_than` does not latch.
    let stages = until("{ all = [ { slower_than = '3 points/d' }, { elapsed = '20 d' } ] }");
    let script = format!(
        "{PITCH}
        6+00:00 float silent |
        21+00:00 tick | stage primary"
    );
    check(&stages, &script);
}

#[test]
fn a_person_is_asked_once_all_beside_it_is_yes_and_again() {
    let stages = until("{ all = [ { elapsed = '2 h' }, { confirm = 'It tastes clean' } ] }");
    let stages = stages.replacen("until", "remind = '6 h'\nuntil", 1);
    check(
        &stages,
        r#"
        0:05 pitch schedule="beer" | ok; !confirm.due
        2:04 tick                  | !confirm.due
        2:06 tick                  | confirm.due "Please confirm: It tastes clean (primary)."
        8:04 tick                  | !confirm.due
        8:06 tick                  | confirm.due "It tastes clean (asked again) (primary)."
        9:00 confirm               | ok; confirm.given "It tastes clean"
                                   | stage.left "2 h in this stage are over, a person confirmed"
                                   | stage after"#,
    );
}

#[test]
fn a_sentence_may_be_confirmed_before_it_is_asked_and_while_held() {
    check(
        &until("{ all = [ { elapsed = '2 h' }, { confirm = 'Clean' } ] }"),
        r#"
        0:05 pitch schedule="beer" | ok
        0:10 hold                  | ok
        0:20 confirm say="Clean"   | ok; confirm.given
        0:30 confirm say="Clean"   | refused "does not ask to confirm"
        0:31 confirm               | refused "nothing waits"
        0:40 resume                | ok
        2:34 tick                  | stage primary
        2:36 tick                  | stage after; !confirm.due"#,
    );
}

#[test]
fn a_notice_is_said_once() {
    let stages = "[[stage]]\nname = 'lagering'\ntarget = '18 C'\nuntil = { elapsed = '9 d' }\n\
                  [[stage.notice]]\nsay = 'A good day for a taste'\nwhen = { elapsed = '2 h' }\n";
    check(
        stages,
        r#"
        0:05 pitch schedule="beer" | !notice.due
        2:06 tick                  | notice.due "A good day for a taste (lagering: 2 h in this"
        2:10 crash                 |
        1+00:00 tick               | !notice.due"#,
    );
}

#[test]
fn a_stage_is_kept_for_its_least_time() {
    let stages = until("{ elapsed = '2 h' }").replacen("until", "at_least = '5 h'\nuntil", 1);
    check(
        &stages,
        r#"
        0:05 pitch schedule="beer" | ok
        5:04 tick                  | stage primary
        5:06 tick                  | stage after"#,
    );
}

fn bounded(then: &str) -> String {
    let bound = format!("at_most = {{ time = '5 h', then = '{then}' }}\nuntil");
    until("{ gravity = '1.030 SG' }").replacen("until", &bound, 1)
}

#[test]
fn at_most_raises_an_alarm_once_a_stage() {
    check(
        &bounded("alarm"),
        r#"
        0:05 pitch schedule="beer" | ok
        5:04 tick                  | alarm stage-overdue gone
        5:06 tick                  | alarm.raised "primary has lasted for 5 h, its `at_most`;"
        | alarm stage-overdue stands
                                   | stage primary; alarm stage-overdue stands
        5:10 acknowledge           | ok; alarm stage-overdue seen
        2+00:00 tick               | alarm stage-overdue seen
        2+00:00 advance            | stage.left; alarm.returned "stage-overdue"; stage after"#,
    );
}

#[test]
fn at_most_advances_without_asking() {
    check(
        &bounded("advance"),
        r#"
        0:05 pitch schedule="beer" | ok
        5:06 tick                  | alarm.raised "the next stage begins"
                                   | stage.left "its `at_most` of 5 h was reached"; stage after"#,
    );
}

#[test]
fn at_most_holds_once_and_goes_on_when_told() {
    check(
        &bounded("hold"),
        r#"
        0:05 pitch schedule="beer" | ok
        5:06 tick                  | alarm.raised "the run is held"
                                   | run.held "primary reached its `at_most` of 5 h"; run held
        9:00 resume                | ok; run running
        1+00:00 tick               | run running; !run.held; stage primary"#,
    );
}

#[test]
fn at_most_counts_without_what_was_held() {
    check(
        &bounded("alarm"),
        r#"
        0:05 pitch schedule="beer" | ok
        1:05 hold                  | ok
        9:05 resume                | ok
        13:04 tick                 | alarm stage-overdue gone
        13:06 tick                 | alarm stage-overdue stands"#,
    );
}

#[test]
fn at_most_one_stage_is_left_a_tick() {
    let short = |name: &str| {
        format!("[[stage]]\nname = '{name}'\ntarget = '18 C'\nuntil = {{ since_pitch = '1 h' }}\n")
    };
    let stages = ["a", "b", "c"].map(short).concat();
    check(
        &stages,
        r#"
        0:05 pitch schedule="beer" | ok
        1:05 tick                  | stage.left "a, ended"; stage b
        1:05 tick                  | nothing
        1:05:10 tick               | stage.left "b, ended"; stage c
        1:05:20 tick               | stage.left "c, ended"; batch.completed; run complete"#,
    );
}

#[test]
fn after_the_last_stage_the_setpoint_is_kept() {
    let stages = "[[stage]]\nname = 'only'\ntarget = '18 C'\nuntil = { elapsed = '2 h' }\n";
    check(
        stages,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        2:06 tick                  | batch.completed "It is kept at 18.0 °C until a person stops it"
                                   | run complete; set 18.0; stage none
        3:00 beer at 19.0          |
        4:00 tick                  | chiller on
        4:00 stop                  | ok; run stopped; batch.stopped; set none; chiller off
                                   | output.switched "Chiller off: the batch was stopped.""#,
    );
}

#[test]
fn or_the_outputs_go_off() {
    let schedule = r#"
        format = 1
        name = "Off"
        finish = "off"
        [expect]
        original_gravity = "1.048 SG"
        final_gravity = "1.012 SG"
        [[stage]]
        name = "only"
        target = "18 C"
        until = { elapsed = "2 h" }
        "#;
    check_in(
        NORTH,
        schedule,
        r#"
        0:00 beer at 18.6          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | chiller on
        2:06 tick                  | batch.completed "The outputs go off"
                                   | output.switched "Chiller off: the batch is complete"
                                   | run complete; set none; chiller off
        2:08 tick                  | told chiller off; told heater off"#,
    );
}

#[test]
fn texts_are_in_the_units_that_the_reader_chose() {
    let show = Show { gravity: GravityUnit::Plato, temperature: TemperatureUnit::Fahrenheit };
    let mut bench = Bench::new(NORTH, show);
    bench.put("beer", &until("{ all = [ { attenuation = '50 %' }, { gravity = '6 P' } ] }"));
    bench.run(
        r#"
        0:00 beer at 18.0                |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        | batch.pitched "11.91 °P ± 1.0 points, final gravity 3.07 °P expected"
                | stage.entered "Setpoint 64.4 °F."
        0:10 fall 1.048 to 1.010 in 72 h |
        2+12:00 tick                     | stage after; stage.left "is at or below 6.00 °P""#,
    );
}

#[test]
fn a_stage_begins_with_its_evidence_as_a_sentence() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", &until("{ attenuation = '50 %' }"));
    bench.run(PITCH);
    bench.run("2+12:00 tick | stage after");
    let entered = bench.log.iter().rfind(|record| record.kind == engine::Kind::StageEntered);
    let text = &entered.unwrap().text;
    let (head, rest) = text.split_once("apparent attenuation ").unwrap();
    assert_eq!(head, "Stage 2 of 2, after, began: ");
    let (value, rest) = rest.split_once(" % passed 50 %. Primary took ").unwrap();
    let (value, sd) = value.split_once(" ± ").unwrap();
    assert!(value.parse::<f64>().unwrap() > 50.0 && sd.parse::<f64>().unwrap() > 0.0, "{text}");
    assert!(rest.starts_with("1 d ") || rest.starts_with("2 d"), "{text}");
}
