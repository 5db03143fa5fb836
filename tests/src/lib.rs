//! What the program tests share.

pub mod broker;
pub mod browser;
pub mod cellar;
pub mod installed;
pub mod program;
pub mod story;
pub mod vectors;
pub mod yardstick;
