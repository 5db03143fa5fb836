//! The files that a person writes: configuration, schedules, calibrations. Read here, judged in the
//! rooms below.

use crate::failure::{Failure, Status};
use crate::words;
use crate::zone::is_time_zone;
use brewing::calibration::{Calibration, CalibrationFile, Reads};
use engine::{CommandInput, LoadedCalibration, LoadedSchedule, Setup, VesselSetup};
use schedule::config::{Config, GravityReadUnit, GravitySource};
use schedule::model::Schedule;
use schedule::{Checked, Finding, Name, Problem, Source};
use std::collections::BTreeMap;
use std::io::{ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// A file larger than this is no schedule, configuration or calibration, in bytes: a cellar of
/// thousands of vessels has one of a few million.
const LARGEST: u64 = 8 << 20;

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
        let folder = folder_of(path);
        let mut calibrations = BTreeMap::new();
        let checked = schedule::read_config_with(&source, &is_time_zone, |config| {
            let (found, findings) = named_calibrations(config, &folder);
            calibrations = found;
            findings
        });
        let config = accept(checked, &source)?;
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
        let coolers = self.config.coolers.clone();
        Setup { show: self.config.show, vessels: vessels.collect(), coolers }
    }

    /// Reads the schedule of that name from the schedules' folder, for this vessel.
    pub fn load_schedule(&self, name: &str, vessel: &Name) -> LoadedSchedule {
        let schedule = self.try_schedule(name, vessel).map(Box::new);
        LoadedSchedule { name: name.to_owned(), schedule }
    }

    /// Reads the files that a command names, where it names some; `pitched` is the schedule of the
    /// running batch.
    pub fn load_files_of(&self, input: &mut CommandInput, pitched: Option<&str>) {
        let Ok(command) = &input.command else { return };
        input.calibration = command.calibration_file().map(|file| LoadedCalibration {
            name: file.to_owned(),
            calibration: read_calibration(&self.path(file)).map_err(|failure| failure.message),
        });
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
            let lines: Vec<String> = errors.map(Problem::line).collect();
            format!("{} does not pass `check`: {}", source.name, lines.join("; "))
        })
    }
}

/// All that is wrong with a configuration and with the calibrations that it names.
pub fn config_problems(source: &Source, path: &Path) -> Vec<Problem> {
    let more = |config: &Config| named_calibrations(config, &folder_of(path)).1;
    schedule::read_config_with(source, &is_time_zone, more).problems
}

/// Reads a calibration.
///
/// # Errors
/// Where it is missing, or is none.
pub fn read_calibration(path: &Path) -> Result<Calibration, Failure> {
    let source = read_source(path)?;
    let wrong = |error: &dyn std::fmt::Display| {
        Failure::new(Status::Config, format!("{}: {error}", source.name))
            .hint("write it anew with `barmkeep calibrate`")
    };
    let file: CalibrationFile = toml::from_str(&source.text).map_err(|error| wrong(&error))?;
    Calibration::try_from(file).map_err(|error| wrong(&error))
}

/// Writes a file whole or not at all; a file that is there stays unless it may be replaced.
///
/// # Errors
/// Where it cannot be written, or is there already.
pub fn write_whole(path: &Path, text: impl AsRef<[u8]>, replace: bool) -> Result<(), Failure> {
    let part = part_of(path);
    if let Err(error) = write_part(&part, text.as_ref()) {
        // Not there where it could not be made.
        let _ = std::fs::remove_file(&part);
        return Err(Failure::file(path, "written", &error));
    }
    put(&part, path, replace)
}

/// Where a file is written that is to come to `path` whole.
pub fn part_of(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

/// Gives the file `part` the name `path`; a file that is there stays unless it may be replaced.
///
/// # Errors
/// Where that cannot be done; `part` is gone then too.
pub fn put(part: &Path, path: &Path, replace: bool) -> Result<(), Failure> {
    let written = if replace {
        std::fs::rename(part, path)
    } else {
        match std::fs::hard_link(part, path) {
            // Some file systems have no second names.
            Err(error) if error.kind() != ErrorKind::AlreadyExists && !path.exists() => {
                std::fs::rename(part, path)
            }
            linked => linked,
        }
    };
    // Gone already where it was renamed.
    let _ = std::fs::remove_file(part);
    written.map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => is_there(path),
        _ => Failure::file(path, "written", &error),
    })
}

/// A file that is there and may not be replaced.
pub fn is_there(path: &Path) -> Failure {
    Failure::new(Status::Io, format!("{} is there already, and is kept", path.display()))
        .hint("give another name, or `--force` to replace it")
}

fn write_part(part: &Path, text: &[u8]) -> std::io::Result<()> {
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(part)?;
    file.write_all(text)?;
    file.sync_all()
}

fn folder_of(path: &Path) -> PathBuf {
    path.parent().map_or_else(PathBuf::new, Path::to_path_buf)
}

/// The calibrations that a configuration names, and what is wrong with them.
fn named_calibrations(
    config: &Config,
    folder: &Path,
) -> (BTreeMap<(Name, Name), Calibration>, Vec<Finding>) {
    let (mut calibrations, mut findings) = (BTreeMap::new(), Vec::new());
    for (vessel, setup) in &config.vessels {
        for (name, float) in &setup.gravity {
            let Some(file) = &float.calibration else { continue };
            let place = format!("vessel.{vessel}.gravity.{name}.calibration");
            match read_calibration(&folder.join(file)) {
                Ok(calibration) => {
                    findings.extend(misfits(float, &calibration, &place));
                    calibrations.insert((vessel.clone(), name.clone()), calibration);
                }
                Err(failure) => findings
                    .push(Finding::error("bad-calibration", &place, failure.message).hint(
                        format!("`barmkeep calibrate POINTS.csv --output {file}` writes it"),
                    )),
            }
        }
    }
    (calibrations, findings)
}

/// What a calibration and its float do not agree on.
fn misfits(float: &GravitySource, calibration: &Calibration, place: &str) -> Vec<Finding> {
    let mut findings = Vec::new();
    let of_angle = calibration.reads() == Reads::Angle;
    if of_angle != (float.read.unit == GravityReadUnit::Degrees) {
        let (made, gives) =
            if of_angle { ("an angle", "a gravity") } else { ("a gravity", "an angle") };
        let message = format!("the calibration is of {made}, but the float gives {gives}");
        findings.push(
            Finding::error("bad-calibration", place, message)
                .hint("name another file, or mend the `unit` in `read`"),
        );
    }
    if let Some(made_with) = calibration.expansion().filter(|made| float.expansion != Some(*made)) {
        let line = format!("expansion = \"{}\"", words::expansion(made_with));
        let has = if float.expansion.is_some() { "another" } else { "none" };
        let message = format!("the calibration was made with `{line}`, the float has {has}");
        findings.push(
            Finding::warning("other-expansion", place, message)
                .hint(format!("write `{line}` beside it, or calibrate without `--expansion`")),
        );
    }
    findings
}
