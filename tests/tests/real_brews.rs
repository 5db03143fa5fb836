//! What the program says of real brews, sample by sample: tables to read.
//!
//! Two brews with their temperatures and ten without, hand samples of a craft brewery, March 2017
//! (camlf/academic-hub, commit d19f17fe81, Apache-2.0); and a batch whose fast sugar ends early
//! while a slow one goes on (paucablop/fermentools, commit 12299bd56e, MIT; doi 10.1002/bit.27586),
//! its sugars and ethanol turned into a gravity by the densities of their solutions. The data lies
//! beside the project; without it there is nothing to say.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::program::project;
use engine::{Command, CommandInput, Engine, Input, LoadedSchedule, Now, Reading, Setup, Values};
use quantity::{Show, Span, Stamp};
use schedule::Name;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::PathBuf;

const START: Stamp = Stamp::from_millis(1_490_000_000_000);

fn data(name: &str) -> Option<PathBuf> {
    let path = project().join("../shared/data").join(name);
    if path.is_file() {
        return Some(path);
    }
    println!("{} is not there: nothing was looked at", path.display());
    None
}

/// Rows by their column names; empty fields are `None`.
fn rows(path: &PathBuf) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().collect::<Result<_, _>>().unwrap()
}

fn number(row: &BTreeMap<String, String>, column: &str) -> Option<f64> {
    row[column].parse().ok()
}

/// A vessel with a beer in it that waits for half attenuation and for its end.
struct Brew {
    engine: Engine,
    vessel: Name,
    now: Stamp,
    table: String,
}

impl Brew {
    fn pitch(title: &str, original: &str, expected: &str) -> Self {
        let config = schedule::Source::new(
            "cellar.toml",
            "format = 1\nstore.file = 'unused.db'\n[vessel.north]\nvolume = '20 hL'\n\
             coldest = '-5 C'\nwarmest = '40 C'\n[vessel.north.beer]\ntopic = 'cellar/probe'\n\
             read = { unit = 'C' }\nevery = '5 min'\n",
        );
        let config = schedule::read_config(&config, &|_| true).value.unwrap();
        let text = format!(
            "format = 1\nname = 'Real brew'\n[expect]\noriginal_gravity = '{original}'\n\
             {expected}\n[limits]\n[[stage]]\nname = 'all'\ntarget = '18 C'\nuntil = {{ all = [\
             {{ attenuation = '50 %' }}, {{ stable = {{ within = '1 points', over = '48 h' }} }}, \
             {{ elapsed = '900 d' }} ] }}\n"
        );
        let checked = schedule::read_schedule(&schedule::Source::new("real.toml", text));
        let schedule = checked.value.map(Box::new).ok_or_else(|| "it is bad".to_owned());
        let vessels = config.vessels.into_iter();
        let vessels = vessels.map(|(name, v)| (name, engine::VesselSetup::new(v, BTreeMap::new())));
        let setup =
            Setup { show: Show::default(), vessels: vessels.collect(), coolers: BTreeMap::new() };
        let vessel = Name::parse("north").unwrap();
        let mut brew =
            Brew { engine: Engine::new(setup), vessel, now: START, table: format!("{title}\n") };
        let loaded = LoadedSchedule { name: "real".to_owned(), schedule };
        brew.command(
            "pitch",
            &[("schedule", "real"), ("original_gravity", original)],
            Some(loaded),
        );
        brew
    }

    fn command(&mut self, name: &str, fields: &[(&str, &str)], schedule: Option<LoadedSchedule>) {
        let fields = fields.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
        let command = Command::from_fields(name, &fields).unwrap();
        let input = CommandInput {
            vessel: self.vessel.clone(),
            id: None,
            by: None,
            command: Ok(command),
            schedule,
            calibration: None,
            history: Vec::new(),
        };
        let effects = self.engine.handle(Now::same(self.now), Input::from(input));
        let refused = effects.iter().any(|effect| {
            matches!(effect, engine::Effect::Record(r) if r.kind == engine::Kind::CommandRefused)
        });
        assert!(!refused, "{effects:?}");
    }

    fn pass(&mut self, hours: f64) {
        let at = START + Span::from_hours_f64(hours);
        while self.now < at {
            self.now = (self.now + Span::from_mins(5)).min(at);
            self.engine.handle(Now::same(self.now), Input::Tick);
        }
    }

    fn temperature(&mut self, celsius: f64) {
        let values = Values { temperature_c: Some(celsius), ..Values::default() };
        let (vessel, source) = (self.vessel.clone(), "beer".to_owned());
        let reading = Reading { vessel, source, taken: None, retained: false, values };
        self.engine.handle(Now::same(self.now), Input::Reading(reading));
    }

    fn sample(&mut self, gravity: &str) {
        self.command("sample", &[("gravity", gravity)], None);
        let state = self.engine.view(&self.vessel).unwrap();
        let hours = self.now.since(START).hours();
        let believed = state.gravity.as_ref().map_or_else(
            || "nothing yet".to_owned(),
            |g| format!("{:.2} P, {:+.1} points/d", g.plato, g.rate_points_per_day.unwrap_or(0.0)),
        );
        let said = |index: usize| {
            let wait = &state.waits_for[index];
            format!("{} ({})", wait.answer, wait.now)
        };
        writeln!(
            self.table,
            "{hours:6.1} h  {gravity:<8} believed {believed}; half: {}; end: {}",
            said(0),
            said(1)
        )
        .unwrap();
        for alarm in state.alarms.iter().filter(|alarm| alarm.id == "stalled") {
            writeln!(self.table, "          {}", alarm.text).unwrap();
        }
    }
}

fn plato(plato: f64) -> String {
    format!("{plato:.2} P")
}

#[test]
fn two_brews_with_their_temperatures() {
    let mut tables = String::new();
    for (name, original) in [("a", "13.5155 P"), ("b", "14.6819 P")] {
        let Some(path) = data(&format!("industrial-brew-{name}.csv")) else { return };
        let mut brew = Brew::pitch(&format!("Brew {name}"), original, "attenuation = '80 %'");
        let mut began = None;
        for row in rows(&path) {
            let at = Stamp::parse_rfc3339(&row["time"]).unwrap();
            let hours = at.since(*began.get_or_insert(at)).hours();
            brew.pass(hours);
            if let Some(fahrenheit) = number(&row, "temperature_f") {
                brew.temperature((fahrenheit - 32.0) / 1.8);
            }
            if let Some(extract) = number(&row, "gravity_plato") {
                brew.sample(&plato(extract));
            }
        }
        tables += &brew.table;
    }
    insta::assert_snapshot!(tables);
}

#[test]
fn ten_brews_of_hand_samples() {
    let Some(path) = data("industrial-hand-readings.csv") else { return };
    let mut brews: Vec<(String, Brew)> = Vec::new();
    for row in rows(&path) {
        let name = row["unique_brew"].clone();
        let Some(hours) = number(&row, "hours") else { continue };
        let Some(extract) = number(&row, "apparent_extract_plato") else { continue };
        if brews.last().is_none_or(|(last, _)| *last != name) {
            let original = plato(number(&row, "original_extract_plato").unwrap());
            let title = format!("Brew {name}, {original}");
            brews.push((name, Brew::pitch(&title, &original, "attenuation = '80 %'")));
        }
        let (_, brew) = brews.last_mut().unwrap();
        brew.pass(hours);
        brew.sample(&plato(extract));
    }
    assert_eq!(brews.len(), 10);
    let tables: String = brews.into_iter().map(|(_, brew)| brew.table).collect();
    insta::assert_snapshot!(tables);
}

/// The fast sugar is gone after about half a day; the slow one takes days.
#[test]
fn a_slow_second_sugar_is_no_end() {
    let Some(path) = data("ethanol-slow-tail.csv") else { return };
    let gravity = |row: &BTreeMap<String, String>| {
        let of = |columns: &[&str]| columns.iter().filter_map(|c| number(row, c)).sum::<f64>();
        let (sugar, ethanol) = (of(&["glucose", "xylose"]), of(&["ethanol"]));
        let water = brewing::density::water_kg_per_m3(20.0);
        // In kg/m³: what each adds to water, for so much of it in a kilogram of solution.
        let with_sugar = brewing::density::sucrose_solution_kg_per_m3(sugar / 1000.0, 20.0);
        let with_ethanol = brewing::density::ethanol_water_kg_per_m3(ethanol / 1000.0, 20.0);
        (with_sugar + with_ethanol - water) / water
    };
    let all = rows(&path);
    let sg = |row| format!("{:.4} SG", gravity(row));
    let last = all.iter().rev().find(|row| number(row, "ethanol").is_some()).unwrap();
    let expected = format!("final_gravity = '{}'", sg(last));
    let mut brew = Brew::pitch("Two sugars", &sg(&all[0]), &expected);
    for row in all.iter().filter(|row| number(row, "ethanol").is_some()) {
        brew.pass(number(row, "time").unwrap());
        if brew.now > START {
            brew.sample(&sg(row));
        }
    }
    insta::assert_snapshot!(brew.table);
}
