//! How vessels describe themselves on a real mosquitto: what the description names is there, as the
//! convention has it. Descriptions and topics are read by the crate `homie5`, which follows the
//! convention's text (version 5.0, homieiot.github.io).

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::broker::{Ear, Message, Mosquitto};
use barmkeep_tests::cellar::Cellar;
use homie5::device_description::HomieDeviceDescription;
use homie5::{HomieValue, parse_mqtt_message};
use std::collections::BTreeMap;
use std::time::Duration;

const HOURS: u32 = 60;

fn kept(port: u16) -> BTreeMap<String, Message> {
    let mut late = Ear::open(port, "5", "homie/#");
    let kept = late.listen(Duration::from_millis(1500)).into_iter();
    kept.filter(|message| message.retained).map(|m| (m.topic.clone(), m)).collect()
}

fn cellar(port: u16) -> Cellar {
    let cellar = Cellar::new(port);
    let config = std::fs::read_to_string(cellar.config()).unwrap();
    let config = config.replace("[link]\n", "[link]\ndescribe_at = \"homie\"\n");
    let south = "[vessel.south]\nvolume = \"8 L\"\ncoldest = \"0 C\"\nwarmest = \"30 C\"\n";
    cellar.write("barmkeep.toml", &format!("{config}\n{south}"));
    cellar
}

fn description(kept: &BTreeMap<String, Message>, device: &str) -> HomieDeviceDescription {
    let message = &kept[&format!("homie/5/{device}/$description")];
    serde_json::from_str(&message.payload).unwrap()
}

#[test]
fn a_subscriber_finds_every_vessel_and_every_property_that_is_named() {
    let broker = Mosquitto::start();
    let cellar = cellar(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (daemon, pitched) = cellar.pitched(&mut ear, HOURS);
    cellar.float(pitched, 1..HOURS);
    ear.event("stage.left");
    // What follows from it is said in the order of its making.
    ear.wait_for("homie/5/barmkeep-north/run/stage", "warm finish");
    let kept = kept(broker.port);
    for message in kept.values() {
        parse_mqtt_message(&message.topic, message.payload.as_bytes())
            .unwrap_or_else(|error| panic!("{}: {error:?}", message.topic));
    }
    assert_eq!(kept["homie/5/barmkeep/$state"].payload, "ready");
    let root = description(&kept, "barmkeep");
    let children: Vec<&str> = root.children.iter().map(homie5::HomieID::as_str).collect();
    assert_eq!(children, ["barmkeep-north", "barmkeep-south"]);
    let mut values = 0;
    for child in children {
        let device = description(&kept, child);
        assert_eq!(device.homie, "5.0");
        assert_eq!(device.root.as_ref().map(homie5::HomieID::as_str), Some("barmkeep"));
        assert_eq!(kept[&format!("homie/5/{child}/$state")].payload, "ready");
        for (node, described) in &device.nodes {
            for (id, property) in &described.properties {
                assert!(!property.settable && property.retained, "{child} {id}: read only");
                let topic = format!("homie/5/{child}/{node}/{id}");
                let Some(message) = kept.get(&topic) else {
                    // South has no batch: of it little is known.
                    assert_eq!(child, "barmkeep-south", "nothing on {topic}");
                    continue;
                };
                HomieValue::parse(&message.payload, property)
                    .unwrap_or_else(|error| panic!("{topic} {}: {error:?}", message.payload));
                values += 1;
            }
        }
    }
    assert!(values >= 14, "{values}");
    assert_eq!(kept["homie/5/barmkeep-north/run/stage"].payload, "warm finish");
    assert_eq!(kept["homie/5/barmkeep-north/run/state"].payload, "running");
    assert_eq!(kept["homie/5/barmkeep-south/run/state"].payload, "idle");
    assert!(!kept.contains_key("homie/5/barmkeep-south/outputs/heater"), "south has none");
    assert_eq!(daemon.terminate(), Some(0));
    // By two connections, of which either may be the first.
    let kept = self::kept(broker.port);
    for device in ["barmkeep", "barmkeep-north", "barmkeep-south"] {
        assert_eq!(kept[&format!("homie/5/{device}/$state")].payload, "disconnected", "{device}");
    }
}

#[test]
fn a_killed_daemon_is_lost_and_an_unasked_one_says_nothing() {
    let broker = Mosquitto::start();
    let cellar = cellar(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let daemon = cellar.start();
    ear.wait_for("homie/5/barmkeep/$state", "ready");
    daemon.kill();
    ear.wait_for("homie/5/barmkeep/$state", "lost");
    assert_eq!(
        kept(broker.port)["homie/5/barmkeep/$state"].payload,
        "lost",
        "also for who is late"
    );
    let quiet = Mosquitto::start();
    let plain = Cellar::new(quiet.port);
    let mut ear = Ear::open(quiet.port, "5", "#");
    let _daemon = plain.start();
    ear.wait_for("barmkeep/status", "online");
    assert!(kept(quiet.port).is_empty());
}
