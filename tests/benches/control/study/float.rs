//! A float that reads what a scenario's fermentation heat says of the gravity.

use super::scenario::{ORIGINAL_PLATO, Scenario};
use brewing::attenuation::{apparent_extract, real_after_fermenting};
use brewing::heat::HEAT_KJ_PER_KG;
use quantity::sg_from_plato;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// How often it speaks, in s.
pub const EVERY_S: i64 = 900;
/// Its noise, in SG.
const NOISE: f64 = 0.5e-3;
/// The density of water at 20 °C, in kg/L.
const WATER: f64 = 0.9982;

/// A float; its noise is its own, so that the probe's is the same with and without it.
pub struct Float {
    random: ChaCha8Rng,
    noise: Normal<f64>,
    /// Heat that the fermentation has given off, in J.
    heat: f64,
    wort_kg: f64,
}

impl Float {
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        Float {
            random: ChaCha8Rng::seed_from_u64(seed.wrapping_add(1_000_000)),
            noise: Normal::new(0.0, NOISE).unwrap(),
            heat: 0.0,
            wort_kg: scenario.litres * sg_from_plato(ORIGINAL_PLATO) * WATER,
        }
    }

    /// Lets the yeast give off so much heat for so long, in W and s.
    pub fn ferment(&mut self, watts: f64, seconds: f64) {
        self.heat += watts * seconds;
    }

    /// The gravity as it is, in SG.
    pub fn truth(&self) -> f64 {
        let fermented = self.heat / (HEAT_KJ_PER_KG * 1e3) / self.wort_kg * 100.0;
        let real = real_after_fermenting(ORIGINAL_PLATO, fermented);
        sg_from_plato(apparent_extract(ORIGINAL_PLATO, real))
    }

    /// What it reads in beer of this temperature: gravity in SG, and its own temperature in °C.
    pub fn read(&mut self, celsius: f64) -> (f64, f64) {
        (self.truth() + self.noise.sample(&mut self.random), (celsius * 10.0).round() / 10.0)
    }
}
