//! Two vessels and a shared cooler, over the broker: a batch moves between them once by its `id`,
//! also over a restart, and the cooler is switched off for a daemon that dies.

use barmkeep_tests::broker::{Ear, Mosquitto, say};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::barmkeep_reading;
use serde_json::{Value, json};

/// A second vessel beside the usual one; both chillers are valves on one cooler.
const BESIDE: &str = r#"
[vessel.south]
volume  = "23 L"
coldest = "2 C"
warmest = "24 C"

[vessel.south.beer]
topic = "cellar/probe/2"
read  = { unit = "C" }
every = "10 s"

[vessel.south.chiller]
from     = "glycol"
min_on   = "1 s"
min_off  = "1 s"
runs_out = "5 min"

[cooler.glycol]
min_on    = "1 s"
min_off   = "1 s"
runs_out  = "5 min"
target    = "-2 C"
reservoir = { topic = "cellar/probe/8", read = { unit = "C" }, every = "10 s" }
"#;

fn two(port: u16) -> Cellar {
    let cellar = Cellar::new(port);
    let config = std::fs::read_to_string(cellar.path("barmkeep.toml")).expect("it was written");
    let valve =
        config.replace("[vessel.north.chiller]\n", "[vessel.north.chiller]\nfrom = \"glycol\"\n");
    cellar.write("barmkeep.toml", &format!("{valve}{BESIDE}"));
    cellar
}

fn send(port: u16, vessel: &str, command: &Value) {
    let topic = format!("barmkeep/{vessel}/command");
    say(port, &["-t", &topic, "-m", &command.to_string()]);
}

/// The answer to the command with this id.
fn reply(ear: &mut Ear, vessel: &str, id: &str) -> Value {
    let topic = format!("barmkeep/{vessel}/reply");
    ear.wait("a reply", |message| message.topic == topic && message.json()["id"] == id).json()
}

#[test]
fn a_batch_moves_over_the_broker_once_and_over_a_restart() {
    let broker = Mosquitto::start();
    let cellar = two(broker.port);
    let mut ear = Ear::open(broker.port, "5", "barmkeep/#");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    say(broker.port, &["-t", "cellar/probe/2", "-m", "16.0"]);
    send(broker.port, "north", &json!({ "do": "pitch", "schedule": "ale", "id": "p" }));
    let pitched = reply(&mut ear, "north", "p")["text"].to_string();
    assert!(pitched.contains("north-1 is pitched on"), "{pitched}");
    let away = json!({ "do": "move", "to": "south", "keep": true, "volume": "10 L", "id": "m" });
    send(broker.port, "north", &away);
    // Events come before the answer.
    let arrived = ear.wait("the arrival", |message| {
        message.topic == "barmkeep/south/event" && message.json()["kind"] == "batch.moved"
    });
    let answer = reply(&mut ear, "north", "m");
    assert_eq!(answer["text"], "north-1 is in south, north-2 stays in north");
    assert_eq!(arrived.json()["batch"], "north-1");
    assert_eq!(arrived.json()["data"]["volume_l"], 10.0);
    daemon.kill();
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    send(broker.port, "north", &away);
    assert_eq!(reply(&mut ear, "north", "m"), answer);
    let moved = cellar.log_of("batch.moved");
    assert_eq!(moved.len(), 3, "a copy moved it again: {moved:#?}");
    let state = cellar.ask(&["status", "north", "--json"]).with(0).objects().remove(0);
    assert_eq!((&state["batch"], &state["parent"]), (&json!("north-2"), &json!("north-1")));
    // As a person types it: the twin follows the rest, once that is done.
    cellar.ask(&["move", "north", "--to", "south"]).with(1);
    cellar.ask(&["stop", "south"]).with(0);
    let said = cellar.ask(&["move", "north", "--to", "south", "--keep", "5 L"]).with(0).out;
    assert_eq!(said, "north-2 is in south, north-3 stays in north\n");
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_shared_cooler_hears_its_orders_and_is_switched_off_for_a_dead_daemon() {
    let broker = Mosquitto::start();
    let cellar = two(broker.port);
    let mut ear = Ear::open(broker.port, "5", "barmkeep/#");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/glycol/cooler/switch", "OFF");
    // The reservoir is warm: it is cooled without any call.
    say(broker.port, &["-t", "cellar/probe/8", "-m", "4.5"]);
    let event = ear.wait("its record", |message| {
        message.topic == "barmkeep/event" && {
            let event = message.json();
            event["kind"] == "output.switched" && event["data"]["cooler"] == "glycol"
        }
    });
    ear.wait_for("barmkeep/glycol/cooler/switch", "ON");
    assert_eq!(event.json()["vessel"], Value::Null);
    let shown = cellar.ask(&["status", "north"]).with(0).out;
    assert!(shown.contains("cooler     glycol on, reservoir 4.5 °C"), "{shown}");
    daemon.kill();
    ear.wait_for("barmkeep/glycol/cooler/switch", "OFF");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    say(broker.port, &["-t", "cellar/probe/8", "-m", "4.4"]);
    ear.wait_for("barmkeep/glycol/cooler/switch", "ON");
    assert_eq!(daemon.terminate(), Some(0));
    ear.wait_for("barmkeep/glycol/cooler/switch", "OFF");
}

#[test]
fn moves_are_accepted_or_refused_in_every_state_through_pipe() {
    let ways: [(&str, &[&str]); 6] = [
        ("idle", &[]),
        ("running", &["pitch"]),
        ("held", &["pitch", "hold"]),
        ("stopped", &["pitch", "stop"]),
        ("aborted", &["pitch", "abort"]),
        ("complete", &["pitch", "advance", "advance"]),
    ];
    let cellar = two(1);
    for (state, way) in ways {
        let mut input = String::new();
        let mut give = |mut line: Value| {
            line["at"] = json!("2026-03-01T08:00:00Z");
            line["vessel"] = line["vessel"].as_str().unwrap_or("north").into();
            input.push_str(&format!("{line}\n"));
        };
        give(json!({ "source": "beer", "temperature_c": 17.0 }));
        give(json!({ "vessel": "south", "source": "beer", "temperature_c": 15.0 }));
        give(json!({ "vessel": "glycol", "source": "reservoir", "temperature_c": -1.5 }));
        for name in way {
            give(json!({ "do": name, "schedule": (*name == "pitch").then_some("ale") }));
        }
        give(json!({ "do": "move", "to": "south", "id": "m" }));
        give(json!({ "do": "move", "to": "south", "id": "m" }));
        let lines = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0).objects();
        assert_eq!(lines.iter().find(|line| line["kind"] == "error"), None);
        let moved = lines.iter().filter(|line| line["kind"] == "batch.moved").count();
        let done = lines.last().expect("a line");
        assert_eq!(done["coolers"], json!({ "glycol": "off" }));
        if ["running", "held"].contains(&state) {
            assert_eq!(moved, 2, "{state}");
            assert_eq!(done["vessels"]["north"]["run"], "idle");
            assert_eq!(done["vessels"]["south"]["run"], state);
            assert_eq!(done["vessels"]["south"]["setpoint_c"], 15.0);
        } else {
            assert_eq!(moved, 0, "{state}");
            assert_eq!(done["vessels"]["north"]["run"], state);
            assert_eq!(done["vessels"]["south"]["run"], "idle");
        }
    }
}
