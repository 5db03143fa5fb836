//! What the program tests share.

pub mod broker;
pub mod browser;
pub mod cellar;
pub mod certificates;
pub mod clockwork;
pub mod front;
pub mod fuzz;
pub mod installed;
pub mod program;
pub mod storm;
pub mod story;
pub mod stranger;
pub mod vectors;
pub mod yardstick;
