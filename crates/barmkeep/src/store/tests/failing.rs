//! Writing fails: nothing is lost, nothing changes its place, memory is bounded.

use super::*;

/// What the daemon gives in step `n`, once a minute: now a quiet reading, now a gravity reading,
/// now a record by a reading or by a tick. Its records are numbered by themselves.
fn step(store: &mut Store, n: u64) -> Result<Taken, StoreError> {
    let now = at(n as f64 * 60.0);
    let next = [switched(store.next_seq, now)];
    match n % 4 {
        0 => store.take(now, &float(1.05 - n as f64 * 1e-5), &[]),
        1 => store.take(now, &probe(18.0 + n as f64 * 1e-3), &next),
        2 => store.take(now, &Input::Tick, &next),
        _ => store.take(now, &probe(18.0 - n as f64 * 1e-3), &[]),
    }
}

/// What `steps` steps leave behind where nothing fails.
fn expected(steps: u64) -> (Vec<(Now, Input)>, Vec<Record>) {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..steps {
        step(&mut store, n).unwrap();
    }
    store.flush(at(steps as f64 * 60.0)).unwrap();
    (inputs(&store, None), records(folder.path()))
}

fn pragma(store: &Store, name: &str, value: i64) {
    store.connection.execute_batch(&format!("PRAGMA {name} = {value}")).unwrap();
}

/// For each number of pages that the disk has left, until it is enough.
#[test]
fn a_full_disk_loses_nothing_wherever_it_strikes() {
    const STEPS: u64 = 200;
    let whole = expected(STEPS);
    let mut failed_runs = 0;
    for room in 0.. {
        let folder = tempfile::tempdir().unwrap();
        let (mut store, _) = open(folder.path());
        let pages: i64 =
            store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        pragma(&store, "max_page_count", pages + room);
        let mut failed = 0;
        for n in 0..STEPS {
            if let Err(error) = step(&mut store, n) {
                assert!(matches!(error, StoreError::Full { .. }), "{error:?}");
                assert!(store.is_failing());
                failed += 1;
            }
            // What is said to be on disk is there.
            if n % 16 == 0 || n % 17 == 1 {
                assert_eq!(records(folder.path()).len() as u64, store.seq_on_disk());
            }
        }
        if failed == 0 {
            break;
        }
        failed_runs += 1;
        pragma(&store, "max_page_count", i64::from(u32::MAX) - 1);
        store.snapshot(at(13_000.0), 1, "state").unwrap();
        assert!(!store.is_failing());
        drop(store);
        let (store, recovered) = open(folder.path());
        assert_eq!((inputs(&store, None), records(folder.path())), whole, "room {room}");
        assert_eq!(recovered.next_seq, whole.1.len() as u64 + 1);
    }
    println!("{failed_runs} disks were too small");
    assert!(failed_runs > 20, "{failed_runs}");
}

#[test]
fn a_store_that_became_read_only_is_written_once_it_can_be() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..40 {
        let read_only = (9..30).contains(&n);
        pragma(&store, "query_only", i64::from(read_only));
        match step(&mut store, n) {
            Ok(taken) => assert!(!read_only || taken == Taken::Waiting, "{n}"),
            Err(error) => {
                assert!(read_only && matches!(error, StoreError::Denied { .. }), "{n}: {error}");
            }
        }
        assert_eq!(store.is_failing(), read_only);
    }
    store.flush(at(2400.0)).unwrap();
    assert_eq!((inputs(&store, None), records(folder.path())), expected(40));
}

#[test]
fn another_program_that_holds_the_file_is_named_and_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let other = Connection::open(folder.path().join("barmkeep.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    for n in 0..2 {
        assert!(matches!(step(&mut store, n), Err(StoreError::Busy { .. })));
    }
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(step(&mut store, 2), Ok(Taken::OnDisk));
    assert_eq!((inputs(&store, None), records(folder.path())), expected(3));
}

#[test]
fn a_failing_store_is_tried_again_by_what_must_be_on_disk_or_after_a_time() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    pragma(&store, "query_only", 1);
    store.take(at(0.0), &Input::Tick, &[switched(1, at(0.0))]).unwrap_err();
    assert_eq!(store.take(at(9.9), &probe(18.0), &[]), Ok(Taken::Waiting));
    assert_eq!(store.take(at(9.95), &float(1.04), &[]), Ok(Taken::Waiting));
    store.take(at(9.99), &Input::Tick, &[switched(2, at(9.99))]).unwrap_err();
    assert_eq!(store.take(at(19.98), &probe(18.0), &[]), Ok(Taken::Waiting));
    store.take(at(19.99), &probe(18.0), &[]).unwrap_err();
    assert_eq!(store.seq_on_disk(), 0);
    pragma(&store, "query_only", 0);
    assert_eq!(store.take(at(29.99), &probe(18.0), &[]), Ok(Taken::OnDisk));
    assert_eq!(store.seq_on_disk(), 2);
}

#[test]
fn a_snapshot_that_fails_leaves_the_older_ones() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.snapshot(at(0.0), 1, "first").unwrap();
    store.snapshot(at(1.0), 1, "second").unwrap();
    pragma(&store, "query_only", 1);
    assert!(matches!(store.snapshot(at(2.0), 1, "third"), Err(StoreError::Denied { .. })));
    pragma(&store, "query_only", 0);
    drop(store);
    let (store, recovered) = open(folder.path());
    assert_eq!(recovered.snapshot.unwrap().body, "second");
    assert_eq!(store.older_snapshot().unwrap().unwrap().body, "first");
}

#[test]
fn while_it_fails_memory_is_bounded_and_only_old_quiet_inputs_are_let_go() {
    const GIVEN: usize = 3 * WAITING_MAX;
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    pragma(&store, "query_only", 1);
    let mut most = 0;
    for n in 0..GIVEN {
        let now = at(n as f64);
        let mut caused = Vec::new();
        if n % 1000 == 0 {
            caused.push(switched(store.next_seq, now));
        }
        let input = if n % 900 == 7 { float(1.05) } else { probe(n as f64 * 1e-3) };
        // Either answer is right here: not each of them is a try.
        let _ = store.take(now, &input, &caused);
        most = most.max(store.waiting());
    }
    assert_eq!(most, WAITING_MAX);
    pragma(&store, "query_only", 0);
    store.flush(at(GIVEN as f64)).unwrap();
    assert_eq!(numbers(&records(folder.path())), (1..=GIVEN as u64 / 1000).collect::<Vec<_>>());
    let kept = inputs(&store, None);
    let floats = kept.iter().filter(|(_, input)| *input == float(1.05)).count();
    assert_eq!(floats, (0..GIVEN).filter(|n| n % 900 == 7).count());
    assert!(kept.is_sorted_by_key(|(now, _)| now.wall));
    // The newest are all there.
    let newest: Vec<Stamp> = kept.iter().rev().take(5000).map(|(now, _)| now.wall).collect();
    let given: Vec<Stamp> = (GIVEN - 5000..GIVEN).rev().map(|n| at(n as f64).wall).collect();
    assert_eq!(newest, given);
}

#[test]
fn gravity_readings_are_let_go_only_where_quiet_inputs_are_not_enough() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    pragma(&store, "query_only", 1);
    store.take(at(0.0), &Input::Tick, &[switched(1, at(0.0))]).unwrap_err();
    for n in 1..2 * WAITING_MAX {
        let _ = store.take(at(0.1), &float(1.05 - n as f64 * 1e-9), &[]);
        assert!(store.waiting() <= WAITING_MAX);
    }
    pragma(&store, "query_only", 0);
    store.flush(at(1.0)).unwrap();
    assert_eq!(numbers(&records(folder.path())), [1]);
}
