//! Density, extract, attenuation, alcohol, freezing, carbon dioxide and calibration: cited
//! formulas as pure functions.
//!
//! Functions on `f64` carry their units in the names of their arguments; those on the types of
//! [`quantity`] are what the other rooms use, and answer `None` where there is no answer. Extracts
//! are in °P (g in 100 g), alcohol by weight in % (g in 100 g).

pub mod addition;
pub mod attenuation;
pub mod calibration;
pub mod carbonation;
pub mod density;
pub mod floating;
pub mod freezing;
pub mod growth;
pub mod heat;
pub mod instrument;
