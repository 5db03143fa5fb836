//! Every decision of the program, as a pure function of the inputs it was given, in order.
//!
//! [`Engine::handle`] takes an input and the time it happened, and returns what its driver must do,
//! in order. There is no clock, no random number, no file and no socket in here: the daemon,
//! `replay`, `rehearse`, `pipe` and recovery after a crash are thin drivers around the same engine,
//! so what was rehearsed is what will run.

mod addition;
mod advice;
mod ahead;
mod alarm;
mod batch;
mod bonds;
pub mod command;
mod context;
mod cooler;
mod course;
mod daily;
mod effect;
mod engine;
mod expect;
mod figures;
mod float;
mod forecast;
mod guard;
mod hardware;
mod heat;
mod input;
mod intake;
mod late;
mod look;
mod milestone;
mod moving;
mod nudge;
mod outputs;
mod packaging;
mod park;
mod past;
mod perform;
mod probe;
pub mod record;
mod setpoint;
mod setup;
mod source;
mod stages;
mod time;
mod valve;
mod vessel;
pub mod view;
mod watch;
mod way;
mod wear;
mod words;

pub use alarm::{AlarmKind, alarms};
pub use command::{Command, CommandError};
pub use course::{POINTS_APART, Point};
pub use effect::{CoolerDrive, Drive, Effect, OutputKind, Reply};
pub use engine::{Engine, Glance, STATE_VERSION, State};
pub use input::{
    CommandInput, Input, LoadedCalibration, LoadedSchedule, RawGravity, Reading, Values,
};
pub use record::{Kind, Record};
pub use setup::{Corrected, Setup, VesselSetup};
pub use time::Now;
