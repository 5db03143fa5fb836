//! The invented cellars that are measured: configuration, schedule, beer and recordings.

use plant::cellar::{Ambient, Cellar as Plant, CellarSetup, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, Share, Span, Stamp, Temperature, Volume};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// The schedule of all these batches.
pub const SCHEDULE: &str = r#"
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

/// How a cellar is written down.
#[derive(Debug, Clone, Copy)]
pub struct Layout<'a> {
    /// So many vessels, `v0` and on.
    pub vessels: usize,
    /// The keys of `[link]`.
    pub link: &'a str,
    /// `switch` or `setpoint`.
    pub drive: &'a str,
    /// Time between two readings of a probe.
    pub probe_every: &'a str,
    /// Further keys of each vessel's table and tables below it; `{}` stands for its number.
    pub more: &'a str,
}

impl Default for Layout<'_> {
    fn default() -> Self {
        Layout { vessels: 1, link: "", drive: "switch", probe_every: "10 s", more: "" }
    }
}

impl Layout<'_> {
    /// Writes configuration and schedule into a folder; gives the configuration's path.
    pub fn write(&self, folder: &Path) -> PathBuf {
        let schedules = folder.join("schedules");
        std::fs::create_dir_all(&schedules).expect("a folder");
        std::fs::write(schedules.join("ale.toml"), SCHEDULE).expect("the schedule is written");
        let path = folder.join("cellar.toml");
        std::fs::write(&path, self.text()).expect("the configuration is written");
        path
    }

    fn text(&self) -> String {
        let Layout { vessels, link, drive, probe_every, more } = self;
        // What regulates itself by a setpoint has no timer of its own.
        let runs_out = if *drive != "setpoint" { ", runs_out = \"5 min\"" } else { "" };
        let mut text = format!("format = 1\n[link]\n{link}\n[store]\nfile = \"store.db\"\n");
        for index in 0..*vessels {
            let more = more.replace("{}", &index.to_string());
            write!(
                text,
                "[vessel.v{index}]\nvolume = \"23 L\"\ncoldest = \"0 C\"\nwarmest = \"26 C\"\n\
                 gravity.float.topic = \"f/{index}\"\n\
                 gravity.float.read = {{ unit = \"SG\" }}\ngravity.float.every = \"15 min\"\n\
                 beer.topic = \"b/{index}\"\nbeer.read = {{ unit = \"C\" }}\n\
                 beer.every = \"{probe_every}\"\n\
                 heater = {{ drive = \"{drive}\"{runs_out} }}\n\
                 chiller = {{ drive = \"{drive}\"{runs_out} }}\n{more}\n"
            )
            .expect("a string takes everything");
        }
        text
    }
}

/// A simulated vessel with its beer.
pub fn plant(seed: u64, probe_every: Span) -> Plant {
    let volume = Volume::clamped(23.0);
    let setup = CellarSetup {
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
        beer_probe: Some(ProbeSetup::plain(probe_every)),
        surround_probe: None,
    };
    let mut plant = Plant::new(seed, setup);
    plant.pitch();
    plant
}

/// Writes a recording of so many days, probe every 10 s and float every 15 min; gives its number
/// of readings.
pub fn record(path: &Path, days: i64) -> usize {
    let mut plant = plant(1, Span::from_secs(10));
    let begins = Stamp::parse_rfc3339("2026-03-02T08:00:00Z").expect("a time");
    let mut text = String::from("time,source,gravity_sg,temperature_c\n");
    let mut rows = 0;
    while plant.now() < Span::from_hours(days * 24) {
        for reading in plant.advance(Span::from_mins(10), Drives::default()) {
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
