//! The manners of the command line: exit statuses, what goes to standard output and what to
//! standard error, and the commands that need no daemon.

use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::{Said, barmkeep, barmkeep_reading, project};
use serde_json::Value;
use std::time::Instant;

const EXAMPLES: [&str; 3] = ["one-stage-cold-crash", "pale-lager-at-once", "pale-lager-quick"];

fn example(name: &str) -> String {
    project().join(format!("config-examples/schedules/{name}.toml")).display().to_string()
}

/// A schedule that is right in itself; a beer that stops early never gets to its end.
const PLAIN: &str = r#"
format = 1
name = "Down to the end"

[expect]
original_gravity = "1.050 SG"
final_gravity = "1.010 SG"

[limits]
coldest = "1 C"
warmest = "22 C"

[[stage]]
name = "fermentation"
target = "19 C"
until = { gravity = "1.014 SG" }
at_most = { time = "10 d", then = "alarm" }
"#;

#[test]
fn wrong_usage_is_told_on_standard_error() {
    let schedule = example("one-stage-cold-crash");
    for arguments in [
        &[][..],
        &["brew"],
        &["run"],
        &["check"],
        &["pitch", "north", "--colour", "red"],
        &["rehearse"],
        &["rehearse", &schedule, "--volume", "23"],
        &["rehearse", &schedule, "--every", "15"],
        &["rehearse", &schedule, "--seed", "many"],
        &["schema", "beer"],
        &["completions", "cobra"],
        &["calibrate"],
        &["log", "--last", "-3"],
        &["demo", "--pace", "quick"],
    ] {
        let said = barmkeep(arguments).with(64);
        assert_eq!(said.out, "", "{arguments:?}");
        assert!(!said.err.is_empty(), "{arguments:?}");
    }
    let said = barmkeep(&["rehearse", &schedule, "--volume", "23"]);
    assert!(said.err.contains("`L`"), "the units that it could have: {}", said.err);
}

#[test]
fn help_and_version_are_data() {
    for arguments in [&["--help"][..], &["help"], &["--version"], &["pitch", "--help"]] {
        let said = barmkeep(arguments).with(0);
        assert!(!said.out.is_empty(), "{arguments:?}");
        assert_eq!(said.err, "", "{arguments:?}");
    }
    let help = barmkeep(&["--help"]).out;
    for command in [
        "run",
        "check",
        "rehearse",
        "replay",
        "calibrate",
        "pipe",
        "status",
        "why",
        "log",
        "compare",
        "demo",
        "schema",
        "completions",
        "pitch",
        "hold",
        "resume",
        "advance",
        "confirm",
        "revise",
        "sample",
        "note",
        "acknowledge",
        "shelve",
        "stop",
        "abort",
    ] {
        let line = help.lines().find(|line| line.trim_start().starts_with(command));
        let line = line.unwrap_or_else(|| panic!("no {command} in {help}"));
        let about = line.trim_start().trim_start_matches(command).trim();
        assert!(about.len() > 8 && !about.starts_with("Where"), "{line}");
    }
}

#[test]
fn check_finds_nothing_wrong_with_the_examples() {
    let config = project().join("config-examples/barmkeep.toml").display().to_string();
    let schedules = EXAMPLES.map(example);
    let files: Vec<&str> = std::iter::once(&config).chain(&schedules).map(String::as_str).collect();
    let said = barmkeep(&[&["check"], &files[..]].concat()).with(0);
    assert_eq!(said.out.lines().count(), files.len());
    assert_eq!(said.err, "");
    let said = barmkeep(&[&["check", "--json"], &files[..]].concat()).with(0);
    assert_eq!((said.out.as_str(), said.err.as_str()), ("", ""), "no problem, no object");
}

#[test]
fn check_tells_what_is_wrong_and_where() {
    let cellar = Cellar::new(1);
    let faulty = PLAIN.replace("\"19 C\"", "19").replace("coldest", "coldst");
    let path = cellar.write("faulty.toml", &faulty).display().to_string();
    let said = barmkeep(&["check", &path]).with(78);
    assert_eq!(said.out, "");
    assert!(said.err.contains("faulty.toml:") && said.err.contains('^'), "{}", said.err);
    assert!(said.err.contains("coldest"), "the nearest known key: {}", said.err);
    let said = barmkeep(&["check", "--json", &path]).with(78);
    let problems = said.objects();
    assert!(problems.len() >= 2, "all at once: {}", said.out);
    for problem in &problems {
        assert!(problem["line"].is_u64() && problem["column"].is_u64(), "{problem}");
    }
    // Warnings alone are no failure.
    let warned = PLAIN.replace("at_most", "# at_most");
    let path = cellar.write("warned.toml", &warned).display().to_string();
    let said = barmkeep(&["check", &path]).with(0);
    assert!(said.err.contains("warning"), "{}", said.err);
    barmkeep(&["check", &cellar.path("nowhere.toml")]).with(74);
    // A file with vessels is a configuration.
    let config = cellar.config();
    barmkeep(&["check", &config]).with(0);
    let text = std::fs::read_to_string(&config).expect("it was written");
    let path = cellar.write("wrong.toml", &text.replace("23 L", "23 kg")).display().to_string();
    barmkeep(&["check", &path]).with(78);
    for arguments in [&["run", &path][..], &["pipe", &path], &["status", "--config", &path]] {
        let said = barmkeep(arguments).with(78);
        assert_eq!(said.out, "", "{arguments:?}");
        assert!(said.err.contains("wrong.toml:"), "{arguments:?}: {}", said.err);
    }
    for arguments in [
        &["run", "nowhere.toml"][..],
        &["pipe", "nowhere.toml"],
        &["status", "--config", "nowhere.toml"],
        &["hold", "--config", "nowhere.toml"],
        &["log", "--config", "nowhere.toml"],
    ] {
        let said = barmkeep(arguments).with(78);
        assert!(said.err.contains("nowhere.toml"), "{arguments:?}: {}", said.err);
    }
}

#[test]
fn a_store_that_is_not_there_is_told() {
    let cellar = Cellar::new(1);
    for arguments in [
        &["log"][..],
        &["log", "--json"],
        &["log", "north", "--last", "3"],
        &["compare"],
        &["compare", "--json", "--batch", "north-1"],
    ] {
        let said = cellar.ask(arguments).with(74);
        assert_eq!(said.out, "");
        assert!(said.err.contains("barmkeep.db"), "{}", said.err);
    }
}

#[test]
fn schemas_and_completions_are_printed() {
    for of in ["schedule", "config"] {
        let said = barmkeep(&["schema", of]).with(0);
        let schema: Value = serde_json::from_str(&said.out).expect("a JSON Schema is JSON");
        assert!(schema["$schema"].is_string() && schema["properties"].is_object(), "{of}");
        assert_eq!(said.err, "");
    }
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let said = barmkeep(&["completions", shell]).with(0);
        assert!(said.out.contains("barmkeep") && said.out.contains("pitch"), "{shell}");
    }
}

#[test]
fn a_schedule_is_told_as_a_person_would_tell_it() {
    let path = example("pale-lager-quick");
    let said = barmkeep(&["check", "--outline", &path]).with(0);
    assert_eq!(said.err, "");
    for part in ["nothing is wrong", "2 warm finish:", "until", "at most", "afterwards", "°C|"] {
        assert!(said.out.contains(part), "{part}: {}", said.out);
    }
    assert!(said.out.lines().all(|line| line.chars().count() <= 80 || line.contains(".toml")));
    assert!(!said.out.contains('\u{1b}'), "no colours in a pipe");
    barmkeep(&["check", "--outline", "--json", &path]).with(64);
    let cellar = Cellar::new(1);
    let faulty = cellar.write("faulty.toml", &PLAIN.replace("\"19 C\"", "19"));
    let said = barmkeep(&["check", "--outline", &faulty.display().to_string()]).with(78);
    assert_eq!(said.out, "", "a schedule with an error has no outline");
}

#[test]
fn manual_pages_are_printed_and_written() {
    let said = barmkeep(&["man", "pitch"]).with(0);
    assert!(said.out.contains(".TH") && said.out.contains("original"), "{}", said.out);
    barmkeep(&["man", "ferment"]).with(64);
    let cellar = Cellar::new(1);
    let folder = cellar.path("man1");
    barmkeep(&["man", "--folder", &folder]).with(0);
    let pages = std::fs::read_dir(&folder).expect("the folder was made").count();
    assert!(pages > 30, "{pages} pages");
    let whole = std::fs::read_to_string(cellar.path("man1/barmkeep.1")).expect("the first page");
    assert!(whole.contains("pitch"), "{whole}");
    let page = std::fs::read_to_string(cellar.path("man1/barmkeep-log.1")).expect("a page");
    assert!(page.contains("follow") && page.contains("Examples"), "{page}");
}

#[test]
fn a_password_becomes_a_hash_and_is_told_to_nobody() {
    let hash = |input: &str| barmkeep_reading(&["password"], input);
    let first = hash("Ale and bread\n").with(0);
    assert!(first.out.starts_with("$argon2id$v=19$m=7168,t=5,p=1$"), "{}", first.out);
    assert_eq!((first.err.as_str(), first.out.lines().count()), ("", 1));
    assert_ne!(first.out, hash("Ale and bread\n").out, "each has a salt of its own");
    assert!(hash("\n").with(65).err.contains("empty"));
    assert!(hash(&"x".repeat(2000)).with(65).err.contains("1024"));
    barmkeep(&["password", "secret"]).with(64);
}

#[test]
fn help_has_examples() {
    for command in ["check", "log", "pitch", "addition", "status"] {
        let help = barmkeep(&[command, "--help"]).with(0).out;
        let line = format!("  barmkeep {command}");
        assert!(help.contains("Example") && help.contains(&line), "{help}");
    }
}

/// A rehearsal's summary.
fn summary(said: &Said) -> Value {
    let lines = said.objects();
    let (summary, records) = lines.split_last().expect("lines");
    assert_eq!(summary["kind"], "summary");
    for (index, record) in records.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
        // There is no batch yet when its pitch is accepted.
        let batch = if index == 0 { Value::Null } else { "rehearsal-1".into() };
        assert_eq!(record["batch"], batch, "{record}");
    }
    summary.clone()
}

#[test]
fn every_example_completes_in_a_rehearsal_and_twice_the_same() {
    for name in EXAMPLES {
        let path = example(name);
        let began = Instant::now();
        let arguments = ["rehearse", &path, "--json", "--seed", "7"];
        let said = barmkeep(&arguments).with(0);
        println!("{name}: rehearsed in {:.1} s", began.elapsed().as_secs_f64());
        let summary = summary(&said);
        assert_eq!(summary["run"], "complete", "{name}");
        assert_eq!(summary["stable"], true, "{name}");
        let stages = summary["stages"].as_array().expect("stages");
        for stage in stages {
            assert!(stage["left"].is_string(), "{name}: {stage}");
            assert!(summary["truth"].get(stage["name"].as_str().expect("a name")).is_some());
        }
        assert!(summary["control"]["rms_c"].as_f64().is_some_and(|rms| rms < 0.5), "{summary}");
        assert!(summary["gravity"]["sg"].is_f64() && summary["gravity"]["sd"].is_f64());
        assert!(summary["abv_percent"].as_f64().is_some_and(|abv| abv > 3.0), "{summary}");
    }
    let path = example("one-stage-cold-crash");
    let arguments = ["rehearse", &path, "--json", "--seed", "7"];
    let first = barmkeep(&arguments).with(0);
    assert!(barmkeep(&arguments).out == first.out, "the same seed gave other bytes");
    let other = barmkeep(&["rehearse", &path, "--json", "--seed", "8"]).with(0);
    assert!(other.out != first.out, "another seed gave the same bytes");
    assert_eq!(first.err, "", "diagnostics only, and none are due");
}

#[test]
fn a_rehearsal_draws_its_batch_and_speaks_to_a_person() {
    let cellar = Cellar::new(1);
    let plot = cellar.path("batch.svg");
    let path = example("one-stage-cold-crash");
    let said = barmkeep(&[
        "rehearse",
        &path,
        "--plot",
        &plot,
        "--every",
        "1 h",
        "--noise",
        "0.5 points",
        "--volume",
        "50 L",
        "--ambient",
        "18 C",
        "--original-gravity",
        "13 P",
        "--attenuation",
        "76 %",
    ])
    .with(0);
    assert!(said.out.contains("Stage 1 of 2, fermentation, began"), "{}", said.out);
    assert!(said.out.contains("run          complete"), "{}", said.out);
    assert!(serde_json::from_str::<Value>(said.out.lines().next().expect("a line")).is_err());
    let drawn = std::fs::read_to_string(&plot).expect("the plot was written");
    assert!(drawn.starts_with("<svg") && drawn.trim_end().ends_with("</svg>"));
    let nowhere = cellar.path("no/such/folder/batch.svg");
    let said = barmkeep(&["rehearse", &path, "--every", "1 h", "--plot", &nowhere]);
    assert_eq!(said.status, 74, "{}", said.err);
}

#[test]
fn an_impossible_rehearsal_fails() {
    let cellar = Cellar::new(1);
    let path = cellar.write("plain.toml", PLAIN).display().to_string();
    barmkeep(&["rehearse", &path, "--every", "4 h"]).with(0);
    let lazy = ["--every", "4 h", "--attenuation", "50 %"];
    let said = barmkeep(&[&["rehearse", &path, "--json"], &lazy[..]].concat()).with(1);
    let summary = summary(&said);
    assert_eq!(summary["run"], "running");
    assert_eq!(summary["stages"][0]["left"], Value::Null);
    assert!(said.err.contains("did not complete"), "{}", said.err);
    assert!(said.out.contains("stage-overdue"), "the alarm came meanwhile");
    // A schedule that does not pass `check` is not even begun.
    let path = cellar.write("faulty.toml", &PLAIN.replace("19 C", "30 C"));
    let said = barmkeep(&["rehearse", &path.display().to_string(), "--json"]).with(78);
    assert_eq!(said.out, "");
}
