//! What the program tests share.

pub mod vectors;
pub mod yardstick;
