//! Normal distributions and weighted mixtures of them.

use statrs::function::erf::erfc;
use std::sync::OnceLock;

/// One part of a mixture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Part {
    /// Not negative; need not sum to 1.
    pub weight: f64,
    pub mean: f64,
    pub variance: f64,
}

impl Part {
    /// With so much added to the value.
    pub fn and(self, constant: f64) -> Self {
        Part { mean: self.mean + constant, ..self }
    }
}

/// The probability that a standard normal value is below `z`.
pub(crate) fn below(z: f64) -> f64 {
    // Beyond this it is 0 or 1 within 1e-11.
    if z.abs() > 6.7 {
        return if z > 0.0 { 1.0 } else { 0.0 };
    }
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

/// A mixture whose value is known to be positive: what lies below 0 is left out.
#[derive(Debug, Clone)]
pub(crate) struct Positive {
    /// Weight, mean, standard deviation, and how much of each part lies below 0.
    parts: Vec<(f64, f64, f64, f64)>,
    /// The weight of all that is positive.
    total: f64,
    /// Mean and standard deviation, once they were asked for.
    moments: OnceLock<Option<(f64, f64)>>,
    /// The probability whose bound was asked for first, and that bound: mostly the same one is
    /// asked for again, and it is dear.
    bound: OnceLock<(f64, f64)>,
}

impl Positive {
    /// Of these parts; those that weigh next to nothing are left out.
    pub fn new(parts: impl Iterator<Item = Part>) -> Self {
        const NEXT_TO_NOTHING: f64 = 1e-6;
        let parts: Vec<_> = parts
            .filter(|part| part.weight > NEXT_TO_NOTHING)
            .map(|part| {
                let sd = deviation(part.variance);
                (part.weight, part.mean, sd, below(-part.mean / sd))
            })
            .collect();
        let total = parts.iter().map(|(weight, _, _, negative)| weight * (1.0 - negative)).sum();
        Positive { parts, total, moments: OnceLock::new(), bound: OnceLock::new() }
    }

    /// The probability that it is below `bound`; `None` where nothing is positive.
    pub fn below(&self, bound: f64) -> Option<f64> {
        let inside = |&(weight, mean, sd, negative): &(f64, f64, f64, f64)| {
            weight * (below((bound - mean) / sd) - negative)
        };
        let sum: f64 = self.parts.iter().map(inside).sum();
        (self.total > 0.0).then(|| (sum / self.total).clamp(0.0, 1.0))
    }

    /// The bound below which it lies with this probability, to 0.001 or better; at most 64.
    pub fn upper(&self, probability: f64) -> f64 {
        let find = || (probability, self.find_upper(probability));
        let first = *self.bound.get_or_init(find);
        if first.0 == probability { first.1 } else { self.find_upper(probability) }
    }

    /// By the secant of the bracket, and by halving it where one end did not move (the Illinois
    /// method: Dowell and Jarratt, BIT 11 (1971) 168-174).
    fn find_upper(&self, probability: f64) -> f64 {
        const MOST: f64 = 64.0;
        const NEAR: f64 = 1e-6;
        const WIDTH: f64 = 1e-3;
        let error = |bound| self.below(bound).map_or(-1.0, |below| below - probability);
        let (mut low, mut high) = ((0.0, -probability), (1.0, error(1.0)));
        while high.1 < 0.0 {
            if high.0 >= MOST {
                return MOST;
            }
            low = high;
            high.0 *= 4.0;
            high.1 = error(high.0);
        }
        let mut moved_low = None;
        while high.0 - low.0 > WIDTH {
            let share = (low.1 / (low.1 - high.1)).clamp(0.01, 0.99);
            let at = low.0 + (high.0 - low.0) * share;
            let found = error(at);
            if found.abs() < NEAR {
                return at;
            }
            if found < 0.0 {
                if moved_low == Some(true) {
                    high.1 *= 0.5;
                }
                (low, moved_low) = ((at, found), Some(true));
            } else {
                if moved_low == Some(false) {
                    low.1 *= 0.5;
                }
                (high, moved_low) = ((at, found), Some(false));
            }
        }
        high.0
    }

    /// Mean and standard deviation.
    pub fn moments(&self) -> Option<(f64, f64)> {
        *self.moments.get_or_init(|| self.find_moments())
    }

    fn find_moments(&self) -> Option<(f64, f64)> {
        mixture_moments(self.parts.iter().filter_map(|&(weight, mean, sd, negative)| {
            // A normal distribution cut off at 0 (Johnson, Kotz and Balakrishnan 1994, 13.10.1).
            let (z, share) = (mean / sd, 1.0 - negative);
            if share < 1e-9 {
                return None;
            }
            let hazard = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * share);
            let variance = sd * sd * (1.0 - hazard * (hazard + z)).max(0.0);
            Some(Part { weight: weight * share, mean: mean + sd * hazard, variance })
        }))
    }
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

    #[test]
    fn what_is_positive_is_never_negative() {
        let part = Part { weight: 1.0, mean: -0.5, variance: 1.0 };
        let positive = Positive::new([part].into_iter());
        let (mean, sd) = positive.moments().unwrap();
        assert!(mean > 0.0 && sd < 1.0, "{mean} {sd}");
        assert_eq!(positive.below(0.0), Some(0.0));
        assert!(positive.below(10.0).unwrap() > 0.999);
    }

    #[test]
    fn an_upper_bound_is_where_the_probability_passes() {
        for (mean, sd) in [(-0.5, 1.0), (0.2, 0.05), (3.0, 0.5), (20.0, 4.0), (0.0, 1e-6)] {
            let wide = Part { weight: 0.2, mean: mean + 1.0, variance: 4.0 * sd * sd };
            let narrow = Part { weight: 0.8, mean, variance: sd * sd };
            let positive = Positive::new([narrow, wide].into_iter());
            for probability in [0.5, 0.9, 0.95, 0.999, 0.99985] {
                let upper = positive.upper(probability);
                let around = (positive.below(upper - 2e-3), positive.below(upper + 2e-3));
                let (Some(before), Some(after)) = around else { panic!("{around:?}") };
                assert!(
                    before <= probability && probability <= after,
                    "{mean} {sd} {probability}: {upper}"
                );
            }
        }
        let far = Positive::new([Part { weight: 1.0, mean: 90.0, variance: 1.0 }].into_iter());
        assert_eq!(far.upper(0.95), 64.0);
        assert_eq!(Positive::new(std::iter::empty()).upper(0.95), 64.0);
    }
}
