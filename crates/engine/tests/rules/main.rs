//! The rules of the contract as tables, and the properties that hold whatever happens.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]
#![expect(clippy::unwrap_used, reason = "a test fails by it, with the line where it stands")]

mod acts;
mod alarms;
mod commands;
mod course;
mod each_alarm;
mod floats;
mod forecast;
mod hardware;
mod kit;
mod matter;
mod milestones;
mod moves;
mod properties;
mod readings;
mod shared;
mod targets;
mod time;
