//! From what was typed to what is done, and to the exit status.

use crate::cli::{self, AskArgs, ReplayArgs, SchemaOf, Task, Typed, VesselCommand};
use crate::failure::{Failure, Status};
use crate::files::{self, Cellar};
use crate::zone::Zone;
use crate::{ask, calibrate, daemon, outline, pipe, replay, screen, standing, store};
use std::ffi::OsString;
use std::io::{BufWriter, IsTerminal, Write};
use std::process::ExitCode;
use tracing_subscriber::Layer;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt;

/// Does what was typed.
pub fn start(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let typed = match cli::parse(arguments) {
        Ok(typed) => typed,
        Err(error) => {
            // Where the terminal is gone there is nobody to tell.
            let _ = error.print();
            return status(cli::usage(&error));
        }
    };
    let done = match typed {
        Typed::Vessel(command) => vessel_command(&command),
        Typed::Task(task) => do_task(task),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            if !failure.message.is_empty() {
                eprintln!("{failure}");
            }
            status(Some(failure))
        }
    }
}

fn status(failure: Option<Failure>) -> ExitCode {
    failure.map_or(ExitCode::SUCCESS, |failure| ExitCode::from(failure.status as u8))
}

fn do_task(task: Task) -> Result<(), Failure> {
    match task {
        Task::Run { config } => {
            log_to_stderr(LevelFilter::INFO);
            let cellar = Cellar::read(&config)?;
            let runtime = runtime()?;
            let ended = runtime.block_on(daemon::run(cellar));
            // A resolver that does not answer is not waited for.
            runtime.shutdown_background();
            ended
        }
        Task::Check { files, json, outline } => check(&files, json, outline),
        Task::Rehearse(arguments) => crate::rehearse::task(&arguments),
        Task::Replay(arguments) => replay_task(&arguments),
        Task::Calibrate(arguments) => calibrate::task(&arguments),
        Task::Pipe { config } => {
            let cellar = Cellar::read(&config)?;
            let output = BufWriter::new(std::io::stdout().lock());
            pipe::run(&cellar, std::io::stdin().lock(), output)
        }
        Task::Status(arguments) => status_task(&arguments, false),
        Task::Why(arguments) => status_task(&arguments, true),
        Task::Log(arguments) => crate::log::task(&arguments),
        Task::Compare(arguments) => crate::compare::task(&arguments),
        Task::Export(arguments) => crate::export::task(&arguments),
        Task::Backup(arguments) => crate::backup::task(&arguments),
        Task::Demo(arguments) => {
            log_to_stderr(LevelFilter::WARN);
            runtime()?.block_on(crate::demo::run(arguments))
        }
        Task::Schema { of } => {
            let schema = match of {
                SchemaOf::Schedule => schedule::schedule_schema(),
                SchemaOf::Config => schedule::config_schema(),
            };
            Ok(writeln!(std::io::stdout(), "{schema:#}")?)
        }
        Task::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut cli::command(), "barmkeep", &mut script);
            Ok(std::io::stdout().write_all(&script)?)
        }
        Task::Reference { of } => crate::reference::task(of),
        Task::Man { command, folder } => crate::man::task(command.as_deref(), folder.as_deref()),
        Task::Password => crate::password::task(),
    }
}

pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::new(Status::Io, format!("no runtime: {error}")))
}

/// What goes to standard error, unless `BARMKEEP_LOG` says otherwise. The broker inside warns of
/// each forbidden message by itself; the link says it once.
fn log_to_stderr(ours: LevelFilter) {
    let wished = std::env::var("BARMKEEP_LOG").ok().and_then(|text| text.parse().ok());
    let filter: Targets = wished.unwrap_or_else(|| {
        Targets::new()
            .with_default(LevelFilter::WARN)
            .with_target("barmkeep", ours)
            .with_targets([("mqtt5", LevelFilter::ERROR), ("rumqttc", LevelFilter::ERROR)])
    });
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(std::io::stderr)
        .with_ansi(files::colour())
        .with_target(false);
    let subscriber = tracing_subscriber::registry().with(lines.with_filter(filter));
    // Only a second call could fail.
    let _ = tracing::subscriber::set_global_default(subscriber);
}

fn check(paths: &[std::path::PathBuf], as_json: bool, outline: bool) -> Result<(), Failure> {
    let outline = !as_json && (outline || std::io::stdout().is_terminal());
    let (mut errors, mut output) = (0, standing::output());
    for path in paths {
        let source = files::read_source(path)?;
        let (problems, read) = match schedule::kind_of(&source.text) {
            schedule::FileKind::Config => (files::config_problems(&source, path), None),
            schedule::FileKind::Schedule => {
                let checked = schedule::read_schedule(&source);
                (checked.problems, checked.value.filter(|_| outline))
            }
        };
        errors += problems.iter().filter(|p| p.severity == schedule::Severity::Error).count();
        if as_json {
            for problem in &problems {
                writeln!(output, "{}", json_line(&problem.record(&source)))?;
            }
        } else if problems.is_empty() {
            writeln!(output, "{}: nothing is wrong", source.name)?;
        } else {
            eprint!("{}", schedule::render(&problems, &source, files::colour()));
        }
        if let Some(schedule) = read {
            outline::of_schedule(&mut output, &schedule)?;
            writeln!(output)?;
        }
    }
    match errors {
        0 => Ok(()),
        1 => Err(Failure::new(Status::Config, "one error")),
        count => Err(Failure::new(Status::Config, format!("{count} errors"))),
    }
}

fn replay_task(arguments: &ReplayArgs) -> Result<(), Failure> {
    let schedule = files::read_schedule(&arguments.schedule)?;
    let cellar = arguments.config.as_deref().map(Cellar::read).transpose()?;
    let vessel = match (&cellar, &arguments.vessel) {
        (Some(cellar), Some(name)) => Some((cellar, cellar.vessel(Some(name))?)),
        _ => None,
    };
    let mut output = BufWriter::new(std::io::stdout().lock());
    replay::run(schedule, &arguments.readings, vessel, &arguments.options(), &mut output)
}

fn vessel_command(command: &VesselCommand) -> Result<(), Failure> {
    // What the engine would refuse anyway is refused here, before anything is sent.
    engine::Command::from_fields(&command.name, &command.fields)
        .map_err(|error| Failure::new(Status::Usage, error.to_string()))?;
    let cellar = Cellar::read(&command.config)?;
    let vessel = cellar.vessel(command.vessel.as_deref())?;
    let asked = ask::command(&cellar, vessel, &command.name, &command.fields);
    let answer = runtime()?.block_on(asked)?;
    let text = Zone::of(&cellar.config).within(&answer.text);
    if answer.ok {
        Ok(writeln!(std::io::stdout(), "{text}")?)
    } else {
        Err(Failure::new(Status::Failed, format!("refused: {text}")))
    }
}

fn status_task(arguments: &AskArgs, why: bool) -> Result<(), Failure> {
    let cellar = Cellar::read(&arguments.config.config)?;
    let vessel = match &arguments.vessel {
        Some(name) => Some(cellar.vessel(Some(name))?),
        None => None,
    };
    let stands = runtime()?.block_on(ask::states(&cellar, vessel))?;
    let zone = Zone::of(&cellar.config);
    let reader = standing::Reader { show: cellar.config.show, zone: &zone, width: screen::width() };
    let mut output = standing::output();
    for (index, state) in stands.vessels.iter().enumerate() {
        if arguments.json {
            writeln!(output, "{}", json_line(state))?;
            continue;
        }
        if index > 0 {
            writeln!(output)?;
        }
        if why {
            standing::print_why(&mut output, state, &reader)?;
        } else {
            standing::print_state(&mut output, state, &reader)?;
            if let Some(vessel) = cellar.config.vessels.get(&state.vessel) {
                standing::print_cautions(&mut output, vessel, &reader)?;
            }
        }
    }
    if !arguments.json && !why {
        standing::print_tells(&mut output, &stands.tells, &reader)?;
    }
    Ok(())
}

/// One line of JSON, its fields in their own order.
pub(crate) fn json_line(value: &impl serde::Serialize) -> String {
    serde_json::to_string(value).unwrap_or_default()
}

/// A store that cannot be opened or read.
pub(crate) fn open_failure(error: &store::StoreError) -> Failure {
    Failure::new(Status::Io, error.to_string()).hint(error.hint())
}
