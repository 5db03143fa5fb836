//! Every dependency's licence is one that the project may be given away under.
//!
//! The licences are what each crate says of itself in its manifest. Whether a crate has a known
//! fault is another question: it needs a database of advisories, and DEVELOPERS.md says how to ask.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Licences that ask for nothing but a notice, or for nothing at all.
const ALLOWED: &[&str] = &[
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CDLA-Permissive-2.0", // the roots of trust in `webpki-roots`: data
    "ISC",
    "MIT",
    "MIT-0",
    "Unicode-3.0", // tables of characters
    "Zlib",
];

/// A clean checkout has far more than this; a shorter list was cut short.
const PACKAGES_LEAST: usize = 100;

#[test]
fn every_dependency_has_an_allowed_licence() {
    let metadata = metadata();
    let packages = metadata["packages"].as_array().expect("cargo lists packages");
    assert!(packages.len() >= PACKAGES_LEAST, "only {} packages are listed", packages.len());
    let problems: Vec<String> = packages.iter().filter_map(problem).collect();
    assert!(
        problems.is_empty(),
        "{}\n\nhint: choose another crate, or allow the licence in {} with a reason",
        problems.join("\n"),
        file!()
    );
    println!("{} packages have allowed licences", packages.len());
}

#[test]
fn an_expression_is_allowed_where_one_choice_is() {
    for (text, allowed) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("MIT AND GPL-3.0-only", false),
        ("MIT/Apache-2.0", true),
        ("(MIT OR GPL-3.0-only) AND Unicode-3.0", true),
        ("GPL-3.0-only OR MIT AND ISC", true),
        ("(GPL-3.0-only OR MPL-2.0) AND MIT", false),
        ("Apache-2.0 WITH LLVM-exception OR GPL-2.0-only", false),
        ("", false),
        ("MIT OR", false),
        ("(MIT", false),
        ("MIT ISC", false),
    ] {
        assert_eq!(is_allowed(text), allowed, "{text:?}");
    }
}

#[test]
fn a_crate_without_an_allowed_licence_is_named() {
    let package = |licence: Value| {
        let name = "borrowed";
        serde_json::json!({ "name": name, "version": "1.2.3", "license": licence })
    };
    assert_eq!(problem(&package("MIT".into())), None);
    for (licence, said) in [
        ("AGPL-3.0-only".into(), "borrowed 1.2.3 has the licence `AGPL-3.0-only`"),
        (Value::Null, "borrowed 1.2.3 names no licence"),
    ] {
        let problem = problem(&package(licence)).expect("it is refused");
        assert!(problem.starts_with(said), "{problem}");
    }
}

/// What is wrong with a package, naming it; `None` where nothing is.
fn problem(package: &Value) -> Option<String> {
    let text = |key: &str| package[key].as_str().unwrap_or_default();
    let crate_name = format!("{} {}", text("name"), text("version"));
    match package["license"].as_str() {
        None => Some(format!("{crate_name} names no licence")),
        Some(licence) if is_allowed(licence) => None,
        Some(licence) => {
            Some(format!("{crate_name} has the licence `{licence}`, which is not allowed"))
        }
    }
}

/// What `cargo metadata` says of the packages of all platforms; from the network only where this
/// machine does not have them all, as after a first build: it fetches its own platform's alone.
fn metadata() -> Value {
    let ways: [&[&str]; 2] = [&["--offline"], &[]];
    let mut reasons = Vec::new();
    for way in ways {
        let output = Command::new(env!("CARGO"))
            .args(["metadata", "--format-version", "1", "--locked"])
            .args(way)
            .current_dir(root())
            .output()
            .expect("cargo runs");
        if output.status.success() {
            return serde_json::from_slice(&output.stdout).expect("cargo prints JSON");
        }
        reasons.push(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    panic!("cargo metadata gives nothing:\n{}", reasons.join("\n"));
}

fn root() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent();
    root.expect("the tests lie in the workspace").to_owned()
}

/// Whether an SPDX expression can be kept by taking allowed licences alone. The old form with `/`
/// means a choice; what is no expression is not allowed.
fn is_allowed(expression: &str) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let mut words = spaced.split_whitespace().peekable();
    choice(&mut words) == Some(true) && words.next().is_none()
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

/// `a OR b`; binds less than `AND`.
fn choice(words: &mut Words<'_>) -> Option<bool> {
    let mut allowed = both(words)?;
    while words.next_if_eq(&"OR").is_some() {
        allowed |= both(words)?;
    }
    Some(allowed)
}

/// `a AND b`.
fn both(words: &mut Words<'_>) -> Option<bool> {
    let mut allowed = licence(words)?;
    while words.next_if_eq(&"AND").is_some() {
        allowed &= licence(words)?;
    }
    Some(allowed)
}

/// A licence, or an expression in brackets. One with an exception is another licence.
fn licence(words: &mut Words<'_>) -> Option<bool> {
    let word = words.next()?;
    if word == "(" {
        let allowed = choice(words)?;
        return words.next_if_eq(&")").map(|_| allowed);
    }
    let excepted = words.next_if_eq(&"WITH").is_some() && words.next().is_some();
    let is_name = !["AND", "OR", "WITH", ")"].contains(&word);
    is_name.then_some(!excepted && ALLOWED.contains(&word))
}
