//! The files that a person writes: configuration, schedules, calibrations. Read here, judged in the
//! rooms below.

use crate::failure::{Failure, Status};
use brewing::calibration::{Calibration, CalibrationFile};
use engine::{CommandInput, LoadedSchedule, Setup, VesselSetup};
use schedule::config::Config;
use schedule::model::Schedule;
use schedule::{Checked, Name, Source};
use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// A file larger than this is no schedule, configuration or calibration, in bytes.
const LARGEST: u64 = 1 << 20;

/// A configuration with the folder that its paths are relative to.
#[derive(Debug, Clone)]
pub struct Cellar {
    /// What the file says.
    pub config: Config,
    /// The file's folder.
    pub folder: PathBuf,
    /// The calibrations that it names, by vessel and source.
    calibrations: BTreeMap<(Name, Name), Calibration>,
}

/// Reads a text file under the name that the user gave.
///
/// # Errors
/// Where it is missing, too large or not UTF-8.
pub fn read_source(path: &Path) -> Result<Source, Failure> {
    let meta = std::fs::metadata(path).map_err(|error| {
        Failure::file(path, "read", &error).hint("check the path, and who may read the file")
    })?;
    if meta.len() > LARGEST {
        return Err(Failure::new(
            Status::Data,
            format!("{} has {} bytes, at most {LARGEST} are read", path.display(), meta.len()),
        ));
    }
    let text =
        std::fs::read_to_string(path).map_err(|error| Failure::file(path, "read", &error))?;
    Ok(Source::new(path.display().to_string(), text))
}

/// Whether diagnostics may be coloured.
pub fn colour() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}

/// The value of a checked file; its problems are printed to standard error.
///
/// # Errors
/// Where the file has an error; all of them were printed.
pub fn accept<T>(checked: Checked<T>, source: &Source) -> Result<T, Failure> {
    if !checked.problems.is_empty() {
        eprint!("{}", schedule::render(&checked.problems, source, colour()));
    }
    let errors =
        checked.problems.iter().filter(|p| p.severity == schedule::Severity::Error).count();
    checked.value.ok_or_else(|| {
        let s = if errors == 1 { "" } else { "s" };
        Failure::new(Status::Config, format!("{} has {errors} error{s}", source.name))
    })
}

/// Whether the name is one of IANA's time zones.
pub fn is_time_zone(name: &str) -> bool {
    name.parse::<chrono_tz::Tz>().is_ok()
}

/// Reads a schedule file.
///
/// # Errors
/// As [`read_source`] and [`accept`].
pub fn read_schedule(path: &Path) -> Result<Schedule, Failure> {
    let source = read_source(path)?;
    accept(schedule::read_schedule(&source), &source)
}

impl Cellar {
    /// Reads a configuration and the calibrations that it names.
    ///
    /// # Errors
    /// As [`accept`]; a file that is missing or cannot be read, and a calibration that cannot be
    /// used, are configuration errors.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let source =
            read_source(path).map_err(|failure| Failure { status: Status::Config, ..failure })?;
        let config = accept(schedule::read_config(&source, &is_time_zone), &source)?;
        let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
        let mut calibrations = BTreeMap::new();
        for (vessel, setup) in &config.vessels {
            for (name, float) in &setup.gravity {
                if let Some(file) = &float.calibration {
                    let calibration = read_calibration(&folder.join(file))?;
                    calibrations.insert((vessel.clone(), name.clone()), calibration);
                }
            }
        }
        Ok(Cellar { config, folder, calibrations })
    }

    /// What the engine is told of the vessels.
    pub fn setup(&self) -> Setup {
        let vessels = self.config.vessels.iter().map(|(name, config)| {
            let calibrations = self
                .calibrations
                .iter()
                .filter(|((vessel, _), _)| vessel == name)
                .map(|((_, source), calibration)| (source.clone(), calibration.clone()))
                .collect();
            (name.clone(), VesselSetup::new(config.clone(), calibrations))
        });
        Setup { show: self.config.show, vessels: vessels.collect() }
    }

    /// Reads the schedule of that name from the schedules' folder, for this vessel.
    pub fn load_schedule(&self, name: &str, vessel: &Name) -> LoadedSchedule {
        let schedule = self.try_schedule(name, vessel).map(Box::new);
        LoadedSchedule { name: name.to_owned(), schedule }
    }

    /// Reads the schedule that a command names, where it names one; `pitched` is the running
    /// batch's.
    pub fn load_schedule_of(&self, input: &mut CommandInput, pitched: Option<&str>) {
        let Ok(command) = &input.command else { return };
        let file = command.schedule_file(pitched).map(str::to_owned);
        input.schedule = file.map(|file| self.load_schedule(&file, &input.vessel));
    }

    /// The only vessel, or the one that was named.
    ///
    /// # Errors
    /// Where the name is unknown, or none was given and there are several.
    pub fn vessel(&self, named: Option<&str>) -> Result<&Name, Failure> {
        let names: Vec<&str> = self.config.vessels.keys().map(Name::as_str).collect();
        let list = names.join(", ");
        match named {
            Some(named) => {
                self.config.vessels.get_key_value(named).map(|(name, _)| name).ok_or_else(|| {
                    Failure::new(
                        Status::Usage,
                        format!("there is no vessel `{named}`, there is {list}"),
                    )
                })
            }
            None if names.len() == 1 => Ok(self
                .config
                .vessels
                .keys()
                .next()
                .unwrap_or_else(|| unreachable!("one name was counted"))),
            None => Err(Failure::new(Status::Usage, format!("which vessel? There is {list}"))
                .hint("name the vessel right after the command")),
        }
    }

    /// A path of the configuration, resolved against its folder.
    pub fn path(&self, written: &str) -> PathBuf {
        self.folder.join(written)
    }

    fn try_schedule(&self, name: &str, vessel: &Name) -> Result<Schedule, String> {
        let plain = name.chars().all(|c| c.is_alphanumeric() || "-_ .".contains(c));
        if !plain || name.starts_with('.') || name.is_empty() {
            return Err(format!("`{name}` is not the name of a schedule's file"));
        }
        let path = self.path(&self.config.schedules).join(format!("{name}.toml"));
        let source = read_source(&path).map_err(|failure| failure.message)?;
        let config = self.config.vessels.get(vessel).ok_or("there is no such vessel")?;
        schedule::read_schedule_for(&source, config).into_result().map_err(|problems| {
            let errors = problems.iter().filter(|p| p.severity == schedule::Severity::Error);
            let lines: Vec<String> = errors.map(schedule::Problem::line).collect();
            format!("{} does not pass `check`: {}", source.name, lines.join("; "))
        })
    }
}

fn read_calibration(path: &Path) -> Result<Calibration, Failure> {
    let source = read_source(path)?;
    let wrong = |error: &dyn std::fmt::Display| {
        Failure::new(Status::Config, format!("{}: {error}", source.name))
            .hint("write it anew with `barmkeep calibrate`")
    };
    let file: CalibrationFile = toml::from_str(&source.text).map_err(|error| wrong(&error))?;
    Calibration::try_from(file).map_err(|error| wrong(&error))
}
