//! Making a calibration from points: the order by leave-one-out errors.
//!
//! Each order is fitted by least squares (QR). The error on a point that is left out needs no new
//! fit: it is e/(1 − h) with h the point's leverage (Allen, Technometrics 16 (1974) 125-127, from
//! memory). The residual standard deviation falls with every order; the error on points left out
//! does not, and decides.

use super::{Calibration, CalibrationFile, FileError, Inputs, ORDER_MAX, Reads, polynomial};
use nalgebra::{DMatrix, DVector};
use quantity::Gravity;
use std::fmt;

/// What a float gave in a liquid of known gravity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Degrees, or SG.
    pub reading: f64,
    /// The known gravity.
    pub reference: Gravity,
}

/// A calibration and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The calibration.
    pub calibration: Calibration,
    /// Each point against it, in the order given.
    pub residuals: Vec<Residual>,
    /// The orders that were compared, the lowest first.
    pub orders: Vec<OrderScore>,
}

/// One point against a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Degrees, or SG.
    pub reading: f64,
    /// The known specific gravity.
    pub reference_sg: f64,
    /// The specific gravity by the calibration.
    pub fitted_sg: f64,
    /// How much the point alone decides its own fit, 0 to 1.
    pub leverage: f64,
    /// Reference less fit when this point is left out, in SG; `None` where it cannot be left out.
    pub left_out_sg: Option<f64>,
}

/// How one order did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderScore {
    /// The order of the polynomial.
    pub order: usize,
    /// Standard deviation of the points about it, in points; `None` without a degree of freedom.
    pub residual_sd_points: Option<f64>,
    /// Root mean square of the errors on points left out, in points.
    pub leave_one_out_points: Option<f64>,
    /// Whether it rises or falls all the way over the points; others are not chosen.
    pub monotone: bool,
}

/// Why points give no calibration.
#[derive(Debug, Clone, PartialEq)]
pub enum FitError {
    /// There are too few different readings.
    TooFew {
        /// Different readings given.
        given: usize,
        /// Different readings needed.
        needed: usize,
    },
    /// A reading is not a finite number; its index, from 0, is given.
    Reading(usize),
    /// An order above [`ORDER_MAX`], or order 0 for an angle.
    Order(usize),
    /// No order rises or falls all the way: the points contradict each other.
    NotMonotone,
}

/// Orders whose error differs by less than this are equally good, in SG: no hydrometer is better.
const INDISTINCT_SG: f64 = 5e-5;

/// Gravities nearer to each other than this tell no slope, in SG: an error of a point would turn it
/// by a tenth.
const LEAST_SPREAD_SG: f64 = 0.010;

/// Fits the order that the points support: the lowest whose error on points left out is within one
/// standard error of the best one's.
///
/// An order above 1 needs three points more than itself. One point gives an offset (of a gravity),
/// two give offset and slope; gravities within 10 points of each other, as of water alone, give
/// their mean offset.
///
/// # Errors
/// Where there are too few points, or where they contradict each other.
pub fn fit(reads: Reads, points: &[Point]) -> Result<Fit, FitError> {
    let tried = attempts(reads, points)?;
    let orders = tried.iter().map(Attempt::score).collect();
    let chosen = choose(tried).ok_or(FitError::NotMonotone)?;
    chosen.finish(orders).ok_or(FitError::NotMonotone)
}

/// How each order does that [`fit`] compares, the lowest first.
///
/// # Errors
/// Where there are too few points.
pub fn scores(reads: Reads, points: &[Point]) -> Result<Vec<OrderScore>, FitError> {
    Ok(attempts(reads, points)?.iter().map(Attempt::score).collect())
}

/// Each order that so many points can tell of.
fn attempts(reads: Reads, points: &[Point]) -> Result<Vec<Attempt>, FitError> {
    let distinct = distinct_readings(points)?;
    let lowest = lowest_order(reads);
    if distinct < lowest + 1 {
        return Err(FitError::TooFew { given: distinct, needed: lowest + 1 });
    }
    let sloped = reads == Reads::Angle || spread_sg(points) >= LEAST_SPREAD_SG;
    let highest = if sloped { ORDER_MAX } else { lowest };
    // No point of two can be left out of a line, so that there is nothing to choose by.
    let first = if points.len() < 3 { (distinct - 1).min(highest) } else { lowest };
    let told = |order: &usize| *order < distinct && (points.len() >= order + 3 || *order <= 1);
    let orders = (first..=highest).filter(told);
    Ok(orders.map(|order| Attempt::new(reads, points, order)).collect())
}

/// Fits one given order.
///
/// # Errors
/// Where there are too few points for it, or where it is not monotone.
pub fn fit_order(reads: Reads, points: &[Point], order: usize) -> Result<Fit, FitError> {
    let distinct = distinct_readings(points)?;
    if order > ORDER_MAX || order < lowest_order(reads) {
        return Err(FitError::Order(order));
    }
    if distinct < order + 1 {
        return Err(FitError::TooFew { given: distinct, needed: order + 1 });
    }
    let attempt = Attempt::new(reads, points, order);
    let orders = vec![attempt.score()];
    attempt.finish(orders).ok_or(FitError::NotMonotone)
}

impl fmt::Display for FitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FitError::TooFew { given, needed } => write!(
                f,
                "{given} different readings are too few for a calibration: it needs {needed}"
            ),
            FitError::Reading(index) => write!(f, "reading {} is not a number", index + 1),
            FitError::Order(order) => write!(f, "a calibration of order {order} is not possible"),
            FitError::NotMonotone => f.write_str(
                "the points contradict each other: no curve near them rises or falls all the way",
            ),
        }
    }
}

impl std::error::Error for FitError {}

impl FitError {
    /// The next step for whoever measured the points.
    pub fn hint(&self) -> &'static str {
        match self {
            FitError::TooFew { .. } => {
                "measure the float in water and in sugar solutions of known gravity"
            }
            FitError::Reading(_) => "write it as a number with a decimal point",
            FitError::Order(_) => "an angle can have order 1 to 4, a gravity 0 to 4",
            FitError::NotMonotone => {
                "look for a point with its gravity mistyped, or measured before the float settled"
            }
        }
    }
}

/// One order, fitted.
struct Attempt {
    file: CalibrationFile,
    residuals: Vec<Residual>,
    calibration: Result<Calibration, FileError>,
}

impl Attempt {
    fn new(reads: Reads, points: &[Point], order: usize) -> Self {
        let inputs = inputs_of(points.iter().map(|point| point.reading));
        let scaled = |point: &Point| (point.reading - inputs.centre) / inputs.half_width;
        let design = DMatrix::from_fn(points.len(), order + 1, |row, column| {
            scaled(&points[row]).powi(column as i32)
        });
        let base = |point: &Point| if reads == Reads::Gravity { point.reading } else { 0.0 };
        let wanted =
            DVector::from_iterator(points.len(), points.iter().map(|p| p.reference.sg() - base(p)));
        let Solved { terms, leverages, .. } = least_squares(design, &wanted);
        let residuals: Vec<Residual> = points
            .iter()
            .zip(leverages)
            .map(|(point, leverage)| {
                let fitted_sg = base(point) + polynomial(&terms, scaled(point));
                let error = point.reference.sg() - fitted_sg;
                Residual {
                    reading: point.reading,
                    reference_sg: point.reference.sg(),
                    fitted_sg,
                    leverage,
                    left_out_sg: (leverage < 1.0 - 1e-9).then(|| error / (1.0 - leverage)),
                }
            })
            .collect();
        let (angle_deg, gravity_sg) = match reads {
            Reads::Angle => (Some(inputs), None),
            Reads::Gravity => (None, Some(inputs)),
        };
        let file = CalibrationFile {
            format: 1,
            readings: u32::try_from(points.len()).unwrap_or(u32::MAX),
            residual_sd_points: residual_sd(&residuals, order).map(|sg| sg * 1e3),
            leave_one_out_points: left_out_square(&residuals).map(|(mean, _)| mean.sqrt() * 1e3),
            expansion_ppm_per_kelvin: None,
            terms_sg: terms,
            angle_deg,
            gravity_sg,
        };
        let calibration = Calibration::try_from(file.clone());
        Attempt { file, residuals, calibration }
    }

    fn score(&self) -> OrderScore {
        OrderScore {
            order: self.file.terms_sg.len() - 1,
            residual_sd_points: self.file.residual_sd_points,
            leave_one_out_points: self.file.leave_one_out_points,
            monotone: self.calibration.is_ok(),
        }
    }

    fn finish(self, orders: Vec<OrderScore>) -> Option<Fit> {
        let calibration = self.calibration.ok()?;
        Some(Fit { calibration, residuals: self.residuals, orders })
    }
}

/// The lowest order within one standard error of the best; where none can be judged, the highest.
fn choose(tried: Vec<Attempt>) -> Option<Attempt> {
    let mut usable: Vec<Attempt> =
        tried.into_iter().filter(|attempt| attempt.calibration.is_ok()).collect();
    let judged = |attempt: &Attempt| left_out_square(&attempt.residuals);
    let best =
        usable.iter().filter_map(judged).min_by(|(first, _), (second, _)| first.total_cmp(second));
    let Some((mean, standard_error)) = best else {
        return usable.pop();
    };
    // Both sides in mean squares; the least error that matters is added before squaring.
    let bound = (mean + standard_error).max((mean.sqrt() + INDISTINCT_SG).powi(2));
    usable
        .into_iter()
        .find(|attempt| left_out_square(&attempt.residuals).is_some_and(|(mean, _)| mean <= bound))
}

/// Mean square of the errors on points left out, and its standard error; `None` where a point
/// cannot be left out, or there is but one.
fn left_out_square(residuals: &[Residual]) -> Option<(f64, f64)> {
    let squares: Vec<f64> = residuals
        .iter()
        .map(|residual| residual.left_out_sg.map(|error| error * error))
        .collect::<Option<_>>()?;
    if squares.len() < 2 {
        return None;
    }
    let count = squares.len() as f64;
    let mean = squares.iter().sum::<f64>() / count;
    let spread = squares.iter().map(|square| (square - mean).powi(2)).sum::<f64>();
    Some((mean, (spread / (count - 1.0) / count).sqrt()))
}

fn residual_sd(residuals: &[Residual], order: usize) -> Option<f64> {
    let freedom = residuals.len().checked_sub(order + 1).filter(|freedom| *freedom > 0)?;
    let squares: f64 = residuals.iter().map(|r| (r.reference_sg - r.fitted_sg).powi(2)).sum();
    Some((squares / freedom as f64).sqrt())
}

/// What least squares gives.
pub(super) struct Solved {
    /// The terms that fit best, one a column.
    pub terms: Vec<f64>,
    /// Each row's leverage: the squared length of its row in Q.
    pub leverages: Vec<f64>,
    /// How much of the last column the others do not explain: its length after they were taken
    /// out. The last term's variance is that of an observation over the square of this.
    pub last_alone: f64,
}

/// Fits by QR. There are as many rows as columns or more; where `last_alone` is above 0 and the
/// other columns are independent, the terms are finite.
pub(super) fn least_squares(design: DMatrix<f64>, wanted: &DVector<f64>) -> Solved {
    let columns = design.ncols();
    let decomposed = design.qr();
    let (q, r) = (decomposed.q(), decomposed.r());
    let mut terms: Vec<f64> = (q.transpose() * wanted).iter().copied().collect();
    // R is upper triangular. It is of full rank where there are as many different readings as
    // columns.
    for row in (0..columns).rev() {
        let known: f64 = (row + 1..columns).map(|column| r[(row, column)] * terms[column]).sum();
        terms[row] = (terms[row] - known) / r[(row, row)];
    }
    let leverages = q.row_iter().map(|row| row.norm_squared()).collect();
    Solved { terms, leverages, last_alone: r[(columns - 1, columns - 1)].abs() }
}

/// Scale and range of readings.
pub(super) fn inputs_of(readings: impl Iterator<Item = f64>) -> Inputs {
    let (lowest, highest) = ends(readings);
    let half = 0.5 * (highest - lowest);
    // One reading has no width; an offset does not use it.
    let half_width = if half > 0.0 { half } else { 1.0 };
    Inputs { centre: 0.5 * (lowest + highest), half_width, lowest, highest }
}

/// The lowest and the highest number.
pub(super) fn ends(numbers: impl Iterator<Item = f64>) -> (f64, f64) {
    numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), n| (low.min(n), high.max(n)))
}

fn spread_sg(points: &[Point]) -> f64 {
    let (low, high) = ends(points.iter().map(|point| point.reference.sg()));
    high - low
}

pub(super) fn lowest_order(reads: Reads) -> usize {
    match reads {
        Reads::Angle => 1,
        Reads::Gravity => 0,
    }
}

fn distinct_readings(points: &[Point]) -> Result<usize, FitError> {
    if let Some(index) = points.iter().position(|point| !point.reading.is_finite()) {
        return Err(FitError::Reading(index));
    }
    let mut readings: Vec<f64> = points.iter().map(|point| point.reading).collect();
    readings.sort_by(f64::total_cmp);
    readings.dedup();
    Ok(readings.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(pairs: &[(f64, f64)]) -> Vec<Point> {
        pairs
            .iter()
            .map(|(reading, sg)| Point {
                reading: *reading,
                reference: Gravity::from_sg(*sg).unwrap(),
            })
            .collect()
    }

    #[test]
    fn two_points_are_offset_and_slope() {
        let two = points(&[(1.001, 1.000), (1.052, 1.050)]);
        let fit = fit(Reads::Gravity, &two).unwrap();
        assert_eq!(fit.calibration.order(), 1);
        assert!((fit.calibration.sg(1.001) - 1.000).abs() < 1e-12);
        assert!((fit.calibration.sg(1.052) - 1.050).abs() < 1e-12);
        assert_eq!(fit.calibration.residual_sd_points(), None);
        assert_eq!(fit.calibration.leave_one_out_points(), None);
    }

    #[test]
    fn water_measured_twice_is_their_mean_offset() {
        let water = points(&[(1.001, 1.000), (1.004, 1.000)]);
        let fit = fit(Reads::Gravity, &water).unwrap();
        assert_eq!(fit.calibration.order(), 0);
        assert!((fit.calibration.sg(1.0025) - 1.000).abs() < 1e-12);
        // Three points of nearly one liquid are no slope either.
        let near = points(&[(1.001, 1.000), (1.004, 1.001), (1.002, 1.004)]);
        assert_eq!(scores(Reads::Gravity, &near).unwrap().len(), 1);
    }

    #[test]
    fn an_offset_that_explains_all_is_not_bent() {
        let same = points(&[(1.002, 1.000), (1.022, 1.020), (1.042, 1.040), (1.062, 1.060)]);
        let fit = fit(Reads::Gravity, &same).unwrap();
        assert_eq!(fit.calibration.order(), 0);
        assert!((fit.calibration.sg(1.030) - 1.028).abs() < 1e-12);
    }

    #[test]
    fn an_exact_line_is_not_bent_by_rounding() {
        let line: Vec<(f64, f64)> =
            (0..9).map(f64::from).map(|k| (20.0 + 5.0 * k, 0.99 + 0.012 * k)).collect();
        let fit = fit(Reads::Angle, &points(&line)).unwrap();
        assert_eq!(fit.calibration.order(), 1);
    }

    #[test]
    fn points_that_give_no_calibration_say_why() {
        let none: &[(f64, f64)] = &[];
        let table = [
            (Reads::Gravity, none, FitError::TooFew { given: 0, needed: 1 }),
            (Reads::Angle, &[(25.0, 1.0)], FitError::TooFew { given: 1, needed: 2 }),
            (Reads::Angle, &[(25.0, 1.0), (25.0, 1.01)], FitError::TooFew { given: 1, needed: 2 }),
            (Reads::Angle, &[(25.0, 1.0), (f64::NAN, 1.01)], FitError::Reading(1)),
            (Reads::Angle, &[(25.0, 1.01), (60.0, 1.01)], FitError::NotMonotone),
            (Reads::Gravity, &[(1.0, 1.04), (1.04, 1.0)], FitError::NotMonotone),
        ];
        for (reads, pairs, error) in table {
            assert_eq!(fit(reads, &points(pairs)).unwrap_err(), error);
            assert!(!error.to_string().is_empty() && !error.hint().is_empty());
        }
        let line = points(&[(25.0, 1.0), (60.0, 1.05)]);
        assert_eq!(fit_order(Reads::Angle, &line, 0).unwrap_err(), FitError::Order(0));
        assert_eq!(fit_order(Reads::Angle, &line, 5).unwrap_err(), FitError::Order(5));
        let few = FitError::TooFew { given: 2, needed: 3 };
        assert_eq!(fit_order(Reads::Angle, &line, 2).unwrap_err(), few);
    }

    #[test]
    fn leaving_out_without_refitting_is_leaving_out() {
        let pairs = [(25.0, 1.000), (33.0, 1.013), (41.0, 1.027), (52.0, 1.041), (64.0, 1.060)];
        let all = points(&pairs);
        let whole = fit_order(Reads::Angle, &all, 1).unwrap();
        for left_out in 0..all.len() {
            let mut rest = all.clone();
            let point = rest.remove(left_out);
            let refitted = fit_order(Reads::Angle, &rest, 1).unwrap().calibration;
            let error = point.reference.sg() - refitted.sg(point.reading);
            let quick = whole.residuals[left_out].left_out_sg.unwrap();
            assert!((error - quick).abs() < 1e-12);
        }
    }
}
