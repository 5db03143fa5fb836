//! What an addition makes of a batch: the original extract that the whole would have had, by mass
//! balance.
//!
//! The wort's mass is its volume times its density before fermentation: what fermentation takes
//! away as gas and yeast is not part of the balance, and a change of volume is left out.

use crate::attenuation::{fermented_per_100g, lost_share, original_extract, real_extract};
use crate::density::WATER_20C_G_PER_ML;
use quantity::{Gravity, GravityDelta, Mass, Volume, plato_from_sg, sg_from_plato};

/// A batch after an addition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Batch {
    /// The original gravity that the whole would have had.
    pub original: Gravity,
    /// Its volume.
    pub volume: Volume,
}

/// Adds pure extract, such as sugar: `extract` is its dry mass.
///
/// `None` where the result is no gravity or no volume that can be.
pub fn of_extract(batch: Batch, extract: Mass) -> Option<Batch> {
    of_mass(batch, extract.kilograms(), extract.kilograms())
}

/// Adds a liquid: speise, krausen (by its original gravity), fruit juice, or water to top up.
///
/// `None` where the result is no gravity or no volume that can be.
pub fn of_liquid(batch: Batch, volume: Volume, gravity: Gravity) -> Option<Batch> {
    let kilograms = volume.litres() * gravity.sg() * WATER_20C_G_PER_ML;
    of_mass(batch, kilograms, kilograms * gravity.plato() / 100.0)
}

/// Takes an addition from the rise of gravity that was measured over it.
///
/// The rise is taken to be sugar of 100 % extract. `present` is the gravity before it. `None` where
/// the original gravity is that of water, or the result is no gravity.
pub fn of_rise(batch: Batch, present: Gravity, rise: GravityDelta) -> Option<Batch> {
    let original_plato = original_extract(batch.original)?;
    let before = plato_from_sg(present.sg());
    let after = plato_from_sg(rise.above(present));
    // Sugar per mass of beer; the beer weighs less than the wort that it was.
    let per_beer = (after - before) / (100.0 - after);
    let fermented = fermented_per_100g(original_plato, real_extract(original_plato, before));
    let remaining = 1.0 - fermented.max(0.0) / 100.0 * lost_share();
    let extract = wort_kilograms(batch) * remaining * per_beer;
    of_mass(batch, extract, extract)
}

fn of_mass(batch: Batch, added_kilograms: f64, extract_kilograms: f64) -> Option<Batch> {
    let wort = wort_kilograms(batch);
    let extract = wort * plato_from_sg(batch.original.sg()) / 100.0 + extract_kilograms;
    let plato = 100.0 * extract / (wort + added_kilograms);
    let sg = sg_from_plato(plato);
    Some(Batch {
        original: Gravity::from_sg(sg)?,
        volume: Volume::from_litres((wort + added_kilograms) / (sg * WATER_20C_G_PER_ML))?,
    })
}

fn wort_kilograms(batch: Batch) -> f64 {
    batch.volume.litres() * batch.original.sg() * WATER_20C_G_PER_ML
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::Quantity;

    fn batch(litres: f64, plato: f64) -> Batch {
        Batch {
            original: Gravity::from_plato(plato).unwrap(),
            volume: Volume::from_litres(litres).unwrap(),
        }
    }

    /// 20 L of 12 °P are 20.93 kg with 2.511 kg of extract; 500 g more make 3.011 in 21.43 kg.
    #[test]
    fn sugar_raises_the_effective_original_extract() {
        let after = of_extract(batch(20.0, 12.0), Mass::parse("500 g").unwrap()).unwrap();
        assert!((after.original.plato() - 14.05).abs() < 0.005, "{}", after.original.plato());
        assert!((after.volume.litres() - 20.3).abs() < 0.05);
    }

    #[test]
    fn water_lowers_it() {
        let water = Gravity::from_sg(1.0).unwrap();
        let after = of_liquid(batch(20.0, 12.0), Volume::parse("2 L").unwrap(), water).unwrap();
        // 2.511 kg in 22.93 kg.
        assert!((after.original.plato() - 10.955).abs() < 0.01, "{}", after.original.plato());
    }

    #[test]
    fn the_same_wort_changes_nothing_but_the_volume() {
        let before = batch(20.0, 12.0);
        let after = of_liquid(before, Volume::parse("3 L").unwrap(), before.original).unwrap();
        assert!((after.original.sg() - before.original.sg()).abs() < 1e-9);
        assert!((after.volume.litres() - 23.0).abs() < 1e-6);
    }

    /// In unfermented wort the rise and the weighed sugar must tell the same.
    #[test]
    fn a_measured_rise_tells_what_the_scales_tell() {
        let before = batch(20.0, 12.0);
        let weighed = of_extract(before, Mass::parse("500 g").unwrap()).unwrap();
        let points = (weighed.original.sg() - before.original.sg()) * 1e3;
        let measured = of_rise(before, before.original, GravityDelta::Points(points)).unwrap();
        assert!((measured.original.plato() - weighed.original.plato()).abs() < 1e-9);
    }

    #[test]
    fn a_measured_rise_in_beer_is_a_little_less_sugar() {
        let before = batch(20.0, 12.0);
        let beer = Gravity::from_plato(3.0).unwrap();
        let rise = GravityDelta::parse("2 P").unwrap();
        let after = of_rise(before, beer, rise).unwrap();
        // 2/95 of the beer, which is 0.962 of 20.93 kg: 424 g.
        assert!((after.original.plato() - 13.75).abs() < 0.03, "{}", after.original.plato());
    }
}
