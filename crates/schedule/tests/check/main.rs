//! What `check` says of schedules and configurations, as tables: a text, and the problems that it
//! must have, each as `error code line:column`.

#![expect(clippy::unwrap_used, reason = "a test that panics has failed, and says where")]

mod configuration;
mod grammar;
mod kinds;
mod limits;
mod mutations;
mod rules;
mod schemas;
mod vessels;

use schedule::config::Config;
use schedule::model::Schedule;
use schedule::{Checked, Problem, Severity, Source};

/// Reads a schedule and compares its problems.
#[track_caller]
fn check(text: &str, expected: &[&str]) -> Checked<Schedule> {
    let source = Source::new("cellar/pale-lager.toml", text);
    let checked = schedule::read_schedule(&source);
    compare(&checked.problems, &source, expected);
    whole(&checked);
    checked
}

/// Reads a configuration and compares its problems.
#[track_caller]
fn check_config(text: &str, expected: &[&str]) -> Checked<Config> {
    let source = Source::new("cellar.toml", text);
    let checked = schedule::read_config(&source, &is_time_zone);
    compare(&checked.problems, &source, expected);
    whole(&checked);
    checked
}

fn is_time_zone(name: &str) -> bool {
    ["Europe/London", "America/Denver"].contains(&name)
}

#[track_caller]
fn compare(problems: &[Problem], source: &Source, expected: &[&str]) {
    let found: Vec<String> = problems.iter().map(short).collect();
    let rendered = schedule::render(problems, source, false);
    assert_eq!(found, expected, "\n{}\n{rendered}", source.text);
    for problem in problems {
        // What is drawn names the same place as the record.
        let place = format!("{}:{}:{}\n", source.name, problem.place.line, problem.place.column);
        assert!(rendered.contains(&place), "no {place} in\n{rendered}");
        assert!(source.text.get(problem.place.range.clone()).is_some());
        assert!(!problem.message.ends_with('.'), "{}", problem.message);
    }
}

/// The invariant of [`Checked`].
#[track_caller]
fn whole<T>(checked: &Checked<T>) {
    assert_eq!(checked.value.is_none(), checked.has_errors());
}

fn short(problem: &Problem) -> String {
    let severity = match problem.severity {
        Severity::Error => "error",
        Severity::Warning => "warning",
    };
    format!("{severity} {} {}:{}", problem.code, problem.place.line, problem.place.column)
}

/// A schedule of one stage, its target in line 4 from column 8, its milestone in line 5 from
/// column 7, and a bound, so that nothing else is worth a word.
fn stage(target: &str, until: &str) -> String {
    format!(
        "format=1\n[[stage]]\nname='one'\ntarget={target}\nuntil={until}\n\
         at_most={{time='60 d',then='alarm'}}\n"
    )
}

/// As [`stage`], with a line for `[expect]` that comes last.
fn expecting(expect: &str, target: &str, until: &str) -> String {
    format!("{}[expect]\n{expect}\n", stage(target, until))
}
