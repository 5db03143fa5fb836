//! Correcting what a float or a hydrometer reads for the temperature it was read at.
//!
//! A body that floats measures the density of the liquid over its own mean density (Archimedes), so
//! a reading S of one calibrated at t₀, whose volume grows by β a kelvin, means a density of
//! S·ρ_water(t₀)/(1 + β(t − t₀)). What that is at 20 °C depends on how the liquid expands: form (a)
//! takes it to expand like water, form (b) like a sucrose solution of that density. Beer lies
//! between the two; they differ by 0.2 points at 1.010 and 4 °C, by 0.6 points at 1.050 and 10 °C.
//!
//! β is 25 ppm/K for soda-lime glass (OIML R 22, tables IX), about 10 for borosilicate, 200 for
//! polycarbonate and PET, 350 for polypropylene (three times the linear expansion, ± 30 %, from
//! memory). The correction for glass is wrong for plastic: at 10 °C it is −1.9 points for glass,
//! about 0 for PET.

use crate::density::{
    sucrose_solution_kg_per_m3, sucrose_solution_slope, water_bettin_kg_per_m3, water_kg_per_m3,
};
use quantity::{Expansion, Gravity, Temperature};

/// Volume expansion of soda-lime glass, in 1/K (OIML R 22, tables IX).
pub const GLASS_PER_KELVIN: f64 = 25e-6;
/// The temperature that gravities are stated at, in °C.
pub const REFERENCE_CELSIUS: f64 = 20.0;

/// The gravity at 20 °C that a float shows which was calibrated at 20 °C, by form (b).
///
/// `None` where no solution of sucrose could give that reading.
pub fn corrected(reading: Gravity, beer: Temperature, body: Expansion) -> Option<Gravity> {
    let sg = like_sucrose(reading.sg(), beer.celsius(), body.per_kelvin(), REFERENCE_CELSIUS)?;
    Gravity::from_sg(sg)
}

/// Form (a): the specific gravity at the temperature of calibration, for a liquid that expands like
/// water; `per_kelvin` is the body's volume expansion.
pub fn like_water(
    reading_sg: f64,
    celsius: f64,
    per_kelvin: f64,
    calibrated_at_celsius: f64,
) -> f64 {
    let grown = 1.0 + per_kelvin * (celsius - calibrated_at_celsius);
    reading_sg * water_kg_per_m3(calibrated_at_celsius) / water_kg_per_m3(celsius) / grown
}

/// Form (b): the specific gravity (20 °C/20 °C) of the sucrose solution that gives this reading;
/// `per_kelvin` is the body's volume expansion.
///
/// `None` where there is no such solution (0.95 to 1.35 SG is covered).
pub fn like_sucrose(
    reading_sg: f64,
    celsius: f64,
    per_kelvin: f64,
    calibrated_at_celsius: f64,
) -> Option<f64> {
    let grown = 1.0 + per_kelvin * (celsius - calibrated_at_celsius);
    let wanted = reading_sg * water_bettin_kg_per_m3(calibrated_at_celsius) / grown;
    let mass_fraction = sucrose_fraction(wanted, celsius)?;
    let at_20 = sucrose_solution_kg_per_m3(mass_fraction, REFERENCE_CELSIUS);
    Some(at_20 / water_bettin_kg_per_m3(REFERENCE_CELSIUS))
}

/// What a float that was calibrated at 20 °C reads at another temperature in a liquid of this
/// specific gravity (20 °C/20 °C): the inverse of [`like_sucrose`].
///
/// `None` where no solution of sucrose has that gravity.
pub fn reading(sg: f64, celsius: f64, per_kelvin: f64) -> Option<f64> {
    let water = water_bettin_kg_per_m3(REFERENCE_CELSIUS);
    let mass_fraction = sucrose_fraction(sg * water, REFERENCE_CELSIUS)?;
    let grown = 1.0 + per_kelvin * (celsius - REFERENCE_CELSIUS);
    Some(sucrose_solution_kg_per_m3(mass_fraction, celsius) * grown / water)
}

/// The mass fraction of sucrose whose solution has this density (kg/m³); a little below 0 for a
/// liquid lighter than water, so that dry beers have an answer.
///
/// Newton's method, kept inside a bracket that halves whenever a step would leave it.
fn sucrose_fraction(kg_per_m3: f64, celsius: f64) -> Option<f64> {
    let miss = |fraction: f64| sucrose_solution_kg_per_m3(fraction, celsius) - kg_per_m3;
    let (mut low, mut high) = (-0.15, 0.7);
    if !(miss(low) <= 0.0 && miss(high) >= 0.0) {
        return None;
    }
    let mut fraction = 0.1;
    for _ in 0..100 {
        let error = miss(fraction);
        if error > 0.0 {
            high = fraction;
        } else {
            low = fraction;
        }
        let newton = fraction - error / sucrose_solution_slope(fraction, celsius);
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - fraction).abs() < 1e-15 {
            return Some(next);
        }
        fraction = next;
    }
    Some(fraction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn at_the_temperature_of_calibration_nothing_changes() {
        for step in 0..60 {
            let sg = 0.98 + f64::from(step) * 0.003;
            let same = like_sucrose(sg, 20.0, 2e-4, 20.0).unwrap();
            assert!((same - sg).abs() < 1e-12, "{sg} {same}");
            assert!((like_water(sg, 20.0, 2e-4, 20.0) - sg).abs() < 1e-12);
        }
    }

    #[test]
    fn what_no_solution_gives_has_no_answer() {
        assert_eq!(like_sucrose(0.5, 20.0, 0.0, 20.0), None);
        assert_eq!(like_sucrose(2.0, 20.0, 0.0, 20.0), None);
        assert_eq!(like_sucrose(f64::NAN, 20.0, 0.0, 20.0), None);
    }

    proptest! {
        /// Reading a known gravity at another temperature and correcting it gives it back.
        #[test]
        fn a_known_gravity_is_found_again(
            sg in 0.99..1.13f64, celsius in -2.0..45.0f64, per_kelvin in 0.0..4e-4f64,
        ) {
            let shown = reading(sg, celsius, per_kelvin).unwrap();
            let found = like_sucrose(shown, celsius, per_kelvin, 20.0).unwrap();
            prop_assert!((found - sg).abs() < 1e-12);
        }
    }
}
