//! The drivers around the engine: command line, link, store, clock.

pub mod ask;
pub mod backup;
pub mod calibrate;
pub mod chart;
pub mod cli;
pub mod clock;
pub mod compare;
pub mod daemon;
pub mod demo;
pub mod drawing;
pub mod driver;
pub mod examples;
pub mod export;
pub mod failure;
pub mod files;
pub mod homie;
mod kept;
pub mod link;
pub mod log;
pub mod man;
pub mod outline;
pub mod page;
pub mod password;
pub mod pipe;
pub mod reference;
pub mod rehearse;
pub mod replay;
pub mod screen;
pub mod standing;
pub mod store;
pub mod table;
mod task;
pub mod tell;
mod throttle;
pub mod words;

pub use task::start;
