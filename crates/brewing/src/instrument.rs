//! Hand readings, corrected for what their instrument does not know: a hydrometer for temperature,
//! a refractometer for alcohol.

use crate::attenuation::{alcohol_from_apparent, original_extract, real_extract};
use crate::floating::{GLASS_PER_KELVIN, REFERENCE_CELSIUS, like_sucrose};
use quantity::{Gravity, Temperature, plato_from_sg, sg_from_plato};

/// What a refractometer reads for a wort of 1 °P, in °Brix: its other sugars and its proteins bend
/// light more than sucrose does. Common practice is 1.02 to 1.06.
pub const WORT_FACTOR: f64 = 1.04;

/// Least uncertainty of a gravity by refractometer after pitching, in points of 0.001 SG.
///
/// A cautious choice: the wort's own factor, the refractive indices and the reading each add about
/// a point. Of the beers behind the regression of Zymurgy, July/August 2017, 88 % came within 2
/// points (as quoted at beergeeks.co.il/faq/refractometer_fg): a standard deviation of 1.3 points
/// for the readings of one careful study.
pub const REFRACTOMETER_POINTS: f64 = 3.0;

/// The gravity at 20 °C that a glass hydrometer shows which was calibrated at `calibrated_at`
/// (20 °C, or 60 °F = 15.56 °C), read at `sample`.
///
/// By form (b) of [`crate::floating`], soda-lime glass. `None` where no solution gives that
/// reading.
pub fn hydrometer(
    reading: Gravity,
    sample: Temperature,
    calibrated_at: Temperature,
) -> Option<Gravity> {
    let sg =
        like_sucrose(reading.sg(), sample.celsius(), GLASS_PER_KELVIN, calibrated_at.celsius())?;
    Gravity::from_sg(sg)
}

/// As [`hydrometer`], for one calibrated at 20 °C.
pub fn hydrometer_20c(reading: Gravity, sample: Temperature) -> Option<Gravity> {
    hydrometer(reading, sample, Temperature::clamped(REFERENCE_CELSIUS))
}

/// The gravity of a fermenting beer by a refractometer that reads `brix`, when the original gravity
/// is known; `wort_factor` as in [`WORT_FACTOR`], 1 for an instrument with a wort's scale.
///
/// Tornøe's principle (extract and alcohol each raise the refractive index by their own amount, as
/// described by Ling and Pope) with Balling's mass balance in place of a density: the apparent
/// extract is sought whose extract and alcohol together bend light as much as was read. Refractive
/// indices are those of sucrose and of ethanol in water at 20 °C (CRC Handbook of Chemistry and
/// Physics, concentrative properties; figures from memory). Right at the original gravity by
/// construction; [`REFRACTOMETER_POINTS`] is its uncertainty. `None` where the original gravity is
/// that of water, or no fermentation of that wort gives the reading.
pub fn refractometer(original: Gravity, brix: f64, wort_factor: f64) -> Option<Gravity> {
    let original_plato = original_extract(original)?;
    let reading = brix / wort_factor;
    let miss = |apparent: f64| refractive_plato(original_plato, apparent) - reading;
    // A little beyond what can be, so that an error of the reading does not leave no answer.
    let (mut low, mut high) = (-0.2 * original_plato, 1.1 * original_plato);
    if !(miss(low) <= 0.0 && miss(high) >= 0.0) {
        return None;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if miss(middle) > 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    Gravity::from_sg(sg_from_plato(0.5 * (low + high)))
}

/// As [`refractometer`], for a reading given as a gravity (the instrument's scale in °P or SG is
/// that of sucrose).
pub fn refractometer_gravity(
    original: Gravity,
    reading: Gravity,
    wort_factor: f64,
) -> Option<Gravity> {
    refractometer(original, plato_from_sg(reading.sg()), wort_factor)
}

/// What a refractometer with a wort's scale reads, in °P, for a beer of this original and apparent
/// extract.
fn refractive_plato(original_plato: f64, apparent_plato: f64) -> f64 {
    let real = real_extract(original_plato, apparent_plato);
    let alcohol = alcohol_from_apparent(original_plato, apparent_plato).max(0.0);
    // Refractive index above that of water: sucrose 1.3403 at 5 %, 1.3478 at 10 %; ethanol 1.3360
    // at 5 %, 1.3395 at 10 %; water 1.3330.
    let extract_rise = (SUCROSE_SQUARE * real + SUCROSE_LINEAR) * real;
    let alcohol_rise = (7e-6 * alcohol + 5.8e-4) * alcohol;
    let rise = extract_rise + alcohol_rise;
    let root = (SUCROSE_LINEAR * SUCROSE_LINEAR + 4.0 * SUCROSE_SQUARE * rise).max(0.0).sqrt();
    (root - SUCROSE_LINEAR) / (2.0 * SUCROSE_SQUARE)
}

const SUCROSE_LINEAR: f64 = 1.425e-3;
const SUCROSE_SQUARE: f64 = 5.5e-6;

#[cfg(test)]
mod tests {
    use super::*;

    fn sg(number: f64) -> Gravity {
        Gravity::from_sg(number).unwrap()
    }

    #[test]
    fn at_the_original_gravity_it_reads_the_wort() {
        for plato in [8.0, 12.0, 16.0, 24.0] {
            let original = Gravity::from_plato(plato).unwrap();
            let same = refractometer(original, plato * 1.04, 1.04).unwrap();
            assert!((same.sg() - original.sg()).abs() < 1e-9, "{plato}");
        }
    }

    /// The linear regression on 68 beers, FG = 1.0000 − 0.00085683·RI₀ + 0.0034941·RI₁ with both
    /// readings on the wort's scale: seanterrill.com, "Refractometer FG Results", 2011; stated for
    /// apparent attenuations above 61 %.
    #[test]
    fn it_agrees_with_the_regression_on_68_beers() {
        for (first, last) in [(10.0, 5.0), (12.0, 5.6), (12.0, 6.2), (15.0, 7.5), (18.0, 9.0)] {
            let regression = 1.0 - 0.000_856_83 * first + 0.003_494_1 * last;
            let original = Gravity::from_plato(first).unwrap();
            let ours = refractometer(original, last, 1.0).unwrap().sg();
            let points = (ours - regression) * 1e3;
            assert!(points.abs() < REFRACTOMETER_POINTS, "{first} {last}: {points}");
        }
    }

    /// The regression of Zymurgy, July/August 2017, FG = 1 − 0.002349·RI₀ + 0.006276·RI₁, quoted
    /// at beergeeks.co.il/faq/refractometer_fg (the last digits there are 67; it makes no
    /// difference), for usual attenuations; it and the one above differ by up to 2.4 points.
    #[test]
    fn it_agrees_with_the_regression_of_2017() {
        for (first, last) in [(10.0, 5.0), (12.0, 5.8), (12.0, 6.2), (15.0, 7.5), (16.0, 8.0)] {
            let regression = 1.0 - 0.002_349 * first + 0.006_276 * last;
            let original = Gravity::from_plato(first).unwrap();
            let ours = refractometer(original, last, 1.0).unwrap().sg();
            let points = (ours - regression) * 1e3;
            assert!(points.abs() < REFRACTOMETER_POINTS, "{first} {last}: {points}");
        }
    }

    /// Refractive indices of sucrose solutions at 20 °C, 5 % and 10 % by mass: OIV-MA-AS2-02 and
    /// the ICUMSA tables have 1.34026 and 1.34782 (from memory).
    #[test]
    fn sucrose_bends_light_as_tabulated() {
        for (percent, index) in [(5.0, 1.340_26), (10.0, 1.347_82)] {
            let ours = 1.332_99 + (SUCROSE_SQUARE * percent + SUCROSE_LINEAR) * percent;
            assert!((ours - index).abs() < 5e-5, "{percent}: {ours}");
        }
    }

    /// One brewer's readings with both instruments: 1.062 and 16.2 °Bx, later 1.013 and 7.8 °Bx
    /// (homebrewtalk.com, "Estimating ABV using Brix refractometer").
    #[test]
    fn a_published_pair_of_readings_comes_out() {
        let original = sg(1.062);
        let factor = 16.2 / original.plato();
        let ours = refractometer(original, 7.8, factor).unwrap();
        assert!((ours.sg() - 1.013).abs() < REFRACTOMETER_POINTS * 1e-3, "{}", ours.sg());
    }

    #[test]
    fn impossible_readings_have_no_answer() {
        assert_eq!(refractometer(sg(1.050), 0.0, 1.0), None);
        assert_eq!(refractometer(sg(1.050), 20.0, 1.0), None);
        assert_eq!(refractometer(sg(1.0), 5.0, 1.0), None);
        assert_eq!(refractometer(sg(1.050), f64::NAN, 1.0), None);
    }

    /// Computed from the sucrose table and the expansion of soda-lime glass; no published table.
    #[test]
    fn a_cold_sample_reads_too_high_in_glass() {
        let cold = Temperature::from_celsius(10.0).unwrap();
        let corrected = hydrometer_20c(sg(1.050), cold).unwrap();
        assert!((corrected.sg() - 1.048_120_781).abs() < 1e-9);
    }

    /// A hydrometer of 60 °F states its density over water of 60 °F: in water of 60 °F it reads 1
    /// and so must be 1 at 20 °C.
    #[test]
    fn a_hydrometer_of_another_temperature_is_brought_to_20_c() {
        let fahrenheit_60 = Temperature::from_celsius(15.5556).unwrap();
        let water = hydrometer(sg(1.0), fahrenheit_60, fahrenheit_60).unwrap();
        assert!((water.sg() - 1.0).abs() < 1e-9, "{}", water.sg());
        let wort = hydrometer(sg(1.050), fahrenheit_60, fahrenheit_60).unwrap();
        assert!((wort.sg() - 1.0498).abs() < 3e-4, "{}", wort.sg());
    }
}
