//! What an addition makes of a batch: the original extract that the whole would have had, by mass
//! balance.
//!
//! The wort's mass is its volume times its density before fermentation: what fermentation takes
//! away as gas and yeast is not part of the balance, and a change of volume is left out.

use crate::attenuation::{
    apparent_extract, fermented_per_100g, lost_share, original_extract, real_after_fermenting,
    real_extract,
};
use crate::density::WATER_20C_G_PER_ML;
use quantity::{Gravity, GravityDelta, Mass, Volume, plato_from_sg, sg_from_plato};
use serde::{Deserialize, Serialize};

/// A batch after an addition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Batch {
    /// The original gravity that the whole would have had.
    pub original: Gravity,
    /// Its volume.
    pub volume: Volume,
}

/// What is added.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Portion {
    /// Dry extract that ferments wholly, such as sugar.
    Extract(Mass),
    /// A liquid whose extract ferments as the wort's own does: speise, krausen (by its original
    /// gravity), juice, or water.
    Liquid(Volume, Gravity),
    /// As much sugar as raises the gravity by this.
    Rise(GravityDelta),
}

/// What an addition comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// All that was added by now.
    pub added: Added,
    /// The batch with it.
    pub batch: Batch,
    /// The beer's gravity with it, before any of it ferments.
    pub present: Gravity,
    /// What share of it is the beer of before, by mass.
    pub thinned: f64,
}

/// All that was added to a batch since it was pitched, in kg for each kg of its wort.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Added {
    mass: f64,
    /// Extract that ferments wholly.
    sugar: f64,
    /// Extract that ferments as the wort's own does.
    wort: f64,
}

impl Added {
    /// Nothing was added.
    pub fn is_nothing(self) -> bool {
        self == Added::default()
    }

    /// Adds a portion to what the batch is by now; `present` is the gravity before it.
    ///
    /// `None` where the result is no gravity or no volume that can be.
    pub fn with(self, batch: Batch, present: Gravity, portion: Portion) -> Option<Outcome> {
        let (after, sugar, wort) = match portion {
            Portion::Extract(mass) => (of_extract(batch, mass)?, mass.kilograms(), 0.0),
            Portion::Liquid(volume, gravity) => {
                let kilograms = volume.litres() * gravity.sg() * WATER_20C_G_PER_ML;
                let extract = kilograms * gravity.plato() / 100.0;
                (of_liquid(batch, volume, gravity)?, 0.0, extract)
            }
            Portion::Rise(rise) => {
                let sugar = sugar_of_rise(batch, present, rise)?;
                (of_mass(batch, sugar, sugar)?, sugar, 0.0)
            }
        };
        let mass = match portion {
            Portion::Liquid(volume, gravity) => volume.litres() * gravity.sg() * WATER_20C_G_PER_ML,
            Portion::Extract(_) | Portion::Rise(_) => sugar,
        };
        // What the wort's mass is by now belongs to so much of it at pitching.
        let pitched = wort_kilograms(batch) / (1.0 + self.mass);
        let added = Added {
            mass: self.mass + mass / pitched,
            sugar: self.sugar + sugar / pitched,
            wort: self.wort + wort / pitched,
        };
        let beer = beer_kilograms(batch, present)?;
        let before = plato_from_sg(present.sg());
        let plato = (before * beer + 100.0 * (sugar + wort)) / (beer + mass);
        let present = Gravity::from_sg(sg_from_plato(plato))?;
        Some(Outcome { added, batch: after, present, thinned: beer / (beer + mass) })
    }

    /// What was added since so much had been: for each kg of what the batch was then.
    pub fn since(self, before: Added) -> Added {
        let then = 1.0 + before.mass;
        Added {
            mass: (self.mass - before.mass) / then,
            sugar: (self.sugar - before.sugar) / then,
            wort: (self.wort - before.wort) / then,
        }
    }

    /// The effective original gravity of a wort that was pitched at this one.
    pub fn original(self, pitched: Gravity) -> Option<Gravity> {
        if self.is_nothing() {
            return Some(pitched);
        }
        Gravity::from_sg(sg_from_plato(self.original_plato(pitched)))
    }

    /// Where the batch ends whose wort alone, pitched at this gravity, would end at `last`: its own
    /// extract and that of what was added as wort leave the same share behind, sugar nothing.
    ///
    /// `None` where the original gravity is that of water, or the result is no gravity.
    pub fn last(self, pitched: Gravity, last: Gravity) -> Option<Gravity> {
        if self.is_nothing() {
            return Some(last);
        }
        let wort = original_extract(pitched)?;
        let real = real_extract(wort, plato_from_sg(last.sg()));
        let alone = fermented_per_100g(wort, real);
        let fermented =
            (alone * (1.0 + 100.0 * self.wort / wort) + 100.0 * self.sugar) / (1.0 + self.mass);
        let original = self.original_plato(pitched);
        let real = real_after_fermenting(original, fermented);
        Gravity::from_sg(sg_from_plato(apparent_extract(original, real)))
    }

    fn original_plato(self, pitched: Gravity) -> f64 {
        (plato_from_sg(pitched.sg()) + 100.0 * (self.sugar + self.wort)) / (1.0 + self.mass)
    }
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
    let extract = sugar_of_rise(batch, present, rise)?;
    of_mass(batch, extract, extract)
}

/// In kg.
fn sugar_of_rise(batch: Batch, present: Gravity, rise: GravityDelta) -> Option<f64> {
    let before = plato_from_sg(present.sg());
    let after = plato_from_sg(rise.above(present));
    // Sugar per mass of beer.
    let per_beer = (after - before) / (100.0 - after);
    Some(beer_kilograms(batch, present)? * per_beer)
}

/// The beer weighs less than the wort that it was.
fn beer_kilograms(batch: Batch, present: Gravity) -> Option<f64> {
    let original_plato = original_extract(batch.original)?;
    let real = real_extract(original_plato, plato_from_sg(present.sg()));
    let fermented = fermented_per_100g(original_plato, real);
    let remaining = 1.0 - fermented.max(0.0) / 100.0 * lost_share();
    Some(wort_kilograms(batch) * remaining)
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

    /// 500 g of sucrose into 20 L of 12 °P: 14.05 °P effective, 20.3 L; in parts of the wort as in
    /// kg.
    #[test]
    fn what_was_added_is_kept_in_parts_of_the_wort() {
        let before = batch(20.0, 12.0);
        let beer = Gravity::from_plato(3.0).unwrap();
        let sugar = Portion::Extract(Mass::parse("500 g").unwrap());
        let once = Added::default().with(before, beer, sugar).unwrap();
        let original = once.added.original(before.original).unwrap();
        assert!((original.plato() - 14.05).abs() < 0.005, "{}", original.plato());
        assert!((original.sg() - once.batch.original.sg()).abs() < 1e-9);
        // 0.5 kg into the 20.13 kg of beer that 20.93 kg of wort became.
        assert!((once.present.plato() - 5.35).abs() < 0.01, "{}", once.present.plato());
        let twice = once.added.with(once.batch, once.present, sugar).unwrap();
        let original = twice.added.original(before.original).unwrap();
        assert!((original.plato() - (2.511 + 1.0) / 21.93 * 100.0).abs() < 0.01);
        assert!((original.sg() - twice.batch.original.sg()).abs() < 1e-9);
    }

    #[test]
    fn a_rise_that_was_measured_is_there_and_is_as_much_sugar() {
        let (before, beer) = (batch(20.0, 12.0), Gravity::from_plato(3.0).unwrap());
        let rise = GravityDelta::parse("2 P").unwrap();
        let risen = Added::default().with(before, beer, Portion::Rise(rise)).unwrap();
        assert!((risen.present.plato() - 5.0).abs() < 1e-6);
        assert_eq!(risen.batch, of_rise(before, beer, rise).unwrap());
    }

    #[test]
    fn what_was_added_since_is_counted_on_what_the_batch_was_then() {
        let (wort, beer) = (batch(20.0, 12.0), Gravity::from_plato(3.0).unwrap());
        let sugar = Portion::Extract(Mass::parse("500 g").unwrap());
        let once = Added::default().with(wort, beer, sugar).unwrap();
        let twice = once.added.with(once.batch, once.present, sugar).unwrap();
        let since = twice.added.since(once.added);
        let original = since.original(once.batch.original).unwrap();
        assert!((original.sg() - twice.batch.original.sg()).abs() < 1e-9);
        assert!(once.added.since(once.added).is_nothing());
    }

    /// All that was not fermented stays: 20.93 kg of 12 °P that end at 3 °P keep 0.955 kg of
    /// extract, with or without 500 g of sugar.
    #[test]
    fn sugar_ferments_wholly_and_leaves_a_drier_beer() {
        let (before, last) = (batch(20.0, 12.0), Gravity::from_plato(3.0).unwrap());
        let sugar = Portion::Extract(Mass::parse("500 g").unwrap());
        let after = Added::default().with(before, before.original, sugar).unwrap();
        let end = after.added.last(before.original, last).unwrap();
        let kept = |batch: Batch, end: Gravity| {
            let real = real_extract(batch.original.plato(), end.plato());
            beer_kilograms(batch, end).unwrap() * real / 100.0
        };
        assert!((kept(before, last) - kept(after.batch, end)).abs() < 1e-9);
        assert!(end.plato() < last.plato(), "{}", end.plato());
    }

    #[test]
    fn speise_ends_where_the_wort_ends_and_water_lowers_both() {
        let (before, last) = (batch(20.0, 12.0), Gravity::from_plato(3.0).unwrap());
        let beer = Gravity::from_plato(3.2).unwrap();
        let speise = Portion::Liquid(Volume::parse("1 L").unwrap(), before.original);
        let after = Added::default().with(before, beer, speise).unwrap();
        let end = after.added.last(before.original, last).unwrap();
        assert!((end.sg() - last.sg()).abs() < 1e-9 && after.present.sg() > beer.sg());
        let water = Portion::Liquid(Volume::parse("2 L").unwrap(), Gravity::from_sg(1.0).unwrap());
        let after = Added::default().with(before, beer, water).unwrap();
        let end = after.added.last(before.original, last).unwrap();
        assert!(end.sg() < last.sg() && after.present.sg() < beer.sg());
        assert_eq!(Added::default().last(before.original, last), Some(last));
    }
}
