//! Where the setpoint goes: every form of target, ramps, limits, pitch and time away.

use crate::kit::{NORTH, check, check_in};

const DAYS: &str = r#"until = { elapsed = "9 d" }"#;

#[test]
fn at_pitch_the_setpoint_is_the_beers_own_and_goes_to_the_target_under_the_ramp() {
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '10 C'\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | ok; batch.pitched
                                   | stage.entered "Setpoint 20.0 °C, then 10.0 °C"
                                   | notice.due "airlock"
                                   | setpoint.moved "from 20.0 °C to 10.0 °C"; set 20.0
        2:05 tick                  | set 19.0; !setpoint.moved
        20:05 tick                 | set 10.0; setpoint.moved "arrived at 10.0 °C, from 20.0 °C"
        30:00 tick                 | set 10.0; !setpoint.moved"#,
    );
}

#[test]
fn a_rise_goes_at_its_own_ramp() {
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '18 C'\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 15.0          |
        0:05 pitch schedule="beer" | set 15.0; !notice.due
        1:05 tick                  | set 16.0
        3:05 tick                  | set 18.0; setpoint.moved "arrived""#,
    );
}

#[test]
fn without_a_reading_the_setpoint_begins_at_the_first_target() {
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '10 C'\n{DAYS}");
    check(
        &stage,
        r#"0:05 pitch schedule="beer" | stage.entered "Setpoint 10.0 °C."; !setpoint.moved"#,
    );
}

#[test]
fn beer_beyond_the_limits_is_clamped_at_pitch() {
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '10 C'\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 29.0          |
        0:05 pitch schedule="beer" | set 25.0"#,
    );
    let narrow = NORTH.replace(r#"warmest = "26 C""#, r#"warmest = "22 C""#);
    check_in(
        &narrow,
        &stage,
        r#"
        0:00 beer at 29.0          |
        0:05 pitch schedule="beer" | set 22.0"#,
    );
}

#[test]
fn the_setpoint_stands_still_while_the_daemon_is_down() {
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '10 C'\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | set 20.0
        2:05 restart after 10:00   | daemon.started; set 19.0
        4:05 tick                  | set 18.0"#,
    );
}

#[test]
fn a_smooth_line_in_time() {
    let stage =
        format!("[[stage]]\nname = 'warm'\ntarget = {{ to = '18 C', over = '12 h' }}\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 12.0          |
        0:05 pitch schedule="beer" | set 12.0; setpoint.moved "from 12.0 °C to 18.0 °C"
        4:05 tick                  | set 14.0; !setpoint.moved
        12:05 tick                 | set 18.0; setpoint.moved "arrived at 18.0 °C, from 12.0 °C""#,
    );
}

#[test]
fn a_line_at_a_rate_is_bounded_by_the_ramp() {
    // 2 C/h are asked, 1 C/h is the limit.
    let stage =
        format!("[[stage]]\nname = 'warm'\ntarget = {{ to = '18 C', rate = '48 C/d' }}\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 12.0          |
        0:05 pitch schedule="beer" | set 12.0
        3:05 tick                  | set 15.0
        6:06 tick                  | set 18.0; setpoint.moved "arrived""#,
    );
}

#[test]
fn steps_in_time_jump_when_their_share_of_the_way_is_done() {
    let target = "target = { to = '16 C', over = '24 h', steps = 2 }";
    let stage = format!("[[stage]]\nname = 'warm'\n{target}\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 12.0          |
        0:05 pitch schedule="beer" | set 12.0; !setpoint.moved
        12:04 tick                 | set 12.0; !setpoint.moved
        13:05 tick                 | set 13.0; setpoint.moved "from 12.0 °C to 14.0 °C"
        14:06 tick                 | set 14.0; setpoint.moved "arrived at 14.0 °C"
        26:06 tick                 | set 16.0; setpoint.moved "from 14.0"
                                   | setpoint.moved "arrived at 16.0""#,
    );
}

#[test]
fn a_climb_follows_the_beer_one_way_only_and_stands_while_nothing_is_known() {
    let stages = r#"
        [[stage]]
        name = "climb"
        target = { to = "16 C", along = "attenuation", from = "20 %", until = "60 %", steps = 4 }
        until = { elapsed = "20 d" }
        "#;
    check(
        stages,
        r#"
        0:00 beer at 10.0                               |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | set 10.0
        0:10 fall 1.048 to 1.012 in 72 h                |
        0:30 beer follows                               |
        1+12:00 tick                                    | set 11.5; setpoint.moved "to 11.5 °C"
                                                        | setpoint.moved "arrived at 11.5 °C"
        3+12:00 tick                                    | set 16.0
        3+12:00 fall 1.012 to 1.040 in 12 h             |
        5+00:00 tick                                    | set 16.0; !setpoint.moved"#,
    );
    check(
        stages,
        r#"
        0:00 beer at 10.0          |
        0:05 pitch schedule="beer" | set 10.0
        6+00:00 tick               | set 10.0; !setpoint.moved"#,
    );
}

#[test]
fn free_rise_follows_the_beer_up_to_its_ceiling_and_does_not_heat() {
    let stages = r#"
        [[stage]]
        name = "rise"
        target = { free_rise = "24 C" }
        until = { elapsed = "1 d" }
        [[stage]]
        name = "rest"
        target = "20 C"
        until = { elapsed = "9 d" }
        "#;
    check(
        stages,
        r#"
        0:00 beer at 17.0          |
        0:05 pitch schedule="beer" | set 17.0; stage.entered "free to rise to 24.0 °C, not heated"
        1:00 beer at 12.0          |
        3:00 tick                  | set 12.0; heater off; chiller off
        4:00 beer at 22.5          |
        6:00 tick                  | set 22.5; heater off; chiller off
        7:00 beer at 24.5          |
        8:00 tick                  | set 24.0; chiller on
        9:00 beer at 23.0          |
        24:04 tick                 | set 23.0; chiller off; heater off
        24:05 tick                 | stage rest; set 23.0
                                   | stage.entered "Setpoint 23.0 °C, then 20.0 °C"
        26:05 tick                 | set 22.0"#,
    );
}

#[test]
fn free_rise_heats_only_below_its_floor() {
    let stages = r#"
        [[stage]]
        name = "rise"
        target = { free_rise = "24 C", not_below = "18 C" }
        until = { elapsed = "9 d" }
        "#;
    check(
        stages,
        r#"
        0:00 beer at 19.0          |
        0:05 pitch schedule="beer" | set 19.0
        1:00 tick                  | heater off; chiller off
        1:01 beer at 17.5          |
        2:00 tick                  | heater on; chiller off
        2:01 beer at 18.1          |
        3:00 tick                  | heater off; chiller off"#,
    );
}

#[test]
fn a_silent_probe_leaves_a_free_rise_where_it_was() {
    let stages =
        "[[stage]]\nname = 'rise'\ntarget = { free_rise = '24 C' }\nuntil = { elapsed = '9 d' }";
    check(
        stages,
        r#"
        0:00 beer at 19.0          |
        0:05 pitch schedule="beer" | set 19.0
        1:00 beer silent           |
        3:00 tick                  | set 19.0; heater off; chiller off"#,
    );
}

#[test]
fn the_schedules_narrower_limits_bind_too() {
    let schedule = r#"
        format = 1
        name = "Narrow"
        [expect]
        original_gravity = "12 P"
        final_gravity = "2.5 P"
        [limits]
        coldest = "8 C"
        warmest = "18 C"
        ramp_up = "1 C/h"
        ramp_down = "1 C/h"
        [[stage]]
        name = "primary"
        target = "10 C"
        until = { elapsed = "9 d" }
        "#;
    check_in(
        NORTH,
        schedule,
        r#"
        0:00 beer at 23.0          |
        0:05 pitch schedule="beer" | set 18.0
        8:06 tick                  | set 10.0
        8:07 hold                  | set 10.0
        9:00 tick                  | set 10.0"#,
    );
}

#[test]
fn a_hold_freezes_a_climb_in_time_where_it_stands() {
    let stage =
        format!("[[stage]]\nname = 'warm'\ntarget = {{ to = '18 C', over = '12 h' }}\n{DAYS}");
    check(
        &stage,
        r#"
        0:00 beer at 12.0          |
        0:05 pitch schedule="beer" |
        4:05 hold                  | ok; run held; run.held "Held at 14.0 °C"; set 14.0
        20:05 tick                 | set 14.0; !setpoint.moved
        20:05 resume               | ok; run running; run.resumed "16 h"; set 14.0
        24:05 tick                 | set 16.0
        28:06 tick                 | set 18.0; setpoint.moved "arrived""#,
    );
}

#[test]
fn thermostats_get_setpoints_a_hysteresis_apart() {
    let config = NORTH
        .replace("drive = \"switch\"\nseen", "drive = \"setpoint\"\nseen")
        .replace(
            "[vessel.north.chiller]\ndrive = \"switch\"",
            "[vessel.north.chiller]\ndrive = \"setpoint\"",
        )
        .replace("seen = { topic = \"cellar/plug\", on = \"ON\", off = \"OFF\" }\n", "");
    let stage = format!("[[stage]]\nname = 'primary'\ntarget = '18 C'\n{DAYS}");
    check_in(
        &config,
        &stage,
        r#"
        0:00 tick                  | told heater none; told chiller none
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | told heater 17.7; told chiller 18.3; heater on; chiller on
        1:00 beer silent           |
        1:20 tick                  | told heater none; told chiller none
                                   | alarm beer-silent stands"#,
    );
}
