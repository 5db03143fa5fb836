//! What the program costs: replaying a recorded batch, and the memory of a running daemon.
//!
//! `cargo bench -p barmkeep-tests --bench program` builds the program in release mode, makes a
//! recording of an invented batch of 21 days (probe every 10 s, float every 15 min), replays it,
//! and runs daemons with 1 and with 100 vessels on their own broker. Prints one line a figure.

use plant::cellar::{Ambient, Cellar, CellarSetup, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, Share, Span, Stamp, Temperature, Volume};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const DAYS: i64 = 21;

const SCHEDULE: &str = r#"
format = 1
name = "Bench ale"
[expect]
original_gravity = "12 P"
final_gravity = "2.5 P"
[[stage]]
name = "primary"
target = "18 C"
until = { attenuation = "50 %" }
at_most = { time = "10 d", then = "alarm" }
[[stage]]
name = "finish"
target = "19 C"
until = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "20 d", then = "alarm" }
[[stage]]
name = "cold"
target = "4 C"
until = { elapsed = "30 d" }
"#;

fn main() {
    let program = build();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let schedule = folder.path().join("ale.toml");
    std::fs::write(&schedule, SCHEDULE).expect("the schedule is written");
    let recording = folder.path().join("batch.csv");
    let rows = record(&recording);
    replay(&program, &schedule, &recording, rows);
    for vessels in [1, 100] {
        memory(&program, folder.path(), vessels);
    }
}

fn build() -> PathBuf {
    let done = Command::new(env!("CARGO"))
        .args(["build", "--release", "-q", "-p", "barmkeep", "--message-format=json"])
        .stderr(Stdio::inherit())
        .output()
        .expect("cargo runs");
    assert!(done.status.success(), "the program does not build");
    let text = String::from_utf8_lossy(&done.stdout);
    let program = text
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter_map(|message| message["executable"].as_str().map(PathBuf::from))
        .find(|path| path.ends_with("barmkeep"));
    program.expect("cargo names the program")
}

/// Writes the recording; gives its number of rows.
fn record(path: &Path) -> usize {
    let volume = Volume::clamped(23.0);
    let mut cellar = Cellar::new(
        1,
        CellarSetup {
            volume,
            vessel: Parameters::for_volume(volume),
            fermentation: FermentationSetup {
                original: Gravity::from_plato(12.0).expect("a gravity"),
                attenuation: Share::from_fraction(0.79).expect("a share"),
                pace: 1.0,
                lag: Span::from_hours(8),
                stall: None,
            },
            start: Temperature::clamped(18.0),
            ambient: Ambient::steady(Temperature::clamped(18.0)),
            float: Some(FloatSetup::plain(Span::from_mins(15), Noise::of_points(1.0))),
            beer_probe: Some(ProbeSetup::plain(Span::from_secs(10))),
            surround_probe: None,
        },
    );
    cellar.pitch();
    let begins = Stamp::parse_rfc3339("2026-03-02T08:00:00Z").expect("a time");
    let mut text = String::from("time,source,gravity_sg,temperature_c\n");
    let mut rows = 0;
    while cellar.now() < Span::from_hours(DAYS * 24) {
        for reading in cellar.advance(Span::from_mins(10), Drives::default()) {
            rows += 1;
            let at = (begins + reading.at).rfc3339();
            let written = match reading.what {
                Measured::Float(float) => {
                    writeln!(text, "{at},float,{},{:.2}", float.sg, float.temperature.celsius())
                }
                Measured::Beer(beer) => writeln!(text, "{at},beer,,{:.4}", beer.celsius()),
                Measured::Surround(_) => Ok(()),
            };
            written.expect("a string takes everything");
        }
    }
    std::fs::write(path, text).expect("the recording is written");
    rows
}

fn replay(program: &Path, schedule: &Path, recording: &Path, rows: usize) {
    let mut best = Duration::MAX;
    for _ in 0..3 {
        let since = Instant::now();
        let done = Command::new(program)
            .args(["replay", "--json"])
            .args([schedule, recording])
            .stdout(Stdio::null())
            .status()
            .expect("the program runs");
        assert!(done.success(), "the replay failed");
        best = best.min(since.elapsed());
    }
    let seconds = best.as_secs_f64();
    println!("replay of {DAYS} days: {rows} readings in {seconds:.2} s (best of 3)");
    println!("replay: {:.0} readings a second", rows as f64 / seconds);
}

/// A daemon on its own broker, after its devices have spoken for a while.
fn memory(program: &Path, folder: &Path, vessels: usize) {
    let port = free_port();
    let mut config = format!(
        "format = 1\n[link]\nlisten = \"127.0.0.1:{port}\"\n\
         [store]\nfile = \"store-{vessels}.db\"\n"
    );
    for index in 0..vessels {
        write!(
            config,
            "[vessel.v{index}]\nvolume = \"23 L\"\ncoldest = \"0 C\"\nwarmest = \"26 C\"\n\
             [vessel.v{index}.gravity.float]\ntopic = \"f/{index}\"\n\
             read = {{ unit = \"SG\" }}\nevery = \"15 min\"\n\
             [vessel.v{index}.beer]\ntopic = \"b/{index}\"\nread = {{ unit = \"C\" }}\n\
             every = \"10 s\"\n[vessel.v{index}.heater]\n[vessel.v{index}.chiller]\n"
        )
        .expect("a string takes everything");
    }
    let path = folder.join(format!("cellar-{vessels}.toml"));
    std::fs::write(&path, config).expect("the configuration is written");
    let child = Command::new(program)
        .arg("run")
        .arg(&path)
        .stderr(Stdio::null())
        .spawn()
        .expect("the daemon starts");
    let daemon = Killed(child);
    std::thread::sleep(Duration::from_secs(20));
    let resident = resident_kib(daemon.0.id());
    println!("memory with {vessels} vessels: {:.1} MB resident", resident as f64 / 1024.0);
}

fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("an address").port()
}

fn resident_kib(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).expect("the daemon runs");
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("a VmRSS line");
    line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).expect("a number")
}

/// A child that ends with its owner.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
