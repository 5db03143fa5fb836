//! What a person may do in each run state: the same through `pipe`, over the broker, and as flags
//! on the command line, each once by its `id`.

use barmkeep_tests::broker::{Ear, Mosquitto};
use barmkeep_tests::cellar::{Cellar, beer_after, rfc3339};
use barmkeep_tests::program::{PATIENCE, barmkeep_reading};
use serde_json::{Value, json};
use std::time::{Duration, Instant, SystemTime};

/// How to come into each run state, from one without a batch.
const STATES: [(&str, &[&str]); 6] = [
    ("idle", &[]),
    ("running", &["pitch"]),
    ("held", &["pitch", "hold"]),
    ("stopped", &["pitch", "stop"]),
    ("aborted", &["pitch", "abort"]),
    ("complete", &["pitch", "advance", "advance"]),
];

/// Each command and where it is accepted.
fn table() -> Vec<(Value, &'static str)> {
    let any = "idle running held stopped aborted complete";
    vec![
        (json!({"do": "hold", "target": "16 C"}), "running"),
        (json!({"do": "resume"}), "held"),
        (json!({"do": "nudge", "by": "1 C"}), "running held"),
        (json!({"do": "nudge", "target": "18 C", "until": "6 h"}), "running held"),
        (json!({"do": "nudge", "by": "-0.5 C", "until": "stage"}), "running held"),
        (json!({"do": "expect", "attenuation": "80 %", "because": "Test"}), "running held"),
        (json!({"do": "advance", "to": "warm finish"}), "running held"),
        (json!({"do": "advance", "to": "primary"}), "running held"),
        (json!({"do": "park", "target": "12 C", "for": "2 d"}), "idle stopped aborted"),
        (json!({"do": "park", "target": "50 F"}), "idle stopped aborted"),
        (json!({"do": "unpark"}), "idle stopped aborted"),
        (json!({"do": "lock", "because": "Cleaning"}), any),
        (json!({"do": "unlock"}), any),
    ]
}

fn step(name: &str) -> Value {
    match name {
        "pitch" => json!({"do": "pitch", "schedule": "ale"}),
        other => json!({"do": other}),
    }
}

/// The command with an id and a sender.
fn named(command: &Value, id: &str) -> Value {
    let mut command = command.clone();
    command["id"] = json!(id);
    command["sender"] = json!("the brewer");
    command
}

#[test]
fn every_act_in_every_state_through_pipe() {
    for (state, way) in STATES {
        for (command, accepted) in table() {
            let accepted = accepted.split(' ').any(|known| known == state);
            let mut input = String::new();
            let mut give = |mut line: Value| {
                line["at"] = json!("2026-03-01T08:00:00Z");
                line["vessel"] = json!("north");
                input.push_str(&format!("{line}\n"));
            };
            give(json!({"source": "beer", "temperature_c": 17.0}));
            way.iter().for_each(|name| give(step(name)));
            give(named(&command, "a"));
            give(named(&command, "a"));
            let cellar = Cellar::new(1);
            let said = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0);
            let answers = answers(&said.objects());
            let [.., once, copy] = answers.as_slice() else { panic!("{answers:?}") };
            let kind = if accepted { "command.accepted" } else { "command.refused" };
            assert_eq!(once[0]["kind"], kind, "{state}: {command}: {once:?}");
            assert_eq!(once[0]["data"]["by"], "the brewer");
            if !accepted {
                let why = once[0]["data"]["reason"].as_str().expect("a reason");
                assert!(why.starts_with(&format!("north is {state}; ")), "{why}");
                assert_eq!(once.len(), 2, "a refused command did something: {once:?}");
            }
            assert_eq!(copy.len(), 1, "a copy did something: {copy:?}");
            assert_eq!(copy[0]["vessels"], once.last().expect("a done")["vessels"]);
        }
    }
}

/// What came for each line: up to its `done`.
fn answers(lines: &[Value]) -> Vec<Vec<Value>> {
    let ends = lines.split_inclusive(|line| line["kind"] == "done");
    ends.map(<[Value]>::to_vec).collect()
}

/// One who sends commands over the broker and waits for the answer.
struct Brewer<'a> {
    cellar: &'a Cellar,
    ear: Ear,
    count: u32,
}

impl Brewer<'_> {
    fn id(&mut self) -> String {
        self.count += 1;
        format!("brewer-{}", self.count)
    }

    #[track_caller]
    fn send(&mut self, command: &Value, id: &str) -> (bool, String) {
        self.cellar.send(&named(command, id));
        let is_it = |reply: &Value| reply["id"] == id;
        let heard = self.ear.wait("a reply", |message| {
            message.topic == "barmkeep/north/reply" && is_it(&message.json())
        });
        let reply = heard.json();
        (reply["ok"] == true, reply["text"].as_str().expect("a text").to_owned())
    }

    #[track_caller]
    fn must(&mut self, command: &Value) {
        let id = self.id();
        let (ok, text) = self.send(command, &id);
        assert!(ok, "{command}: {text}");
    }
}

#[test]
fn every_act_in_every_state_over_the_broker_and_over_a_restart() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let ear = Ear::open(broker.port, "5", "barmkeep/#");
    let mut brewer = Brewer { cellar: &cellar, ear, count: 0 };
    let mut daemon = cellar.start();
    brewer.ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    for (state, way) in STATES {
        let mut done = Vec::new();
        for (command, accepted) in table() {
            if state != "idle" {
                brewer.must(&json!({"do": "abort"}));
                brewer.must(&json!({"do": "unlock"}));
            }
            for name in way {
                brewer.must(&step(name));
            }
            let accepted = accepted.split(' ').any(|known| known == state);
            let id = brewer.id();
            let (ok, text) = brewer.send(&command, &id);
            assert_eq!(ok, accepted, "{state}: {command}: {text}");
            done.push((command, id, ok, text));
        }
        // The process ends between a command and its copy.
        daemon.kill();
        daemon = cellar.start();
        brewer.ear.wait_for("barmkeep/status", "online");
        let before = cellar.log().len();
        for (command, id, ok, text) in done {
            assert_eq!(brewer.send(&command, &id), (ok, text), "{state}: {command}");
        }
        let log = cellar.log();
        let acts = log[before..].iter().filter(|record| record["kind"] != "output.switched");
        assert_eq!(acts.collect::<Vec<_>>(), Vec::<&Value>::new(), "{state}: a copy did something");
    }
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn acts_are_flags_and_are_shown() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "311", "barmkeep/#");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    let ask = |arguments: &[&str]| cellar.ask(arguments).with(0).out;
    ask(&["park", "north", "--target", "12 C", "--for", "30 h"]);
    assert_eq!(cellar.status()["parked_c"], 12.0);
    assert!(ask(&["status"]).contains("parked     at 12.0 °C, until 20"));
    assert!(ask(&["why"]).contains("parked at 12.0 °C"));
    ask(&["unpark", "north"]);
    assert_eq!(cellar.status()["parked_c"], Value::Null);
    ask(&["pitch", "north", "--schedule", "ale"]);
    ask(&["nudge", "north", "--by", "-1 C", "--until", "6 h"]);
    ask(&["lock", "north", "--because", "Cleaning the drip tray"]);
    let state = cellar.status();
    assert_eq!((&state["nudge"]["by_c"], &state["target_c"]), (&json!(-1.0), &json!(16.0)));
    assert_eq!(state["nudge"]["by"], "tester", "the person who typed it");
    assert_eq!(state["locked"], "Cleaning the drip tray");
    let shown = ask(&["status"]);
    assert!(shown.contains("LOCKED     both outputs are off until `unlock`: Cleaning"), "{shown}");
    assert!(shown.contains("corrected  by -1.0 °C, until 20"), "{shown}");
    let why = ask(&["why", "north"]);
    assert!(why.contains("corrected by -1.0 °C") && why.contains("locked"), "{why}");
    // All of it is there after a fall.
    daemon.kill();
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    assert_eq!(cellar.status()["locked"], state["locked"]);
    assert_eq!(cellar.status()["nudge"], state["nudge"]);
    let refused = cellar.ask(&["nudge", "north", "--by", "1"]).with(64);
    assert!(refused.err.contains("has no unit"), "{}", refused.err);
    assert_eq!(daemon.terminate(), Some(0));
}

/// The first record of this kind, as soon as there is one.
fn first_of(cellar: &Cellar, kind: &str) -> Value {
    let began = Instant::now();
    loop {
        if let Some(record) = cellar.log_of(kind).into_iter().next() {
            return record;
        }
        assert!(began.elapsed() < PATIENCE, "no {kind} came");
    }
}

/// The hours that the yeast has been in when somebody tells the program.
const LATE: u32 = 60;

#[test]
fn a_late_pitch_takes_in_what_the_daemon_kept() {
    for word in ["at", "pitched_at"] {
        let broker = Mosquitto::start();
        let cellar = Cellar::new(broker.port);
        let ear = Ear::open(broker.port, "5", "barmkeep/#");
        let mut brewer = Brewer { cellar: &cellar, ear, count: 0 };
        let daemon = cellar.start();
        brewer.ear.wait_for("barmkeep/status", "online");
        cellar.probe(17.0);
        // The float has a memory: it tells all its hours at once, each with its own time.
        let pitched = SystemTime::now() - Duration::from_secs(3600 * u64::from(LATE));
        cellar.float(pitched, 1..LATE);
        let pitch = json!({"do": "pitch", "schedule": "ale", "original_gravity": "1.050 SG",
            word: rfc3339(pitched)});
        brewer.must(&pitch);
        let left = first_of(&cellar, "stage.left");
        let text = left["text"].as_str().expect("a text");
        assert!(text.contains("is at or below 1.0300 SG") && text.contains("It took 2 d 12 h"));
        let state = cellar.status();
        let sg = state["gravity"]["sg"].as_f64().expect("a gravity");
        assert!((sg - beer_after(f64::from(LATE))).abs() < 0.0015, "{sg}");
        // The readings came with the command: another process comes to the same.
        daemon.kill();
        let daemon = cellar.start();
        brewer.ear.wait_for("barmkeep/status", "online");
        let after = cellar.status();
        assert_eq!(after["stage"], state["stage"]);
        let again = after["gravity"]["sg"].as_f64().expect("a gravity");
        assert!((again - sg).abs() < 2e-6, "{sg}, then {again}");
        assert_eq!(daemon.terminate(), Some(0));
    }
}

#[test]
fn a_late_pitch_takes_in_what_pipe_kept() {
    let at = |minutes: u32| {
        let (day, rest) = (1 + minutes / 1440, minutes % 1440);
        format!("2026-03-{day:02}T{:02}:{:02}:00Z", rest / 60, rest % 60)
    };
    let mut input = String::new();
    let mut give = |minutes: u32, mut line: Value| {
        line["at"] = json!(at(minutes));
        line["vessel"] = json!("north");
        input.push_str(&format!("{line}\n"));
    };
    for minutes in (0..60 * LATE).step_by(5) {
        give(minutes, json!({"source": "beer", "temperature_c": 17.0}));
        if minutes % 60 == 0 {
            let sg = beer_after(f64::from(minutes) / 60.0);
            give(minutes, json!({"source": "float", "gravity_sg": sg, "temperature_c": 17.0}));
        }
    }
    let pitch = json!({"do": "pitch", "schedule": "ale", "original_gravity": "1.050 SG",
        "pitched_at": at(0)});
    give(60 * LATE, pitch);
    give(60 * LATE + 1, json!({"source": "beer", "temperature_c": 17.0}));
    let cellar = Cellar::new(1);
    let lines = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0).objects();
    let pitched = lines.iter().find(|line| line["kind"] == "batch.pitched").expect("it was");
    assert_eq!(pitched["data"]["pitched_at"], "2026-03-01T00:00:00Z");
    assert_eq!(pitched["at"], "2026-03-03T12:00:00Z");
    let left = lines.iter().find(|line| line["kind"] == "stage.left").expect("it was shown");
    assert!(left["text"].as_str().is_some_and(|text| text.contains("It took 2 d 12 h")), "{left}");
}
