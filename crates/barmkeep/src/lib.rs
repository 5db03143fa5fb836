//! The drivers around the engine: command line, link, store, clock.

pub mod link;
pub mod store;
