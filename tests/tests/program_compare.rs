//! `compare` on the store of a real daemon, while it runs and after it ended: two floats of known
//! faults in one beer, and hand samples.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::broker::{free_port, say_bytes, wait_for_port};
use barmkeep_tests::cellar::{Cellar, beer_after, rfc3339};
use plant::chance::Chance;
use plant::float::{Episode, Float, FloatSetup, Noise};
use quantity::{Span, Temperature};
use serde_json::{Value, json};
use std::time::{Duration, SystemTime};

/// A second float and a second vessel, for the cellar's configuration.
const MORE: &str = r#"
[vessel.north.gravity.pine]
topic       = "cellar/float/2"
read        = { at = "/sg", unit = "SG" }
time        = { at = "/time", form = "rfc3339" }
every       = "60 min"

[vessel.south]
volume  = "23 L"
coldest = "0 C"
warmest = "26 C"
"#;

/// The readings of so many days.
const DAYS: i64 = 12;

fn cellar(port: u16) -> Cellar {
    let cellar = Cellar::embedded(port);
    let config = std::fs::read_to_string(cellar.config()).unwrap();
    cellar.write("barmkeep.toml", &format!("{config}{MORE}"));
    cellar
}

fn after(pitched: SystemTime, span: Span) -> SystemTime {
    pitched + Duration::from_millis(span.millis().unsigned_abs())
}

/// What a float of these faults sends, an object a line.
fn reports(setup: FloatSetup, pitched: SystemTime, stream: u64, battery: bool) -> String {
    let every = setup.every;
    let mut float = Float::new(setup, Chance::new(11, stream));
    let beer = Temperature::from_celsius(17.0).unwrap();
    let mut lines = String::new();
    for number in 1..DAYS * 86_400_000 / every.millis() {
        let span = every * number;
        let Some(reading) = float.read(span, beer_after(span.hours()), beer) else { continue };
        let mut report = json!({ "sg": reading.sg, "time": rfc3339(after(pitched, span)) });
        if battery {
            report["temp"] = json!(reading.temperature.celsius());
            report["battery"] = json!(reading.battery_percent);
        }
        lines.push_str(&format!("{report}\n"));
    }
    lines
}

/// `float` reads 2 points high every half hour; `pine` is right at first, drifts by 0.3 points a
/// day, is twice as noisy, comes hourly and is away for 20 h.
fn fill(cellar: &Cellar, port: u16) -> SystemTime {
    cellar.probe(17.0);
    let pitched = cellar.pitch(u32::try_from(DAYS * 24).unwrap());
    let mut steady = FloatSetup::plain(Span::from_mins(30), Noise::of_points(0.6));
    steady.offset_points = 2.0;
    let mut moving = FloatSetup::plain(Span::from_hours(1), Noise::of_points(1.2));
    moving.drift_points_per_day = 0.3;
    moving.silences = vec![Episode { from: Span::from_hours(100), until: Span::from_hours(120) }];
    for (topic, setup, battery) in
        [("cellar/float/1", steady, true), ("cellar/float/2", moving, false)]
    {
        let stream = if battery { 1 } else { 2 };
        let lines = reports(setup, pitched, stream, battery);
        say_bytes(port, &["-t", topic, "-l"], lines.as_bytes());
    }
    for (hours, off) in [(60.0, 0.3), (140.0, -0.4), (220.0, 0.1), (280.0, 0.2)] {
        let gravity = format!("{:.5} SG", beer_after(hours) + off * 1e-3);
        let taken = rfc3339(after(pitched, Span::from_hours_f64(hours)));
        let sample = ["sample", "north", "--gravity", &gravity, "--taken", &taken];
        let sure = ["--instrument", "density meter", "--uncertainty", "0.3 points"];
        cellar.ask(&[&sample[..], &sure].concat()).with(0);
    }
    pitched
}

/// The object of a float, or of a pair.
fn of<'a>(objects: &'a [Value], key: &str, name: &Value) -> &'a Value {
    let found = objects.iter().find(|object| object[key] == *name);
    found.unwrap_or_else(|| panic!("no {name} in {objects:#?}"))
}

/// Whether a figure's interval has this number in it.
#[track_caller]
fn holds(figure: &Value, number: f64) -> bool {
    let end = |name: &str| figure[name].as_f64().unwrap_or_else(|| panic!("{name} of {figure}"));
    end("low") <= number && number <= end("high")
}

fn check_objects(objects: &[Value]) {
    let kinds: Vec<&Value> = objects.iter().map(|object| &object["kind"]).collect();
    assert_eq!(kinds, ["source", "source", "pair"]);
    let float = of(objects, "source", &json!("float"));
    let pine = of(objects, "source", &json!("pine"));
    assert_eq!((&float["readings"], &pine["readings"]), (&json!(575), &json!(267)));
    assert_eq!((&float["interval_s"], &pine["interval_s"]), (&json!(1800.0), &json!(3600.0)));
    // The original gravity that was measured at the pitch is the fifth sample.
    assert_eq!((&float["samples"], &float["batch"]), (&json!(5), &json!("north-1")));
    assert!(holds(&float["bias_to_samples_points"], 2.0), "{float}");
    assert!(!holds(&float["bias_to_samples_points"], 0.0), "{float}");
    assert!(holds(&float["drift_to_samples_points_per_day"], 0.0), "{float}");
    assert!(holds(&pine["drift_to_samples_points_per_day"], 0.3), "{pine}");
    let pair = of(objects, "sources", &json!(["float", "pine"]));
    assert!(holds(&pair["drift_points_per_day"], -0.3), "{pair}");
    assert!(!holds(&pair["drift_points_per_day"], 0.0), "{pair}");
    assert_eq!(pair["drifting"], "pine", "`float` is shown not to drift by so much: {pair}");
    assert!(holds(&float["slow_noise_points"], 0.42), "{float}");
    assert!(holds(&float["battery"]["lost_percent_per_day"], 1.25), "{float}");
    assert!(holds(&float["battery"]["days_left"], 68.0), "{float}");
    assert_eq!((&pine["battery"], &pine["unusable"]), (&Value::Null, &json!(0)));
    assert_eq!((&float["gaps"]["count"], &pine["gaps"]["count"]), (&json!(0), &json!(1)));
    assert_eq!(pine["gaps"]["longest_s"], 21.0 * 3600.0);
}

fn check_text(text: &str) {
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let row = |label: &str| {
        let found = text.lines().find(|line| line.starts_with(label));
        found.unwrap_or_else(|| panic!("no {label} in {text}"))
    };
    assert_eq!(row("readings").split_whitespace().collect::<Vec<_>>(), ["readings", "575", "267"]);
    assert!(row("battery").ends_with("85 %        not known"), "{text}");
    assert!(row("bias to samples, points").contains('+'), "{text}");
    assert!(row("float reads").contains("points high, by 5 samples"), "{text}");
    let words: Vec<&str> = text.split_whitespace().collect();
    assert!(words.join(" ").contains("It was away once, for 21 h."), "{text}");
    assert_eq!(row("Quietest"), "Quietest: float, before pine.");
    assert!(row("  barmkeep sample north").contains("--gravity"), "{text}");
}

#[test]
fn floats_are_compared_while_the_daemon_runs_and_after_it() {
    let port = free_port();
    let cellar = cellar(port);
    let mut daemon = cellar.start();
    wait_for_port(port);
    fill(&cellar, port);
    let running = cellar.ask(&["compare", "north", "--json"]).with(0).objects();
    check_objects(&running);
    let text = cellar.ask(&["compare", "north"]).with(0).out;
    assert!(text.starts_with("north-1 in north, ") && text.contains(", still running\n"), "{text}");
    check_text(&text);
    assert!(daemon.lives(), "it was not disturbed");
    assert_eq!(daemon.terminate(), Some(0));
    let mut after = cellar.ask(&["compare", "--batch", "north-1", "--json"]).with(0).objects();
    check_objects(&after);
    // The end of the daemon is the last that is known; nothing else has changed.
    for (after, running) in after.iter_mut().zip(&running) {
        for moved in ["until", "gaps"] {
            if let Some(value) = running.get(moved) {
                after[moved] = value.clone();
            }
        }
    }
    assert_eq!(after, running);
    wrong_questions(&cellar);
}

fn wrong_questions(cellar: &Cellar) {
    for (arguments, status, says) in [
        (&["compare"][..], 64, "which vessel?"),
        (&["compare", "west"], 64, "no vessel `west`"),
        (&["compare", "south"], 1, "no batch of south"),
        (&["compare", "--batch", "north-7"], 64, "the store has north-1"),
        (&["compare", "south", "--batch", "north-1"], 64, "no batch `north-1` of south"),
    ] {
        let said = cellar.ask(arguments).with(status);
        assert_eq!(said.out, "", "{arguments:?}");
        assert!(said.err.contains(says), "{arguments:?}: {}", said.err);
    }
}

#[test]
fn a_batch_that_ended_without_readings_says_so_and_one_with_few_says_what_lacks() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let _daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    let pitched = cellar.pitch(40);
    let said = cellar.ask(&["compare"]).with(1);
    assert!(said.err.contains("north-1 has no gravity reading"), "{}", said.err);
    assert!(said.err.contains("hint: "), "{}", said.err);
    assert_eq!(said.out, "");
    cellar.float(pitched, 20..40);
    cellar.ask(&["stop"]).with(0);
    // What comes afterwards is of no batch.
    cellar.float(pitched, 40..41);
    let objects = cellar.ask(&["compare", "--json"]).with(0).objects();
    assert_eq!((objects.len(), &objects[0]["readings"]), (1, &json!(20)));
    for unknown in ["bias_to_samples_points", "bias_to_floats_points", "sticking"] {
        assert_eq!(objects[0][unknown], Value::Null, "{unknown}");
    }
    let text = cellar.ask(&["compare"]).with(0).out;
    assert!(text.contains("One float alone"), "{text}");
    assert!(text.contains("whether it is right is not known"), "{text}");
    assert!(text.contains("In the next batch take two more samples"), "{text}");
}
