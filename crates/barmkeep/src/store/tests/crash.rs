//! The process or the machine dies at any instant; what was said to be on disk is there.

use super::*;
use std::fs;

/// Step `n` of a batch: a tick and a probe's reading, at times a gravity reading or records.
fn step(store: &mut Store, n: u64) {
    let now = at(n as f64 * 10.0);
    store.take(now, &Input::Tick, &[]).unwrap();
    let next = store.next_seq;
    let caused = match n % 7 {
        3 => vec![switched(next, now)],
        5 => vec![switched(next, now), switched(next + 1, now)],
        _ => Vec::new(),
    };
    let input =
        if n.is_multiple_of(11) { float(1.05 - n as f64 * 1e-5) } else { probe(n as f64 * 1e-3) };
    store.take(now, &input, &caused).unwrap();
    if n % 60 == 59 {
        store.snapshot(now, 1, &format!("{n} {}", "state ".repeat(200))).unwrap();
    }
}

/// Copies the store as it lies on the disk, with the first `log` bytes of its log.
fn copy(from: &Path, to: &Path, log: usize) {
    fs::copy(from.join("barmkeep.db"), to.join("barmkeep.db")).unwrap();
    let bytes = fs::read(from.join("barmkeep.db-wal")).unwrap();
    fs::write(to.join("barmkeep.db-wal"), &bytes[..log.min(bytes.len())]).unwrap();
}

/// Checks that the store in the folder is a whole beginning of a run of steps: records without a
/// gap, each with the input that caused it, the inputs in order. Returns the number of records.
fn check_whole(folder: &Path) -> u64 {
    let (store, recovered) = open(folder);
    let records = records(folder);
    assert_eq!(numbers(&records), (1..recovered.next_seq).collect::<Vec<_>>());
    let kept = inputs(&store, None);
    assert!(kept.is_sorted_by_key(|(now, _)| now.wall));
    if let Some((oldest, _)) = kept.first() {
        for record in records.iter().filter(|record| record.at > oldest.wall) {
            let caused =
                |(now, input): &&(Now, Input)| now.wall == record.at && *input != Input::Tick;
            assert!(kept.iter().any(|input| caused(&input)), "{record:?}");
        }
    }
    let after = inputs(&store, recovered.snapshot.as_ref());
    assert!(kept.ends_with(&after));
    if let Some(snapshot) = recovered.snapshot {
        assert!(after.iter().all(|(now, _)| now.wall >= snapshot.at));
        assert_eq!(snapshot.body.split_once(' ').unwrap().1, "state ".repeat(200));
    }
    recovered.next_seq - 1
}

#[test]
fn after_each_step_the_disk_has_every_record_that_may_be_published() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..400 {
        step(&mut store, n);
        let crashed = tempfile::tempdir().unwrap();
        copy(folder.path(), crashed.path(), usize::MAX);
        assert_eq!(check_whole(crashed.path()), store.seq_on_disk(), "step {n}");
    }
}

#[test]
fn a_log_that_is_cut_anywhere_leaves_a_whole_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..150 {
        step(&mut store, n);
    }
    let log = fs::metadata(folder.path().join("barmkeep.db-wal")).unwrap().len() as usize;
    // The first start wrote the tables; they are transactions of their own.
    let mut last = 0;
    let mut starts = 0;
    for cut in (0..=log).rev().step_by(911).collect::<Vec<_>>().into_iter().rev() {
        let crashed = tempfile::tempdir().unwrap();
        copy(folder.path(), crashed.path(), cut);
        let count = check_whole(crashed.path());
        assert!(count >= last, "at {cut} bytes");
        last = count;
        starts += 1;
    }
    println!("{starts} starts after a cut");
    assert_eq!(last, store.seq_on_disk());
}

#[test]
fn a_log_with_a_damaged_byte_leaves_a_whole_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    for n in 0..100 {
        step(&mut store, n);
    }
    let log = fs::read(folder.path().join("barmkeep.db-wal")).unwrap();
    let mut counts = std::collections::BTreeSet::new();
    for place in (40..log.len()).step_by(1301) {
        let crashed = tempfile::tempdir().unwrap();
        fs::copy(folder.path().join("barmkeep.db"), crashed.path().join("barmkeep.db")).unwrap();
        let mut bytes = log.clone();
        bytes[place] ^= 0x55;
        fs::write(crashed.path().join("barmkeep.db-wal"), bytes).unwrap();
        counts.insert(check_whole(crashed.path()));
    }
    assert!(counts.len() > 10, "{counts:?}");
}

#[test]
fn a_store_goes_on_over_many_starts() {
    let folder = tempfile::tempdir().unwrap();
    let mut n = 0;
    for start in 0..20 {
        let (mut store, recovered) = open(folder.path());
        assert_eq!(recovered.next_seq, store.seq_on_disk() + 1);
        for _ in 0..=start {
            step(&mut store, n);
            n += 1;
        }
    }
    let records = check_whole(folder.path());
    assert_eq!(records, (0..n).map(|n| [0, 0, 0, 1, 0, 2, 0][n as usize % 7]).sum::<u64>());
}
