//! Taking inputs and records, and getting them back.

use super::*;
use engine::{Command, CommandInput, LoadedSchedule, OutputKind};

/// One input of every shape that a row can have.
fn every_input() -> Vec<Input> {
    let values = |temperature_c| Values { temperature_c, ..Values::default() };
    let old = Reading {
        vessel: name("north"),
        source: "beer".to_owned(),
        taken: Some(Stamp::from_millis(BEGIN - 1)),
        retained: true,
        values: values(Some(18.0)),
    };
    let command = |command: Result<Command, String>| {
        Input::from(CommandInput {
            vessel: name("south"),
            id: Some("a'b\"c".to_owned()),
            by: None,
            command,
            schedule: Some(LoadedSchedule {
                name: "pale-lager".to_owned(),
                schedule: Err("there is no such file".to_owned()),
            }),
            calibration: None,
            history: vec![(Stamp::from_millis(BEGIN), old.clone())],
        })
    };
    let gravity = |gravity| reading("float", Values { gravity: Some(gravity), ..values(None) });
    vec![
        Input::Started { version: "0.1.0".to_owned() },
        Input::Tick,
        probe(18.1),
        probe(0.1 + 0.2),
        probe(-0.0),
        probe(20.0),
        Input::Reading(old.clone()),
        reading("surround", values(None)),
        reading("beer", Values { battery_percent: Some(3.5), ..values(Some(4.0)) }),
        float(1.0483),
        gravity(RawGravity::Plato(12.25)),
        gravity(RawGravity::Brix(12.5)),
        gravity(RawGravity::Degrees(41.5)),
        Input::Unreadable {
            vessel: name("north"),
            source: "float".to_owned(),
            problem: "not a number: `–`".to_owned(),
        },
        Input::Seen { vessel: name("north"), output: OutputKind::Chiller, on: None },
        command(Ok(Command::Note { text: "smells of pear\n".to_owned() })),
        command(Err("`pitch` needs `schedule`".to_owned())),
        Input::Link { up: true },
        Input::Store { problem: None },
        Input::Stopping,
    ]
}

#[test]
fn every_input_comes_back_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, recovered) = open(folder.path());
    assert_eq!(recovered, Recovered { snapshot: None, last_wall: None, next_seq: 1 });
    let given: Vec<(Now, Input)> = every_input()
        .into_iter()
        .enumerate()
        .map(|(index, input)| {
            let mut now = at(index as f64 * 0.25);
            now.monotonic = Stamp::from_millis(index as i64 * 250);
            (now, input)
        })
        .collect();
    for (now, input) in &given {
        store.take(*now, input, &[]).unwrap();
    }
    store.flush(given[given.len() - 1].0).unwrap();
    drop(store);
    let (store, recovered) = open(folder.path());
    // As texts, since −0 equals 0 as a number.
    assert_eq!(format!("{:#?}", inputs(&store, None)), format!("{given:#?}"));
    assert_eq!(recovered.last_wall, Some(given[given.len() - 1].0.wall));
}

#[test]
fn both_clocks_come_back_however_they_part() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let year = 31_536_000_000;
    let steps = [0, 3, -7, year, year + 1, -year, BEGIN, -BEGIN, 0];
    let given: Vec<(Now, Input)> = steps
        .iter()
        .zip(0..)
        .map(|(step, n)| {
            let monotonic = Stamp::from_millis(n * 10_000);
            let wall = Stamp::from_millis(BEGIN + n * 10_000 + step);
            let input = if n % 2 == 0 { Input::Tick } else { probe(18.0 + n as f64 / 3.0) };
            (Now { monotonic, wall }, input)
        })
        .collect();
    for (now, input) in &given {
        assert_eq!(store.take(*now, input, &[]), Ok(Taken::Waiting));
    }
    store.snapshot(given[8].0, 1, "state").unwrap();
    assert_eq!(inputs(&store, None), given);
    let rows: i64 =
        store.connection.query_row("SELECT count(*) FROM input", [], |row| row.get(0)).unwrap();
    assert_eq!(rows, 1);
}

#[test]
fn what_waits_is_lost_with_the_process_and_what_is_on_disk_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    assert_eq!(store.take(at(0.0), &probe(18.0), &[]), Ok(Taken::Waiting));
    assert_eq!(store.take(at(1.0), &Input::Tick, &[]), Ok(Taken::Waiting));
    assert_eq!(store.waiting(), 2);
    // The record takes along all that waited before it.
    let caused = [switched(1, at(2.0)), switched(2, at(2.0))];
    assert_eq!(store.take(at(2.0), &probe(18.5), &caused), Ok(Taken::OnDisk));
    assert_eq!((store.waiting(), store.seq_on_disk()), (0, 2));
    assert_eq!(store.take(at(3.0), &probe(18.6), &[]), Ok(Taken::Waiting));
    drop(store);
    let (store, recovered) = open(folder.path());
    let expected = [(at(0.0), probe(18.0)), (at(1.0), Input::Tick), (at(2.0), probe(18.5))];
    assert_eq!(inputs(&store, None), expected);
    assert_eq!(recovered.last_wall, Some(at(2.0).wall));
    assert_eq!((recovered.next_seq, store.seq_on_disk()), (3, 2));
    assert_eq!(records(folder.path()), caused);
}

/// What `take` answers for a row of inputs at these seconds, in a new store.
fn answers(row: &[(f64, Input)]) -> Vec<Taken> {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    row.iter().map(|(seconds, input)| store.take(at(*seconds), input, &[]).unwrap()).collect()
}

#[test]
fn quiet_inputs_wait_for_five_minutes_at_most() {
    use Taken::{OnDisk, Waiting};
    let row =
        [(0.0, probe(18.0)), (299.999, probe(18.1)), (300.0, probe(18.2)), (301.0, probe(1.0))];
    assert_eq!(answers(&row), [Waiting, Waiting, OnDisk, Waiting]);
    // A tick is enough to write them.
    assert_eq!(answers(&[(0.0, probe(18.0)), (300.0, Input::Tick)]), [Waiting, OnDisk]);
    assert_eq!(answers(&[(0.0, Input::Tick), (1.0, Input::Link { up: true })]), [Waiting; 2]);
}

#[test]
fn a_gravity_reading_is_written_at_once_but_a_flood_of_them_is_not() {
    use Taken::{OnDisk, Waiting};
    let row = [(0.0, float(1.05)), (0.999, float(1.05)), (1.0, float(1.05)), (1.5, float(1.0))];
    assert_eq!(answers(&row), [OnDisk, Waiting, OnDisk, Waiting]);
    let row = [(0.0, float(1.05)), (0.5, float(1.05)), (0.9, probe(18.0)), (10.0, Input::Tick)];
    assert_eq!(answers(&row), [OnDisk, Waiting, Waiting, OnDisk]);
}

#[test]
fn commands_starts_and_ends_are_written_at_once() {
    for input in every_input() {
        let at_once = matches!(input, Input::Command(_) | Input::Started { .. } | Input::Stopping)
            || matches!(&input, Input::Reading(reading) if reading.values.gravity.is_some());
        let expected = if at_once { Taken::OnDisk } else { Taken::Waiting };
        assert_eq!(answers(&[(0.0, input.clone())]), [expected], "{input:?}");
    }
}

#[test]
fn a_group_has_a_limit() {
    let answers = answers(&vec![(0.0, probe(18.0)); GROUP_ROWS]);
    let on_disk = answers.iter().position(|answer| *answer == Taken::OnDisk);
    assert_eq!(on_disk, Some(GROUP_ROWS - 1));
}

#[test]
fn of_ticks_close_together_only_the_last_before_a_write_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for second in 0..25 {
        store.take(at(f64::from(second)), &Input::Tick, &[]).unwrap();
    }
    store.flush(at(24.0)).unwrap();
    let ticks = |seconds: &[f64]| -> Vec<(Now, Input)> {
        seconds.iter().map(|second| (at(*second), Input::Tick)).collect()
    };
    assert_eq!(inputs(&store, None), ticks(&[0.0, 9.0, 18.0, 24.0]));
    // Ticks as far apart as a driver may make them are all kept.
    for second in [34.0, 44.0, 53.9] {
        store.take(at(second), &Input::Tick, &[]).unwrap();
    }
    store.flush(at(54.0)).unwrap();
    assert_eq!(inputs(&store, None)[4..], ticks(&[34.0, 44.0, 53.9]));
}

#[test]
fn a_tick_that_caused_a_record_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.take(at(0.0), &Input::Tick, &[]).unwrap();
    let caused = [switched(1, at(1.0))];
    assert_eq!(store.take(at(1.0), &Input::Tick, &caused), Ok(Taken::OnDisk));
    assert_eq!(inputs(&store, None).len(), 2);
}

#[test]
fn a_number_that_does_not_follow_is_refused_and_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.take(at(0.0), &probe(18.0), &[switched(1, at(0.0))]).unwrap();
    for wrong in [vec![3], vec![1], vec![0], vec![2, 4], vec![2, 2], vec![u64::MAX]] {
        let caused: Vec<Record> = wrong.iter().map(|seq| switched(*seq, at(1.0))).collect();
        let error = store.take(at(1.0), &probe(18.0), &caused).unwrap_err();
        let found = *wrong.last().unwrap();
        let expected = if wrong.len() == 1 { 2 } else { 3 };
        assert_eq!(error, StoreError::Gap { expected, found });
    }
    assert_eq!(store.waiting(), 0);
    store.take(at(2.0), &probe(18.0), &[switched(2, at(2.0))]).unwrap();
    assert_eq!(numbers(&records(folder.path())), [1, 2]);
    assert_eq!(inputs(&store, None), [(at(0.0), probe(18.0)), (at(2.0), probe(18.0))]);
}

#[test]
fn a_start_takes_the_newest_snapshot_and_the_inputs_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for hour in 0..4 {
        let hour = f64::from(hour);
        store.take(at(hour * 3600.0), &probe(hour), &[]).unwrap();
        store.snapshot(at(hour * 3600.0 + 1.0), 7, &format!("state {hour}")).unwrap();
    }
    drop(store);
    let (mut store, recovered) = open(folder.path());
    let newest = recovered.snapshot.unwrap();
    assert_eq!((newest.body.as_str(), newest.version), ("state 3", 7));
    assert_eq!((newest.at, recovered.last_wall), (at(10_801.0).wall, Some(at(10_801.0).wall)));
    assert_eq!(inputs(&store, Some(&newest)), []);
    let older = store.older_snapshot().unwrap().unwrap();
    assert_eq!(older.body, "state 2");
    assert_eq!(inputs(&store, Some(&older)), [(at(10_800.0), probe(3.0))]);
    // Inputs before the older snapshot are gone, and ids go on.
    assert_eq!(inputs(&store, None), [(at(10_800.0), probe(3.0))]);
    store.take(at(10_900.0), &probe(5.0), &[switched(1, at(10_900.0))]).unwrap();
    drop(store);
    let (store, recovered) = open(folder.path());
    assert_eq!(recovered.last_wall, Some(at(10_900.0).wall));
    assert_eq!(inputs(&store, recovered.snapshot.as_ref()), [(at(10_900.0), probe(5.0))]);
}

#[test]
fn the_first_snapshot_leaves_all_inputs_for_an_empty_start() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.take(at(0.0), &probe(18.0), &[]).unwrap();
    store.snapshot(at(1.0), 1, "state").unwrap();
    assert_eq!(store.older_snapshot(), Ok(None));
    assert_eq!(inputs(&store, None).len(), 1);
}

/// A store with 8 records, a minute apart; 1 is the daemon's own, even ones are of north-1.
fn with_records(folder: &Path) -> Store {
    let (mut store, _) = open(folder);
    for seq in 1..=8 {
        let now = at(seq as f64 * 60.0);
        let mut caused = match seq {
            1 => record(seq, now, Kind::DaemonStarted, None),
            2 => record(seq, now, Kind::BatchPitched, Some("north-1")),
            6 => record(seq, now, Kind::BatchCompleted, Some("north-1")),
            8 => record(seq, now, Kind::BatchStopped, Some("north-1")),
            _ => record(seq, now, Kind::OutputSwitched, Some("north-1")),
        };
        if seq % 2 == 1 && seq > 1 {
            caused.vessel = Some(name("south"));
            caused.batch = Some("south-4".to_owned());
        }
        store.take(now, &probe(18.0), &[caused]).unwrap();
    }
    store
}

#[test]
fn records_are_found_by_what_is_wanted_of_them() {
    let folder = tempfile::tempdir().unwrap();
    let _store = with_records(folder.path());
    let all = Filter::default();
    let minute = |minute: i64| Some(Stamp::from_millis(BEGIN + minute * 60_000));
    let table: Vec<(Filter, &[u64])> = vec![
        (all.clone(), &[1, 2, 3, 4, 5, 6, 7, 8]),
        (Filter { vessel: Some(name("north")), ..all.clone() }, &[1, 2, 4, 6, 8]),
        (Filter { vessel: Some(name("east")), ..all.clone() }, &[1]),
        (Filter { batch: Some("south-4".to_owned()), ..all.clone() }, &[3, 5, 7]),
        (Filter { since: minute(3), until: minute(6), ..all.clone() }, &[3, 4, 5]),
        (Filter { after_seq: Some(6), ..all.clone() }, &[7, 8]),
        (Filter { after_seq: Some(u64::MAX), ..all.clone() }, &[]),
        (Filter { kinds: vec![Kind::DaemonStarted, Kind::BatchStopped], ..all.clone() }, &[1, 8]),
        (Filter { limit: Limit::First(2), ..all.clone() }, &[1, 2]),
        (Filter { limit: Limit::Last(2), ..all.clone() }, &[7, 8]),
        (Filter { vessel: Some(name("north")), limit: Limit::Last(2), ..all.clone() }, &[6, 8]),
        (Filter { after_seq: Some(2), limit: Limit::First(1), ..all }, &[3]),
    ];
    let reader = Reader::open(&folder.path().join("barmkeep.db")).unwrap();
    for (filter, expected) in table {
        let found = reader.history().records(&filter).unwrap();
        assert_eq!(numbers(&found), expected, "{filter:?}");
    }
}

#[test]
fn the_last_records_of_a_vessel_are_found_without_reading_all() {
    let folder = tempfile::tempdir().unwrap();
    let store = with_records(folder.path());
    for limit in [Limit::None, Limit::First(2), Limit::Last(2)] {
        let filter = Filter { vessel: Some(name("north")), limit, ..Filter::default() };
        let (sql, values) = filter.query();
        let mut plan = store.connection.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        let steps: Vec<String> = plan
            .query_map(rusqlite::params_from_iter(values), |row| row.get(3))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        let bad = |step: &&String| step.contains("SCAN") || step.contains("TEMP B-TREE");
        assert_eq!(steps.iter().find(bad), None, "{steps:?}");
    }
}

#[test]
fn batches_know_how_far_they_came() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = with_records(folder.path());
    let batches = store.history(at(500.0)).unwrap().batches().unwrap();
    let minute = |minute: i64| Stamp::from_millis(BEGIN + minute * 60_000);
    let north = Batch {
        id: "north-1".to_owned(),
        vessel: Some("north".to_owned()),
        first_seq: 2,
        began: minute(2),
        completed: Some(minute(6)),
        ended: Some(minute(8)),
    };
    let south = Batch {
        id: "south-4".to_owned(),
        vessel: Some("south".to_owned()),
        first_seq: 3,
        began: minute(3),
        completed: None,
        ended: None,
    };
    assert_eq!(batches, [north, south]);
}

#[test]
fn readings_come_back_in_the_order_of_their_arrival() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let given: Vec<(Now, Input)> = every_input()
        .into_iter()
        .zip(0..)
        .map(|(input, n)| (at(f64::from(n) * 60.0), input))
        .collect();
    for (now, input) in &given {
        store.take(*now, input, &[]).unwrap();
    }
    let expected: Vec<(Stamp, Reading)> = given
        .iter()
        .filter_map(|(now, input)| match input {
            Input::Reading(reading) => Some((now.wall, reading.clone())),
            _ => None,
        })
        .collect();
    // The last reading still waits: a question sees it none the less.
    let history = store.history(at(2000.0)).unwrap();
    let from = |source, since: f64, until: f64| {
        history.readings(&name("north"), source, at(since).wall, at(until).wall).unwrap()
    };
    assert_eq!(from(None, 0.0, 2000.0), expected);
    assert_eq!(from(Some("float"), 0.0, 2000.0), expected[7..]);
    let first = expected[0].0.millis_after(at(0.0).wall) as f64 / 1000.0;
    assert_eq!(from(None, first, first + 60.0), expected[..1]);
    assert_eq!(history.readings(&name("south"), None, at(0.0).wall, at(2000.0).wall), Ok(vec![]));
}

#[test]
fn any_tool_reads_the_views() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = with_records(folder.path());
    store.take(at(9_000.25), &float(1.0483), &[]).unwrap();
    store.snapshot(at(9_001.0), 1, "state").unwrap();
    let tool = Connection::open(folder.path().join("barmkeep.db")).unwrap();
    let text = |sql: &str| -> String { tool.query_row(sql, [], |row| row.get(0)).unwrap() };
    assert_eq!(text("SELECT at FROM readings WHERE kind = 'gravity'"), "2026-03-01T02:30:00.250Z");
    assert_eq!(
        text("SELECT vessel || source || gravity || unit FROM readings WHERE unit = 'SG'"),
        "northfloat1.0483SG"
    );
    assert_eq!(
        text("SELECT at || ' ' || kind FROM records WHERE seq = 2"),
        "2026-03-01T00:02:00.000Z batch.pitched"
    );
    assert_eq!(
        text("SELECT json_extract(data, '$.seconds') || '' FROM records WHERE seq = 2"),
        "0.1"
    );
    assert_eq!(text("SELECT ended FROM batches WHERE id = 'north-1'"), "2026-03-01T00:08:00.000Z");
    assert_eq!(
        text("SELECT vessel || kind || temperature_c FROM inputs WHERE id = 1"),
        "northprobe18.0"
    );
    let version: i64 = tool.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    assert_eq!(version, 2);
}
