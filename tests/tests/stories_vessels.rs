//! Stories of vessels: one batch in two of them, two in one fridge, three on one cooler, and one
//! that has nothing but a float.

use barmkeep_tests::story::{Place, Story, float, usual_vessel};
use serde_json::{Value, json};

const WHEAT: &str = r#"
format = 1
name   = "Wheat beer"

[expect]
original_gravity = "12.5 P"
attenuation      = "76 %"

[limits]
coldest   = "1 C"
warmest   = "24 C"
ramp_down = "0.5 C/h"

[[stage]]
name    = "primary"
target  = "20 C"
until   = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "14 d", then = "alarm" }

[[stage]]
name   = "cold"
target = "4 C"
until  = { elapsed = "3 d" }
"#;

/// How far the beer was from its setpoint, while it was asked: root of the mean square, in K.
#[derive(Default)]
struct Apart {
    squares: f64,
    count: u32,
    most: f64,
}

impl Apart {
    fn look(&mut self, story: &mut Story, vessel: &str) {
        let Some(setpoint) = story.stands(vessel)["setpoint_c"].as_f64() else { return };
        let apart = story.beer_celsius(vessel) - setpoint;
        self.squares += apart * apart;
        self.count += 1;
        self.most = self.most.max(apart.abs());
    }

    fn rms(&self) -> f64 {
        (self.squares / f64::from(self.count)).sqrt()
    }
}

fn switched(story: &Story, vessel: &Value, output: &str) -> Vec<(String, bool)> {
    let of = |record: &&Value| {
        record["kind"] == "output.switched"
            && record["vessel"] == *vessel
            && record["data"]["output"] == output
    };
    let told = |record: &Value| {
        let at = record["at"].as_str().expect("a record has its time").to_owned();
        (at, record["data"]["on"] == true)
    };
    story.records().iter().filter(of).map(told).collect()
}

fn minutes(from: &str, to: &str) -> f64 {
    let at = |text: &str| quantity::Stamp::parse_rfc3339(text).expect("a record's time");
    at(to).since(at(from)).hours() * 60.0
}

/// For how long an output ran at most without a new reading, in minutes, where a reading came every
/// so many minutes of the story.
fn longest_blind(story: &Story, vessel: &Value, output: &str, every: i64) -> f64 {
    let begin = story.at_day(0.0);
    let switched = switched(story, vessel, output);
    let mut between = std::collections::BTreeMap::new();
    for (number, (at, on)) in switched.iter().enumerate() {
        let end = switched.get(number + 1).map_or_else(|| story.at(), |(end, _)| end.clone());
        let (mut from, until) = (minutes(&begin, at), minutes(&begin, &end));
        while *on && from < until {
            let interval = (from / every as f64 + 1e-9).floor();
            let to = until.min((interval + 1.0) * every as f64);
            *between.entry(interval as i64).or_insert(0.0) += to - from;
            from = to;
        }
    }
    between.into_values().fold(0.0, f64::max)
}

/// The shortest rest of an output between two runs, in minutes.
fn shortest_rest(story: &Story, vessel: &Value, output: &str) -> f64 {
    let switched = switched(story, vessel, output);
    let rests = switched.windows(2).filter(|pair| !pair[0].1);
    rests.map(|pair| minutes(&pair[0].0, &pair[1].0)).fold(f64::INFINITY, f64::min)
}

#[test]
fn a_wheat_beer_is_split_into_two_vessels() {
    let vessels = format!("{}{}", usual_vessel("north"), usual_vessel("south"));
    let north = Place::new("12.5 P", "76 %").yeast(1.4, 10).starts_at(19.0);
    // Its own float reads 3 points too low.
    let low = float(15, 1.0);
    let south = Place::empty().starts_at(17.0).float("float", low);
    let mut story =
        Story::begin(&vessels, &[("wheat", WHEAT)], vec![("north", north), ("south", south)]);
    story
        .tell("north", json!({ "do": "pitch", "schedule": "wheat", "original_gravity": "12.5 P" }))
        .yeast("north")
        .day(2.0);
    // Half of it goes onto raspberries.
    story
        .refused("north", json!({ "do": "move", "to": "west" }), "there is no vessel `west`")
        .moves("north", "south", Some("11.5 L"))
        .hours(0.1)
        .tell("north", json!({ "do": "move", "to": "south", "keep": true, "volume": "11.5 L" }))
        .saw("batch.moved", "Batch north-1 goes from north to south with 11.5 L. north-2 stays")
        .saw("batch.moved", "Batch north-2 stays in north with 11.5 L")
        .saw("batch.moved", "Batch north-1 came from north to south, 11.5 L, in primary");
    assert_eq!(story.stands("north")["run"], "running");
    assert_eq!(story.stands("south")["stage"], "primary");
    // Both come to their end by their own floats.
    let mut cold = 0;
    let mut worst: f64 = 0.0;
    while cold < 2 {
        story.hours(1.0);
        assert!(story.today() < 16.0, "both should be cold by now");
        cold = ["north", "south"].iter().filter(|v| story.stands(v)["stage"] == "cold").count();
        for vessel in ["north", "south"] {
            worst = worst.max(story.true_sg(vessel));
        }
    }
    let final_sg = story.true_sg("south");
    story.saw("stage.entered", "cold").never("alarm.raised", "stalled");
    for record in story.records().iter().filter(|r| r["kind"] == "stage.left") {
        println!("{} {} {}", record["vessel"], record["batch"], record["text"]);
    }
    assert!(final_sg < 1.0135, "{final_sg}");
    // The whole goes back together, once one is empty.
    story
        .refused("north", json!({ "do": "move", "to": "south" }), "south is running")
        .tell("south", json!({ "do": "stop" }))
        .moves("north", "south", None)
        .hours(0.1)
        .tell("north", json!({ "do": "move", "to": "south", "volume": "11 L" }))
        .saw("batch.moved", "Batch north-2 came from north to south, 11.0 L, in cold");
    assert_eq!(story.stands("north")["run"], "idle");
    story
        .tell("north", json!({ "do": "pitch", "schedule": "wheat" }))
        .saw("batch.pitched", "north-3");
}

#[test]
fn two_fermenters_share_one_fridge() {
    let rider = usual_vessel("south")
        .replace("[vessel.south.heater]\nruns_out = \"5 min\"\n", "")
        .replace("[vessel.south.chiller]\nruns_out = \"5 min\"\n", "")
        .replace("warmest = \"26 C\"\n", "warmest = \"26 C\"\nrides_with = \"north\"\n");
    let vessels = format!("{}{rider}", usual_vessel("north"));
    let ale = WHEAT.replace("\"20 C\"", "\"19 C\"").replace("Wheat beer", "Pale ale");
    let guest = WHEAT.replace("\"20 C\"", "\"18.5 C\"");
    let places = vec![
        ("north", Place::new("12 P", "78 %").yeast(1.6, 8).starts_at(19.5)),
        ("south", Place::new("11 P", "75 %").yeast(1.0, 16).starts_at(19.5).rides_with("north")),
    ];
    let mut story = Story::begin(&vessels, &[("guest", &guest), ("ale", &ale)], places);
    story
        .tell("south", json!({ "do": "pitch", "schedule": "guest", "original_gravity": "11 P" }))
        .tell("north", json!({ "do": "pitch", "schedule": "ale", "original_gravity": "12 P" }))
        .yeast("north")
        .yeast("south");
    let mut most: f64 = 0.0;
    while story.today() < 4.0 {
        story.hours(1.0);
        assert_eq!(story.stands("south")["heater"], "off");
        assert_eq!(story.stands("south")["chiller"], "off");
        most = most.max((story.beer_celsius("south") - 18.5).abs());
    }
    println!("the guest was at most {most:.2} K from what it asked for");
    story.never("alarm.raised", "off-target");
    // The host is done first and gets cold: the guest, which still works, says so.
    story.await_record(12.0, "stage.entered", "cold");
    let first = story
        .records()
        .iter()
        .find(|r| r["kind"] == "stage.entered" && r["data"]["stage"] == "cold");
    let first = first.expect("it was awaited")["vessel"].clone();
    assert_eq!(first, "north");
    assert_eq!(story.stands("south")["stage"], "primary");
    let alarm = story.await_record(3.0, "alarm.raised", "north's fridge is kept at");
    assert_eq!(
        (&alarm["vessel"], &alarm["data"]["alarm"]),
        (&json!("south"), &json!("off-target"))
    );
    let of_guest = |r: &&Value| r["vessel"] == "south" && r["kind"] == "output.switched";
    assert_eq!(story.records().iter().filter(of_guest).count(), 0);
    let false_alarm = |r: &&Value| {
        let id = r["data"]["alarm"].as_str().unwrap_or_default();
        r["vessel"] == "south"
            && r["kind"] == "alarm.raised"
            && ["no-effect", "disagrees", "misplaced", "balance"].iter().any(|w| id.contains(w))
    };
    assert_eq!(story.records().iter().find(false_alarm), None);
}

#[test]
fn three_vessels_share_one_glycol_cooler() {
    let valve = |name: &str| {
        usual_vessel(name).replace(
            &format!("[vessel.{name}.chiller]\n"),
            &format!("[vessel.{name}.chiller]\nfrom = \"glycol\"\nmin_off = \"1 min\"\n"),
        )
    };
    let vessels = format!(
        "{}{}{}\n[cooler.glycol]\nruns_out = \"5 min\"\nat_once = 2\nmin_off = \"6 min\"\n",
        valve("east"),
        valve("north"),
        valve("south")
    );
    let place = |original: &str, start: f64| {
        Place::new(original, "76 %").yeast(1.4, 8).starts_at(start).on_cooler("glycol")
    };
    let places = vec![
        ("east", place("12 P", 21.0)),
        ("north", place("13 P", 21.0)),
        ("south", place("11 P", 21.0)),
    ];
    let crash =
        WHEAT.replace("stable = { within = \"1 points\", over = \"48 h\" }", "elapsed = \"1 d\"");
    let mut story = Story::begin(&vessels, &[("wheat", WHEAT), ("crash", &crash)], places);
    story.cooler("glycol", 400.0);
    for (name, schedule) in [("east", "wheat"), ("north", "wheat"), ("south", "crash")] {
        story
            .tell(name, json!({ "do": "pitch", "schedule": schedule, "original_gravity": "12 P" }))
            .yeast(name);
    }
    let mut apart = [Apart::default(), Apart::default()];
    let (mut together, mut needless) = (0, 0);
    while story.today() < 4.0 {
        story.hours(1.0 / 60.0);
        let open = ["east", "north", "south"].map(|name| story.stands(name)["chiller"] == "on");
        let count = open.iter().filter(|open| **open).count();
        assert!(count <= 2, "day {:.3}: {open:?}", story.today());
        together += usize::from(count == 2);
        let runs = story.done()["coolers"]["glycol"] == "on";
        // It goes off with the last valve, once its shortest run of 2 min is over.
        needless = if runs && count == 0 { needless + 1 } else { 0 };
        assert!(needless <= 3, "day {:.3}: it runs for nobody", story.today());
        if story.today() > 0.5 {
            apart[0].look(&mut story, "east");
            apart[1].look(&mut story, "north");
        }
    }
    let rest = shortest_rest(&story, &Value::Null, "cooler");
    let starts = switched(&story, &Value::Null, "cooler").iter().filter(|(_, on)| *on).count();
    println!(
        "cooler: {starts} starts in 4 d, shortest rest {rest:.1} min, two valves open for \
         {together} min; \
         rms {:.2} and {:.2} K, most {:.2} and {:.2} K",
        apart[0].rms(),
        apart[1].rms(),
        apart[0].most,
        apart[1].most
    );
    assert!(rest >= 6.0 - 1e-6 && starts > 5);
    assert!(apart.iter().all(|apart| apart.rms() < 0.4), "a beer was not held");
    story.never("alarm.raised", "no-effect").never("alarm.raised", "off-target");
    let text = story.records().iter().find(|r| r["data"]["cooler"] == "glycol").expect("it ran");
    assert_eq!(text["vessel"], Value::Null);
}

/// A vessel whose only temperature is its float's own, every so many minutes.
fn float_only(every: i64) -> (String, Place) {
    let text = usual_vessel("north").replace(
        "[vessel.north.beer]\ntopic = \"cellar/north/probe\"\nread  = { unit = \"C\" }\n\
         every = \"60 s\"\n",
        "",
    );
    let text = text.replace("every       = \"15 min\"", &format!("every       = \"{every} min\""));
    assert!(!text.contains("probe"), "{text}");
    let place = Place::new("12 P", "78 %")
        .yeast(1.3, 8)
        .starts_at(20.5)
        .without_probe()
        .float("float", float(every, 1.0));
    (text, place)
}

#[test]
fn a_float_s_own_temperature_holds_the_beer_within_reason() {
    for (every, most_rms, max_on) in [(15, 0.5, 16.5), (30, 0.7, 20.0), (60, 1.0, 20.0)] {
        let (vessel, place) = float_only(every);
        let ale = WHEAT.replace("\"20 C\"", "\"19 C\"");
        let mut story = Story::begin(&vessel, &[("ale", &ale)], vec![("north", place)]);
        story
            .tell("north", json!({ "do": "pitch", "schedule": "ale", "original_gravity": "12 P" }))
            .yeast("north");
        let mut apart = Apart::default();
        while story.today() < 6.0 {
            story.hours(0.1);
            if story.today() > 1.0 {
                apart.look(&mut story, "north");
            }
        }
        let blind = longest_blind(&story, &json!("north"), "chiller", every);
        let alarms: Vec<&Value> =
            story.records().iter().filter(|r| r["kind"] == "alarm.raised").collect();
        println!(
            "every {every} min: rms {:.2} K, at most {:.2} K off, the chiller ran for at most \
             {blind:.1} min without a new reading",
            apart.rms(),
            apart.most
        );
        for alarm in &alarms {
            println!("  {} {}", alarm["at"], alarm["text"]);
        }
        assert!(apart.rms() < most_rms, "{every} min: {:.2} K", apart.rms());
        assert!(blind <= max_on + 0.2, "{every} min: it ran for {blind:.1} min");
        assert!(alarms.is_empty(), "{every} min");
        // Without readings nothing runs on: after three intervals it is told.
        story.silence("north", "float").hours(4.0).saw("alarm.raised", "beer-silent");
        assert_eq!(story.stands("north")["chiller"], "off");
    }
}
