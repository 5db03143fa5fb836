//! Published methods that the program's own decisions are measured against.
//!
//! The program decides otherwise (see the `belief` room); these are the yardstick of its tests and
//! benchmarks, and are themselves checked against the vectors.

pub mod regression;
pub mod trend;
pub mod windows;

/// The median, as numpy has it; the slice is sorted in place.
///
/// # Panics
/// Where it is empty or holds NaN.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(|a, b| a.partial_cmp(b).expect("no NaN"));
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { 0.5 * (values[middle - 1] + values[middle]) }
}
