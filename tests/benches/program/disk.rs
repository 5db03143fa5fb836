//! What is written, what the store grows to, and how soon a start with a year in it is at work.

use crate::cellar::Layout;
use crate::driven::{Driven, STEP};
use crate::results::{Goal, Results};
use crate::running::{Running, broker, client};
use quantity::Span;
use rumqttc::{Event, Packet, QoS};
use std::fs::{self, File};
use std::path::Path;
use std::time::{Duration, Instant};

/// The kernel's count is taken over so many days.
const DAYS: i64 = 3;
/// The kernel writes out what is not synced after about this long.
const WRITTEN_OUT: Span = Span::from_secs(30);
const A_DAY: Span = Span::from_hours(24);

/// Measures all of it, on the disk that holds the target folder: a file system in memory counts
/// nothing.
pub fn measure() {
    let mut results = Results::of("disk");
    let disk = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let folder = tempfile::tempdir_in(disk).expect("a folder on the disk");
    written(&mut results, folder.path());
    let folder = tempfile::tempdir_in(disk).expect("a folder on the disk");
    a_year(&mut results, folder.path());
}

/// The kernel's count of what a daemon wrote, at the default cadence.
fn written(results: &mut Results, folder: &Path) {
    let config = Layout::default().write(folder);
    let begin = barmkeep::clock::wall() - A_DAY * DAYS;
    let mut driven = Driven::begin(&config, begin, STEP);
    let (before, records) = (write_bytes(), driven.daemon.engine().last_seq());
    let log = folder.join("store.db-wal");
    let mut out = driven.now();
    while driven.now() < begin + A_DAY * DAYS {
        driven.step();
        if driven.now().since(out) >= WRITTEN_OUT {
            // A sped-up day is over before the kernel would have written anything out.
            out = driven.now();
            for file in [&log, &folder.join("store.db")] {
                let file = File::open(file).and_then(|file| file.sync_data());
                file.expect("the store can be synced");
            }
        }
    }
    let megabytes = (write_bytes() - before) / 1e6 / DAYS as f64;
    results.tell("written a day, 1 vessel", megabytes, "MB", Goal::AtMost(5.0));
    let records = (driven.daemon.engine().last_seq() - records) as f64 / DAYS as f64;
    results.tell("records a day", records, "", Goal::None);
    // Each record's write is synced, each float's, and the snapshot's; a checkpoint syncs twice.
    let syncs = (records + 96.0 + 24.0 * 3.0) / 1440.0;
    results.tell("syncs", syncs, "a minute at most", Goal::None);
}

/// A year's store, and a start with it.
fn a_year(results: &mut Results, folder: &Path) {
    let broker = broker();
    let link = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
    // Of a probe's readings the store keeps the first of each minute: more often changes nothing.
    let minute = Span::from_mins(1);
    let layout = Layout { link: &link, drive: "both", probe_every: "60 s", ..Layout::default() };
    let config = layout.write(folder);
    let begin = barmkeep::clock::wall() - A_DAY * 365;
    let mut driven = Driven::begin(&config, begin, minute);
    // Within the hour, so that there are inputs after the last snapshot.
    while driven.now() < begin + A_DAY * 365 - Span::from_secs(30) {
        driven.step();
    }
    drop(driven);
    let bytes = fs::metadata(folder.join("store.db")).expect("there is a store").len();
    results.tell("the store after a year", bytes as f64 / 1e6, "MB", Goal::AtMost(150.0));
    let (client, mut connection) = client("ear", broker.port, 10);
    client.subscribe("barmkeep/v0/+/setpoint", QoS::AtLeastOnce).expect("it is asked for");
    let subscribed = |event| matches!(event, Ok(Event::Incoming(Packet::SubAck(_))));
    assert!(connection.iter().any(subscribed), "the broker answers");
    let began = Instant::now();
    let _daemon = Running::start(&config);
    let told = connection.iter().any(|event| match event {
        Ok(Event::Incoming(Packet::Publish(message))) => {
            let text = String::from_utf8_lossy(&message.payload).into_owned();
            text.contains("setpoint_c")
        }
        _ => began.elapsed() > Duration::from_secs(60),
    });
    assert!(told, "a setpoint comes");
    let start = began.elapsed().as_secs_f64();
    results.tell("a start with a year in the store", start, "s", Goal::AtMost(0.2));
}

fn write_bytes() -> f64 {
    let text = fs::read_to_string("/proc/self/io").expect("the kernel counts");
    let line = text.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    line.and_then(|bytes| bytes.parse().ok()).expect("a number")
}
