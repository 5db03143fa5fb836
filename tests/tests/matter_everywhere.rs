//! Additions, samples and floats in hand: the same over the broker, on the command line, through
//! `pipe`, and after the daemon was killed.

use barmkeep_tests::broker::{Ear, free_port, wait_for_port};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::barmkeep_reading;
use serde_json::{Value, json};

/// A float that reads 2 points too high knows it.
fn calibration(cellar: &Cellar) {
    let points = cellar.write("points.csv", "gravity_sg,reference_sg\n1.0020,1.000\n");
    let (points, file) = (points.display().to_string(), cellar.path("new.toml"));
    barmkeep_tests::program::barmkeep(&["calibrate", &points, "--output", &file]).with(0);
}

#[test]
fn what_is_done_to_the_beer_is_done_once_and_outlives_the_daemon() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    calibration(&cellar);
    let daemon = cellar.start();
    wait_for_port(port);
    let mut ear = Ear::open(port, "5", "barmkeep/#");
    cellar.probe(17.0);
    let pitched = cellar.pitch(20);
    cellar.float(pitched, 1..20);
    let sugar = ["addition", "--what", "candi sugar", "--extract", "500 g"];
    let said = cellar.ask(&sugar).with(0);
    assert!(said.out.contains("the original gravity counts as"), "{}", said.out);
    for _ in 0..2 {
        cellar.send(&json!({
            "do": "source", "id": "s-1", "name": "float", "action": "aside", "for": "2 h",
        }));
        let reply = ear.wait("a reply", |m| m.topic.ends_with("/reply") && m.json()["id"] == "s-1");
        assert_eq!(reply.json()["ok"], true, "{}", reply.payload);
    }
    let refused = cellar.ask(&["source", "--name", "float", "--do", "aside"]).with(1);
    assert!(refused.err.contains("float is aside already"), "{}", refused.err);
    daemon.kill();
    let _daemon = cellar.start();
    wait_for_port(port);
    cellar.ask(&["source", "--name", "float", "--do", "return"]).with(0);
    cellar.probe(17.0);
    let exchanged = ["source", "--name", "float", "--do", "exchanged"];
    let missing = cellar.ask(&[&exchanged[..], &["--calibration", "no.toml"]].concat()).with(1);
    assert!(missing.err.contains("no.toml"), "{}", missing.err);
    cellar.ask(&[&exchanged[..], &["--calibration", "new.toml"]].concat()).with(0);
    assert_eq!(cellar.log_of("batch.added").len(), 1);
    let noted: Vec<Value> = cellar.log_of("batch.noted");
    let done: Vec<&str> =
        noted.iter().filter_map(|record| record["data"]["done"].as_str()).collect();
    assert_eq!(done, ["aside", "return", "exchanged"]);
    let packaging = &cellar.status()["packaging"];
    assert_eq!(packaging["answer"], "no", "{packaging}");
    assert!(packaging["co2_volumes_if_closed"].as_f64().is_some_and(|co2| co2 > 3.0));
    for words in ["status", "why"] {
        let said = cellar.ask(&[words]).with(0);
        let text = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains("volumes of CO2") && text.contains("may burst"), "{}", said.out);
    }
}

#[test]
fn the_same_lines_through_pipe() {
    let cellar = Cellar::embedded(1);
    calibration(&cellar);
    let at = |minute: u32| format!("2026-03-01T08:{minute:02}:00Z");
    let lines = [
        json!({ "at": at(0), "vessel": "north", "do": "pitch", "schedule": "ale",
                "original_gravity": "12 P", "volume": "20 L" }),
        json!({ "at": at(1), "vessel": "north", "source": "float", "gravity_sg": 1.0485 }),
        json!({ "at": at(2), "vessel": "north", "do": "addition", "id": "a", "what": "sugar",
                "extract": "500 g" }),
        json!({ "at": at(3), "vessel": "north", "do": "addition", "id": "a", "what": "sugar",
                "extract": "500 g" }),
        json!({ "at": at(4), "vessel": "north", "do": "source aside", "name": "float" }),
        json!({ "at": at(5), "vessel": "north", "do": "return", "name": "float" }),
        json!({ "at": at(6), "vessel": "north", "do": "source", "action": "exchanged",
                "name": "float", "calibration": "new.toml" }),
        json!({ "at": at(7), "vessel": "north", "do": "sample", "gravity": "1.0570 SG",
                "taken": at(6) }),
    ];
    let input: String = lines.iter().map(|line| format!("{line}\n")).collect();
    let said = barmkeep_reading(&["pipe", &cellar.config()], &input).with(0);
    let records = said.objects();
    let of = |kind: &str| records.iter().filter(|r| r["kind"] == kind).collect::<Vec<_>>();
    assert!(of("error").is_empty() && of("command.refused").is_empty(), "{}", said.out);
    let [added] = of("batch.added")[..] else { panic!("{}", said.out) };
    let plato = added["data"]["original_plato"].as_f64().expect("a number");
    assert!((plato - 14.05).abs() < 0.05, "{plato}");
    let noted = of("batch.noted");
    let done: Vec<&str> =
        noted.iter().filter_map(|record| record["data"]["done"].as_str()).collect();
    assert_eq!(done, ["aside", "return", "exchanged"]);
    assert_eq!(of("sample.taken")[0]["data"]["taken"], at(6));
}
