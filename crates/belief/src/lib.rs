//! From readings to what we believe of a beer: its gravity, how fast that falls, and where it ends.
//!
//! [`Belief`] takes the readings of one batch and answers questions with a probability and its
//! evidence. It asks no clock: time comes in with the readings and with [`Belief::advance`].

mod addition;
mod ahead;
mod aside;
#[expect(clippy::needless_range_loop, reason = "a matrix is read by its indices")]
mod bank;
mod belief;
mod beside;
mod carried;
pub mod compare;
mod course;
mod ear;
#[expect(clippy::needless_range_loop, reason = "a matrix is read by its indices")]
mod filter;
mod floats;
mod joint;
mod judgement;
mod kept;
mod noise;
mod normal;
mod past;
mod questions;
mod reading;
mod shared;
mod source;
mod stable;
mod tail;
mod thermal;
mod trend;
mod watch;

pub use addition::Addition;
pub use belief::Belief;
pub use course::{Course, deviations, later_than, warmth};
pub use judgement::{Care, Estimate, Judgement, Lacking, Measured, Missing, StableJudgement};
pub use reading::{
    Doubt, Expectation, Expected, GravityReading, Kind, Original, Refusal, SourceReport, Taken,
};
