//! A beer that ferments, from pitching to its end: gravity, heat and diketones.
//!
//! The sugars follow the rates of `kinetics`, the gravity follows from them by Balling's mass
//! balance.

use crate::kinetics::{ETHANOL_PER_SUGAR, G_PER_MOL, PARTS, Rates, State};
use brewing::addition::{self, Batch};
use brewing::attenuation::{
    alcohol_after_fermenting, apparent_extract, fermented_per_100g, real_after_fermenting,
    real_extract,
};
use brewing::density::WATER_20C_G_PER_ML;
use quantity::{Gravity, Mass, Share, Span, Temperature, Volume, plato_from_sg, sg_from_plato};

/// Yeast at pitching, mol/m³.
pub const YEAST_MOL_PER_M3: f64 = 125.0;

/// What a fermentation is to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FermentationSetup {
    /// Gravity at pitching.
    pub original: Gravity,
    /// Apparent attenuation that it comes to in the end.
    pub attenuation: Share,
    /// Speed of the strain; 1 is the model's lager yeast, which takes 65 h to half of its sugar at
    /// 10 °C.
    pub pace: f64,
    /// How long after pitching nothing falls.
    pub lag: Span,
    /// A stop before the end.
    pub stall: Option<Stall>,
}

/// A fermentation that stops short.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stall {
    /// At which apparent attenuation it stops.
    pub at: Share,
    /// After how long it goes on by itself; left out: never by itself.
    pub lasts: Option<Span>,
    /// At which temperature of the beer it goes on; left out: warmth does not help.
    pub wakes_at: Option<Temperature>,
}

/// A beer that ferments.
#[derive(Debug, Clone, PartialEq)]
pub struct Fermentation {
    setup: FermentationSetup,
    original_plato: f64,
    /// Sugars that the wort was given, mol/m³.
    supplied: [f64; 3],
    state: State,
    elapsed: Span,
    stall: StallState,
    /// True gravities since pitching, at times at least [`HISTORY_STEP`] apart.
    history: Vec<(Span, f64)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum StallState {
    /// It has not come to the stall, if there is one.
    Ahead,
    /// It stopped at this time.
    Since(Span),
    /// It went on.
    Over,
}

const HISTORY_STEP: Span = Span::from_mins(5);

impl Fermentation {
    /// A wort just pitched.
    ///
    /// `None` where the original gravity is that of water or lighter, or where the pace is not
    /// above 0 and finite.
    pub fn new(setup: FermentationSetup) -> Option<Self> {
        let original_plato = plato_from_sg(setup.original.sg());
        if !(original_plato >= 0.005 && setup.pace > 0.0 && setup.pace.is_finite()) {
            return None;
        }
        let apparent = original_plato * (1.0 - setup.attenuation.fraction());
        let real = real_extract(original_plato, apparent);
        let fermentable = fermented_per_100g(original_plato, real);
        Some(Self::with_sugar(setup, fermentable, YEAST_MOL_PER_M3))
    }

    /// A wort with this much fermentable extract (g in 100 g of wort), pitched with this much
    /// yeast; the setup's attenuation is not asked.
    pub fn with_sugar(
        setup: FermentationSetup,
        fermentable_per_100g: f64,
        yeast_mol_per_m3: f64,
    ) -> Self {
        let wort_kg_per_l = setup.original.sg() * WATER_20C_G_PER_ML;
        let sugar_g_per_m3 = fermentable_per_100g * 10.0 * wort_kg_per_l * 1e3;
        let g_per_parts: f64 = PARTS.iter().zip(G_PER_MOL).map(|(part, mass)| part * mass).sum();
        let supplied = PARTS.map(|part| part * sugar_g_per_m3 / g_per_parts);
        let state = State {
            sugars: supplied,
            yeast: yeast_mol_per_m3,
            pitched: yeast_mol_per_m3,
            diketones: 0.0,
        };
        Fermentation {
            setup,
            original_plato: plato_from_sg(setup.original.sg()),
            supplied,
            state,
            elapsed: Span::ZERO,
            stall: StallState::Ahead,
            history: vec![(Span::ZERO, setup.original.sg())],
        }
    }

    /// Lets a span pass with the beer at this temperature.
    pub fn advance(&mut self, span: Span, beer: Temperature) {
        let lag_left = self.setup.lag.less(self.elapsed);
        let active = span.less(lag_left);
        self.elapsed = self.elapsed + span;
        if !active.is_zero() && self.is_awake(beer) {
            let rates = Rates::at(beer.celsius(), self.setup.pace);
            self.state = rates.after(self.state, active.hours());
        }
        if self.history.last().is_none_or(|(at, _)| self.elapsed >= *at + HISTORY_STEP) {
            self.history.push((self.elapsed, self.sg()));
        }
    }

    /// Time since pitching.
    pub fn elapsed(&self) -> Span {
        self.elapsed
    }

    /// The true specific gravity at 20 °C.
    pub fn sg(&self) -> f64 {
        self.sg_after(self.fermented_per_100g())
    }

    /// The true gravity at 20 °C.
    pub fn gravity(&self) -> Gravity {
        // A fermenting beer lies between dry and its wort, so that the other arm is not reached.
        Gravity::from_sg(self.sg()).unwrap_or(self.setup.original)
    }

    /// The original gravity, raised by what was added.
    pub fn original(&self) -> Gravity {
        Gravity::from_plato(self.original_plato).unwrap_or(self.setup.original)
    }

    /// The specific gravity that it ends with when all its sugar is gone.
    pub fn final_sg(&self) -> f64 {
        self.sg_after(self.per_100g(&self.supplied))
    }

    /// Apparent attenuation as a fraction.
    pub fn attenuation(&self) -> f64 {
        1.0 - apparent_extract(self.original_plato, self.real_plato()) / self.original_plato
    }

    /// Real extract, °P.
    pub fn real_plato(&self) -> f64 {
        real_after_fermenting(self.original_plato, self.fermented_per_100g())
    }

    /// Alcohol by weight, %.
    pub fn alcohol_weight_percent(&self) -> f64 {
        alcohol_after_fermenting(self.fermented_per_100g())
    }

    /// Extract fermented, g from 100 g of wort.
    pub fn fermented_per_100g(&self) -> f64 {
        self.per_100g(&self.used())
    }

    /// Ethanol made (and carbon dioxide as much), mol/m³.
    pub fn ethanol_mol_per_m3(&self) -> f64 {
        self.used().iter().zip(ETHANOL_PER_SUGAR).map(|(used, ethanol)| used * ethanol).sum()
    }

    /// Glucose, maltose and maltotriose left, mol/m³.
    pub fn sugars_mol_per_m3(&self) -> [f64; 3] {
        self.state.sugars
    }

    /// Yeast, mol/m³.
    pub fn yeast_mol_per_m3(&self) -> f64 {
        self.state.yeast
    }

    /// Vicinal diketones, mg/L; they are tasted above about 0.1.
    pub fn diketones_mg_per_l(&self) -> f64 {
        self.state.diketones
    }

    /// Heat given off by this volume of it at this temperature, W.
    pub fn heat_watts(&self, volume: Volume, beer: Temperature) -> f64 {
        let asleep = matches!(self.stall, StallState::Since(_));
        if asleep || self.elapsed < self.setup.lag {
            return 0.0;
        }
        let rates = Rates::at(beer.celsius(), self.setup.pace);
        rates.heat_watts_per_m3(&self.state) * volume.litres() / 1e3
    }

    /// When after pitching the true gravity first was at or below this; `None` while it was not.
    pub fn first_at_or_below(&self, gravity: Gravity) -> Option<Span> {
        let target = gravity.sg();
        let mut before: Option<(Span, f64)> = None;
        for (at, sg) in self.history.iter().copied().chain([(self.elapsed, self.sg())]) {
            if sg <= target {
                let Some((earlier, above)) = before else { return Some(at) };
                let share = (above - target) / (above - sg);
                let hours = earlier.hours() + share * (at.hours() - earlier.hours());
                return Some(Span::from_hours_f64(hours));
            }
            before = Some((at, sg));
        }
        None
    }

    /// Adds sugar that ferments wholly to this volume of beer, and answers the volume after it.
    ///
    /// `None`, and nothing is changed, where the result would be no gravity of a wort.
    pub fn add_sugar(&mut self, extract: Mass, volume: Volume) -> Option<Volume> {
        let after = addition::of_extract(Batch { original: self.original(), volume }, extract)?;
        let thinner = volume.litres() / after.volume.litres();
        for sugar in self.supplied.iter_mut().chain(&mut self.state.sugars) {
            *sugar *= thinner;
        }
        self.state.yeast *= thinner;
        self.state.pitched *= thinner;
        self.state.diketones *= thinner;
        // Sucrose is split before it is taken up: it counts as glucose.
        let added = extract.kilograms() * 1e6 / G_PER_MOL[0] / after.volume.litres();
        self.supplied[0] += added;
        self.state.sugars[0] += added;
        self.original_plato = plato_from_sg(after.original.sg());
        self.history.push((self.elapsed, self.sg()));
        Some(after.volume)
    }

    /// Makes so much more of the extract fermentable (g in 100 g of wort): what enzymes of dry hops
    /// free from its dextrins. The gravity stays as it is, the end lies lower.
    pub fn free_extract(&mut self, per_100g: f64) {
        let wort_kg_per_m3 = sg_from_plato(self.original_plato) * WATER_20C_G_PER_ML * 1e3;
        let freed = per_100g * 10.0 * wort_kg_per_m3 / G_PER_MOL[1];
        self.supplied[1] += freed;
        self.state.sugars[1] += freed;
    }

    fn sg_after(&self, fermented_per_100g: f64) -> f64 {
        let real = real_after_fermenting(self.original_plato, fermented_per_100g);
        sg_from_plato(apparent_extract(self.original_plato, real))
    }

    fn used(&self) -> [f64; 3] {
        std::array::from_fn(|k| self.supplied[k] - self.state.sugars[k])
    }

    /// Grams in 100 g of wort of sugars in mol/m³.
    fn per_100g(&self, sugars: &[f64; 3]) -> f64 {
        let wort_kg_per_m3 = sg_from_plato(self.original_plato) * WATER_20C_G_PER_ML * 1e3;
        let grams: f64 = sugars.iter().zip(G_PER_MOL).map(|(sugar, mass)| sugar * mass).sum();
        grams / wort_kg_per_m3 / 10.0
    }

    /// Whether it works now; notes that a stall began or ended.
    fn is_awake(&mut self, beer: Temperature) -> bool {
        let Some(stall) = self.setup.stall else { return true };
        if self.stall == StallState::Ahead && self.attenuation() >= stall.at.fraction() {
            self.stall = StallState::Since(self.elapsed);
        }
        if let StallState::Since(since) = self.stall {
            let rested = stall.lasts.is_some_and(|lasts| self.elapsed >= since + lasts);
            let woken = stall.wakes_at.is_some_and(|wakes_at| beer >= wakes_at);
            if rested || woken {
                self.stall = StallState::Over;
            }
        }
        !matches!(self.stall, StallState::Since(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use quantity::Quantity;

    fn setup() -> FermentationSetup {
        FermentationSetup {
            original: Gravity::from_plato(12.0).unwrap(),
            attenuation: Share::from_fraction(0.8).unwrap(),
            pace: 1.0,
            lag: Span::ZERO,
            stall: None,
        }
    }

    fn celsius(number: f64) -> Temperature {
        Temperature::from_celsius(number).unwrap()
    }

    fn run(beer: &mut Fermentation, hours: i64, at: f64) {
        for _ in 0..hours * 6 {
            beer.advance(Span::from_mins(10), celsius(at));
        }
    }

    #[test]
    fn nothing_falls_in_the_lag() {
        let lag = Span::from_hours(20);
        let mut late = Fermentation::new(FermentationSetup { lag, ..setup() }).unwrap();
        let mut early = Fermentation::new(setup()).unwrap();
        run(&mut late, 20, 12.0);
        assert!((late.sg() - setup().original.sg()).abs() < 1e-12);
        let volume = Volume::parse("20 L").unwrap();
        assert!(late.heat_watts(volume, celsius(12.0)) > 0.0);
        run(&mut late, 40, 12.0);
        run(&mut early, 40, 12.0);
        assert!((late.sg() - early.sg()).abs() < 1e-9);
    }

    #[test]
    fn water_does_not_ferment() {
        let water = Gravity::from_sg(1.0).unwrap();
        assert_eq!(Fermentation::new(FermentationSetup { original: water, ..setup() }), None);
        for pace in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(Fermentation::new(FermentationSetup { pace, ..setup() }), None);
        }
    }

    #[test]
    fn it_stops_at_its_stall_until_it_is_warmed() {
        let stall = Stall {
            at: Share::from_fraction(0.5).unwrap(),
            lasts: None,
            wakes_at: Some(celsius(20.0)),
        };
        let mut beer =
            Fermentation::new(FermentationSetup { stall: Some(stall), ..setup() }).unwrap();
        run(&mut beer, 24 * 14, 16.0);
        assert!((beer.attenuation() - 0.5).abs() < 0.01, "{}", beer.attenuation());
        assert_eq!(beer.heat_watts(Volume::parse("20 L").unwrap(), celsius(16.0)), 0.0);
        run(&mut beer, 24 * 14, 21.0);
        assert!((beer.attenuation() - 0.8).abs() < 1e-3, "{}", beer.attenuation());
    }

    #[test]
    fn it_goes_on_by_itself_when_the_stall_has_lasted() {
        let stall = Stall {
            at: Share::from_fraction(0.6).unwrap(),
            lasts: Some(Span::from_hours(48)),
            wakes_at: None,
        };
        let mut beer =
            Fermentation::new(FermentationSetup { stall: Some(stall), ..setup() }).unwrap();
        run(&mut beer, 24 * 21, 18.0);
        assert!((beer.attenuation() - 0.8).abs() < 1e-3, "{}", beer.attenuation());
    }

    #[test]
    fn milestones_are_the_true_crossings() {
        let mut beer = Fermentation::new(setup()).unwrap();
        let half = Gravity::from_plato(6.0).unwrap();
        assert_eq!(beer.first_at_or_below(half), None);
        let mut crossed = None;
        for _ in 0..24 * 200 {
            beer.advance(Span::from_mins(3), celsius(12.0));
            if crossed.is_none() && beer.sg() <= half.sg() {
                crossed = Some(beer.elapsed());
            }
        }
        let ours = beer.first_at_or_below(half).unwrap();
        assert!((ours.hours() - crossed.unwrap().hours()).abs() < 0.06, "{ours}");
        assert_eq!(beer.first_at_or_below(beer.original()), Some(Span::ZERO));
    }

    /// 500 g of sugar in 20 L of 12 °P make 14.05 °P, and all of the sugar ferments.
    #[test]
    fn added_sugar_raises_the_extract_and_ferments() {
        let mut beer = Fermentation::new(setup()).unwrap();
        run(&mut beer, 72, 20.0);
        let before = beer.sg();
        let volume = Volume::parse("20 L").unwrap();
        let (fermented, attenuation) = (beer.fermented_per_100g(), beer.attenuation());
        let after = beer.add_sugar(Mass::parse("500 g").unwrap(), volume).unwrap();
        assert!(after > volume && beer.sg() > before && beer.attenuation() < attenuation);
        assert!((beer.original().plato() - 14.05).abs() < 0.005);
        // What had fermented is now in more wort: 20.93 kg of 21.43.
        assert!((beer.fermented_per_100g() / fermented - 20.93 / 21.43).abs() < 1e-3);
        run(&mut beer, 24 * 14, 20.0);
        assert!((beer.sg() - beer.final_sg()).abs() < 2e-5);
        // 8.18 g of 12 g in 100 g before, with 0.5 kg more in 21.43 kg.
        let end = beer.fermented_per_100g();
        let malt = Fermentation::new(setup()).unwrap();
        let malt_end = malt.per_100g(&malt.supplied);
        assert!((end - (malt_end * 20.93 + 50.0) / 21.43).abs() < 0.01, "{end}");
    }

    #[test]
    fn freed_dextrins_change_nothing_at_once_and_ferment_in_the_end() {
        let mut beer = Fermentation::new(setup()).unwrap();
        run(&mut beer, 24 * 14, 18.0);
        let (before, last) = (beer.sg(), beer.final_sg());
        beer.free_extract(0.5);
        assert!((beer.sg() - before).abs() < 1e-9);
        assert!(beer.final_sg() < last);
        run(&mut beer, 24 * 21, 18.0);
        // 0.5 g of real extract in 100 g are about 0.61 °P of apparent extract: 2.4 points.
        let fallen = (before - beer.sg()) * 1e3;
        assert!((fallen - 2.4).abs() < 0.15, "{fallen}");
    }

    /// Heats of the three sugars in the model are 506, 661 and 716 kJ/kg, so the mix lies between.
    #[test]
    fn its_heat_is_that_of_its_sugars() {
        let mut beer = Fermentation::new(setup()).unwrap();
        let volume = Volume::parse("20 L").unwrap();
        let mut kilojoules = 0.0;
        for _ in 0..24 * 60 * 20 {
            kilojoules += beer.heat_watts(volume, celsius(18.0)) * 60.0 / 1e3;
            beer.advance(Span::from_mins(1), celsius(18.0));
        }
        let extract = beer.fermented_per_100g() / 100.0 * 20.0 * 1.04837 * 0.9982;
        let per_kilogram = kilojoules / extract;
        assert!((640.0..670.0).contains(&per_kilogram), "{per_kilogram}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        /// Any beer comes to the attenuation that it was given, and never below.
        #[test]
        fn it_ends_where_it_was_told(
            plato in 6.0..26.0f64,
            share in 0.55..1.0f64,
            pace in 0.5..3.0f64,
            warm in 12.0..30.0f64,
        ) {
            let setup = FermentationSetup {
                original: Gravity::from_plato(plato).unwrap(),
                attenuation: Share::from_fraction(share).unwrap(),
                pace,
                lag: Span::ZERO,
                stall: None,
            };
            let mut beer = Fermentation::new(setup).unwrap();
            let mut last = beer.sg();
            for _ in 0..24 * 60 {
                beer.advance(Span::from_hours(1), celsius(warm));
                prop_assert!(beer.sg() <= last + 1e-12);
                last = beer.sg();
            }
            prop_assert!((beer.attenuation() - share).abs() < 2e-3, "{}", beer.attenuation());
            prop_assert!(beer.attenuation() <= share + 1e-9);
        }
    }
}
