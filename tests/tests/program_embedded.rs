//! The daemon with the broker inside: a batch over the wire with clients of both versions.

use barmkeep_tests::broker::{Ear, free_port, say};
use barmkeep_tests::cellar::Cellar;
use serde_json::json;
use std::time::Duration;

const HEATER: &str = "cellar/plug/heat/set";
const CHILLER: &str = "barmkeep/north/chiller/switch";

/// The readings of so many hours.
const HOURS: u32 = 72;

#[test]
fn a_batch_goes_over_the_wire_to_clients_of_both_versions() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let mut daemon = cellar.start();
    barmkeep_tests::broker::wait_for_port(port);
    let mut old = Ear::open(port, "311", "#");
    let mut new = Ear::open(port, "5", "#");
    say(port, &["-V", "311", "-t", "cellar/probe/1", "-m", "17.0"]);
    let pitched = cellar.pitch(HOURS);
    cellar.float(pitched, 1..HOURS);
    for ear in [&mut old, &mut new] {
        assert_eq!(ear.event("stage.left")["data"]["stage"], "primary");
        assert_eq!(ear.event("stage.entered")["data"]["stage"], "warm finish");
    }
    say(port, &["-V", "5", "-t", "cellar/probe/1", "-m", "16.2"]);
    old.wait_for(HEATER, "ON");
    new.wait_for(HEATER, "ON");
    say(port, &["-V", "311", "-t", "cellar/probe/1", "-m", "17.9"]);
    for ear in [&mut old, &mut new] {
        ear.wait_for(HEATER, "OFF");
        ear.wait_for(CHILLER, "ON");
    }

    for version in ["311", "5"] {
        let mut late = Ear::open(port, version, "barmkeep/#");
        let heard = late.listen(Duration::from_millis(1500));
        let kept = |topic: &str| {
            let found = heard.iter().find(|message| message.retained && message.topic == topic);
            found.unwrap_or_else(|| panic!("{version}: nothing is kept on {topic}: {heard:#?}"))
        };
        assert_eq!(kept("barmkeep/status").payload, "online");
        assert_eq!(kept("barmkeep/north/state").json()["stage"]["name"], "warm finish");
        assert!(kept("barmkeep/north/heater/setpoint").json()["setpoint_c"].is_f64());
    }
    let command = json!({ "do": "confirm", "id": "c-1", "by": "script" });
    cellar.send(&command);
    for ear in [&mut old, &mut new] {
        ear.event("batch.completed");
        let reply = ear.wait("a reply", |message| message.topic == "barmkeep/north/reply").json();
        assert_eq!((&reply["id"], &reply["ok"]), (&json!("c-1"), &json!(true)));
    }
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
    let last = old.listen(Duration::from_secs(1));
    let off = |topic: &str| last.iter().any(|m| m.topic == topic && m.payload == "OFF");
    assert!(off(HEATER) && off(CHILLER), "{last:#?}");
}

#[test]
fn a_daemon_that_was_killed_goes_on_with_its_broker() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let daemon = cellar.start();
    barmkeep_tests::broker::wait_for_port(port);
    cellar.probe(17.0);
    let pitched = cellar.pitch(HOURS);
    cellar.float(pitched, 1..HOURS);
    cellar.ask(&["hold"]).with(0);
    let (before, log) = (cellar.status(), cellar.log());
    assert_eq!(before["stage"]["name"], "warm finish");
    daemon.kill();
    assert_eq!(cellar.ask(&["status"]).status, 69, "its broker went with it");
    let _daemon = cellar.start();
    barmkeep_tests::broker::wait_for_port(port);
    let mut ear = Ear::open(port, "5", "barmkeep/#");
    ear.wait_for("barmkeep/status", "online");
    let after = cellar.status();
    for key in ["run", "batch", "stage", "setpoint_c"] {
        assert_eq!(after[key], before[key], "{key}");
    }
    let after = cellar.log();
    assert_eq!(after[..log.len()], log);
    for (index, record) in after.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
    }
}

#[test]
fn a_port_that_somebody_has_is_told() {
    let other = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = other.local_addr().expect("an address").port();
    let cellar = Cellar::embedded(port);
    let said = barmkeep_tests::program::barmkeep(&["run", &cellar.config()]);
    assert_eq!(said.status, 78, "{}", said.err);
    assert!(said.err.contains(&port.to_string()), "{}", said.err);
    assert!(said.err.contains("hint: "), "{}", said.err);
}
