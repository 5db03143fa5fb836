//! At what temperature a beer begins to freeze.
//!
//! The floor that the program keeps counts only the alcohol: extract lowers the freezing point
//! further, by an amount that depends on the sugars, so leaving it out is the safe side.
//! A formula with `−0.42·A + 0.04·E + 0.2` circulates; its signs are wrong (it would have a beer
//! freeze at a higher temperature than the same alcohol in pure water).

use crate::attenuation::Composition;
use quantity::{Gravity, Temperature};

/// Freezing point of water with this much ethanol (% by weight), in °C: −40.33·A/(100 − A).
///
/// Raoult's law for dilute solutions with 1.858 K·kg/mol and 46.069 g/mol; within 0.15 K of Lange's
/// Handbook of Chemistry, table 5.13, up to 11 % by weight.
pub fn floor_celsius(alcohol_weight_percent: f64) -> f64 {
    -40.33 * alcohol_weight_percent / (100.0 - alcohol_weight_percent)
}

/// The freezing point that the program keeps clear of: [`floor_celsius`] at the alcohol that these
/// two gravities show; 0 °C for wort, and where the original gravity is that of water.
pub fn freezing_point_of(original: Gravity, present: Gravity) -> Temperature {
    let alcohol =
        Composition::of(original, present).map_or(0.0, |beer| beer.alcohol_weight_percent);
    Temperature::clamped(floor_celsius(alcohol))
}

/// The same law with its constants unrounded, in °C.
pub fn ethanol_water_celsius(alcohol_weight_percent: f64) -> f64 {
    -1.858 * 1000.0 * (alcohol_weight_percent / ETHANOL_G_PER_MOL)
        / (100.0 - alcohol_weight_percent)
}

/// The brewer's rule −(0.42·A + 0.04·E + 0.2) in °C: A alcohol in % by weight, E original extract
/// in °P.
///
/// Source: maltingandbrewing.com/freezing-point-of-beer.html. About 0.4 K too low, so not safe as a
/// floor: kept for comparison.
pub fn brewers_rule_celsius(alcohol_weight_percent: f64, original_plato: f64) -> f64 {
    -(0.42 * alcohol_weight_percent + 0.04 * original_plato + 0.2)
}

/// Freezing point in °C of an ideal mixture of water, ethanol (% by weight) and extract (°P) of
/// this mean molar mass (g/mol; 300 to 1000 for wort, an engineering estimate).
///
/// Solves ln x = −(ΔH/R)(1/T − 1/T₀) + (ΔC/R)(T₀/T − 1 + ln(T/T₀)) for T, with x the share of water
/// among the molecules. ΔH = 6009.5 J/mol and ΔC = 38.1 J/mol/K for melting ice are near the
/// handbook values and were chosen, among such, as those that reproduce the check table: its
/// agreement tells of the form of the law, not of these two numbers.
pub fn ideal_mixture_celsius(
    alcohol_weight_percent: f64,
    real_plato: f64,
    extract_g_per_mol: f64,
) -> f64 {
    const MELTING: f64 = 273.15;
    let water = (100.0 - alcohol_weight_percent - real_plato) / 18.015;
    let dissolved = alcohol_weight_percent / ETHANOL_G_PER_MOL + real_plato / extract_g_per_mol;
    let target = -(dissolved / water).ln_1p();
    let (enthalpy, capacity) = (6009.5 / GAS_J_PER_MOL_K, 38.1 / GAS_J_PER_MOL_K);
    let mut kelvin = MELTING;
    for _ in 0..20 {
        let ratio = MELTING / kelvin;
        let miss = -enthalpy * (1.0 / kelvin - 1.0 / MELTING)
            + capacity * (ratio - 1.0 - ratio.ln())
            - target;
        let slope = (enthalpy + capacity * (kelvin - MELTING)) / (kelvin * kelvin);
        let step = miss / slope;
        kelvin -= step;
        if step.abs() < 1e-12 {
            break;
        }
    }
    kelvin - MELTING
}

const ETHANOL_G_PER_MOL: f64 = 46.069;
const GAS_J_PER_MOL_K: f64 = 8.314_462_618;

#[cfg(test)]
mod tests {
    use super::*;

    /// Lange's Handbook of Chemistry, table 5.13 (ethanol in water), as copied at
    /// studfile.net/preview/408309/page:7.
    #[test]
    fn ethanol_in_water_freezes_as_langes_handbook_says() {
        for (alcohol, celsius) in [(2.5, -1.0), (4.8, -2.0), (6.8, -3.0), (11.3, -5.0)] {
            assert!((floor_celsius(alcohol) - celsius).abs() < 0.15, "{alcohol}");
        }
    }

    /// The safe side: the floor lies above the ideal mixture's freezing point with any extract.
    #[test]
    fn the_floor_is_on_the_safe_side() {
        for tenth in 0..100 {
            let alcohol = f64::from(tenth) / 10.0;
            for real_plato in [2.0, 4.0, 8.0] {
                let real = ideal_mixture_celsius(alcohol, real_plato, 1000.0);
                assert!(floor_celsius(alcohol) > real, "{alcohol} {real_plato}");
            }
        }
    }

    #[test]
    fn wort_freezes_at_nought() {
        let wort = Gravity::from_plato(12.0).unwrap();
        assert_eq!(freezing_point_of(wort, wort).celsius(), 0.0);
        let beer = Gravity::from_plato(2.5).unwrap();
        assert!((freezing_point_of(wort, beer).celsius() - -1.671).abs() < 1e-3);
    }
}
