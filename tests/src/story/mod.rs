//! Stories: a cellar's diary, told to the real `barmkeep pipe` while a simulated beer does what it
//! does.
//!
//! A [`Story`] has places (beer, vessel and devices of the crate `plant`) and a running program.
//! Its days pass minute by minute: devices speak to the program, and what the program switches acts
//! on the places. Between the days a brewer acts on both: [`Story::tell`] is a command, the rest
//! is what hands do. What the program should have said by then is asked with [`Story::saw`].

mod place;

pub use place::{Place, float, parsed};

use crate::broker::folder;
use crate::program::{Process, command};
use place::Live;
use plant::float::FloatSetup;
use quantity::{Span, Stamp, Volume};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::process::{ChildStdin, ChildStdout, Stdio};
use tempfile::TempDir;

/// 2026-03-01T08:00:00Z: a Sunday morning.
const BEGINS_MILLIS: i64 = 1_772_352_000_000;
/// A cooler's liquid, J/K: some 20 L of it.
const COOLER_J_PER_K: f64 = 80_000.0;

/// A cellar's diary.
pub struct Story {
    _process: Process,
    _folder: TempDir,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
    errors: std::path::PathBuf,
    now: Span,
    places: BTreeMap<String, Live>,
    coolers: BTreeMap<String, Cooler>,
    records: Vec<Value>,
    /// Records before this one were looked at.
    looked: usize,
    done: Value,
}

/// A shared source of cold.
struct Cooler {
    celsius: f64,
    watts: f64,
}

/// A vessel as the stories have it: 23 L, a float, a probe, a heater and a chiller.
pub fn usual_vessel(name: &str) -> String {
    format!(
        r#"
[vessel.{name}]
volume  = "23 L"
coldest = "0 C"
warmest = "26 C"

[vessel.{name}.gravity.float]
topic       = "cellar/{name}/float"
read        = {{ at = "/sg", unit = "SG" }}
temperature = {{ at = "/temp", unit = "C" }}
battery     = {{ at = "/battery", unit = "%" }}
every       = "15 min"

[vessel.{name}.beer]
topic = "cellar/{name}/probe"
read  = {{ unit = "C" }}
every = "60 s"

[vessel.{name}.heater]
runs_out = "5 min"

[vessel.{name}.chiller]
runs_out = "5 min"
"#
    )
}

impl Story {
    /// Begins a story: `vessels` is the configuration from its first `[vessel…]` on, schedules are
    /// `(file's name, text)`, places are `(vessel, what stands there)`.
    ///
    /// # Panics
    /// Where the program does not start, as everywhere here where something goes otherwise than
    /// told.
    pub fn begin(vessels: &str, schedules: &[(&str, &str)], places: Vec<(&str, Place)>) -> Self {
        let folder = folder();
        let write = |name: &str, text: &str| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).expect("a story's files can be written");
            path
        };
        std::fs::create_dir_all(folder.path().join("schedules")).expect("a folder can be made");
        for (name, text) in schedules {
            write(&format!("schedules/{name}.toml"), text);
        }
        let head =
            "format = 1\n\n[link]\nbroker = \"mqtt://127.0.0.1:9\"\n\n[store]\nfile = \"b.db\"\n";
        let config = write("barmkeep.toml", &format!("{head}{vessels}"));
        let errors = folder.path().join("errors");
        let file = std::fs::File::create(&errors).expect("a file can be made");
        let mut child = command(&["pipe", &config.display().to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(file)
            .spawn()
            .expect("the program starts");
        let input = child.stdin.take().expect("its input is piped");
        let output = BufReader::new(child.stdout.take().expect("its output is piped"));
        let places = places.into_iter().enumerate();
        let places = places
            .map(|(k, (name, place))| (name.to_owned(), Live::new(1 + k as u64, place)))
            .collect();
        let mut story = Story {
            _process: Process::new(child),
            _folder: folder,
            input,
            output,
            errors,
            now: Span::ZERO,
            places,
            coolers: BTreeMap::new(),
            records: Vec::new(),
            looked: 0,
            done: Value::Null,
        };
        // The devices are there before the brewer is.
        story.minute();
        story.minute();
        story
    }

    /// A cooler stands there, with so much power in W: valves of places that are on it take its
    /// cold.
    pub fn cooler(&mut self, name: &str, watts: f64) -> &mut Self {
        self.coolers.insert(name.to_owned(), Cooler { celsius: 0.0, watts });
        self
    }

    // What time does.

    /// Goes on to this day of the story (days since its beginning, with fractions).
    #[track_caller]
    pub fn day(&mut self, day: f64) -> &mut Self {
        let until = Span::from_hours_f64(day * 24.0);
        assert!(until >= self.now, "day {day} lies behind day {:.2}", self.today());
        while self.now < until {
            self.minute();
        }
        self
    }

    /// Goes on for so many hours.
    #[track_caller]
    pub fn hours(&mut self, hours: f64) -> &mut Self {
        self.day(self.today() + hours / 24.0)
    }

    /// Goes on until such a record comes, at most so many days, and gives it.
    #[track_caller]
    pub fn await_record(&mut self, days: f64, kind: &str, words: &str) -> Value {
        let until = self.now + Span::from_hours_f64(days * 24.0);
        loop {
            if let Some(record) = self.found(kind, words) {
                return record;
            }
            if self.now >= until {
                self.fail(&format!("`{kind}` with \"{words}\" did not come in {days} days"));
            }
            self.minute();
        }
    }

    // What the brewer tells the program.

    /// Gives a command that is accepted.
    #[track_caller]
    pub fn tell(&mut self, vessel: &str, command: Value) -> &mut Self {
        let (from, said) = (self.records.len(), command.to_string());
        self.command(vessel, command);
        let refused = self.records[from..].iter().find(|r| r["kind"] == "command.refused");
        if let Some(refused) = refused {
            let text = refused["text"].clone();
            self.fail(&format!("{said}: {text}"));
        }
        let accepted = self.records[from..].iter().any(|r| r["kind"] == "command.accepted");
        if !accepted {
            self.fail(&format!("{said} got no answer"));
        }
        self
    }

    /// Gives a command that is refused for a reason with these words.
    #[track_caller]
    pub fn refused(&mut self, vessel: &str, command: Value, words: &str) -> &mut Self {
        let (from, said) = (self.records.len(), command.to_string());
        self.command(vessel, command);
        let refused = self.records[from..].iter().find(|r| r["kind"] == "command.refused");
        let reason = refused.and_then(|r| r["data"]["reason"].as_str()).map(str::to_owned);
        match reason {
            Some(reason) if reason.contains(words) => self,
            reason => self.fail(&format!("{said}: not refused with \"{words}\": {reason:?}")),
        }
    }

    /// Gives a command again, as a broker may: whatever comes of it.
    #[track_caller]
    pub fn command_again(&mut self, vessel: &str, command: Value) -> &mut Self {
        self.command(vessel, command);
        self
    }

    // What hands do in the cellar.

    /// The yeast goes into the wort.
    #[track_caller]
    pub fn yeast(&mut self, vessel: &str) -> &mut Self {
        self.act(vessel, "there is nothing to ferment", Live::pitch)
    }

    /// Sugar that ferments wholly goes into the beer (`"500 g"`).
    #[track_caller]
    pub fn sugar(&mut self, vessel: &str, extract: &str) -> &mut Self {
        let extract = parsed(extract);
        self.act(vessel, "no beer took the sugar", |place| place.feed(extract))
    }

    /// Dry hops go in, whose enzymes will free so much of the dextrins, g in 100 g of wort (0.5 is
    /// about 2.4 points).
    #[track_caller]
    pub fn hops_that_creep(&mut self, vessel: &str, per_100g: f64) -> &mut Self {
        self.act(vessel, "there is no beer", |place| place.creep(per_100g))
    }

    /// A device (a float, `beer` or `surround`) falls silent.
    #[track_caller]
    pub fn silence(&mut self, vessel: &str, source: &str) -> &mut Self {
        self.act(vessel, "there is no such device", |place| place.silence(source))
    }

    /// A float is lifted out: on the bench it says this gravity, at the temperature of the room.
    #[track_caller]
    pub fn lift(&mut self, vessel: &str, source: &str, sg_on_bench: f64) -> &mut Self {
        self.act(vessel, "there is no such device", |place| place.lift(source, sg_on_bench))
    }

    /// A device speaks again, a float lies in the beer again.
    #[track_caller]
    pub fn put_back(&mut self, vessel: &str, source: &str) -> &mut Self {
        self.act(vessel, "there is no such device", |place| place.put_back(source))
    }

    /// Another float takes the place of one, under its name.
    #[track_caller]
    pub fn exchange(&mut self, vessel: &str, source: &str, float: FloatSetup) -> &mut Self {
        self.act(vessel, "there is no such vessel", |place| {
            place.put_float(source, float);
            true
        })
    }

    /// The beer is moved into another vessel; `keep` of it stays.
    #[track_caller]
    pub fn moves(&mut self, from: &str, to: &str, keep: Option<&str>) -> &mut Self {
        let keep: Option<Volume> = keep.map(parsed);
        let poured = self.place(from).pour(keep);
        match poured {
            Some(poured) => self.place(to).fill(poured),
            None => self.fail(&format!("{from} has not so much beer")),
        }
        self
    }

    // What the program said.

    /// A record of this kind with these words in its text came since the last one that was asked
    /// for; it and all before it count as looked at.
    #[track_caller]
    pub fn saw(&mut self, kind: &str, words: &str) -> &mut Self {
        if self.found(kind, words).is_none() {
            self.fail(&format!("no `{kind}` with \"{words}\" came"));
        }
        self
    }

    /// No such record came in the whole story so far.
    #[track_caller]
    pub fn never(&mut self, kind: &str, words: &str) -> &mut Self {
        self.none_from(0, kind, words)
    }

    /// No such record came since the last one that was asked for.
    #[track_caller]
    pub fn not_since(&mut self, kind: &str, words: &str) -> &mut Self {
        self.none_from(self.looked, kind, words)
    }

    /// From here on only what comes later is looked at.
    pub fn turn_page(&mut self) -> &mut Self {
        self.looked = self.records.len();
        self
    }

    /// All records so far.
    pub fn records(&self) -> &[Value] {
        &self.records
    }

    /// How a vessel stands: `run`, `stage`, `setpoint_c`, `heater`, `chiller`.
    pub fn stands(&self, vessel: &str) -> &Value {
        &self.done["vessels"][vessel]
    }

    /// The last `done` line whole.
    pub fn done(&self) -> &Value {
        &self.done
    }

    /// The day of the story.
    pub fn today(&self) -> f64 {
        self.now.days()
    }

    /// The present as records write it.
    pub fn at(&self) -> String {
        self.stamp().rfc3339()
    }

    /// So many days after the beginning, as records write it.
    pub fn at_day(&self, day: f64) -> String {
        (Stamp::from_millis(BEGINS_MILLIS) + Span::from_hours_f64(day * 24.0)).rfc3339()
    }

    // What is so, whatever the devices say.

    /// The true specific gravity of the beer at 20 °C.
    #[track_caller]
    pub fn true_sg(&mut self, vessel: &str) -> f64 {
        self.place(vessel).true_sg().expect("there is beer in it")
    }

    /// The true original extract, raised by what was added, in °P.
    #[track_caller]
    pub fn true_original_plato(&mut self, vessel: &str) -> f64 {
        self.place(vessel).true_original().expect("there is beer in it").plato()
    }

    /// The true apparent attenuation, as a fraction.
    #[track_caller]
    pub fn true_attenuation(&mut self, vessel: &str) -> f64 {
        self.place(vessel).true_attenuation().map_or(0.0, quantity::Share::fraction)
    }

    /// The true temperature of the beer, °C.
    #[track_caller]
    pub fn beer_celsius(&mut self, vessel: &str) -> f64 {
        self.place(vessel).beer_celsius()
    }

    /// How much is in the vessel, L.
    #[track_caller]
    pub fn litres(&mut self, vessel: &str) -> f64 {
        self.place(vessel).litres()
    }

    /// The temperature of a cooler's liquid, °C.
    #[track_caller]
    pub fn cooler_celsius(&self, name: &str) -> f64 {
        self.coolers.get(name).expect("the story has this cooler").celsius
    }

    // How it goes on.

    fn stamp(&self) -> Stamp {
        Stamp::from_millis(BEGINS_MILLIS) + self.now
    }

    #[track_caller]
    fn place(&mut self, vessel: &str) -> &mut Live {
        self.places.get_mut(vessel).unwrap_or_else(|| panic!("the story has no place `{vessel}`"))
    }

    #[track_caller]
    fn act(&mut self, vessel: &str, or: &str, act: impl FnOnce(&mut Live) -> bool) -> &mut Self {
        if !act(self.place(vessel)) {
            self.fail(&format!("{vessel}: {or}"));
        }
        self
    }

    /// A minute passes in all places, then the devices speak.
    #[track_caller]
    fn minute(&mut self) {
        let chambers: BTreeMap<String, f64> = self
            .places
            .iter()
            .map(|(name, place)| (name.clone(), place.chamber_celsius()))
            .collect();
        self.run_coolers();
        for place in self.places.values_mut() {
            let host = place.rides_with.as_ref().and_then(|host| chambers.get(host));
            let cooler = place.cooler.as_ref().and_then(|name| self.coolers.get(name));
            let cold = cooler.is_none_or(|cooler| cooler.celsius < place.chamber_celsius());
            place.minute(self.now, host.copied(), cold);
        }
        self.now = self.now + Span::from_mins(1);
        let mut said = Vec::new();
        for (name, place) in &mut self.places {
            for (source, fields) in place.readings(self.now) {
                said.push((name.clone(), source, fields));
            }
        }
        if said.is_empty() {
            self.line(Map::new());
        }
        for (vessel, source, mut fields) in said {
            fields.insert("vessel".to_owned(), vessel.into());
            fields.insert("source".to_owned(), source.into());
            self.line(fields);
        }
    }

    /// A cooler runs where the program says so (`done.coolers`), else while a valve is open.
    fn run_coolers(&mut self) {
        for (name, cooler) in &mut self.coolers {
            let on_it = self.places.values().filter(|place| place.cooler.as_ref() == Some(name));
            let open: Vec<&Live> = on_it.filter(|place| place.chiller).collect();
            let runs = match self.done["coolers"][name.as_str()].as_str() {
                Some(word) => word == "on",
                None => !open.is_empty(),
            };
            let takes = |place: &&&Live| cooler.celsius < place.chamber_celsius();
            let taken: f64 = open.iter().filter(takes).map(|place| place.chiller_watts()).sum();
            // Its own losses to a room of 20 °C: an estimate, no source.
            let gained = taken + 3.0 * (20.0 - cooler.celsius);
            let lost = if runs { cooler.watts } else { 0.0 };
            cooler.celsius = (cooler.celsius + (gained - lost) * 60.0 / COOLER_J_PER_K).max(-6.0);
        }
    }

    #[track_caller]
    fn command(&mut self, vessel: &str, command: Value) {
        let Value::Object(mut fields) = command else {
            panic!("a command is a JSON object: {command}");
        };
        fields.insert("vessel".to_owned(), vessel.into());
        self.line(fields);
    }

    /// Says a line to the program and hears what it answers.
    #[track_caller]
    fn line(&mut self, mut fields: Map<String, Value>) {
        fields.insert("at".to_owned(), json!(self.at()));
        let line = Value::Object(fields);
        writeln!(self.input, "{line}").expect("the program reads");
        loop {
            let mut answer = String::new();
            let count = self.output.read_line(&mut answer).expect("the program answers in text");
            if count == 0 {
                self.fail(&format!("the program ended at {line}"));
            }
            let answer: Value = serde_json::from_str(&answer).expect("it answers in JSON");
            match answer["kind"].as_str() {
                Some("done") => {
                    self.done = answer;
                    break;
                }
                Some("error") => self.fail(&format!("{line}: {answer}")),
                _ => self.records.push(answer),
            }
        }
        for (name, place) in &mut self.places {
            // A guest has no outputs of its own: its host's act on its chamber.
            let own = place.rides_with.is_none();
            let now = &self.done["vessels"][name.as_str()];
            place.heater = own && now["heater"] == "on";
            place.chiller = own && now["chiller"] == "on";
        }
    }

    fn found(&mut self, kind: &str, words: &str) -> Option<Value> {
        let mut fresh = self.records.iter().skip(self.looked);
        let at = fresh.position(|record| is(record, kind, words))?;
        self.looked += at + 1;
        self.records.get(self.looked - 1).cloned()
    }

    #[track_caller]
    fn none_from(&mut self, from: usize, kind: &str, words: &str) -> &mut Self {
        let found = self.records.iter().skip(from).find(|record| is(record, kind, words)).cloned();
        if let Some(record) = found {
            self.fail(&format!("this should not have come: {record}"));
        }
        self
    }

    #[track_caller]
    fn fail(&self, problem: &str) -> ! {
        let last = self.records.iter().skip(self.records.len().saturating_sub(60));
        let diary: String = last
            .map(|r| {
                let text = |key: &str| r[key].as_str().unwrap_or_default().to_owned();
                format!("{} {} {}: {}\n", text("at"), text("vessel"), text("kind"), text("text"))
            })
            .collect();
        let errors = std::fs::read_to_string(&self.errors).unwrap_or_default();
        panic!(
            "day {:.2}: {problem}\nthe diary's last entries:\n{diary}{}\n{errors}",
            self.today(),
            self.done
        );
    }
}

fn is(record: &Value, kind: &str, words: &str) -> bool {
    record["kind"] == kind && record["text"].as_str().is_some_and(|text| text.contains(words))
}
