//! Memory, and what a daemon costs that has next to nothing to do.

use crate::cellar::Layout;
use crate::folder;
use crate::results::{Goal, Results};
use crate::running::{Devices, Running, broker, pitch_all};
use barmkeep_tests::broker::free_port;
use std::time::Duration;

/// So long after the start its memory is read.
const SETTLED: Duration = Duration::from_secs(25);
/// So long it is watched for its idleness.
const WATCHED: Duration = Duration::from_secs(120);

/// Memory of the daemon, the page not asked for.
pub fn measure() {
    let mut results = Results::of("memory");
    let outside = |vessels| {
        let broker = broker();
        let link = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
        of_daemon(&link, broker.port, vessels)
    };
    let embedded = |vessels| {
        let port = free_port();
        of_daemon(&format!("listen = \"127.0.0.1:{port}\""), port, vessels)
    };
    results.tell("1 vessel, a broker outside", outside(1), "MB", Goal::AtMost(12.0));
    results.tell("1 vessel, the embedded broker", embedded(1), "MB", Goal::AtMost(24.0));
    results.tell("100 vessels, a broker outside", outside(100), "MB", Goal::None);
    let thousand = outside(1000);
    results.tell("1000 vessels, 2000 switches", thousand, "MB", Goal::AtMost(200.0));
}

fn of_daemon(link: &str, port: u16, vessels: usize) -> f64 {
    let folder = folder();
    let config = Layout { vessels, link, ..Layout::default() }.write(folder.path());
    let daemon = Running::start(&config);
    barmkeep_tests::broker::wait_for_port(port);
    std::thread::sleep(Duration::from_secs(5));
    let _devices = Devices::of(port, vessels);
    pitch_all(port, vessels);
    std::thread::sleep(SETTLED);
    daemon.resident_mb()
}

/// Time on the processor and wake-ups with one vessel at its cadence.
pub fn idle() {
    let mut results = Results::of("idle");
    let folder = folder();
    let broker = broker();
    let link = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
    let config = Layout { link: &link, ..Layout::default() }.write(folder.path());
    let daemon = Running::start(&config);
    std::thread::sleep(Duration::from_secs(3));
    let _devices = Devices::of(broker.port, 1);
    pitch_all(broker.port, 1);
    std::thread::sleep(Duration::from_secs(10));
    let (busy, wakes) = (daemon.busy_s(), daemon.wakes());
    std::thread::sleep(WATCHED);
    let seconds = WATCHED.as_secs_f64();
    let busy = (daemon.busy_s() - busy) / seconds * 100.0;
    let wakes = (daemon.wakes() - wakes) / seconds;
    results.tell("1 vessel, of one core, over 2 min", busy, "%", Goal::AtMost(0.2));
    results.tell("1 vessel, wake-ups", wakes, "a second", Goal::None);
}
