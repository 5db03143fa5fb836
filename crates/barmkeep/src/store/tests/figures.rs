//! How much is written and how large a store grows, at the default cadence.

use super::*;
use std::fs;

const DAYS: u32 = 30;

/// Bytes that this thread gave to the system to write, and that the system counts as written.
fn written() -> (f64, f64) {
    let text = fs::read_to_string("/proc/thread-self/io").unwrap();
    let field = |name: &str| -> f64 {
        let line = text.lines().find_map(|line| line.strip_prefix(name)).unwrap();
        line.trim().parse().unwrap()
    };
    (field("wchar:"), field("write_bytes:"))
}

/// A record as the engine writes one: a sentence and some figures.
fn cycle(seq: u64, now: Now, on: bool) -> Record {
    let mut record = switched(seq, now);
    record.text = format!(
        "Chiller {}: beer 18.32 °C, setpoint 18.00 °C, band ± 0.30 °C; it had rested for 22 min",
        if on { "on" } else { "off" }
    );
    record.data = json!({
        "output": "chiller", "on": on, "beer_c": 18.318_25, "setpoint_c": 18.0,
        "hysteresis_k": 0.3, "rested_s": 1320.0, "because": "above the band",
    })
    .as_object()
    .unwrap()
    .clone();
    record
}

/// As a digital probe of 12 bits tells it.
fn sixteenths(temperature_c: f64) -> f64 {
    (temperature_c * 16.0).round() / 16.0
}

/// One vessel: a probe in the beer and one around it, both every 10 s, a tick every 10 s, a float
/// every 15 min, the chiller on and off twice an hour, a snapshot of 20 kB an hour.
fn live(store: &mut Store, day: u32) {
    let snapshot = "0123456789abcdef".repeat(1250);
    for tick in 0..8640 {
        let seconds = f64::from(day) * DAY + f64::from(tick) * 10.0;
        let wave = (seconds / 900.0).sin();
        let mut caused = Vec::new();
        if tick % 90 == 13 {
            caused.push(cycle(store.next_seq, at(seconds), tick % 180 == 13));
        }
        store.take(at(seconds), &Input::Tick, &caused).unwrap();
        store.take(at(seconds + 2.5), &probe(sixteenths(18.0 + 0.3 * wave)), &[]).unwrap();
        let around =
            Values { temperature_c: Some(sixteenths(12.0 + 3.0 * wave)), ..Values::default() };
        store.take(at(seconds + 4.1), &reading("surround", around), &[]).unwrap();
        if tick % 90 == 47 {
            store.take(at(seconds + 5.0), &float(1.05 - seconds * 1e-8), &[]).unwrap();
        }
        if tick % 90 == 0 {
            store.take_points([course::point("north-1", seconds)]);
        }
        if tick % 360 == 0 {
            store.snapshot(at(seconds + 6.0), 1, &snapshot).unwrap();
        }
    }
}

#[test]
fn a_month_at_the_default_cadence_writes_little_and_grows_slowly() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    // The first days fill the file; what follows is what a day costs.
    live(&mut store, 0);
    let pages = |store: &Store| -> i64 {
        store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap()
    };
    let before = (written(), pages(&store));
    for day in 1..=DAYS {
        live(&mut store, day);
    }
    let days = f64::from(DAYS);
    let (given, counted) = written();
    let given = (given - before.0.0) / days;
    let counted = (counted - before.0.1) / days;
    let grown = (pages(&store) - before.1) as f64 * 1024.0 / days;
    println!(
        "a day: {:.2} MB given to the system, {:.2} MB counted by it, {:.1} kB of growth",
        given / 1e6,
        counted / 1e6,
        grown / 1e3
    );
    println!("a year without the coarser thinning: {:.1} MB", grown * 365.0 / 1e6);
    let mut statement = store
        .connection
        .prepare("SELECT name, sum(pgsize), sum(ncell) FROM dbstat GROUP BY name ORDER BY 2 DESC")
        .unwrap();
    let tables = statement.query_map([], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?))
    });
    for table in tables.unwrap() {
        let (name, bytes, cells) = table.unwrap();
        println!("{name}: {bytes} bytes, {cells} cells");
    }
    assert!(given > 100_000.0, "{given}");
    assert!(given <= 5e6 && counted <= 5e6, "{given} {counted}");
    assert!(grown * 365.0 <= 150e6, "{grown}");
}
