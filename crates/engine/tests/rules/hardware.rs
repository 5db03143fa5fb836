//! Outputs that wear, thermostats, what surrounds a vessel, and where the probe hangs.

use crate::kit::{Bench, NORTH, check, check_in, north};
use quantity::Show;

const STAGE: &str = r#"
[[stage]]
name = "primary"
target = "18 C"
until = { elapsed = "30 d" }
"#;

fn with(replaced: &str, by: &str) -> String {
    assert!(NORTH.contains(replaced));
    NORTH.replace(replaced, by)
}

#[test]
fn each_day_has_its_line_and_the_batch_its_sum() {
    let powered = with("[vessel.north.chiller]", "[vessel.north.chiller]\npower = \"100 W\"");
    check_in(
        &powered,
        STAGE,
        r#"
        0:00 beer at 18.0            |
        0:00 battery 80              |
        0:00 fall 1.048 to 1.012 in 120 h |
        0:05 pitch schedule="beer"   | ok
        12:00 beer at 18.5           | !batch.noted
        12:07 beer at 17.9           | chiller on
        23:00 tick                   | chiller off; !batch.noted
        1+00:05 tick | batch.noted "Chiller: 1 start, 0.1 h on, about 0.01 kWh. Battery of"
        1+00:06 tick                 | !batch.noted
        2+00:05 tick | batch.noted "points lower. Heater not used. Chiller not used."
        2+01:00 stop | ok; batch.stopped "Heater not used. Chiller: 1 start, 0.1 h""#,
    );
}

#[test]
fn the_state_tells_starts_hours_and_energy_of_the_day_and_of_the_batch() {
    let powered = with("[vessel.north.chiller]", "[vessel.north.chiller]\npower = \"100 W\"");
    let mut bench = Bench::new(&powered, Show::default());
    bench.put("beer", STAGE);
    bench.run(
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" |
        1:00 beer at 19.0          |
        1:31 tick                  | chiller on
        1:31 beer at 18.0          |
        1:40 tick                  | chiller off"#,
    );
    let wear = |bench: &Bench| bench.engine.view(&north()).unwrap().outputs.chiller_wear.unwrap();
    let before = wear(&bench);
    assert_eq!((before.day_starts, before.batch_starts), (1, Some(1)));
    assert!((before.day_kwh.unwrap() - 0.1 * before.day_on_h).abs() < 1e-12);
    assert!(before.day_on_h > 0.5 && before.day_on_h < 0.6, "{}", before.day_on_h);
    // A day later it is no more of the last day, and still of the batch.
    bench.run("2+00:00 tick |");
    let after = wear(&bench);
    assert_eq!((after.day_starts, after.batch_starts), (0, Some(1)));
    assert_eq!(after.batch_on_h, before.batch_on_h);
    // Another process goes on counting.
    bench.run("2+00:01 restart after 0:01 |");
    assert_eq!(wear(&bench).batch_starts, Some(1));
}

#[test]
fn a_descent_below_5_degrees_is_gentle() {
    let stage = "[[stage]]\nname = 'cold'\ntarget = '1 C'\nuntil = { elapsed = '9 d' }";
    check(
        stage,
        r#"
        0:00 beer at 6.0           |
        0:05 pitch schedule="beer" | set 6.0
        2:05 tick                  | set 5.0
        6:05 tick                  | set 4.0
        18:05 tick                 | set 1.0"#,
    );
}

const THERMOSTATS: &str = r#"
[vessel.north.heater]
drive = "setpoint"
[vessel.north.chiller]
drive = "setpoint"
[vessel.north.surround]
topic = "cellar/air"
read = { unit = "C" }
every = "60 s"
below_beer = "8 C"
coldest = "-2 C"
"#;

fn thermostats() -> String {
    let (head, control) = NORTH.split_once("[vessel.north.control]").unwrap();
    let (head, _) = head.split_once("[vessel.north.heater]").unwrap();
    format!("{head}{THERMOSTATS}[vessel.north.control]{control}")
}

#[test]
fn a_thermostat_without_effect_is_told_by_the_beer_alone() {
    check_in(
        &thermostats(),
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | ok; chiller on; heater on
        1:00 beer at 19.6          |
        3:50 tick                  | !alarm.raised "chiller"
        4:30 tick                  | alarm chiller-no-effect stands
        5:00 beer at 18.2          |
        5:30 tick                  | alarm chiller-no-effect gone"#,
    );
}

#[test]
fn a_thermostat_is_told_nothing_while_its_surroundings_are_at_their_limit() {
    check_in(
        &thermostats(),
        STAGE,
        r#"
        0:00 beer at 18.0          |
        0:05 pitch schedule="beer" | chiller on
        0:10 surround 9.9          | chiller off
        0:11 surround 10.5         | chiller off
        0:12 surround 11.1         | chiller on"#,
    );
}

#[test]
fn a_probe_that_differs_from_the_float_in_the_same_beer_is_told() {
    // The kit's float reports the setpoint as its temperature.
    check(
        STAGE,
        r#"
        0:00 beer at 18.0                 |
        0:00 fall 1.048 to 1.012 in 120 h |
        0:05 pitch schedule="beer"        | ok
        5:00 beer at 20.5                 |
        9:00 tick                         | !alarm.raised "probe-misplaced"
        9:00 beer at 21.4                 |
        10:59 tick                        | !alarm.raised "probe-misplaced"
        11:30 tick                        | alarm probe-misplaced stands
                                          | alarm.raised "float in the same beer 18.0 °C""#,
    );
}

#[test]
fn a_beer_that_does_not_move_accuses_no_wiring() {
    check(
        STAGE,
        r#"
        0:00 beer at 19.0          |
        0:05 pitch schedule="beer" | ok
        2:30 tick                  | chiller on; !alarm.raised "chiller"
        3:00 tick                  | alarm.raised "the beer does not answer"
                                   | !alarm.raised "wrong way round""#,
    );
}
