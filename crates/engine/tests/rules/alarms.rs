//! The alarms of the contract's table that are not about readings: raised, delayed, seen, returned.

use crate::kit::{Bench, NORTH, SOUTH, check, check_in};
use quantity::Show;

const STAGE: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '40 d' }\n";

#[test]
fn beer_past_the_vessels_limits() {
    let config = NORTH.replace("coldest = \"0 C\"", "coldest = \"16 C\"").replace("26 C", "20 C");
    check_in(
        &config,
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 beer 15.5             |
        1:00 beer at 15.5          |
        1:00:30 tick               | alarm too-cold gone
        1:02 tick                  | alarm.raised "too-cold (critical): the beer is at 15.5 °C"
                                   | heater on
        2:00 beer at 17.0          |
        2:09 tick                  | alarm too-cold stands
        2:12 tick                  | alarm.returned "too-cold"
        3:00 beer at 19.0          |
        3:02 beer at 20.5          |
        3:05 tick                  | alarm too-warm stands; heater off
        4:00 beer at 18.0          |
        4:12 tick                  | alarm.returned "too-warm""#,
    );
}

#[test]
fn beer_near_its_freezing_point() {
    let cold = "[[stage]]\nname = 'crash'\ntarget = '1 C'\nuntil = { elapsed = '40 d' }\n";
    check(
        cold,
        r#"
        0:00 beer at 1.5           |
        0:05 pitch schedule="beer" | ok
        2:00 tick                  | chiller on
        2:00 beer at 0.4           |
        2:01 tick                  | chiller off
        2:03 tick                  | alarm.raised "near-freezing"; alarm near-freezing stands
                                   | chiller off
        3:00 beer at 1.0           |
        3:12 tick                  | alarm.returned "near-freezing""#,
    );
}

#[test]
fn the_strength_that_was_shown_keeps_the_freezing_point_where_the_float_is_gone() {
    let cold = "[[stage]]\nname = 'crash'\ntarget = '1 C'\nuntil = { elapsed = '40 d' }\n";
    check(
        cold,
        r#"
        0:00 beer at 2.0                 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        4+00:00 float silent             |
        12+00:00 beer at 0.3             |
        12+00:10 tick | alarm near-freezing gone; alarm gravity-silent.float stands
        12+00:11 beer at -1.4            |
        12+00:20 tick                    | alarm near-freezing stands; chiller off"#,
    );
}

#[test]
fn beer_far_from_a_standing_setpoint() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 beer at 20.5          |
        2:58 tick                  | alarm off-target gone
        3:03 tick                  | alarm.raised "from its setpoint for 2 h, now 2.5 °C above it"
        3:05 acknowledge alarm="off-target" | ok; alarm.acknowledged "off-target"
                                            | alarm off-target seen
        4:00 beer at 18.5          |
        4:08 tick                  | alarm off-target seen
        4:12 tick                  | alarm.returned "off-target""#,
    );
}

#[test]
fn a_ramp_that_is_followed_is_not_off_target() {
    let warm = "[[stage]]\nname = 'primary'\ntarget = '10 C'\nuntil = { elapsed = '40 d' }\n";
    check(
        warm,
        r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | ok
        18:00 tick                 | alarm off-target gone
        20:06 hold                 | ok
        22:00 tick                 | alarm off-target gone
        22:07 tick                 | alarm off-target stands"#,
    );
}

#[test]
fn a_fall_that_does_not_begin() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0              |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.048 in 1 h |
        1+12:04 tick                   | alarm not-begun gone
        1+12:06 tick                   | alarm.raised "not-begun (high)"; alarm not-begun stands
        1+13:00 fall 1.048 to 1.012 in 72 h |
        3+00:00 tick                   | alarm.returned "not-begun""#,
    );
}

#[test]
fn not_begun_ends_with_its_batch() {
    let script = |end: &str, returned: &str| {
        format!(
            r#"
            0:00 beer at 18.0          |
            0:05 pitch schedule="beer" | ok
            1+12:06 tick               | alarm not-begun stands
            1+12:10 {end}              | {returned}; alarm not-begun gone"#
        )
    };
    check(
        STAGE,
        &script("stop", "alarm.returned \"Alarm not-begun is over: the batch was stopped.\""),
    );
    check(STAGE, &script("abort", "alarm.returned \"not-begun\""));
    check(STAGE, &script("advance", "alarm.returned \"not-begun\""));
}

#[test]
fn gravity_below_the_expected_final_one() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0              |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.004 in 72 h |
        2+06:00 tick                   | alarm below-expected gone
        6+00:00 tick                   | alarm.raised "below-expected (medium)"
                                       | alarm below-expected stands
        6+00:01 expect final_gravity="1.004 SG" because="Forced test" | ok
        6+00:50 tick                   | alarm below-expected stands
        6+01:20 tick                   | alarm.returned "below-expected"
        6+02:00 expect final_gravity="1.012 SG" because="It was wrong" | ok
        6+02:50 tick                   | alarm below-expected gone
        6+03:20 tick                   | alarm.raised "below-expected""#,
    );
}

#[test]
fn a_battery_that_runs_out() {
    check(
        STAGE,
        r#"
        0:00 battery 20 |
        0:20 battery 14 | alarm.raised "the battery of float is at 14 %"; alarm battery-low stands
        0:40 battery 90 | alarm battery-low stands
        2:00 tick       | alarm.returned "battery-low""#,
    );
    // 12 % in 3 d: the last 20 % will be gone in 5 d.
    check(
        STAGE,
        r#"
        0:00 battery 32    |
        3+00:00 battery 20 | alarm.raised "about 5 days left""#,
    );
}

#[test]
fn the_link_and_the_store() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 link down             | alarm link-down gone
        1:01 tick                  | alarm.raised "link-down (medium)"; alarm link-down stands
                                   | chiller on
        1:02 link up               |
        1:06 tick                  | alarm link-down stands
        1:08 tick                  | alarm.returned "link-down"
        1:09 store fails           | alarm.raised "records cannot be written: the disk is full"
                                   | alarm store-failing stands
        1:10 store works           | alarm store-failing stands
        1:16 store fails           | nothing
        1:17 store works           | alarm store-failing stands
        1:46 tick                  | alarm store-failing stands
        1:48 tick                  | alarm.returned "store-failing""#,
    );
}

#[test]
fn no_stage_changes_while_nothing_can_be_written() {
    let stages = "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = { elapsed = '2 h' }\n\
                  [[stage]]\nname = 'b'\ntarget = '18 C'\n\
                  at_most = { time = '1 h', then = 'hold' }\n\
                  until = { gravity = '1.02 SG' }\n";
    check(
        stages,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 store fails           |
        2:30 tick                  | stage a; chiller on
        3:00 advance               | refused "records cannot be written now"
        3:01 store works           | stage b; stage.left
        3:02 store fails           |
        5:00 tick                  | run running
        5:01 store works           | run held
        5:02 store fails           |
        5:03 stop                  | ok; run stopped
        5:04 pitch schedule="beer" | refused "records cannot be written now""#,
    );
}

#[test]
fn a_shelved_alarm_stays_silent_for_its_time() {
    check(
        STAGE,
        r#"
        0:00 battery 10                       | alarm battery-low stands
        0:01 shelve alarm="off-target" for="1 h" | refused "no alarm `off-target` stands"
        0:01 shelve alarm="battery-low" for="5 h" | ok
                | alarm.shelved "Alarm battery-low is silent for 5 h."; alarm battery-low shelved
        0:02 battery 50                       |
        2:00 tick                             | alarm.returned "battery-low"
        2:01 battery 10                       | alarm.raised; alarm battery-low shelved
        5:02 tick                             | alarm battery-low stands
        5:03 shelve alarm="battery-low"       | refused "`shelve` needs `for`"
        5:04 acknowledge                      | ok "battery-low"; alarm battery-low seen
        5:05 acknowledge alarm="nothing"      | refused "no alarm `nothing` stands""#,
    );
}

#[test]
fn alarms_of_the_beer_end_with_it_and_alarms_of_devices_do_not() {
    check(
        STAGE,
        r#"
        0:00 battery 10            | alarm battery-low stands
        0:05 pitch schedule="beer" | alarm battery-low stands
        0:30 tick                  | alarm beer-silent stands
        0:31 stop                  | alarm.returned "beer-silent"; alarm battery-low stands
                                   | alarm beer-silent gone
        0:40 tick                  | alarm beer-silent gone
        0:41 pitch schedule="beer" | alarm.raised "no beer temperature for 41 min"
                                   | alarm battery-low stands"#,
    );
}

#[test]
fn a_heater_without_effect_is_off_until_a_person_acknowledges() {
    check(
        STAGE,
        r#"
        0:00 beer at 16.0          |
        0:05 pitch schedule="beer" | ok
        1:02 tick                  | heater on
        1+00:00 tick               | alarm heater-no-effect stands; heater off
        | alarm.raised "it is switched off until a person acknowledges"
        1+12:00 tick               | alarm heater-no-effect stands; heater off
        1+12:00 acknowledge        | ok "heater-no-effect"; heater on"#,
    );
}

#[test]
fn a_chiller_without_effect_tries_again() {
    check(
        STAGE,
        r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | ok
        1:02 tick                  | chiller on
        1+00:00 tick               | alarm chiller-no-effect stands
        | alarm.raised "it tries again after rests"
        2+00:00 tick               | output.switched "Chiller on"; alarm chiller-no-effect stands"#,
    );
}

/// A broker that is away makes every device silent at once: one alarm says so, and no beer is
/// warmed or cooled unseen meanwhile.
#[test]
fn a_broker_that_is_away_is_one_alarm_and_every_output_goes_off() {
    let mut bench = Bench::new(&format!("{NORTH}{SOUTH}"), Show::default());
    bench.put("beer", STAGE);
    bench.run(
        r#"
        0:00 beer at 18.5                 |
        0:00 south: beer at 16.0          |
        0:00 fall 1.048 to 1.012 in 72 h  |
        0:00 seen heater off              |
        0:05 pitch schedule="beer"        | ok
        0:05 south: pitch schedule="beer" | ok
        1:00 tick                         | chiller on
        1:00 link down                    |
        1:00 beer silent                  |
        1:00 south: beer silent           |
        1:00 float silent                 |
        1:01 tick                         | alarm.raised "link-down (medium): the broker is away"
        1:11 tick                         | chiller off; alarm beer-silent gone
        1:11 south: tick                  | heater off; alarm beer-silent gone
        9:00 tick                         | chiller off; alarm gravity-silent.float gone
                                          | alarm output-disagrees gone
        9:00 link up                      |
        9:01 beer at 18.0                 |
        9:09 south: tick                  | alarm beer-silent gone; heater off
        9:09 tick                         | alarm link-down gone
        9:11 south: tick                  | alarm beer-silent stands; heater off
        11:59 tick                        | alarm gravity-silent.float gone
        12:16 tick                        | alarm gravity-silent.float stands"#,
    );
    let raised: Vec<&str> = bench
        .log
        .iter()
        .filter(|record| record.kind.as_str() == "alarm.raised")
        .filter_map(|record| record.data["alarm"].as_str())
        .collect();
    // What stays silent once the broker is back is told by itself.
    let south = ["beer-silent", "gravity-silent.float", "gravity-silent.float"];
    assert_eq!(raised[..1], ["link-down"]);
    assert_eq!(raised[1..], south, "one while the broker was away");
}

/// A silence that was told before the broker went stays told.
#[test]
fn a_silence_from_before_stands_while_the_broker_is_away() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 beer silent           |
        1:11 tick                  | alarm beer-silent stands
        1:12 link down             |
        2:00 tick                  | alarm beer-silent stands; !alarm.returned
        2:01 link up               |
        2:02 tick                  | alarm beer-silent stands; chiller off"#,
    );
}
