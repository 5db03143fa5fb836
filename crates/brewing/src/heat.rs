//! The heat that a fermentation gives off.

use crate::attenuation::real_per_apparent;
use crate::density::{WATER_20C_G_PER_ML, sg_from_plato};
use quantity::{Gravity, Volume, plato_from_sg};

/// Heat of fermentation in kJ per kg of extract.
///
/// Practice has 252 BTU/lb = 586 kJ/kg and 652 kJ/kg; formation enthalpies give 563 for glucose.
/// Use 587, with 650 as the sensitivity.
pub const HEAT_KJ_PER_KG: f64 = 587.0;

/// Heat in W of `litres` of a wort of `original_plato` whose *real* extract falls by
/// `real_plato_per_day`, at `kj_per_kg` of extract.
pub fn watts(real_plato_per_day: f64, litres: f64, original_plato: f64, kj_per_kg: f64) -> f64 {
    let kilograms = litres * sg_from_plato(original_plato) * WATER_20C_G_PER_ML;
    real_plato_per_day / 100.0 * kilograms * kj_per_kg * 1e3 / 86_400.0
}

/// Heat in W of a beer whose gravity falls by `points_per_day`; 0 where it rises.
pub fn of_gravity_fall(
    original: Gravity,
    present: Gravity,
    points_per_day: f64,
    volume: Volume,
) -> f64 {
    let original_plato = original.plato();
    let before = plato_from_sg(present.sg() + points_per_day * 0.5e-3);
    let after = plato_from_sg(present.sg() - points_per_day * 0.5e-3);
    let real = (before - after) * real_per_apparent(original_plato);
    watts(real, volume.litres(), original_plato, HEAT_KJ_PER_KG).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 °P a day of real extract is 7.1 W/hL (12 °P), so that of apparent extract is about 0.81 of
    /// it. Computed from 587 kJ/kg; no published table.
    #[test]
    fn a_falling_gravity_heats() {
        let original = Gravity::from_plato(12.0).unwrap();
        let present = Gravity::from_plato(6.0).unwrap();
        let volume = Volume::from_litres(100.0).unwrap();
        let points = (present.sg() - sg_from_plato(5.0)) * 1e3;
        let heat = of_gravity_fall(original, present, points, volume);
        assert!((heat - 7.11 / 1.232).abs() < 0.05, "{heat}");
        assert_eq!(of_gravity_fall(original, present, -3.0, volume), 0.0);
    }
}
