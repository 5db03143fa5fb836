//! Floats that misbehave, alone and beside others: who is doubted, when, and what it does to the
//! answers. All floats are simulated and seeded; their noise is half white and half lasting 5 h,
//! with 2 % outliers of 3 ± 6 points and a daily wave of 0.3 points (choices, no source).

mod alone;
mod cellar;
mod together;
