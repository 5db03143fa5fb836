//! Stories of what a brewer does to a beer, each a diary of days against a simulated beer.

use barmkeep_tests::story::{Place, Story, usual_vessel};
use plant::vessel::Parameters;
use serde_json::json;

const LAGER: &str = r#"
format = 1
name   = "Pale lager"

[expect]
original_gravity = "12 P"
attenuation      = "78 %"
begins_within    = "48 h"

[limits]
coldest = "0 C"
warmest = "20 C"

[[stage]]
name    = "primary"
target  = "11 C"
until   = { attenuation = "60 %" }
at_most = { time = "14 d", then = "alarm" }

[[stage]]
name    = "diacetyl rest"
target  = "15 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "14 d", then = "alarm" }
"#;

const ALE: &str = r#"
format = 1
name   = "Pale ale"

[expect]
original_gravity = "12 P"
attenuation      = "78 %"

[limits]
coldest = "2 C"
warmest = "24 C"

[[stage]]
name    = "fermentation"
target  = "18 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "20 d", then = "alarm" }

[[stage]]
name    = "maturing"
target  = "18 C"
until   = { elapsed = "2 d" }
"#;

const FARMHOUSE: &str = r#"
format = 1
name   = "Farmhouse ale"

[expect]
original_gravity = "13 P"
attenuation      = "88 %"

[[stage]]
name    = "free rise"
target  = { free_rise = "28 C", not_below = "19 C" }
until   = { attenuation = "80 %" }
at_most = { time = "14 d", then = "alarm" }

[[stage]]
name    = "rest"
target  = "19 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "20 d", then = "alarm" }
"#;

#[test]
fn a_lager_whose_yeast_never_begins() {
    let place = Place::new("12 P", "78 %").starts_at(12.0);
    let files = [("lager", LAGER)];
    let mut story = Story::begin(&usual_vessel("north"), &files, vec![("north", place)]);
    // A Sunday. The packet had lain in the sun, but nobody knows.
    story
        .tell("north", json!({"do": "pitch", "schedule": "lager", "original_gravity": "12 P"}))
        .saw("batch.pitched", "Pale lager")
        .saw("stage.entered", "Stage 1 of 2, primary");
    // Two days without a bubble: the program waits as long as the schedule says.
    story.day(1.9).never("alarm.raised", "not-begun");
    story.day(2.1).saw("alarm.raised", "not-begun (high): no fall of gravity was shown within 2 d");
    // The brewer looks, smells, and takes a sample: still wort.
    story
        .day(2.3)
        .tell("north", json!({"do": "acknowledge", "alarm": "not-begun", "sender": "ann"}))
        .tell("north", json!({"do": "sample", "gravity": "12 P", "temperature": "20 C"}))
        .saw("alarm.acknowledged", "not-begun")
        .saw("sample.taken", "1.048");
    // A fresh packet goes in; the beer is the same batch.
    story
        .day(2.5)
        .tell("north", json!({"do": "note", "text": "A second packet of yeast"}))
        .yeast("north");
    story.await_record(2.5, "alarm.returned", "not-begun");
    story.await_record(12.0, "stage.entered", "Stage 2 of 2, diacetyl rest");
    assert!(story.true_attenuation("north") > 0.58);
    story.await_record(16.0, "batch.completed", "Batch complete");
    assert!(story.true_attenuation("north") > 0.76, "{}", story.true_attenuation("north"));
    story.never("alarm.raised", "Alarm gravity").never("alarm.raised", "Alarm stalled");
}

/// A bare vessel that is wrapped in blankets: an engineering estimate, no source.
fn wrapped() -> Parameters {
    Parameters {
        beer_chamber_w_per_k: 1.0,
        chamber_ambient_w_per_k: 1.0,
        beer_ambient_w_per_k: 0.3,
        heater_to_beer: 0.8,
        ..Place::new("13 P", "88 %").vessel
    }
}

#[test]
fn a_farmhouse_ale_in_free_rise_in_a_cold_garage() {
    let place = Place::new("13 P", "88 %").starts_at(20.0).around(8.0, 4.0).yeast(2.5, 8);
    let place = Place { vessel: wrapped(), ..place };
    // There is a heating belt, and no fridge.
    let config = usual_vessel("north");
    let (config, _) = config.split_once("[vessel.north.chiller]").expect("it has one");
    let config = config.replace("26 C", "30 C");
    let mut story = Story::begin(&config, &[("farmhouse", FARMHOUSE)], vec![("north", place)]);
    let pitch = json!({"do": "pitch", "schedule": "farmhouse", "original_gravity": "13 P"});
    story.tell("north", pitch).yeast("north").saw("stage.entered", "free rise");
    // It warms itself far above the garage, and the belt keeps off but near its floor.
    let (mut warmest, mut heated) = (0.0_f64, 0);
    while story.stands("north")["stage"] == "free rise" {
        story.hours(1.0);
        let beer = story.beer_celsius("north");
        warmest = warmest.max(beer);
        let stands = story.stands("north").clone();
        if stands["heater"] == "on" {
            heated += 1;
            assert!(beer < 19.6, "day {:.2}: heated at {beer}", story.today());
        }
        let setpoint = stands["setpoint_c"].as_f64().expect("a setpoint");
        if stands["stage"] == "free rise" {
            assert!((setpoint - beer).abs() < 0.5, "the setpoint is the beer's: {setpoint} {beer}");
        }
        assert!(story.today() < 14.0, "it does not come to its end");
    }
    assert!((21.0..28.3).contains(&warmest), "{warmest}");
    assert!(heated > 0, "the lag was cold: the belt was needed");
    // The rest begins from where the beer is, goes to 19 °C under the ramp, and the belt keeps it.
    story.saw("stage.left", "passed 80 %").saw("stage.entered", "Stage 2 of 2, rest, began");
    story.await_record(20.0, "batch.completed", "Batch complete");
    assert!((story.beer_celsius("north") - 19.0).abs() < 1.0, "{}", story.beer_celsius("north"));
    story.never("alarm.raised", "no-effect").never("alarm.raised", "off-target");
}

#[test]
fn a_wort_that_is_parked_overnight_and_pitched_in_the_morning() {
    let place = Place::new("12 P", "78 %").starts_at(26.0).around(18.0, 2.0);
    let files = [("ale", ALE)];
    let mut story = Story::begin(&usual_vessel("north"), &files, vec![("north", place)]);
    // The evening of the brew: the wort is too warm for the yeast, and the bed calls.
    story
        .day(0.5)
        .refused("north", json!({"do": "park", "target": "-3 C"}), "outside the vessel's limits")
        .tell("north", json!({"do": "park", "target": "17 C", "sender": "ann"}))
        .saw("run.parked", "Parked by ann at 17.0 °C")
        .saw("notice.due", "Caution before a fall of")
        .hours(0.5)
        .saw("output.switched", "Chiller on");
    assert_eq!(story.stands("north")["run"], "idle");
    // Morning: it is cool, and nothing was said that was not so.
    story.day(1.0);
    assert!((story.beer_celsius("north") - 17.0).abs() < 0.6, "{}", story.beer_celsius("north"));
    story.never("alarm.raised", "").never("notice.due", "wort");
    story
        .tell("north", json!({"do": "pitch", "schedule": "ale", "original_gravity": "12 P"}))
        .yeast("north")
        .saw("run.parked", "No longer parked at 17.0 °C, after 12 h: a batch begins")
        .saw("batch.pitched", "north-1");
    let setpoint = story.stands("north")["setpoint_c"].as_f64().expect("a setpoint");
    assert!((setpoint - 17.0).abs() < 0.6, "it begins at the beer's own: {setpoint}");
    story.await_record(14.0, "stage.left", "fermentation, ended");
    story.never("alarm.raised", "not-begun").never("alarm.raised", "off-target");
}

#[test]
fn a_wort_that_is_forgotten_says_so() {
    let place = Place::new("12 P", "78 %").starts_at(22.0);
    let files = [("ale", ALE)];
    let mut story = Story::begin(&usual_vessel("north"), &files, vec![("north", place)]);
    story.tell("north", json!({"do": "park", "target": "18 C"}));
    story.day(0.99).never("notice.due", "wort");
    story.day(1.02).saw("notice.due", "If it holds wort, pitch it now or cool it");
    // The fridge's lamp is changed meanwhile: no output may come on.
    story
        .day(1.2)
        .tell("north", json!({"do": "lock", "because": "Changing the lamp"}))
        .saw("run.locked", "locked off until `unlock`: Changing the lamp");
    story.day(1.49).not_since("notice.due", "wort").not_since("output.switched", " on");
    story
        .day(1.55)
        .saw("notice.due", "pitch it now or cool it")
        .tell("north", json!({"do": "unlock"}))
        .saw("run.locked", "Outputs unlocked")
        .tell("north", json!({"do": "park", "target": "4 C"}))
        .saw("run.parked", "Parked at 4.0 °C");
    story.day(2.5);
    assert!((story.beer_celsius("north") - 4.0).abs() < 1.0, "{}", story.beer_celsius("north"));
    story.tell("north", json!({"do": "unpark"})).hours(1.0);
    assert_eq!(story.stands("north")["setpoint_c"], serde_json::Value::Null);
    assert_eq!(story.stands("north")["chiller"], "off");
}

#[test]
fn a_stuck_batch_is_roused_by_a_nudge_of_two_degrees() {
    // The yeast drops out at 58 % and wakes at 19.5 °C.
    let place = Place::new("12 P", "78 %").yeast(1.5, 10).sticks_at("58 %", 19.5);
    let files = [("ale", ALE)];
    let mut story = Story::begin(&usual_vessel("north"), &files, vec![("north", place)]);
    let pitch = json!({"do": "pitch", "schedule": "ale", "original_gravity": "12 P"});
    story.tell("north", pitch).yeast("north");
    story.await_record(14.0, "alarm.raised", "stalled");
    let stuck = story.true_attenuation("north");
    assert!((0.56..0.61).contains(&stuck), "{stuck}");
    // It stays in its stage, whatever stands still.
    story.hours(48.0).never("stage.left", "");
    story
        .tell("north", json!({"do": "nudge", "by": "2 C", "sender": "ann"}))
        .saw("batch.noted", "Setpoint corrected by ann, by +2.0 °C, until the stage ends")
        .saw("setpoint.moved", "begins to move from 18.0 °C to 20.0 °C");
    story.await_record(1.0, "setpoint.moved", "arrived at 20.0 °C");
    story.await_record(6.0, "alarm.returned", "stalled");
    story.await_record(14.0, "stage.left", "fermentation, ended");
    assert!(story.true_attenuation("north") > 0.765, "{}", story.true_attenuation("north"));
    // The correction went with its stage.
    story.saw("stage.entered", "maturing").hours(6.0);
    assert_eq!(story.stands("north")["setpoint_c"], 18.0);
}
