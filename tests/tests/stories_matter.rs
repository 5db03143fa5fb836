//! Stories of what goes into a beer and what becomes of its float, each a diary of days against a
//! simulated beer.

use barmkeep_tests::story::{Place, Story, float, usual_vessel};
use quantity::{plato_from_sg, sg_from_plato};
use serde_json::{Value, json};

const STRONG_ALE: &str = r#"
format = 1
name   = "Strong ale, fed with sugar"

[expect]
original_gravity = "16 P"
attenuation      = "80 %"
yeast_range      = ["17 C", "26 C"]

[limits]
coldest = "0 C"
warmest = "26 C"

[[stage]]
name    = "primary"
target  = { to = "24 C", along = "attenuation", from = "20 %", until = "60 %" }
until   = { attenuation = "70 %" }
at_most = { time = "14 d", then = "alarm" }

[[stage]]
name    = "to the end"
target  = "24 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "20 d", then = "alarm" }
"#;

const PALE_ALE: &str = r#"
format = 1
name   = "Pale ale, dry-hopped"

[expect]
original_gravity = "13 P"
attenuation      = "77 %"
yeast_range      = ["16 C", "22 C"]

[limits]
coldest = "0 C"
warmest = "22 C"

[[stage]]
name    = "primary"
target  = "18 C"
until   = { stable = { within = "1 points", over = "48 h" }, confirm = "The hops are in" }
at_most = { time = "14 d", then = "alarm" }

[[stage]]
name    = "on the hops"
target  = "18 C"
until   = { all = [ { stable = { within = "1 points", over = "48 h" } }, { elapsed = "1 d" } ] }
at_most = { time = "20 d", then = "alarm" }

[[stage]]
name    = "cold"
target  = { to = "2 C", over = "1 d" }
until   = { elapsed = "3 d" }
"#;

const ALE: &str = r#"
format = 1
name   = "Plain ale"

[expect]
original_gravity = "12 P"
attenuation      = "78 %"

[[stage]]
name    = "primary"
target  = "18 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "20 d", then = "alarm" }
"#;

fn pitch(schedule: &str, original: &str) -> Value {
    json!({ "do": "pitch", "schedule": schedule, "original_gravity": original, "volume": "20 L" })
}

/// A hand sample as it truly is.
fn sample(story: &mut Story) -> Value {
    let sg = story.true_sg("north");
    json!({ "do": "sample", "gravity": format!("{sg:.4} SG"), "uncertainty": "0.5 points" })
}

#[test]
fn a_belgian_strong_ale_is_fed_with_sugar_twice() {
    let place = Place::new("16 P", "80 %").volume("20 L").starts_at(18.0).yeast(2.0, 10);
    let mut story =
        Story::begin(&usual_vessel("north"), &[("strong", STRONG_ALE)], vec![("north", place)]);
    story.tell("north", pitch("strong", "16 P")).yeast("north");
    // 500 g at about half attenuation, 500 g two days later; both are told as they are poured.
    let mut told = Vec::new();
    for day in [3.0, 5.0] {
        story.day(day);
        let sugar = json!({
            "do": "addition", "id": format!("sugar-{day}"), "what": "candi sugar",
            "extract": "500 g",
        });
        story.sugar("north", "500 g").tell("north", sugar.clone());
        told.push(story.await_record(0.1, "batch.added", "candi sugar (500 g of extract)"));
        // The second copy of a message adds nothing.
        story.turn_page().command_again("north", sugar).not_since("batch.added", "");
    }
    let number = |record: &Value, key: &str| record["data"][key].as_f64().expect("it has it");
    // By hand: 20 L of 16 °P are 21.26 kg with 3.402 kg of extract.
    let balance = |kilograms: f64| 100.0 * (3.402 + kilograms) / (21.26 + kilograms);
    for (record, kilograms) in told.iter().zip([0.5, 1.0]) {
        let plato = number(record, "original_plato");
        // The sample at pitch is a point uncertain, and the float has its say.
        assert!((plato - balance(kilograms)).abs() < 0.5, "{plato} {}", balance(kilograms));
    }
    let truly = story.true_original_plato("north");
    assert!((truly - balance(1.0)).abs() < 0.15, "{truly} {}", balance(1.0));
    story.await_record(12.0, "stage.entered", "to the end");
    let attenuated = story.true_attenuation("north");
    assert!((0.69..0.80).contains(&attenuated), "{attenuated}");
    let done = story.await_record(20.0, "batch.completed", "Batch complete");
    let (sg, truth) = (number(&done, "sg"), story.true_sg("north"));
    assert!((sg - truth).abs() < 2e-3, "{sg} {truth}");
    let abv = number(&done, "abv_percent");
    assert!((7.6..10.5).contains(&abv), "{abv}");
    story.never("alarm.raised", "gravity-doubtful").never("alarm.raised", "stalled");
    story.never("alarm.raised", "below-expected");
}

#[test]
fn a_pale_ale_creeps_on_after_its_dry_hops() {
    let place = Place::new("13 P", "77 %").starts_at(18.0).yeast(1.6, 10);
    let mut story =
        Story::begin(&usual_vessel("north"), &[("pale", PALE_ALE)], vec![("north", place)]);
    story.tell("north", pitch("pale", "13 P")).yeast("north");
    story.await_record(12.0, "confirm.due", "The hops are in");
    let before = story.true_sg("north");
    // The float is in the way: out it goes, hops in, float back.
    let aside = json!({ "do": "source", "name": "float", "action": "aside", "for": "6 h" });
    story.tell("north", aside).lift("north", "float", 1.0).hops_that_creep("north", 0.5);
    let hops = json!({ "do": "addition", "what": "dry hops, 80 g", "disturbs": "12 h" });
    story.tell("north", hops).saw("batch.added", "Nothing that counts as extract");
    story.tell("north", json!({ "do": "confirm" }));
    story.hours(2.0).put_back("north", "float");
    story.tell("north", json!({ "do": "source", "name": "float", "action": "return" }));
    story.saw("batch.noted", "float is back in the beer after 2 h");
    // The end before the hops is no end any more: the hops bring two points more to ferment.
    story.await_record(18.0, "stage.entered", "cold");
    let (now, left) = (story.true_sg("north"), before - story.true_sg("north"));
    assert!(left > 1.2e-3, "only {left} of the creep had fermented when the cold began at {now}");
    story.saw("notice.due", "an airlock draws in");
    story.never("alarm.raised", "gravity-").never("alarm.raised", "stalled");
}

#[test]
fn a_float_is_exchanged_in_mid_batch() {
    let place = Place::new("12 P", "78 %").starts_at(18.0).yeast(1.6, 10);
    let mut story = Story::begin(&usual_vessel("north"), &[("ale", ALE)], vec![("north", place)]);
    story.tell("north", pitch("ale", "12 P")).yeast("north");
    story.day(3.0);
    // Its battery ends. Another one, from the drawer, reads 9 points less.
    let mut other = float(15, 1.0);
    other.offset_points = -9.0;
    story.exchange("north", "float", other);
    story.refused(
        "north",
        json!({ "do": "source", "name": "oak", "action": "exchanged" }),
        "no gravity source `oak`",
    );
    story
        .tell("north", json!({ "do": "source", "name": "float", "action": "exchanged" }))
        .saw("batch.noted", "its offset is unknown");
    story.hours(3.0);
    let truth = sample(&mut story);
    story.tell("north", truth);
    story.never("alarm.raised", "gravity-");
    let done = story.await_record(16.0, "batch.completed", "Batch complete");
    let (sg, truth) = (done["data"]["sg"].as_f64().unwrap_or_default(), story.true_sg("north"));
    assert!((sg - truth).abs() < 1.5e-3, "{sg} {truth}");
    let left = truth - sg_from_plato(0.22 * 12.0);
    assert!(left.abs() < 1.5e-3, "{} °P left", plato_from_sg(truth));
    story.never("alarm.raised", "gravity-").never("alarm.raised", "stalled");
}
