//! What a few wild values do not spoil: medians, and lines by medians.

use statrs::distribution::{ContinuousCDF, Normal};

/// A normal distribution's standard deviation over its median absolute deviation.
pub const MAD_TO_SD: f64 = 1.4826;

/// What Hampel's identifier saw at one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hampel {
    /// The median of the window.
    pub median: f64,
    /// The median absolute deviation from it.
    pub deviation: f64,
    /// Whether the value lies too far off.
    pub is_outlying: bool,
}

/// A straight line by the median of all pairwise slopes (Theil 1950; its interval: Sen 1968, eq.
/// 2.6).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// The median slope.
    pub slope: f64,
    /// The lower end of the slope's interval.
    pub low: f64,
    /// The upper end of the slope's interval.
    pub high: f64,
}

/// The median; the slice is sorted in place. `None` where it is empty.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    sorted_median(values)
}

/// The mean; no number where it is empty.
pub(super) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Hampel's identifier (Hampel 1974): a value lies too far off that is more than `sigmas` standard
/// deviations from the window's median, these taken from the median absolute deviation, but not
/// below `floor`: rounded values have a deviation of nothing. `None` where `window` is empty or
/// reaches out of `values`.
pub fn hampel(
    values: &[f64],
    index: usize,
    window: std::ops::Range<usize>,
    sigmas: f64,
    floor: f64,
) -> Option<Hampel> {
    let value = *values.get(index)?;
    let mut near = values.get(window)?.to_vec();
    let middle = median(&mut near)?;
    near.iter_mut().for_each(|other| *other = (*other - middle).abs());
    let deviation = median(&mut near)?;
    let is_outlying = (value - middle).abs() > sigmas * (MAD_TO_SD * deviation).max(floor);
    Some(Hampel { median: middle, deviation, is_outlying })
}

/// The value at `at` of the line that goes by the repeated median through points (Siegel 1982):
/// half of them may be wild. `None` with fewer than two times.
pub(super) fn repeated_median(values: &[(f64, f64)], at: f64) -> Option<f64> {
    let mut slopes = Vec::with_capacity(values.len());
    let mut to_others = Vec::with_capacity(values.len());
    for (x_here, y_here) in values {
        to_others.clear();
        let others = values.iter().filter(|(x, _)| x != x_here);
        to_others.extend(others.map(|(x, y)| (y - y_here) / (x - x_here)));
        slopes.extend(median(&mut to_others));
    }
    let slope = median(&mut slopes)?;
    let mut levels: Vec<f64> = values.iter().map(|(x, y)| y - slope * (x - at)).collect();
    median(&mut levels)
}

impl TheilSen {
    /// Fits y to x; `confidence` is that of the interval. `None` where no two x differ.
    pub fn fit(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
        let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
        for (x_late, y_late) in x.iter().zip(y) {
            let before = x.iter().zip(y).filter(|(x, _)| *x < x_late);
            slopes.extend(before.map(|(x, y)| (y_late - y) / (x_late - x)));
        }
        let slope = median(&mut slopes)?;
        let z = Normal::standard().inverse_cdf((1.0 + confidence) / 2.0);
        let width = z * sigma(x, y);
        let (pairs, last) = (slopes.len() as f64, slopes.len() - 1);
        // Ranks as scipy has them, rounded half to even.
        let low = (((pairs - width) / 2.0).round_ties_even() - 1.0).max(0.0) as usize;
        let high = ((pairs + width) / 2.0).round_ties_even().max(0.0) as usize;
        Some(TheilSen { slope, low: slopes[low.min(last)], high: slopes[high.min(last)] })
    }
}

/// The standard deviation of Kendall's sum, with ties.
fn sigma(x: &[f64], y: &[f64]) -> f64 {
    let term = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum()
    };
    ((term(y.len() as f64) - ties(x) - ties(y)) / 18.0).max(0.0).sqrt()
}

fn sorted_median(values: &[f64]) -> Option<f64> {
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    Some(0.5 * (values[middle - 1] + upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_of_wild_values_leaves_the_line_where_it_is() {
        let value = |x: f64| if x % 3.0 == 0.0 { 90.0 } else { 40.0 - 0.5 * x };
        let values: Vec<(f64, f64)> = (0..15).map(f64::from).map(|x| (x, value(x))).collect();
        let level = repeated_median(&values, 7.0).unwrap();
        assert!((level - 36.5).abs() < 1e-12, "{level}");
    }

    #[test]
    fn of_nothing_there_is_no_median() {
        assert_eq!(median(&mut []), None);
        assert_eq!(repeated_median(&[(1.0, 2.0)], 1.0), None);
        assert_eq!(TheilSen::fit(&[1.0, 1.0], &[2.0, 3.0], 0.95), None);
        assert_eq!(hampel(&[1.0], 0, 0..2, 3.0, 0.3), None);
    }
}
