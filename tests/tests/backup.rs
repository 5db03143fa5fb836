//! A backup is made while the daemon takes readings; the store is lost; the backup is put back.

use barmkeep_tests::broker::{Ear, Mosquitto};
use barmkeep_tests::cellar::Cellar;
use serde_json::Value;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

const HEATER: &str = "cellar/plug/heat/set";
const CHILLER: &str = "barmkeep/north/chiller/switch";
const HOURS: u32 = 72;

fn seqs(log: &[Value]) -> Vec<u64> {
    log.iter().map(|record| record["seq"].as_u64().expect("a number")).collect()
}

fn says(record: &Value, words: &str) -> bool {
    record["text"].as_str().is_some_and(|text| text.contains(words))
}

/// Puts a backup in the store's place as `deploy/README.md` says under "Restore".
fn restore(cellar: &Cellar, backup: &Path) {
    let before = cellar.folder().join("before");
    std::fs::create_dir_all(&before).expect("a folder");
    for entry in std::fs::read_dir(cellar.folder()).expect("a folder") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name").to_owned();
        if name.to_string_lossy().starts_with("barmkeep.db") {
            std::fs::rename(&path, before.join(name)).expect("it can be moved");
        }
    }
    std::fs::copy(backup, cellar.path("barmkeep.db")).expect("it can be copied");
}

#[test]
fn a_batch_goes_on_from_a_backup_that_was_made_while_it_ran() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "5", "#");
    let (daemon, pitched) = cellar.pitched(&mut ear, HOURS);
    cellar.probe(16.2);
    ear.wait_for(HEATER, "ON");

    // Backups, one after the other, while the float's readings of three days come in.
    let backup = cellar.folder().join("backup.db");
    let done = AtomicBool::new(false);
    let made = std::thread::scope(|scope| {
        let made = scope.spawn(|| {
            let mut made = 0;
            while !done.load(Ordering::SeqCst) || made < 2 {
                let file = backup.display().to_string();
                cellar.ask(&["backup", &file, "--force"]).with(0);
                made += 1;
            }
            made
        });
        cellar.float(pitched, 1..HOURS);
        ear.event("stage.left");
        done.store(true, Ordering::SeqCst);
        made.join().expect("every backup was made")
    });
    println!("{made} backups were made meanwhile");
    cellar.ask(&["note", "--text", "In the backup"]).with(0);
    let said = cellar.ask(&["backup", &backup.display().to_string()]);
    assert_eq!(said.status, 74, "a backup that is there stays: {}", said.err);
    let said = cellar.ask(&["backup", &backup.display().to_string(), "--force"]).with(0).out;
    let last = said.trim().rsplit(' ').next().and_then(|number| number.parse::<usize>().ok());
    let last = last.unwrap_or_else(|| panic!("it says what it holds: {said}"));
    let whole = cellar.log()[..last].to_vec();
    assert!(whole.iter().any(|record| says(record, "In the backup")));
    let before = cellar.status();
    cellar.ask(&["note", "--text", "After the backup"]).with(0);

    // The disk is lost, and with it all that is beside the store.
    daemon.kill();
    ear.wait_for(HEATER, "OFF");
    restore(&cellar, &backup);
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    let log = cellar.log();
    assert_eq!(log[..whole.len()], whole, "the log is whole up to the backup");
    assert_eq!(seqs(&log), (1..=log.len() as u64).collect::<Vec<_>>());
    assert!(!log.iter().any(|record| says(record, "After the backup")));
    let after = cellar.status();
    for key in ["run", "batch", "schedule", "stage", "target_c"] {
        assert_eq!(after[key], before[key], "{key}");
    }
    assert_eq!(after["gravity"]["as_of"], before["gravity"]["as_of"]);
    let outputs = &after["outputs"];
    assert!(outputs["heater"] != "on" || outputs["chiller"] != "on", "{outputs}");
    // It regulates again.
    cellar.probe(18.9);
    ear.wait_for(CHILLER, "ON");
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_backup_that_cannot_be_made_leaves_the_last_one_and_says_why() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let backup = cellar.path("backup.db");
    let said = cellar.ask(&["backup", &backup]).with(74).err;
    assert!(said.contains("there is no store"), "{said}");
    let mut ear = Ear::open(broker.port, "5", "#");
    let (daemon, _) = cellar.pitched(&mut ear, 1);
    cellar.ask(&["backup", &backup]).with(0);
    let first = std::fs::read(&backup).expect("a backup");
    let files = || std::fs::read_dir(cellar.folder()).expect("a folder").count();
    let count = files();
    let said = cellar.ask(&["backup", &cellar.path("nowhere/backup.db")]).with(74).err;
    assert!(said.contains("the backup") && said.contains("nowhere/backup.db"), "{said}");
    let said = cellar.ask(&["backup", &cellar.path("barmkeep.db"), "--force"]).with(64).err;
    assert!(said.contains("is the store itself"), "{said}");
    assert_eq!(files(), count, "no part of a backup is left");
    assert_eq!(std::fs::read(&backup).expect("it is there"), first);
    let mode = std::fs::metadata(&backup).expect("it is there").permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "it is nobody else's to read");
    assert_eq!(daemon.terminate(), Some(0));
    // Also while no daemon runs.
    cellar.ask(&["backup", &backup, "--force"]).with(0);
}
