//! Simulated yeast, beer, chamber and devices, seeded.
//!
//! The same seed and the same calls give the same bytes. Nothing here asks the time: each part is
//! advanced by a span that its caller chooses.

pub mod cellar;
pub mod chance;
pub mod float;
mod kinetics;
pub mod probe;
pub mod vessel;
pub mod yeast;
