//! Points that were measured warm or cold: what the float had to read there, and what that tells of
//! how its body expands.
//!
//! A reading is calibrated first and corrected for its temperature after
//! ([`crate::floating::corrected`]). So a calibration is fitted to what the correction then turns
//! into the known gravity: ρ(w, t)·(1 + β(t − 20))/ρ_water(20), with w the sugar of the solution, t
//! its temperature and β the body's expansion. That is a straight line in β, so that curve and
//! expansion are found together by one least squares.

use super::fit::{Fit, FitError, Point, Solved, ends, fit, fit_order, inputs_of};
use super::fit::{least_squares, lowest_order};
use super::{ENOUGH_FREEDOM, FINEST_SD_POINTS, ORDER_MAX, Reads, USUAL_SD_POINTS};
use crate::floating::{self, REFERENCE_CELSIUS};
use nalgebra::{DMatrix, DVector};
use quantity::{Expansion, Gravity, Temperature};
use std::fmt;

/// What a float gave in a liquid of known gravity and, where it was measured, temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarmPoint {
    /// Degrees, or SG.
    pub reading: f64,
    /// The liquid's gravity at 20 °C.
    pub reference: Gravity,
    /// The liquid's temperature.
    pub liquid: Option<Temperature>,
}

/// The expansion of a float's body, and the calibration that goes with it.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpansionFit {
    /// Of the body, in whole ppm/K.
    pub expansion: Expansion,
    /// Its standard error, in ppm/K.
    pub standard_error_ppm_per_kelvin: f64,
    /// Whether the error of a reading was taken to be a point, since the points tell too little of
    /// it.
    pub error_assumed: bool,
    /// The calibration with that expansion.
    pub fit: Fit,
}

/// Why points do not tell how a body expands.
#[derive(Debug, Clone, PartialEq)]
pub enum ExpansionError {
    /// The point of this index, from 0, has no temperature.
    NoTemperature(usize),
    /// The point of this index, from 0, lies beyond what the densities are known for.
    NoDensity(usize),
    /// No liquid was measured at two temperatures far enough from each other; the widest, in K.
    Temperatures(f64),
    /// An angle that was measured in one liquid only.
    OneLiquid,
    /// There are fewer points than what is to be found.
    TooFew {
        /// Points given.
        given: usize,
        /// Points needed.
        needed: usize,
    },
    /// The points tell it, but not well enough, both in ppm/K.
    Unsure {
        /// The estimate.
        ppm_per_kelvin: f64,
        /// Its standard error.
        standard_error: f64,
    },
    /// By the points no body can be like that, both in ppm/K.
    Impossible {
        /// The estimate.
        ppm_per_kelvin: f64,
        /// Its standard error.
        standard_error: f64,
    },
    /// The curve itself cannot be fitted.
    Fit(FitError),
}

/// One liquid has to be measured this far apart, in K.
const LEAST_SPAN_KELVIN: f64 = 5.0;
/// References nearer than this are one liquid, in SG.
const SAME_LIQUID_SG: f64 = 0.001;
/// An angle has to be measured in liquids this far apart, in SG.
const LEAST_SPREAD_SG: f64 = 0.010;
/// An expansion that is less sure than this, in ppm/K, is none: a point at 10 K from 20 °C.
const LARGEST_ERROR_PPM: f64 = 100.0;

/// The points as a calibration has to give them, where readings are then corrected with `body`.
///
/// Without `body` nothing is corrected, and a point without a temperature never is.
///
/// # Errors
/// The index of a point that lies beyond what the densities are known for.
pub fn as_read(points: &[WarmPoint], body: Option<Expansion>) -> Result<Vec<Point>, usize> {
    let convert = |(index, point): (usize, &WarmPoint)| {
        let reference = match (body, point.liquid) {
            (Some(body), Some(liquid)) => wanted(point.reference, liquid, body.per_kelvin()),
            _ => Some(point.reference),
        };
        reference.map(|reference| Point { reading: point.reading, reference }).ok_or(index)
    };
    points.iter().enumerate().map(convert).collect()
}

/// Finds the expansion of the body together with the calibration, of this order or of the one that
/// the points support.
///
/// # Errors
/// Where the points do not tell it, with the reason.
pub fn fit_expansion(
    reads: Reads,
    points: &[WarmPoint],
    order: Option<usize>,
) -> Result<ExpansionFit, ExpansionError> {
    let cold = cold_points(points)?;
    let span = widest_span(points);
    if span < LEAST_SPAN_KELVIN {
        return Err(ExpansionError::Temperatures(span));
    }
    let mut tried = match order {
        Some(order) => order,
        None => highest_order(reads, points)?,
    };
    if points.len() < tried + 2 {
        return Err(ExpansionError::TooFew { given: points.len(), needed: tried + 2 });
    }
    // From the most supple curve, which hides no expansion, to the one that is then chosen.
    for _ in 0..=ORDER_MAX {
        let estimate = estimate(reads, &cold, tried)?;
        let read = as_read(points, Some(estimate.expansion)).map_err(ExpansionError::NoDensity)?;
        let fitted = match order {
            Some(order) => fit_order(reads, &read, order),
            None => fit(reads, &read),
        };
        let fitted = fitted.map_err(ExpansionError::Fit)?;
        let chosen = fitted.calibration.order();
        if chosen == tried {
            return Ok(estimate.finish(fitted));
        }
        tried = chosen.min(points.len() - 2);
    }
    // Two orders called for each other: the last one it is.
    let estimate = estimate(reads, &cold, tried)?;
    let read = as_read(points, Some(estimate.expansion)).map_err(ExpansionError::NoDensity)?;
    let fitted = fit_order(reads, &read, tried).map_err(ExpansionError::Fit)?;
    Ok(estimate.finish(fitted))
}

/// A point, and how far it is from 20 °C.
struct Cold {
    /// As a body that does not expand at all would have to read.
    point: Point,
    from_20: f64,
}

struct Estimate {
    expansion: Expansion,
    standard_error: f64,
    error_assumed: bool,
}

impl Estimate {
    fn finish(&self, mut fit: Fit) -> ExpansionFit {
        fit.calibration = fit.calibration.made_with(Some(self.expansion));
        ExpansionFit {
            expansion: self.expansion,
            standard_error_ppm_per_kelvin: self.standard_error,
            error_assumed: self.error_assumed,
            fit,
        }
    }
}

/// What a body has to read in a liquid of this gravity at this temperature.
fn wanted(reference: Gravity, liquid: Temperature, per_kelvin: f64) -> Option<Gravity> {
    floating::reading(reference.sg(), liquid.celsius(), per_kelvin).and_then(Gravity::from_sg)
}

fn cold_points(points: &[WarmPoint]) -> Result<Vec<Cold>, ExpansionError> {
    let convert = |(index, point): (usize, &WarmPoint)| {
        let liquid = point.liquid.ok_or(ExpansionError::NoTemperature(index))?;
        let reference =
            wanted(point.reference, liquid, 0.0).ok_or(ExpansionError::NoDensity(index))?;
        let point = Point { reading: point.reading, reference };
        Ok(Cold { point, from_20: liquid.celsius() - REFERENCE_CELSIUS })
    };
    points.iter().enumerate().map(convert).collect()
}

/// The points of each liquid.
fn liquids(points: &[WarmPoint]) -> Vec<Vec<WarmPoint>> {
    let mut sorted = points.to_vec();
    sorted.sort_by(|one, other| one.reference.sg().total_cmp(&other.reference.sg()));
    let mut liquids: Vec<Vec<WarmPoint>> = Vec::new();
    for point in sorted {
        let same = |first: &WarmPoint| {
            (point.reference.sg() - first.reference.sg()).abs() <= SAME_LIQUID_SG
        };
        match liquids.last_mut() {
            Some(liquid) if liquid.first().is_some_and(same) => liquid.push(point),
            _ => liquids.push(vec![point]),
        }
    }
    liquids
}

/// The widest range of temperatures that one liquid was measured at, in K.
fn widest_span(points: &[WarmPoint]) -> f64 {
    let span = |liquid: &Vec<WarmPoint>| {
        let (low, high) = ends(liquid.iter().filter_map(|p| p.liquid).map(Temperature::celsius));
        if low <= high { high - low } else { 0.0 }
    };
    liquids(points).iter().map(span).fold(0.0, f64::max)
}

/// The highest order that leaves room for an expansion: each order needs a liquid of its own.
fn highest_order(reads: Reads, points: &[WarmPoint]) -> Result<usize, ExpansionError> {
    let (low, high) = ends(points.iter().map(|point| point.reference.sg()));
    let sloped = high - low >= LEAST_SPREAD_SG;
    if !sloped && reads == Reads::Angle {
        return Err(ExpansionError::OneLiquid);
    }
    let lowest = lowest_order(reads);
    let most = if sloped { liquids(points).len() - 1 } else { 0 };
    let told = |order: &usize| points.len() >= order + if *order > 1 { 4 } else { 2 };
    Ok((lowest..=most.min(ORDER_MAX)).rev().find(told).unwrap_or(lowest))
}

/// The expansion with a curve of this order, both by one least squares.
fn estimate(reads: Reads, points: &[Cold], order: usize) -> Result<Estimate, ExpansionError> {
    let inputs = inputs_of(points.iter().map(|cold| cold.point.reading));
    let scaled = |cold: &Cold| (cold.point.reading - inputs.centre) / inputs.half_width;
    // The last term is the expansion in ppm/K.
    let warmth = |cold: &Cold| -cold.point.reference.sg() * cold.from_20 * 1e-6;
    let design = DMatrix::from_fn(points.len(), order + 2, |row, column| {
        let cold = &points[row];
        if column > order { warmth(cold) } else { scaled(cold).powi(column as i32) }
    });
    let base = |cold: &Cold| if reads == Reads::Gravity { cold.point.reading } else { 0.0 };
    let sought = points.iter().map(|cold| cold.point.reference.sg() - base(cold));
    let sought = DVector::from_iterator(points.len(), sought);
    let whole = points.iter().map(|cold| warmth(cold).powi(2)).sum::<f64>().sqrt();
    let Solved { terms, last_alone, .. } = least_squares(design.clone(), &sought);
    let ppm_per_kelvin = terms[order + 1];
    if last_alone <= 1e-6 * whole || !ppm_per_kelvin.is_finite() {
        let standard_error = f64::INFINITY;
        return Err(ExpansionError::Unsure { ppm_per_kelvin, standard_error });
    }
    let residuals = sought - design * DVector::from_vec(terms);
    let freedom = points.len() - (order + 2);
    let found = residuals.norm_squared() / freedom.max(1) as f64;
    let error_assumed = freedom < ENOUGH_FREEDOM as usize;
    let least = if error_assumed { USUAL_SD_POINTS } else { FINEST_SD_POINTS };
    let standard_error = found.sqrt().max(least * 1e-3) / last_alone;
    if standard_error > LARGEST_ERROR_PPM {
        return Err(ExpansionError::Unsure { ppm_per_kelvin, standard_error });
    }
    // Nothing shrinks when it is warmed; a little less than nothing is an error of the readings.
    let possible = (-2.0 * standard_error..=2000.0).contains(&ppm_per_kelvin);
    Expansion::from_per_kelvin(ppm_per_kelvin.max(0.0).round() * 1e-6)
        .filter(|_| possible)
        .map(|expansion| Estimate { expansion, standard_error, error_assumed })
        .ok_or(ExpansionError::Impossible { ppm_per_kelvin, standard_error })
}

impl fmt::Display for ExpansionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ExpansionError::NoTemperature(index) => {
                write!(f, "point {} has no temperature", index + 1)
            }
            ExpansionError::NoDensity(index) => {
                write!(f, "point {}: no solution has that gravity at that temperature", index + 1)
            }
            ExpansionError::Temperatures(span) => write!(
                f,
                "the temperatures do not tell the expansion: no liquid was measured at two of \
                 them {LEAST_SPAN_KELVIN:.0} K apart or more, the widest are {span:.1} K apart"
            ),
            ExpansionError::OneLiquid => f.write_str(
                "an angle in one liquid does not tell the expansion: how it turns with the gravity \
                 is not known either",
            ),
            ExpansionError::TooFew { given, needed } => write!(
                f,
                "{given} points are too few for a calibration and an expansion: it needs {needed}"
            ),
            ExpansionError::Unsure { standard_error, .. } if !standard_error.is_finite() => f
                .write_str(
                    "the points do not tell the expansion: gravity and temperature rise together \
                     in them",
                ),
            ExpansionError::Unsure { ppm_per_kelvin, standard_error } => write!(
                f,
                "the points tell the expansion only to {ppm_per_kelvin:.0} ± {standard_error:.0} \
                 ppm/K: at 10 °C from 20 °C that is over a point"
            ),
            ExpansionError::Impossible { ppm_per_kelvin, standard_error } => write!(
                f,
                "by these points the body would expand by {ppm_per_kelvin:.0} ± \
                 {standard_error:.0} ppm/K, which no body does: 0 to 2000 ppm/K is possible"
            ),
            ExpansionError::Fit(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for ExpansionError {}

impl ExpansionError {
    /// The next step for whoever measured the points.
    pub fn hint(&self) -> &'static str {
        match self {
            ExpansionError::NoTemperature(_) => {
                "fill in `temperature_c` of each point: the liquid's, not the room's"
            }
            ExpansionError::NoDensity(_) => "look for a temperature or a gravity that is mistyped",
            ExpansionError::Temperatures(_) | ExpansionError::Unsure { .. } => {
                "measure the float in water as cold as your cellar and again 15 K warmer or more, \
                 and wait until the float has the water's temperature"
            }
            ExpansionError::OneLiquid => {
                "add points in sugar solutions over the range of your beers, at one temperature"
            }
            ExpansionError::TooFew { .. } => {
                "measure more points, or force a lower order with `--order`"
            }
            ExpansionError::Impossible { .. } => {
                "was the float as warm as the liquid, and is the temperature the liquid's?"
            }
            ExpansionError::Fit(error) => error.hint(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A float that reads `off` too high at 20 °C and expands by `ppm`.
    fn float(off: f64, ppm: f64, liquids: &[(f64, f64)]) -> Vec<WarmPoint> {
        let point = |(sg, celsius): &(f64, f64)| WarmPoint {
            reading: floating::reading(*sg, *celsius, ppm * 1e-6).unwrap() + off,
            reference: Gravity::from_sg(*sg).unwrap(),
            liquid: Temperature::from_celsius(*celsius),
        };
        liquids.iter().map(point).collect()
    }

    fn ppm(fit: &ExpansionFit) -> f64 {
        fit.expansion.per_kelvin() * 1e6
    }

    #[test]
    fn calibrated_then_corrected_gives_the_reference() {
        let body = Expansion::from_per_kelvin(2e-4).unwrap();
        let points = float(0.0021, 200.0, &[(1.0, 6.0), (1.0, 25.0), (1.05, 18.0), (1.03, 12.0)]);
        let read = as_read(&points, Some(body)).unwrap();
        let calibration = fit(Reads::Gravity, &read).unwrap().calibration;
        assert_eq!(calibration.order(), 0);
        for point in &points {
            let calibrated = calibration.apply(point.reading).unwrap().gravity;
            let found = floating::corrected(calibrated, point.liquid.unwrap(), body).unwrap();
            assert!((found.sg() - point.reference.sg()).abs() < 1e-9);
        }
        // Without an expansion the temperatures are not looked at.
        assert_eq!(as_read(&points, None).unwrap()[0].reference, points[0].reference);
    }

    #[test]
    fn water_at_two_temperatures_tells_the_expansion() {
        for expected in [0.0, 25.0, 200.0, 350.0] {
            let fit = fit_expansion(
                Reads::Gravity,
                &float(-0.0013, expected, &[(1.0, 5.0), (1.0, 25.0)]),
                None,
            )
            .unwrap();
            assert!((ppm(&fit) - expected).abs() < 1e-6, "{expected}");
            // Two readings of ± 1 point, 20 K apart.
            let error = 1e3 * 2.0_f64.sqrt() / 20.0;
            assert!((fit.standard_error_ppm_per_kelvin / error - 1.0).abs() < 2e-3);
            assert!(fit.error_assumed);
            assert!((fit.fit.calibration.terms_sg()[0] - 0.0013).abs() < 1e-6);
            assert_eq!(fit.fit.calibration.expansion(), Some(fit.expansion));
        }
    }

    #[test]
    fn an_angle_is_told_by_solutions_and_one_of_them_warm_and_cold() {
        let liquids = [
            (1.000, 20.0),
            (1.000, 4.0),
            (1.000, 35.0),
            (1.020, 20.0),
            (1.040, 20.0),
            (1.060, 20.0),
            (1.080, 20.0),
            (1.080, 5.0),
        ];
        let mut points = float(0.0, 200.0, &liquids);
        for point in &mut points {
            point.reading = 25.0 + 450.0 * (point.reading - 1.0);
        }
        let fit = fit_expansion(Reads::Angle, &points, None).unwrap();
        assert!((ppm(&fit) - 200.0).abs() < 1e-6);
        assert_eq!(fit.fit.calibration.order(), 1);
        assert!(!fit.error_assumed && fit.standard_error_ppm_per_kelvin < 30.0);
        assert_eq!(fit_expansion(Reads::Angle, &points[..3], None), Err(ExpansionError::OneLiquid));
    }

    #[test]
    fn what_is_not_told_is_refused_with_the_reason() {
        let gravity = |points: &[WarmPoint]| fit_expansion(Reads::Gravity, points, None);
        let near = float(0.0, 200.0, &[(1.0, 18.0), (1.0, 21.0), (1.05, 4.0)]);
        let Err(ExpansionError::Temperatures(span)) = gravity(&near) else { panic!("told") };
        assert!((span - 3.0).abs() < 1e-9);
        let unsure = gravity(&float(0.0, 200.0, &[(1.0, 14.0), (1.0, 21.0)]));
        assert!(matches!(unsure, Err(ExpansionError::Unsure { .. })), "{unsure:?}");
        let shrinks = gravity(&float(0.0, -400.0, &[(1.0, 5.0), (1.0, 25.0), (1.0, 35.0)]));
        assert!(matches!(shrinks, Err(ExpansionError::Impossible { .. })), "{shrinks:?}");
        // Less than nothing by less than the error is nothing.
        let none = gravity(&float(0.0, -40.0, &[(1.0, 5.0), (1.0, 25.0)])).unwrap();
        assert_eq!(ppm(&none), 0.0);
        let mut untold = near.clone();
        untold[1].liquid = None;
        assert_eq!(gravity(&untold), Err(ExpansionError::NoTemperature(1)));
        let few = float(0.0, 200.0, &[(1.0, 5.0), (1.05, 25.0), (1.0, 25.0)]);
        let few = fit_expansion(Reads::Gravity, &few, Some(2));
        assert_eq!(few, Err(ExpansionError::TooFew { given: 3, needed: 4 }));
        for error in [
            ExpansionError::NoTemperature(0),
            ExpansionError::NoDensity(0),
            ExpansionError::Temperatures(1.0),
            ExpansionError::OneLiquid,
            ExpansionError::TooFew { given: 2, needed: 3 },
            ExpansionError::Unsure { ppm_per_kelvin: 1.0, standard_error: f64::INFINITY },
            ExpansionError::Impossible { ppm_per_kelvin: 1.0, standard_error: 1.0 },
            ExpansionError::Fit(FitError::NotMonotone),
        ] {
            assert!(error.to_string().len() > 10 && error.hint().len() > 10);
        }
    }
}
