//! Commands: accepted or refused in every run state, each once, and what `revise` keeps.

use crate::kit::{Bench, NORTH, SOUTH, check};
use quantity::Show;

const LONG: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\n\
                    until = { all = [ { elapsed = '9 d' }, { confirm = 'Clean' } ] }\n";

/// How to come into each run state.
const STATES: [(&str, &[&str]); 6] = [
    ("idle", &[]),
    ("running", &[r#"pitch schedule="beer""#]),
    ("held", &[r#"pitch schedule="beer""#, "hold"]),
    ("stopped", &[r#"pitch schedule="beer""#, "stop"]),
    ("aborted", &[r#"pitch schedule="beer""#, "abort"]),
    ("complete", &[r#"pitch schedule="beer""#, "advance"]),
];

/// Each command, and the states in which it is accepted.
const TABLE: &[(&str, &str)] = &[
    (r#"pitch schedule="beer""#, "idle stopped aborted"),
    ("hold", "running"),
    (r#"hold target="17 C""#, "running"),
    ("resume", "held"),
    ("advance", "running held"),
    (r#"advance to="primary""#, "running held"),
    (r#"nudge by="1 C""#, "running held"),
    (r#"nudge target="17 C" until="6 h""#, "running held"),
    (r#"confirm say="Clean""#, "running held"),
    (r#"expect final_gravity="1.010 SG" because="Forced test""#, "running held"),
    ("revise", "running held"),
    (r#"sample gravity="1.040 SG""#, ANY),
    (r#"addition what="candi sugar" extract="300 g""#, "running held"),
    (r#"addition what="dry hops""#, "running held"),
    (r#"source name="float" do="aside""#, ANY),
    (r#"source name="float" do="exchanged""#, ANY),
    (r#"note text="A line""#, ANY),
    (r#"move to="south""#, "running held"),
    (r#"move to="south" keep="yes" volume="10 L""#, "running held"),
    (r#"park target="12 C""#, "idle stopped aborted"),
    ("unpark", "idle stopped aborted"),
    (r#"lock because="Cleaning""#, ANY),
    ("unlock", ANY),
    ("acknowledge", ANY),
    ("stop", "running held complete"),
    ("abort", ANY),
];
const ANY: &str = "idle running held stopped aborted complete";

/// Every command in every state: the way there, the state, the command, and whether it is accepted.
fn cases() -> impl Iterator<Item = (&'static [&'static str], &'static str, &'static str, bool)> {
    TABLE.iter().flat_map(|(command, accepted)| {
        STATES.iter().map(|(state, way)| {
            (*way, *state, *command, accepted.split(' ').any(|known| known == *state))
        })
    })
}

/// A vessel that was led into a state, with an idle one beside it.
fn led(way: &[&str], state: &str) -> Bench {
    let mut bench = Bench::new(&format!("{NORTH}{SOUTH}"), Show::default());
    bench.put("beer", LONG);
    bench.run("0:00 tick");
    for step in way {
        bench.run(&format!("0:05 {step} | ok"));
    }
    bench.run(&format!("0:06 tick | run {state}"));
    bench
}

#[test]
fn every_command_is_in_the_table_of_states() {
    // Of what is accepted anywhere `shelve` needs an alarm: it has a test of its own.
    for (name, _) in engine::command::COMMANDS.iter().filter(|(name, _)| *name != "shelve") {
        let known = |(command, _): &(&str, &str)| command.split(' ').next() == Some(*name);
        assert!(TABLE.iter().any(known), "{name}");
    }
}

#[test]
fn every_command_in_every_state_is_accepted_or_refused() {
    for (way, state, command, accepted) in cases() {
        let mut bench = led(way, state);
        let name = command.split(' ').next().unwrap();
        if accepted {
            bench.run(&format!("0:07 {command} | ok; command.accepted \"{name}\""));
        } else {
            let why = format!("north is {state}; `{name}` is accepted while ");
            bench.run(&format!(
                "0:07 {command} | refused \"{why}\"; run {state}\n\
                 | command.refused \"{name} refused\""
            ));
        }
    }
}

/// The process ends between the state and the command, and again between the command and its copy.
#[test]
fn every_command_in_every_state_is_done_once_over_restarts() {
    for (way, state, command, accepted) in cases() {
        let mut bench = led(way, state);
        bench.run("0:06 restart after 0:30");
        let reply = if accepted { "ok".to_owned() } else { format!("refused \"{state}\"") };
        bench.run(&format!("0:07 #a {command} | {reply}"));
        let run = bench.engine.glance(&crate::kit::north()).unwrap().run;
        bench.run(&format!(
            "0:07 restart after 0:30 | daemon.started; run {run}\n\
             0:07 #a {command} | {reply}; nothing; run {run}"
        ));
    }
}

#[test]
fn a_second_copy_changes_nothing_and_gets_the_first_reply() {
    check(
        LONG,
        r#"
        0:00 beer at 18.0              |
        0:05 #a pitch schedule="beer"  | ok "north-1"; batch.pitched
        0:06 #a pitch schedule="beer"  | ok "north-1"; nothing
        0:07 #b hold                   | ok; run held
        0:08 #c hold                   | refused "north is held"
        0:09 #b hold                   | ok; nothing
        0:10 resume                    | ok; run running
        0:11 #b hold                   | ok "held"; run running; nothing
        0:12 #c hold                   | refused "north is held"; run running
        0:13 restart after 5:00        | daemon.started
        0:14 #b hold                   | ok "held"; run running; nothing"#,
    );
}

#[test]
fn a_copy_of_an_acknowledgement_does_not_reach_a_later_alarm() {
    check(
        LONG,
        r#"
        0:00 link down       |
        0:02 tick            | alarm link-down stands
        0:03 #a acknowledge  | ok "link-down"; alarm.acknowledged; alarm link-down seen
        0:04 link up         |
        0:10 tick            | alarm.returned "link-down"
        0:11 link down       |
        0:13 tick            | alarm link-down stands
        0:14 #a acknowledge  | ok "link-down"; alarm link-down stands; nothing"#,
    );
}

#[test]
fn pitch_says_what_it_cannot_do() {
    check(
        LONG,
        r#"
        0:00 file cold [[stage]]¶name="a"¶target="-1.5 C"¶until={elapsed="1 d"} |
        0:00 file broken [[stage]]¶name="a" |
        0:01 pitch schedule="nowhere"               | refused "the schedule `nowhere` was not read"
        0:01 pitch schedule="broken"                | refused "a stage needs `target`"
        0:01 pitch schedule="beer" stage="lagering" | refused "no stage `lagering`"
        0:01 pitch schedule="beer" at="2026-03-02T09:00:00Z" | refused "must lie in the past"
        0:01 pitch schedule="beer" final_gravity="1.010 SG" attenuation="80 %" | refused "give one"
        0:01 pitch                                  | refused "`pitch` needs `schedule`"
        0:01 pitch schedule="beer" volume="23"      | refused "volume"
        0:01 brew                                   | refused "is not a command"
        0:01 pitch schedule="beer"                  | ok; batch.pitched "north-1""#,
    );
}

#[test]
fn a_target_outside_the_vessels_limits_is_refused() {
    let warm = "[[stage]]\nname = 'a'\ntarget = '24.5 C'\nuntil = { elapsed = '1 d' }\n";
    let mut bench = Bench::new(&NORTH.replace("26 C", "24 C"), Show::default());
    bench.put("beer", warm);
    bench.put("fine", LONG);
    bench.run(
        r#"
        0:01 pitch schedule="beer"   | refused "goes to 24.5 °C, outside the vessel's limits"
        0:02 pitch schedule="fine"   | ok
        0:03 revise schedule="beer"  | refused "outside the vessel's limits"; run running"#,
    );
}

#[test]
fn batches_count_up_and_advance_completes_the_last_stage() {
    check(
        LONG,
        r#"
        0:01 pitch schedule="beer" | ok "north-1"
        0:02 advance               | ok "complete"; stage.left "a person advanced it"
                                   | batch.completed; run complete
        0:03 stop                  | ok
        0:04 pitch schedule="beer" | ok "north-2"
        0:05 abort                 | ok; batch.aborted; run aborted; told heater off"#,
    );
}

#[test]
fn advance_while_held_stays_held() {
    check(
        &format!(
            "{LONG}[[stage]]\nname = 'after'\ntarget = '18 C'\nuntil = {{ elapsed = '2 h' }}\n"
        ),
        r#"
        0:05 pitch schedule="beer" | ok
        0:10 hold                  | ok
        0:15 advance               | ok "after"; run held; stage after
        9:15 tick                  | stage after
        9:15 resume                | ok
        11:14 tick                 | stage after
        11:16 tick                 | batch.completed"#,
    );
}

#[test]
fn revise_keeps_the_clock_and_what_was_confirmed() {
    let stages = "[[stage]]\nname = 'primary'\ntarget = '18 C'\n\
                  until = { all = [ { elapsed = '5 h' }, { confirm = 'Clean' } ] }\n";
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", stages);
    bench.run(
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok
        1:00 confirm               | ok"#,
    );
    let first = "[[stage]]\nname = 'before'\ntarget = '18 C'\nuntil = { elapsed = '1 d' }\n";
    bench.put("beer", &format!("{first}{}", stages.replace("5 h", "3 h").replace("18 C", "19 C")));
    bench.run(
        r#"
        2:00 tick   | set 18.0
        2:05 revise | ok; batch.revised "it stays in primary, stage 2 of 2"; stage primary
        3:04 tick   | set 19.0; stage primary
        3:06 tick   | run complete; batch.completed"#,
    );
    bench.put("beer", first);
}

#[test]
fn revise_is_refused_where_the_stage_is_gone_or_the_file_is_bad() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    bench.run(r#"0:05 pitch schedule="beer" | ok"#);
    bench.put("beer", &LONG.replace("primary", "main"));
    bench.run(r#"0:06 revise | refused "has no stage `primary`, in which the batch is""#);
    bench.put("beer", &LONG.replace("18 C", "18"));
    bench.run(
        r#"0:07 revise | refused "the temperature `18` has no unit"; stage primary; run running"#,
    );
}

#[test]
fn revise_does_not_repeat_notices_and_bounds_anew() {
    let bounded = |time: &str| {
        format!(
            "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = {{ gravity = '1.030 SG' }}\n\
             at_most = {{ time = '{time}', then = 'alarm' }}\n\
             [[stage.notice]]\nsay = 'Taste it'\nwhen = {{ elapsed = '1 h' }}\n"
        )
    };
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", &bounded("2 h"));
    bench.run(
        r#"
        0:00 pitch schedule="beer" | ok
        1:01 tick                  | notice.due "Taste it"
        2:01 tick                  | alarm stage-overdue stands
        2:02 revise                | ok; alarm stage-overdue stands; !alarm.returned; !notice.due"#,
    );
    bench.put("beer", &bounded("4 h"));
    bench.run(
        r#"
        2:03 revise                | ok; alarm.returned "stage-overdue"
        3:59 tick                  | !notice.due; alarm stage-overdue gone
        4:01 tick                  | alarm stage-overdue stands"#,
    );
}

#[test]
fn revise_takes_the_edited_expectation_unless_the_pitch_had_its_own() {
    let schedule = |last: &str| {
        format!(
            "format = 1\nname = 'X'\n[expect]\noriginal_gravity = '1.048 SG'\n\
             final_gravity = '{last}'\n\
             [[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = {{ above_final = '4 points' }}\n\
             at_most = {{ time = '20 d', then = 'alarm' }}\n"
        )
    };
    for (own, done) in [("", "complete"), (r#" final_gravity="1.010 SG""#, "running")] {
        let mut bench = Bench::new(NORTH, Show::default());
        bench.put("beer", &schedule("1.010 SG"));
        bench.run(&format!(
            r#"
            0:00 beer at 18.0 |
            0:05 pitch schedule="beer" original_gravity="1.048 SG"{own} | ok
            0:10 fall 1.048 to 1.020 in 48 h |
            5+00:00 tick | run running"#
        ));
        bench.put("beer", &schedule("1.020 SG"));
        bench.run(&format!("5+00:00 revise | ok\n5+02:00 tick | run {done}"));
    }
}

#[test]
fn a_sample_is_recorded_and_believed() {
    check(
        LONG,
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        1+00:00 sample gravity="1.030 SG" temperature="25 C" instrument="hydrometer" | ok
                | sample.taken "Sample by hydrometer: 1.03"
        1+00:01 sample gravity="1.030 SG" taken="2026-03-09T06:00:00Z" | refused "in the past"
        1+00:02 sample gravity="8 Bx" instrument="refractometer" | ok; sample.taken "± 3.0 points"
        1+00:03 sample gravity="1.03" | refused "gravity"
        1+00:04 sample                | refused "needs `gravity`"
        1+00:05 sample gravity="1.030 SG" instrument="tongue" | refused "is not an instrument""#,
    );
}

#[test]
fn texts_of_any_length_do_not_stay() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    let long = "x".repeat(5000);
    bench.run(&format!(
        r#"
        0:01 note text="{long}"                     | refused "at most 4000 characters"
        0:01 #{long} note text="short"              | refused "at most 200 characters"
        0:02 pitch schedule="beer" name="{long}"    | refused "at most 200 characters"
        0:03 note text="A line that a person wrote" | ok; batch.noted "A line that a person wrote""#
    ));
    assert!(!serde_json::to_string(bench.engine.state()).unwrap().contains(&long));
}

#[test]
fn the_id_of_a_vessel_that_is_not_there_is_answered() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.run("0:00 tick");
    let effects = bench.engine.handle(
        engine::Now::same(quantity::Stamp::from_millis(crate::kit::START + 1000)),
        engine::Input::from(engine::CommandInput {
            vessel: schedule::Name::parse("south").unwrap(),
            id: Some("a".to_owned()),
            by: None,
            command: Ok(engine::Command::Hold { target: None }),
            schedule: None,
            calibration: None,
            history: Vec::new(),
        }),
    );
    let [engine::Effect::Reply(reply)] = effects.as_slice() else { panic!("{effects:?}") };
    assert_eq!((reply.ok, reply.text.as_str()), (false, "there is no vessel `south`: north"));
}
