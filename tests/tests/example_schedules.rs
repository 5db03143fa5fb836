//! The schedules that a user copies: each fits the vessels that the table says, and is rehearsed to
//! its end, in the order that a brewer expects.

use barmkeep_tests::program::{barmkeep, project};
use quantity::{Quantity, Span, Stamp};
use schedule::Source;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Each is rehearsed with all of these.
const SEEDS: [&str; 3] = ["1", "2", "3"];
/// The half year takes long; what chance does to it shows in shorter ones too.
const LONG: &str = "mixed-long-ageing";

/// A row of the table in `config-examples/README.md`.
struct Row {
    schedule: String,
    about: Span,
    vessels: Vec<String>,
}

fn examples() -> PathBuf {
    project().join("config-examples")
}

fn text(name: &str) -> String {
    let path = examples().join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn table() -> Vec<Row> {
    let rows = text("README.md");
    let rows = rows.lines().filter_map(|line| line.strip_prefix("| `")).filter_map(|line| {
        let cells: Vec<&str> = line.trim_end_matches('|').split('|').map(str::trim).collect();
        let [schedule, _, about, vessels] = cells[..] else { return None };
        Some(Row {
            schedule: schedule.trim_end_matches('`').to_owned(),
            about: Span::parse(about).expect("a time span"),
            vessels: vessels.split(", ").map(str::to_owned).collect(),
        })
    });
    rows.collect()
}

#[test]
fn the_table_has_every_schedule_with_the_vessels_that_it_fits() {
    let source = Source::new("cellar.toml", text("cellar.toml"));
    let config = schedule::read_config(&source, &|_| true).value.expect("it is clean");
    let mut listed: Vec<String> = table().into_iter().map(|row| row.schedule).collect();
    listed.sort();
    let entries = std::fs::read_dir(examples().join("schedules")).expect("a folder");
    let name = |entry: std::io::Result<std::fs::DirEntry>| {
        let path = entry.expect("an entry").path();
        path.file_stem().expect("a name").to_string_lossy().into_owned()
    };
    let mut there: Vec<String> = entries.map(name).collect();
    there.sort();
    assert_eq!(listed, there);
    assert!(there.len() >= 11, "{there:?}");
    for row in table() {
        let file = format!("schedules/{}.toml", row.schedule);
        let source = Source::new(file.clone(), text(&file));
        let alone = schedule::read_schedule(&source).problems;
        assert!(alone.is_empty(), "{}", schedule::render(&alone, &source, false));
        let fits: Vec<String> = config
            .vessels
            .iter()
            .filter(|(_, vessel)| schedule::read_schedule_for(&source, vessel).problems.is_empty())
            .map(|(name, _)| name.to_string())
            .collect();
        let mut said = row.vessels.clone();
        said.sort();
        assert_eq!(fits, said, "{}", row.schedule);
    }
}

/// What a comment gives as the reason of a figure is a source, or says that there is none.
#[test]
fn every_temperature_has_its_source_beside_it() {
    for row in table() {
        let text = text(&format!("schedules/{}.toml", row.schedule));
        let paragraphs: Vec<&str> = text.split("\n\n").collect();
        for paragraph in paragraphs.iter().filter(|text| text.contains("[[stage]]")) {
            let known = ["no source", "as quoted", "BJCP", "J. ASBC", "from memory", "above"];
            let sourced = known.iter().any(|word| paragraph.contains(word));
            let repeats = earlier_target(&text, paragraph);
            assert!(sourced || repeats, "{}: {paragraph}", row.schedule);
        }
    }
}

/// Whether a stage goes where one before it went, with the source there.
fn earlier_target(text: &str, paragraph: &str) -> bool {
    let target =
        paragraph.lines().find_map(|line| line.split_once("\" C").or(line.split_once("C\"")));
    let before = text.split(paragraph).next().unwrap_or_default();
    target.is_some_and(|(target, _)| {
        let degrees = target.rsplit('"').next().unwrap_or_default().trim();
        !degrees.is_empty() && before.contains(&format!("\"{degrees} C\""))
    })
}

/// A rehearsal, read.
struct Rehearsed {
    records: Vec<Value>,
    summary: Value,
}

fn rehearse(schedule: &str, seed: &str) -> Rehearsed {
    let path = examples().join(format!("schedules/{schedule}.toml")).display().to_string();
    // The half year is told as well by fewer readings.
    let every = if schedule == LONG { "1 h" } else { "15 min" };
    let arguments = ["rehearse", &path, "--json", "--seed", seed, "--every", every];
    let said = barmkeep(&arguments).with(0);
    let mut records = said.objects();
    let summary = records.pop().expect("a summary");
    Rehearsed { records, summary }
}

impl Rehearsed {
    fn of(&self, kind: &str) -> impl Iterator<Item = &Value> {
        self.records.iter().filter(move |record| record["kind"] == kind)
    }

    /// The stages, in the order in which they were left, with why.
    fn stages(&self) -> Vec<(String, String)> {
        let stages = self.summary["stages"].as_array().expect("stages");
        let text = |value: &Value| value.as_str().expect("a text").to_owned();
        stages.iter().map(|stage| (text(&stage["name"]), text(&stage["because"]))).collect()
    }

    fn length(&self) -> Span {
        let at = |record: &Value| {
            Stamp::parse_rfc3339(record["at"].as_str().expect("a time")).expect("RFC 3339")
        };
        let end = self.of("batch.completed").next().expect("an end");
        at(end).since(at(&self.records[0]))
    }
}

/// The stages of a schedule in order, each with a word of the reason that a brewer expects.
type Course = (&'static str, Vec<(&'static str, &'static str)>);

/// What ends each stage of each schedule.
fn expected() -> BTreeMap<&'static str, Vec<(&'static str, &'static str)>> {
    ales().into_iter().chain(slow_ones()).collect()
}

fn ales() -> Vec<Course> {
    let stable = "gravity is stable";
    vec![
        ("one-stage-cold-crash", vec![("fermentation", stable), ("cold crash", "at its target")]),
        (
            "pale-ale-dry-hopped",
            vec![
                ("primary", "progress"),
                ("finish", stable),
                ("dry hops", "a person confirmed"),
                ("cold crash", "at its target"),
            ],
        ),
        (
            "wheat-beer",
            vec![
                ("start", "progress"),
                ("main fermentation", "progress"),
                ("ripening", stable),
                ("cool", "at its target"),
            ],
        ),
        ("stout", vec![("primary", "progress"), ("warm finish", stable), ("cellar", "10 d")]),
        (
            "farmhouse-free-rise",
            vec![
                ("start", "gravity fallen"),
                ("free rise", "progress"),
                ("keep warm", stable),
                ("cool", "a person confirmed"),
            ],
        ),
        (
            "belgian-strong-rise",
            vec![
                ("start", "progress"),
                ("rise", "of the expected final one"),
                ("finish", stable),
                ("cold rest", "21 d"),
            ],
        ),
        (
            "norwegian-hot",
            vec![("hot", "of the expected final one"), ("finish hot", "a person confirmed")],
        ),
    ]
}

fn slow_ones() -> Vec<Course> {
    let stable = "gravity is stable";
    vec![
        ("mixed-long-ageing", vec![("first fermentation", "slowly"), ("ageing", "180 d")]),
        (
            "pale-lager-quick",
            vec![
                ("primary", "attenuation"),
                ("warm finish", "of the expected final one"),
                ("diacetyl rest", stable),
                ("cool to 5", "at its target"),
                ("cool to 1", "at its target"),
                ("lagering", "28 d"),
            ],
        ),
        (
            "pale-lager-at-once",
            vec![
                ("primary", "attenuation"),
                ("warm finish", "of the expected final one"),
                ("diacetyl rest", stable),
                ("lagering", "21 d"),
            ],
        ),
        (
            "pale-lager-traditional",
            vec![
                ("start", "gravity fallen"),
                ("primary", "progress"),
                ("cool slowly", "at its target"),
                ("after-fermentation", stable),
                ("lagering", "42 d"),
            ],
        ),
        (
            "strong-lager",
            vec![
                ("primary", "progress"),
                ("warm finish", "of the expected final one"),
                ("diacetyl rest", "a person confirmed"),
                ("cool down", "at its target"),
                ("lagering", "56 d"),
            ],
        ),
    ]
}

/// Rehearses one with every seed and holds it to what is expected.
fn check(schedule: &str) {
    let row = table().into_iter().find(|row| row.schedule == schedule).expect("a row");
    let expected = &expected()[schedule];
    let seeds = match row.about.days() {
        _ if schedule == LONG => &SEEDS[..1],
        days if days > 40.0 => &SEEDS[..2],
        _ => &SEEDS[..],
    };
    for seed in seeds {
        let it = rehearse(schedule, seed);
        let place = format!("{schedule}, seed {seed}");
        assert_eq!(it.summary["run"], "complete", "{place}");
        let stages = it.stages();
        assert_eq!(stages.len(), expected.len(), "{place}: {stages:?}");
        for ((name, because), (known, word)) in stages.iter().zip(expected) {
            assert_eq!(name, known, "{place}");
            assert!(because.contains(word), "{place}, {name}: {because}");
        }
        let alarms: Vec<&Value> = it.of("alarm.raised").map(|record| &record["text"]).collect();
        assert!(alarms.is_empty(), "{place}: a healthy batch in a vessel that suits: {alarms:?}");
        nothing_is_cooled_before_it_is_done(&it, &place);
        let (days, about) = (it.length().days(), row.about.days());
        assert!((days / about).ln().abs() < (4.0_f64 / 3.0).ln(), "{place}: {days:.1} d");
        let control = &it.summary["control"];
        assert!(control["rms_c"].as_f64().is_some_and(|rms| rms < 0.3), "{place}: {control}");
    }
}

/// Below 8 °C the setpoint begins to go only once the end is shown: the traditional lager is
/// the one that is cooled while it works, and says so.
fn nothing_is_cooled_before_it_is_done(it: &Rehearsed, place: &str) {
    if place.contains("traditional") {
        return;
    }
    let cold = it.of("setpoint.moved").find(|record| {
        record["data"]["to_c"].as_f64().is_some_and(|to| to < 8.0)
            || record["data"]["target_c"].as_f64().is_some_and(|to| to < 8.0)
    });
    let Some(cold) = cold.and_then(|record| record["seq"].as_u64()) else { return };
    let shown = it.of("stage.left").find(|record| {
        record["text"].as_str().is_some_and(|text| text.contains("gravity is stable"))
    });
    let shown = shown.and_then(|record| record["seq"].as_u64());
    assert!(shown.is_some_and(|shown| shown < cold), "{place}: cooled before it was stable");
}

macro_rules! rehearsals {
    ($($test:ident: $schedule:literal,)*) => {
        $(#[test] fn $test() { check($schedule); })*

        #[test]
        fn every_schedule_is_rehearsed() {
            let mut rehearsed = vec![$($schedule,)*];
            rehearsed.sort_unstable();
            let known: Vec<&str> = expected().into_keys().collect();
            assert_eq!(rehearsed, known);
            let mut listed: Vec<String> = table().into_iter().map(|row| row.schedule).collect();
            listed.sort();
            assert_eq!(listed, known);
        }
    };
}

rehearsals! {
    a_strong_golden_ale_is_warmed_as_it_works: "belgian-strong-rise",
    a_farmhouse_ale_rises_by_itself: "farmhouse-free-rise",
    a_mixed_fermentation_ages_for_half_a_year: "mixed-long-ageing",
    a_norwegian_yeast_ferments_hot: "norwegian-hot",
    an_ale_ferments_and_is_crashed: "one-stage-cold-crash",
    a_pale_ale_is_looked_at_again_after_its_hops: "pale-ale-dry-hopped",
    a_lager_goes_down_at_once: "pale-lager-at-once",
    a_lager_is_warmed_by_what_it_does: "pale-lager-quick",
    a_lager_stays_cold: "pale-lager-traditional",
    a_stout_ends_warm_and_rests_in_the_cellar: "stout",
    a_strong_lager_rests_for_eight_weeks: "strong-lager",
    a_wheat_beer_is_not_crashed: "wheat-beer",
}
