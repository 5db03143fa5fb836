//! Vessels that share a fridge or a cooler, and vessels that are only watched.

use crate::kit::{Bench, NORTH, SOUTH};
use quantity::Show;

const STAGE: &str = "[[stage]]\nname = 'a'\ntarget = '18 C'\nuntil = { elapsed = '9 d' }\n";

/// Three vessels, each with a valve on one cooler.
fn glycol(cooler: &str) -> String {
    let mut text = "format = 1\nstore.file = 'unused.db'\n".to_owned();
    for name in ["east", "north", "south"] {
        text.push_str(&format!(
            "[vessel.{name}]\nvolume = '23 L'\ncoldest = '0 C'\nwarmest = '26 C'\n\
             [vessel.{name}.beer]\ntopic = 'probe/{name}'\nread = {{ unit = 'C' }}\n\
             every = '60 s'\n\
             [vessel.{name}.chiller]\nfrom = 'glycol'\nmin_on = '1 min'\nmin_off = '1 min'\n\
             [vessel.{name}.control]\nanticipate = false\n"
        ));
    }
    format!("{text}[cooler.glycol]\n{cooler}\n")
}

fn bench(config: &str) -> Bench {
    let mut bench = Bench::new(config, Show::default());
    bench.put("beer", STAGE);
    bench
}

#[test]
fn any_valve_runs_the_cooler_and_its_rest_is_its_own() {
    bench(&glycol("min_on = '3 min'\nmin_off = '7 min'")).run(
        r#"
        0:00 beer at 18.0            |
        0:00 east: beer at 18.0      |
        0:00 pitch schedule="beer"   | ok
        0:00 east: pitch schedule="beer" | ok
        0:01 glycol: tick            | cooler off
        0:20 beer at 18.6            |
        0:22 tick                    | chiller on
        0:22 glycol: tick            | cooler on
        0:23 east: beer at 18.6      |
        0:25 east: tick              | chiller on
        0:26 beer at 17.9            |
        0:28 tick                    | chiller off
        0:28 glycol: tick            | cooler on
        0:29 east: beer at 17.9      |
        0:31 east: tick              | chiller off; output.switched "no valve calls"
        0:31 glycol: tick            | cooler off
        0:33 beer at 18.6            |
        0:35 tick                    | chiller on
        0:35 glycol: tick            | cooler off
        0:38 glycol: tick            | cooler on; output.switched "Cooler glycol on: north calls"
        0:38:30 beer at 17.9         |
        0:39:30 tick                 | chiller off
        0:39:30 glycol: tick         | cooler on
        0:42 glycol: tick            | cooler off"#,
    );
}

#[test]
fn a_start_after_a_crash_lets_the_compressor_rest() {
    bench(&glycol("min_off = '7 min'")).run(
        r#"
        0:00 beer at 19.0            |
        0:00 pitch schedule="beer" at="2026-03-02T06:00:00Z" | ok
        0:00 file cold [[stage]]¶name="a"¶target="5 C"¶until={elapsed="9 d"} |
        0:01 stop                    | ok
        0:01 pitch schedule="cold"   | ok
        2:00 glycol: tick            | cooler on
        2:01 restart after 0:03      | daemon.started
        2:01 glycol: tick            | cooler off
        2:02:10 tick                 | chiller on
        2:07:50 glycol: tick         | cooler off
        2:08:10 glycol: tick         | cooler on"#,
    );
}

#[test]
fn no_more_valves_are_open_than_may_and_each_has_its_turn() {
    let mut bench = bench(&glycol("at_once = 1"));
    bench.put("cold", "[[stage]]\nname = 'a'\ntarget = '2 C'\nuntil = { elapsed = '9 d' }\n");
    for name in ["east", "north", "south"] {
        bench.run(&format!("0:00 {name}: beer at 20.0\n0:01 {name}: pitch schedule=\"cold\" | ok"));
    }
    let mut open_for = [0_u32; 3];
    let mut longest = 0;
    let mut alone = [0_u32; 3];
    let mut beer = [20.0_f64; 3];
    for minute in 2..14 * 60 {
        for (place, name) in ["east", "north", "south"].iter().enumerate() {
            // An open valve takes 1.2 K/h, the cellar gives 0.1 K/h.
            beer[place] += (0.1 - if alone[place] > 0 { 1.2 } else { 0.0 }) / 60.0;
            let (hours, minutes) = (minute / 60, minute % 60);
            bench.run(&format!("{hours}:{minutes} {name}: beer at {:.4}", beer[place]));
        }
        let names = ["east", "north", "south"].map(|name| schedule::Name::parse(name).unwrap());
        let open = names.clone().map(|name| bench.engine.glance(&name).unwrap().chiller);
        assert!(open.iter().filter(|open| **open).count() <= 1, "minute {minute}: {open:?}");
        for (place, open) in open.into_iter().enumerate() {
            open_for[place] += u32::from(open);
            alone[place] = if open { alone[place] + 1 } else { 0 };
            longest = longest.max(alone[place]);
        }
        if minute < 120 {
            continue;
        }
        let waits = names.iter().filter(|name| {
            let because = bench.engine.view(name).unwrap().outputs.because;
            because.contains("its valve has waited for its turn") && because.contains("one valve")
        });
        assert!(waits.count() >= 1, "minute {minute}");
    }
    assert!(open_for.iter().all(|minutes| (250..300).contains(minutes)), "{open_for:?}");
    assert!(longest <= 21, "{longest}");
    assert!(beer.iter().all(|celsius| (celsius - beer[0]).abs() < 1.0), "{beer:?}");
}

#[test]
fn who_is_farthest_off_goes_first() {
    let mut bench = bench(&glycol("at_once = 1"));
    bench.run(
        r#"
        0:00 beer at 18.0                 |
        0:00 east: beer at 18.0           |
        0:00 pitch schedule="beer"        | ok
        0:00 east: pitch schedule="beer"  | ok
        0:30 east: beer at 18.5           |
        0:30 beer at 21.0                 |
        0:32 tick                         | chiller on
        0:32 east: tick                   | chiller off; because "first who has waited longest"
        0:40 beer at 17.9                 |
        0:43 tick                         | chiller off
        0:44 east: tick                   | chiller on"#,
    );
}

#[test]
fn a_reservoir_is_kept_cold_and_never_frozen_by_a_call() {
    let reservoir = "target = '-2 C'\nmin_off = '1 min'\n\
                     reservoir = { topic = 'probe/8', read = { unit = 'C' }, every = '5 min' }";
    bench(&glycol(reservoir)).run(
        r#"
        0:00 glycol: reservoir 4.0    |
        0:02 glycol: tick             | cooler on; output.switched "at 4.0 °C, is kept cold"
        0:05 glycol: reservoir 0.5    | cooler on
        0:08 glycol: reservoir -2.1   | cooler off; output.switched "is cold enough"
        0:10 beer at 20.0             |
        0:10 pitch schedule="beer"    | ok
        0:12 file cold [[stage]]¶name="a"¶target="5 C"¶until={elapsed="9 d"} |
        0:12 stop                     | ok
        0:12 pitch schedule="cold"    | ok
        1:00 tick                     | chiller on
        1:00 glycol: reservoir -2.6   | cooler off
        1:03 glycol: reservoir -2.1   | cooler off
        1:05 glycol: reservoir -1.6   | cooler on; output.switched "Cooler glycol on: north calls"
        1:08 glycol: reservoir -2.4   | cooler on
        1:09 glycol: reservoir -2.6   | cooler off
        1:10 glycol: reservoir 85.0   | reading.refused "no reservoir has such a temperature"
        1:24:10 tick                  | alarm reservoir-silent.glycol stands; chiller on
        1:25 glycol: tick             | cooler on
        1:26 glycol: reservoir -2.6   |
        1:26:10 tick                  | alarm reservoir-silent.glycol stands
        1:30 glycol: reservoir -2.6   |
        1:36:30 tick                  | alarm reservoir-silent.glycol gone"#,
    );
}

#[test]
fn a_cooler_whose_relay_says_otherwise_is_told() {
    let seen = "seen = { topic = 'relay/glycol' }";
    bench(&glycol(seen)).run(
        r#"
        0:01 glycol: seen chiller on    | cooler off
        0:02 tick                       | alarm output-disagrees.glycol stands
        0:03 glycol: seen chiller off   |
        0:04 tick                       | alarm output-disagrees.glycol stands
        0:14 tick                       | alarm output-disagrees.glycol gone
        0:15 glycol: seen chiller dunno | reading.refused "neither of the two words""#,
    );
}

#[test]
fn an_orderly_end_switches_the_cooler_off() {
    let mut bench = bench(&glycol(""));
    bench.put("cold", "[[stage]]\nname = 'a'\ntarget = '5 C'\nuntil = { elapsed = '9 d' }\n");
    bench.run(
        r#"
        0:00 beer at 20.0          |
        0:00 pitch schedule="cold" | ok
        1:00 glycol: tick          | cooler on
        1:01 end                   | output.switched "Cooler glycol off: the program ends"
        1:01 glycol: tick          | cooler off"#,
    );
}

#[test]
fn a_rider_drives_nothing_and_says_what_to_do() {
    let rider = SOUTH
        .replace("[vessel.south.heater]\n[vessel.south.chiller]\n", "")
        .replace("warmest = \"24 C\"\n", "warmest = \"24 C\"\nrides_with = \"north\"\n");
    let mut bench = bench(&format!("{NORTH}{rider}"));
    bench.put("cool", "[[stage]]\nname = 'a'\ntarget = '12 C'\nuntil = { at_target = '1 h' }\n");
    bench.run(
        r#"
        0:00 beer at 18.0                 |
        0:00 south: beer at 17.5          |
        0:01 south: pitch schedule="cool" | ok; because "north, which keeps no temperature now"
        0:01 pitch schedule="beer"        | ok
        0:02 south: tick                  | because "north, whose fridge is kept at 18.0 °C"
        11:30 south: tick                 | set 12.0; alarm off-target gone; chiller off
        13:20 south: tick                 | alarm off-target stands; !output.switched
                | alarm.raised "north's fridge is kept at 18.0 °C: cool it by other means"
        14:00 beer at 12.0                |
        14:00 south: beer at 12.0         |
        16:00 south: tick                 | run complete; alarm chiller-no-effect gone"#,
    );
}

#[test]
fn a_lock_on_either_vessel_of_a_fridge_keeps_its_outputs_off() {
    let rider = SOUTH
        .replace("[vessel.south.heater]\n[vessel.south.chiller]\n", "")
        .replace("warmest = \"24 C\"\n", "warmest = \"24 C\"\nrides_with = \"north\"\n");
    bench(&format!("{NORTH}{rider}")).run(
        r#"
        0:00 beer at 18.0                      |
        0:00 pitch schedule="beer"             | ok
        0:00 south: beer at 18.0               |
        0:00 south: pitch schedule="beer"      | ok
        1:00 beer at 20.0                      |
        1:01 tick                              | chiller on
        1:05 south: lock because="hands in it" | ok
        1:05 tick                              | chiller off; because "shares the fridge is locked"
        1:06 restart after 0:01                | daemon.started
        1:07 beer at 20.0                      |
        1:30 tick                              | chiller off
        1:31 south: unlock                     | ok
        1:40 beer at 20.0                      |
        1:41 tick                              | chiller on
        1:45 lock because="cleaning"           | ok
        1:45 tick                              | chiller off
        1:46 south: tick                       | because "north, which keeps no temperature now""#,
    );
}

#[test]
fn a_locked_valve_stays_shut_and_the_cooler_runs_for_the_others() {
    bench(&glycol("min_on = '1 min'\nmin_off = '7 min'")).run(
        r#"
        0:00 beer at 18.0                 |
        0:00 east: beer at 18.0           |
        0:00 pitch schedule="beer"        | ok
        0:00 east: pitch schedule="beer"  | ok
        0:00 lock because="service"       | ok
        0:20 beer at 20.0                 |
        0:22 tick                         | chiller off; because "locked"
        0:22 glycol: tick                 | cooler off
        0:23 east: beer at 20.0           |
        0:25 east: tick                   | chiller on
        0:25 glycol: tick                 | cooler on
        0:26 tick                         | chiller off"#,
    );
}

#[test]
fn a_vessel_that_is_only_watched_advises_and_raises_nothing_false() {
    let watched = NORTH
        .replace("[vessel.north.heater]\ndrive = \"switch\"\n", "")
        .replace("seen = { topic = \"cellar/plug\", on = \"ON\", off = \"OFF\" }\n", "")
        .replace("[vessel.north.chiller]\ndrive = \"switch\"\n", "");
    let mut bench = bench(&watched);
    bench.run(
        r#"
        0:00 beer at 21.0          |
        0:00 pitch schedule="beer" | ok
        9:00 tick                  | set 18.0; heater off; chiller off; alarm off-target stands
                | because "the beer, at 21.0 °C, should be cooled to 18.0 °C by hand"
                | alarm.raised "There is no chiller in use here: cool it by hand"
        9:01 beer at 18.1          |
        9:30 tick                  | alarm off-target gone; because "is near enough"
        3+00:00 tick               | !output.switched; alarm off-target gone
                | alarm beer-doubtful gone
                | alarm heater-no-effect gone; alarm chiller-no-effect gone"#,
    );
    let view = bench.engine.view(&crate::kit::north()).unwrap();
    assert_eq!((view.outputs.heater, view.outputs.chiller), (None, None));
}

#[test]
fn a_heater_alone_never_cools_and_a_chiller_out_of_use_is_never_driven() {
    let season = NORTH.replace(
        "[vessel.north.chiller]\ndrive = \"switch\"\n",
        "[vessel.north.chiller]\nout_of_use = true\nseen = { topic = \"cellar/plug/9\" }\n",
    );
    bench(&season).run(
        r#"
        0:00 beer at 21.0          |
        0:00 pitch schedule="beer" | ok
        0:30 seen chiller on       |
        9:00 tick                  | heater off; chiller off; alarm off-target stands
                | alarm output-disagrees gone; alarm chiller-no-effect gone
        9:10 beer at 17.0          |
        9:20 tick                  | heater on; output.switched "Heater on""#,
    );
}
