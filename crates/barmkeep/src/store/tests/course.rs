//! The course of batches: written at snapshots, given again after a crash, gone with its batch.

use super::*;
use engine::Point;

/// A point of a batch, so many seconds after the beginning.
pub(super) fn point(batch: &str, seconds: f64) -> Point {
    Point {
        batch: batch.to_owned(),
        vessel: name("north"),
        at: at(seconds).wall,
        sg: Some(1.05 - seconds * 1e-8),
        sg_sd: Some(0.000_412_3),
        attenuation_percent: Some(12.345_678),
        attenuation_sd: Some(0.812_345),
        beer_c: Some(18.312_5),
        setpoint_c: Some(18.0),
        surround_c: None,
        heater_share: Some(0.0),
        chiller_share: Some(0.412_3),
    }
}

fn course(folder: &Path, batch: &str) -> Vec<Point> {
    let reader = Reader::open(&folder.join("barmkeep.db")).unwrap();
    reader.history().course(batch).unwrap()
}

#[test]
fn points_wait_for_the_snapshot_and_a_second_copy_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    let points: Vec<Point> = (0..8).map(|n| point("north-1", f64::from(n) * 900.0)).collect();
    store.take_points(points[..5].iter().cloned());
    store.flush(at(4000.0)).unwrap();
    assert_eq!((store.points_waiting().len(), course(folder.path(), "north-1")), (5, vec![]));
    store.snapshot(at(4000.0), 1, "state").unwrap();
    assert_eq!(
        (store.points_waiting(), course(folder.path(), "north-1")),
        (&[][..], points[..5].to_vec())
    );
    // After a crash the inputs since the older snapshot give some of them again; and a wall clock
    // that stepped back gives others of the same times, of which the first hold.
    let mut again = points.clone();
    again[3].beer_c = Some(99.0);
    store.take_points(again);
    store.take_points([point("south-1", 0.0)]);
    store.snapshot(at(8000.0), 1, "state").unwrap();
    assert_eq!(course(folder.path(), "north-1"), points);
    assert_eq!(course(folder.path(), "south-1").len(), 1);
}

#[test]
fn points_that_cannot_be_written_wait_on_and_never_without_bound() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = open(folder.path());
    store.take_points([point("north-1", 0.0)]);
    store.connection.execute_batch("ALTER TABLE point RENAME TO elsewhere").unwrap();
    assert!(store.snapshot(at(10.0), 1, "state").is_err());
    assert_eq!(store.points_waiting().len(), 1);
    store.connection.execute_batch("ALTER TABLE elsewhere RENAME TO point").unwrap();
    store.snapshot(at(20.0), 1, "state").unwrap();
    assert_eq!(course(folder.path(), "north-1").len(), 1);
    let many = crate::store::course::POINTS_MAX + 3;
    store.take_points((0..many).map(|n| point("north-1", n as f64)));
    assert_eq!(store.points_waiting().len(), crate::store::course::POINTS_MAX);
    assert_eq!(store.points_waiting()[0].at, at(3.0).wall);
}

#[test]
fn the_course_goes_with_its_batch() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    let (mut store, _) = Store::open(&path, Span::from_hours(10 * 24)).unwrap();
    for batch in ["north-1", "south-1"] {
        let pitched = record(store.next_seq, at(0.0), Kind::BatchPitched, Some(batch));
        store.take(at(0.0), &Input::Tick, &[pitched]).unwrap();
        store.take_points([point(batch, 900.0)]);
    }
    let stopped = record(store.next_seq, at(DAY), Kind::BatchStopped, Some("north-1"));
    store.take(at(DAY), &Input::Tick, &[stopped]).unwrap();
    for hour in 0..8 {
        store.snapshot(at(20.0 * DAY + f64::from(hour) * 3600.0), 1, "state").unwrap();
    }
    assert_eq!(course(folder.path(), "north-1"), []);
    assert_eq!(course(folder.path(), "south-1").len(), 1);
}
