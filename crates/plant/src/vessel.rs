//! A vessel of beer in its chamber (or jacket), as two heat capacities that exchange heat.
//!
//! Cf·dTf/dt = Ufc(Tc − Tf) + Ufa(Ta − Tf) + q + h·Ph·uh,
//! Cc·dTc/dt = Ufc(Tf − Tc) + Uca(Ta − Tc) − Pc·uc + (1 − h)·Ph·uh,
//! with f the beer, c the chamber, a the surroundings, q the heat of fermentation, uc and uh the
//! chiller and the heater. A step is exact for inputs that stand still during it.

use quantity::{Span, Volume};

/// What a vessel is made of. The figures of the presets are engineering estimates, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameters {
    /// Heat capacity of the beer and its vessel, J/K.
    pub beer_j_per_k: f64,
    /// Heat capacity of the chamber's air and walls, or of the jacket, J/K.
    pub chamber_j_per_k: f64,
    /// Conductance between beer and chamber, W/K.
    pub beer_chamber_w_per_k: f64,
    /// Conductance between chamber and surroundings, W/K.
    pub chamber_ambient_w_per_k: f64,
    /// Conductance between beer and surroundings, W/K.
    pub beer_ambient_w_per_k: f64,
    /// Heat that the chiller takes from the chamber while it runs, W.
    pub chiller_w: f64,
    /// Heat that the heater gives while it is on, W.
    pub heater_w: f64,
    /// Share of the heater's heat that goes straight into the beer, 0 to 1.
    pub heater_to_beer: f64,
}

/// 20 L in a fridge, heated by a lamp or a pad in the fridge's air.
pub const FRIDGE_20L: Parameters = Parameters {
    beer_j_per_k: 88_000.0,
    chamber_j_per_k: 22_000.0,
    beer_chamber_w_per_k: 2.6,
    chamber_ambient_w_per_k: 1.6,
    beer_ambient_w_per_k: 0.0,
    chiller_w: 110.0,
    heater_w: 40.0,
    heater_to_beer: 0.0,
};

/// 10 L in a fridge, heated by a wrap around the vessel.
pub const WRAP_10L: Parameters = Parameters {
    beer_j_per_k: 44_000.0,
    chamber_j_per_k: 16_000.0,
    beer_chamber_w_per_k: 1.8,
    chamber_ambient_w_per_k: 1.3,
    beer_ambient_w_per_k: 0.0,
    chiller_w: 85.0,
    heater_w: 25.0,
    heater_to_beer: 0.8,
};

/// 300 L with a jacket.
pub const JACKET_300L: Parameters = Parameters {
    beer_j_per_k: 1_270_000.0,
    chamber_j_per_k: 95_000.0,
    beer_chamber_w_per_k: 240.0,
    chamber_ambient_w_per_k: 4.0,
    beer_ambient_w_per_k: 3.5,
    chiller_w: 1900.0,
    heater_w: 900.0,
    heater_to_beer: 0.0,
};

/// What acts on a vessel during one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inputs {
    /// Temperature of the surroundings, °C.
    pub ambient_celsius: f64,
    /// Heat of fermentation, W.
    pub fermentation_watts: f64,
    /// Whether the chiller runs.
    pub chiller: bool,
    /// Whether the heater is on.
    pub heater: bool,
}

/// A vessel and its two temperatures.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    parameters: Parameters,
    beer_celsius: f64,
    chamber_celsius: f64,
    /// The transition of the last step's length, since most steps are of one length.
    transition: Transition,
}

impl Parameters {
    /// A plausible vessel of this volume: a fridge up to 60 L, a jacket above.
    ///
    /// The nearest preset, its beer's heat capacity scaled with the volume, its surfaces with the
    /// power 2/3 of it, a jacket's machines with the volume. Common practice, no source.
    pub fn for_volume(volume: Volume) -> Self {
        let litres = volume.litres();
        let (preset, preset_litres) =
            if litres <= 60.0 { (FRIDGE_20L, 20.0) } else { (JACKET_300L, 300.0) };
        let ratio = litres / preset_litres;
        let surface = ratio.powf(2.0 / 3.0);
        let jacket = if litres <= 60.0 { 1.0 } else { ratio };
        let jacket_surface = if litres <= 60.0 { 1.0 } else { surface };
        Parameters {
            beer_j_per_k: preset.beer_j_per_k * ratio,
            chamber_j_per_k: preset.chamber_j_per_k * jacket,
            beer_chamber_w_per_k: preset.beer_chamber_w_per_k * surface,
            chamber_ambient_w_per_k: preset.chamber_ambient_w_per_k * jacket_surface,
            beer_ambient_w_per_k: preset.beer_ambient_w_per_k * surface,
            chiller_w: preset.chiller_w * jacket,
            heater_w: preset.heater_w * jacket,
            heater_to_beer: preset.heater_to_beer,
        }
    }

    /// The temperatures of beer and chamber in °C that these inputs lead to in the end.
    pub fn steady(&self, inputs: Inputs) -> (f64, f64) {
        let exchange = self.beer_chamber_w_per_k;
        let beer_loss = exchange + self.beer_ambient_w_per_k;
        let chamber_loss = exchange + self.chamber_ambient_w_per_k;
        let heater = if inputs.heater { self.heater_w } else { 0.0 };
        let chiller = if inputs.chiller { self.chiller_w } else { 0.0 };
        // Heat that enters besides what flows between the two, with the surroundings as zero: near
        // the answer in size, so that nothing is lost by cancelling.
        let to_beer = inputs.fermentation_watts + self.heater_to_beer * heater;
        let to_chamber = (1.0 - self.heater_to_beer) * heater - chiller;
        let determinant = beer_loss * chamber_loss - exchange * exchange;
        let beer = (to_beer * chamber_loss + exchange * to_chamber) / determinant;
        let chamber = (to_chamber * beer_loss + exchange * to_beer) / determinant;
        (inputs.ambient_celsius + beer, inputs.ambient_celsius + chamber)
    }

    /// The fast and the slow time constant, in s.
    pub fn time_constants_s(&self) -> (f64, f64) {
        let (fast, slow) = self.rates();
        (-1.0 / fast, -1.0 / slow)
    }

    /// The matrix of the two states, in 1/s.
    fn matrix(&self) -> [[f64; 2]; 2] {
        let exchange = self.beer_chamber_w_per_k;
        [
            [
                -(exchange + self.beer_ambient_w_per_k) / self.beer_j_per_k,
                exchange / self.beer_j_per_k,
            ],
            [
                exchange / self.chamber_j_per_k,
                -(exchange + self.chamber_ambient_w_per_k) / self.chamber_j_per_k,
            ],
        ]
    }

    /// Its eigenvalues, fast and slow: real and distinct, since heat flows both ways.
    fn rates(&self) -> (f64, f64) {
        let [[a, b], [c, d]] = self.matrix();
        let mean = 0.5 * (a + d);
        let half = (0.25 * (a - d) * (a - d) + b * c).sqrt();
        let fast = mean - half;
        // From the product, since the difference would cancel.
        (fast, (a * d - b * c) / fast)
    }
}

impl Vessel {
    /// A vessel with these temperatures in °C.
    pub fn new(parameters: Parameters, beer_celsius: f64, chamber_celsius: f64) -> Self {
        let transition = Transition::over(&parameters, Span::ZERO);
        Vessel { parameters, beer_celsius, chamber_celsius, transition }
    }

    /// What it is made of.
    pub fn parameters(&self) -> &Parameters {
        &self.parameters
    }

    /// The beer's temperature, °C.
    pub fn beer_celsius(&self) -> f64 {
        self.beer_celsius
    }

    /// The temperature of the chamber or the jacket, °C.
    pub fn chamber_celsius(&self) -> f64 {
        self.chamber_celsius
    }

    /// Lets a span pass in a chamber that is another's, at this temperature (°C): two vessels in
    /// one fridge. What the beer gives to the chamber is left out.
    pub fn advance_in(&mut self, span: Span, chamber_celsius: f64, inputs: Inputs) {
        let parameters = &self.parameters;
        let heater =
            if inputs.heater { parameters.heater_w * parameters.heater_to_beer } else { 0.0 };
        let (inner, outer) = (parameters.beer_chamber_w_per_k, parameters.beer_ambient_w_per_k);
        let comes = inner * chamber_celsius + outer * inputs.ambient_celsius;
        let end = (comes + inputs.fermentation_watts + heater) / (inner + outer);
        let left = (-(inner + outer) / parameters.beer_j_per_k * span.secs()).exp();
        self.beer_celsius = end + (self.beer_celsius - end) * left;
        self.chamber_celsius = chamber_celsius;
    }

    /// Another beer is in the vessel, of this temperature (°C).
    pub fn refill(&mut self, beer_celsius: f64) {
        self.beer_celsius = beer_celsius;
    }

    /// Lets a span pass under inputs that stand still.
    pub fn advance(&mut self, span: Span, inputs: Inputs) {
        if self.transition.span != span {
            self.transition = Transition::over(&self.parameters, span);
        }
        let (beer_end, chamber_end) = self.parameters.steady(inputs);
        let (beer, chamber) = (self.beer_celsius - beer_end, self.chamber_celsius - chamber_end);
        let [[a, b], [c, d]] = self.transition.matrix;
        self.beer_celsius = beer_end + a * beer + b * chamber;
        self.chamber_celsius = chamber_end + c * beer + d * chamber;
    }
}

/// The exponential of the states' matrix over a span.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Transition {
    span: Span,
    matrix: [[f64; 2]; 2],
}

impl Transition {
    /// Sylvester's formula: exp(A·t) = (e^(λ₁t)(A − λ₂) − e^(λ₂t)(A − λ₁))/(λ₁ − λ₂).
    fn over(parameters: &Parameters, span: Span) -> Self {
        let [[a, b], [c, d]] = parameters.matrix();
        let (fast, slow) = parameters.rates();
        let (fast_left, slow_left) = ((fast * span.secs()).exp(), (slow * span.secs()).exp());
        let gap = fast - slow;
        let mixed = (fast_left - slow_left) / gap;
        let own = |entry: f64| (fast_left * (entry - slow) - slow_left * (entry - fast)) / gap;
        Transition { span, matrix: [[own(a), mixed * b], [mixed * c, own(d)]] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const IDLE: Inputs =
        Inputs { ambient_celsius: 20.0, fermentation_watts: 0.0, chiller: false, heater: false };

    #[test]
    fn left_alone_it_comes_to_its_surroundings() {
        let mut vessel = Vessel::new(FRIDGE_20L, 5.0, 8.0);
        for _ in 0..2000 {
            vessel.advance(Span::from_hours(1), IDLE);
        }
        assert!((vessel.beer_celsius() - 20.0).abs() < 1e-9);
        assert!((vessel.chamber_celsius() - 20.0).abs() < 1e-9);
    }

    #[test]
    fn many_short_steps_are_one_long_one() {
        for parameters in [FRIDGE_20L, WRAP_10L, JACKET_300L] {
            let inputs = Inputs { chiller: true, fermentation_watts: 7.0, ..IDLE };
            let mut long = Vessel::new(parameters, 18.0, 19.0);
            let mut short = long.clone();
            long.advance(Span::from_hours(6), inputs);
            for _ in 0..2160 {
                short.advance(Span::from_secs(10), inputs);
            }
            assert!((long.beer_celsius() - short.beer_celsius()).abs() < 1e-9);
            assert!((long.chamber_celsius() - short.chamber_celsius()).abs() < 1e-9);
        }
    }

    #[test]
    fn a_guest_comes_to_the_chamber_of_its_host() {
        let mut guest = Vessel::new(FRIDGE_20L, 18.0, 18.0);
        guest.advance_in(Span::from_hours(1000), 4.0, IDLE);
        assert!((guest.beer_celsius() - 4.0).abs() < 1e-6);
        // 26 W of fermentation through 2.6 W/K.
        guest.advance_in(Span::from_hours(1000), 4.0, Inputs { fermentation_watts: 26.0, ..IDLE });
        assert!((guest.beer_celsius() - 14.0).abs() < 1e-6);
        guest.refill(20.0);
        assert_eq!(guest.beer_celsius(), 20.0);
    }

    #[test]
    fn no_time_changes_nothing() {
        let mut vessel = Vessel::new(JACKET_300L, 18.0, 4.0);
        vessel.advance(Span::ZERO, Inputs { heater: true, ..IDLE });
        assert!((vessel.beer_celsius() - 18.0).abs() < 1e-12);
        assert!((vessel.chamber_celsius() - 4.0).abs() < 1e-12);
    }

    #[test]
    fn any_volume_can_be_chilled_and_heated() {
        for litres in [5.0, 20.0, 23.0, 60.0, 61.0, 300.0, 5000.0] {
            let parameters = Parameters::for_volume(Volume::from_litres(litres).unwrap());
            // A hot and fast fermentation: 12 °P of real extract a day, at 587 kJ/kg.
            let heat = litres * 0.85;
            let chilled = Inputs { chiller: true, fermentation_watts: heat, ..IDLE };
            assert!(
                parameters.steady(chilled).0 < 8.0,
                "{litres} L: {:?}",
                parameters.steady(chilled)
            );
            let heated = Inputs { heater: true, ambient_celsius: 10.0, ..IDLE };
            assert!(parameters.steady(heated).0 > 20.0, "{litres} L");
        }
    }
}
