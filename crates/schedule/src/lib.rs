//! The file grammar of schedules and configurations, and their check.
//!
//! A file's text goes in; a model that cannot be wrong, or all of its problems at once, comes out.
//! This room reads no files: the program hands it their text.

pub mod config;
mod config_keys;
mod config_read;
mod document;
mod draft;
mod forms;
mod keys;
pub mod model;
mod name;
mod problem;
mod reference;
mod render;
mod rules;
mod schedule_keys;
mod schedule_read;
mod schema;
mod survey;
mod text;
mod vessel_read;

pub use config_keys::EVENT_KINDS;
pub use document::Finding;
pub use name::Name;
pub use problem::{Checked, Place, Problem, ProblemRecord, Related, Severity, Source};
pub use reference::{all_keys, config_reference, schedule_reference};
pub use render::render;
pub use rules::{check, fits};
pub use schema::{config_schema, schedule_schema};
pub use text::{milestone_text, target_text};

use config::{Config, Vessel};
use document::{Document, Walk};
use draft::Draft;
use model::Schedule;

/// Reads a schedule and checks it by itself.
pub fn read_schedule(source: &Source) -> Checked<Schedule> {
    schedule_with(source, &|draft| rules::usual_interval(draft))
}

/// Reads a schedule and checks it for a vessel too: what `pitch` and `revise` ask.
pub fn read_schedule_for(source: &Source, vessel: &Vessel) -> Checked<Schedule> {
    schedule_with(source, &|draft| rules::vessel(draft, vessel))
}

/// Reads a configuration; `is_time_zone` knows the IANA names.
pub fn read_config(source: &Source, is_time_zone: &dyn Fn(&str) -> bool) -> Checked<Config> {
    read_config_with(source, is_time_zone, |_| Vec::new())
}

/// Reads a configuration; `more` adds what is found in the files that it names.
pub fn read_config_with(
    source: &Source,
    is_time_zone: &dyn Fn(&str) -> bool,
    more: impl FnOnce(&Config) -> Vec<Finding>,
) -> Checked<Config> {
    let mut walk = Walk::new(&config_keys::CONFIG);
    let document = Document::parse(&source.text);
    let config = walk
        .root(source, &document)
        .and_then(|root| config_read::config(&mut walk, &root, is_time_zone));
    if let Some(config) = &config {
        more(config).into_iter().for_each(|finding| walk.locate(finding));
    }
    let whole = !walk.has_errors();
    Checked { value: config.filter(|_| whole), problems: walk.into_problems(source) }
}

/// What a file is, by its tables: one with a `[vessel` table is a configuration.
///
/// So is one without stages that has another table of a configuration: its check then says what
/// is missing.
pub fn kind_of(text: &str) -> FileKind {
    let document = Document::parse(text);
    let others = || ["store", "link", "page", "tell", "cooler"].iter().any(|key| document.has(key));
    if document.has("vessel") || (!document.has("stage") && others()) {
        FileKind::Config
    } else {
        FileKind::Schedule
    }
}

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// The daemon's configuration.
    Config,
    /// A schedule.
    Schedule,
}

fn schedule_with(source: &Source, more: &dyn Fn(&Draft) -> Vec<Finding>) -> Checked<Schedule> {
    let mut walk = Walk::new(&schedule_keys::SCHEDULE);
    let document = Document::parse(&source.text);
    let draft = walk
        .root(source, &document)
        .and_then(|root| schedule_read::schedule(&mut walk, &root, source));
    if let Some(draft) = &draft {
        let findings = rules::schedule_rules(draft).into_iter().chain(more(draft));
        findings.for_each(|finding| walk.locate(finding));
    }
    let whole = !walk.has_errors();
    let value = draft.filter(|_| whole).and_then(Draft::into_schedule);
    Checked { value, problems: walk.into_problems(source) }
}
