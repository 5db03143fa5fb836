//! Carbon dioxide: how much a beer holds, and how much a closed package could still build up.
//!
//! Accuracy about 3 %; the beer's composition matters (Speers, MacIntosh, J. ASBC 71 (2013)
//! 242-247). Equilibrium takes days.

use crate::attenuation::{
    CO2_PER_ALCOHOL, EXTRACT_PER_ALCOHOL, fermented_per_100g, original_extract, real_extract,
};
use crate::density::WATER_20C_G_PER_ML;
use quantity::{Gravity, Temperature, plato_from_sg};

/// Grams of carbon dioxide in a litre of beer that holds one volume (at 0 °C and 1 atm).
pub const G_PER_L_PER_VOLUME: f64 = 1.963;
/// Carbon dioxide from 1 kg of fermented extract, in kg (Balling: 0.9565/2.0665).
pub const CO2_PER_EXTRACT: f64 = CO2_PER_ALCOHOL / EXTRACT_PER_ALCOHOL;
/// One atmosphere, in bar.
pub const ATMOSPHERE_BAR: f64 = 1.013_25;

/// Carbon dioxide in beer at equilibrium, in g/L, under this absolute pressure of it.
///
/// Source: braukaiser.com/wiki, Carbonation Tables (its own source is uncertain).
pub fn beer_g_per_l(celsius: f64, absolute_bar: f64) -> f64 {
    10.0 * absolute_bar * (-10.737_97 + 2617.25 / (celsius + 273.15)).exp()
}

/// Carbon dioxide in beer at equilibrium, in volumes, under this gauge pressure.
///
/// A fit to the ASBC table, from the memo "CO2 Volumes in Beer" (2011), coefficients from memory;
/// within 0.02 volumes of the printed table at 32 °F, 5 psi; 40 °F, 12 psi; 46 °F, 20 psi.
pub fn beer_volumes(celsius: f64, gauge_bar: f64) -> f64 {
    const PSI_PER_BAR: f64 = 14.503_773_773;
    let psi = gauge_bar * PSI_PER_BAR + 14.695;
    psi * (0.018_21 + 0.090_115 * (-(celsius * 1.8) / 43.11).exp()) - 0.003_342
}

/// Carbon dioxide in pure water at equilibrium, in g/L: an upper bound for beer.
///
/// Henry's constant 3.4e-4 mol/m³/Pa at 298.15 K with 2400 K. Source: Sander 2023, henrys-law.org.
pub fn water_g_per_l(celsius: f64, absolute_bar: f64) -> f64 {
    let kelvin = celsius + 273.15;
    let henry = 3.4e-4 * (2400.0 * (1.0 / kelvin - 1.0 / 298.15)).exp();
    henry * absolute_bar * 1e5 * 44.0095e-3
}

/// What a package closed now would come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Package {
    /// Carbon dioxide held at the moment of closing, g/L.
    pub held_g_per_l: f64,
    /// Carbon dioxide that still arises inside, g/L.
    pub arising_g_per_l: f64,
}

impl Package {
    /// Of a beer that ends `points_left` (0.001 SG) below its present gravity.
    ///
    /// `warmest` is the highest temperature since fermentation slowed: what left the beer then does
    /// not come back. `None` where the original gravity is that of water.
    pub fn closed_now(
        original: Gravity,
        present: Gravity,
        points_left: f64,
        warmest: Temperature,
    ) -> Option<Self> {
        Some(Package {
            held_g_per_l: beer_g_per_l(warmest.celsius(), ATMOSPHERE_BAR),
            arising_g_per_l: arising_g_per_l(original, present, points_left)?,
        })
    }

    /// Both together, in volumes.
    pub fn volumes(self) -> f64 {
        (self.held_g_per_l + self.arising_g_per_l) / G_PER_L_PER_VOLUME
    }
}

/// Carbon dioxide in g/L that arises while a beer falls by `points_left` (0.001 SG) from its
/// present gravity; 0 where nothing is left.
///
/// `None` where the original gravity is that of water.
pub fn arising_g_per_l(original: Gravity, present: Gravity, points_left: f64) -> Option<f64> {
    let original_plato = original_extract(original)?;
    let fermented = |sg: f64| {
        let real = real_extract(original_plato, plato_from_sg(sg));
        fermented_per_100g(original_plato, real)
    };
    let extract = fermented(present.sg() - points_left.max(0.0) * 1e-3) - fermented(present.sg());
    let wort_kg_per_l = original.sg() * WATER_20C_G_PER_ML;
    Some(extract * 10.0 * wort_kg_per_l * CO2_PER_EXTRACT)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::attenuation::Composition;

    /// The printed carbonation table at brewingtechniques.com 2.1.
    #[test]
    fn the_fit_agrees_with_the_printed_table() {
        for (fahrenheit, psi, volumes) in
            [(40.0, 12.0, 2.47), (32.0, 5.0, 2.15), (46.0, 20.0, 2.89)]
        {
            let fit = beer_volumes((fahrenheit - 32.0) / 1.8, psi / 14.503_773_773);
            assert!((fit - volumes).abs() < 0.025, "{fahrenheit} {psi}: {fit}");
        }
    }

    /// Two points make about one volume: common practice, no source.
    #[test]
    fn two_points_left_are_about_a_volume() {
        let original = Gravity::from_plato(12.0).unwrap();
        let present = Gravity::from_plato(2.5).unwrap();
        assert_eq!(arising_g_per_l(original, present, 0.0), Some(0.0));
        let two = arising_g_per_l(original, present, 2.0).unwrap();
        assert!((two / G_PER_L_PER_VOLUME - 1.0).abs() < 0.1, "{two}");
        let water = Gravity::from_sg(1.0).unwrap();
        assert_eq!(arising_g_per_l(water, present, 4.0), None);
    }

    /// By Balling: 1 kg of wort that ends with so much alcohol has given off 0.9565 of its mass.
    #[test]
    fn the_whole_fermentation_is_ballings_balance() {
        let original = Gravity::from_plato(12.0).unwrap();
        let last = Gravity::from_plato(2.5).unwrap();
        let points = (original.sg() - last.sg()) * 1e3;
        let arisen = arising_g_per_l(original, original, points).unwrap();
        let beer = Composition::of(original, last).unwrap();
        let alcohol = beer.alcohol_weight_percent / 100.0;
        let wort_g_per_l = original.sg() * WATER_20C_G_PER_ML * 1e3;
        let beer_g_per_l = wort_g_per_l / (1.0 + 1.0665 * alcohol);
        assert!((arisen - 0.9565 * alcohol * beer_g_per_l).abs() < 1e-9);
    }

    #[test]
    fn a_package_holds_what_it_held_warm() {
        let original = Gravity::from_plato(12.0).unwrap();
        let present = Gravity::from_plato(2.5).unwrap();
        let warm = Temperature::from_celsius(20.0).unwrap();
        let package = Package::closed_now(original, present, 0.0, warm).unwrap();
        assert!((package.volumes() - 1.6583 / 1.963).abs() < 1e-3);
    }
}
