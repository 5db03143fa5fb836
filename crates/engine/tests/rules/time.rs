//! Two clocks, starts and orderly ends.

use crate::kit::{Bench, NORTH, check};
use quantity::Show;

const STAGES: &str = "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = { elapsed = '5 h' }\n\
                      [[stage]]\nname = 'b'\ntarget = '18 C'\nuntil = { elapsed = '9 d' }\n";

#[test]
fn a_step_of_the_wall_clock_moves_nothing() {
    check(
        STAGES,
        r#"
        0:05 pitch schedule="beer" | ok
        1:00 clock + 6:00          |
        1:00:10 tick               | clock.stepped "stepped forward by 6 h; no span moved by it"
                                   | stage a
        5:04:50 tick               | stage a
        5:05 tick                  | stage b"#,
    );
}

#[test]
fn a_step_back_makes_time_doubtful_until_it_is_passed() {
    check(
        STAGES,
        r#"
        0:05 pitch schedule="beer" | ok
        4:00 clock - 2:00          |
        4:00:10 tick               | clock.stepped "stepped back by 2 h"
                                   | alarm.raised "clock-doubtful"; alarm clock-doubtful stands
        5:30 tick                  | stage a
        6:01 tick                  | alarm.returned "clock-doubtful"; stage b"#,
    );
    check(
        STAGES,
        r#"
        0:05 pitch schedule="beer" | ok
        4:00 clock - 9:00          |
        5:30 tick                  | stage a; alarm clock-doubtful stands
        5:30 acknowledge           | ok "clock-doubtful"; alarm.acknowledged
        5:31 tick                  | stage b; alarm clock-doubtful gone"#,
    );
}

#[test]
fn time_away_counts_for_the_stage() {
    check(
        STAGES,
        r#"
        0:05 pitch schedule="beer" | ok
        1:05 restart after 3:59    | daemon.started; stage a
        1:07 tick                  | stage b; stage.left "It took 5 h""#,
    );
}

#[test]
fn a_machine_without_a_clock_learns_its_time_away_soon_after_the_start() {
    // Away for 3 h 30 min, but the clock came up half an hour behind the record.
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGES);
    bench.run(
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:05 crash                 |
        1:05 clock - 0:30          |
        1:05 start                 | daemon.started; alarm clock-doubtful stands; chiller off
        1:06 tick                  | stage a
        1:06 clock + 4:00          |
        1:06:10 tick               | clock.stepped "3 h 30 min of it count as time away"
                                   | alarm.returned "clock-doubtful"; stage a
                                   | alarm beer-silent gone; set 18.0
        1:09:50 tick               | chiller off
        1:34 tick                  | stage a
        1:35:10 tick               | stage b"#,
    );
}

#[test]
fn after_a_start_no_older_temperature_counts() {
    let begin = r#"
        0:00 beer at 20.0          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | chiller on
        1:00:05 beer silent        |"#;
    // Seven minutes old by a clock that says how long it stood; but one that was kept at the time
    // of its last shutdown says so as well …
    let told = r#"
        1:01 restart after 0:00:10 | daemon.started; chiller off"#;
    // … and by one that is behind the record.
    let behind = r#"
        1:01 crash                 |
        1:01 clock - 0:30          |
        1:01 start                 | daemon.started; alarm clock-doubtful stands; chiller off"#;
    let end = r#"
        1:07 tick                  | chiller off; because "no beer temperature"
        1:10 beer at 20.0          |
        1:14 tick                  | chiller on"#;
    for start in [told, behind] {
        check(STAGES, &format!("{begin}{start}{end}"));
    }
}

#[test]
fn a_start_leaves_no_stage_before_it_is_known_that_something_can_be_written() {
    check(
        STAGES,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 restart after 9:00:00 | daemon.started; stage a
        1:00 store fails           | stage a
        1:01 tick                  | stage a
        1:02 store works           | stage b"#,
    );
}

#[test]
fn compressor_rest_is_not_served_by_a_step_of_the_clock() {
    check(
        STAGES,
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | chiller on
        1:00 restart after 0:00:30 | chiller off
        1:01 clock + 5:00          |
        1:04:50 tick               | chiller off
        1:05:30 tick               | chiller on"#,
    );
}

/// What the outputs did last may not have been written: on a full disk for hours.
#[test]
fn a_compressor_rests_after_a_start_whose_end_before_nobody_saw() {
    let cold = r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 beer at 20.0          |
        1:06 tick                  | chiller on
        1:08 beer at 17.9          |
        1:12 tick                  | chiller off"#;
    let crashed = r#"
        3:00 restart after 0:00:30 |
        3:00 beer at 20.0          |
        3:04:50 tick               | chiller off
        3:05:10 tick               | chiller on"#;
    let ended = r#"
        3:00 end                   |
        3:00 restart after 0:00:30 |
        3:00:10 beer at 20.0       |
        3:01 tick                  | chiller on"#;
    for end in [crashed, ended] {
        check(STAGES, &format!("{cold}{end}"));
    }
}

#[test]
fn an_orderly_end_switches_off_and_says_so() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGES);
    bench.run(
        r#"
        0:00 beer at 18.5          |
        0:05 pitch schedule="beer" | ok
        1:00 tick                  | chiller on"#,
    );
    bench.give(engine::Input::Stopping);
    bench.run("1:00 crash | run running; chiller off");
    let last: Vec<&str> = bench.log.iter().rev().take(2).map(|r| r.kind.as_str()).collect();
    assert_eq!(last, ["daemon.stopped", "output.switched"]);
}

#[test]
fn a_repeated_tick_at_the_same_time_gives_nothing() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGES);
    bench.run(r#"0:05 pitch schedule="beer" | ok"#);
    bench.run("5:05 tick | stage b");
    let now = quantity::Stamp::from_millis(crate::kit::START + crate::kit::millis("5:05"));
    assert_eq!(bench.engine.handle(engine::Now::same(now), engine::Input::Tick), []);
}
