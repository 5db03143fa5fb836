//! What nothing checks decays: which rooms may depend on what, and how the sources look.

use barmkeep_tests::program::{cargo, project};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The rooms that touch no clock, network or disk.
const INNER: [&str; 7] =
    ["quantity", "brewing", "belief", "schedule", "control", "engine", "plant"];

/// What would let them.
const REACHES_OUT: [&str; 13] = [
    "tokio",
    "rumqttc",
    "rusqlite",
    "mqtt5",
    "axum",
    "hyper",
    "mio",
    "socket2",
    "rustls",
    "fs4",
    "tempfile",
    "iana-time-zone",
    "getrandom",
];

/// The longest function, in lines.
const FUNCTION_LINES: usize = 70;
/// The longest file, in lines.
const FILE_LINES: usize = 1200;
/// The longest line, in characters.
const LINE_CHARACTERS: usize = 100;

#[test]
fn inner_rooms_depend_on_nothing_that_reaches_out() {
    for room in INNER {
        let tree = cargo()
            .args(["tree", "--package", room, "--edges", "normal", "--prefix", "none"])
            .output()
            .expect("cargo runs");
        let errors = String::from_utf8_lossy(&tree.stderr);
        assert!(tree.status.success(), "{room}: {errors}");
        let tree = String::from_utf8(tree.stdout).expect("names are text");
        let names: Vec<&str> =
            tree.lines().filter_map(|line| line.split_whitespace().next()).collect();
        assert_eq!(names.first(), Some(&room), "{tree}");
        for name in REACHES_OUT {
            assert!(!names.contains(&name), "{room} depends on {name}:\n{tree}");
        }
    }
    // The program itself does reach out: the names above are those that stand in a tree.
    let tree = cargo()
        .args(["tree", "--package", "barmkeep", "--edges", "normal", "--prefix", "none"])
        .output()
        .expect("cargo runs");
    let tree = String::from_utf8(tree.stdout).expect("names are text");
    for name in ["tokio", "rumqttc", "rusqlite", "mqtt5"] {
        assert!(tree.lines().any(|line| line.starts_with(&format!("{name} "))), "{name}");
    }
}

#[test]
fn sources_keep_the_rules_of_the_house() {
    let mut faults = Vec::new();
    let files = sources(&["crates", "tests"]);
    assert!(files.len() > 100, "only {} files were found", files.len());
    for file in &files {
        let text = std::fs::read_to_string(file).expect("a source is text");
        let name = file.strip_prefix(project()).expect("it lies in the project").display();
        faults.extend(faults_of(&text).into_iter().map(|fault| format!("{name}:{fault}")));
    }
    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}

/// The only source that no compiler of Rust checks: a disk that fails, preloaded by a test.
const UNCHECKED: &str = "tests/data/faults/disk.c";
/// The only source that runs before the compiler; it gives the linker an argument.
const BUILD: &str = "crates/barmkeep/build.rs";

#[test]
fn unsafe_code_is_forbidden_in_every_package_and_other_languages_stand_where_they_are_named() {
    let read = |path: &Path| std::fs::read_to_string(path).expect("a manifest is text");
    let root = read(&project().join("Cargo.toml"));
    assert!(root.contains("\nunsafe_code = \"forbid\"\n"), "the workspace forbids it");
    let listed = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(project())
        .output()
        .expect("git runs");
    let listed = String::from_utf8(listed.stdout).expect("paths are text");
    let mut packages = 0;
    for file in listed.lines() {
        let path = Path::new(file);
        let is_manifest = path.file_name().is_some_and(|name| name == "Cargo.toml");
        if is_manifest && file != "Cargo.toml" {
            packages += 1;
            let text = read(&project().join(path));
            assert!(text.contains("\n[lints]\nworkspace = true\n"), "{file} goes its own way");
            assert!(!text.contains("build-dependencies"), "{file} could compile anything");
        }
        let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
        let compiled = ["c", "cc", "cpp", "cxx", "h", "s", "S", "asm", "zig"].contains(&ending);
        assert!(!compiled || file == UNCHECKED, "{file} is checked by nobody");
        assert!(!file.ends_with("build.rs") || file == BUILD, "{file} could compile anything");
    }
    let build = read(&project().join(BUILD));
    let runs: Vec<_> = build.split("Command::new(").skip(1).collect();
    assert!(matches!(runs[..], [one] if one.starts_with("\"getconf\")")), "{BUILD} runs {runs:?}");
    assert!(packages > 5, "only {packages} packages");
}

#[test]
fn faults_are_found() {
    let long = format!("//! Of nothing.\nfn a() {{\n{}}}\n", "    b();\n".repeat(FUNCTION_LINES));
    let wide = format!("//! {}\n", "x".repeat(LINE_CHARACTERS));
    let much = format!("//! Of nothing.\n{}", "// More.\n".repeat(FILE_LINES));
    let unfinished = format!("//! Of nothing.\nfn a() {{\n    {}!()\n}}\n", "todo");
    let shy = format!("//! Of nothing.\n#[{}]\nfn a() {{}}\n", "ignore");
    for (text, fault) in [
        ("fn a() {}\n", "1: the file does not say what it is for"),
        (long.as_str(), "2: the function has 72 lines"),
        (wide.as_str(), "1: the line has 104 characters"),
        (much.as_str(), "1: the file has 1201 lines"),
        (unfinished.as_str(), "3: `"),
        (shy.as_str(), "2: `"),
    ] {
        let faults = faults_of(text);
        assert!(faults.iter().any(|found| found.starts_with(fault)), "{fault}: {faults:?}");
    }
    assert_eq!(faults_of("//! Of nothing.\n\nfn a() {\n    b();\n}\n"), [""; 0]);
}

/// The faults of a file, each with its line.
fn faults_of(text: &str) -> Vec<String> {
    let mut faults = Vec::new();
    let lines: Vec<&str> = text.lines().collect();
    if !lines.first().is_some_and(|line| line.starts_with("//! ")) {
        faults.push("1: the file does not say what it is for".to_owned());
    }
    if lines.len() > FILE_LINES {
        faults.push(format!("1: the file has {} lines, at most {FILE_LINES}", lines.len()));
    }
    // Written in two parts, so that this file keeps its own rules.
    let words = [
        ["todo", "!"],
        ["unimplemented", "!"],
        ["#[", "ignore"],
        ["TO", "DO"],
        ["FIX", "ME"],
        ["seed ", "document"],
    ];
    let words = words.map(|parts| parts.concat());
    for (index, line) in lines.iter().enumerate() {
        let characters = line.chars().count();
        if characters > LINE_CHARACTERS {
            let most = LINE_CHARACTERS;
            faults.push(format!(
                "{}: the line has {characters} characters, at most {most}",
                index + 1
            ));
        }
        for word in words.iter().filter(|word| line.contains(word.as_str())) {
            faults.push(format!("{}: `{word}`", index + 1));
        }
    }
    faults.extend(long_functions(&lines));
    faults
}

/// Functions from their `fn` to the brace that closes them, at the same indent: the formatter puts
/// it there.
fn long_functions(lines: &[&str]) -> Vec<String> {
    let mut faults = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let code = line.trim_start();
        if !is_function(code) {
            continue;
        }
        let indent = &line[..line.len() - code.len()];
        let close = format!("{indent}}}");
        if line.ends_with('}') || line.ends_with(';') {
            continue;
        }
        // A trait's declaration without a body ends before the next brace at its indent does.
        let ends = |line: &&str| {
            **line == close || line.starts_with(&format!("{indent})")) && line.ends_with(';')
        };
        let length = lines[index..].iter().position(ends).map_or(1, |last| last + 1);
        if length > FUNCTION_LINES {
            faults.push(format!(
                "{}: the function has {length} lines, at most {FUNCTION_LINES}",
                index + 1
            ));
        }
    }
    faults
}

fn is_function(code: &str) -> bool {
    let mut code = code;
    for prefix in ["pub(crate) ", "pub(super) ", "pub ", "const ", "async "] {
        code = code.strip_prefix(prefix).unwrap_or(code);
    }
    code.starts_with("fn ")
}

/// All sources below these folders, in order.
fn sources(folders: &[&str]) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for folder in folders {
        walk(&project().join(folder), &mut files);
    }
    files.sort();
    files
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder of the project") {
        let path = entry.expect("an entry of it").path();
        let name = path.file_name().unwrap_or_default();
        if path.is_dir() && name != "target" {
            walk(&path, files);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
}
