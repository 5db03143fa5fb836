//! What happens when the daemon itself hangs: its watchdog starves, and every order has an end.

use barmkeep_tests::broker::{Ear, Mosquitto};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::installed;
use barmkeep_tests::program::{PATIENCE, project};
use serde_json::{Value, json};
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const HEATER: &str = "cellar/plug/heat/set";

/// What systemd would hear of the daemon.
struct Manager {
    socket: UnixDatagram,
    path: String,
}

impl Manager {
    fn new(cellar: &Cellar) -> Self {
        let path = cellar.path("notify");
        let socket = UnixDatagram::bind(&path).expect("a socket in the cellar's folder");
        Manager { socket, path }
    }

    /// All that it hears until something is this, or until the time is over.
    fn hear(&self, wanted: &str, time: Duration) -> Vec<String> {
        let until = Instant::now() + time;
        let mut heard = Vec::new();
        loop {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return heard;
            }
            self.socket.set_read_timeout(Some(left)).expect("a time-out can be set");
            let mut bytes = [0; 512];
            let Ok(length) = self.socket.recv(&mut bytes) else { continue };
            heard.push(String::from_utf8_lossy(&bytes[..length]).trim().to_owned());
            if heard.last().is_some_and(|last| last == wanted) {
                return heard;
            }
        }
    }
}

/// The library that makes a disk hang, compiled for this test.
fn hanging_disk(cellar: &Cellar) -> PathBuf {
    let path = cellar.folder().join("disk.so");
    let cc = Command::new(installed::tool("cc", &["gcc", "libc6-dev"]))
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .arg(&path)
        .arg(project().join("tests/data/faults/disk.c"))
        .arg("-ldl")
        .output()
        .expect("the compiler runs");
    assert!(cc.status.success(), "{}", String::from_utf8_lossy(&cc.stderr));
    path
}

/// The watchdog is fed by the loop that decides, and by nothing else: a disk that hangs under it
/// starves it, systemd kills the daemon, and the broker switches off what it had on.
#[test]
fn the_watchdog_is_fed_by_a_loop_that_works_and_by_nothing_else() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let manager = Manager::new(&cellar);
    let (library, struck) = (hanging_disk(&cellar).display().to_string(), cellar.path("struck"));
    let well = cellar.path("well");
    std::fs::write(&well, "").expect("a file");
    let mut ear = Ear::open(broker.port, "5", "#");
    let mut daemon = cellar.start_with(&[
        ("NOTIFY_SOCKET", manager.path.as_str()),
        ("WATCHDOG_USEC", "60000000"),
        ("LD_PRELOAD", library.as_str()),
        ("DISK_KIND", "hang"),
        ("DISK_N", "1"),
        ("DISK_WELL", well.as_str()),
        ("DISK_STRUCK", struck.as_str()),
    ]);
    let heard = manager.hear("READY=1", PATIENCE);
    assert_eq!(heard.last().map(String::as_str), Some("READY=1"), "{heard:?}");
    ear.wait_for("barmkeep/status", "online");
    cellar.probe(17.0);
    cellar.pitch(1);
    cellar.probe(15.5);
    ear.wait_for(HEATER, "ON");
    for _ in 0..2 {
        let heard = manager.hear("WATCHDOG=1", PATIENCE);
        assert_eq!(heard.last().map(String::as_str), Some("WATCHDOG=1"), "it works: {heard:?}");
    }
    // The disk hangs at the next write, which a command brings at once.
    std::fs::remove_file(&well).expect("it is there");
    cellar.send(&json!({ "do": "note", "id": "hang", "text": "The last one" }));
    let began = Instant::now();
    while !std::path::Path::new(&struck).exists() {
        assert!(began.elapsed() < PATIENCE, "nothing was written");
        std::thread::sleep(Duration::from_millis(50));
    }
    // What it had sent before is taken out; from now on two beats and a half must be missing.
    manager.hear("nothing", Duration::from_millis(500));
    let heard = manager.hear("nothing", Duration::from_secs(25));
    assert_eq!(heard, Vec::<String>::new(), "a daemon that hangs must not say that it lives");
    assert!(daemon.lives(), "it hangs, and did not end by itself");
    // What systemd does then.
    daemon.kill();
    ear.wait_for(HEATER, "OFF");
}

/// Every order that switches something on has an end, by the message's expiry and, for what can
/// read it, by `valid_until`: MQTT 5.0, 3.3.2.3.3, Message Expiry Interval.
#[test]
fn every_order_has_an_end() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let lines = cellar.folder().join("heard");
    let heard = std::fs::File::create(&lines).expect("a file");
    let topics = ["-t", HEATER, "-t", "barmkeep/north/+/switch", "-t", "barmkeep/north/+/setpoint"];
    let tool = installed::tool("mosquitto_sub", &["mosquitto", "mosquitto-clients"]);
    let child = Command::new(tool)
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-V", "5", "-q", "1"])
        .args(topics)
        .args(["-F", "%r %E %t %p"])
        .stdout(heard)
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    let _subscriber = barmkeep_tests::program::Process::new(child);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (daemon, _) = cellar.pitched(&mut ear, 1);
    cellar.probe(15.0);
    ear.wait_for(HEATER, "ON");
    let began = Instant::now();
    let has = |text: &str| {
        let said = std::fs::read_to_string(&lines).unwrap_or_default();
        said.lines().any(|line| line.contains(text))
    };
    while !(has(&format!("{HEATER} ON")) && has("heater/setpoint {\"setpoint_c\":1")) {
        assert!(began.elapsed() < PATIENCE, "{:?}", std::fs::read_to_string(&lines));
        std::thread::sleep(Duration::from_millis(50));
    }
    let said = std::fs::read_to_string(&lines).expect("what was heard");
    // An order to be off may stand for ever.
    for line in said.lines().filter(|line| !line.ends_with(" OFF")) {
        let parts: Vec<&str> = line.splitn(4, ' ').collect();
        let [retained, expiry, topic, payload] = parts[..] else { panic!("{line}") };
        // Three times `refresh`, 60 s, as the contract has it.
        let expiry: u32 = expiry.parse().unwrap_or_else(|_| panic!("no expiry: {line}"));
        assert!((1..=180).contains(&expiry), "{line}");
        if topic.ends_with("/setpoint") {
            let order: Value = serde_json::from_str(payload).expect("JSON");
            assert!(order["valid_until"].as_str().is_some_and(|it| it.ends_with('Z')), "{line}");
        } else {
            assert_eq!(retained, "0", "a relay gets no order from before: {line}");
        }
    }
    assert_eq!(daemon.terminate(), Some(0));
    ear.wait_for(HEATER, "OFF");
}
