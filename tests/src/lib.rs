//! What the program tests share.

pub mod broker;
pub mod cellar;
pub mod fuzz;
pub mod program;
pub mod storm;
pub mod story;
pub mod vectors;
pub mod yardstick;
