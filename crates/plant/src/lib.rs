//! Simulated yeast, beer, chamber and devices, seeded.
//!
//! The same seed and the same calls give the same bytes. Nothing here asks the time: each part is
//! advanced by a span that its caller chooses.

pub mod vessel;
