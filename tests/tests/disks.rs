//! The real daemon on a disk that fails: its n-th write, its n-th sync, no room, read-only; and on
//! a store that was cut off, damaged, or is another's. Each time: a clear sentence, and recovery
//! with the log whole.
//!
//! `DISKS=all cargo test -p barmkeep-tests --test disks -- --nocapture` tries every n; else some.
//! The disk's faults come from `tests/data/faults/disk.c`, which is preloaded into the daemon.

use barmkeep_tests::broker::{folder, free_port, say, wait_for_port};
use barmkeep_tests::cellar::{Cellar, beer_after, rfc3339};
use barmkeep_tests::program::{Said, barmkeep, command, project};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant, SystemTime};

/// Input or output error, and no room left: Linux's numbers (`errno-base.h`).
const EIO: &str = "5";
const ENOSPC: &str = "28";
/// Read-only file system.
const EROFS: &str = "30";

/// The preloaded library, compiled once.
fn library() -> &'static Path {
    static LIBRARY: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, path) = LIBRARY.get_or_init(|| {
        let folder = folder();
        let path = folder.path().join("disk.so");
        let source = project().join("tests/data/faults/disk.c");
        let cc = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(&path)
            .arg(&source)
            .arg("-ldl")
            .output()
            .expect("`cc` is there; the Debian package `gcc` has it");
        assert!(cc.status.success(), "{}", String::from_utf8_lossy(&cc.stderr));
        (folder, path)
    });
    path
}

/// A fault of the disk.
struct Fault<'a> {
    kind: &'a str,
    first: u32,
    times: u32,
    errno: &'a str,
}

impl Fault<'_> {
    fn environment(&self, cellar: &Cellar) -> Vec<(&'static str, String)> {
        vec![
            ("LD_PRELOAD", library().display().to_string()),
            ("DISK_KIND", self.kind.to_owned()),
            ("DISK_N", self.first.to_string()),
            ("DISK_TIMES", self.times.to_string()),
            ("DISK_ERRNO", self.errno.to_owned()),
            ("DISK_WELL", cellar.path("well")),
            ("DISK_STRUCK", cellar.path("struck")),
        ]
    }
}

/// The log is whole: numbers from 1 without a gap, no command twice.
#[track_caller]
fn assert_whole(log: &[Value]) {
    for (index, record) in log.iter().enumerate() {
        assert_eq!(record["seq"], index + 1, "{record}");
    }
}

fn notes(log: &[Value]) -> Vec<&str> {
    log.iter()
        .filter(|record| record["kind"] == "batch.noted")
        .filter_map(|record| record["text"].as_str())
        .collect()
}

fn run_with(cellar: &Cellar, environment: &[(&str, String)]) -> Said {
    let output = command(&["run", &cellar.config()])
        .envs(environment.iter().map(|(name, value)| (*name, value.as_str())))
        .stdin(Stdio::null())
        .output()
        .expect("the daemon runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Said {
        status: output.status.code().unwrap_or(-1),
        out: text(&output.stdout),
        err: text(&output.stderr),
    }
}

/// A small story under a fault; gives whether the fault struck.
fn story(fault: &Fault<'_>) -> bool {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let environment = fault.environment(&cellar);
    let borrowed: Vec<(&str, &str)> =
        environment.iter().map(|(name, value)| (*name, value.as_str())).collect();
    let mut daemon = cellar.start_with(&borrowed);
    let began = Instant::now();
    while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
        if !daemon.lives() {
            // It could not open its store: it says so, and nothing is lost.
            let status = daemon.wait();
            assert_eq!(status, Some(74), "the {}. {} fails", fault.first, fault.kind);
            let said = std::fs::read_to_string(cellar.path("daemon.log")).unwrap_or_default();
            assert!(said.contains("hint: "), "{said}");
            let well = cellar.start();
            wait_for_port(port);
            assert_eq!(well.terminate(), Some(0));
            assert_whole(&cellar.log());
            return true;
        }
        assert!(began.elapsed() < Duration::from_secs(60), "it neither listens nor ends");
        std::thread::sleep(Duration::from_millis(10));
    }
    say(port, &["-t", "cellar/probe/1", "-m", "17.0"]);
    let pitched = cellar.pitch(40);
    for hour in [1, 9, 20, 30] {
        let at = pitched + Duration::from_secs(3600 * hour);
        let sg = beer_after(hour as f64);
        let report = json!({ "sg": sg, "temp": 17.1, "battery": 88, "time": rfc3339(at) });
        say(port, &["-t", "cellar/float/1", "-m", &report.to_string()]);
    }
    for text in ["First", "Second", "Third"] {
        cellar.ask(&["note", "--text", text]).with(0);
    }
    assert!(daemon.lives(), "a failing disk ends no daemon");
    std::fs::write(cellar.path("well"), "").expect("a file can be written");
    assert_eq!(daemon.terminate(), Some(0));
    let log = cellar.log();
    assert_whole(&log);
    assert_eq!(notes(&log).len(), 3, "{log:#?}");
    let again = cellar.start();
    wait_for_port(port);
    cellar.ask(&["note", "--text", "Fourth"]).with(0);
    assert_eq!(cellar.status()["batch"], "north-1");
    assert_eq!(again.terminate(), Some(0));
    let after = cellar.log();
    assert_whole(&after);
    assert_eq!(after[..log.len()], log, "nothing on record changed");
    Path::new(&cellar.path("struck")).exists()
}

/// The n-th fails, for n = 1, 2, 3 … until a run ends untouched.
fn each(kind: &str, errno: &str) {
    let all = std::env::var("DISKS").is_ok_and(|word| word == "all");
    let (mut first, mut step, mut runs) = (1, 1, 0);
    while story(&Fault { kind, first, times: 1, errno }) {
        runs += 1;
        first += step;
        // A share of them: closer at the start, where the store is made.
        step = if all { 1 } else { step * 2 };
        assert!(first < 5000, "it never ends");
    }
    println!("{runs} runs with a failing {kind}; the {first}. was not reached");
    assert!(runs >= 4, "{runs} runs");
}

#[test]
fn the_nth_write_fails() {
    each("write", EIO);
}

#[test]
fn the_nth_sync_fails() {
    each("sync", EIO);
}

#[test]
fn a_full_disk_is_told_and_what_happened_meanwhile_is_written_when_there_is_room() {
    assert!(story(&Fault { kind: "write", first: 30, times: 0, errno: ENOSPC }));
    let port = free_port();
    let cellar = Cellar::embedded(port);
    cellar.start().kill();
    let full = Fault { kind: "write", first: 1, times: 0, errno: ENOSPC };
    let said = run_with(&cellar, &full.environment(&cellar));
    assert_eq!(said.status, 74, "{}", said.err);
    assert!(said.err.contains("no room") || said.err.contains("full"), "{}", said.err);
    assert!(said.err.contains("hint: "), "{}", said.err);
}

#[test]
fn a_store_that_may_only_be_read_is_told() {
    let cellar = Cellar::embedded(free_port());
    let fault = Fault { kind: "open", first: 1, times: 0, errno: EROFS };
    let said = run_with(&cellar, &fault.environment(&cellar));
    assert_eq!(said.status, 74, "{}", said.err);
    assert!(said.err.contains("barmkeep.db") && said.err.contains("hint: "), "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
}

/// A store with a batch in it, at rest.
fn filled() -> (Cellar, u16) {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let daemon = cellar.start();
    wait_for_port(port);
    say(port, &["-t", "cellar/probe/1", "-m", "17.0"]);
    cellar.pitch(3);
    assert_eq!(daemon.terminate(), Some(0));
    (cellar, port)
}

#[track_caller]
fn refused(cellar: &Cellar, status: i32, says: &str) {
    for arguments in [["run", &cellar.config()].as_slice(), &["log", "--config", &cellar.config()]]
    {
        let said = barmkeep(arguments);
        assert_eq!(said.status, status, "{arguments:?}: {}", said.err);
        assert!(said.err.contains(says), "{arguments:?}: {}", said.err);
        assert!(said.err.contains("hint: "), "{arguments:?}: {}", said.err);
        assert!(!said.err.contains("panicked"), "{arguments:?}: {}", said.err);
    }
}

#[test]
fn a_store_that_was_cut_off_or_is_another_s_is_told_and_left_as_it_is() {
    let (cellar, _) = filled();
    let path = cellar.path("barmkeep.db");
    let whole = std::fs::read(&path).expect("the store is there");
    for (bytes, says) in [
        (whole[..100].to_vec(), "damaged"),
        (whole[..whole.len() / 2].to_vec(), "damaged"),
        (b"This is a letter, not a store of any kind.".repeat(40), "not a store"),
    ] {
        std::fs::write(&path, &bytes).expect("a file can be written");
        refused(&cellar, 74, says);
        assert_eq!(std::fs::read(&path).expect("it is there"), bytes, "it was changed");
    }
    std::fs::write(&path, &whole).expect("a file can be written");
    assert_whole(&cellar.log());
}

#[test]
fn a_store_of_a_newer_program_is_told() {
    let (cellar, _) = filled();
    let newer = rusqlite::Connection::open(cellar.path("barmkeep.db")).expect("it opens");
    newer.execute_batch("PRAGMA user_version = 99").expect("a number can be set");
    drop(newer);
    refused(&cellar, 74, "newer");
}

#[test]
fn a_damaged_newest_state_is_passed_over_for_the_older() {
    for damage in ["'{'", "replace(body, '\"index\":0', '\"index\":99')"] {
        let (cellar, port) = filled();
        let log = cellar.log();
        let store = rusqlite::Connection::open(cellar.path("barmkeep.db")).expect("it opens");
        let sql = format!(
            "UPDATE snapshot SET body = {damage} WHERE id = (SELECT max(id) FROM snapshot)"
        );
        assert_eq!(store.execute(&sql, []), Ok(1));
        drop(store);
        let daemon = cellar.start();
        wait_for_port(port);
        assert_eq!(cellar.status()["batch"], "north-1", "{damage}");
        assert_eq!(cellar.status()["run"], "running", "{damage}");
        assert_eq!(daemon.terminate(), Some(0));
        let after = cellar.log();
        assert_whole(&after);
        assert_eq!(after[..log.len()], log);
    }
}

/// Every page in turn is overwritten: either the store is read as it was, or it says what is wrong.
/// It never panics, never hangs, and never takes garbage for a record.
#[test]
fn a_damaged_store_is_told_or_read_as_it_was() {
    let (cellar, _) = filled();
    let (path, log) = (cellar.path("barmkeep.db"), cellar.log());
    let whole = std::fs::read(&path).expect("the store is there");
    let (mut told, mut read) = (0, 0);
    for page in (0..whole.len() / 4096).step_by(3) {
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0x55);
        std::fs::write(&path, &bytes).expect("a file can be written");
        let began = SystemTime::now();
        let said = cellar.ask(&["log", "--json"]);
        assert!(began.elapsed().is_ok_and(|time| time < Duration::from_secs(60)));
        assert!(!said.err.contains("panicked"), "page {page}: {}", said.err);
        if said.status == 0 {
            assert_eq!(said.objects(), log, "page {page}");
            read += 1;
        } else {
            assert!(said.err.contains("hint: "), "page {page}: {}", said.err);
            told += 1;
        }
    }
    println!("{told} told, {read} read");
    assert!(told > 0 && read > 0, "{told} told, {read} read");
}
