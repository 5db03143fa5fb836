//! Density, extract, attenuation, alcohol, freezing, carbon dioxide and calibration: cited formulas as pure functions.
