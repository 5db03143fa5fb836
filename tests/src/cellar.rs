//! A cellar with one vessel: its files, its daemon, and what its devices say.

use crate::broker::{Ear, folder, say, say_bytes};
use crate::program::{PATIENCE, Process, Said, barmkeep, command};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant, SystemTime};
use tempfile::TempDir;

/// The files of a cellar; they go with the test.
pub struct Cellar {
    folder: TempDir,
    port: u16,
}

/// The vessel of all these tests: a float with a clock, a probe, a heater that a switch and a
/// setpoint drive, and a chiller on the daemon's own topic. Its rests are short.
const VESSEL: &str = r#"
[vessel.north]
volume  = "23 L"
coldest = "0 C"
warmest = "26 C"

[vessel.north.gravity.float]
topic       = "cellar/float/1"
read        = { at = "/sg", unit = "SG" }
temperature = { at = "/temp", unit = "C" }
battery     = { at = "/battery", unit = "%" }
time        = { at = "/time", form = "rfc3339" }
every       = "60 min"

[vessel.north.beer]
topic = "cellar/probe/1"
read  = { unit = "C" }
every = "10 s"

[vessel.north.heater]
drive    = "both"
topic    = "cellar/plug/heat/set"
min_on   = "1 s"
min_off  = "1 s"
runs_out = "5 min"
seen     = { topic = "cellar/plug/heat/state", on = "ON", off = "OFF" }

[vessel.north.chiller]
min_on   = "1 s"
min_off  = "1 s"
runs_out = "5 min"

[vessel.north.control]
changeover = "1 s"
anticipate = false
"#;

/// Two stages: the first ends by gravity, the second by a person.
const SCHEDULE: &str = r#"
format = 1
name   = "Pale ale, two stages"

[expect]
original_gravity = "1.050 SG"
final_gravity    = "1.010 SG"

[limits]
coldest = "2 C"
warmest = "22 C"
ramp_up = "1 C/h"

[[stage]]
name    = "primary"
target  = "17 C"
until   = { gravity = "1.030 SG" }
at_most = { time = "10 d", then = "alarm" }

[[stage]]
name    = "warm finish"
target  = "19 C"
until   = { confirm = "The beer tastes clean" }
at_most = { time = "10 d", then = "alarm" }
"#;

impl Cellar {
    /// A cellar whose devices meet at a broker on this port of loopback.
    pub fn new(port: u16) -> Self {
        Self::linked(port, &format!("broker = \"mqtt://127.0.0.1:{port}\""))
    }

    /// A cellar that brings its own broker, on this port of loopback.
    pub fn embedded(port: u16) -> Self {
        Self::linked(port, &format!("broker = \"embedded\"\nlisten = \"127.0.0.1:{port}\""))
    }

    /// A cellar with these lines under `[link]`, whose devices meet on this port.
    ///
    /// # Panics
    /// Where its files cannot be written.
    pub fn linked(port: u16, link: &str) -> Self {
        let cellar = Cellar { folder: folder(), port };
        let store = "[store]\nfile = \"barmkeep.db\"\n";
        cellar.write("barmkeep.toml", &format!("format = 1\n\n[link]\n{link}\n\n{store}{VESSEL}"));
        cellar.write("schedules/ale.toml", SCHEDULE);
        cellar
    }

    /// Writes a file of the cellar and gives its path.
    ///
    /// # Panics
    /// Where it cannot be written.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a file lies in a folder"))
            .expect("the cellar's folders can be made");
        std::fs::write(&path, text).expect("the cellar's files can be written");
        path
    }

    /// A path in the cellar.
    pub fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    /// The configuration's path.
    pub fn config(&self) -> String {
        self.path("barmkeep.toml")
    }

    /// Runs a command of the program with the cellar's configuration.
    ///
    /// # Panics
    /// Where the program does not run.
    pub fn ask(&self, arguments: &[&str]) -> Said {
        barmkeep(&[arguments, &["--config", &self.config()]].concat())
    }

    /// Starts the daemon; what it logs goes to a file of the cellar.
    ///
    /// # Panics
    /// Where the daemon cannot be started.
    pub fn start(&self) -> Daemon {
        self.start_with::<&str>(&[])
    }

    /// The same with these in its environment.
    ///
    /// # Panics
    /// Where the daemon cannot be started.
    pub fn start_with<V: AsRef<std::ffi::OsStr>>(&self, environment: &[(V, V)]) -> Daemon {
        let errors = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.folder.path().join("daemon.log"))
            .expect("the daemon's log can be written");
        let child = command(&["run", &self.config()])
            .envs(environment.iter().map(|(name, value)| (name, value)))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(errors)
            .spawn()
            .expect("the daemon starts");
        Daemon { process: Process::new(child) }
    }

    /// All records on disk.
    ///
    /// # Panics
    /// Where they cannot be read.
    #[track_caller]
    pub fn log(&self) -> Vec<Value> {
        self.ask(&["log", "--json"]).with(0).objects()
    }

    /// The records of these kinds on disk.
    ///
    /// # Panics
    /// Where they cannot be read.
    #[track_caller]
    pub fn log_of(&self, kind: &str) -> Vec<Value> {
        self.ask(&["log", "--json", "--kind", kind]).with(0).objects()
    }

    /// How the vessel stands, by `status`.
    ///
    /// # Panics
    /// Where it cannot be asked.
    #[track_caller]
    pub fn status(&self) -> Value {
        let mut states = self.ask(&["status", "--json"]).with(0).objects();
        assert_eq!(states.len(), 1, "one vessel");
        states.remove(0)
    }

    /// The probe says that the beer has this temperature.
    ///
    /// # Panics
    /// Where the broker does not take it.
    #[track_caller]
    pub fn probe(&self, celsius: f64) {
        say(self.port, &["-t", "cellar/probe/1", "-m", &celsius.to_string()]);
    }

    /// The float sends what it measured in all these hours after the pitch.
    ///
    /// # Panics
    /// Where the broker does not take it.
    #[track_caller]
    pub fn float(&self, pitched: SystemTime, hours: std::ops::Range<u32>) {
        let report = |hour| {
            let at = pitched + Duration::from_secs(3600 * u64::from(hour));
            let sg = beer_after(f64::from(hour));
            let report = json!({ "sg": sg, "temp": 17.1, "battery": 88, "time": rfc3339(at) });
            format!("{report}\n")
        };
        let reports: String = hours.map(report).collect();
        say_bytes(self.port, &["-t", "cellar/float/1", "-l"], reports.as_bytes());
    }

    /// Puts another text in the place of one in the configuration.
    ///
    /// # Panics
    /// Where it does not stand there.
    #[track_caller]
    pub fn change(&self, from: &str, to: &str) {
        let text = std::fs::read_to_string(self.config()).expect("the configuration can be read");
        assert!(text.contains(from), "`{from}` stands in {text}");
        self.write("barmkeep.toml", &text.replacen(from, to, 1));
    }

    /// What the daemon has logged.
    ///
    /// # Panics
    /// Where it cannot be read.
    pub fn said(&self) -> String {
        std::fs::read_to_string(self.path("daemon.log")).expect("the daemon's log can be read")
    }

    /// Waits until the daemon has logged this.
    ///
    /// # Panics
    /// Where it does not.
    #[track_caller]
    pub fn wait_said(&self, part: &str) {
        until(&format!("`{part}` is logged"), || self.said().contains(part));
    }

    /// Sends a command as a script would.
    ///
    /// # Panics
    /// Where the broker does not take it.
    #[track_caller]
    pub fn send(&self, command: &Value) {
        say(self.port, &["-t", "barmkeep/north/command", "-m", &command.to_string()]);
    }

    /// Starts the daemon, waits until it is online, tells the beer's temperature, and pitches a
    /// batch that began `hours` ago; gives when that was.
    ///
    /// # Panics
    /// Where any of this fails.
    #[track_caller]
    pub fn pitched(&self, ear: &mut Ear, hours: u32) -> (Daemon, SystemTime) {
        let daemon = self.start();
        ear.wait_for("barmkeep/status", "online");
        self.probe(17.0);
        let pitched = self.pitch(hours);
        ear.event("stage.entered");
        (daemon, pitched)
    }

    /// Pitches a batch that began `hours` ago; gives when that was.
    ///
    /// # Panics
    /// Where it is refused.
    #[track_caller]
    pub fn pitch(&self, hours: u32) -> SystemTime {
        let pitched = SystemTime::now() - Duration::from_secs(3600 * u64::from(hours));
        let at = rfc3339(pitched);
        let gravity = ["--original-gravity", "1.050 SG", "--at", &at];
        let said = self.ask(&[&["pitch", "north", "--schedule", "ale"][..], &gravity].concat());
        let said = said.with(0).out;
        assert!(said.starts_with("north-1 is pitched on "), "{said}");
        pitched
    }

    /// The cellar's folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }
}

/// A running daemon; ends with the test.
pub struct Daemon {
    process: Process,
}

impl Daemon {
    /// Ends it as `kill -9` does.
    pub fn kill(mut self) {
        self.process.kill();
    }

    /// Asks it to end in order and gives its exit status.
    pub fn terminate(mut self) -> Option<i32> {
        self.process.terminate()
    }

    /// Waits for its end and gives its exit status.
    pub fn wait(mut self) -> Option<i32> {
        self.process.wait()
    }

    /// Whether it still runs.
    pub fn lives(&mut self) -> bool {
        self.process.lives()
    }

    /// The number of its process.
    pub fn id(&self) -> u32 {
        self.process.id()
    }

    /// What it has of the machine's memory, in KiB.
    ///
    /// # Panics
    /// Where the system does not tell.
    pub fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.id()));
        let status = status.expect("a process's status can be read");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
        let number = line.and_then(|rest| rest.trim().strip_suffix(" kB"));
        number.and_then(|number| number.parse().ok()).expect("a status has the resident memory")
    }
}

/// Waits until something is so.
///
/// # Panics
/// Where it does not become so.
#[track_caller]
pub fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(500));
    }
}

/// The gravity of an invented beer so many hours after its pitch: nothing for ten hours, then down
/// from 1.050 towards 1.010.
pub fn beer_after(hours: f64) -> f64 {
    let left = (-(hours - 10.0).max(0.0) / 25.0).exp();
    let sg = 1.010 + 0.040 * left;
    (sg * 1e4).round() / 1e4
}

/// A time as devices and records write it, in UTC.
///
/// # Panics
/// Where it lies before 1970.
pub fn rfc3339(at: SystemTime) -> String {
    let since = at.duration_since(SystemTime::UNIX_EPOCH).expect("a time after 1970");
    let millis = i64::try_from(since.as_millis()).expect("a time of this age");
    quantity::Stamp::from_millis(millis).rfc3339()
}
