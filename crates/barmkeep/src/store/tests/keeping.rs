//! What is thinned and dropped, and what never is.

use super::*;

const HOUR: f64 = 3600.0;

/// Runs from day `from` to day `to`: a snapshot an hour, a probe's reading a minute, a gravity
/// reading an hour.
fn run(store: &mut Store, from: u32, to: u32) {
    for minute in from * 1440..to * 1440 {
        let now = at(f64::from(minute) * 60.0);
        store.take(now, &probe(18.0), &[]).unwrap();
        if minute % 60 == 0 {
            store.take(now, &float(1.05), &[]).unwrap();
            store.snapshot(now, 1, "state").unwrap();
        }
    }
    store.snapshot(at(f64::from(to) * DAY), 1, "state").unwrap();
}

fn count(store: &Store, sql: &str) -> i64 {
    store.connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

#[test]
fn history_keeps_the_first_reading_of_each_minute_of_a_probe_and_every_gravity() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..60 {
        let now = at(f64::from(n) * 10.0 + 5.0);
        store.take(now, &probe(f64::from(n)), &[]).unwrap();
        store.take(now, &float(1.05), &[]).unwrap();
    }
    let history = store.history(at(600.0)).unwrap();
    let of = |source| {
        history.readings(&name("north"), Some(source), at(0.0).wall, at(600.0).wall).unwrap()
    };
    let probes: Vec<(Stamp, f64)> =
        of("beer").iter().map(|(at, r)| (*at, r.values.temperature_c.unwrap())).collect();
    let expected: Vec<(Stamp, f64)> = (0..10)
        .map(|minute| (at(f64::from(minute) * 60.0 + 5.0).wall, f64::from(minute) * 6.0))
        .collect();
    assert_eq!(probes, expected);
    assert_eq!(of("float").len(), 60);
    // Full rate until the snapshots have passed.
    assert_eq!(inputs(&store, None).len(), 120);
}

#[test]
fn history_is_the_same_before_and_after_a_snapshot() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let all = |store: &mut Store, n: u32| {
        let now = at(f64::from(n) * 10.0);
        let history = store.history(now).unwrap();
        history.readings(&name("north"), None, at(0.0).wall, at(DAY).wall).unwrap()
    };
    for n in 0..200 {
        let now = at(f64::from(n) * 10.0);
        store.take(now, &probe(f64::from(n)), &[]).unwrap();
        if n % 31 == 0 {
            store.take(now, &float(1.05 - f64::from(n) * 1e-4), &[]).unwrap();
        }
        // In the middle of a minute too.
        if n % 16 == 15 {
            let before = all(&mut store, n);
            store.snapshot(now, 1, "state").unwrap();
            assert_eq!(all(&mut store, n), before);
        }
    }
    assert_eq!(all(&mut store, 200).len(), 34 + 7);
    let reader = Reader::open(&folder.path().join("barmkeep.db")).unwrap();
    let (from, to) = (at(0.0).wall, at(DAY).wall);
    let seen = reader.history().readings(&name("north"), None, from, to).unwrap();
    assert_eq!(seen, all(&mut store, 200));
}

#[test]
fn after_thirty_days_a_probe_keeps_one_reading_a_quarter_and_gravity_all() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    run(&mut store, 0, 33);
    let begin = BEGIN;
    let day = |day: i64, what: &str| {
        let from = begin + day * 86_400_000;
        let to = from + 86_400_000;
        count(
            &store,
            &format!(
                "SELECT count(*) FROM reading \
                 WHERE gravity IS {what} AND at >= {from} AND at < {to}"
            ),
        )
    };
    let probes: Vec<i64> = [0, 1, 2, 3, 32].iter().map(|n| day(*n, "NULL")).collect();
    // The last snapshot was at 33 d: three whole days are older than 30 d.
    assert_eq!(probes, [96, 96, 96, 1440, 1440]);
    assert!((0..33).all(|n| day(n, "NOT NULL") == 24));
    let first = count(&store, "SELECT min(at % 900000) FROM reading WHERE gravity IS NULL");
    assert_eq!(first, 0);
    // Of inputs only those of the last two hours are left.
    assert!(count(&store, "SELECT count(*) FROM input") < 150);
    assert_eq!(count(&store, "SELECT count(*) FROM snapshot"), 2);
}

/// A store with three batches: one that ended on day 0, one on day 10, one that runs since day 0.
fn with_batches(folder: &Path, keep_days: i64) -> Store {
    let path = folder.join("barmkeep.db");
    let (mut store, _) = Store::open(&path, Span::from_hours(keep_days * 24)).unwrap();
    let mut keep = |day: f64, kind, batch: Option<&str>| {
        let now = at(day * DAY);
        let caused = record(store.next_seq, now, kind, batch);
        store.take(now, &Input::Tick, &[caused]).unwrap();
    };
    keep(0.0, Kind::DaemonStarted, None);
    for batch in ["north-1", "south-1", "north-2"] {
        keep(0.1, Kind::BatchPitched, Some(batch));
        keep(0.2, Kind::StageEntered, Some(batch));
        keep(0.3, Kind::BatchCompleted, Some(batch));
    }
    keep(0.5, Kind::BatchStopped, Some("north-1"));
    keep(10.0, Kind::BatchAborted, Some("north-2"));
    keep(10.0, Kind::CommandRefused, None);
    store
}

/// Snapshots an hour from this day on, for so many hours.
fn pass(store: &mut Store, day: f64, hours: u32) {
    for hour in 0..hours {
        store.snapshot(at(day * DAY + f64::from(hour) * HOUR), 1, "state").unwrap();
    }
}

fn batches(store: &mut Store) -> Vec<String> {
    let history = store.history(at(0.0)).unwrap();
    history.batches().unwrap().into_iter().map(|batch| batch.id).collect()
}

#[test]
fn batches_go_when_they_ended_longer_ago_than_keep_and_a_running_one_never() {
    for (day, kept) in [
        (20.0, vec!["north-1", "south-1", "north-2"]),
        (20.2, vec!["north-1", "south-1", "north-2"]),
        (20.6, vec!["south-1", "north-2"]),
        (29.7, vec!["south-1", "north-2"]),
        (30.1, vec!["south-1"]),
        (3000.0, vec!["south-1"]),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = with_batches(folder.path(), 20);
        // Seven hours before that day, so that the clock has been steady.
        pass(&mut store, day - 8.0 / 24.0, 9);
        assert_eq!(batches(&mut store), kept, "day {day}");
        for batch in ["north-1", "south-1", "north-2"] {
            let there = records(folder.path()).iter().any(|r| r.batch.as_deref() == Some(batch));
            assert_eq!(there, kept.contains(&batch), "day {day}, {batch}");
        }
    }
}

#[test]
fn numbers_never_repeat_even_when_every_record_was_dropped() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = with_batches(folder.path(), 20);
    let stopped = record(store.next_seq, at(11.0 * DAY), Kind::BatchStopped, Some("south-1"));
    let last = stopped.seq;
    store.take(at(11.0 * DAY), &Input::Tick, &[stopped]).unwrap();
    pass(&mut store, 90.0, 12);
    assert_eq!(records(folder.path()), []);
    assert_eq!(batches(&mut store), Vec::<String>::new());
    drop(store);
    let (store, recovered) = open(folder.path());
    assert_eq!((recovered.next_seq, store.seq_on_disk()), (last + 1, last));
}

#[test]
fn a_clock_that_has_just_jumped_drops_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = with_batches(folder.path(), 20);
    let before = records(folder.path());
    // The machine started in a far year; its clock is set right before six hours are over, again
    // and again.
    for start in 0..5 {
        for hour in 0..12 {
            let seconds = f64::from(start * 12 + hour) * HOUR;
            let wall = if hour < 6 { at(9000.0 * DAY + seconds) } else { at(15.0 * DAY + seconds) };
            let now = Now { monotonic: at(seconds).monotonic, wall: wall.wall };
            store.snapshot(now, 1, "state").unwrap();
        }
    }
    assert_eq!(records(folder.path()), before);
    // A slow drift is no jump: it is the right time that goes on.
    for hour in 0..8 {
        let mut now = at(9000.0 * DAY + f64::from(hour) * HOUR);
        now.wall = now.wall + Span::from_secs(i64::from(hour) * 20);
        store.snapshot(now, 1, "state").unwrap();
    }
    assert!(records(folder.path()).len() < before.len());
}

#[test]
fn readings_stay_for_the_oldest_batch_kept_and_go_a_month_after() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    let (mut store, _) = Store::open(&path, Span::from_hours(10 * 24)).unwrap();
    let keep = |store: &mut Store, day: f64, kind| {
        let now = at(day * DAY);
        let caused = record(store.next_seq, now, kind, Some("north-1"));
        store.take(now, &float(1.05), &[caused]).unwrap();
    };
    keep(&mut store, 0.0, Kind::OutputSwitched);
    keep(&mut store, 1.0, Kind::StageEntered);
    pass(&mut store, 300.0, 12);
    assert_eq!(count(&store, "SELECT count(*) FROM reading"), 2);
    keep(&mut store, 320.0, Kind::BatchStopped);
    for day in 0..60 {
        pass(&mut store, 325.0 + f64::from(day), 24);
    }
    // The batch has gone, and of the readings all but the last, which is not 40 d old on day 359.
    assert_eq!(batches(&mut store), Vec::<String>::new());
    assert_eq!(count(&store, "SELECT count(*) FROM reading"), 0);
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.take(at(0.0), &float(1.05), &[]).unwrap();
    pass(&mut store, 759.0, 24);
    assert_eq!(count(&store, "SELECT count(*) FROM reading"), 1);
    pass(&mut store, 760.0, 24);
    assert_eq!(count(&store, "SELECT count(*) FROM reading"), 0);
}

#[test]
fn what_was_recorded_while_the_clock_said_1970_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    let (mut store, _) = Store::open(&path, long()).unwrap();
    let mut seq = 0;
    let mut keep = |store: &mut Store, now: Now, kind, batch: Option<&str>| {
        seq += 1;
        store.take(now, &Input::Tick, &[record(seq, now, kind, batch)]).unwrap();
    };
    keep(&mut store, at(0.0), Kind::DaemonStarted, None);
    keep(&mut store, at(10.0), Kind::BatchPitched, Some("north-1"));
    // The machine starts without its clock, and somebody stops the batch before it is set.
    let clockless = |seconds: f64| Now {
        monotonic: at(seconds).monotonic,
        wall: Stamp::from_millis((seconds * 1000.0) as i64),
    };
    keep(&mut store, clockless(20.0), Kind::DaemonStarted, None);
    keep(&mut store, clockless(30.0), Kind::BatchStopped, Some("north-1"));
    for hour in 0..9 {
        store.snapshot(at(40.0 + f64::from(hour) * 3600.0), 1, "state").unwrap();
    }
    assert_eq!(numbers(&records(folder.path())), [1, 2, 3, 4]);
    // They go when their time has come.
    drop(store);
    let (mut store, _) = Store::open(&path, Span::from_hours(24)).unwrap();
    for hour in 0..9 {
        store.snapshot(at(3.0 * DAY + f64::from(hour) * 3600.0), 1, "state").unwrap();
    }
    assert!(numbers(&records(folder.path())).is_empty());
}
