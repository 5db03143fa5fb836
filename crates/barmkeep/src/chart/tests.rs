//! What a picture must have, whatever it is of.

use super::*;
use engine::Kind;
use quantity::{GravityUnit, Quantity, Span, TemperatureUnit};
use schedule::Name;
use serde_json::json;

const BEGIN: i64 = 1_772_323_200_000;

fn at(hours: f64) -> Stamp {
    Stamp::from_millis(BEGIN + (hours * 3_600_000.0) as i64)
}

fn record(kind: Kind, hours: f64, text: &str, data: &Value) -> Record {
    Record {
        seq: 1,
        at: at(hours),
        vessel: Name::parse("north").ok(),
        batch: Some("north-1".to_owned()),
        kind,
        text: text.to_owned(),
        data: data.as_object().cloned().unwrap_or_default(),
    }
}

fn point(hours: f64) -> Point {
    let fallen = (hours / 240.0).min(1.0);
    Point {
        batch: "north-1".to_owned(),
        vessel: Name::parse("north").unwrap(),
        at: at(hours),
        sg: Some(1.048 - 0.036 * fallen),
        sg_sd: Some(0.000_4),
        attenuation_percent: Some(75.0 * fallen),
        attenuation_sd: Some(0.9),
        beer_c: Some(10.0 + 0.2 * (hours * 2.0).sin()),
        setpoint_c: Some(10.0),
        surround_c: None,
        heater_share: Some(0.0),
        chiller_share: Some(0.25 + 0.2 * hours.sin()),
    }
}

fn batch(calendar: Calendar, show: Show) -> Chart {
    let mut chart = Chart::new("a <b> & \"c\"", show, calendar, at(0.0));
    let pitched = json!({ "pitched_at": at(0.0).rfc3339(), "original_sg": 1.048,
        "original_sd_points": 1.0, "expected_final_sg": 1.012 });
    chart.note(&record(Kind::BatchPitched, 0.0, "Pitched.", &pitched));
    chart.note(&record(Kind::StageEntered, 0.0, "", &json!({ "stage": "primary" })));
    chart.note(&record(Kind::AlarmRaised, 20.0, "It's <hot>", &json!({ "alarm": "too-warm" })));
    chart.note(&record(Kind::AlarmReturned, 22.0, "", &json!({ "alarm": "too-warm" })));
    chart.note(&record(Kind::StageEntered, 100.0, "", &json!({ "stage": "rest" })));
    chart.note(&record(Kind::BatchNoted, 110.0, "Day 4.", &json!({ "day": 4 })));
    chart.note(&record(Kind::BatchNoted, 111.0, "Smells good.", &json!({})));
    chart.extend((1..800).map(|n| point(f64::from(n) * 0.25)));
    chart.readings = (0..100).map(|n| (at(f64::from(n)), 1.048)).collect();
    chart
}

fn zone(name: &str) -> Calendar {
    let text = format!(
        "format = 1\n[show]\ntime_zone = '{name}'\n[store]\nfile = 'a.db'\n[vessel.north]\n\
         volume = '23 L'\ncoldest = '0 C'\nwarmest = '26 C'\n"
    );
    let config = schedule::read_config(&schedule::Source::new("a.toml", text), &|_| true);
    Calendar::Local(Zone::of(&config.value.unwrap()))
}

#[test]
fn a_picture_is_whole_and_shows_what_happened() {
    let svg = batch(Calendar::Days, Show::default()).svg();
    assert!(svg.starts_with("<svg") && svg.ends_with("</svg>\n"));
    for text in [
        "a &lt;b&gt; &amp; &quot;c&quot;</title>",
        "<style>",
        "Gravity, SG",
        "Apparent attenuation, %",
        "Temperature, °C",
        "expected final",
        "primary: day 0.0 to day 4.2",
        "day 0.8, until day 0.9: It&#39;s &lt;hot&gt;",
        "Smells good.",
        "days since pitching",
        "Gravity went from 1.0480 SG to 1.0180 ± 0.0004 SG",
        "8.3 days, 1 sample, 1 alarm.",
    ] {
        assert!(svg.contains(text), "{text}");
    }
    assert!(!svg.contains("Day 4.") && !svg.contains(">surround<"));
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    // A file that a page may embed has no style and no script.
    let inline = batch(Calendar::Days, Show::default()).inline("one", Size::Narrow);
    assert!(!inline.contains("<style") && !inline.contains("style=") && !inline.contains("script"));
    assert!(inline.contains("aria-labelledby=\"one-title one-desc\""));
}

#[test]
fn it_is_drawn_in_the_units_and_by_the_clock_of_its_reader() {
    let show = Show { gravity: GravityUnit::Plato, temperature: TemperatureUnit::Fahrenheit };
    let svg = batch(zone("Europe/London"), show).svg();
    for text in ["Gravity, °P", "Temperature, °F", "2026, time in Europe/London", ">2 Mar</text>"]
    {
        assert!(svg.contains(text), "{text}");
    }
    assert!(svg.contains("2026-03-01 20:00 GMT, until 2026-03-01 22:00 GMT"));
}

#[test]
fn an_empty_picture_is_a_picture() {
    let empty = Chart::new("nothing", Show::default(), Calendar::Days, at(0.0));
    for svg in [empty.svg(), empty.inline("x", Size::Narrow)] {
        assert!(!svg.contains("NaN") && !svg.contains("inf") && svg.contains("not known"));
    }
}

#[test]
fn what_is_not_known_is_a_gap() {
    let lines = |chart: &Chart| chart.svg().matches("<path class=\"beer\"").count();
    let mut chart = batch(Calendar::Days, Show::default());
    assert_eq!(lines(&chart), 2);
    for point in &mut chart.course[100..140] {
        point.beer_c = None;
    }
    chart.course.drain(400..440);
    // The legend's, and three runs.
    assert_eq!(lines(&chart), 4);
}

#[test]
fn what_is_foretold_lies_ahead_of_now_and_leaves_room_for_the_past() {
    let mut chart = batch(Calendar::Days, Show::default());
    chart.runs = true;
    let ahead = |stage: &str, hours: f64| Ahead {
        stage: stage.to_owned(),
        leaves: Some(at(200.0 + hours)),
        earliest: Some(at(200.0 + hours * 0.5)),
        latest: Some(at(200.0 + hours * 1.5)),
    };
    chart.ahead = vec![ahead("rest", 24.0), ahead("cold", 900.0)];
    let svg = chart.svg();
    assert!(svg.contains("rest is expected to end day 9.3; 90 %: day 8.8 to day 9.8"));
    assert!(!svg.contains("cold is expected"), "it lies beyond the picture");
    assert!(svg.contains(">now</text>"));
}

#[test]
fn marks_of_time_stand_at_local_midnights_and_hours() {
    let marks = |zone_name: &str, from: &str, hours: i64, most: u32| {
        let from = Stamp::parse_rfc3339(from).unwrap();
        let marks = zone(zone_name).marks(from, from + Span::from_hours(hours), most);
        let told = |mark: axis::Mark| format!("{} {}", &mark.at.rfc3339()[5..16], mark.label);
        marks.into_iter().map(told).collect::<Vec<_>>()
    };
    // Summer time began in Berlin on 29 March 2026 (Directive 2000/84/EC: last Sunday of March).
    assert_eq!(
        marks("Europe/Berlin", "2026-03-27T10:00:00Z", 96, 5),
        ["03-27T23:00 28 Mar", "03-28T23:00 29 Mar", "03-29T22:00 30 Mar", "03-30T22:00 31 Mar"]
    );
    assert_eq!(
        marks("Europe/Berlin", "2026-03-28T21:30:00Z", 6, 6),
        [
            "03-28T22:00 23:00",
            "03-28T23:00 29 Mar",
            "03-29T00:00 01:00",
            "03-29T01:00 03:00",
            "03-29T02:00 04:00",
            "03-29T03:00 05:00"
        ]
    );
    // Two months by fortnights, each at a midnight 5 h 45 min before that of UTC.
    let far = marks("Asia/Kathmandu", "2026-03-01T00:00:00Z", 24 * 60, 5);
    assert_eq!((far.len(), far[0].as_str()), (5, "03-01T18:15 2 Mar"));
    let days = Calendar::Days.marks(at(0.0), at(24.0 * 60.0), 8);
    assert_eq!(days.last().unwrap().label, "60");
}

#[test]
fn sixty_days_are_drawn_with_no_more_than_the_eye_needs() {
    let mut chart = Chart::new("long", Show::default(), Calendar::Days, at(0.0));
    chart.extend((1..5760).map(|n| point(f64::from(n) * 0.25)));
    let svg = chart.svg();
    assert!(svg.len() < 150_000, "{} bytes", svg.len());
    assert!(Span::parse("60 d").is_ok_and(|span| chart.until.since(chart.from) <= span));
}

#[test]
fn a_part_of_a_batch_has_what_was_before_the_split() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("barmkeep.db");
    let (mut store, _) = crate::store::Store::open(&path, Span::from_hours(17_520)).unwrap();
    let of = |batch: &str, seq: u64, record: Record| Record {
        seq,
        batch: Some(batch.to_owned()),
        ..record
    };
    let pitched = json!({ "name": "Lager", "schedule": "Pale lager", "original_sg": 1.048 });
    let records = [
        of("north-1", 1, record(Kind::BatchPitched, 0.0, "", &pitched)),
        of("north-1", 2, record(Kind::StageEntered, 0.0, "", &json!({ "stage": "primary" }))),
        of("north-2", 3, record(Kind::BatchMoved, 50.0, "", &json!({ "parent": "north-1" }))),
        of("north-1", 4, record(Kind::BatchAdded, 60.0, "Not here.", &json!({}))),
        of("north-2", 5, record(Kind::StageEntered, 70.0, "", &json!({ "stage": "rest" }))),
    ];
    let now = engine::Now::same(at(80.0));
    store.take(now, &engine::Input::Tick, &records).unwrap();
    let twin = |n: u32| Point { batch: "north-2".to_owned(), ..point(f64::from(n)) };
    store.take_points((1..80).map(|n| point(f64::from(n))));
    store.take_points((51..80).map(twin));
    store.snapshot(now, 1, "state").unwrap();
    let history = store.history(now).unwrap();
    let setup = engine::Setup {
        show: Show::default(),
        vessels: std::collections::BTreeMap::new(),
        coolers: std::collections::BTreeMap::new(),
    };
    let chart = of_batch(&history, "north-2", &setup, Calendar::Days, &[], None);
    let chart = chart.unwrap().unwrap();
    assert_eq!((chart.title.as_str(), chart.from), ("north-2, Lager: Pale lager", at(0.0)));
    assert_eq!((chart.course.len(), chart.samples.len()), (78, 1));
    let batches: Vec<&str> = chart.course.iter().map(|point| point.batch.as_str()).collect();
    assert_eq!((batches[48], batches[49]), ("north-1", "north-2"));
    let names: Vec<&str> = chart.stages.iter().map(|stage| stage.name.as_str()).collect();
    assert_eq!(names, ["primary", "rest"]);
    assert!(chart.events.iter().all(|event| event.text != "Not here."));
}

#[test]
fn a_panel_of_which_nothing_is_known_has_no_marks() {
    let mut chart = Chart::new("a", Show::default(), Calendar::Days, at(0.0));
    chart.note(&record(Kind::StageEntered, 0.0, "", &json!({ "stage": "primary" })));
    let unknown = Point {
        sg: None,
        sg_sd: None,
        attenuation_percent: None,
        attenuation_sd: None,
        ..point(0.25)
    };
    chart.extend([unknown]);
    let svg = chart.svg();
    // Of the gravity and the attenuation; the beer's temperature is known.
    assert_eq!(svg.matches("nothing is known yet").count(), 2, "{svg}");
    let marks = |class: &str| svg.matches(&format!("class=\"{class}\"")).count();
    // The temperature's marks, and the feet of the two outputs.
    assert!((4..=9).contains(&marks("grid")), "{}", marks("grid"));
}
