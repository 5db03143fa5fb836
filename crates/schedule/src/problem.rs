//! What can be wrong with a file: where, how badly, why, and what to do next.

use serde::{Serialize, Serializer};
use std::fmt;
use std::ops::Range;

/// A file's text under the name that people know it by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// As shown in messages, such as `schedules/pale-lager.toml`.
    pub name: String,
    /// All of it.
    pub text: String,
}

/// What came of reading a file.
///
/// Invariant: `value` is there exactly when no problem is an error.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked<T> {
    /// What the file says; nothing where it has an error.
    pub value: Option<T>,
    /// All problems of the file, in the order of their places.
    pub problems: Vec<Problem>,
}

/// How bad a problem is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The file is refused.
    Error,
    /// The file is taken, but somebody should look.
    Warning,
}

/// Something that is wrong at a place of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// How bad it is.
    pub severity: Severity,
    /// A short name that stays the same between versions, such as `unknown-key`.
    pub code: &'static str,
    /// What is wrong and why, without a full stop.
    pub message: String,
    /// The next step.
    pub hint: Option<String>,
    /// The value that it is about.
    #[serde(flatten)]
    pub place: Place,
    /// Other places that belong to it.
    pub related: Vec<Related>,
}

/// A place that belongs to a problem without being its cause.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Related {
    /// Where.
    #[serde(flatten)]
    pub place: Place,
    /// What stands there.
    pub message: String,
}

/// A place in a file's text.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Place {
    /// In bytes; both ends lie between characters.
    #[serde(flatten, serialize_with = "bytes")]
    pub range: Range<usize>,
    /// Of the first character, from 1.
    pub line: usize,
    /// Of the first character, from 1, counted in characters.
    pub column: usize,
}

/// A problem as one line of JSON: what `check --json` prints.
#[derive(Debug, Serialize)]
pub struct ProblemRecord<'a> {
    kind: &'static str,
    file: &'a str,
    #[serde(flatten)]
    problem: &'a Problem,
}

impl Source {
    /// A text under a name.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        Source { name: name.into(), text: text.into() }
    }

    /// The place of a range of bytes; ends within a character or beyond the text are moved.
    pub fn place(&self, range: Range<usize>) -> Place {
        let start = self.text.floor_char_boundary(range.start);
        let end = self.text.ceil_char_boundary(range.end).max(start);
        let before = &self.text[..start];
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Place {
            range: start..end,
            line: before.matches('\n').count() + 1,
            column: before[line_start..].trim_start_matches('\u{feff}').chars().count() + 1,
        }
    }
}

impl<T> Checked<T> {
    /// Whether the file is refused.
    pub fn has_errors(&self) -> bool {
        self.problems.iter().any(|problem| problem.severity == Severity::Error)
    }

    /// The value, or all of the problems where there is none.
    ///
    /// # Errors
    /// The problems, warnings too.
    pub fn into_result(self) -> Result<T, Vec<Problem>> {
        self.value.ok_or(self.problems)
    }
}

impl Problem {
    /// As one line of JSON, with the name of the file.
    pub fn record<'a>(&'a self, source: &'a Source) -> ProblemRecord<'a> {
        ProblemRecord { kind: "problem", file: &source.name, problem: self }
    }

    /// On one line, without the name of the file: `3:8: message (hint)`.
    pub fn line(&self) -> String {
        let Place { line, column, .. } = self.place;
        let hint = self.hint.as_ref().map(|hint| format!(" ({hint})")).unwrap_or_default();
        format!("{line}:{column}: {}{hint}", self.message)
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
        })
    }
}

fn bytes<S: Serializer>(range: &Range<usize>, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Bytes {
        start: usize,
        end: usize,
    }
    Bytes { start: range.start, end: range.end }.serialize(serializer)
}
