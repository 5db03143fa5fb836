//! What becomes of a batch when the broker goes, forgets, freezes, refuses or is flooded: the real
//! daemon against a real mosquitto.

use barmkeep_tests::broker::{Ear, Mosquitto, folder, free_port, kept, on, say, set_password};
use barmkeep_tests::cellar::{Cellar, Daemon, until};
use barmkeep_tests::certificates::certificates;
use barmkeep_tests::clockwork::clock;
use barmkeep_tests::front::Front;
use barmkeep_tests::stranger::{Answer, Stranger};
use serde_json::{Value, json};
use std::process::{Command, Stdio};
use std::time::Duration;

const STATE: &str = "barmkeep/north/state";
const HEATER: &str = "cellar/plug/heat/set";
const CHILLER: &str = "barmkeep/north/chiller/switch";
const OPEN: &str = "persistence false\nallow_anonymous true\n";

/// A cellar whose daemon meets the broker behind a front, and whose devices meet it directly.
fn behind(front: &Front, broker: &Mosquitto) -> Cellar {
    Cellar::linked(broker.port, &format!("broker = \"mqtt://127.0.0.1:{}\"", front.port))
}

/// The numbers of records begin at 1, rise by one and never repeat.
#[track_caller]
fn assert_whole(log: &[Value]) {
    for (index, record) in log.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
    }
}

/// Whether an alarm of this name is raised in the log.
fn is_raised(cellar: &Cellar, alarm: &str) -> bool {
    cellar.log_of("alarm.raised").iter().any(|record| record["data"]["alarm"] == alarm)
}

/// One stage that says something after 20 and after 65 minutes.
const NOTICES: &str = r#"
format = 1
name   = "Two looks"

[expect]
original_gravity = "1.050 SG"
final_gravity    = "1.010 SG"

[limits]
coldest = "2 C"
warmest = "22 C"

[[stage]]
name   = "primary"
target = "17 C"
until  = { elapsed = "5 d" }
  [[stage.notice]]
  say  = "The first look"
  when = { elapsed = "20 min" }
  [[stage.notice]]
  say  = "The second look"
  when = { elapsed = "70 min" }
"#;

fn pitch_notices(cellar: &Cellar) {
    cellar.write("schedules/looks.toml", NOTICES);
    let gravity = ["--original-gravity", "1.050 SG"];
    cellar.ask(&[&["pitch", "north", "--schedule", "looks"][..], &gravity].concat()).with(0);
}

/// An hour by the daemon's own clocks, which go sixty times as fast.
#[test]
fn a_broker_that_is_away_for_an_hour_costs_no_decision_and_no_record() {
    let broker = Mosquitto::start();
    let front = Front::start(broker.port);
    let cellar = behind(&front, &broker);
    let mut ear = Ear::open(broker.port, "5", "#");
    let mut daemon = cellar.start_with(&clock("+0 x60"));
    ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    pitch_notices(&cellar);
    ear.event("stage.entered");
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    front.shut();
    let port = broker.kill();
    let looks = || cellar.log_of("notice.due").len();
    // Nothing was heard for as long: the second look comes after 70 minutes.
    until("the first look", || looks() == 1);
    until("the second look, an hour later", || looks() == 2);
    assert!(daemon.lives());
    let log = cellar.log();
    assert_whole(&log);
    // One cause, one alarm.
    assert!(is_raised(&cellar, "link-down"), "{log:#?}");
    assert!(!is_raised(&cellar, "beer-silent"), "{log:#?}");
    let heater = |record: &&Value| {
        record["kind"] == "output.switched" && record["data"]["output"] == "heater"
    };
    let last = log.iter().rfind(heater).expect("the heater was switched");
    assert_eq!(last["data"]["on"], false, "blind, the heater is off: {last}");

    // Another broker, without a memory, at the old place.
    let broker = Mosquitto::start_on(port);
    let mut ear = Ear::open(broker.port, "5", "#");
    front.open();
    let mut heard = Vec::new();
    ear.wait("the link's return", |message| {
        let is_event = message.topic.ends_with("/event");
        heard.extend(is_event.then(|| message.json()));
        is_event
            && heard.last().is_some_and(|event| {
                event["kind"] == "alarm.returned" && event["data"]["alarm"] == "link-down"
            })
    });
    let seqs: Vec<u64> = heard.iter().filter_map(|event| event["seq"].as_u64()).collect();
    let missed = log.iter().filter_map(|record| record["seq"].as_u64());
    // What was on its way when the broker went may have been heard before.
    let unheard: Vec<u64> = missed.filter(|seq| *seq >= seqs[0]).collect();
    assert!(seqs.starts_with(&unheard), "what happened meanwhile: {unheard:?}, heard {seqs:?}");
    assert_eq!(heard.iter().filter(|event| event["kind"] == "notice.due").count(), 2);

    let kept = kept(broker.port);
    assert_eq!(on(&kept, "barmkeep/status").payload, "online");
    assert_eq!(on(&kept, STATE).json()["run"], "running");
    assert!(on(&kept, "barmkeep/north/heater/setpoint").json()["setpoint_c"].is_null());
    // Three that agree bring the outputs back.
    for _ in 0..3 {
        cellar.probe(16.2);
    }
    ear.wait_for(HEATER, "ON");
    assert_whole(&cellar.log());
    assert_eq!(daemon.terminate(), Some(0));
}

/// A relay with a session of its own, that is away and comes back: what it hears then.
fn relay(port: u16, stay: &[&str]) -> String {
    let output = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-i", "relay", "-c", "-q", "1"])
        .args(["-t", HEATER])
        .args(stay)
        .stderr(Stdio::null())
        .output()
        .expect("mosquitto_sub runs");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn restarted(memory: bool) {
    let lines = if memory {
        "persistence true\npersistence_location {folder}/\nallow_anonymous true\n"
    } else {
        OPEN
    };
    let broker = Mosquitto::start_in(folder(), free_port(), lines);
    let front = Front::start(broker.port);
    let cellar = behind(&front, &broker);
    // Orders are worth nothing after six seconds.
    cellar.change("changeover = \"1 s\"", "changeover = \"1 s\"\nrefresh = \"2 s\"");
    relay(broker.port, &["-E"]);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (mut daemon, _) = cellar.pitched(&mut ear, 1);
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    front.shut();
    // The broker says the wills, and hears a command that nobody takes.
    ear.wait_for(HEATER, "OFF");
    cellar.send(&json!({ "do": "stop", "id": "old" }));
    let abort = json!({ "do": "abort", "id": "kept" }).to_string();
    say(broker.port, &["-r", "-t", "barmkeep/north/command", "-m", &abort]);
    let port = broker.port;
    let broker = Mosquitto::start_in(broker.stop(), port, lines);
    std::thread::sleep(Duration::from_secs(7));
    let mut ear = Ear::open(port, "5", "#");
    front.open();
    ear.wait_for("barmkeep/status", "online");
    let state = ear.wait("the state", |message| message.topic == STATE && !message.retained);
    assert_eq!(state.json()["run"], "running", "an old order is not obeyed");
    // Subscriptions are back, and control by them.
    cellar.probe(17.9);
    ear.wait_for(CHILLER, "ON");
    assert_eq!(cellar.status()["run"], "running");
    assert!(daemon.lives());
    let heard = relay(port, &["-W", "3"]);
    assert!(!heard.contains("ON"), "an order whose time is over: {heard}");
    let kept = kept(port);
    assert_eq!(on(&kept, "barmkeep/status").payload, "online");
    assert_eq!(on(&kept, STATE).json()["outputs"]["chiller"], "on");
    assert_eq!(kept.iter().any(|message| message.topic.ends_with("/command")), memory);
    let refused = cellar.log_of("command.refused");
    assert_eq!(
        refused.iter().any(|record| record["text"].to_string().contains("retained")),
        memory
    );
    assert!(cellar.log_of("batch.stopped").is_empty() && cellar.log_of("batch.aborted").is_empty());
    assert_whole(&cellar.log());
    assert_eq!(daemon.terminate(), Some(0));
    drop(broker);
}

#[test]
fn a_broker_that_comes_back_with_its_memory_brings_no_old_order() {
    restarted(true);
}

#[test]
fn a_broker_that_comes_back_without_its_memory_is_told_all_again() {
    restarted(false);
}

/// The daemon's clocks go four times as fast, so that the test need not wait for half a minute.
#[test]
fn a_half_open_connection_is_noticed_told_and_made_anew() {
    let broker = Mosquitto::start();
    let front = Front::start(broker.port);
    let cellar = behind(&front, &broker);
    let mut ear = Ear::open(broker.port, "5", "#");
    let mut daemon = cellar.start_with(&clock("+0 x4"));
    ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    pitch_notices(&cellar);
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");
    front.freeze();
    cellar.wait_said("the broker has been silent for 30 s");
    until("the alarm", || is_raised(&cellar, "link-down"));
    assert!(daemon.lives());
    front.open();
    // The broker held the old connections for open: their wills came with the new ones.
    ear.wait_for(HEATER, "OFF");
    cellar.probe(17.9);
    ear.wait_for(CHILLER, "ON");
    assert_eq!(cellar.status()["run"], "running");
    assert_whole(&cellar.log());
    assert_eq!(daemon.terminate(), Some(0));
}

const WITH_NAMES: &str = "persistence false\nallow_anonymous false\n\
                          password_file {folder}/passwords\n";

#[test]
fn a_password_that_is_changed_is_told_and_the_daemon_goes_on_once_it_is_put_right() {
    let port = free_port();
    let folder = folder();
    let passwords = folder.path().join("passwords");
    set_password(&passwords, "cellar", "first-7431");
    let broker = Mosquitto::start_in(folder, port, WITH_NAMES);
    let front = Front::start(port);
    let link = format!(
        "broker = \"mqtt://127.0.0.1:{}\"\nusername = \"cellar\"\npassword_file = \"secret\"",
        front.port
    );
    let cellar = Cellar::linked(port, &link);
    cellar.write("secret", "first-7431\n");
    let mut daemon = cellar.start();
    cellar.wait_said("connected to the broker");
    set_password(&passwords, "cellar", "second-7431");
    broker.reload();
    // Some versions let in who is there already.
    front.shut();
    front.open();
    cellar.wait_said("the broker refuses user `cellar`");
    cellar.wait_said(&cellar.path("secret"));
    let (came, began) = (front.came(), std::time::Instant::now());
    until("the alarm", || is_raised(&cellar, "link-down"));
    // The waits double from a second on, and only one connection tries.
    let tries = front.came() - came;
    let most = 4 + began.elapsed().as_secs() / 4;
    assert!((tries as u64) < most, "{tries} tries within {:?}", began.elapsed());
    assert!(daemon.lives());
    let told = cellar.said().matches("the broker refuses user").count();
    assert_eq!(told, 1, "the same reason is told once");
    cellar.write("secret", "second-7431\n");
    until("the daemon is back", || cellar.ask(&["status"]).status == 0);
    assert_eq!(cellar.ask(&["status"]).with(0).err, "");
    let said = cellar.said();
    assert!(!said.contains("7431"), "a password in {said}");
    assert_eq!(daemon.terminate(), Some(0));
}

/// A mosquitto with TLS by these certificates and lines.
fn by_tls(folder: tempfile::TempDir, server: &str, more: &str) -> Mosquitto {
    let lines = format!(
        "cafile {{folder}}/ca.pem\ncertfile {{folder}}/{server}.pem\n\
         keyfile {{folder}}/{server}.key\nallow_anonymous true\n{more}"
    );
    Mosquitto::start_in(folder, free_port(), &lines)
}

fn trusting(broker: &Mosquitto, host: &str, authority: &str, more: &str) -> Cellar {
    let path = |name: &str| broker.path(name).display().to_string();
    let (port, authority) = (broker.port, path(authority));
    let more = more.replace("{folder}", &path(""));
    let link = format!("broker = \"mqtts://{host}:{port}\"\nca_file = \"{authority}\"\n{more}");
    Cellar::linked(port, &link)
}

/// The daemon says this of its broker, with this as the next step, and lives on.
#[track_caller]
fn assert_told(cellar: &Cellar, daemon: &mut Daemon, reason: &str, hint: &str) {
    cellar.wait_said(reason);
    let said = cellar.said();
    assert!(said.contains(hint), "`{hint}` in {said}");
    assert!(daemon.lives());
}

#[test]
fn a_certificate_that_cannot_be_trusted_is_refused_with_the_reason_and_the_next_step() {
    let broker = by_tls(certificates(), "server", "");
    for (host, authority, reason, hint) in [
        ("localhost", "other.pem", "by an authority that is not known here", "`ca_file`"),
        ("127.0.0.1", "ca.pem", "is not for the name `127.0.0.1`", "`broker`"),
    ] {
        let cellar = trusting(&broker, host, authority, "");
        let mut daemon = cellar.start();
        assert_told(&cellar, &mut daemon, reason, hint);
    }
    // A machine whose clock is a month late takes each certificate for one of the future.
    let cellar = trusting(&broker, "localhost", "ca.pem", "");
    let mut daemon = cellar.start_with(&clock("-30d"));
    assert_told(&cellar, &mut daemon, "is not valid yet", "clock");
    let over = by_tls(certificates(), "over", "");
    let cellar = trusting(&over, "localhost", "ca.pem", "");
    let mut daemon = cellar.start();
    assert_told(&cellar, &mut daemon, "the broker's certificate was valid until", "renew");
}

#[test]
fn both_ends_show_a_certificate_where_the_broker_asks_for_one() {
    let broker = by_tls(certificates(), "server", "require_certificate true\n");
    let cellar = trusting(&broker, "localhost", "ca.pem", "");
    let mut daemon = cellar.start();
    assert_told(&cellar, &mut daemon, "wants a certificate of ours", "`client_certificate`");
    daemon.terminate();
    let own = "client_certificate = \"{folder}client.pem\"\nclient_key = \"{folder}client.key\"";
    let cellar = trusting(&broker, "localhost", "ca.pem", own);
    let daemon = cellar.start();
    cellar.wait_said("connected to the broker");
    assert_eq!(cellar.status()["run"], "idle");
    assert_eq!(daemon.terminate(), Some(0));
}

/// How many connections came, once the daemon has its own and one for each switch.
fn connections(front: &Front) -> usize {
    until("the daemon has its three connections", || front.came() >= 3);
    front.came()
}

#[test]
fn a_broker_of_small_packets_costs_what_is_too_large_and_no_more() {
    let lines = format!("{OPEN}max_packet_size 400\n");
    let broker = Mosquitto::start_in(folder(), free_port(), &lines);
    let front = Front::start(broker.port);
    let cellar = behind(&front, &broker);
    let mut ear = Ear::open(broker.port, "5", "#");
    let mut daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    cellar.wait_said("the broker takes at most 400");
    let came = connections(&front);
    cellar.probe(17.0);
    cellar.ask(&["park", "--target", "17 C"]).with(0);
    wait_for_setpoint(&mut ear);
    cellar.probe(16.0);
    ear.wait_for(HEATER, "ON");
    assert!(!kept(broker.port).iter().any(|message| message.topic == STATE));
    assert!(is_told_of(&cellar, STATE), "{}", cellar.said());
    // The command came by a connection of its own.
    assert!(front.came() <= came + 2, "the daemon's connections stand");
    assert!(daemon.lives());
    assert_whole(&cellar.log());
    assert_eq!(daemon.terminate(), Some(0));
}

/// A setpoint is an order, and small.
#[track_caller]
fn wait_for_setpoint(ear: &mut Ear) {
    ear.wait("a setpoint", |message| {
        message.topic == "barmkeep/north/heater/setpoint" && message.json()["setpoint_c"].is_f64()
    });
}

/// Whether the daemon has logged that the broker does not take a message on this topic.
fn is_told_of(cellar: &Cellar, topic: &str) -> bool {
    let said = cellar.said();
    let mut lines = said.lines().filter(|line| line.contains("does not take a message"));
    lines.any(|line| line.contains(topic))
}

#[test]
fn a_packet_of_megabytes_ends_no_connection() {
    let broker = Mosquitto::start();
    let front = Front::start(broker.port);
    let cellar = behind(&front, &broker);
    let mut ear = Ear::open(broker.port, "5", "barmkeep/#");
    let mut daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    let came = connections(&front);
    let port = broker.port.to_string();
    for (size, is_refused) in [(1_000_000, true), (5_000_000, false)] {
        let file = cellar.write("large", &"7".repeat(size));
        let sent = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", "cellar/probe/1", "-r", "-f"])
            .arg(file)
            .status();
        assert!(sent.expect("mosquitto_pub runs").success());
        // The broker keeps the larger one to itself, as it was told.
        if is_refused {
            let text = ear.event("reading.refused")["text"].to_string();
            assert!(text.contains("1000000") || text.contains("1 000 000"), "{text}");
        }
    }
    cellar.probe(17.0);
    cellar.ask(&["park", "--target", "19 C"]).with(0);
    wait_for_setpoint(&mut ear);
    assert!(cellar.status()["beer_c"].is_f64(), "readings come in");
    assert!(front.came() <= came + 2, "the daemon's connections stand");
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
}

/// A stranger's flood, a second.
const FLOOD: u32 = 10_000;

#[test]
fn a_stranger_s_flood_costs_no_reading_no_order_and_no_memory() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    cellar.change("changeover = \"1 s\"", "changeover = \"1 s\"\nrefresh = \"10 s\"");
    let mut ear = Ear::open(broker.port, "5", "barmkeep/#");
    let (mut daemon, pitched) = cellar.pitched(&mut ear, 72);
    let mut relay = Ear::open(broker.port, "5", HEATER);
    cellar.probe(16.2);
    relay.wait_for(HEATER, "ON");
    let before = daemon.resident_kib();
    let port = broker.port;
    let flood = std::thread::spawn(move || {
        let mut stranger = Stranger::open(port).expect("the broker takes all");
        assert_eq!(stranger.enter("stranger", None), Answer::In);
        let what: [(&str, &[u8]); 4] = [
            ("stranger/noise", b"x"),
            ("cellar/float/1", b"{\"sg\": \"abc\"}"),
            ("cellar/plug/heat/state", b"perhaps"),
            ("stranger/more/noise", b"17.0"),
        ];
        stranger.flood(&what, FLOOD, Duration::from_secs(35))
    });
    // The vessel's own devices go on meanwhile.
    for hour in 1..72 {
        cellar.float(pitched, hour..hour + 1);
        cellar.probe(16.2);
        std::thread::sleep(Duration::from_millis(400));
    }
    let sent = flood.join().expect("the flood ends");
    // The last word, so that all before it has been heard.
    cellar.ask(&["note", "--text", "After the flood"]).with(0);
    let after = daemon.resident_kib();
    let orders = relay.listen(Duration::from_millis(500));
    let on = orders.iter().filter(|order| order.payload == "ON").count();
    println!("{sent} messages, {on} orders, resident {before} and then {after} KiB");
    assert!(sent > u64::from(FLOOD) * 20, "{sent} is no flood");
    assert!(on >= 2, "the order is refreshed each 10 s: {orders:?}");
    assert!(orders.iter().all(|order| order.payload == "ON"), "{orders:?}");
    assert!(after < before + 32 * 1024, "{before} KiB, and then {after}");
    assert!(daemon.lives());
    let state = cellar.status();
    assert_eq!(state["stage"]["name"], "warm finish", "the readings were believed");
    assert_eq!(daemon.terminate(), Some(0));
    assert_eq!(readings_of(&cellar, "float"), 71, "each reading of the float is kept");
    assert_whole(&cellar.log());
}

/// How many different readings of a source with a clock are kept.
fn readings_of(cellar: &Cellar, source: &str) -> u64 {
    let store = rusqlite::Connection::open(cellar.path("barmkeep.db")).expect("the store opens");
    let ask = "SELECT count(DISTINCT taken) FROM reading JOIN source ON source = source.id \
               WHERE name = ?1 AND taken IS NOT NULL";
    let count: i64 = store.query_row(ask, [source], |row| row.get(0)).expect("a count");
    count.unsigned_abs()
}
