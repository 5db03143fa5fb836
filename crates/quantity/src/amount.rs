//! Shares, volumes, masses, powers, angles and a body's expansion.

use crate::{Quantity, Reason};
use serde::{Deserialize, Serialize};

/// Conversions to and from the bare number inside a type, for storing it.
macro_rules! number_inside {
    ($type:ty, $from:expr, $unit:literal) => {
        impl TryFrom<f64> for $type {
            type Error = String;

            fn try_from(number: f64) -> Result<Self, String> {
                $from(number).ok_or_else(|| {
                    format!(
                        "{number} {} is not a possible {}",
                        $unit,
                        <$type as crate::Quantity>::KIND
                    )
                })
            }
        }

        impl From<$type> for f64 {
            fn from(value: $type) -> f64 {
                value.0
            }
        }
    };
}
pub(crate) use number_inside;

/// A part of a whole, 1 = 100 % inside; 0 to 110 % (a dry beer's apparent attenuation passes
/// 100 %).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Share(f64);

/// A volume, in L inside; above 0, at most 1000 hL.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Volume(f64);

/// A mass, in kg inside; above 0, at most 10 000 kg.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Mass(f64);

/// A power, in W inside; above 0, at most 1000 kW.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Power(f64);

/// An angle, in degrees inside; −180 to 180 deg.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Angle(f64);

/// Volume expansion of a body, in 1/K inside; 0 to 2000 ppm/K.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Expansion(f64);

impl Share {
    const HIGH: f64 = 1.1;

    /// From a fraction (1 = 100 %); `None` outside 0 to 1.1 (or NaN).
    pub fn from_fraction(fraction: f64) -> Option<Self> {
        (0.0..=Self::HIGH).contains(&fraction).then_some(Share(fraction))
    }

    /// As a fraction: 0.5 for 50 %.
    pub fn fraction(self) -> f64 {
        self.0
    }

    /// In percent.
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

impl Volume {
    /// From L; `None` where not above 0, over 100 000 L or NaN.
    pub fn from_litres(litres: f64) -> Option<Self> {
        (litres > 0.0 && litres <= 100_000.0).then_some(Volume(litres))
    }

    /// From L, moved to the nearest possible volume, at least 1 mL; NaN gives that.
    pub fn clamped(litres: f64) -> Self {
        let least = 1e-3;
        // `clamp` would let NaN through.
        Volume(if litres > least { litres.min(100_000.0) } else { least })
    }

    /// In L.
    pub fn litres(self) -> f64 {
        self.0
    }
}

impl Mass {
    /// From kg; `None` where not above 0, over 10 000 kg or NaN.
    pub fn from_kilograms(kilograms: f64) -> Option<Self> {
        (kilograms > 0.0 && kilograms <= 10_000.0).then_some(Mass(kilograms))
    }

    /// In kg.
    pub fn kilograms(self) -> f64 {
        self.0
    }
}

impl Power {
    /// From W; `None` where not above 0, over 1 000 000 W or NaN.
    pub fn from_watts(watts: f64) -> Option<Self> {
        (watts > 0.0 && watts <= 1e6).then_some(Power(watts))
    }

    /// In W.
    pub fn watts(self) -> f64 {
        self.0
    }
}

impl Angle {
    /// From degrees; `None` beyond ±180 (or NaN).
    pub fn from_degrees(degrees: f64) -> Option<Self> {
        (degrees.abs() <= 180.0).then_some(Angle(degrees))
    }

    /// In degrees.
    pub fn degrees(self) -> f64 {
        self.0
    }
}

impl Expansion {
    /// From 1/K; `None` outside 0 to 0.002 (or NaN).
    pub fn from_per_kelvin(per_kelvin: f64) -> Option<Self> {
        (0.0..=2e-3).contains(&per_kelvin).then_some(Expansion(per_kelvin))
    }

    /// In 1/K.
    pub fn per_kelvin(self) -> f64 {
        self.0
    }
}

number_inside!(Share, Share::from_fraction, "(as a fraction)");
number_inside!(Volume, Volume::from_litres, "L");
number_inside!(Mass, Mass::from_kilograms, "kg");
number_inside!(Power, Power::from_watts, "W");
number_inside!(Angle, Angle::from_degrees, "deg");
number_inside!(Expansion, Expansion::from_per_kelvin, "1/K");

impl Quantity for Share {
    const KIND: &'static str = "share";
    const UNITS: &'static [&'static str] = &["%"];
    const EXAMPLE: &'static str = "75 %";

    fn from_unit(number: f64, _unit: usize) -> Result<Self, Reason> {
        Self::from_fraction(number / 100.0).ok_or(Reason::OutOfRange { low: "0 %", high: "110 %" })
    }
}

impl Quantity for Volume {
    const KIND: &'static str = "volume";
    const UNITS: &'static [&'static str] = &["L", "hL", "gal"];
    const EXAMPLE: &'static str = "23 L";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        // 1 US gallon = 231 cubic inches = 3.785 411 784 L exactly (NIST SP 811, appendix B.8).
        let litres = number * [1.0, 100.0, 3.785_411_784][unit];
        Self::from_litres(litres).ok_or(Reason::OutOfRange { low: "above 0 L", high: "1000 hL" })
    }
}

impl Quantity for Mass {
    const KIND: &'static str = "mass";
    const UNITS: &'static [&'static str] = &["g", "kg", "lb", "oz"];
    const EXAMPLE: &'static str = "500 g";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        // 1 lb = 0.453 592 37 kg exactly (NIST SP 811, appendix B.8); 16 oz a pound.
        let kilograms = number * [1e-3, 1.0, 0.453_592_37, 0.453_592_37 / 16.0][unit];
        Self::from_kilograms(kilograms)
            .ok_or(Reason::OutOfRange { low: "above 0 g", high: "10000 kg" })
    }
}

impl Quantity for Power {
    const KIND: &'static str = "power";
    const UNITS: &'static [&'static str] = &["W", "kW"];
    const EXAMPLE: &'static str = "110 W";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let watts = number * [1.0, 1e3][unit];
        Self::from_watts(watts).ok_or(Reason::OutOfRange { low: "above 0 W", high: "1000 kW" })
    }
}

impl Quantity for Angle {
    const KIND: &'static str = "angle";
    const UNITS: &'static [&'static str] = &["deg"];
    const EXAMPLE: &'static str = "41.5 deg";

    fn from_unit(number: f64, _unit: usize) -> Result<Self, Reason> {
        Self::from_degrees(number).ok_or(Reason::OutOfRange { low: "-180 deg", high: "180 deg" })
    }
}

impl Quantity for Expansion {
    const KIND: &'static str = "volume expansion";
    const UNITS: &'static [&'static str] = &["ppm/K"];
    const EXAMPLE: &'static str = "200 ppm/K";

    fn from_unit(number: f64, _unit: usize) -> Result<Self, Reason> {
        Self::from_per_kelvin(number * 1e-6)
            .ok_or(Reason::OutOfRange { low: "0 ppm/K", high: "2000 ppm/K" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_convert() {
        assert_eq!(Volume::parse("0.2 hL").unwrap().litres(), 20.0);
        assert!((Volume::parse("5 gal").unwrap().litres() - 18.927).abs() < 1e-3);
        assert_eq!(Mass::parse("500 g").unwrap().kilograms(), 0.5);
        assert!((Mass::parse("16 oz").unwrap().kilograms() - 0.453_592_37).abs() < 1e-12);
        assert_eq!(Power::parse("1.5 kW").unwrap().watts(), 1500.0);
        assert_eq!(Share::parse("75%").unwrap().fraction(), 0.75);
        assert!(Share::parse("111 %").is_err());
        assert!(Volume::parse("0 L").is_err());
        assert_eq!(Angle::parse("41.5 deg").unwrap().degrees(), 41.5);
        assert!((Expansion::parse("200 ppm/K").unwrap().per_kelvin() - 2e-4).abs() < 1e-18);
    }

    #[test]
    fn a_bare_number_names_the_units_it_could_have_had() {
        let error = Volume::parse("23").unwrap_err();
        assert_eq!(
            error.to_string(),
            "the volume `23` has no unit: it could be `L`, `hL` or `gal`"
        );
        assert_eq!(error.hint(), "add a unit (`L`, `hL` or `gal`), such as `\"23 L\"`");
        let error = Share::parse("0,5 %").unwrap_err();
        assert_eq!(error.reason, Reason::Comma);
        let error = Mass::parse("5 stone").unwrap_err();
        assert!(error.to_string().contains("`stone` is not a unit of a mass"), "{error}");
    }
}
