//! `replay` of recorded brews: real ones where their open data lies beside the project, and their
//! hand readings, typed in, everywhere.

use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::{barmkeep, project};
use serde_json::Value;
use std::path::PathBuf;

/// Hand readings of two real brews of a craft brewery, March 2017, °Plato. Published as open data
/// (camlf/academic-hub, commit d19f17fe81, Apache-2.0), typed in.
const BREW_A: &str = "\
time,gravity_plato
2017-03-23T11:10:00Z,
2017-03-23T21:30:00Z,12.1
2017-03-24T00:10:00Z,11.6
2017-03-24T03:00:00Z,11
2017-03-24T14:10:00Z,8.4
2017-03-25T00:20:00Z,5.7
2017-03-25T12:10:00Z,3.8
2017-03-26T00:00:00Z,
";
const BREW_B: &str = "\
time,gravity_plato
2017-03-18T08:00:00Z,
2017-03-18T12:30:00Z,14.2
2017-03-18T18:00:00Z,12.7
2017-03-19T00:50:00Z,11.6
2017-03-19T13:00:00Z,8.6
2017-03-20T01:00:00Z,5.9
2017-03-20T14:20:00Z,5
2017-03-21T02:00:00Z,
";

/// A brew, and when its half attenuation may be declared: after the last reading before it, and at
/// most twelve hours after the reading that shows it.
struct Brew {
    name: &'static str,
    original: &'static str,
    typed: &'static str,
    after: &'static str,
    until: &'static str,
}

const BREWS: [Brew; 2] = [
    Brew {
        name: "a",
        original: "13.5155 P",
        typed: BREW_A,
        after: "2017-03-24T14:10:00Z",
        until: "2017-03-25T12:20:00Z",
    },
    Brew {
        name: "b",
        original: "14.6819 P",
        typed: BREW_B,
        after: "2017-03-19T13:00:00Z",
        until: "2017-03-20T13:00:00Z",
    },
];

const SCHEDULE: &str = r#"
format = 1
name = "Half attenuation"

[expect]
original_gravity = "14 P"
attenuation = "75 %"

[limits]
coldest = "0 C"
warmest = "25 C"

[[stage]]
name = "first half"
target = "17 C"
until = { attenuation = "50 %" }
at_most = { time = "20 d", then = "alarm" }

[[stage]]
name = "second half"
target = "17 C"
until = { elapsed = "90 d" }
"#;

/// A folder with the schedule; its broker is never asked.
fn cellar() -> (Cellar, String) {
    let cellar = Cellar::new(1);
    let schedule = cellar.write("half.toml", SCHEDULE).display().to_string();
    (cellar, schedule)
}

/// Replays a recording and looks when its half attenuation is declared.
fn declared(brew: &Brew, readings: &str) -> String {
    let (_cellar, schedule) = cellar();
    let arguments = ["replay", &schedule, readings, "--json", "--original-gravity", brew.original];
    let said = barmkeep(&arguments).with(0);
    let lines = said.objects();
    let left: Vec<&Value> = lines.iter().filter(|line| line["kind"] == "stage.left").collect();
    assert_eq!(left.len(), 1, "brew {}: {left:?}", brew.name);
    let at = left[0]["at"].as_str().expect("a time");
    assert!(
        (brew.after..=brew.until).contains(&at) && at > brew.after,
        "brew {}: {at}, due between {} and {}",
        brew.name,
        brew.after,
        brew.until
    );
    let summary = lines.last().expect("a summary");
    assert_eq!((&summary["kind"], &summary["run"]), (&"summary".into(), &"running".into()));
    assert_eq!(summary["stages"][0]["name"], "first half");
    assert_eq!(summary["stages"][0]["left"], at);
    assert!(summary["stages"][0]["because"].as_str().is_some_and(|text| text.contains("50 %")));
    assert_eq!(summary["stages"][1]["left"], Value::Null);
    // The same input gives the same bytes, also for a person.
    assert!(barmkeep(&arguments).out == said.out, "other bytes on a second run");
    let people = ["replay", &schedule, readings, "--original-gravity", brew.original];
    let told = barmkeep(&people).with(0);
    assert!(told.out.contains("passed 50 %"), "{}", told.out);
    assert!(barmkeep(&people).out == told.out, "other bytes on a second run");
    at.to_owned()
}

fn open_data(name: &str) -> PathBuf {
    project().join(format!("../shared/data/industrial-brew-{name}.csv"))
}

#[test]
fn half_attenuation_of_the_typed_in_readings_is_declared_in_time() {
    for brew in &BREWS {
        let (cellar, _) = cellar();
        let readings = cellar.write("readings.csv", brew.typed).display().to_string();
        let at = declared(brew, &readings);
        println!("brew {}, typed in: half attenuation declared at {at}", brew.name);
    }
}

#[test]
fn half_attenuation_of_the_whole_recordings_is_declared_in_time() {
    for brew in &BREWS {
        let path = open_data(brew.name);
        if !path.is_file() {
            println!("{} is not there: nothing was replayed", path.display());
            continue;
        }
        let at = declared(brew, &path.display().to_string());
        println!("brew {}: half attenuation declared at {at}", brew.name);
    }
}

#[test]
fn a_bad_recording_is_told_by_its_line() {
    let (cellar, schedule) = cellar();
    for (text, place) in [
        ("time,gravity_plato\n2017-03-23T21:30:00Z,12.1\nyesterday,11\n", "bad.csv:3: "),
        (
            "time,gravity_plato\n2017-03-23T21:30:00Z,12.1\n2017-03-24T21:30:00Z,abc\n",
            "bad.csv:3: ",
        ),
        ("time,gravity_plato\n2017-03-23T21:30:00Z,12.1\n2017-03-22T21:30:00Z,11\n", "bad.csv:3: "),
        ("time,gravity_plato\n2017-03-23T21:30:00,12.1\n", "bad.csv:2: "),
        ("time,gravity_plato\n2017-03-23T21:30:00Z,12.1,7\n", "bad.csv:2: "),
        ("when,gravity_plato\n2017-03-23T21:30:00Z,12.1\n", "bad.csv: "),
        ("time,gravity_plato\n", "bad.csv: "),
        ("", "bad.csv: "),
    ] {
        let path = cellar.write("bad.csv", text).display().to_string();
        let said = barmkeep(&["replay", &schedule, &path]).with(65);
        assert!(said.err.contains(place), "{text}\n{}", said.err);
        assert_eq!(said.out, "", "{text}");
    }
    let missing = cellar.path("nowhere.csv");
    let said = barmkeep(&["replay", &schedule, &missing]).with(74);
    assert!(said.err.contains("nowhere.csv"), "{}", said.err);
}

#[test]
fn a_vessel_of_a_configuration_can_be_replayed() {
    let (cellar, schedule) = cellar();
    let readings = cellar.write("readings.csv", BREW_A).display().to_string();
    let config = cellar.config();
    let replay =
        |more: &[&str]| barmkeep(&[&["replay", &schedule, &readings, "--json"], more].concat());
    let said = replay(&["--vessel", "north", "--config", &config]).with(0);
    let lines = said.objects();
    let (summary, records) = lines.split_last().expect("lines");
    assert_eq!(summary["kind"], "summary");
    assert!(records.iter().all(|record| record["vessel"] == "north"), "{}", said.out);
    assert_eq!(records[0]["seq"], 1);
    assert!(records.iter().all(|record| record["kind"] != "output.switched"), "{}", said.out);
    for (more, status) in [
        (&["--vessel", "south", "--config", &config][..], 64),
        (&["--vessel", "north"], 64),
        (&["--vessel", "north", "--config", "nowhere.toml"], 78),
        (&["--final-gravity", "2 P", "--attenuation", "80 %"], 64),
        (&["--attenuation", "80"], 64),
    ] {
        let said = replay(more).with(status);
        assert_eq!(said.out, "", "{more:?}");
    }
}
