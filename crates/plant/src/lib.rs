//! Simulated yeast, beer, chamber and devices, seeded.
