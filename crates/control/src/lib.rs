//! From setpoint and beer temperature to heater and chiller.
//!
//! A [`Regulator`] is told every beer reading ([`Regulator::take`]) and asked what the two outputs
//! shall do ([`Regulator::decide`]). It never has both on, serves the rests of each output and the
//! changeover between them, and goes off where it is blind. It either keeps a plain band, or learns
//! from the readings and its own switching how far this vessel coasts, and switches early by that.

mod bank;
mod coast;
mod decision;
mod filter;
mod foresight;
mod level;
mod outlook;
mod past;
mod plain;
mod probe;
mod rebound;
mod regulator;
mod relay;
mod rules;
mod setpoint;
mod thermostat;
mod watch;
mod witness;

pub use decision::{Because, Decision};
pub use regulator::{Estimate, Figures, OutputFigures, Regulator, Sign};
pub use relay::Output;
pub use rules::{Demand, Envelope, Rests, Rules, Thresholds};
pub use setpoint::{ramp_points, ramped};
pub use thermostat::Thermostat;
