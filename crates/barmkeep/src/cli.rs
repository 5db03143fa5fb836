//! The command line: what can be typed, and what it means.

use crate::failure::{Failure, Status};
use crate::{examples, export, replay};
use clap::{Arg, ArgMatches, Args, CommandFactory, FromArgMatches, Parser, Subcommand};
use quantity::{Expansion, Gravity, GravityDelta, Quantity, Share, Span, Temperature, Volume};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Keeps the temperature of fermenting beer by what the beer does.
#[derive(Debug, Parser)]
#[command(name = "barmkeep", version, max_term_width = 100)]
#[command(after_help = "Commands for a vessel name it first: barmkeep hold north. \
                        Quantities have units: \"18 C\", \"1.048 SG\", \"12 P\", \"48 h\".")]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub task: Task,
}

/// What can be done besides the commands for a vessel.
#[derive(Debug, Subcommand)]
pub enum Task {
    /// Run the daemon until it is told to end.
    Run {
        /// The configuration's file.
        config: PathBuf,
    },
    /// Check schedules and configurations, and say all that is wrong with them.
    Check {
        /// The files.
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// One JSON object a problem, on standard output.
        #[arg(long, conflicts_with = "outline")]
        json: bool,
        /// Print what each schedule will do, also where no person reads along.
        #[arg(long)]
        outline: bool,
    },
    /// Run a schedule against a simulated vessel, in seconds.
    Rehearse(Box<RehearseArgs>),
    /// Run recorded readings through a schedule.
    Replay(Box<ReplayArgs>),
    /// Make a float's calibration from points, or hold later points against one.
    Calibrate(Box<CalibrateArgs>),
    /// Run the engine between standard input and output, as JSON lines.
    Pipe {
        /// The configuration's file.
        config: PathBuf,
    },
    /// Show how the vessels stand.
    Status(AskArgs),
    /// Say what a vessel waits for, and why.
    Why(AskArgs),
    /// Show what happened.
    Log(LogArgs),
    /// Compare the floats of a batch with hand samples and with each other.
    Compare(CompareArgs),
    /// Write what the store has of a batch: for a spreadsheet, a script or a shelf.
    Export(ExportArgs),
    /// Copy the store, also while the daemon runs.
    Backup(BackupArgs),
    /// Run a whole batch of an invented cellar: broker, daemon, devices and beer.
    Demo(DemoArgs),
    /// Print the JSON Schema of schedules or of configurations, for an editor.
    Schema {
        /// Of which kind of file.
        #[arg(value_enum)]
        of: SchemaOf,
    },
    /// Print the reference of files, quantities, commands, events and alarms, as Markdown.
    Reference {
        /// Only this part of it.
        #[arg(value_enum)]
        of: Option<ReferenceOf>,
    },
    /// Print the completions of a shell.
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
    /// Print a manual page, or write all of them into a folder.
    Man {
        /// Of this command; left out: of the program.
        command: Option<String>,
        /// Write every page into this folder.
        #[arg(long, value_name = "DIR", conflicts_with = "command")]
        folder: Option<PathBuf>,
    },
    /// Make a password's hash for the broker's `users_file` or the page's `password_file`.
    Password,
}

/// Which part of the reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum ReferenceOf {
    /// The keys of a schedule.
    Schedule,
    /// The keys of a configuration.
    Config,
    /// The kinds of quantity and their units.
    Quantities,
    /// The commands and their flags.
    Commands,
    /// The kinds of event.
    Events,
    /// The alarms.
    Alarms,
}

/// Which schema.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub enum SchemaOf {
    /// A schedule.
    Schedule,
    /// The daemon's configuration.
    Config,
}

/// Where the configuration is.
#[derive(Debug, Clone, Args)]
pub struct ConfigArg {
    /// The configuration's file.
    #[arg(long, env = "BARMKEEP_CONFIG", default_value = "/etc/barmkeep/barmkeep.toml")]
    pub config: PathBuf,
}

/// Of one vessel or all.
#[derive(Debug, Args)]
pub struct AskArgs {
    /// The vessel; left out: all, or the only one.
    pub vessel: Option<String>,
    #[command(flatten)]
    /// Where the configuration is.
    pub config: ConfigArg,
    /// One JSON object a vessel.
    #[arg(long)]
    pub json: bool,
}

/// Which records.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// The vessel; left out: all.
    pub vessel: Option<String>,
    #[command(flatten)]
    /// Where the configuration is.
    pub config: ConfigArg,
    /// One JSON object a record.
    #[arg(long)]
    pub json: bool,
    /// Only this kind, such as stage.left; may be given several times.
    #[arg(long)]
    pub kind: Vec<String>,
    /// Only what happened since: a time (RFC 3339) or a span such as "2 d".
    #[arg(long)]
    pub since: Option<String>,
    /// Only the last so many.
    #[arg(long, value_name = "N")]
    pub last: Option<u32>,
    /// Stay, and show what happens from now on; after the last ten where neither `--since` nor
    /// `--last` says otherwise.
    #[arg(long, short)]
    pub follow: bool,
}

/// Which batch's floats.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// The vessel; may be left out where there is one.
    pub vessel: Option<String>,
    #[command(flatten)]
    /// Where the configuration is.
    pub config: ConfigArg,
    /// The batch, such as north-1; left out: the running one, else the vessel's last.
    #[arg(long, value_name = "ID")]
    pub batch: Option<String>,
    /// One JSON object a float and one a pair of floats.
    #[arg(long)]
    pub json: bool,
}

/// Which batch, and in what form.
#[derive(Debug, Args)]
#[command(after_help = "\
The daemon may run meanwhile, and so may the batch. CSV has one table, the readings where `--what`
names no other; `barmkeep replay` reads them. JSON lines, workbook and page have all.")]
pub struct ExportArgs {
    /// The vessel; may be left out where there is one.
    pub vessel: Option<String>,
    #[command(flatten)]
    /// Where the configuration is.
    pub config: ConfigArg,
    /// The batch, such as north-1; left out: the running one, else the vessel's last.
    #[arg(long, value_name = "ID")]
    pub batch: Option<String>,
    /// In what form; left out: by the output's ending, else CSV.
    #[arg(long, value_enum)]
    pub format: Option<export::Form>,
    /// Which table, of CSV (the readings when left out) or JSON lines (all when left out).
    #[arg(long, value_enum)]
    pub what: Option<export::What>,
    /// The file; left out, or `-`: standard output.
    #[arg(long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Replace that file where it is there already.
    #[arg(long, requires = "output")]
    pub force: bool,
}

/// Where a copy of the store goes.
#[derive(Debug, Args)]
#[command(after_help = "\
The copy is of one moment, one file, checked and synced; the daemon does not wait for it. What the
daemon still has in memory, readings of the last 5 min at most, is not in it.

To put it back: stop the daemon, move the store away with all files that begin with its name
(barmkeep.db, barmkeep.db-wal, barmkeep.db-shm), copy the backup to the store's name, let the
daemon's user own it, and start the daemon.")]
pub struct BackupArgs {
    /// The copy.
    pub file: PathBuf,
    #[command(flatten)]
    /// Where the configuration is.
    pub config: ConfigArg,
    /// Replace that file where it is there already.
    #[arg(long)]
    pub force: bool,
}

/// What a replay takes.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// The schedule's file.
    pub schedule: PathBuf,
    /// The recorded readings, CSV.
    pub readings: PathBuf,
    /// Records and summary as JSON lines.
    #[arg(long)]
    pub json: bool,
    /// Overrides the schedule's: a sample at pitch.
    #[arg(long, value_parser = quantity::<Gravity>)]
    pub original_gravity: Option<Gravity>,
    /// Overrides the schedule's.
    #[arg(long, value_parser = quantity::<Gravity>, conflicts_with = "attenuation")]
    pub final_gravity: Option<Gravity>,
    /// Overrides the schedule's.
    #[arg(long, value_parser = quantity::<Share>)]
    pub attenuation: Option<Share>,
    /// How long a confirmation waits for its answer.
    #[arg(long, value_parser = quantity::<Span>, default_value = "0 s")]
    pub confirm_after: Span,
    /// Take the beer to be at the setpoint for `at_target`.
    #[arg(long)]
    pub follow_setpoint: bool,
    /// A vessel of a configuration; left out: a plain one of 23 L.
    #[arg(long, requires = "config")]
    pub vessel: Option<String>,
    /// The configuration's file.
    #[arg(long, requires = "vessel")]
    pub config: Option<PathBuf>,
}

/// What `calibrate` takes.
#[derive(Debug, Args)]
#[command(after_help = "\
A point is a line of the file: what the float gave in a liquid of known gravity, water or sugar in
water. For a float that gives an angle:

  angle_deg,reference_sg,temperature_c,note
  24.9,1.0000,20.1,tap water
  38.6,1.0302,20.0,76 g of sugar in 924 g of water

The columns are `angle_deg`, `gravity_sg`, `gravity_plato` or `gravity_brix`; `reference_sg`,
`reference_plato` or `reference_brix`; and, as you like, `temperature_c` or `temperature_f` of the
liquid, and `note`.")]
pub struct CalibrateArgs {
    /// The points, CSV.
    pub points: PathBuf,
    /// The order of the curve; left out: by the errors on points left out.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(0..=4))]
    pub order: Option<u8>,
    /// How the float's body expands, such as "200 ppm/K", or "fit" to find it from the points.
    #[arg(long, value_name = "EXPANSION", value_parser = body)]
    pub expansion: Option<Body>,
    /// Write the calibration into this file.
    #[arg(long, value_name = "FILE.toml")]
    pub output: Option<PathBuf>,
    /// Replace that file where it is there already.
    #[arg(long, requires = "output")]
    pub force: bool,
    /// Draw points, curve and residuals into this SVG file.
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
    /// Hold the points against this calibration: has the float moved since?
    #[arg(long, value_name = "FILE.toml", conflicts_with_all = ["order", "output", "plot"])]
    pub against: Option<PathBuf>,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
}

/// How a float's body expands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Body {
    /// To be found from the points.
    Fit,
    /// Known.
    Known(Expansion),
}

/// What a rehearsal takes.
#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// The schedule's file.
    pub schedule: PathBuf,
    /// Records and summary as JSON lines.
    #[arg(long)]
    pub json: bool,
    /// Another seed, another batch.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// The float's noise.
    #[arg(long, value_parser = quantity::<GravityDelta>, default_value = "1 points")]
    pub noise: GravityDelta,
    /// The float's interval.
    #[arg(long, value_parser = quantity::<Span>, default_value = "15 min")]
    pub every: Span,
    /// The vessel's volume.
    #[arg(long, value_parser = quantity::<Volume>, default_value = "23 L")]
    pub volume: Volume,
    /// The temperature around the chamber.
    #[arg(long, value_parser = quantity::<Temperature>, default_value = "20 C")]
    pub ambient: Temperature,
    /// What the beer begins at; left out: what the schedule expects.
    #[arg(long, value_parser = quantity::<Gravity>)]
    pub original_gravity: Option<Gravity>,
    /// How far the beer goes; left out: what the schedule expects.
    #[arg(long, value_parser = quantity::<Share>)]
    pub attenuation: Option<Share>,
    /// How long a confirmation waits for its answer.
    #[arg(long, value_parser = quantity::<Span>, default_value = "0 s")]
    pub confirm_after: Span,
    /// Draw the batch into this SVG file.
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// What a demo takes.
#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Seconds of the cellar a second: 3600 is an hour a second.
    #[arg(long, default_value_t = 28_800)]
    pub pace: u32,
    /// Another seed, another batch.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Stay up after the batch is complete, until interrupted.
    #[arg(long)]
    pub stay: bool,
}

/// A command for a vessel, as typed.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselCommand {
    /// Its name.
    pub name: String,
    /// The vessel, where it was named.
    pub vessel: Option<String>,
    /// The configuration's file.
    pub config: PathBuf,
    /// Its fields.
    pub fields: BTreeMap<String, String>,
}

/// What was typed.
#[derive(Debug)]
pub enum Typed {
    /// A task of the program.
    Task(Task),
    /// A command for a vessel.
    Vessel(VesselCommand),
}

/// The whole command line: the tasks, and a subcommand for each of the engine's commands.
pub fn command() -> clap::Command {
    let mut whole = Cli::command();
    for (name, fields) in engine::command::COMMANDS {
        let mut sub = clap::Command::new(*name)
            .arg(Arg::new("vessel").help("The vessel; may be left out where there is one"));
        for field in *fields {
            let mut argument = Arg::new(*field).long(flag(field)).help(field_help(field));
            if engine::command::SWITCHES.contains(field) {
                argument = argument.num_args(0..=1).default_missing_value("yes");
            }
            sub = sub.arg(argument.allow_hyphen_values(true));
        }
        // The arguments bring a description of their own: the command's comes after.
        whole = whole.subcommand(ConfigArg::augment_args(sub).about(about(name)));
    }
    let names: Vec<String> = whole.get_subcommands().map(|sub| sub.get_name().to_owned()).collect();
    for name in names {
        whole = whole.mut_subcommand(&name, |sub| match examples::below(&name) {
            // What a command says below its help by itself comes first.
            Some(below) => {
                let own = sub.get_after_help().map(|own| format!("{own}\n\n"));
                sub.after_help(format!("{}{below}", own.unwrap_or_default()))
            }
            None => sub,
        });
    }
    whole
}

/// Reads what was typed.
///
/// # Errors
/// Wrong usage, or what `--help` and `--version` print with status 0.
pub fn parse(
    arguments: impl IntoIterator<Item = std::ffi::OsString>,
) -> Result<Typed, clap::Error> {
    let matches = command().try_get_matches_from(arguments)?;
    if let Some((name, matches)) = matches.subcommand()
        && let Some((_, fields)) =
            engine::command::COMMANDS.iter().find(|(known, _)| *known == name)
    {
        return vessel_command(name, fields, matches).map(Typed::Vessel);
    }
    Cli::from_arg_matches(&matches).map(|cli| Typed::Task(cli.task))
}

impl ReplayArgs {
    /// What the replay itself needs of them.
    pub fn options(&self) -> replay::Options {
        replay::Options {
            original_gravity: self.original_gravity,
            final_gravity: self.final_gravity,
            attenuation: self.attenuation,
            confirm_after: self.confirm_after,
            follow_setpoint: self.follow_setpoint,
            json: self.json,
        }
    }
}

fn vessel_command(
    name: &str,
    fields: &[&str],
    matches: &ArgMatches,
) -> Result<VesselCommand, clap::Error> {
    let config = ConfigArg::from_arg_matches(matches)?.config;
    let given = fields.iter().filter_map(|field| {
        matches.get_one::<String>(field).map(|text| ((*field).to_owned(), text.clone()))
    });
    Ok(VesselCommand {
        name: name.to_owned(),
        vessel: matches.get_one::<String>("vessel").cloned(),
        config,
        fields: given.collect(),
    })
}

/// Reads how a body expands.
fn body(text: &str) -> Result<Body, String> {
    if text.trim() == "fit" {
        return Ok(Body::Fit);
    }
    quantity(text).map(Body::Known).map_err(|error| format!("{error}; or `fit`"))
}

/// Reads a flag's quantity.
fn quantity<Q: Quantity>(text: &str) -> Result<Q, String> {
    Q::parse(text).map_err(|error| format!("{error}; {}", error.hint()))
}

fn about(name: &str) -> &'static str {
    match name {
        "pitch" => "Start a batch",
        "hold" => "Keep the setpoint and freeze the stage's clock",
        "resume" => "Go on after a hold",
        "advance" => "Begin the next stage now, or another one",
        "nudge" => "Correct the setpoint",
        "expect" => "Tell of another original or final gravity to expect",
        "park" => "Hold a temperature without a batch",
        "unpark" => "Hold it no longer",
        "lock" => "Keep both outputs off until `unlock`: cleaning, service",
        "unlock" => "Let the outputs run again",
        "confirm" => "Confirm a sentence that the stage waits for; left out: all",
        "revise" => "Put the edited schedule under the running batch",
        "sample" => "Tell of a hand reading",
        "addition" => "Tell of something that was added to the beer: sugar, fruit, water, hops",
        "source" => "Tell that a float is out of the beer, back in it, or another one",
        "move" => "Take the batch, or a part of it, to another vessel",
        "note" => "Write a free line into the record",
        "acknowledge" => "Say that an alarm was seen; left out: all",
        "shelve" => "Silence an alarm for a time",
        "stop" => "End the batch, outputs off",
        "abort" => "Outputs off now",
        _ => "A command for a vessel",
    }
}

/// The flag of a field: its name with dashes.
fn flag(field: &'static str) -> &'static str {
    match field {
        "calibrated_at" => "calibrated-at",
        "final_gravity" => "final-gravity",
        "original_gravity" => "original-gravity",
        "pitched_at" => "pitched-at",
        plain => plain,
    }
}

fn field_help(field: &str) -> &'static str {
    match field {
        "schedule" => "The schedule's file, without its ending",
        "name" => "The batch's name",
        "original_gravity" => "A sample at pitch, such as \"1.048 SG\" or \"12 P\", or unknown",
        "pitched_at" => "The same as --at",
        "by" => "By how much, such as \"1 C\" or \"-0.5 C\"",
        "target" => "The temperature to hold",
        "until" => "For how long, such as \"12 h\"; left out, or stage: until the stage ends",
        "to" => "A stage, where not the next, also an earlier one; of `move` the other vessel",
        "because" => "Why",
        "uncertainty" => "Its standard deviation, such as \"1 points\"",
        "final_gravity" => "The expected final gravity",
        "attenuation" => "The expected apparent attenuation, such as \"80 %\"",
        "volume" => "The batch's volume, or how much of it moves, such as \"23 L\"",
        "keep" => "Leave a twin: what does not move, or so much, such as \"8 L\"",
        "yeast" => "The yeast, for the record",
        "at" => "When it was pitched, where not now (RFC 3339)",
        "stage" => "The stage that it begins in, where not the first",
        "say" => "The sentence",
        "gravity" => "As read, such as \"1.012 SG\" or \"3.1 P\"",
        "instrument" => "hydrometer, refractometer or \"density meter\"",
        "temperature" => "The sample's temperature",
        "calibrated_at" => "The temperature that the instrument was made for, 20 C where left out",
        "taken" => "When it was taken, where not now (RFC 3339)",
        "what" => "What it was, such as \"candi sugar\"",
        "extract" => "Its dry extract, that ferments wholly, such as \"500 g\"",
        "raises" => "By how much it was seen to raise the gravity, such as \"9 points\"",
        "disturbs" => "For how long readings may be wild, such as \"6 h\"",
        "do" => "aside, return or exchanged",
        "calibration" => "The new float's calibration, relative to the configuration",
        "text" => "The line",
        "alarm" => "The alarm's id, as `status` shows it",
        "for" => "For how long, such as \"8 h\"",
        _ => "See the README",
    }
}

/// The status and text of a clap error: help and version are data, the rest is wrong usage.
pub fn usage(error: &clap::Error) -> Option<Failure> {
    error.use_stderr().then(|| Failure::new(Status::Usage, String::new()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(line: &str) -> Result<Typed, clap::Error> {
        parse(line.split(' ').map(std::ffi::OsString::from))
    }

    #[test]
    fn the_command_line_is_sound() {
        command().debug_assert();
    }

    #[test]
    fn every_field_has_a_flag_with_dashes() {
        for field in engine::command::COMMANDS.iter().flat_map(|(_, fields)| *fields) {
            assert_eq!(flag(field), field.replace('_', "-"));
        }
    }

    #[test]
    fn every_command_says_what_it_does() {
        let whole = command();
        for (name, _) in engine::command::COMMANDS {
            let sub = whole.find_subcommand(name).unwrap();
            assert_eq!(sub.get_about().unwrap().to_string(), about(name));
            assert_ne!(about(name), "A command for a vessel", "{name}");
        }
    }

    #[test]
    fn fields_are_flags() {
        let line =
            "barmkeep pitch north --schedule pale-lager --original-gravity 12P --config c.toml";
        let Ok(Typed::Vessel(command)) = typed(line) else { panic!("no command") };
        assert_eq!(command.vessel.as_deref(), Some("north"));
        assert_eq!(command.fields["original_gravity"], "12P");
        assert_eq!(command.config, PathBuf::from("c.toml"));
        assert!(typed("barmkeep pitch north --colour red").is_err());
    }
}
