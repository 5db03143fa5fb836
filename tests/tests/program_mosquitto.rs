//! The real daemon against a real mosquitto, with a client from outside as the devices.

use barmkeep_tests::broker::{Ear, Mosquitto, free_port, kept, on, say, say_bytes};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::PATIENCE;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

const STATE: &str = "barmkeep/north/state";
const HEATER: &str = "cellar/plug/heat/set";
const CHILLER: &str = "barmkeep/north/chiller/switch";

/// Long enough for the readings of seventy hours.
const HOURS: u32 = 72;

/// The numbers of records begin at 1, rise by one and never repeat.
#[track_caller]
fn assert_whole(log: &[Value]) {
    for (index, record) in log.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
    }
}

/// Two states agree in these fields, and in the estimates: those are of the present, which went on
/// for some seconds from the one to the other.
#[track_caller]
fn assert_same(after: &Value, before: &Value, keys: &[&str]) {
    for key in keys {
        assert_eq!(after[key], before[key], "{key}");
    }
    assert_eq!(after["gravity"]["as_of"], before["gravity"]["as_of"]);
    for (path, nearly) in [
        ("/gravity/sg", 2e-6),
        ("/gravity/sd", 2e-6),
        ("/gravity/rate_points_per_day", 2e-3),
        ("/attenuation/apparent_percent", 5e-3),
    ] {
        let number = |state: &Value| state.pointer(path).and_then(Value::as_f64);
        let (after, before) = (number(after), number(before));
        let apart = after.zip(before).map(|(after, before)| (after - before).abs());
        assert!(apart.is_some_and(|apart| apart < nearly), "{path}: {before:?}, then {after:?}");
    }
}

#[test]
fn a_batch_goes_over_the_wire() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (_daemon, pitched) = cellar.pitched(&mut ear, HOURS);

    cellar.float(pitched, 1..HOURS);
    let left = ear.event("stage.left");
    assert_eq!((&left["data"]["stage"], &left["data"]["index"]), (&json!("primary"), &json!(1)));
    assert_eq!((&left["vessel"], &left["batch"]), (&json!("north"), &json!("north-1")));
    let entered = ear.event("stage.entered");
    assert_eq!(entered["data"]["stage"], "warm finish");
    let text = entered["text"].as_str().expect("a text");
    assert!(text.contains("is at or below 1.0300 SG"), "{text}");

    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    cellar.probe(17.9);
    ear.wait_for(HEATER, "OFF");
    ear.wait_for(CHILLER, "ON");

    let kept = kept(broker.port);
    assert_eq!(on(&kept, "barmkeep/status").payload, "online");
    let setpoint = on(&kept, "barmkeep/north/heater/setpoint").json();
    let celsius = setpoint["setpoint_c"].as_f64().expect("a setpoint");
    assert!((16.69..16.9).contains(&celsius), "the setpoint less the hysteresis: {celsius}");
    assert!(setpoint["valid_until"].as_str().is_some_and(|until| until.ends_with('Z')));
    let state = on(&kept, STATE).json();
    assert_eq!((&state["vessel"], &state["run"]), (&json!("north"), &json!("running")));
    assert_eq!(state["stage"]["name"], "warm finish");
    assert_eq!(state["outputs"]["chiller"], "on");
    assert_eq!(state["waits_for"][0]["answer"], "no");
    assert!(kept.iter().all(|message| !message.topic.ends_with("/switch")), "{kept:#?}");
    assert!(kept.iter().all(|message| !message.topic.ends_with("/event")), "{kept:#?}");
    assert_eq!(cellar.status()["stage"], state["stage"]);
    let why = cellar.ask(&["why", "north"]).with(0).out;
    assert!(why.contains("The beer tastes clean"), "{why}");

    let said = cellar.ask(&["confirm", "north", "--say", "The beer tastes clean"]).with(0);
    assert!(!said.out.is_empty());
    ear.event("batch.completed");
    let log = cellar.log();
    assert_whole(&log);
    assert_eq!(log.last().map(|record| &record["kind"]), Some(&json!("batch.completed")));
}

#[test]
fn a_daemon_that_was_killed_goes_on_where_it_was() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "311", "#");
    let (daemon, pitched) = cellar.pitched(&mut ear, HOURS);
    cellar.float(pitched, 1..HOURS);
    ear.event("stage.left");
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    let noted = cellar.ask(&["note", "--text", "The last line before the fall"]).with(0);
    assert!(!noted.out.is_empty());
    let began = Instant::now();
    let (before, log_before) = (cellar.status(), cellar.log());
    daemon.kill();
    // The daemon's own connection, and one for each switch: in any order.
    let mut wills = vec![("barmkeep/status", "offline"), (HEATER, "OFF"), (CHILLER, "OFF")];
    while !wills.is_empty() {
        let will = ear.wait("a will", |message| {
            wills.contains(&(message.topic.as_str(), message.payload.as_str()))
        });
        wills.retain(|(topic, _)| *topic != will.topic);
    }
    assert_eq!(cellar.ask(&["status"]).status, 69, "nobody answers");

    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    let after = cellar.status();
    assert_same(&after, &before, &["run", "batch", "schedule", "stage", "target_c"]);
    let moved =
        after["setpoint_c"].as_f64().expect("one") - before["setpoint_c"].as_f64().expect("one");
    let most = 1.0 / 3600.0 * began.elapsed().as_secs_f64();
    assert!((0.0..=most).contains(&moved), "the setpoint moved by {moved}, at most {most} is due");
    let log = cellar.log();
    assert_whole(&log);
    assert_eq!(log[..log_before.len()], log_before, "nothing on record changed");
    assert_eq!(log[log_before.len()]["kind"], "daemon.started");

    // Held, the setpoint stands: it is the same to the last digit.
    cellar.ask(&["hold"]).with(0);
    let before = cellar.status();
    daemon.kill();
    ear.wait_for("barmkeep/status", "offline");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    let after = cellar.status();
    assert_same(&after, &before, &["run", "batch", "stage", "setpoint_c", "target_c"]);
    assert_eq!(after["run"], "held");
    cellar.ask(&["resume"]).with(0);
    cellar.ask(&["confirm"]).with(0);
    ear.event("batch.completed");
    assert_eq!(daemon.terminate(), Some(0));
    assert_whole(&cellar.log());
    assert_eq!(cellar.log_of("daemon.started").len(), 3);
}

#[test]
fn a_broker_that_was_restarted_is_told_everything_again() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (mut daemon, pitched) = cellar.pitched(&mut ear, HOURS);
    cellar.float(pitched, 1..HOURS);
    ear.event("stage.left");
    let before = cellar.status();
    let port = broker.kill();
    assert_eq!(cellar.ask(&["status"]).status, 69, "there is no broker");
    let gone = Instant::now();
    let is_link = |record: &Value| record["data"]["alarm"] == "link-down";
    while !cellar.log_of("alarm.raised").iter().any(is_link) {
        assert!(gone.elapsed() < PATIENCE, "nobody says that the broker is away");
        std::thread::sleep(Duration::from_secs(1));
    }
    let broker = Mosquitto::start_on(port);
    let mut ear = Ear::open(broker.port, "5", "#");
    ear.wait_for("barmkeep/status", "online");
    assert!(daemon.lives());
    let kept = kept(broker.port);
    assert_eq!(on(&kept, "barmkeep/status").payload, "online");
    assert_eq!(on(&kept, STATE).json()["stage"], before["stage"]);
    // It stands on for its off-delay, and nothing else was raised meanwhile.
    let alarms = on(&kept, STATE).json()["alarms"].clone();
    let ids: Vec<&Value> = alarms.as_array().expect("a list").iter().map(|it| &it["id"]).collect();
    assert_eq!(ids, ["link-down"], "{alarms}");
    assert!(on(&kept, "barmkeep/north/heater/setpoint").json()["setpoint_c"].is_f64());
    // The devices are heard again.
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    cellar.ask(&["confirm"]).with(0);
    ear.event("batch.completed");
    assert_whole(&cellar.log());
}

/// Nothing that can be sent to a float's topic makes a reading.
const NO_FLOAT: &[&[u8]] = &[
    b"",
    b"garbage",
    b"{",
    b"[]",
    b"null",
    b"1.020",
    b"{}",
    b"{\"sg\": null}",
    b"{\"sg\": \"abc\"}",
    b"{\"sg\": 1e999}",
    b"{\"sg\": NaN}",
    b"{\"sg\": 1.9}",
    b"{\"sg\": -1.02}",
    b"{\"sg\": 1.02, \"time\": \"yesterday\"}",
    b"{\"sg\": 1.02, \"time\": \"2999-01-01T00:00:00Z\"}",
    b"{\"sg\": 1.02, \"time\": \"2001-01-01T00:00:00Z\"}",
    b"{\"SG\": 1.02}",
    b"\xff\xfe\x00\x80",
    b"{\"sg\": 1.02}{\"sg\": 1.02}",
];

/// Nor to a probe's.
const NO_PROBE: &[&[u8]] =
    &[b"", b"garbage", b"NaN", b"inf", b"-1e999", b"{}", b"[17]", b"17 C", b"\xc3\x28", b"\0"];

/// Nor to a relay's report: neither of its two words.
const NO_REPORT: &[&[u8]] = &[b"", b"garbage", b"on?", b"1", b"{\"state\": \"ON\"}", b"\xff"];

/// Nor to the command's topic. An empty payload wants nothing: it is how a retained one is cleared.
const NO_COMMAND: &[&[u8]] = &[
    b"hold",
    b"{",
    b"[]",
    b"null",
    b"{}",
    b"{\"do\": 7}",
    b"{\"do\": \"fly\"}",
    b"{\"do\": \"hold\", \"id\": 7}",
    b"{\"do\": \"hold\", \"colour\": \"red\"}",
    b"{\"do\": \"pitch\"}",
    b"{\"do\": \"sample\", \"gravity\": 1.02}",
    b"{\"do\": \"sample\", \"gravity\": \"1.02 C\"}",
    b"{\"do\": \"pitch\", \"schedule\": \"../../etc/passwd\"}",
    b"\xff\xfe",
];

#[test]
fn garbage_on_every_topic_is_refused_and_changes_nothing() {
    let broker = Mosquitto::start();
    let port = broker.port;
    let cellar = Cellar::new(port);
    let mut ear = Ear::open(port, "5", "barmkeep/#");
    let (daemon, pitched) = cellar.pitched(&mut ear, 20);
    cellar.float(pitched, 1..20);
    cellar.ask(&["note", "--text", "The last line before the noise"]).with(0);
    ear.event("batch.noted");
    let before = settled(&cellar.status());
    let log_before = cellar.log().len();
    let large = vec![b'x'; 100_000];
    let deep = vec![b'['; 10_000];
    let mut sent = 0;
    let tables = [
        ("cellar/float/1", NO_FLOAT, "reading.refused"),
        ("cellar/probe/1", NO_PROBE, "reading.refused"),
        ("cellar/plug/heat/state", NO_REPORT, "reading.refused"),
        ("barmkeep/north/command", NO_COMMAND, "command.refused"),
    ];
    for (topic, payloads, kind) in tables {
        for payload in payloads.iter().copied().chain([&large[..], &deep[..]]) {
            let how = if payload.is_empty() { "-n" } else { "-s" };
            say_bytes(port, &["-t", topic, how], payload);
            let shown = String::from_utf8_lossy(&payload[..payload.len().min(40)]).into_owned();
            let event = ear.wait(&format!("a refusal of `{shown}` on {topic}"), |message| {
                message.topic.ends_with("/event")
            });
            assert_eq!(event.json()["kind"], kind, "`{shown}` on {topic}: {}", event.payload);
            sent += 1;
        }
    }
    // Nobody hears what others say on the daemon's own topics.
    for topic in [STATE, "barmkeep/north/event", "barmkeep/north/reply", "barmkeep/status"] {
        say(port, &["-t", topic, "-m", "{\"kind\": \"garbage\"}"]);
    }
    say(port, &["-t", "barmkeep/north/command", "-n"]);
    cellar.ask(&["note", "--text", "The first line after the noise"]).with(0);
    let log = cellar.log();
    // The note is a command that was accepted, and a line.
    assert_eq!(log.len(), log_before + sent + 2);
    assert_whole(&log);
    assert_eq!(settled(&cellar.status()), before);
    assert_eq!(daemon.terminate(), Some(0));
}

/// A state without what goes on by time alone: its own time, and what the trend of the readings
/// says of now.
fn settled(state: &Value) -> Value {
    let mut state = state.clone();
    let newest = state["gravity"]["as_of"].clone();
    for moving in ["at", "attenuation", "abv_percent", "waits_for", "packaging"] {
        state[moving] = Value::Null;
    }
    state["gravity"] = newest;
    state
}

#[test]
fn a_command_is_done_once_and_never_from_a_retained_message() {
    let broker = Mosquitto::start();
    let port = broker.port;
    let cellar = Cellar::new(port);
    say(port, &["-r", "-t", "cellar/probe/1", "-m", "25"]);
    let old = json!({ "do": "note", "id": "old", "text": "From another year" }).to_string();
    say(port, &["-r", "-t", "barmkeep/north/command", "-m", &old]);
    let mut ear = Ear::open(port, "5", "barmkeep/#");
    let _daemon = cellar.start();
    let mut refusals = [ear.event("command.refused"), ear.event("reading.refused")];
    if refusals.iter().any(|refusal| !refusal["text"].to_string().contains("retained")) {
        refusals.sort_by_key(|refusal| refusal["seq"].as_u64());
        panic!("{refusals:#?}");
    }
    let reply = |ear: &mut Ear| {
        ear.wait("a reply", |message| message.topic == "barmkeep/north/reply").json()
    };
    cellar.probe(17.0);
    for text in ["First", "First", "Another under the same id"] {
        cellar.send(&json!({ "do": "note", "id": "n-1", "by": "script", "text": text }));
        let said = reply(&mut ear);
        assert_eq!((&said["id"], &said["ok"]), (&json!("n-1"), &json!(true)), "{said}");
    }
    let noted = cellar.log_of("batch.noted");
    assert_eq!(noted.len(), 1, "{noted:?}");
    assert!(noted[0]["text"].to_string().contains("First"), "{noted:?}");
    assert_eq!(cellar.log_of("command.accepted").len(), 1);
    // A refusal is remembered as well.
    for _ in 0..2 {
        cellar.send(&json!({ "do": "hold", "id": "h-1" }));
        let said = reply(&mut ear);
        assert_eq!((&said["id"], &said["ok"]), (&json!("h-1"), &json!(false)), "{said}");
    }
    assert_eq!(cellar.log_of("command.refused").len(), 2, "the retained one, and one `hold`");
}

#[test]
fn an_orderly_end_is_off_and_offline() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (daemon, _) = cellar.pitched(&mut ear, 1);
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    assert_eq!(daemon.terminate(), Some(0));
    let last = ear.listen(Duration::from_secs(2));
    let said: Vec<(&str, &str)> =
        last.iter().map(|message| (message.topic.as_str(), message.payload.as_str())).collect();
    assert!(said.contains(&(HEATER, "OFF")), "{said:#?}");
    assert!(said.contains(&(CHILLER, "OFF")), "{said:#?}");
    assert_eq!(said.last(), Some(&("barmkeep/status", "offline")), "{said:#?}");
    let mut setpoints = last.iter().filter(|message| message.topic.ends_with("/setpoint"));
    let setpoint = setpoints.next_back().expect("the setpoint's end").json();
    assert!(setpoint["setpoint_c"].is_null(), "{setpoint}");
    assert!(!said.contains(&(HEATER, "ON")), "{said:#?}");
    let kept = kept(broker.port);
    assert_eq!(on(&kept, "barmkeep/status").payload, "offline");
    assert!(on(&kept, "barmkeep/north/heater/setpoint").json()["setpoint_c"].is_null());
    let log = cellar.log();
    assert_eq!(log.last().map(|record| &record["kind"]), Some(&json!("daemon.stopped")));
    assert_whole(&log);
}

#[test]
fn a_second_daemon_on_one_store_is_refused() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (mut daemon, _) = cellar.pitched(&mut ear, 1);
    let second = barmkeep_tests::program::barmkeep(&["run", &cellar.config()]).with(74);
    assert!(second.err.contains("barmkeep.db"), "{}", second.err);
    assert!(second.err.contains("another"), "{}", second.err);
    assert!(second.err.contains("hint: "), "{}", second.err);
    assert!(daemon.lives());
    assert_eq!(cellar.status()["run"], "running");
    assert_eq!(cellar.log_of("daemon.started").len(), 1);
}

#[test]
fn who_is_not_there_is_told_by_the_exit_status() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    for arguments in [&["status"][..], &["why", "north"], &["hold"], &["status", "--json"]] {
        let said = cellar.ask(arguments).with(69);
        assert!(said.err.contains("no daemon answers"), "{arguments:?}: {}", said.err);
        assert!(said.err.contains("hint: "), "{arguments:?}: {}", said.err);
        assert_eq!(said.out, "", "{arguments:?}");
    }
    let nowhere = Cellar::new(free_port());
    for arguments in [&["status"][..], &["why"], &["pitch", "--schedule", "ale"]] {
        let said = nowhere.ask(arguments).with(69);
        assert!(said.err.starts_with("error: 127.0.0.1:"), "{arguments:?}: {}", said.err);
        assert_eq!(said.out, "", "{arguments:?}");
    }
    let mut ear = Ear::open(broker.port, "5", "#");
    let (_daemon, _) = cellar.pitched(&mut ear, 1);
    for (arguments, status) in [
        (&["resume"][..], 1),
        (&["pitch", "--schedule", "ale"], 1),
        (&["revise", "--schedule", "nothing-of-this-name"], 1),
        (&["shelve", "--alarm", "too-cold", "--for", "2 h"], 1),
        (&["hold", "south"], 64),
        (&["sample", "--gravity", "1.012"], 64),
        (&["status", "south"], 64),
        (&["log", "--kind", "stage.jumped"], 64),
    ] {
        let said = cellar.ask(arguments).with(status);
        assert_eq!(said.out, "", "{arguments:?}");
        assert!(said.err.len() > 20, "{arguments:?}: {}", said.err);
    }
    let said = cellar.ask(&["resume"]).with(1);
    assert!(said.err.starts_with("error: refused: "), "{}", said.err);
}
