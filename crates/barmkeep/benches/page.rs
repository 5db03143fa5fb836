//! What it takes to draw 60 days of a batch: read from a store, drawn in both sizes, beside writing
//! the same points as JSON in the same run. `cargo bench -p barmkeep --bench page`.

use barmkeep::chart::{Calendar, Chart, Size, of_batch};
use barmkeep::store::{Reader, Store};
use engine::{Input, Kind, Now, Point, RawGravity, Reading, Record, Setup, Values, VesselSetup};
use quantity::{Show, Span, Stamp};
use schedule::Name;
use schedule::config::{GravitySource, Vessel};
use serde_json::json;
use std::path::Path;
use std::time::{Duration, Instant};

const BEGIN: i64 = 1_772_323_200_000;
const QUARTERS: i64 = 60 * 96;
const ROUNDS: u32 = 20;

fn at(quarter: i64) -> Stamp {
    Stamp::from_millis(BEGIN + quarter * 900_000)
}

fn north() -> Name {
    Name::parse("north").unwrap_or_else(|_| unreachable!("it is a name"))
}

fn point(quarter: i64) -> Point {
    let days = quarter as f64 / 96.0;
    let wave = (days * 40.0).sin();
    Point {
        batch: "north-1".to_owned(),
        vessel: north(),
        at: at(quarter),
        sg: Some(1.010 + 0.038 * (-days / 4.0).exp()),
        sg_sd: Some(0.000_4),
        attenuation_percent: Some(78.0 * (1.0 - (-days / 4.0).exp())),
        attenuation_sd: Some(0.9),
        beer_c: Some(12.0 + 0.3 * wave),
        setpoint_c: Some(12.0),
        surround_c: Some(8.0 + 3.0 * wave),
        heater_share: Some((wave - 0.9).max(0.0)),
        chiller_share: Some((0.3 + 0.3 * wave).clamp(0.0, 1.0)),
    }
}

/// A record of each 200th quarter, a reading of the float each quarter, a switching each hour.
fn fill(path: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let (mut store, _) = Store::open(path, Span::from_hours(730 * 24))?;
    let mut seq = 0;
    let mut record = |kind, quarter, data: serde_json::Value| {
        seq += 1;
        Record {
            seq,
            at: at(quarter),
            vessel: Some(north()),
            batch: Some("north-1".to_owned()),
            kind,
            text: format!("Record {seq}."),
            data: data.as_object().cloned().unwrap_or_default(),
        }
    };
    for quarter in 0..QUARTERS {
        let mut records = Vec::new();
        if quarter == 0 {
            records.push(record(Kind::BatchPitched, 0, json!({ "original_sg": 1.048 })));
        }
        if quarter % 1500 == 0 {
            let stage = format!("stage {}", quarter / 1500 + 1);
            records.push(record(Kind::StageEntered, quarter, json!({ "stage": stage })));
        }
        if quarter % 200 == 100 {
            records.push(record(Kind::NoticeDue, quarter, json!({})));
        }
        if quarter % 4 == 0 {
            records.push(record(Kind::OutputSwitched, quarter, json!({ "output": "chiller" })));
        }
        let wobble = 1e-3 * (quarter as f64).sin();
        let values = Values {
            gravity: Some(RawGravity::Sg(point(quarter).sg.unwrap_or(1.0) + wobble)),
            ..Values::default()
        };
        let reading = Reading {
            vessel: north(),
            source: "float".to_owned(),
            taken: None,
            retained: false,
            values,
        };
        let now = Now::same(at(quarter));
        store.take(now, &Input::Reading(reading), &records)?;
        store.take_points([point(quarter)]);
        if quarter % 400 == 0 {
            store.snapshot(now, 1, "state")?;
        }
    }
    store.snapshot(Now::same(at(QUARTERS)), 1, "state")?;
    Ok(())
}

fn setup() -> Setup {
    let mut vessel = Vessel::plain(Default::default());
    if let Ok(float) = Name::parse("float") {
        vessel.gravity.insert(float, GravitySource::plain(Span::from_mins(15)));
    }
    let vessels = [(north(), VesselSetup::new(vessel, Default::default()))].into();
    Setup { show: Show::default(), vessels, coolers: Default::default() }
}

/// The median of some rounds.
fn timed<T>(mut work: impl FnMut() -> T) -> (Duration, T) {
    let mut last = work();
    let mut times: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let began = Instant::now();
            last = work();
            began.elapsed()
        })
        .collect();
    times.sort_unstable();
    (times[times.len() / 2], last)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("barmkeep.db");
    fill(&path)?;
    let setup = setup();
    let read = || -> Chart {
        let reader = Reader::open(&path).ok();
        reader
            .and_then(|reader| {
                let history = reader.history();
                of_batch(&history, "north-1", &setup, Calendar::Days, &[], None).ok().flatten()
            })
            .unwrap_or_else(|| unreachable!("the store was just filled"))
    };
    let (reading, chart) = timed(read);
    let (drawing, sizes) = timed(|| {
        let [wide, narrow] = [Size::Wide, Size::Narrow].map(|size| chart.inline("x", size).len());
        (wide, narrow)
    });
    let (unit, bytes) = timed(|| serde_json::to_string(&chart.course).map_or(0, |text| text.len()));
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    println!(
        "60 days, {} points, {} readings: read in {:.1} ms, drawn in both sizes in {:.1} ms \
         ({} and {} bytes)",
        chart.course.len(),
        chart.readings.len(),
        ms(reading),
        ms(drawing),
        sizes.0,
        sizes.1
    );
    println!(
        "beside writing the points as JSON ({bytes} bytes, {:.1} ms): {:.1} times as long",
        ms(unit),
        (ms(reading) + ms(drawing)) / ms(unit)
    );
    Ok(())
}
