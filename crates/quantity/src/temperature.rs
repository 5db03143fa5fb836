//! Temperatures, their differences and their rates: three types, because 1.8 F of difference is
//! 1 K and a temperature of 1.8 F is not.

use crate::{Quantity, Reason};
use serde::{Deserialize, Serialize};
use std::ops::{Add, Neg, Sub};

/// A temperature, in °C inside; −30 to 80 °C.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Temperature(f64);

/// A difference of temperatures, in K inside; −60 to 60 K.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct TemperatureDelta(f64);

/// How fast a temperature changes, in K/h inside; 0 to 60 K/h.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct TemperatureRate(f64);

impl Temperature {
    const LOW: f64 = -30.0;
    const HIGH: f64 = 80.0;

    /// From °C; `None` where no vessel of ours can be (or NaN).
    pub fn from_celsius(celsius: f64) -> Option<Self> {
        (Self::LOW..=Self::HIGH).contains(&celsius).then_some(Temperature(celsius))
    }

    /// From °C, moved to the nearest possible temperature; NaN gives the lowest.
    #[expect(clippy::manual_clamp, reason = "`clamp` would let NaN through")]
    pub fn clamped(celsius: f64) -> Self {
        Temperature(celsius.max(Self::LOW).min(Self::HIGH))
    }

    /// In °C.
    pub fn celsius(self) -> f64 {
        self.0
    }

    /// In °F.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// The colder of two.
    pub fn min(self, other: Self) -> Self {
        if other.0 < self.0 { other } else { self }
    }

    /// The warmer of two.
    pub fn max(self, other: Self) -> Self {
        if other.0 > self.0 { other } else { self }
    }

    /// The nearest temperature within `coldest..=warmest`; where these cross, `warmest` wins.
    pub fn within(self, coldest: Self, warmest: Self) -> Self {
        self.max(coldest).min(warmest)
    }
}

impl TemperatureDelta {
    const SPAN: f64 = 60.0;

    /// From K; `None` beyond ±60 K (or NaN).
    pub fn from_kelvin(kelvin: f64) -> Option<Self> {
        (kelvin.abs() <= Self::SPAN).then_some(TemperatureDelta(kelvin))
    }

    /// From K, moved to the nearest possible difference; NaN gives the lowest.
    pub fn clamped(kelvin: f64) -> Self {
        // `clamp` would let NaN through.
        TemperatureDelta(if kelvin > -Self::SPAN { kelvin.min(Self::SPAN) } else { -Self::SPAN })
    }

    /// In K.
    pub fn kelvin(self) -> f64 {
        self.0
    }
}

impl TemperatureRate {
    const HIGH: f64 = 60.0;

    /// From K/h; `None` where negative, over 60 K/h or NaN.
    pub fn from_kelvin_per_hour(rate: f64) -> Option<Self> {
        (0.0..=Self::HIGH).contains(&rate).then_some(TemperatureRate(rate))
    }

    /// In K/h.
    pub fn kelvin_per_hour(self) -> f64 {
        self.0
    }
}

impl Quantity for Temperature {
    const KIND: &'static str = "temperature";
    const UNITS: &'static [&'static str] = &["C", "F", "K"];
    const EXAMPLE: &'static str = "18 C";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let celsius = match unit {
            0 => number,
            1 => (number - 32.0) / 1.8,
            _ => number - 273.15,
        };
        Self::from_celsius(celsius)
            .ok_or(Reason::OutOfRange { low: "-30 °C (-22 °F)", high: "80 °C (176 °F)" })
    }
}

impl Quantity for TemperatureDelta {
    const KIND: &'static str = "temperature difference";
    const UNITS: &'static [&'static str] = &["C", "F", "K"];
    const EXAMPLE: &'static str = "0.3 C";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let kelvin = if unit == 1 { number / 1.8 } else { number };
        Self::from_kelvin(kelvin).ok_or(Reason::OutOfRange { low: "-60 °C", high: "60 °C" })
    }
}

impl Quantity for TemperatureRate {
    const KIND: &'static str = "temperature rate";
    const UNITS: &'static [&'static str] = &["C/h", "C/d", "F/h", "F/d"];
    const EXAMPLE: &'static str = "2 C/d";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let rate = match unit {
            0 => number,
            1 => number / 24.0,
            2 => number / 1.8,
            _ => number / 1.8 / 24.0,
        };
        Self::from_kelvin_per_hour(rate).ok_or(Reason::OutOfRange { low: "0 C/h", high: "60 C/h" })
    }
}

impl Add<TemperatureDelta> for Temperature {
    type Output = Temperature;

    fn add(self, delta: TemperatureDelta) -> Temperature {
        Temperature::clamped(self.0 + delta.0)
    }
}

impl Sub<TemperatureDelta> for Temperature {
    type Output = Temperature;

    fn sub(self, delta: TemperatureDelta) -> Temperature {
        self + -delta
    }
}

impl Sub for Temperature {
    type Output = TemperatureDelta;

    fn sub(self, other: Temperature) -> TemperatureDelta {
        TemperatureDelta((self.0 - other.0).clamp(-TemperatureDelta::SPAN, TemperatureDelta::SPAN))
    }
}

impl Neg for TemperatureDelta {
    type Output = TemperatureDelta;

    fn neg(self) -> TemperatureDelta {
        TemperatureDelta(-self.0)
    }
}

crate::amount::number_inside!(Temperature, Temperature::from_celsius, "°C");
crate::amount::number_inside!(TemperatureDelta, TemperatureDelta::from_kelvin, "K");
crate::amount::number_inside!(TemperatureRate, TemperatureRate::from_kelvin_per_hour, "K/h");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_has_no_offset() {
        let delta = TemperatureDelta::parse("1.8 F").unwrap();
        assert!((delta.kelvin() - 1.0).abs() < 1e-12);
        let temperature = Temperature::parse("64.4 °F").unwrap();
        assert!((temperature.celsius() - 18.0).abs() < 1e-12);
        assert!((Temperature::parse("291.15 K").unwrap().celsius() - 18.0).abs() < 1e-9);
    }

    #[test]
    fn rates_of_a_day_are_a_24th() {
        assert_eq!(TemperatureRate::parse("2.4 C/d").unwrap().kelvin_per_hour(), 2.4 / 24.0);
        assert!(
            (TemperatureRate::parse("1.8 F / h").unwrap().kelvin_per_hour() - 1.0).abs() < 1e-12
        );
    }

    #[test]
    fn impossible_temperatures_are_refused() {
        for text in ["400 C", "-31 C", "177 F", "1e1 C", "NaN C", "inf C"] {
            assert!(Temperature::parse(text).is_err(), "{text}");
        }
        assert!(Temperature::parse("50 C").is_ok());
        assert!(Temperature::from_celsius(f64::NAN).is_none());
    }
}
