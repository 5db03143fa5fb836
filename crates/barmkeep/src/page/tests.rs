//! Pages as they are made, without a browser; `tests/tests/page.rs` has the browser.

use super::site::{Log, Trouble, Where};
use super::*;
use crate::store::Store;
use engine::{
    Command, CommandInput, Effect, Input, LoadedSchedule, Now, RawGravity, Reading, Values,
};
use quantity::{Quantity, Span, Stamp};
use std::path::Path;

const BEGIN: i64 = 1_772_323_200_000;

const CONFIG: &str = r#"
format = 1
[show]
time_zone = "Europe/London"
[store]
file = "barmkeep.db"
[page]
listen = "127.0.0.1:0"
[vessel.north]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
[vessel.north.gravity.float]
topic = "cellar/float/1"
read = { at = "/sg", unit = "SG" }
every = "15 min"
[vessel.north.beer]
topic = "cellar/probe/1"
read = { unit = "C" }
every = "60 s"
[vessel.north.heater]
power = "40 W"
runs_out = "5 min"
[vessel.north.chiller]
runs_out = "5 min"
[vessel.south]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
"#;

const SCHEDULE: &str = r#"
format = 1
name = "Pale <b>ale</b> & more"
[expect]
original_gravity = "1.048 SG"
final_gravity = "1.012 SG"
[limits]
coldest = "1 C"
warmest = "25 C"
ramp_up = "1 C/h"
ramp_down = "0.5 C/h"
[[stage]]
name = "primary"
target = "18 C"
until = { gravity = "1.020 SG" }
at_most = { time = "20 d", then = "alarm" }
[[stage]]
name = "rest"
target = "20 C"
until = { confirm = "It tastes <clean>" }
at_most = { time = "20 d", then = "alarm" }
"#;

/// A cellar in which a batch has gone on for some hours, in a store and in memory.
struct Cellared {
    _folder: tempfile::TempDir,
    site: Site,
    present: Present,
}

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

fn reading(source: &str, values: Values) -> Input {
    let (vessel, source) = (name("north"), source.to_owned());
    Input::Reading(Reading { vessel, source, taken: None, retained: false, values })
}

fn pitch() -> Input {
    let schedule = schedule::read_schedule(&schedule::Source::new("ale.toml", SCHEDULE));
    let fields = [("schedule", "ale"), ("name", "<i>First</i>"), ("original_gravity", "1.048 SG")];
    let fields = fields.map(|(key, value)| (key.to_owned(), value.to_owned())).into();
    Input::from(CommandInput {
        vessel: name("north"),
        id: None,
        by: None,
        command: Command::from_fields("pitch", &fields).map_err(|error| error.to_string()),
        schedule: Some(LoadedSchedule {
            name: "ale".to_owned(),
            schedule: Ok(Box::new(schedule.value.unwrap())),
        }),
        calibration: None,
        history: Vec::new(),
    })
}

fn cellared(hours: i64) -> Cellared {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("barmkeep.toml");
    std::fs::write(&file, CONFIG).unwrap();
    let cellar = Cellar::read(&file).unwrap();
    let path = folder.path().join("barmkeep.db");
    let (mut store, _) = Store::open(&path, Span::parse("730 d").unwrap()).unwrap();
    let mut engine = Engine::new(cellar.setup());
    let mut give = |minute: i64, input: Input| {
        let now = Now::same(Stamp::from_millis(BEGIN + minute * 60_000));
        let mut records = Vec::new();
        for effect in engine.handle(now, input.clone()) {
            match effect {
                Effect::Record(record) => records.push(record),
                Effect::Point(point) => store.take_points([point]),
                _ => {}
            }
        }
        store.take(now, &input, &records).unwrap();
        if minute % 240 == 0 {
            store.snapshot(now, 1, "state").unwrap();
        }
    };
    for minute in 0..hours * 60 {
        let wobble = if minute % 2 == 0 { 0.02 } else { 0.0 };
        let celsius = Values { temperature_c: Some(18.0 + wobble), ..Values::default() };
        give(minute, reading("beer", celsius));
        if minute == 1 {
            give(minute, pitch());
        }
        if minute % 15 == 0 {
            let sg = 1.048 - 1e-6 * minute as f64 + 1e-4 * (minute as f64).sin();
            let gravity = Some(RawGravity::Sg(sg));
            let values = Values { gravity, battery_percent: Some(12.0), ..Values::default() };
            give(minute, reading("float", values));
        }
        give(minute, Input::Tick);
    }
    store.flush(Now::same(Stamp::from_millis(BEGIN + hours * 3_600_000))).unwrap();
    let present = Present::of(&engine, store.points_waiting(), store.seq_on_disk());
    let (_, receiver) = watch::channel(Arc::new(present.clone()));
    let site = Site::new(&cellar, path, receiver);
    Cellared { _folder: folder, site, present }
}

fn html(cellared: &Cellared, place: &Where) -> String {
    let shown = cellared.site.show(place, &cellared.present, true).unwrap();
    frame::page(&shown).into_string()
}

fn vessel(name: &str) -> Where {
    Where::Vessel(name.to_owned(), Log::default())
}

#[test]
fn each_place_shows_what_is_known_and_no_text_becomes_markup() {
    let cellared = cellared(30);
    let batch = Where::Batch("north-1".to_owned(), Log::default());
    for (place, texts) in [
        (Where::Cellar, &["north", "south", "running", "idle", "Stage 1 of 2", "18.0 °C"][..]),
        (
            vessel("north"),
            &[
                "What primary waits for",
                "float",
                "12 %",
                "battery-low",
                "barmkeep acknowledge north --alarm battery-low",
                "Apparent attenuation, %",
                "Stage 1 of 2, primary, began",
                "data-live=\"/live/vessel/north\"",
                "http-equiv=\"refresh\"",
            ],
        ),
        (vessel("south"), &["no batch is under way", "None is configured."]),
        (Where::Batches, &["north-1", "under way in north"]),
        (batch, &["Stages", "Samples", "under way", "1.0480 ± 0.0010 SG"]),
    ] {
        let html = html(&cellared, &place);
        for text in texts {
            assert!(html.contains(text), "{place:?} has no `{text}`:\n{html}");
        }
        for markup in ["<b>ale", "<i>First", "<clean>"] {
            assert!(!html.contains(markup), "{place:?} has {markup}");
        }
        // No style and no script but the two files, as the policy demands.
        assert!(!html.contains(" style=") && !html.contains("<style"), "{place:?}");
        assert_eq!(
            html.matches("<script").count(),
            html.matches("<script src=\"/live.js\"").count()
        );
    }
}

#[test]
fn what_is_not_there_is_told() {
    let cellared = cellared(1);
    for place in [vessel("east"), Where::Batch("north-9".to_owned(), Log::default())] {
        let shown = cellared.site.show(&place, &cellared.present, true);
        assert!(matches!(shown, Err(Trouble::Nothing(_))), "{place:?}");
    }
}

#[test]
fn the_chart_has_what_the_store_and_the_memory_have() {
    let cellared = cellared(30);
    let reader = cellared.site.reader().unwrap();
    let state = &cellared.present.vessels["north"];
    let calendar = crate::chart::Calendar::Days;
    let chart = |recent: &[Point], present| {
        let setup = &cellared.site.setup;
        let history = reader.history();
        crate::chart::of_batch(&history, "north-1", setup, calendar.clone(), recent, present)
            .unwrap()
            .unwrap()
    };
    let (stored, whole) = (chart(&[], None), chart(&cellared.present.points, Some(state)));
    // Snapshots were at whole four hours; the last one at 28 h.
    assert_eq!((stored.course.len(), stored.runs), (28 * 4, false));
    assert_eq!((whole.course.len(), whole.runs), (30 * 4, true));
    assert_eq!(whole.readings.len(), 30 * 4 - 1);
    assert_eq!(whole.stages.len(), 1);
    assert_eq!(whole.expected_final, Some(1.012));
    assert!(whole.course.windows(2).all(|pair| pair[0].at < pair[1].at));
}

#[test]
fn a_log_is_read_in_pages_from_the_newest_on() {
    let cellared = cellared(30);
    let all = html(&cellared, &Where::Vessel("north".to_owned(), Log { before: None, all: true }));
    let few = html(&cellared, &vessel("north"));
    assert!(all.contains("command.accepted") && !few.contains("command.accepted"));
    let first = Log { before: Some(3), all: true };
    let oldest = html(&cellared, &Where::Vessel("north".to_owned(), first));
    assert_eq!(oldest.matches("class=\"said\"").count(), 2);
    assert!(oldest.contains("Newest") && !oldest.contains("data-live"));
}

#[test]
fn metrics_end_as_the_standard_asks_and_leave_out_what_is_unknown() {
    let cellared = cellared(30);
    let text = metrics(&cellared.present);
    for line in [
        "# TYPE barmkeep_beer_temperature_celsius gauge",
        "# UNIT barmkeep_beer_temperature_celsius celsius",
        "barmkeep_run{vessel=\"north\",run=\"running\"} 1.0",
        "barmkeep_run{vessel=\"south\",run=\"idle\"} 1.0",
        "barmkeep_alarm{vessel=\"north\",alarm=\"battery-low\",priority=\"low\"} 1.0",
        "barmkeep_source_battery_ratio{vessel=\"north\",source=\"float\"} 0.12",
        "barmkeep_output_on{vessel=\"north\",output=\"heater\"} 0.0",
        "barmkeep_output_energy_joules_total{vessel=\"north\",output=\"heater\",",
    ] {
        assert!(text.contains(line), "no `{line}` in\n{text}");
    }
    assert!(text.contains("barmkeep_beer_temperature_celsius{vessel=\"north\"} 18"));
    assert!(!text.contains("barmkeep_beer_temperature_celsius{vessel=\"south\"}"), "{text}");
    assert!(text.ends_with("# EOF\n"));
    assert!(metrics(&Present::default()).ends_with("# EOF\n"));
}

#[tokio::test]
async fn a_page_without_a_place_to_listen_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let cellar = |listen: &str| {
        let file = folder.path().join("barmkeep.toml");
        std::fs::write(&file, CONFIG.replace("127.0.0.1:0", listen)).unwrap();
        Cellar::read(Path::new(&file)).unwrap()
    };
    let page = Page::start(&cellar("127.0.0.1:0")).await.unwrap().unwrap();
    let taken = page.address().to_string();
    let failure = Page::start(&cellar(&taken)).await.unwrap_err();
    assert_eq!(failure.status, Status::Unavailable);
    assert!(failure.to_string().contains(&taken), "{failure}");
}

/// W3C, Web Content Accessibility Guidelines 2.2, success criteria 1.4.3 (text: 4.5) and 1.4.11
/// (what else is needed to understand: 3).
#[test]
fn texts_stand_out_from_what_is_behind_them_in_light_and_in_dark() {
    fn luminance(colour: &str) -> f64 {
        let part = |at: usize| {
            let share = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    }
    let style = include_str!("style.css");
    let schemes: Vec<&str> = style.split(":root {").skip(1).take(2).collect();
    assert!(schemes[1].contains("#171510"), "the second is the dark one");
    for scheme in schemes {
        let colour = |name: &str| {
            let (_, rest) = scheme.split_once(&format!("--{name}: ")).unwrap();
            luminance(&rest[..7])
        };
        for (text, behind, least) in [
            ("ink", "paper", 4.5),
            ("ink", "soft", 4.5),
            ("quiet", "paper", 4.5),
            ("quiet", "soft", 4.5),
            ("link", "paper", 4.5),
            ("link", "soft", 4.5),
            ("alarm", "alarm-paper", 4.5),
            ("alarm", "paper", 4.5),
            ("alarm", "soft", 4.5),
            ("ink", "alarm-paper", 4.5),
            ("quiet", "alarm-paper", 4.5),
            ("on", "paper", 3.0),
            ("on", "soft", 3.0),
        ] {
            let (one, other) = (colour(text), colour(behind));
            let contrast = (one.max(other) + 0.05) / (one.min(other) + 0.05);
            assert!(contrast >= least, "{text} on {behind}: {contrast:.2}");
        }
    }
}
