//! What a person sees of a faulty schedule: each file of `tests/data/schedules` has its snapshot.

use schedule::Source;
use std::path::{Path, PathBuf};

/// The faulty schedules, in the order of their names.
fn files() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/schedules");
    let entries = std::fs::read_dir(&folder).expect("the folder is part of the project");
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.retain(|file| file.extension().is_some_and(|end| end == "toml"));
    files.sort();
    files
}

#[test]
fn each_faulty_schedule_shows_what_is_wrong() {
    let mut refused = 0;
    for file in files() {
        let stem = file.file_stem().unwrap().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&file).unwrap();
        let source = Source::new(format!("{stem}.toml"), text);
        let checked = schedule::read_schedule(&source);
        assert!(!checked.problems.is_empty(), "{stem} has no problem");
        refused += usize::from(checked.has_errors());
        insta::assert_snapshot!(stem, schedule::render(&checked.problems, &source, false));
    }
    assert!(refused >= 15, "only {refused} kinds of faulty schedule are refused");
}

/// As a record: what a script reads.
#[test]
fn a_problem_is_one_line_of_json() {
    let text = "format = 1\n[[stage]]\nname = 'ü'\ntaget = '1 C'\nuntil = { elapsed = '1 d' }\n";
    let source = Source::new("cellar/ale.toml", text);
    let checked = schedule::read_schedule(&source);
    let line = serde_json::to_string(&checked.problems[0].record(&source)).unwrap();
    insta::assert_snapshot!("json", line);
}
