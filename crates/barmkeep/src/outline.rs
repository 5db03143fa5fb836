//! `check`'s outline of a schedule: its stages in words, and the way of its temperature as a small
//! picture of letters.

use crate::screen::{self, FAINT, HEAD, painted, wrapped};
use quantity::{Show, Temperature, TemperatureUnit};
use schedule::model::{
    ExpectedFinal, ExpectedOriginal, Finish, Milestone, Overdue, Schedule, Stage, Target,
};
use schedule::{milestone_text, target_text};
use std::io::{Result, Write};

/// Where the values begin.
const COLUMN: usize = 15;
/// Rows of the picture.
const ROWS: usize = 9;
/// Columns before its lines.
const AXIS: usize = 9;

/// Prints a schedule as a person would tell it.
///
/// # Errors
/// Where the output fails.
pub fn print(output: &mut impl Write, it: &Schedule, show: Show, width: usize) -> Result<()> {
    let mut line = |label: &str, text: &str| {
        let first = format!("{label:<COLUMN$}");
        writeln!(output, "{}", wrapped(&first, text, COLUMN, width))
    };
    line("  expects", &expectation(it, show))?;
    line("  limits", &limits(it, show))?;
    for (index, stage) in it.stages.iter().enumerate() {
        let label = format!("{:>3} {}", index + 1, stage.name);
        let label = painted(HEAD, &label);
        line("", "")
            .and_then(|()| line(&format!("{label}: "), &target_text(&stage.target, show)))?;
        for (what, text) in ends(stage, show) {
            line(what, &text)?;
        }
    }
    let finish = match it.finish {
        Finish::Keep => "the last setpoint is kept until a person stops the batch",
        Finish::Off => "the outputs go off",
    };
    line("", "")?;
    line("  afterwards", finish)?;
    writeln!(output)?;
    picture(output, it, show, width)
}

fn expectation(it: &Schedule, show: Show) -> String {
    let from = match it.expect.original_gravity {
        ExpectedOriginal::Gravity(gravity) => show.gravity(gravity),
        ExpectedOriginal::Measured => "what is measured".to_owned(),
    };
    let to = match it.expect.final_gravity {
        ExpectedFinal::Gravity(gravity) => format!("to {}", show.gravity(gravity)),
        ExpectedFinal::Attenuation(share) => {
            format!("attenuated by {:.0} %", share.percent())
        }
        ExpectedFinal::Unknown => "to an end that nobody knows".to_owned(),
    };
    let yeast = it.expect.yeast_range.map_or_else(String::new, |(coldest, warmest)| {
        format!("; yeast for {} to {}", show.temperature(coldest), show.temperature(warmest))
    });
    let begins = it.expect.begins_within;
    format!("{from} {to}, a fall within {begins}{yeast}")
}

fn limits(it: &Schedule, show: Show) -> String {
    let limit = |at: Option<Temperature>| {
        at.map_or_else(|| "the vessel's".to_owned(), |at| show.temperature(at))
    };
    format!(
        "{} to {}; up by at most {} an hour, down by at most {}",
        limit(it.limits.coldest),
        limit(it.limits.warmest),
        hourly(it.limits.ramp_up.kelvin_per_hour(), show),
        hourly(it.limits.ramp_down.kelvin_per_hour(), show)
    )
}

/// A ramp, with no more decimals than it needs: `0.25 °C`.
fn hourly(kelvin: f64, show: Show) -> String {
    let (number, unit) = match show.temperature {
        TemperatureUnit::Celsius => (kelvin, "°C"),
        TemperatureUnit::Fahrenheit => (kelvin * 1.8, "°F"),
    };
    format!("{} {unit}", (number * 100.0).round() / 100.0)
}

/// What ends a stage, and what it says on the way.
fn ends(stage: &Stage, show: Show) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    let parts: Vec<&Milestone> = match &stage.until {
        Milestone::All(list) => list.iter().collect(),
        one => vec![one],
    };
    for (index, part) in parts.into_iter().enumerate() {
        let label = if index == 0 { "      until" } else { "      and" };
        lines.push((label, milestone_text(part, show)));
    }
    if let Some(least) = stage.at_least {
        lines.push(("      at least", least.to_string()));
    }
    if let Some(most) = stage.at_most {
        let then = match most.then {
            Overdue::Alarm => "then an alarm",
            Overdue::Advance => "then the next stage in any case",
            Overdue::Hold => "then the run is held",
        };
        lines.push(("      at most", format!("{}, {then}", most.time)));
    }
    for notice in &stage.notices {
        let text = format!("\"{}\" once {}", notice.say, milestone_text(&notice.when, show));
        lines.push(("      says", text));
    }
    lines
}

/// The way of the setpoint, stage by stage: each has the same width, since nobody knows how long it
/// takes.
fn picture(output: &mut impl Write, it: &Schedule, show: Show, width: usize) -> Result<()> {
    let each = ((width - AXIS - 1) / it.stages.len()).clamp(3, 14);
    let mut way: Vec<(f64, char)> = Vec::new();
    let mut from = it.stages[0].target.end().celsius();
    for stage in &it.stages {
        for column in 0..each {
            let share = (column as f64 + 0.5) / each as f64;
            way.push(at(&stage.target, from, share));
        }
        from = stage.target.end().celsius();
    }
    let (low, high) = way.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (c, _)| {
        (low.min(*c), high.max(*c))
    });
    let row = |celsius: f64| {
        let share = if high > low { (high - celsius) / (high - low) } else { 0.5 };
        (share * (ROWS - 1) as f64).round() as usize
    };
    for line in 0..ROWS {
        let celsius = high - (high - low) * line as f64 / (ROWS - 1) as f64;
        let told = line == 0 || line == ROWS - 1 || line == ROWS / 2;
        let label = if told && high > low || line == ROWS / 2 {
            told_at(celsius, show)
        } else {
            String::new()
        };
        let marks: String = way
            .iter()
            .map(|(celsius, mark)| if row(*celsius) == line { *mark } else { ' ' })
            .collect();
        writeln!(output, "{label:>AXIS$}|{}", marks.trim_end())?;
    }
    writeln!(output, "{:>AXIS$}+{}", "", "-".repeat(each * it.stages.len()))?;
    let numbers: String = (1..=it.stages.len()).map(|number| format!("{number:<each$}")).collect();
    writeln!(output, "{:>AXIS$} {}", "stage", numbers.trim_end())?;
    if it.stages.iter().any(|stage| matches!(stage.target, Target::FreeRise { .. })) {
        let text = "a row of dots: the beer's own way, below its ceiling";
        writeln!(output, "{:>AXIS$} {}", "", painted(FAINT, text))?;
    }
    Ok(())
}

fn told_at(celsius: f64, show: Show) -> String {
    // Never `-0.0`.
    let rounded = (celsius * 10.0).round() / 10.0 + 0.0;
    Temperature::from_celsius(rounded).map_or_else(String::new, |at| show.temperature(at))
}

/// Where a stage's setpoint is after this share of the stage, in °C, and how it is drawn.
fn at(target: &Target, from: f64, share: f64) -> (f64, char) {
    let to = target.end().celsius();
    let along = |steps: Option<std::num::NonZeroU32>| {
        let done = steps.map_or(share, |steps| {
            let steps = f64::from(steps.get());
            (share * (steps + 1.0)).floor().min(steps) / steps
        });
        from + (to - from) * done
    };
    match target {
        Target::Fixed(_) => (to, '='),
        Target::Timed { steps, .. } | Target::Climb { steps, .. } => (along(*steps), '='),
        Target::FreeRise { .. } => (along(None), '.'),
    }
}

/// The outline of a schedule's text, as `check` prints it; empty where it has errors.
///
/// # Errors
/// Where the output fails.
pub fn of_schedule(output: &mut impl Write, it: &Schedule) -> Result<()> {
    print(output, it, Show::default(), screen::width())
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCHEDULE: &str = r#"
format = 1
name = "A lager"
[expect]
original_gravity = "12 P"
final_gravity = "2.5 P"
[limits]
coldest = "0 C"
[[stage]]
name = "primary"
target = "10 C"
until = { attenuation = "50 %", elapsed = "2 d" }
at_most = { time = "12 d", then = "hold" }
[[stage]]
name = "rise"
target = { free_rise = "18 C" }
until = { stable = { within = "1 points", over = "48 h" } }
at_most = { time = "12 d" }
[[stage]]
name = "down"
target = { to = "2 C", rate = "2 C/d", steps = 4 }
until = { at_target = "6 h" }
  [[stage.notice]]
  say = "Taste it"
  when = { elapsed = "1 d" }
"#;

    fn outline() -> String {
        let source = schedule::Source::new("a.toml", SCHEDULE);
        let it = schedule::read_schedule(&source).value.unwrap();
        let mut text = Vec::new();
        print(&mut text, &it, Show::default(), 80).unwrap();
        anstream::adapter::strip_str(&String::from_utf8(text).unwrap()).to_string()
    }

    #[test]
    fn every_stage_is_told_with_all_that_ends_it() {
        let text = outline();
        for part in [
            "  1 primary: 10.0 °C",
            "      until    apparent attenuation at least 50 %",
            "      and      2 d in this stage",
            "      at most  12 d, then the run is held",
            "  2 rise: free to rise to 18.0 °C, not heated",
            "  3 down: to 2.0 °C at 2.0 °C a day, in 4 steps",
            "      says     \"Taste it\" once 1 d in this stage",
            "  afterwards   the last setpoint is kept",
            "  limits       0.0 °C to the vessel's; up by at most 1 °C an hour",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.lines().all(|line| line.trim_end() == line), "{text}");
    }

    #[test]
    fn the_picture_goes_where_the_setpoint_goes() {
        let text = outline();
        let rows: Vec<&str> = text.lines().filter(|line| line.contains('|')).collect();
        assert_eq!(rows.len(), ROWS);
        assert!(rows[0].contains("18.0 °C|") && rows[ROWS - 1].contains("2.0 °C|"), "{text}");
        let column = |row: &str, at: usize| row.chars().nth(AXIS + 1 + at).unwrap_or(' ');
        let row_of = |at: usize| rows.iter().position(|row| column(row, at) != ' ').unwrap();
        // Flat, then up, then down; 14 columns each.
        assert_eq!(row_of(0), row_of(13));
        assert!(row_of(14) > row_of(27), "{text}");
        assert!(row_of(28) < row_of(41), "{text}");
        assert_eq!((0..42).filter(|at| rows.iter().any(|row| column(row, *at) != ' ')).count(), 42);
    }
}
