//! The file grammar of schedules and configurations, and their check.
//!
//! A file's text goes in; a model that cannot be wrong, or all of its problems at once, comes out.
//! This room reads no files: the program hands it their text.

pub mod config;
pub mod model;
mod name;

pub use name::Name;
