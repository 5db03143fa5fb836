//! Normal distributions and weighted mixtures of them.

use statrs::function::erf::erfc;

/// One part of a mixture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Part {
    /// Not negative; need not sum to 1.
    pub weight: f64,
    pub mean: f64,
    pub variance: f64,
}

/// The probability that a standard normal value is below `z`.
pub(crate) fn below(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// Logarithm of the normal density at distance `error` from the mean.
pub(crate) fn log_density(error: f64, variance: f64) -> f64 {
    -0.5 * ((std::f64::consts::TAU * variance).ln() + error * error / variance)
}

/// ln(exp a + exp b) without overflow.
pub(crate) fn log_add(a: f64, b: f64) -> f64 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    high + (low - high).exp().ln_1p()
}

/// The probability that a mixture's value is at most `bound`; `None` for an empty one.
pub(crate) fn mixture_below(parts: impl Iterator<Item = Part>, bound: f64) -> Option<f64> {
    let (mut total, mut sum) = (0.0, 0.0);
    for part in parts {
        total += part.weight;
        sum += part.weight * below((bound - part.mean) / deviation(part.variance));
    }
    (total > 0.0).then(|| sum / total)
}

/// Mean and standard deviation of a mixture; `None` for an empty one.
pub(crate) fn mixture_moments(parts: impl Iterator<Item = Part>) -> Option<(f64, f64)> {
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    for part in parts {
        total += part.weight;
        first += part.weight * part.mean;
        second += part.weight * (part.variance + part.mean * part.mean);
    }
    let mean = first / total;
    (total > 0.0).then(|| (mean, deviation(second / total - mean * mean)))
}

/// A standard deviation that is never nothing, so that no division fails.
pub(crate) fn deviation(variance: f64) -> f64 {
    variance.max(1e-12).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz and Stegun, table 26.1.
    #[test]
    fn the_normal_integral_is_as_tabulated() {
        for (z, p) in
            [(0.0, 0.5), (1.0, 0.841_344_746), (1.96, 0.975_002_105), (-3.0, 0.001_349_898)]
        {
            assert!((below(z) - p).abs() < 1e-9, "{z}");
        }
    }

    #[test]
    fn a_mixture_has_the_moments_of_its_parts() {
        let parts = [(1.0, -1.0, 1.0), (3.0, 1.0, 4.0)];
        let mixture =
            || parts.iter().map(|&(weight, mean, variance)| Part { weight, mean, variance });
        let (mean, sd) = mixture_moments(mixture()).unwrap();
        assert!((mean - 0.5).abs() < 1e-12);
        assert!((sd * sd - (0.25 * 2.0 + 0.75 * 5.0 - 0.25)).abs() < 1e-12);
        let p = mixture_below(mixture(), 1.0).unwrap();
        assert!((p - (0.25 * below(2.0) + 0.75 * 0.5)).abs() < 1e-12);
        assert!(mixture_below(std::iter::empty(), 0.0).is_none());
    }

    #[test]
    fn logarithms_add() {
        assert!((log_add(0.0, 0.0) - 2f64.ln()).abs() < 1e-15);
        assert_eq!(log_add(-1e4, 3.0), 3.0);
    }
}
