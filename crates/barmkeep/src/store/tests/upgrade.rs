//! A store that an older or a newer program left, with a batch that runs.

use super::*;
use crate::clock::{Clock, Invented};
use crate::daemon::{Daemon, Opened};
use crate::failure::Status;
use crate::files::Cellar;
use crate::link::{FromLink, Message, Post, PublishError, Waiting as Sent};
use engine::STATE_VERSION;
use std::fs;
use std::sync::Arc;

/// A broker that nobody hears.
struct Mute;

impl Post for Mute {
    fn give(&self, _: Sent) -> Result<(), PublishError> {
        Ok(())
    }
}

/// The tables of a store that the first step made.
const FIRST_TABLES: [&str; 7] =
    ["meta", "source", "input", "record", "batch", "snapshot", "reading"];

fn cellar(folder: &Path) -> Cellar {
    fs::create_dir_all(folder.join("schedules")).unwrap();
    let schedule = "format = 1\nname = 'a'\n[expect]\noriginal_gravity = '12 P'\n\
                    final_gravity = '3 P'\n[[stage]]\nname = 'warm'\ntarget = '18 C'\n\
                    until = { elapsed = '5 h' }\n[[stage]]\nname = 'cool'\ntarget = '12 C'\n\
                    until = { elapsed = '9 d' }\n";
    fs::write(folder.join("schedules/ale.toml"), schedule).unwrap();
    let config = "format = 1\n[store]\nfile = 'barmkeep.db'\n[vessel.north]\nvolume = '23 L'\n\
                  coldest = '0 C'\nwarmest = '26 C'\n[vessel.north.beer]\ntopic = 'b'\n\
                  read = { unit = 'C' }\nevery = '10 s'\n";
    fs::write(folder.join("barmkeep.toml"), config).unwrap();
    Cellar::read(&folder.join("barmkeep.toml")).unwrap()
}

fn hear(daemon: &mut Daemon<Mute>, topic: &str, payload: &str) {
    let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
    let message = Message { topic, payload, retained: false, response: None };
    daemon.hear(FromLink::Message(message));
}

fn start(cellar: &Cellar, clock: &Arc<Invented>) -> Daemon<Mute> {
    let opened = Opened::of(cellar).unwrap();
    Daemon::new(cellar.clone(), opened, Mute, Clock::Invented(clock.clone()))
}

/// Some hours of a batch, from a step to another, of 10 s each.
fn live(daemon: &mut Daemon<Mute>, clock: &Invented, steps: std::ops::Range<i64>) {
    for step in steps {
        clock.set(Stamp::from_millis(BEGIN + step * 10_000));
        hear(daemon, "b", if step % 2 == 0 { "18.0" } else { "18.1" });
        daemon.tick();
    }
}

/// Makes the store what a program that knew only the first step would have left, row by row.
fn age(folder: &Path) {
    let path = folder.join("barmkeep.db");
    let today = folder.join("today.db");
    fs::rename(&path, &today).unwrap();
    let mut connection = connect(&path).unwrap();
    schema::bring_up(&mut connection, &path, &schema::STEPS[..1]).unwrap();
    connection.execute("ATTACH ?1 AS today", [today.to_str().unwrap()]).unwrap();
    for table in FIRST_TABLES {
        let sql = format!("INSERT INTO main.{table} SELECT * FROM today.{table}");
        connection.execute(&sql, []).unwrap();
    }
}

fn tables_version(folder: &Path) -> i64 {
    let connection = Connection::open(folder.join("barmkeep.db")).unwrap();
    connection.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap()
}

/// A batch of four hours, left by a killed daemon of the first version; its records.
fn left_by_the_first(folder: &Path, cellar: &Cellar, clock: &Arc<Invented>) -> Vec<Record> {
    let mut daemon = start(cellar, clock);
    hear(&mut daemon, "b", "18.0");
    hear(&mut daemon, "barmkeep/north/command", r#"{"do":"pitch","id":"1","schedule":"ale"}"#);
    live(&mut daemon, clock, 1..1440);
    drop(daemon);
    let before = records(folder);
    assert!(before.iter().any(|record| record.kind == Kind::StageEntered), "{before:?}");
    age(folder);
    assert_eq!(tables_version(folder), 1);
    before
}

#[test]
fn a_running_batch_goes_on_in_a_store_of_the_first_version() {
    let folder = tempfile::tempdir().unwrap();
    let cellar = cellar(folder.path());
    let clock = Arc::new(Invented::at(Stamp::from_millis(BEGIN)));
    let before = left_by_the_first(folder.path(), &cellar, &clock);
    let mut daemon = start(&cellar, &clock);
    assert_eq!(tables_version(folder.path()), schema::STEPS.len() as i64);
    let after = records(folder.path());
    assert_eq!(after[..before.len()], before, "no record is lost or changed");
    let state = daemon.engine().view(&name("north")).unwrap();
    assert_eq!(state.batch.as_deref(), Some("north-1"));
    assert_eq!(state.stage.map(|stage| stage.name), Some("warm".to_owned()));
    // Its clock went on: the stage ends after five hours in all, and the new table is filled.
    live(&mut daemon, &clock, 1440..2000);
    let state = daemon.engine().view(&name("north")).unwrap();
    assert_eq!(state.stage.map(|stage| stage.name), Some("cool".to_owned()));
    daemon.end();
    drop(daemon);
    let log = records(folder.path());
    assert!(log.iter().enumerate().all(|(index, record)| record.seq == index as u64 + 1));
    let reader = Reader::open(&folder.path().join("barmkeep.db")).unwrap();
    assert!(!reader.history().course("north-1").unwrap().is_empty());
}

#[test]
fn a_state_of_another_version_is_refused_and_its_store_left_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let cellar = cellar(folder.path());
    let clock = Arc::new(Invented::at(Stamp::from_millis(BEGIN)));
    left_by_the_first(folder.path(), &cellar, &clock);
    for (other, age, next) in [
        (STATE_VERSION - 1, "an older version", "install the older program again"),
        (STATE_VERSION + 1, "a newer version", "install the newer program again"),
    ] {
        let tool = Connection::open(folder.path().join("barmkeep.db")).unwrap();
        tool.execute("UPDATE snapshot SET version = ?1", [other]).unwrap();
        drop(tool);
        let refused = Opened::of(&cellar).map(|_| ()).unwrap_err();
        assert_eq!(refused.status, Status::Config);
        assert!(refused.message.contains(age), "{refused}");
        assert!(refused.message.contains(&format!("{other}, not {STATE_VERSION}")), "{refused}");
        assert!(refused.hint.as_deref().is_some_and(|hint| hint.contains(next)), "{refused}");
        // Whoever can go on with the batch still knows the tables.
        assert_eq!(tables_version(folder.path()), 1);
    }
    let tool = Connection::open(folder.path().join("barmkeep.db")).unwrap();
    tool.execute("UPDATE snapshot SET version = ?1", [STATE_VERSION]).unwrap();
    drop(tool);
    assert!(Opened::of(&cellar).is_ok());
}

#[test]
fn a_copy_is_of_one_moment_and_of_any_version() {
    let folder = tempfile::tempdir().unwrap();
    let cellar = cellar(folder.path());
    let clock = Arc::new(Invented::at(Stamp::from_millis(BEGIN)));
    let path = folder.path().join("barmkeep.db");
    let before = left_by_the_first(folder.path(), &cellar, &clock);
    let old = folder.path().join("old.db");
    let copied = copy(&path, &old).unwrap();
    assert_eq!((copied.records, copied.last_seq), (before.len() as u64, before.len() as u64));
    let mut daemon = start(&cellar, &clock);
    let new = folder.path().join("new.db");
    let copied = copy(&path, &new).unwrap();
    assert_eq!(copied.last_seq, records(folder.path()).last().unwrap().seq);
    // What comes afterwards is not in it.
    hear(&mut daemon, "barmkeep/north/command", r#"{"do":"note","id":"2","text":"Later"}"#);
    let reader = Reader::open(&new).unwrap();
    let last = reader.history().records(&Filter::default()).unwrap().pop().unwrap();
    assert_eq!(last.seq, copied.last_seq);
    // A file that is there is never taken.
    let refused = copy(&path, &new).unwrap_err();
    assert!(matches!(refused, CopyError::Copy(_)), "{refused:?}");
    // The old one is still what it was, and what is no store is not copied.
    let connection = Connection::open(&old).unwrap();
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    assert_eq!(version, 1);
    let other = folder.path().join("other.db");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE a (b)").unwrap();
    let target = folder.path().join("copy.db");
    assert_eq!(
        copy(&other, &target),
        Err(CopyError::Store(StoreError::NotOurs { path: other.clone() }))
    );
    assert!(!target.exists());
}
