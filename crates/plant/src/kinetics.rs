//! The rates of a fermentation: three sugars, the yeast that lives on them, and its diketones.
//!
//! Uptake structure of Gee and Ramirez, "A flavour model for beer fermentation", J. Inst. Brew. 100
//! (1994) 321-329: glucose first, maltose repressed by glucose, maltotriose by both; yeast grows up
//! to a crowding limit. Engineering assumptions, no source: the published constants hold at 13 °C,
//! all rates follow one activation energy of 60 kJ/mol, a strain is a factor on them; diketones
//! arise with growth and decay with a half-life of 24 h at 18 °C and 70 kJ/mol.

/// Molar mass of glucose, maltose and maltotriose, g/mol.
pub(crate) const G_PER_MOL: [f64; 3] = [180.156, 342.30, 504.44];
/// The sugars of an all-malt wort, in moles to each other: no source, taken from the check tables'
/// first rows.
pub(crate) const PARTS: [f64; 3] = [54.0, 170.0, 31.0];
/// Ethanol from a mole of each, mol: 96 % of what the balance allows (from memory).
pub(crate) const ETHANOL_PER_SUGAR: [f64; 3] = [1.92, 3.84, 5.76];

const HEAT_KJ_PER_MOL: [f64; 3] = [91.2, 226.3, 361.3];
/// Fastest uptake at 13 °C, mol of sugar per mol of yeast and hour.
const FASTEST_PER_HOUR: [f64; 3] = [0.025_54, 0.022_66, 0.039_13];
/// Sugar at which the uptake is half of it, mol/m³.
const HALF_MOL_PER_M3: [f64; 3] = [0.7464, 40.97, 250.0];
/// Glucose and maltose at which they halve the uptake of the longer sugars, mol/m³.
const REPRESSING_MOL_PER_M3: [f64; 2] = [5.356, 13.17];
/// Yeast grown from a mole of each sugar, mol.
const YEAST_PER_SUGAR: [f64; 3] = [0.134, 0.268, 0.402];
/// Square of the growth at which crowding halves it, (mol/m³)².
const CROWDING: f64 = 365_000.0;
/// Diketones that arise with growth, mg/L per mol/m³.
const DIKETONES_PER_YEAST: f64 = 0.012;

const GAS_J_PER_MOL_K: f64 = 8.314_462_618;
const REFERENCE_KELVIN: f64 = 286.15;
const ACTIVATION_J_PER_MOL: f64 = 60_000.0;
const DIKETONE_ACTIVATION_J_PER_MOL: f64 = 70_000.0;
const DIKETONE_KELVIN: f64 = 291.15;
const DIKETONE_HALF_LIFE_HOURS: f64 = 24.0;

/// Longest step, h: 30 s.
const STEP_HOURS_MAX: f64 = 1.0 / 120.0;

/// A fermentation at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct State {
    /// Glucose, maltose and maltotriose left, mol/m³.
    pub sugars: [f64; 3],
    /// Yeast, mol/m³.
    pub yeast: f64,
    /// Yeast at pitching, mol/m³.
    pub pitched: f64,
    /// Vicinal diketones, mg/L.
    pub diketones: f64,
}

/// How fast things go at one temperature, with one strain.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rates {
    fastest: [f64; 3],
    diketone_decay: f64,
}

/// Changes an hour: the sugars, the yeast, the diketones.
struct Change {
    sugars: [f64; 3],
    yeast: f64,
    diketones: f64,
}

impl Rates {
    pub fn at(celsius: f64, pace: f64) -> Self {
        let kelvin = celsius + 273.15;
        let faster = |joules: f64, reference: f64| {
            (-joules / GAS_J_PER_MOL_K * (1.0 / kelvin - 1.0 / reference)).exp()
        };
        let factor = pace * faster(ACTIVATION_J_PER_MOL, REFERENCE_KELVIN);
        let decay = std::f64::consts::LN_2 / DIKETONE_HALF_LIFE_HOURS;
        Rates {
            fastest: FASTEST_PER_HOUR.map(|rate| rate * factor),
            diketone_decay: decay * faster(DIKETONE_ACTIVATION_J_PER_MOL, DIKETONE_KELVIN),
        }
    }

    /// Heat given off, W/m³.
    pub fn heat_watts_per_m3(&self, state: &State) -> f64 {
        let uptakes = self.uptakes(&state.sugars);
        let kj: f64 = uptakes.iter().zip(HEAT_KJ_PER_MOL).map(|(uptake, heat)| uptake * heat).sum();
        kj * state.yeast * 1e3 / 3600.0
    }

    /// The state after some hours: equal steps by the classical method of Runge and Kutta.
    pub fn after(&self, mut state: State, hours: f64) -> State {
        // The fastest process is the uptake of the last glucose; a step is short against it.
        let sharpest = self.fastest[0] * state.yeast / HALF_MOL_PER_M3[0];
        let longest = STEP_HOURS_MAX.min(0.25 / sharpest);
        let steps = (hours / longest).ceil().max(1.0);
        let step = hours / steps;
        for _ in 0..steps as u64 {
            state = self.stepped(&state, step);
        }
        state
    }

    fn stepped(&self, state: &State, hours: f64) -> State {
        let first = self.change(state);
        let second = self.change(&state.moved(&first, hours / 2.0));
        let third = self.change(&state.moved(&second, hours / 2.0));
        let fourth = self.change(&state.moved(&third, hours));
        let mut next = state
            .moved(&first, hours / 6.0)
            .moved(&second, hours / 3.0)
            .moved(&third, hours / 3.0)
            .moved(&fourth, hours / 6.0);
        for sugar in &mut next.sugars {
            // Spent: keeps the numbers out of the range where arithmetic is slow.
            if *sugar < 1e-60 {
                *sugar = 0.0;
            }
        }
        next
    }

    /// Moles of each sugar that a mole of yeast takes up an hour.
    fn uptakes(&self, sugars: &[f64; 3]) -> [f64; 3] {
        let [glucose, maltose, _] = *sugars;
        let free_of_glucose = REPRESSING_MOL_PER_M3[0] / (REPRESSING_MOL_PER_M3[0] + glucose);
        let free_of_maltose = REPRESSING_MOL_PER_M3[1] / (REPRESSING_MOL_PER_M3[1] + maltose);
        let free = [1.0, free_of_glucose, free_of_glucose * free_of_maltose];
        std::array::from_fn(|k| {
            self.fastest[k] * sugars[k] / (HALF_MOL_PER_M3[k] + sugars[k]) * free[k]
        })
    }

    fn change(&self, state: &State) -> Change {
        let uptakes = self.uptakes(&state.sugars);
        let grown = state.yeast - state.pitched;
        let fed: f64 = uptakes.iter().zip(YEAST_PER_SUGAR).map(|(uptake, y)| uptake * y).sum();
        let growth = fed * state.yeast * CROWDING / (CROWDING + grown * grown);
        Change {
            sugars: uptakes.map(|uptake| -uptake * state.yeast),
            yeast: growth,
            diketones: DIKETONES_PER_YEAST * growth - self.diketone_decay * state.diketones,
        }
    }
}

impl State {
    fn moved(&self, change: &Change, hours: f64) -> State {
        State {
            sugars: std::array::from_fn(|k| self.sugars[k] + hours * change.sugars[k]),
            yeast: self.yeast + hours * change.yeast,
            pitched: self.pitched,
            diketones: self.diketones + hours * change.diketones,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_of_half_the_length_changes_nothing_that_matters() {
        for (celsius, pace) in [(4.0, 1.0), (18.0, 1.0), (30.0, 1.0), (38.0, 5.0)] {
            let rates = Rates::at(celsius, pace);
            let start =
                State { sugars: [54.0, 170.0, 31.0], yeast: 125.0, pitched: 125.0, diketones: 0.0 };
            let (mut whole, mut halves) = (start, start);
            for _ in 0..2880 {
                whole = rates.after(whole, 1.0 / 120.0);
                halves = rates.after(rates.after(halves, 1.0 / 240.0), 1.0 / 240.0);
            }
            for k in 0..3 {
                let off = (whole.sugars[k] - halves.sugars[k]).abs();
                assert!(off < 1e-6, "{celsius} °C, sugar {k}: {off}");
            }
            assert!((whole.yeast - halves.yeast).abs() < 1e-6);
        }
    }

    #[test]
    fn sugars_never_rise_nor_pass_nought() {
        let rates = Rates::at(40.0, 20.0);
        let mut state =
            State { sugars: [54.0, 170.0, 31.0], yeast: 125.0, pitched: 125.0, diketones: 0.0 };
        for _ in 0..500 {
            let next = rates.after(state, 0.05);
            for k in 0..3 {
                assert!(next.sugars[k] >= 0.0 && next.sugars[k] <= state.sugars[k]);
            }
            state = next;
        }
    }
}
