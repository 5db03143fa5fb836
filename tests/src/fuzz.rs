//! Fuzzing on a stable compiler: every input that comes from outside is mangled again and again,
//! from a kept corpus, by a seed. Nothing panics, nothing hangs, memory stays bounded.
//!
//! It is blind: it does not see which branches a case takes. What makes up for that are a corpus of
//! good files, the words of all of them, and numbers that are known to hurt.

use barmkeep::files::{Cellar, read_calibration};
use barmkeep::link::decode::Routes;
use barmkeep::{pipe, replay};
use engine::{Engine, Input, LoadedSchedule, Now, State};
use plant::chance::Chance;
use quantity::{Span, Stamp};
use schedule::{Name, Source};
use std::io::sink;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A case that takes longer than this hangs; a busy machine takes seconds.
const HANGS: Duration = Duration::from_secs(60);
/// No case is longer, in bytes.
const LONGEST: usize = 64 * 1024;
/// The process grows by less than this over all cases of a target, in KiB.
const GROWS_KIB: u64 = 512 * 1024;
/// A beginning: 2026-03-01T00:00:00Z, in ms.
const START: i64 = 1_772_323_200_000;

/// What is fuzzed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// A calibration's file.
    Calibration,
    /// A command's payload.
    Command,
    /// A configuration.
    Configuration,
    /// A recording for `replay`.
    Csv,
    /// A device's payload, through every form of `read`.
    Payload,
    /// Lines for `pipe`.
    Pipe,
    /// Points for `calibrate`.
    Points,
    /// A schedule.
    Schedule,
    /// An engine's state as the store keeps it.
    Snapshot,
}

impl Target {
    /// All of them, with the folders of their kept cases.
    pub const ALL: [(Target, &'static str); 9] = [
        (Target::Calibration, "calibration"),
        (Target::Command, "command"),
        (Target::Configuration, "configuration"),
        (Target::Csv, "csv"),
        (Target::Payload, "payload"),
        (Target::Pipe, "pipe"),
        (Target::Points, "points"),
        (Target::Schedule, "schedule"),
        (Target::Snapshot, "snapshot"),
    ];
}

/// A cellar with a source of each form, in a folder of its own.
pub struct House {
    folder: TempDir,
    cellar: Cellar,
    routes: Routes,
    /// An engine in the middle of a batch.
    engine: Engine,
}

const HEAD: &str = "format = 1\n[store]\nfile = \"a.db\"\n[link]\n\
    broker = \"mqtt://127.0.0.1:1883\"\n[vessel.north]\nvolume = \"23 L\"\ncoldest = \"0 C\"\n\
    warmest = \"26 C\"\n[vessel.north.beer]\ntopic = \"t/beer\"\nread = { unit = \"C\" }\n\
    every = \"10 s\"\n[vessel.north.heater]\ntopic = \"t/heat\"\n\
    seen = { topic = \"t/seen\", on = \"ON\", off = \"OFF\" }\n[vessel.north.chiller]\n\
    [vessel.south]\nvolume = \"23 L\"\ncoldest = \"0 C\"\nwarmest = \"26 C\"\n\
    [vessel.south.beer]\ntopic = \"t/fahrenheit\"\nread = { at = \"/a/0/b\", unit = \"F\" }\n\
    every = \"10 s\"\n";

const SCHEDULE: &str = "format = 1\n[expect]\noriginal_gravity = \"1.050 SG\"\n\
    final_gravity = \"1.010 SG\"\n[[stage]]\nname = \"primary\"\ntarget = \"17 C\"\n\
    until = { gravity = \"1.030 SG\" }\n[[stage]]\nname = \"warm\"\n\
    target = { to = \"20 C\", along = \"progress\", from = \"50 %\", until = \"80 %\" }\n\
    until = { stable = { within = \"1 points\", over = \"24 h\" } }\n";

/// The topics that payloads go to.
fn config() -> String {
    let mut text = HEAD.to_owned();
    let units = ["SG", "P", "Bx", "deg"];
    let times = ["rfc3339", "unix", "unix_ms"];
    for (index, unit) in units.iter().enumerate() {
        for (other, form) in times.iter().enumerate() {
            text.push_str(&format!(
                "[vessel.north.gravity.f{index}{other}]\ntopic = \"t/{index}{other}\"\n\
                 read = {{ at = \"/sg\", unit = \"{unit}\" }}\n\
                 temperature = {{ at = \"/temp\", unit = \"{}\" }}\n\
                 battery = {{ at = \"/battery\", unit = \"%\" }}\n\
                 time = {{ at = \"/time\", form = \"{form}\" }}\nevery = \"15 min\"\n",
                ["C", "F", "C"][other]
            ));
            if *unit == "deg" {
                text.push_str("calibration = \"angle.toml\"\n");
            }
        }
    }
    text
}

impl House {
    /// A house with a batch under way.
    ///
    /// # Panics
    /// Where its files cannot be written or are wrong.
    pub fn new() -> Self {
        let folder = crate::broker::folder();
        let path = folder.path().join("barmkeep.toml");
        std::fs::create_dir(folder.path().join("schedules")).expect("a folder can be made");
        std::fs::write(folder.path().join("schedules/ale.toml"), SCHEDULE).expect("it is written");
        std::fs::write(folder.path().join("angle.toml"), CALIBRATION).expect("it is written");
        std::fs::write(&path, config()).expect("it is written");
        let cellar = Cellar::read(&path).unwrap_or_else(|failure| panic!("{}", failure.message));
        let routes = Routes::of(&cellar.config);
        let mut engine = Engine::new(cellar.setup());
        engine.handle(now(0), Input::Started { version: "1".to_owned() });
        let mut house = House { folder, cellar, routes, engine: engine.clone() };
        for second in 0..200 {
            for input in house.routes.decode("t/beer", b"17.5", false) {
                engine.handle(now(second * 60), input);
            }
            let sg = format!("{{\"sg\": {}, \"temp\": 17}}", 1.05 - second as f64 * 1e-4);
            for input in house.routes.decode("t/00", sg.as_bytes(), false) {
                engine.handle(now(second * 60), input);
            }
            if second == 5 {
                let pitch = b"{\"do\": \"pitch\", \"schedule\": \"ale\"}";
                house.command(&mut engine, pitch, now(second * 60));
            }
        }
        house.engine = engine;
        house
    }

    fn command(&self, engine: &mut Engine, payload: &[u8], at: Now) {
        for mut input in self.routes.decode("barmkeep/north/command", payload, false) {
            if let Input::Command(command) = &mut input {
                self.cellar.load_files_of(command, Some("ale"));
            }
            engine.handle(at, input);
        }
    }

    /// A good case of a target, besides those that are kept.
    pub fn seeds(&self, target: Target) -> Vec<Vec<u8>> {
        let texts: Vec<String> = match target {
            Target::Schedule => vec![SCHEDULE.to_owned()],
            Target::Configuration => vec![config()],
            Target::Payload => vec![
                "{\"sg\": 1.0480, \"temp\": 17.25, \"battery\": 80, \"time\": 1772323200}"
                    .to_owned(),
                "{\"sg\": 12.1, \"temp\": 64.4, \"time\": \"2026-03-01T00:00:00Z\"}".to_owned(),
                "{\"a\": [{\"b\": 65.5}]}".to_owned(),
                "17.25".to_owned(),
                "ON".to_owned(),
            ],
            Target::Command => commands(),
            Target::Pipe => vec![PIPE.to_owned()],
            Target::Csv => vec![CSV.to_owned()],
            Target::Points => vec![POINTS.to_owned()],
            Target::Calibration => vec![CALIBRATION.to_owned()],
            Target::Snapshot => {
                vec![serde_json::to_string(self.engine.state()).unwrap_or_default()]
            }
        };
        texts.into_iter().map(String::into_bytes).collect()
    }

    /// Gives a case to its target. Whether it is taken or refused is all the same.
    pub fn try_case(&self, target: Target, case: &[u8]) {
        let text = || String::from_utf8_lossy(case).into_owned();
        let file = |name: &str| {
            let path = self.folder.path().join(name);
            std::fs::write(&path, case).expect("a file can be written");
            path
        };
        match target {
            Target::Schedule => {
                let source = Source::new("fuzz.toml", text());
                let checked = schedule::read_schedule(&source);
                schedule::render(&checked.problems, &source, true);
                if let Some(schedule) = checked.value {
                    self.pitch(schedule);
                }
            }
            Target::Configuration => {
                let source = Source::new("fuzz.toml", text());
                let checked = schedule::read_config(&source, &|zone| zone.len() < 40);
                schedule::render(&checked.problems, &source, false);
                if let Some(config) = checked.value {
                    Routes::of(&config);
                }
            }
            Target::Payload => self.payload(case),
            Target::Command => self.command(&mut self.engine.clone(), case, now(13_000)),
            Target::Pipe => {
                let _ = pipe::run(&self.cellar, case, sink());
            }
            Target::Csv => {
                let schedule = schedule::read_schedule(&Source::new("ale.toml", SCHEDULE));
                let options = replay::Options {
                    original_gravity: None,
                    final_gravity: None,
                    attenuation: None,
                    confirm_after: Span::ZERO,
                    follow_setpoint: false,
                    json: true,
                };
                let schedule = schedule.value.expect("it is a schedule");
                let _ = replay::run(schedule, &file("fuzz.csv"), None, &options, &mut sink());
            }
            Target::Points => {
                let _ = barmkeep::calibrate::text(&file("fuzz.csv"));
            }
            Target::Calibration => {
                if let Ok(calibration) = read_calibration(&file("fuzz-calibration.toml")) {
                    for reading in [-1e9, 0.0, 1.05, 45.0, 1e9] {
                        calibration.apply(reading);
                    }
                }
            }
            Target::Snapshot => self.snapshot(&text()),
        }
    }

    fn pitch(&self, schedule: schedule::model::Schedule) {
        let mut engine = Engine::new(self.cellar.setup());
        let fields = [("schedule".to_owned(), "x".to_owned())].into();
        let loaded = LoadedSchedule { name: "x".to_owned(), schedule: Ok(Box::new(schedule)) };
        engine.handle(now(0), Input::Started { version: "1".to_owned() });
        engine.handle(
            now(1),
            Input::from(engine::CommandInput {
                vessel: Name::parse("north").expect("a name"),
                id: None,
                by: None,
                command: engine::Command::from_fields("pitch", &fields).map_err(|e| e.to_string()),
                schedule: Some(loaded),
                calibration: None,
                history: Vec::new(),
            }),
        );
        self.go_on(&mut engine);
    }

    fn payload(&self, case: &[u8]) {
        let mut engine = self.engine.clone();
        for topic in self.routes.topics() {
            for retained in [false, true] {
                for input in self.routes.decode(&topic, case, retained) {
                    if !matches!(input, Input::Command(_)) {
                        engine.handle(now(12_500), input);
                    }
                }
            }
        }
        self.go_on(&mut engine);
    }

    /// A state that can be read is gone on from, or is found to be none, as the daemon does it.
    fn snapshot(&self, text: &str) {
        let Ok(state) = serde_json::from_str::<State>(text) else { return };
        let mut engine = Engine::restore(self.cellar.setup(), state).guarded();
        if engine.is_sound() {
            engine.handle(now(20_000), Input::Started { version: "1".to_owned() });
            self.go_on(&mut engine);
        }
    }

    fn go_on(&self, engine: &mut Engine) {
        for second in [20_010, 20_020, 24_000, 110_000] {
            engine.handle(now(second), Input::Tick);
        }
        for name in self.cellar.config.vessels.keys() {
            engine.view(name);
            engine.glance(name);
            engine.summary(name);
        }
        engine.orders();
    }
}

impl Default for House {
    fn default() -> Self {
        Self::new()
    }
}

fn now(second: i64) -> Now {
    Now::same(Stamp::from_millis(START + second * 1000))
}

fn commands() -> Vec<String> {
    [
        r#"{"do":"sample","gravity":"1.02 SG","instrument":"refractometer","temperature":"21 C"}"#,
        r#"{"do":"addition","what":"Sugar","extract":"500 g","disturbs":"4 h","id":"a-1"}"#,
        r#"{"do":"hold","target":"12 C","by":"script"}"#,
        r#"{"do":"nudge","by":"0.5 C","until":"3 h"}"#,
        r#"{"do":"revise","schedule":"ale"}"#,
        r#"{"do":"expect","final_gravity":"1.012 SG","because":"A forced test"}"#,
        r#"{"do":"move","to":"south","keep":"10 L"}"#,
        r#"{"do":"source","name":"f00","action":"exchanged","calibration":"no-such-file.toml"}"#,
        r#"{"do":"advance","to":"warm"}"#,
        r#"{"do":"pitch","schedule":"../../etc/passwd","at":"2026-02-27T00:00:00Z"}"#,
        r#"{"do":"shelve","alarm":"too-cold","for":"2 h"}"#,
    ]
    .map(str::to_owned)
    .to_vec()
}

const PIPE: &str = r#"{"at":"2026-03-01T08:00:00Z"}
{"at":"2026-03-01T08:00:10Z","vessel":"north","source":"beer","temperature_c":18.5}
{"at":"2026-03-01T08:00:20Z","vessel":"north","do":"pitch","schedule":"ale","name":"x"}
{"at":"2026-03-01T09:00:00Z","vessel":"north","source":"f00","gravity_sg":1.049,"battery_percent":9}
{"at":"2026-03-02T09:00:00Z","vessel":"north","do":"sample","gravity":"1.040 SG"}
"#;
const CSV: &str = "time,gravity_sg,temperature_c,battery_percent,source,kind\n\
    2026-03-01T08:00:00Z,1.0500,17.0,90,float,float\n2026-03-01T20:00:00Z,1.0480,17.1,,,\n\
    2026-03-02T08:00:00+01:00,1.0400,17.2,88,float,hand\n";
const POINTS: &str = "angle_deg,reference_sg,temperature_c,note\n25.5,1.000,20,water\n\
    41.2,1.030,20,\n52.8,1.050,20,\n63.0,1.070,21,\n";
const CALIBRATION: &str = "format = 1\nreadings = 7\nterms_sg = [1.039, 0.0497, -0.0055]\n\
    [angle_deg]\ncentre = 44.85\nhalf_width = 22.05\nlowest = 22.8\nhighest = 66.9\n";

/// Mangles cases by chance.
pub struct Mangler {
    chance: Chance,
    words: Vec<Vec<u8>>,
}

/// Numbers and signs that are known to hurt.
const HURTS: [&str; 24] = [
    "0",
    "-0",
    "-1",
    "1e308",
    "-1e308",
    "1e-320",
    "NaN",
    "inf",
    "9223372036854775807",
    "18446744073709551616",
    "99999999999999999999 h",
    "null",
    "\"\"",
    "[",
    "{",
    "\\u0000",
    "\u{feff}",
    "9999-12-31T23:59:59Z",
    "0000-01-01T00:00:00Z",
    "-273.15 C",
    "1e400",
    "0 %",
    "100 %",
    "\r\n",
];

impl Mangler {
    /// By this seed, with the words of these cases.
    pub fn new(seed: u64, corpus: &[Vec<u8>]) -> Self {
        let is_word = |byte: &u8| byte.is_ascii_alphanumeric() || b"_-.:".contains(byte);
        let mut words: Vec<Vec<u8>> = corpus
            .iter()
            .flat_map(|case| case.split(|byte| !is_word(byte)))
            .filter(|word| (1..40).contains(&word.len()))
            .map(<[u8]>::to_vec)
            .collect();
        words.sort();
        words.dedup();
        Mangler { chance: Chance::new(seed, 0), words }
    }

    fn below(&mut self, most: usize) -> usize {
        (self.chance.share() * most as f64) as usize
    }

    /// Another case, from one of these.
    pub fn next(&mut self, corpus: &[Vec<u8>]) -> Vec<u8> {
        let mut case = corpus[self.below(corpus.len())].clone();
        for _ in 0..=self.below(5) {
            self.mangle(&mut case, corpus);
        }
        case.truncate(LONGEST);
        case
    }

    fn mangle(&mut self, case: &mut Vec<u8>, corpus: &[Vec<u8>]) {
        let (from, to) = self.span(case.len());
        match self.below(9) {
            0 => {
                if let Some(byte) = case.get_mut(from) {
                    *byte ^= 1 << self.below(8);
                }
            }
            1 => drop(case.drain(from..to)),
            2 => {
                let part = case[from..to].to_vec();
                let times = 1 + self.below(4);
                for _ in 0..times {
                    case.splice(from..from, part.iter().copied());
                }
            }
            3 => case.truncate(from),
            4 => {
                let other = &corpus[self.below(corpus.len())];
                let (start, end) = self.span(other.len());
                case.splice(from..to, other[start..end].iter().copied());
            }
            5 | 6 => {
                let hurt = HURTS[self.below(HURTS.len())].as_bytes();
                let (from, to) = word_at(case, from);
                case.splice(from..to, hurt.iter().copied());
            }
            7 if !self.words.is_empty() => {
                let which = self.below(self.words.len());
                let word = self.words[which].clone();
                let (from, to) = word_at(case, from);
                case.splice(from..to, word);
            }
            _ => case.insert(from, self.below(256) as u8),
        }
    }

    /// A short stretch of so many bytes.
    fn span(&mut self, length: usize) -> (usize, usize) {
        let from = self.below(length + 1);
        let most = if self.chance.happens(0.1) { length } else { 24 };
        (from, (from + self.below(most + 1)).min(length))
    }
}

/// The word or number that stands there.
fn word_at(case: &[u8], at: usize) -> (usize, usize) {
    let is_word = |byte: &u8| byte.is_ascii_alphanumeric() || b"_-.:+".contains(byte);
    let from = case[..at].iter().rposition(|byte| !is_word(byte)).map_or(0, |place| place + 1);
    let to = case[at..].iter().position(|byte| !is_word(byte)).map_or(case.len(), |n| at + n);
    (from, to)
}

/// What came of a target.
#[derive(Debug, Default)]
pub struct Found {
    /// How many cases were tried.
    pub cases: u64,
    /// The first that panicked, and what the panic said.
    pub panicked: Option<(Vec<u8>, String)>,
    /// By how much the process grew, in KiB.
    pub grew_kib: u64,
}

/// Tries the kept cases of a target, then mangled ones, until `cases` were tried and `time` has
/// passed.
///
/// # Panics
/// Where the process grew too much. A case that hangs ends the process, with its place on standard
/// error.
pub fn fuzz(
    house: &House,
    target: Target,
    kept: &[Vec<u8>],
    seed: u64,
    cases: u64,
    time: Duration,
) -> Found {
    let mut corpus = house.seeds(target);
    corpus.extend(kept.iter().cloned());
    let mut mangler = Mangler::new(seed, &corpus);
    let watch = Watchdog::new(target);
    let before = resident_kib();
    let began = Instant::now();
    let mut found = Found::default();
    while found.cases < cases || began.elapsed() < time {
        let number = usize::try_from(found.cases).unwrap_or(usize::MAX);
        let case = match corpus.get(number) {
            Some(kept) => kept.clone(),
            None => mangler.next(&corpus),
        };
        watch.begins(&case);
        let done = catch_unwind(AssertUnwindSafe(|| house.try_case(target, &case)));
        found.cases += 1;
        if let Err(panic) = done {
            let text = panic.downcast_ref::<String>().cloned();
            let text = text.or_else(|| panic.downcast_ref::<&str>().map(|&text| text.to_owned()));
            found.panicked = Some((case, text.unwrap_or_default()));
            break;
        }
    }
    watch.ends();
    found.grew_kib = resident_kib().saturating_sub(before);
    assert!(found.grew_kib < GROWS_KIB, "{target:?}: the process grew by {} KiB", found.grew_kib);
    found
}

/// The most memory that this process ever had, in KiB.
fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}

/// Ends the process where a case hangs: nothing else could.
struct Watchdog {
    case: Arc<AtomicU64>,
    text: Arc<std::sync::Mutex<Vec<u8>>>,
}

impl Watchdog {
    fn new(target: Target) -> Self {
        let case = Arc::new(AtomicU64::new(1));
        let text = Arc::new(std::sync::Mutex::new(Vec::new()));
        let (seen, what) = (case.clone(), text.clone());
        std::thread::spawn(move || {
            let (mut last, mut since) = (0, Instant::now());
            loop {
                std::thread::sleep(Duration::from_millis(500));
                let now = seen.load(Ordering::Acquire);
                if now == 0 {
                    return;
                }
                if now != last {
                    (last, since) = (now, Instant::now());
                } else if since.elapsed() > HANGS {
                    let case = what.lock().map(|case| case.clone()).unwrap_or_default();
                    eprintln!("{target:?} hangs at case {now}: {}", String::from_utf8_lossy(&case));
                    std::process::abort();
                }
            }
        });
        Watchdog { case, text }
    }

    fn begins(&self, case: &[u8]) {
        if let Ok(mut text) = self.text.lock() {
            text.clear();
            text.extend_from_slice(case);
        }
        self.case.fetch_add(1, Ordering::AcqRel);
    }

    fn ends(&self) {
        self.case.store(0, Ordering::Release);
    }
}

/// The kept cases in a folder, in the order of their names.
///
/// # Panics
/// Where one cannot be read.
pub fn kept(folder: &Path) -> Vec<Vec<u8>> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<_> = entries.filter_map(|entry| entry.ok().map(|e| e.path())).collect();
    paths.sort();
    paths.iter().map(|path| std::fs::read(path).expect("a kept case can be read")).collect()
}
