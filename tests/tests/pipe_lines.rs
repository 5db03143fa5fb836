//! `pipe`, line by line: what goes in as JSON comes out as records and one `done` a line.

use barmkeep_tests::cellar::{Cellar, beer_after};
use barmkeep_tests::program::{Said, barmkeep_reading};
use serde_json::{Value, json};

/// What came out for each line that went in: the lines up to its `done`.
fn answers(said: &Said) -> Vec<Vec<Value>> {
    let mut answers = vec![Vec::new()];
    for line in said.objects() {
        let done = line["kind"] == "done";
        answers.last_mut().expect("one is always open").push(line);
        if done {
            answers.push(Vec::new());
        }
    }
    assert_eq!(answers.pop(), Some(Vec::new()), "nothing comes after the last `done`");
    answers
}

fn pipe(input: &str) -> Vec<Vec<Value>> {
    // Nobody listens on this port, and nobody asks.
    let cellar = Cellar::new(1);
    let said = barmkeep_reading(&["pipe", &cellar.config()], input).with(0);
    let left: Vec<_> = std::fs::read_dir(cellar.folder()).expect("a folder").collect();
    assert_eq!(left.len(), 2, "no store: {left:?}");
    answers(&said)
}

/// The lines as they are, a line each.
fn lines(lines: &[&str]) -> Vec<Vec<Value>> {
    let input: String = lines.iter().map(|line| format!("{line}\n")).collect();
    let answers = pipe(&input);
    assert_eq!(answers.len(), lines.len(), "exactly one `done` a line");
    answers
}

fn kinds(answer: &[Value]) -> Vec<&str> {
    answer.iter().map(|line| line["kind"].as_str().expect("a kind")).collect()
}

#[test]
fn each_line_gets_one_done_that_says_how_the_vessels_stand() {
    let answers = lines(&[
        r#"{"at":"2026-03-01T08:00:00Z"}"#,
        r#"{"at":"2026-03-01T08:00:10Z","vessel":"north","source":"beer","temperature_c":18.5}"#,
        r#"{"at":"2026-03-01T08:00:20Z","vessel":"north","do":"pitch","schedule":"ale"}"#,
        r#"{"at":"2026-03-01T10:00:30+02:00"}"#,
    ]);
    assert_eq!(
        answers[0],
        [json!({"kind": "done", "at": "2026-03-01T08:00:00Z", "vessels": {"north": {
            "run": "idle", "stage": null, "setpoint_c": null, "heater": "off", "chiller": "off"
        }}})]
    );
    assert_eq!(kinds(&answers[1]), ["done"]);
    let done = answers[2].last().expect("a done");
    assert_eq!(
        (&done["vessels"]["north"]["run"], &done["vessels"]["north"]["stage"]),
        (&json!("running"), &json!("primary"))
    );
    assert_eq!(done["vessels"]["north"]["setpoint_c"], 18.5);
    let expected = ["command.accepted", "batch.pitched", "stage.entered", "setpoint.moved", "done"];
    assert_eq!(kinds(&answers[2]), expected);
    for (index, record) in answers[2][..4].iter().enumerate() {
        assert_eq!(record["seq"], index + 1);
        assert_eq!(
            (&record["vessel"], &record["at"]),
            (&json!("north"), &json!("2026-03-01T08:00:20Z"))
        );
        assert!(record["text"].as_str().is_some_and(|text| text.ends_with('.')), "{record}");
    }
    assert_eq!(answers[2][1]["batch"], "north-1");
    // Records of the time that passed come before this line's own `done`, in UTC.
    let done = answers[3].last().expect("a done");
    assert_eq!(done["at"], "2026-03-01T08:00:30Z");
}

/// Lines that cannot be used, and what the error says.
const UNUSABLE: &[(&str, &str)] = &[
    ("", "JSON"),
    ("garbage", "JSON"),
    ("{\"at\":", "JSON"),
    ("[]", "object"),
    ("7", "object"),
    ("{}", "`at`"),
    (r#"{"at":7}"#, "`at`"),
    (r#"{"at":"yesterday"}"#, "yesterday"),
    (r#"{"at":"2026-03-01T09:00:00"}"#, "2026-03-01T09:00:00"),
    (r#"{"at":"2026-03-01T07:59:59Z"}"#, "falls"),
    (r#"{"at":"9026-03-01T08:00:00Z"}"#, "leaps"),
    (
        r#"{"at":"2026-03-01T09:00:00Z","vessel":"south","source":"beer","temperature_c":18}"#,
        "`south`",
    ),
    (
        r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"bear","temperature_c":18}"#,
        "`bear`",
    ),
    (
        r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"surround","temperature_c":18}"#,
        "`surround`",
    ),
    (r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"float"}"#, "`gravity_sg`"),
    (
        r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"float","gravity_sg":"1.05"}"#,
        "`gravity_sg`",
    ),
    (
        concat!(
            r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"float","#,
            r#""gravity_sg":1.05,"gravity_plato":12}"#
        ),
        "give one",
    ),
    (
        r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"beer","gravity_sg":1.05}"#,
        "`temperature_c`",
    ),
    (r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":7}"#, "texts"),
    (r#"{"at":"2026-03-01T09:00:00Z","vessel":"north"}"#, "`source` or `do`"),
    (r#"{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"beer","do":"hold"}"#, "not both"),
    (r#"{"at":"2026-03-01T09:00:00Z","source":"beer","temperature_c":18}"#, "`vessel`"),
    (r#"{"at":"2026-03-01T09:00:00Z","temperature_c":18}"#, "`vessel`"),
];

#[test]
fn a_line_that_cannot_be_used_gets_an_error_and_changes_nothing() {
    let first = r#"{"at":"2026-03-01T08:00:00Z"}"#;
    let unusable = UNUSABLE.iter().map(|(line, _)| *line);
    let all: Vec<&str> = std::iter::once(first).chain(unusable).collect();
    let answers = lines(&all);
    for (index, (line, says)) in UNUSABLE.iter().enumerate() {
        let answer = &answers[index + 1];
        assert_eq!(kinds(answer), ["error", "done"], "`{line}`: {answer:?}");
        assert_eq!(answer[0]["line"], index + 2, "lines count from 1: {answer:?}");
        let text = answer[0]["text"].as_str().expect("a text");
        assert!(text.contains(says), "`{line}`: {text}");
        let (was, is) =
            (&answers[index][answers[index].len() - 1]["vessels"], &answer[1]["vessels"]);
        assert_eq!(is, was, "`{line}`");
    }
}

#[test]
fn a_time_that_falls_or_cannot_be_read_moves_no_time() {
    let answers = lines(&[
        r#"{"at":"nonsense"}"#,
        r#"{"at":"2026-03-01T08:00:00Z"}"#,
        r#"{"at":"2026-03-01T07:00:00Z","vessel":"north","do":"note","text":"too late"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"note","text":"at the same time"}"#,
    ]);
    assert_eq!(kinds(&answers[0]), ["error", "done"]);
    assert_eq!(answers[0][0]["line"], 1);
    assert_eq!(answers[0][1]["at"], Value::Null, "no time has come yet");
    assert_eq!(answers[2][1]["at"], "2026-03-01T08:00:00Z");
    assert_eq!(kinds(&answers[3]), ["command.accepted", "batch.noted", "done"]);
}

#[test]
fn an_implausible_value_is_a_refused_reading_and_no_error() {
    let answers = lines(&[
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","source":"float","gravity_sg":1.9}"#,
        r#"{"at":"2026-03-01T08:01:00Z","vessel":"north","source":"float","angle_deg":41.5}"#,
        r#"{"at":"2026-03-01T08:02:00Z","vessel":"north","source":"beer","temperature_c":400}"#,
        r#"{"at":"2026-03-01T08:03:00Z","vessel":"north","source":"float","gravity_plato":-80}"#,
        r#"{"at":"2026-03-01T08:04:00Z","vessel":"north","source":"float","gravity_plato":12.0}"#,
        r#"{"at":"2026-03-01T08:04:00Z","vessel":"north","source":"float","gravity_plato":12.0}"#,
    ]);
    for (index, refused) in [true, true, true, true, false, true].into_iter().enumerate() {
        let kinds = kinds(&answers[index]);
        assert_eq!(kinds.contains(&"reading.refused"), refused, "{:?}", answers[index]);
        assert!(!kinds.contains(&"error"), "{:?}", answers[index]);
    }
    assert_eq!(answers[0][0]["data"]["source"], "float");
}

#[test]
fn a_command_is_accepted_or_refused_and_both_are_records() {
    let answers = lines(&[
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"hold"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"fly"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"pitch"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"pitch","schedule":"no-such-file"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"sample","gravity":1.05}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"note","id":"a","text":"once"}"#,
        r#"{"at":"2026-03-01T08:00:00Z","vessel":"north","do":"note","id":"a","text":"once"}"#,
    ]);
    for answer in &answers[..5] {
        assert_eq!(kinds(answer), ["command.refused", "done"], "{answer:?}");
        assert!(answer[0]["data"]["reason"].as_str().is_some_and(|reason| reason.len() > 10));
    }
    assert_eq!(kinds(&answers[5]), ["command.accepted", "batch.noted", "done"]);
    assert_eq!(kinds(&answers[6]), ["done"], "a second copy changes nothing");
}

#[test]
fn a_line_without_an_end_and_a_monstrous_line_are_lines() {
    let answers = pipe(r#"{"at":"2026-03-01T08:00:00Z"}"#);
    assert_eq!(answers.len(), 1);
    let monster = format!("{{\"at\":\"2026-03-01T08:00:00Z\",\"x\":\"{}\"}}", "x".repeat(2 << 20));
    let answers = pipe(&format!("{monster}\n{{\"at\":\"2026-03-01T08:00:00Z\"}}\n"));
    assert_eq!(kinds(&answers[0]), ["error", "done"]);
    assert_eq!(kinds(&answers[1]), ["done"]);
    assert!(pipe("").is_empty());
}

/// A small batch: a float every hour, a probe every five minutes, and a person at the end.
fn batch() -> String {
    let at = |minutes: u32| {
        let (day, rest) = (1 + minutes / 1440, minutes % 1440);
        format!("2026-03-{day:02}T{:02}:{:02}:00Z", rest / 60, rest % 60)
    };
    let mut input = String::new();
    let mut give = |line: Value| input.push_str(&format!("{line}\n"));
    give(json!({"at": at(0), "vessel": "north", "source": "beer", "temperature_c": 17.0}));
    give(json!({"at": at(0), "vessel": "north", "do": "pitch", "schedule": "ale",
        "name": "The first", "original_gravity": "1.050 SG"}));
    for minutes in (5..6 * 1440).step_by(5) {
        give(json!({"at": at(minutes), "vessel": "north", "source": "beer",
            "temperature_c": if minutes < 3000 { 17.0 } else { 19.0 }}));
        if minutes % 60 == 0 {
            let sg = beer_after(f64::from(minutes) / 60.0);
            give(json!({"at": at(minutes), "vessel": "north", "source": "float",
                "gravity_sg": sg, "temperature_c": 17.0, "battery_percent": 80}));
        }
    }
    give(json!({"at": at(6 * 1440), "vessel": "north", "do": "confirm"}));
    give(json!({"at": at(6 * 1440 + 10)}));
    input
}

#[test]
fn a_small_batch_goes_through_and_twice_the_same() {
    let cellar = Cellar::new(1);
    let input = batch();
    let said = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0);
    let answers = answers(&said);
    assert_eq!(answers.len(), input.lines().count());
    let records: Vec<&Value> =
        answers.iter().flatten().filter(|line| line.get("seq").is_some()).collect();
    for (index, record) in records.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
        // There is no batch yet when its pitch is accepted.
        let batch = if index == 0 { Value::Null } else { "north-1".into() };
        assert_eq!(record["batch"], batch, "{record}");
    }
    let story: Vec<&str> = records
        .iter()
        .filter_map(|record| record["kind"].as_str())
        .filter(|kind| kind.starts_with("batch.") || kind.starts_with("stage."))
        .filter(|kind| *kind != "batch.noted")
        .collect();
    let days: Vec<&Value> =
        records.iter().filter(|record| record["kind"] == "batch.noted").copied().collect();
    assert!(days.len() > 3, "{days:?}");
    for (index, day) in days.iter().enumerate() {
        assert_eq!(day["data"]["day"], index + 1, "{day}");
    }
    let expected = [
        "batch.pitched",
        "stage.entered",
        "stage.left",
        "stage.entered",
        "stage.left",
        "batch.completed",
    ];
    assert_eq!(story, expected);
    let left = records.iter().find(|record| record["kind"] == "stage.left").expect("one");
    // The invented beer is at 1.030 SG after 10 h + 25 h · ln 2 = 27.3 h.
    let at = left["at"].as_str().expect("a time");
    assert!(("2026-03-02T03:20".."2026-03-02T12:00").contains(&at), "{at}");
    let done = answers.last().and_then(|answer| answer.last()).expect("a done");
    assert_eq!(done["vessels"]["north"]["run"], "complete");
    // Kept at its last setpoint after the end.
    assert_eq!(done["vessels"]["north"]["setpoint_c"], 19.0);
    let ons = answers.iter().flatten().filter(|line| line["kind"] == "done");
    for done in ons {
        let north = &done["vessels"]["north"];
        assert!(north["heater"] != "on" || north["chiller"] != "on", "{done}");
    }
    let again = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0);
    assert!(again.out == said.out, "the same input gave other bytes");
}
