//! Stories of what a brewer does to a beer, each a diary of days against a simulated beer.

use barmkeep_tests::story::{Place, Story, usual_vessel};
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

#[test]
fn a_lager_whose_yeast_never_begins() {
    let place = Place::new("12 P", "78 %").starts_at(12.0);
    let mut story =
        Story::begin(&usual_vessel("north"), &[("lager", LAGER)], vec![("north", place)]);
    story
        .tell("north", json!({ "do": "pitch", "schedule": "lager", "original_gravity": "12 P" }))
        .saw("batch.pitched", "Pale lager")
        .saw("stage.entered", "primary");
    // Two days without a bubble.
    story.day(1.9).never("alarm.raised", "not-begun");
    story.day(2.5).saw("alarm.raised", "not-begun");
    // A fresh packet of yeast goes in.
    story
        .tell("north", json!({ "do": "note", "text": "pitched a second packet" }))
        .yeast("north")
        .await_record(3.0, "alarm.returned", "not-begun");
    story.await_record(12.0, "stage.entered", "diacetyl rest");
}
