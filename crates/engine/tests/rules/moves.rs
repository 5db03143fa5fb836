//! A batch goes to another vessel, whole or in part.

use crate::kit::{Bench, NORTH, SOUTH};
use quantity::Show;

const STAGES: &str = r#"
[[stage]]
name = "primary"
target = "20 C"
until = { all = [ { drop = "10 points" }, { elapsed = "4 d" } ] }
at_most = { time = "9 d", then = "alarm" }
[[stage]]
name = "cold"
target = "3 C"
until = { elapsed = "2 d" }
"#;

fn two(stages: &str) -> Bench {
    let mut bench = Bench::new(&format!("{NORTH}{SOUTH}"), Show::default());
    bench.put("beer", stages);
    bench
}

#[test]
fn a_batch_travels_with_its_clock_and_latches_and_leaves_its_outputs_off() {
    two(STAGES).run(
        r#"
        0:00 beer at 20.0                                              |
        0:00 south: beer at 16.0                                       |
        0:05 pitch schedule="beer" original_gravity="1.048 SG"         | ok "north-1"
        0:10 fall 1.048 to 1.014 in 48 h                               |
        2+00:00 beer at 17.0                                           |
        2+00:05 tick                                                   | heater on
        2+01:00 #a move to="south"                                     | ok "north-1 is in south"
                | command.accepted; batch.moved "Batch north-1 goes from north to south"
                | batch.moved "Batch north-1 came from north to south, 23.0 L, in primary"
                | run idle; set none; heater off; told heater off
        2+01:00 south: tick | run running; stage primary; set 16.0
        2+01:01 #a move to="south" | ok "north-1 is in south"; !batch.moved; run idle
        2+01:30 south: tick | set 16.5
        2+02:00 restart after 0:30 | daemon.started
        2+02:01 #a move to="south" | ok "north-1 is in south"; !batch.moved; run idle
        2+02:01 south: tick | run running; stage primary
        3+23:30 south: tick | stage primary
        3+23:40 south: tick | stage cold; stage.left "gravity fallen by at least 10.0 points"
        4+00:06 pitch schedule="beer" | ok "north-2""#,
    );
}

#[test]
fn a_batch_whose_outputs_ran_is_told_to_be_off_at_once() {
    two(STAGES).run(
        r#"
        0:00 beer at 17.0          |
        0:00 pitch schedule="beer" | ok
        0:30 tick                  | heater on
        0:30:05 move to="south"    | ok; told heater off; heater off"#,
    );
}

#[test]
fn another_vessel_that_cannot_take_it_says_why() {
    two(STAGES).run(
        r#"
        0:00 file hot [[stage]]¶name="a"¶target="24.5 C"¶until={elapsed="1 d"} |
        0:01 pitch schedule="hot"    | ok
        0:02 move to="south"         | refused "goes to 24.5 °C, outside the limits of south"
        0:03 move to="east"          | refused "there is no vessel `east`: north, south"
        0:03 move to="north"         | refused "it is in north already"
        0:03 move                    | refused "`move` needs `to`"
        0:03 move to="south" keep="maybe" | refused "`keep`"
        0:04 stop                    | ok
        0:05 pitch schedule="beer"   | ok
        0:06 move to="south" volume="30 L" | refused "the batch has 23.0 L"
        0:06 move to="south" keep="yes" volume="23 L" | refused "the batch has 23.0 L"
        0:07 south: pitch schedule="beer" | ok "south-1"
        0:08 move to="south"         | refused "south is running: a batch moves to a vessel"
        0:09 south: stop             | ok
        0:10 store fails             |
        0:10 move to="south"         | refused "records cannot be written"
        0:11 store works             |
        0:11 move to="south"         | ok
        0:12 south: move to="north"  | ok
        0:12 tick                    | run running; stage primary
        0:13 advance                 | ok; stage cold
        0:14 move to="south"         | ok; batch.moved; notice.due "Caution before a fall""#,
    );
}

#[test]
fn what_is_kept_is_a_twin_with_a_name_of_its_own_and_both_go_on() {
    let mut bench = two(STAGES);
    bench.run(
        r#"
        0:00 beer at 20.0                                      |
        0:00 south: beer at 19.0                               |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok "north-1"
        0:10 fall 1.048 to 1.014 in 48 h                       |
        2+01:00 move to="south" keep="yes" volume="10 L"       | ok "north-1 is in south, north-2"
                | batch.moved "goes from north to south with 10.0 L. north-2 stays here"
                | batch.moved "Batch north-2 stays in north with 13.0 L: the part of north-1"
                | batch.moved "Batch north-1 came from north to south, 10.0 L"
                | run running; stage primary; set 20.0
        2+01:00 south: tick | run running; stage primary; set 19.0
        4+00:06 tick | stage cold
        4+00:06 south: tick | stage cold
        4+02:00 south: advance | ok; run complete
        4+02:00 tick | run running; stage cold"#,
    );
    let view = |name: &str| bench.engine.view(&schedule::Name::parse(name).unwrap()).unwrap();
    let (north, south) = (view("north"), view("south"));
    assert_eq!(
        (north.batch.as_deref(), north.parent.as_deref()),
        (Some("north-2"), Some("north-1"))
    );
    assert_eq!((south.batch.as_deref(), south.parent.as_deref()), (Some("north-1"), None));
    let offset = |state: &engine::view::State| {
        state.sources.iter().find(|source| source.name == "float").unwrap().offset_points
    };
    assert!(offset(&north).is_some() && offset(&south).is_none());
}

#[test]
fn what_is_held_is_held_there_too_and_an_overdue_stage_is_overdue() {
    let stage = "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = { gravity = '1.030 SG' }\n\
                 at_most = { time = '2 h', then = 'alarm' }\n";
    two(stage).run(
        r#"
        0:00 beer at 18.0                   |
        0:00 south: beer at 15.0            |
        0:00 pitch schedule="beer"          | ok
        2:01 tick                           | alarm stage-overdue stands
        2:02 hold                           | ok
        2:03 move to="south"                | ok; alarm stage-overdue gone; run idle
        2:03 south: tick                    | run held; set 15.0; alarm stage-overdue stands
        5:10 south: tick                    | set 18.0
        2:31 south: resume                  | ok; run running; stage a"#,
    );
}
