//! Whether a float has moved since its calibration, by points that were measured later.
//!
//! Each point gives a difference: the calibrated reading less the known gravity. Their mean is the
//! shift. Its variance is that of the mean of new observations in a regression,
//! σ²/m + σ²·vᵀ(XᵀX)⁻¹v (Draper and Smith, Applied Regression Analysis, from memory): the scatter
//! of the new points, and the calibration's own error where they lie, which more points do not
//! lessen. σ is pooled of both, the calibration's part being its error on points left out. A file
//! does not keep the readings of its points, so they are taken to be spread evenly over its range.

use super::fit::ends;
use super::warm::WarmPoint;
use super::{Calibration, ENOUGH_FREEDOM, FINEST_SD_POINTS, USUAL_SD_POINTS};
use crate::floating;
use nalgebra::{DMatrix, DVector};
use quantity::{Expansion, Gravity};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// This confidence makes a difference more than chance.
const CONFIDENCE: f64 = 0.95;
/// A shift that is smaller needs no new calibration, in points: no hand sample is better.
const MATTERS_POINTS: f64 = 1.0;
/// A check is good enough where it would have shown this, in points. Common practice, no source.
const SHOULD_SHOW_POINTS: f64 = 2.0;
/// A tilt is looked for in gravities spread over this, in points.
const TILT_SPREAD_POINTS: f64 = 20.0;
/// A tilt is looked for in so many points.
const TILT_POINTS: usize = 3;
/// More new points than this are not asked of a person.
const ASKED_MOST: usize = 12;
/// More points than this are not laid out to see how well a calibration is known.
const LAID_OUT_MOST: usize = 1000;

/// How a float stands to its calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// Each point, in the order given.
    pub differences: Vec<Difference>,
    /// The mean difference: how much too high it reads now, in points.
    pub shift_points: f64,
    /// The standard error of that, with the calibration's own, in points.
    pub standard_error_points: f64,
    /// The part of it that is the calibration's own, in points.
    pub calibration_error_points: f64,
    /// How sure it is that this is more than chance, 0 to 1.
    pub confidence: f64,
    /// Whether that is sure enough.
    pub moved: bool,
    /// Half of the interval that holds the shift with 95 %, in points.
    pub half_interval_points: f64,
    /// Whether the error of a reading was taken to be a point, since too few points tell of it.
    pub error_assumed: bool,
    /// Whether the difference changes with the gravity; `None` where the points do not tell.
    pub tilt: Option<Tilt>,
    /// What to do.
    pub advice: Advice,
}

/// One point against the calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The gravity by the calibration, corrected for temperature where it is.
    pub calibrated_sg: f64,
    /// That less the known gravity, in points.
    pub points: f64,
    /// Whether the reading lay where the calibration was made.
    pub within_range: bool,
}

/// How the difference changes from the lowest of the gravities to the highest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tilt {
    /// By how much, in points.
    pub points: f64,
    /// The standard error of that, in points.
    pub standard_error_points: f64,
    /// The lowest of the known gravities, in SG.
    pub lowest_sg: f64,
    /// The highest of the known gravities, in SG.
    pub highest_sg: f64,
    /// How sure it is that this is more than chance, 0 to 1.
    pub confidence: f64,
    /// Whether that is sure enough.
    pub tilted: bool,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// The calibration holds: a shift that matters would have been seen.
    Nothing,
    /// Measure so many more points like these: too few tell of a shift that matters.
    MeasureMore(usize),
    /// Make it again on at least so many points.
    CalibrateAgain(usize),
    /// The calibration itself is not known well enough to tell: make it again on at least so many
    /// points.
    TooWeak(usize),
}

/// Holds later points against a calibration; readings are corrected with `body` where their
/// temperature is known.
///
/// # Errors
/// The index of a point whose reading is no gravity by the calibration; there is at least one
/// point, else index 0.
pub fn moved(
    calibration: &Calibration,
    points: &[WarmPoint],
    body: Option<Expansion>,
) -> Result<Moved, usize> {
    let one = |(index, point)| difference(calibration, point, body).ok_or(index);
    let differences: Vec<Difference> =
        points.iter().enumerate().map(one).collect::<Result<_, usize>>()?;
    if differences.is_empty() {
        return Err(0);
    }
    let bases: Vec<Vec<f64>> = points.iter().map(|point| basis(calibration, point)).collect();
    let values: Vec<f64> = differences.iter().map(|difference| difference.points).collect();
    let count = values.len() as f64;
    let shift = values.iter().sum::<f64>() / count;
    let slope = Slope::of(points, &values);
    let noise = Noise::of(calibration, &values, shift, slope.as_ref());
    let known = Known::of(calibration);
    let mean = known.share(&bases, &vec![1.0 / count; values.len()]);
    let standard_error = noise.sd * (1.0 / count + mean).sqrt();
    let confidence = noise.confidence(shift / standard_error);
    let tilt = slope.map(|slope| {
        let share = known.share(&bases, &slope.weights);
        let own = slope.weights.iter().map(|weight| weight * weight).sum::<f64>();
        let points = slope.per_point * slope.spread;
        let error = noise.sd * (own + share).sqrt() * slope.spread;
        let confidence = noise.confidence(points / error);
        Tilt {
            points,
            standard_error_points: error,
            lowest_sg: slope.lowest_sg,
            highest_sg: slope.lowest_sg + slope.spread * 1e-3,
            confidence,
            tilted: confidence >= CONFIDENCE && points.abs() >= MATTERS_POINTS,
        }
    });
    let mut moved = Moved {
        differences,
        shift_points: shift,
        standard_error_points: standard_error,
        calibration_error_points: noise.sd * mean.sqrt(),
        confidence,
        moved: confidence >= CONFIDENCE,
        half_interval_points: noise.quantile() * standard_error,
        error_assumed: noise.assumed,
        tilt,
        advice: Advice::Nothing,
    };
    moved.advice = advice(&moved, calibration, noise, mean);
    Ok(moved)
}

fn advice(moved: &Moved, calibration: &Calibration, noise: Noise, mean: f64) -> Advice {
    let again = calibration.order() + 3;
    let tilted = moved.tilt.is_some_and(|tilt| tilt.tilted);
    let shifted = moved.moved && moved.shift_points.abs() >= MATTERS_POINTS;
    if tilted || shifted {
        return Advice::CalibrateAgain(again);
    }
    let count = moved.differences.len();
    let half = |count: usize| noise.quantile() * noise.sd * (1.0 / count as f64 + mean).sqrt();
    if half(count) <= SHOULD_SHOW_POINTS {
        return Advice::Nothing;
    }
    let enough = (count + 1..=count + ASKED_MOST).find(|more| half(*more) <= SHOULD_SHOW_POINTS);
    enough.map_or(Advice::TooWeak(again), |enough| Advice::MeasureMore(enough - count))
}

fn difference(
    calibration: &Calibration,
    point: &WarmPoint,
    body: Option<Expansion>,
) -> Option<Difference> {
    let calibrated = calibration.apply(point.reading)?;
    let gravity = match (body, point.liquid) {
        (Some(body), Some(liquid)) => floating::corrected(calibrated.gravity, liquid, body)?,
        _ => calibrated.gravity,
    };
    Some(Difference {
        calibrated_sg: gravity.sg(),
        points: points_above(gravity, point.reference),
        within_range: calibrated.within_range,
    })
}

fn points_above(gravity: Gravity, reference: Gravity) -> f64 {
    (gravity.sg() - reference.sg()) * 1e3
}

/// How the gravity by a calibration depends on each of its terms, at this reading.
fn basis(calibration: &Calibration, point: &WarmPoint) -> Vec<f64> {
    let (lowest, highest) = calibration.range();
    let nearest = point.reading.max(lowest).min(highest);
    let (at, beyond) = (calibration.scaled(nearest), calibration.scaled(point.reading));
    let powers = 0..=calibration.order() as i32;
    // Beyond the range it goes on along the tangent.
    let tangent = |power: i32| f64::from(power) * at.powi((power - 1).max(0)) * (beyond - at);
    powers.map(|power| at.powi(power) + tangent(power)).collect()
}

/// How the differences change with the known gravity.
struct Slope {
    /// How much of each difference makes the slope, in 1/points.
    weights: Vec<f64>,
    /// Points a point.
    per_point: f64,
    /// From the lowest gravity to the highest, in points.
    spread: f64,
    lowest_sg: f64,
    /// Sum of the squares of what the line does not explain, in points².
    left: f64,
}

impl Slope {
    /// `None` where the points are too few or too near to each other.
    fn of(points: &[WarmPoint], values: &[f64]) -> Option<Self> {
        let (lowest_sg, highest_sg) = ends(points.iter().map(|point| point.reference.sg()));
        let spread = (highest_sg - lowest_sg) * 1e3;
        if points.len() < TILT_POINTS || spread < TILT_SPREAD_POINTS {
            return None;
        }
        let count = points.len() as f64;
        let at = |point: &WarmPoint| (point.reference.sg() - lowest_sg) * 1e3;
        let middle = points.iter().map(at).sum::<f64>() / count;
        let square: f64 = points.iter().map(|point| (at(point) - middle).powi(2)).sum();
        let weights: Vec<f64> = points.iter().map(|point| (at(point) - middle) / square).collect();
        let per_point: f64 = weights.iter().zip(values).map(|(weight, value)| weight * value).sum();
        let mean = values.iter().sum::<f64>() / count;
        let miss =
            |(point, value): (&WarmPoint, &f64)| value - mean - per_point * (at(point) - middle);
        let left = points.iter().zip(values).map(|pair| miss(pair).powi(2)).sum();
        Some(Slope { weights, per_point, spread, lowest_sg, left })
    }
}

/// How far a single reading is off.
#[derive(Debug, Clone, Copy)]
struct Noise {
    /// Its standard deviation, in points.
    sd: f64,
    /// On how many degrees of freedom that is known; of an assumed one, none.
    freedom: u32,
    assumed: bool,
}

impl Noise {
    /// Of the calibration and of the scatter of the new points, each by its degrees of freedom.
    fn of(calibration: &Calibration, values: &[f64], mean: f64, slope: Option<&Slope>) -> Self {
        let count = u32::try_from(values.len()).unwrap_or(u32::MAX);
        let (left, own) = match slope {
            Some(slope) => (slope.left, count.saturating_sub(2)),
            None => {
                let squares = values.iter().map(|value| (value - mean).powi(2)).sum();
                (squares, count.saturating_sub(1))
            }
        };
        let terms = u32::try_from(calibration.order() + 1).unwrap_or(u32::MAX);
        let error = calibration.leave_one_out_points().or(calibration.residual_sd_points());
        let before = error.map_or(0, |_| calibration.readings().saturating_sub(terms));
        let freedom = own.saturating_add(before);
        let squares = left + error.unwrap_or(0.0).powi(2) * f64::from(before);
        let pooled = (squares / f64::from(freedom.max(1))).sqrt();
        let assumed = freedom < ENOUGH_FREEDOM;
        let least = if assumed { USUAL_SD_POINTS } else { FINEST_SD_POINTS };
        Noise { sd: pooled.max(least), freedom, assumed }
    }

    /// How sure it is that something so many standard errors from 0 is not 0.
    fn confidence(self, standard_errors: f64) -> f64 {
        let far = standard_errors.abs();
        match self.student() {
            Some(student) => 2.0 * student.cdf(far) - 1.0,
            None => 2.0 * Normal::standard().cdf(far) - 1.0,
        }
    }

    /// So many standard errors hold 95 %.
    fn quantile(self) -> f64 {
        let upper = 0.5 * (1.0 + CONFIDENCE);
        match self.student() {
            Some(student) => student.inverse_cdf(upper),
            None => Normal::standard().inverse_cdf(upper),
        }
    }

    fn student(self) -> Option<StudentsT> {
        let freedom = f64::from(self.freedom);
        (!self.assumed).then(|| StudentsT::new(0.0, 1.0, freedom).ok()).flatten()
    }
}

/// How well a calibration is known by the points that it was made on.
struct Known {
    /// The triangle R of their design; one row and column a term.
    triangle: DMatrix<f64>,
    /// So many real points stand for one that was laid out.
    each: f64,
}

impl Known {
    fn of(calibration: &Calibration) -> Self {
        let (lowest, highest) = calibration.range();
        let (from, to) = (calibration.scaled(lowest), calibration.scaled(highest));
        // A range without a width tells of an offset only.
        let terms = if to > from { calibration.order() + 1 } else { 1 };
        let made_on = (calibration.readings() as usize).max(terms);
        let laid_out = made_on.min(LAID_OUT_MOST);
        let step = (to - from) / (laid_out.max(2) - 1) as f64;
        let design = DMatrix::from_fn(laid_out, terms, |row, column| {
            (from + row as f64 * step).powi(column as i32)
        });
        Known { triangle: design.qr().r(), each: made_on as f64 / laid_out as f64 }
    }

    /// The variance of this sum of the calibration's errors, as a share of a reading's variance.
    fn share(&self, bases: &[Vec<f64>], weights: &[f64]) -> f64 {
        let terms = self.triangle.ncols();
        let sum = |term: usize| -> f64 {
            bases.iter().zip(weights).map(|(basis, weight)| basis[term] * weight).sum()
        };
        // vᵀ(RᵀR)⁻¹v is the square of z in Rᵀz = v.
        let mut z = DVector::from_iterator(terms, (0..terms).map(sum));
        for row in 0..terms {
            let known: f64 = (0..row).map(|k| self.triangle[(k, row)] * z[k]).sum();
            z[row] = (z[row] - known) / self.triangle[(row, row)];
        }
        z.norm_squared() / self.each
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Point, Reads, fit_order};
    use super::*;

    fn sg(number: f64) -> Gravity {
        Gravity::from_sg(number).unwrap()
    }

    /// A float of 10 points a 5 degrees, its calibration's points off by these, in points.
    fn line(errors: &[f64]) -> Calibration {
        let points: Vec<Point> = errors
            .iter()
            .enumerate()
            .map(|(k, error)| Point {
                reading: 25.0 + 5.0 * k as f64,
                reference: sg(1.0 + 0.010 * k as f64 + error * 1e-3),
            })
            .collect();
        fit_order(Reads::Angle, &points, 1).unwrap().calibration
    }

    /// Points that read so many points too high at these gravities, by an exact line.
    fn checks(calibration: &Calibration, points: &[(f64, f64)]) -> Vec<WarmPoint> {
        let (centre, half_width) = calibration.scale();
        let terms = calibration.terms_sg();
        let point = |(reference, high): &(f64, f64)| WarmPoint {
            reading: centre + (reference + high * 1e-3 - terms[0]) / terms[1] * half_width,
            reference: sg(*reference),
            liquid: None,
        };
        points.iter().map(point).collect()
    }

    const ERRORS: [f64; 7] = [0.5, -0.7, 0.4, 0.1, -0.6, 0.6, -0.3];

    /// Against the textbook's form for a line, s²(1/m + 1/n + (x − x̄)²/Sxx) and a t of
    /// n − 2 + m − 1 degrees (Draper and Smith, from memory); the calibration's points are spread
    /// evenly, so it is exact.
    #[test]
    fn the_error_of_a_shift_is_the_textbooks() {
        let calibration = line(&ERRORS);
        let later = checks(&calibration, &[(1.0, 2.0), (1.0, 3.0)]);
        let moved = moved(&calibration, &later, None).unwrap();
        assert!((moved.shift_points - 2.5).abs() < 1e-9);
        let error = calibration.leave_one_out_points().unwrap();
        let variance = (5.0 * error * error + 0.5) / 6.0;
        let mean = (later[0].reading + later[1].reading) / 2.0;
        let square: f64 = (0..7).map(|k| (5.0 * f64::from(k) - 15.0).powi(2)).sum();
        let share = 1.0 / 7.0 + (mean - 40.0).powi(2) / square;
        let expected = (variance * (0.5 + share)).sqrt();
        assert!((moved.standard_error_points - expected).abs() < 1e-9);
        assert!((moved.calibration_error_points - (variance * share).sqrt()).abs() < 1e-9);
        let student = StudentsT::new(0.0, 1.0, 6.0).unwrap();
        let confidence = 2.0 * student.cdf(2.5 / expected) - 1.0;
        assert!((moved.confidence - confidence).abs() < 1e-12);
        assert!(moved.moved && !moved.error_assumed && moved.tilt.is_none());
        assert_eq!(moved.advice, Advice::CalibrateAgain(4));
    }

    #[test]
    fn more_checks_do_not_lessen_what_the_calibration_itself_is_off() {
        let calibration = line(&ERRORS);
        let error = |count: usize| {
            let later = checks(&calibration, &vec![(1.0, 0.2); count]);
            moved(&calibration, &later, None).unwrap()
        };
        let (few, many) = (error(2), error(400));
        assert!(many.standard_error_points < few.standard_error_points);
        assert!(many.standard_error_points > many.calibration_error_points);
        assert!(many.calibration_error_points > 0.0);
    }

    /// Numbers that are normal enough, the same on each run (sums of twelve of a linear
    /// congruential generator; its constants are Knuth's MMIX, from memory).
    fn normals() -> impl Iterator<Item = f64> {
        let mut state: u64 = 42;
        std::iter::from_fn(move || {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
            }
            Some(sum)
        })
    }

    #[test]
    fn a_float_that_did_not_move_is_accused_no_more_often_than_is_said() {
        let mut normals = normals();
        let (mut accused, mut found) = (0, 0);
        for _ in 0..2000 {
            let errors: Vec<f64> = normals.by_ref().take(7).collect();
            let calibration = line(&errors);
            let later: Vec<f64> = normals.by_ref().take(3).collect();
            // The truth is the line that its points were scattered about: 1.000 at 25 degrees.
            let check = |shift: f64| {
                let point = |error: &f64| WarmPoint {
                    reading: 25.0 + 0.5 * (error + shift),
                    reference: sg(1.0),
                    liquid: None,
                };
                let points: Vec<WarmPoint> = later.iter().map(point).collect();
                moved(&calibration, &points, None).unwrap().moved
            };
            accused += u32::from(check(0.0));
            found += u32::from(check(5.0));
        }
        // 5 % of 2000 are 100; the error on points left out makes it rather careful.
        assert!((10..=110).contains(&accused), "{accused}");
        assert!(found > 1900, "{found}");
    }

    #[test]
    fn a_tilt_is_told_from_a_shift() {
        let calibration = line(&ERRORS);
        let shifted = checks(&calibration, &[(1.0, 3.0), (1.02, 3.2), (1.04, 2.8), (1.06, 3.0)]);
        let shifted = moved(&calibration, &shifted, None).unwrap();
        let tilt = shifted.tilt.unwrap();
        assert!(shifted.moved && !tilt.tilted, "{tilt:?}");
        let tilted = checks(&calibration, &[(1.0, -4.0), (1.02, -1.4), (1.04, 1.3), (1.06, 4.1)]);
        let tilted = moved(&calibration, &tilted, None).unwrap();
        let tilt = tilted.tilt.unwrap();
        assert!(!tilted.moved && tilt.tilted, "{tilted:?}");
        assert!((tilt.points - 8.1).abs() < 0.05, "{tilt:?}");
        assert_eq!((tilt.lowest_sg, (tilt.highest_sg * 1e6).round()), (1.0, 1_060_000.0));
        assert_eq!(tilted.advice, Advice::CalibrateAgain(4));
    }

    #[test]
    fn one_point_of_water_against_one_point_of_water_is_two_readings() {
        let offset = fit_order(Reads::Gravity, &[Point { reading: 1.002, reference: sg(1.0) }], 0)
            .unwrap()
            .calibration;
        let check = |reading: f64, count: usize| {
            let point = WarmPoint { reading, reference: sg(1.0), liquid: None };
            moved(&offset, &vec![point; count], None).unwrap()
        };
        let one = check(1.0035, 1);
        assert!((one.shift_points - 1.5).abs() < 1e-9);
        // Each is taken to be ± 1 point.
        assert!((one.standard_error_points - 2.0_f64.sqrt()).abs() < 1e-9);
        assert!(one.error_assumed && !one.moved);
        // 1.96·√(1/m + 1) is never under 2 points for a few checks: one reading made it.
        assert_eq!(one.advice, Advice::TooWeak(3));
        assert!(check(1.0065, 1).moved);
        assert_eq!(check(1.0065, 1).advice, Advice::CalibrateAgain(3));
        assert_eq!(moved(&offset, &[], None), Err(0));
    }

    #[test]
    fn a_good_check_of_a_good_calibration_asks_for_nothing() {
        let calibration = line(&ERRORS);
        let one = checks(&calibration, &[(1.03, 0.2)]);
        let one = moved(&calibration, &one, None).unwrap();
        assert_eq!((one.moved, one.advice), (false, Advice::Nothing));
        let poor = line(&ERRORS.map(|error| 2.0 * error));
        let poor = moved(&poor, &checks(&poor, &[(1.03, 0.2)]), None).unwrap();
        assert!(matches!(poor.advice, Advice::MeasureMore(1..=6)), "{:?}", poor.advice);
        let useless = line(&ERRORS.map(|error| 8.0 * error));
        let useless = moved(&useless, &checks(&useless, &[(1.0, 0.2)]), None).unwrap();
        assert_eq!(useless.advice, Advice::TooWeak(4));
    }

    #[test]
    fn a_reading_beyond_the_range_is_told_and_less_sure() {
        let calibration = line(&ERRORS);
        let later = checks(&calibration, &[(1.03, 0.0), (1.09, 0.0)]);
        let both = moved(&calibration, &later, None).unwrap();
        assert!(both.differences[0].within_range && !both.differences[1].within_range);
        let error = |point: &WarmPoint| {
            moved(&calibration, std::slice::from_ref(point), None).unwrap().standard_error_points
        };
        assert!(error(&later[1]) > 1.2 * error(&later[0]));
        let impossible = WarmPoint { reading: 900.0, ..later[0] };
        assert_eq!(moved(&calibration, &[later[0], impossible], None), Err(1));
    }
}
