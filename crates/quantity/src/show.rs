//! How quantities are written for people, in the units that they chose.

use crate::{Gravity, Temperature};
use serde::{Deserialize, Serialize};

/// The unit in which a person reads gravities.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum GravityUnit {
    /// Specific gravity, 20 °C/20 °C.
    #[default]
    Sg,
    /// °Plato.
    Plato,
    /// °Brix.
    Brix,
}

/// The unit in which a person reads temperatures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum TemperatureUnit {
    /// °C.
    #[default]
    Celsius,
    /// °F.
    Fahrenheit,
}

/// The units that a person chose; for texts only, records keep both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Show {
    /// For gravities.
    pub gravity: GravityUnit,
    /// For temperatures.
    pub temperature: TemperatureUnit,
}

impl Show {
    /// `1.0120 SG` or `3.1 °P`.
    pub fn gravity(self, gravity: Gravity) -> String {
        match self.gravity {
            GravityUnit::Sg => format!("{:.4} SG", gravity.sg()),
            GravityUnit::Plato => format!("{:.2} °P", gravity.plato()),
            GravityUnit::Brix => format!("{:.2} °Bx", gravity.brix()),
        }
    }

    /// A gravity given in SG, with its standard deviation: `1.0120 ± 0.0004 SG`.
    pub fn gravity_with_sd(self, sg: f64, sd: f64) -> String {
        let plato = crate::plato_from_sg;
        match self.gravity {
            GravityUnit::Sg => format!("{sg:.4} ± {sd:.4} SG"),
            unit => {
                let name = if unit == GravityUnit::Plato { "°P" } else { "°Bx" };
                let sd = (plato(sg + sd) - plato(sg - sd)) / 2.0;
                format!("{:.2} ± {sd:.2} {name}", plato(sg))
            }
        }
    }

    /// A difference given in points, near the gravity `sg`: `1.3 points` or `0.33 °P`.
    pub fn gravity_difference(self, points: f64, sg: f64) -> String {
        match self.gravity {
            GravityUnit::Sg => format!("{points:.1} points"),
            unit => {
                let name = if unit == GravityUnit::Plato { "°P" } else { "°Bx" };
                let plato = crate::plato_from_sg(sg + points * 1e-3) - crate::plato_from_sg(sg);
                format!("{plato:.2} {name}")
            }
        }
    }

    /// `17.3 °C` or `63.1 °F`.
    pub fn temperature(self, temperature: Temperature) -> String {
        match self.temperature {
            TemperatureUnit::Celsius => format!("{} °C", tenths(temperature.celsius())),
            TemperatureUnit::Fahrenheit => format!("{} °F", tenths(temperature.fahrenheit())),
        }
    }

    /// A difference given in K: `0.3 °C` or `0.5 °F`.
    pub fn temperature_difference(self, kelvin: f64) -> String {
        match self.temperature {
            TemperatureUnit::Celsius => format!("{} °C", tenths(kelvin)),
            TemperatureUnit::Fahrenheit => format!("{} °F", tenths(kelvin * 1.8)),
        }
    }
}

/// With one decimal; nothing is never `-0.0`.
fn tenths(value: f64) -> String {
    let text = format!("{value:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_no_sign() {
        let cold = Temperature::from_celsius(-0.04).unwrap();
        assert_eq!(Show::default().temperature(cold), "0.0 °C");
        assert_eq!(Show::default().temperature_difference(-0.06), "-0.1 °C");
    }
}
