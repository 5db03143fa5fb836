//! The real daemon as a process, on a broker, with devices that speak.

use crate::program;
use barmkeep_tests::broker::{Mosquitto, free_port};
use barmkeep_tests::program::Process;
use rumqttc::{Client, Event, MqttOptions, NetworkOptions, Outgoing, QoS};
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A daemon that ends with its owner.
pub struct Running {
    _process: Process,
    pid: u32,
}

impl Running {
    /// Starts it.
    pub fn start(config: &Path) -> Self {
        let child = Command::new(program())
            .arg("run")
            .arg(config)
            .stderr(Stdio::null())
            .spawn()
            .expect("the daemon starts");
        let pid = child.id();
        Running { _process: Process::new(child), pid }
    }

    /// Its resident memory, in MB.
    pub fn resident_mb(&self) -> f64 {
        let status = self.read("status");
        let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("a VmRSS line");
        let kib = line.split_whitespace().nth(1).and_then(|kib| kib.parse::<f64>().ok());
        kib.expect("a number") / 1024.0
    }

    /// Time on a processor so far, of all its threads, in seconds.
    pub fn busy_s(&self) -> f64 {
        let nanos = self.of_threads("schedstat", |text| {
            text.split_whitespace().next().and_then(|nanos| nanos.parse::<f64>().ok())
        });
        nanos / 1e9
    }

    /// How often one of its threads went to sleep and was woken.
    pub fn wakes(&self) -> f64 {
        self.of_threads("status", |text| {
            let line = text.lines().find(|line| line.starts_with("voluntary_ctxt_switches"))?;
            line.split_whitespace().nth(1)?.parse().ok()
        })
    }

    fn of_threads(&self, file: &str, value: impl Fn(&str) -> Option<f64>) -> f64 {
        let tasks = fs::read_dir(format!("/proc/{}/task", self.pid)).expect("the daemon runs");
        let texts =
            tasks.flatten().filter_map(|task| fs::read_to_string(task.path().join(file)).ok());
        texts.filter_map(|text| value(&text)).sum()
    }

    fn read(&self, file: &str) -> String {
        fs::read_to_string(format!("/proc/{}/{file}", self.pid)).expect("the daemon runs")
    }
}

/// A mosquitto that lets as many connect, and wait, as like, and sends at once.
pub fn broker() -> Mosquitto {
    let lines = "persistence false\nallow_anonymous true\nmax_queued_messages 0\n\
                 max_inflight_messages 100\nset_tcp_nodelay true\n";
    Mosquitto::start_in(crate::folder(), free_port(), lines)
}

/// A client with its loop, ready to be used.
pub fn client(name: &str, port: u16, window: u16) -> (Client, rumqttc::Connection) {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(30));
    options.set_inflight(window);
    let (client, mut connection) = Client::new(options, 1000);
    // As our daemon does: else a message waits for the answer to the one before.
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    connection.eventloop.set_network_options(network);
    (client, connection)
}

/// Devices that speak at their own cadence until they are let go.
pub struct Devices {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Devices {
    /// The probes of so many vessels, each every 10 s; the floats once at the beginning.
    pub fn of(port: u16, vessels: usize) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let done = over.clone();
        let thread = std::thread::spawn(move || speak(port, vessels, &done));
        Devices { over, thread: Some(thread) }
    }
}

impl Drop for Devices {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn speak(port: u16, vessels: usize, over: &AtomicBool) {
    let (client, mut connection) = client("devices", port, 100);
    let pump = std::thread::spawn(move || {
        for event in connection.iter() {
            if matches!(event, Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_)) {
                return;
            }
        }
    });
    let say = |topic: String, value: f64| {
        let _ = client.publish(topic, QoS::AtLeastOnce, false, format!("{value:.4}"));
    };
    for vessel in 0..vessels {
        say(format!("f/{vessel}"), 1.048);
    }
    for round in 0_u32.. {
        let began = Instant::now();
        for vessel in 0..vessels {
            say(format!("b/{vessel}"), 18.0 + f64::from(round % 5) * 0.02);
        }
        while began.elapsed() < Duration::from_secs(10) {
            if over.load(Ordering::Relaxed) {
                let _ = client.disconnect();
                let _ = pump.join();
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

/// Pitches every vessel over the broker, as a person would.
pub fn pitch_all(port: u16, vessels: usize) {
    let (client, mut connection) = client("person", port, 100);
    let pump = std::thread::spawn(move || {
        for event in connection.iter() {
            if matches!(event, Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_)) {
                return;
            }
        }
    });
    for vessel in 0..vessels {
        let payload = format!(r#"{{"do": "pitch", "id": "p{vessel}", "schedule": "ale"}}"#);
        let topic = format!("barmkeep/v{vessel}/command");
        let _ = client.publish(topic, QoS::AtLeastOnce, false, payload);
    }
    std::thread::sleep(Duration::from_millis(500));
    let _ = client.disconnect();
    let _ = pump.join();
}
