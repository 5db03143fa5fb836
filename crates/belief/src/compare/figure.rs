//! A number with its uncertainty, from whichever distribution it has.

use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

/// The quantile of a normal distribution that leaves out 2.5 %.
const NORMAL: f64 = 1.959_963_984_540_054;
/// The share of an interval that may lie on either side of it.
const BEYOND: f64 = 0.025;

/// A number with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// The most plausible value.
    pub value: f64,
    /// The standard deviation of a normal distribution whose 95 % interval is as wide.
    pub sd: f64,
    /// The lower end of the 95 % interval.
    pub low: f64,
    /// The upper end of the 95 % interval.
    pub high: f64,
}

/// A variance with the degrees of freedom that it was found with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Variance {
    /// Not negative.
    pub value: f64,
    /// At least 1.
    pub degrees: f64,
}

impl Figure {
    /// Of a value with this standard error, by Student's t; `None` where that is no number.
    pub(super) fn student(value: f64, error: f64, degrees: f64) -> Option<Figure> {
        let half = StudentsT::new(0.0, 1.0, degrees).ok()?.inverse_cdf(1.0 - BEYOND) * error;
        Figure::between(value, value - half, value + half)
    }

    /// Of a value with its interval; `None` where one of them is no number.
    pub(super) fn between(value: f64, low: f64, high: f64) -> Option<Figure> {
        let is_sound = value.is_finite() && low.is_finite() && high.is_finite();
        is_sound.then(|| Figure { value, sd: (high - low) / (2.0 * NORMAL), low, high })
    }

    /// The mean of figures that may err together: its uncertainty is the mean of theirs, which it
    /// cannot exceed. `None` of nothing.
    pub(super) fn mean(figures: &[Figure]) -> Option<Figure> {
        let mean =
            |part: fn(&Figure) -> f64| figures.iter().map(part).sum::<f64>() / figures.len() as f64;
        Figure::between(mean(|f| f.value), mean(|f| f.low), mean(|f| f.high))
    }

    /// A share of so many, by Wilson's interval (Wilson 1927); `None` of nothing.
    pub(super) fn share(count: usize, of: usize) -> Option<Figure> {
        if of == 0 {
            return None;
        }
        let (n, share) = (of as f64, count as f64 / of as f64);
        let squared = NORMAL * NORMAL;
        let centre = (share + squared / (2.0 * n)) / (1.0 + squared / n);
        let spread = share * (1.0 - share) / n + squared / (4.0 * n * n);
        let half = NORMAL * spread.sqrt() / (1.0 + squared / n);
        // Rounding must not put the share itself out of its interval.
        let (low, high) = ((centre - half).clamp(0.0, share), (centre + half).clamp(share, 1.0));
        Figure::between(share, low, high)
    }

    /// The same of the other sign.
    #[must_use]
    pub fn negative(self) -> Figure {
        Figure { value: -self.value, low: -self.high, high: -self.low, ..self }
    }

    /// Whether it is shown to lie apart from a bound, with 95 % confidence.
    pub fn is_apart_from(self, bound: f64) -> bool {
        bound < self.low || bound > self.high
    }

    /// Half of the interval's width.
    pub fn half(self) -> f64 {
        (self.high - self.low) / 2.0
    }
}

impl Variance {
    /// Its 95 % interval, by the χ² distribution; `None` where there is none.
    pub fn interval(self) -> Option<(f64, f64)> {
        let chi = ChiSquared::new(self.degrees).ok()?;
        let bound = |p| self.value * self.degrees / chi.inverse_cdf(p);
        Some((bound(1.0 - BEYOND), bound(BEYOND)))
    }

    /// As a standard deviation.
    pub fn root(self) -> Option<Figure> {
        let (low, high) = self.interval()?;
        Figure::between(self.value.sqrt(), low.sqrt(), high.sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's t of 4 degrees leaves 2.5 % above 2.776 (any table of it, such as Abramowitz and
    /// Stegun, table 26.10).
    #[test]
    fn few_degrees_of_freedom_widen_the_interval() {
        let figure = Figure::student(2.0, 0.5, 4.0).unwrap();
        assert!((figure.high - 3.388).abs() < 1e-3, "{figure:?}");
        assert!((figure.sd - 0.5 * 2.776 / 1.96).abs() < 1e-3, "{figure:?}");
        assert!(figure.is_apart_from(0.0) && !figure.is_apart_from(1.0));
        assert!(Figure::student(2.0, f64::NAN, 4.0).is_none());
    }

    /// χ² of 10 degrees lies between 3.247 and 20.483 in 95 % (Abramowitz and Stegun, table 26.8).
    #[test]
    fn a_variance_of_ten_degrees_is_known_to_a_factor() {
        let (low, high) = Variance { value: 1.0, degrees: 10.0 }.interval().unwrap();
        assert!((low - 10.0 / 20.483).abs() < 1e-3 && (high - 10.0 / 3.247).abs() < 1e-3);
    }

    /// Wilson's interval of 0 of 10 is 0 to 0.278 (Newcombe 1998, from memory).
    #[test]
    fn none_of_ten_is_not_none_for_ever() {
        let share = Figure::share(0, 10).unwrap();
        assert_eq!((share.value, share.low), (0.0, 0.0));
        assert!((share.high - 0.2775).abs() < 1e-3, "{share:?}");
        assert!(Figure::share(0, 0).is_none());
    }
}
