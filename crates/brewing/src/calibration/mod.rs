//! From what a float gives (an angle, or a gravity that is not quite right) to a gravity.
//!
//! A calibration is a polynomial in x = (value − centre)/half_width, because raw powers of an angle
//! lose about nine digits at order 4. For an angle it gives the gravity, for a gravity it gives the
//! correction. It keeps the range that it was made on: beyond, it goes on along a straight line
//! and says so. [`fit`] chooses its order; [`CalibrationFile`] is its form on disk.

mod file;
mod fit;
mod moved;
mod warm;

pub use file::{CalibrationFile, FileError, Inputs};
pub use fit::{Fit, FitError, OrderScore, Point, Residual, fit, fit_order, scores};
pub use moved::{Advice, Difference, Moved, Tilt, moved};
pub use warm::{ExpansionError, ExpansionFit, WarmPoint, as_read, fit_expansion};

use quantity::{Expansion, Gravity};
use serde::{Deserialize, Serialize};

/// Highest order of a calibration.
pub const ORDER_MAX: usize = 4;

/// A curve counts as rising where it rises by more than this over half its range, in SG: less is
/// the rounding of a level one.
const LEAST_RISE_SG: f64 = 1e-7;

/// What a reading may be off, in points, while nothing shows how far it is: what a hand sample is.
/// Common practice, no source.
const USUAL_SD_POINTS: f64 = 1.0;

/// No reading is taken to be better than this, in points: rounding to 0.001 SG alone leaves a
/// standard deviation of 1/√12 of a point.
const FINEST_SD_POINTS: f64 = 0.3;

/// With fewer degrees of freedom than this, scatter by itself tells too little.
const ENOUGH_FREEDOM: u32 = 3;

/// What a float gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reads {
    /// An angle, in degrees.
    Angle,
    /// A specific gravity.
    Gravity,
}

/// A polynomial from what a float gives to a gravity.
///
/// Invariant: all numbers are finite, `half_width` is above 0, `lowest` ≤ `highest`, there are one
/// to five terms (an angle has at least two), and the gravity rises or falls all the way from
/// `lowest` to `highest`; with a gravity it rises. `Calibration::new` checks it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "CalibrationFile", into = "CalibrationFile")]
pub struct Calibration {
    reads: Reads,
    centre: f64,
    half_width: f64,
    lowest: f64,
    highest: f64,
    /// By rising power of the scaled variable, in SG.
    terms: Vec<f64>,
    residual_sd_points: Option<f64>,
    leave_one_out_points: Option<f64>,
    expansion: Option<Expansion>,
    readings: u32,
}

/// A gravity by a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibrated {
    /// The gravity.
    pub gravity: Gravity,
    /// Whether the value lay where the calibration was made; an offset alone holds everywhere.
    pub within_range: bool,
}

impl Calibration {
    /// The gravity for what the float gives: degrees or SG, as [`Calibration::reads`] says.
    ///
    /// `None` where that is no gravity of a beer.
    pub fn apply(&self, value: f64) -> Option<Calibrated> {
        let gravity = Gravity::from_sg(self.sg(value))?;
        let inside = (self.lowest..=self.highest).contains(&value);
        Some(Calibrated { gravity, within_range: inside || self.is_offset() })
    }

    /// The specific gravity for what the float gives, possible or not, for drawing the curve.
    ///
    /// Beyond the range it goes on along the tangent of the nearer end.
    pub fn sg(&self, value: f64) -> f64 {
        let nearest = value.max(self.lowest).min(self.highest);
        let at_end = self.base(nearest) + polynomial(&self.terms, self.scaled(nearest));
        at_end + self.slope(nearest) * (value - nearest)
    }

    /// What the float gives.
    pub fn reads(&self) -> Reads {
        self.reads
    }

    /// The order of the polynomial: 0 is an offset alone.
    pub fn order(&self) -> usize {
        self.terms.len() - 1
    }

    /// Whether it only shifts a gravity by an offset.
    pub fn is_offset(&self) -> bool {
        self.order() == 0
    }

    /// Lowest and highest value that it was made on, in degrees or SG.
    pub fn range(&self) -> (f64, f64) {
        (self.lowest, self.highest)
    }

    /// Centre and half width of the scaled variable, in degrees or SG.
    pub fn scale(&self) -> (f64, f64) {
        (self.centre, self.half_width)
    }

    /// The terms by rising power of the scaled variable, in SG.
    pub fn terms_sg(&self) -> &[f64] {
        &self.terms
    }

    /// Standard deviation of the points about it, in points of 0.001 SG; `None` where there were no
    /// more points than terms.
    pub fn residual_sd_points(&self) -> Option<f64> {
        self.residual_sd_points
    }

    /// Root mean square of its errors on each point when that point was left out, in points of
    /// 0.001 SG: what to expect of a reading. `None` where a point could not be left out.
    pub fn leave_one_out_points(&self) -> Option<f64> {
        self.leave_one_out_points
    }

    /// The expansion of the float's body that its points were corrected with: what it gives is
    /// right only where the readings are corrected with the same.
    pub fn expansion(&self) -> Option<Expansion> {
        self.expansion
    }

    /// The same, of points that were corrected with this expansion of the float's body.
    #[must_use]
    pub fn made_with(self, expansion: Option<Expansion>) -> Self {
        Calibration { expansion, ..self }
    }

    /// On how many points it was made.
    pub fn readings(&self) -> u32 {
        self.readings
    }

    /// SG per degree or per SG at a value within the range.
    fn slope(&self, value: f64) -> f64 {
        let own = match self.reads {
            Reads::Angle => 0.0,
            Reads::Gravity => 1.0,
        };
        own + polynomial(&derivative(&self.terms), self.scaled(value)) / self.half_width
    }

    fn base(&self, value: f64) -> f64 {
        match self.reads {
            Reads::Angle => 0.0,
            Reads::Gravity => value,
        }
    }

    fn scaled(&self, value: f64) -> f64 {
        (value - self.centre) / self.half_width
    }

    /// Whether it rises, or for an angle falls, all the way over its range.
    fn is_monotone(&self) -> bool {
        // The slope is extreme at the ends, or where the second derivative (of order 2 or less) is
        // 0.
        let second = derivative(&derivative(&self.terms));
        let inner = roots_of_quadratic(&second)
            .into_iter()
            .flatten()
            .map(|x| self.centre + x * self.half_width)
            .filter(|value| (self.lowest..=self.highest).contains(value));
        let slopes: Vec<f64> =
            [self.lowest, self.highest].into_iter().chain(inner).map(|v| self.slope(v)).collect();
        let least = LEAST_RISE_SG / self.half_width;
        let rises = slopes.iter().all(|slope| *slope > least);
        let falls = slopes.iter().all(|slope| *slope < -least);
        rises || (falls && self.reads == Reads::Angle)
    }
}

/// A polynomial by its terms, the constant one first.
fn polynomial(terms: &[f64], at: f64) -> f64 {
    terms.iter().rev().fold(0.0, |sum, term| sum * at + term)
}

/// The terms of a polynomial's derivative.
fn derivative(terms: &[f64]) -> Vec<f64> {
    terms.iter().enumerate().skip(1).map(|(power, term)| power as f64 * term).collect()
}

/// The real roots of a polynomial of at most three terms, without their count's multiplicity.
fn roots_of_quadratic(terms: &[f64]) -> [Option<f64>; 2] {
    let term = |power: usize| terms.get(power).copied().unwrap_or(0.0);
    let (c, b, a) = (term(0), term(1), term(2));
    if a == 0.0 {
        return [(b != 0.0).then(|| -c / b), None];
    }
    let inside = b * b - 4.0 * a * c;
    if inside < 0.0 {
        return [None, None];
    }
    // The half that does not cancel; the other root by the product of both.
    let half = -0.5 * (b + inside.sqrt().copysign(b));
    [Some(half / a), (half != 0.0).then(|| c / half)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn offset(points: f64) -> Calibration {
        let one =
            [Point { reading: 1.0, reference: Gravity::from_sg(1.0 + points * 1e-3).unwrap() }];
        fit(Reads::Gravity, &one).unwrap().calibration
    }

    #[test]
    fn one_point_in_water_is_an_offset_that_holds_everywhere() {
        let calibration = offset(-2.0);
        assert_eq!(calibration.order(), 0);
        let beer = calibration.apply(1.050).unwrap();
        assert!((beer.gravity.sg() - 1.048).abs() < 1e-12);
        assert!(beer.within_range);
        assert_eq!(calibration.residual_sd_points(), None);
    }

    #[test]
    fn beyond_its_range_it_goes_straight_on_and_says_so() {
        let sg = |angle: f64| 0.92 + 3e-3 * angle - 1e-5 * angle * angle;
        let points: Vec<Point> = (0..8)
            .map(|k| 25.0 + 5.0 * f64::from(k))
            .map(|angle| Point { reading: angle, reference: Gravity::from_sg(sg(angle)).unwrap() })
            .collect();
        let calibration = fit(Reads::Angle, &points).unwrap().calibration;
        assert_eq!(calibration.order(), 2);
        assert!(calibration.apply(60.0).unwrap().within_range);
        let beyond = calibration.apply(62.0).unwrap();
        assert!(!beyond.within_range);
        let tangent = sg(60.0) + 2.0 * (3e-3 - 2e-5 * 60.0);
        assert!((beyond.gravity.sg() - tangent).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_gravity_has_no_answer() {
        assert_eq!(offset(0.0).apply(1.5), None);
        assert_eq!(offset(0.0).apply(f64::NAN), None);
        assert_eq!(offset(0.0).apply(f64::INFINITY), None);
    }

    #[test]
    fn roots_are_found_where_they_are() {
        assert_eq!(roots_of_quadratic(&[]), [None, None]);
        assert_eq!(roots_of_quadratic(&[2.0]), [None, None]);
        assert_eq!(roots_of_quadratic(&[2.0, -4.0]), [Some(0.5), None]);
        assert_eq!(roots_of_quadratic(&[1.0, 0.0, 1.0]), [None, None]);
        assert_eq!(roots_of_quadratic(&[-1.0, 0.0, 1.0]), [Some(-1.0), Some(1.0)]);
        assert_eq!(roots_of_quadratic(&[0.0, 0.0, 1.0]), [Some(0.0), None]);
    }

    proptest! {
        /// A made calibration is monotone on its range, as its invariant says.
        #[test]
        fn a_fit_is_monotone(
            noise in prop::collection::vec(-3.0..3.0f64, 5..12), bend in -2e-5..0.0f64,
        ) {
            let points: Vec<Point> = noise
                .iter()
                .enumerate()
                .map(|(k, noise)| {
                    let angle = 25.0 + 5.0 * k as f64;
                    let sg = 0.92 + 3e-3 * angle + bend * angle * angle + noise * 1e-3;
                    Point { reading: angle, reference: Gravity::from_sg(sg).unwrap() }
                })
                .collect();
            if let Ok(Fit { calibration, .. }) = fit(Reads::Angle, &points) {
                let (lowest, highest) = calibration.range();
                let at = |k: u32| lowest + (highest - lowest) * f64::from(k) / 500.0;
                let rises = calibration.sg(highest) > calibration.sg(lowest);
                for k in 0..500 {
                    let up = calibration.sg(at(k + 1)) > calibration.sg(at(k));
                    prop_assert_eq!(up, rises);
                }
            }
        }
    }
}
