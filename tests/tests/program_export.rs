//! `export` from the store of a real daemon that was killed, and beside one that runs.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::broker::{free_port, say, wait_for_port};
use barmkeep_tests::cellar::{Cellar, Daemon};
use calamine::{Data, Reader, Xlsx};
use serde_json::{Value, json};
use std::path::Path;

const HOURS: u32 = 72;

/// A batch of three days whose first stage ended, with a sample, an addition, a note that tries to
/// be markup, and a probe.
fn batch() -> (Cellar, Daemon) {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    let pitched = cellar.pitch(HOURS);
    cellar.float(pitched, 1..HOURS);
    cellar.ask(&["sample", "--gravity", "1.0135 SG", "--temperature", "20 C"]).with(0);
    cellar.ask(&["note", "--text", "<script>alert(1)</script> & \"a, b\""]).with(0);
    cellar.ask(&["addition", "--what", "dry hops"]).with(0);
    (cellar, daemon)
}

fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
}

#[test]
fn a_store_tells_a_batch_in_every_form_beside_the_daemon_and_after_its_death() {
    let (cellar, mut daemon) = batch();
    let running = cellar.ask(&["export", "north"]).with(0).out;
    assert!(daemon.lives());
    daemon.kill();
    let csv = cellar.ask(&["export", "north", "--format", "csv"]).with(0).out;
    assert_eq!(rows(&csv).len(), rows(&running).len());
    check_csv(&csv);
    check_lines(&cellar);
    check_workbook(&cellar);
    check_page(&cellar);
    check_replay(&cellar);
    refusals(&cellar);
}

fn check_csv(csv: &str) {
    assert!(csv.ends_with("\r\n") && !csv.replace("\r\n", "").contains('\n'), "RFC 4180, 2.1");
    let rows = rows(csv);
    let head: Vec<&str> = rows[0].iter().map(String::as_str).collect();
    assert_eq!(head[..4], ["time", "source", "kind", "gravity_sg"]);
    let at = |name: &str| head.iter().position(|column| *column == name).unwrap();
    let of = |kind: &str| rows.iter().filter(|row| row[at("kind")] == kind).count();
    assert_eq!((of("float"), of("hand")), (HOURS as usize - 1, 1));
    let first = rows.iter().find(|row| row[at("kind")] == "float").unwrap();
    assert_eq!(
        (first[at("gravity_sg")].as_str(), first[at("battery_percent")].as_str()),
        ("1.05", "88")
    );
    let plato: f64 = first[at("corrected_plato")].parse().unwrap();
    assert!((plato - 12.39).abs() < 0.01, "{plato}");
    assert!(rows[1..].is_sorted_by(|one, next| one[0] <= next[0]), "in the order of time");
}

fn check_lines(cellar: &Cellar) {
    let lines =
        cellar.ask(&["export", "--batch", "north-1", "--format", "jsonl"]).with(0).objects();
    let of = |kind: &str| lines.iter().filter(|line| line["kind"] == kind).count();
    assert_eq!((of("summary"), of("stage"), of("sample")), (1, 2, 1));
    assert_eq!(of("reading"), HOURS as usize + 1);
    assert_eq!(of("event"), cellar.log().iter().filter(|r| r["batch"] == "north-1").count());
    let summary = lines.iter().find(|line| line["kind"] == "summary").unwrap();
    assert_eq!((&summary["run"], &summary["batch"]), (&json!("running"), &json!("north-1")));
    let abv = summary["alcohol_by_volume_percent"].as_f64().unwrap();
    assert!((4.0..6.0).contains(&abv), "{abv}");
    let stages: Vec<&Value> = lines.iter().filter(|line| line["kind"] == "stage").collect();
    assert!(stages[0]["because"].as_str().unwrap().contains("1.0300 SG"), "{}", stages[0]);
    assert_eq!(stages[1]["left"], Value::Null);
}

fn check_workbook(cellar: &Cellar) {
    let path = cellar.path("north.xlsx");
    let said = cellar.ask(&["export", "north", "--output", &path]).with(0);
    assert_eq!(said.out, "", "what is said is no data");
    let mut book: Xlsx<_> = calamine::open_workbook(Path::new(&path)).unwrap();
    let names = ["summary", "stages", "course", "readings", "samples", "events"];
    assert_eq!(book.sheet_names(), names);
    let readings = book.worksheet_range("readings").unwrap();
    assert_eq!(readings.height(), HOURS as usize + 2);
    let column = |name: &str| {
        let head = readings.rows().next().unwrap();
        head.iter().position(|cell| *cell == Data::String(name.to_owned())).unwrap()
    };
    let row = readings.rows().nth(1).unwrap();
    assert!(matches!(row[column("time")], Data::DateTime(_)), "{row:?}");
    assert!(readings.rows().any(|row| row[column("gravity_sg")] == Data::Float(1.05)));
    let summary = book.worksheet_range("summary").unwrap();
    let value = |name: &str| summary.rows().find(|row| row[0] == *name).unwrap()[1].clone();
    assert_eq!(value("batch"), Data::String("north-1".to_owned()));
    assert_eq!(value("volume_l"), Data::Float(23.0));
    let events = book.worksheet_range("events").unwrap();
    let note = |cell: &Data| matches!(cell, Data::String(text) if text.contains("<script>"));
    assert!(events.rows().any(|row| row.iter().any(note)), "a text is a text");
}

fn check_page(cellar: &Cellar) {
    let path = cellar.path("north.html");
    cellar.ask(&["export", "north", "--output", &path]).with(0);
    let page = std::fs::read_to_string(&path).unwrap();
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt; &amp;"), "it is a text");
    assert!(!page.contains("<script"), "nothing runs");
    for outside in ["src=", "href=\"http", "url(", "@import", "<link", "<form"] {
        assert!(!page.contains(outside), "{outside}");
    }
    for told in ["Stages", "warm finish", "Hand samples", "dry hops", "1.0500 SG", "<svg", "Floats"]
    {
        assert!(page.contains(told), "{told}");
    }
}

/// What was written is read again, and comes to the same.
fn check_replay(cellar: &Cellar) {
    let path = cellar.path("north.csv");
    cellar.ask(&["export", "north", "--output", &path]).with(0);
    let schedule = cellar.path("schedules/ale.toml");
    let replay = ["replay", &schedule, &path, "--json", "--original-gravity", "1.050 SG"];
    let told =
        barmkeep_tests::program::barmkeep(&[&replay[..], &["--confirm-after", "60 d"]].concat());
    let replayed = told.with(0).objects();
    let summary = replayed.last().unwrap();
    let lines = cellar.ask(&["export", "north", "--what", "stages", "--format", "jsonl"]);
    let stages = lines.with(0).objects();
    let names =
        |of: &[Value], key: &str| -> Vec<Value> { of.iter().map(|s| s[key].clone()).collect() };
    let again = summary["stages"].as_array().unwrap();
    assert_eq!(names(again, "name"), names(&stages, "stage"));
    let left = |text: &Value| {
        quantity::Stamp::parse_rfc3339(text.as_str().unwrap()).unwrap().millis() / 3_600_000
    };
    // A replay begins at its first row, and this batch took in its readings after its pitch.
    assert!((left(&again[0]["left"]) - left(&again[0]["entered"])) < i64::from(HOURS));
}

fn refusals(cellar: &Cellar) {
    let there = cellar.write("there.csv", "mine");
    let there = there.display().to_string();
    for (arguments, status, says) in [
        (&["export", "--batch", "north-9"][..], 64, "the store has north-1"),
        (&["export", "--format", "xlsx"], 64, "--output batch.xlsx"),
        (&["export", "--output", "batch.pdf"], 64, "--format csv"),
        (&["export", "--format", "html", "--what", "events"], 64, "leave it out"),
        (&["export", "--output", &there], 74, "--force"),
        (&["export", "--output", "/nowhere/batch.csv"], 74, "cannot be written"),
    ] {
        let said = cellar.ask(arguments).with(status);
        assert!(said.err.contains(says), "{arguments:?}: {}", said.err);
        assert_eq!(said.out, "");
    }
    assert_eq!(std::fs::read_to_string(&there).unwrap(), "mine");
    cellar.ask(&["export", "--output", &there, "--force"]).with(0);
    assert!(std::fs::read_to_string(&there).unwrap().starts_with("time,source,"));
}

#[test]
fn a_batch_that_moved_is_told_from_both_its_vessels() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let config = std::fs::read_to_string(cellar.config()).unwrap();
    let south = "[vessel.south]\nvolume = \"10 L\"\ncoldest = \"0 C\"\nwarmest = \"26 C\"\n\
                 [vessel.south.gravity.stick]\ntopic = \"cellar/float/2\"\n\
                 read = { unit = \"SG\" }\nevery = \"60 min\"\n\
                 [vessel.south.beer]\ntopic = \"cellar/probe/2\"\nread = { unit = \"C\" }\n\
                 every = \"10 s\"\n";
    cellar.write("barmkeep.toml", &format!("{config}\n{south}"));
    let daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    let pitched = cellar.pitch(30);
    cellar.float(pitched, 1..30);
    let south = |topic: &str, text: &str| say(port, &["-t", topic, "-m", text]);
    south("cellar/float/2", "1.005");
    south("cellar/probe/2", "16.5");
    cellar.ask(&["move", "north", "--to", "south"]).with(0);
    south("cellar/float/2", "1.031");
    south("cellar/probe/2", "16.6");
    cellar.ask(&["note", "south", "--text", "Racked clear"]).with(0);
    for end in [false, true] {
        if end {
            cellar.ask(&["stop", "south"]).with(0);
        }
        let csv = cellar.ask(&["export", "--batch", "north-1"]).with(0).out;
        let rows = rows(&csv);
        let at = |name: &str| rows[0].iter().position(|column| column == name).unwrap();
        let of = |vessel: &str, source: &str| -> Vec<&str> {
            let rows = rows.iter().filter(|row| row[at("vessel")] == vessel);
            let rows = rows.filter(|row| row[at("source")] == source);
            rows.map(|row| row[at("gravity_sg")].as_str()).collect()
        };
        assert_eq!(of("north", "float").len(), 29);
        // What it said before the batch came was of another beer, or of none.
        assert_eq!(of("south", "stick"), ["1.031"]);
        let path = cellar.path("moved.html");
        cellar.ask(&["export", "--batch", "north-1", "--output", &path, "--force"]).with(0);
        let page = std::fs::read_to_string(&path).unwrap();
        for told in ["north-1", "south", "Racked clear", "goes from north to south"] {
            assert!(page.contains(told), "{told}");
        }
    }
    assert_eq!(daemon.terminate(), Some(0));
}
