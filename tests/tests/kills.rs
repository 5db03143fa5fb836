//! The real daemon is killed at any instant, again and again, under a stream of readings and
//! commands: what was said to be on record is there, in order and once, the relays are off, and the
//! batch goes on.
//!
//! `KILLS=300 cargo test -p barmkeep-tests --test kills -- --nocapture` is the longer mode; `SEED`
//! chooses the instants.

use barmkeep_tests::broker::{Ear, Message, Mosquitto};
use barmkeep_tests::cellar::{Cellar, Daemon, beer_after, rfc3339};
use barmkeep_tests::program::Process;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::process::{ChildStdin, Command, Stdio};
use std::time::{Duration, SystemTime};

const HEATER: &str = "cellar/plug/heat/set";
const CHILLER: &str = "barmkeep/north/chiller/switch";
const COMMAND: &str = "barmkeep/north/command";
/// The batch began so long ago; its float tells old readings in order.
const HOURS: u32 = 900;

fn number(name: &str, otherwise: u64) -> u64 {
    let given = std::env::var(name).ok();
    given.map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

/// A client that stays, and says a line a message.
struct Mouth {
    input: ChildStdin,
    _process: Process,
}

impl Mouth {
    fn open(port: u16, topic: &str) -> Self {
        let mut child = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-t", topic, "-l"])
            .stdin(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto_pub starts");
        let input = child.stdin.take().expect("its input is piped");
        Mouth { input, _process: Process::new(child) }
    }

    fn say(&mut self, line: &str) {
        writeln!(self.input, "{line}").expect("the client listens");
    }
}

/// All that is known from outside.
struct Outside {
    cellar: Cellar,
    ear: Ear,
    probe: Mouth,
    float: Mouth,
    commands: Mouth,
    pitched: SystemTime,
    hour: u32,
    notes: u32,
    /// Events that were heard, by their numbers.
    heard: BTreeMap<u64, Value>,
    /// Notes that were said to be taken.
    taken: Vec<String>,
    /// How much of the log was checked.
    log: Vec<Value>,
}

impl Outside {
    /// Devices and people speak for a while, a message every few milliseconds.
    fn speak(&mut self, time: Duration) {
        let until = SystemTime::now() + time;
        while SystemTime::now() < until {
            let warm = f64::from(self.hour % 7) * 0.3;
            self.probe.say(&format!("{:.2}", 16.0 + warm));
            if self.hour < HOURS {
                self.hour += 1;
                let at = self.pitched + Duration::from_secs(3600 * u64::from(self.hour));
                let sg = beer_after(f64::from(self.hour) / 30.0);
                let report = json!({ "sg": sg, "temp": 17.0, "battery": 88, "time": rfc3339(at) });
                self.float.say(&report.to_string());
            }
            self.notes += 1;
            let id = format!("n-{}", self.notes);
            let command = json!({ "do": "note", "id": id, "text": format!("Note {id}.") });
            self.commands.say(&command.to_string());
            std::thread::sleep(Duration::from_millis(15));
        }
    }

    fn hear(&mut self, message: &Message) {
        if message.topic.ends_with("/event") {
            let event = message.json();
            let seq = event["seq"].as_u64().expect("a number");
            let before = self.heard.insert(seq, event.clone());
            assert!(before.is_none_or(|before| before == event), "{event} was heard otherwise");
        } else if message.topic.ends_with("/reply") {
            let reply = message.json();
            if reply["ok"] == true {
                self.taken.push(reply["id"].as_str().unwrap_or_default().to_owned());
            }
        }
    }

    /// Listens until the broker has said the wills of a killed daemon that was connected.
    fn hear_the_end(&mut self, connected: bool) {
        let mut wills = vec![("barmkeep/status", "offline"), (HEATER, "OFF"), (CHILLER, "OFF")];
        while connected && !wills.is_empty() {
            let message = self.ear.wait("the wills", |_| true);
            if message.payload != "OFF" && message.payload != "offline" {
                self.hear(&message);
            }
            wills.retain(|will| *will != (message.topic.as_str(), message.payload.as_str()));
        }
        for message in self.ear.listen(Duration::from_millis(30)) {
            self.hear(&message);
        }
    }

    /// Starts it anew and waits until it is there.
    fn start(&mut self) -> Daemon {
        let daemon = self.cellar.start();
        loop {
            let message = self.ear.wait("the daemon", |_| true);
            self.hear(&message);
            if message.topic == "barmkeep/status" && message.payload == "online" {
                return daemon;
            }
        }
    }

    /// The log is whole, goes on from what it was, and has all that was said to be in it.
    fn check(&mut self) {
        let log = self.cellar.log();
        for (index, record) in log.iter().enumerate() {
            assert_eq!(record["seq"], index + 1, "{record}");
        }
        assert!(log.starts_with(&self.log), "what was on record has changed");
        for (seq, event) in &self.heard {
            let place = usize::try_from(*seq).expect("a small number") - 1;
            assert_eq!(log.get(place), Some(event), "it was published");
        }
        let mut ids: Vec<&str> = log
            .iter()
            .filter(|record| record["kind"] == "command.accepted")
            .filter_map(|record| record["data"]["id"].as_str())
            .collect();
        ids.sort_unstable();
        let before = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), before, "a command was done twice");
        for id in &self.taken {
            assert!(ids.binary_search(&id.as_str()).is_ok(), "{id} was answered and is not there");
        }
        self.log = log;
        self.taken.clear();
        self.heard.clear();
    }
}

fn outside(port: u16) -> (Outside, Daemon) {
    let cellar = Cellar::new(port);
    let mut ear = Ear::open(port, "5", "#");
    let (daemon, pitched) = cellar.pitched(&mut ear, HOURS + 1);
    let outside = Outside {
        ear,
        probe: Mouth::open(port, "cellar/probe/1"),
        float: Mouth::open(port, "cellar/float/1"),
        commands: Mouth::open(port, COMMAND),
        pitched,
        hour: 0,
        notes: 0,
        heard: BTreeMap::new(),
        taken: Vec::new(),
        log: Vec::new(),
        cellar,
    };
    (outside, daemon)
}

#[test]
fn a_daemon_that_is_killed_at_any_instant_loses_nothing_and_leaves_its_relays_off() {
    let (kills, seed) = (number("KILLS", 8), number("SEED", 1));
    println!("KILLS={kills} SEED={seed}");
    let broker = Mosquitto::start();
    let (mut outside, mut daemon) = outside(broker.port);
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut in_start = 0;
    for kill in 0..kills {
        outside.speak(Duration::from_millis(chance.random_range(0..400)));
        daemon.kill();
        outside.hear_the_end(true);
        // Every fourth one dies while it starts.
        if kill % 4 == 3 {
            let young = outside.cellar.start();
            outside.speak(Duration::from_millis(chance.random_range(0..120)));
            young.kill();
            in_start += 1;
            outside.hear_the_end(false);
        }
        daemon = outside.start();
        if kill % 10 == 9 || kill + 1 == kills || kills < 20 {
            outside.check();
        }
    }
    println!("{} kills, {in_start} of them at a start", kills + in_start);
    outside.speak(Duration::from_millis(300));
    let said = outside.cellar.ask(&["stop"]).with(0);
    assert!(!said.out.is_empty());
    assert_eq!(outside.cellar.status()["batch"], "north-1");
    assert_eq!(daemon.terminate(), Some(0));
    outside.check();
    let starts = outside.cellar.log_of("daemon.started").len() as u64;
    assert!((kills + 1..=kills + in_start + 1).contains(&starts), "{starts} starts");
}
