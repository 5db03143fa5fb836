//! The rules of the contract as tables, and the properties that hold whatever happens.

mod alarms;
mod commands;
mod kit;
mod milestones;
mod properties;
mod readings;
mod targets;
mod time;
