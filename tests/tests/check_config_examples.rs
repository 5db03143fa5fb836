//! What a user copies has no problem, by itself and together.

use schedule::{FileKind, Source, config::Config};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../config-examples")
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("the folder is part of the project");
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.retain(|file| file.extension().is_some_and(|end| end == "toml"));
    files.sort();
    files
}

fn source(file: &Path) -> Source {
    let text = std::fs::read_to_string(file).expect("it was listed");
    Source::new(file.display().to_string(), text)
}

/// Reads a configuration that must be without a problem.
fn config(file: &Path) -> Config {
    let source = source(file);
    assert_eq!(schedule::kind_of(&source.text), FileKind::Config, "{}", source.name);
    let checked = schedule::read_config(&source, &|_| true);
    let problems = schedule::render(&checked.problems, &source, false);
    assert!(checked.problems.is_empty(), "{problems}");
    checked.value.expect("there is no problem")
}

/// Which schedule fits which vessel is another test's: `example_schedules`.
#[test]
fn every_example_is_clean() {
    let configs: Vec<Config> = files(&folder()).iter().map(|file| config(file)).collect();
    let schedules = files(&folder().join("schedules"));
    assert!(configs.len() >= 2 && schedules.len() >= 11);
    for file in &schedules {
        let source = source(file);
        assert_eq!(schedule::kind_of(&source.text), FileKind::Schedule, "{}", source.name);
        let alone = schedule::read_schedule(&source);
        assert!(alone.problems.is_empty(), "{}", schedule::render(&alone.problems, &source, false));
        assert!(alone.value.is_some());
    }
}

/// The example says what it would do without a line that it calls a default.
#[test]
fn the_defaults_that_the_example_names_are_the_defaults() {
    let file = folder().join("barmkeep.toml");
    let text = source(&file).text;
    let with = config(&file);
    let mut default = false;
    let lines: Vec<&str> = text
        .lines()
        .filter(|line| {
            if line.starts_with('[') {
                default = line.contains("all of these are the defaults");
            }
            let named =
                default || line.trim_end().ends_with("default") || line.contains("(default)");
            line.starts_with('[') || line.starts_with('#') || !named
        })
        .collect();
    assert!(lines.len() + 10 < text.lines().count(), "too few lines were left out");
    let source = Source::new("without.toml", lines.join("\n"));
    let checked = schedule::read_config(&source, &|_| true);
    assert!(checked.problems.is_empty(), "{}", schedule::render(&checked.problems, &source, false));
    assert_eq!(checked.value, Some(with));
}

/// What a `[[tell]]` can ask for is what the engine records.
#[test]
fn the_kinds_of_record_are_the_engines() {
    let mut told: Vec<&str> = schedule::EVENT_KINDS.to_vec();
    let mut recorded: Vec<&str> = engine::Kind::ALL.iter().map(|kind| kind.as_str()).collect();
    told.sort_unstable();
    recorded.sort_unstable();
    assert_eq!(told, recorded);
}
