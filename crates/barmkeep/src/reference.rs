//! `reference`: all that files, commands, events and alarms can be, as Markdown, from the tables
//! that the program itself uses.

use crate::cli::{self, ReferenceOf};
use crate::failure::Failure;
use quantity::Quantity;
use std::fmt::Write as _;
use std::io::Write;

/// Prints the reference, or one part of it.
///
/// # Errors
/// Where the output fails.
pub fn task(of: Option<ReferenceOf>) -> Result<(), Failure> {
    Ok(std::io::stdout().write_all(text(of).as_bytes())?)
}

/// A part's name on the command line, its title, and what writes it.
type Part = (ReferenceOf, &'static str, fn() -> String);

/// The reference, or one part of it.
pub fn text(of: Option<ReferenceOf>) -> String {
    use ReferenceOf::{Alarms, Commands, Config, Events, Quantities, Schedule};
    let parts: [Part; 6] = [
        (Schedule, "Schedules", schedule::schedule_reference),
        (Config, "Configurations", schedule::config_reference),
        (Quantities, "Quantities", quantities),
        (Commands, "Commands", commands),
        (Events, "Events", events),
        (Alarms, "Alarms", alarms),
    ];
    let wanted = parts.iter().filter(|(part, ..)| of.is_none_or(|of| of == *part));
    wanted
        .map(|(_, title, text)| format!("# {title}\n\n{}\n", text().trim_end()))
        .collect::<Vec<_>>()
        .join("\n")
}

fn quantities() -> String {
    fn row<Q: Quantity>() -> String {
        let units: Vec<String> = Q::UNITS.iter().map(|unit| format!("`{unit}`")).collect();
        format!("| {} | {} | `\"{}\"` |\n", Q::KIND, units.join(" "), Q::EXAMPLE)
    }
    let rows = [
        row::<quantity::Temperature>(),
        row::<quantity::TemperatureDelta>(),
        row::<quantity::TemperatureRate>(),
        row::<quantity::Gravity>(),
        row::<quantity::GravityDelta>(),
        row::<quantity::GravityRate>(),
        row::<quantity::Share>(),
        row::<quantity::Span>(),
        row::<quantity::Volume>(),
        row::<quantity::Mass>(),
        row::<quantity::Angle>(),
        row::<quantity::Expansion>(),
        row::<quantity::Power>(),
    ];
    format!("| kind | units | example |\n| --- | --- | --- |\n{}", rows.concat())
}

fn commands() -> String {
    let mut whole = cli::command();
    whole.build();
    let mut text = String::new();
    for command in whole.get_subcommands().filter(|command| command.get_name() != "help") {
        let about = command.get_about().map(ToString::to_string).unwrap_or_default();
        // Writing to a string cannot fail.
        let _ = writeln!(text, "## `barmkeep {}`\n\n{about}.\n", command.get_name());
        for argument in command.get_arguments().filter(|argument| argument.get_id() != "help") {
            let name = argument.get_long().map_or_else(
                || format!("`{}`", argument.get_id().as_str().to_uppercase()),
                |long| format!("`--{long}`"),
            );
            let help = argument.get_help().map(ToString::to_string).unwrap_or_default();
            let _ = writeln!(text, "- {name}: {help}");
        }
        text.push('\n');
    }
    text
}

fn events() -> String {
    let mut text = "| kind | what it tells |\n| --- | --- |\n".to_owned();
    for kind in engine::Kind::ALL {
        let _ = writeln!(text, "| `{}` | {} |", kind.as_str(), kind.about());
    }
    text
}

fn alarms() -> String {
    let mut text = "| id | raised when | priority | after | gone after |\n\
                    | --- | --- | --- | --- | --- |\n"
        .to_owned();
    for alarm in engine::alarms() {
        let _ = writeln!(
            text,
            "| `{}` | {} | {} | {} | {} |",
            alarm.id, alarm.when, alarm.priority, alarm.on_delay, alarm.off_delay
        );
    }
    text
}
