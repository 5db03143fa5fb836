//! Opening what is, is not, or is no longer a store.

use super::*;
use crate::store::read::connect_still;
use crate::store::schema::Found;
use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Command as Process, Stdio};

fn refused(path: &Path) -> StoreError {
    let error = Store::open(path, long()).unwrap_err();
    assert!(error.to_string().contains(&*path.to_string_lossy()), "{error}");
    assert!(!error.hint().is_empty());
    error
}

#[test]
fn a_second_daemon_is_refused_until_the_first_has_gone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("barmkeep.db");
    let (store, _) = Store::open(&path, long()).unwrap();
    let pid = Some(std::process::id());
    assert_eq!(refused(&path), StoreError::Locked { path: path.clone(), pid });
    // Under another name it is the same store.
    let other = folder.path().join("other.db");
    std::os::unix::fs::symlink(&path, &other).unwrap();
    assert_eq!(
        Store::open(&other, long()).unwrap_err(),
        StoreError::Locked { path: path.clone(), pid }
    );
    drop(store);
    Store::open(&path, long()).unwrap();
}

#[test]
fn a_killed_daemon_leaves_no_lock_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("barmkeep.db");
    // Another process takes the same lock by the tool of util-linux.
    let mut holder = Process::new("sh")
        .arg("-c")
        .arg("exec 9>>\"$0\" && flock -n 9 && echo locked && exec cat")
        .arg(folder.path().join("barmkeep.db.lock"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(holder.stdout.take().unwrap()).read_line(&mut line).unwrap();
    assert_eq!(line, "locked\n");
    assert_eq!(refused(&path), StoreError::Locked { path: path.clone(), pid: None });
    holder.kill().unwrap();
    holder.wait().unwrap();
    Store::open(&path, long()).unwrap();
}

#[test]
fn something_else_is_refused_and_left_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("barmkeep.db");
    // SQLite by itself takes the shorter ones for empty files.
    for length in [1, 20, 600, 5000] {
        let before = "name = \"Pale lager\"\n".repeat(300)[..length].to_owned();
        fs::write(&path, &before).unwrap();
        assert_eq!(refused(&path), StoreError::NotOurs { path: path.clone() });
        assert_eq!(Reader::open(&path).unwrap_err(), StoreError::NotOurs { path: path.clone() });
        assert_eq!(fs::read_to_string(&path).unwrap(), before);
    }

    fs::remove_file(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE record (seq INTEGER PRIMARY KEY)").unwrap();
    drop(other);
    let before = fs::read(&path).unwrap();
    assert_eq!(refused(&path), StoreError::NotOurs { path: path.clone() });
    assert_eq!(Reader::open(&path).unwrap_err(), StoreError::NotOurs { path: path.clone() });
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn an_empty_file_becomes_a_store() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("barmkeep.db"), "").unwrap();
    let (store, recovered) = open(folder.path());
    assert_eq!(recovered.next_seq, 1);
    assert_eq!(inputs(&store, None), []);
}

#[test]
fn a_missing_folder_a_folder_and_a_read_only_place_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let real = folder.path().canonicalize().unwrap();
    let path = real.join("not-there").join("barmkeep.db");
    assert_eq!(refused(&path), StoreError::NoFolder { path: path.clone() });
    assert_eq!(Reader::open(&path).unwrap_err(), StoreError::Missing { path });
    assert!(matches!(refused(&real), StoreError::Denied { .. }));
    // Nobody can make files here, root neither.
    let path = Path::new("/sys/barmkeep.db");
    assert!(matches!(refused(path), StoreError::Denied { .. }), "{:?}", refused(path));
}

fn set_version(folder: &Path, version: i64) {
    let tool = Connection::open(folder.join("barmkeep.db")).unwrap();
    tool.pragma_update(None, "user_version", version).unwrap();
}

#[test]
fn a_newer_store_is_refused_by_both_and_an_older_one_by_the_reader() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("barmkeep.db");
    drop(open(folder.path()));
    let known = schema::STEPS.len() as i64;
    set_version(folder.path(), known + 1);
    let newer = StoreError::Newer { path: path.clone(), found: known + 1, known };
    assert_eq!(refused(&path), newer);
    assert_eq!(Reader::open(&path).unwrap_err(), newer);
    set_version(folder.path(), 0);
    let older = StoreError::Older { path: path.clone(), found: 0, known };
    assert_eq!(Reader::open(&path).unwrap_err(), older);
}

#[test]
fn an_older_store_is_brought_up_step_by_step_and_keeps_what_it_has() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    let mut connection = connect(&path).unwrap();
    schema::bring_up(&mut connection, &path, &schema::STEPS[..1]).unwrap();
    let row =
        "INSERT INTO record VALUES (1, 0, 'north', 'north-1', 'output.switched', 'On.', '{}')";
    connection.execute(row, []).unwrap();
    let second = "ALTER TABLE record ADD COLUMN colour TEXT";
    let broken = "ALTER TABLE record ADD COLUMN taste TEXT; SELECT no_such_thing";
    let steps = [schema::STEPS[0], second, broken];
    // A step that fails leaves the store whole, at the version before it.
    let error = schema::bring_up(&mut connection, &path, &steps).unwrap_err();
    assert!(matches!(error, StoreError::Bug { .. }), "{error}");
    assert_eq!(schema::look(&connection), Ok(Found::Store(2)));
    let steps = [schema::STEPS[0], second, "ALTER TABLE record ADD COLUMN taste TEXT"];
    schema::bring_up(&mut connection, &path, &steps).unwrap();
    assert_eq!(schema::look(&connection), Ok(Found::Store(3)));
    let row = connection
        .query_row("SELECT seq, colour, taste FROM record", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .unwrap();
    assert_eq!(row, (1, None::<String>, None::<String>));
}

/// A store of some pages, closed; returns its bytes.
fn closed_store(folder: &Path) -> Vec<u8> {
    let (mut store, _) = open(folder);
    for seq in 1..=60 {
        let now = at(seq as f64 * 60.0);
        let mut caused = switched(seq, now);
        caused.text = "The chiller was switched on. ".repeat(seq as usize);
        store.take(now, &float(1.05 - seq as f64 * 1e-4), &[caused]).unwrap();
    }
    store.snapshot(at(4000.0), 1, &"state ".repeat(500)).unwrap();
    drop(store);
    fs::read(folder.join("barmkeep.db")).unwrap()
}

/// Opens the bytes as a store and asks everything of it.
fn all_of(bytes: &[u8]) -> Result<usize, StoreError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    fs::write(&path, bytes).unwrap();
    let (mut store, recovered) = Store::open(&path, long())?;
    let count = store.replay(None, |_, _| {})?;
    store.older_snapshot()?;
    let next = recovered.next_seq;
    store.take(at(5000.0), &probe(18.0), &[switched(next, at(5000.0))])?;
    let history = store.history(at(5000.0))?;
    history.batches()?;
    history.readings(&name("north"), None, at(0.0).wall, at(9000.0).wall)?;
    let records = history.records(&Filter::default())?;
    assert_eq!(count, 60);
    Ok(records.len())
}

#[test]
fn a_damaged_store_is_said_to_be_so_whichever_page_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let whole = closed_store(folder.path());
    assert_eq!(all_of(&whole), Ok(61));
    let mut damaged = 0;
    for page in 0..whole.len() / 1024 {
        let mut bytes = whole.clone();
        bytes[page * 1024..(page + 1) * 1024].fill(0xa5);
        match all_of(&bytes) {
            // A snapshot's text is its reader's to judge, a page may be free, and an index that no
            // question needs may be broken.
            Ok(count) => assert_eq!(count, 61, "page {page}"),
            Err(StoreError::NotOurs { .. }) => assert_eq!(page, 0),
            Err(StoreError::Damaged { problem, .. }) => {
                assert!(!problem.is_empty());
                damaged += 1;
            }
            Err(other) => panic!("page {page}: {other:?}"),
        }
    }
    println!("{damaged} of {} damaged pages were noticed", whole.len() / 1024);
    assert!(damaged * 2 > whole.len() / 1024, "{damaged}");
}

#[test]
fn a_truncated_store_is_said_to_be_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let whole = closed_store(folder.path());
    for share in 1..16 {
        let error = all_of(&whole[..whole.len() * share / 16]).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{share}/16: {error:?}");
    }
    for length in [1, 15, 16, 100, 511, 512, 1023] {
        let error = all_of(&whole[..length]).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{length} bytes: {error:?}");
    }
}

#[test]
fn a_store_is_read_while_a_daemon_writes_it() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let reader = Reader::open(&folder.path().join("barmkeep.db")).unwrap();
    let seen = || numbers(&reader.history().records(&Filter::default()).unwrap());
    for seq in 1..=3 {
        store.take(at(seq as f64), &probe(18.0), &[switched(seq, at(seq as f64))]).unwrap();
        assert_eq!(seen(), (1..=seq).collect::<Vec<_>>());
    }
    drop(store);
    assert_eq!(seen(), [1, 2, 3]);
}

#[test]
fn a_still_store_is_read_without_a_file_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let odd = folder.path().join("cellar #1, 50 % ü?");
    fs::create_dir(&odd).unwrap();
    closed_store(&odd);
    fs::remove_file(odd.join("barmkeep.db.lock")).unwrap();
    let (connection, found) = connect_still(&odd.join("barmkeep.db")).unwrap();
    assert_eq!(found, Found::Store(schema::STEPS.len() as i64));
    let history = History { connection: &connection, path: &odd };
    assert_eq!(history.records(&Filter::default()).unwrap().len(), 60);
    assert_eq!(fs::read_dir(&odd).unwrap().count(), 1);
}
