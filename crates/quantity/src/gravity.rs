//! Gravities, their differences and their rates, and the scale that joins SG to °Plato.

use crate::{Quantity, Reason};
use serde::{Deserialize, Serialize};

/// Extract in °P of a wort of specific gravity `sg` (20 °C/20 °C, in air).
///
/// The ASBC polynomial, P = −616.868 + 1111.14 S − 630.272 S² + 135.997 S³, for S of 1.000 to 1.13;
/// below 1.000 it goes on smoothly, which dry beers need. At 1.000 it gives −0.003 °P.
/// Source: ASBC Methods of Analysis, tables related to determinations on wort, beer and brewing
/// sugars (as quoted at liquisearch.com/brix/tables); agrees with the ICUMSA density of sucrose
/// solutions within 0.0044 °P up to 12 °P.
pub fn plato_from_sg(sg: f64) -> f64 {
    ((135.997 * sg - 630.272) * sg + 1111.14) * sg - 616.868
}

/// Specific gravity (20 °C/20 °C) of a wort of `plato` °P: the exact inverse of [`plato_from_sg`].
///
/// Newton's method on the cubic, which is strictly rising for every gravity of a beer.
pub fn sg_from_plato(plato: f64) -> f64 {
    let mut sg = 1.0 + plato / (258.6 - 227.1 * plato / 258.2);
    for _ in 0..8 {
        let slope = (3.0 * 135.997 * sg - 2.0 * 630.272) * sg + 1111.14;
        let step = (plato_from_sg(sg) - plato) / slope;
        sg -= step;
        if step.abs() < 1e-15 {
            break;
        }
    }
    sg
}

/// A gravity, in SG (20 °C/20 °C) inside; 0.970 to 1.200 SG.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Gravity(f64);

/// A difference of gravities; 0 to 200 points.
///
/// A point is 0.001 SG. A difference in °P has no fixed worth in points, so the unit is kept and
/// [`GravityDelta::above`] needs the gravity that it is counted from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum GravityDelta {
    /// In points of 0.001 SG.
    Points(f64),
    /// In °P.
    Plato(f64),
}

/// How fast a gravity falls; 0 to 400 points a day. A rate in °P is kept as such.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum GravityRate {
    /// In points of 0.001 SG a day.
    Points(f64),
    /// In °P a day.
    Plato(f64),
}

impl Gravity {
    const LOW: f64 = 0.970;
    const HIGH: f64 = 1.200;

    /// From SG; `None` outside 0.970 to 1.200 (or NaN).
    pub fn from_sg(sg: f64) -> Option<Self> {
        (Self::LOW..=Self::HIGH).contains(&sg).then_some(Gravity(sg))
    }

    /// From °P; `None` outside what [`Gravity::from_sg`] takes.
    pub fn from_plato(plato: f64) -> Option<Self> {
        (plato.abs() < 60.0).then(|| sg_from_plato(plato)).and_then(Self::from_sg)
    }

    /// In SG.
    pub fn sg(self) -> f64 {
        self.0
    }

    /// In °P; 0 where the polynomial gives less than 0.005 °P either way (water).
    pub fn plato(self) -> f64 {
        let plato = plato_from_sg(self.0);
        if plato.abs() < 0.005 { 0.0 } else { plato }
    }

    /// In °Brix: taken as equal to °P. The polynomials of both scales (NBS Circular 440) differ by
    /// 0.002 at most up to 1.085 SG.
    pub fn brix(self) -> f64 {
        self.plato()
    }
}

impl GravityDelta {
    const HIGH_POINTS: f64 = 200.0;
    const HIGH_PLATO: f64 = 45.0;

    /// The gravity that lies this much above `base`, in SG.
    pub fn above(self, base: Gravity) -> f64 {
        match self {
            GravityDelta::Points(points) => base.sg() + points * 1e-3,
            GravityDelta::Plato(plato) => sg_from_plato(plato_from_sg(base.sg()) + plato),
        }
    }

    /// The gravity that lies this much below `base`, in SG.
    pub fn below(self, base: Gravity) -> f64 {
        match self {
            GravityDelta::Points(points) => base.sg() - points * 1e-3,
            GravityDelta::Plato(plato) => sg_from_plato(plato_from_sg(base.sg()) - plato),
        }
    }

    /// In points; a difference in °P is taken near `base`.
    pub fn points_near(self, base: Gravity) -> f64 {
        match self {
            GravityDelta::Points(points) => points,
            GravityDelta::Plato(_) => (self.above(base) - base.sg()) * 1e3,
        }
    }

    /// Whether it is nothing at all.
    pub fn is_zero(self) -> bool {
        let (GravityDelta::Points(number) | GravityDelta::Plato(number)) = self;
        number == 0.0
    }
}

impl GravityRate {
    const HIGH_POINTS: f64 = 400.0;
    const HIGH_PLATO: f64 = 100.0;

    /// In points a day; a rate in °P is taken near `base`.
    pub fn points_per_day_near(self, base: Gravity) -> f64 {
        match self {
            GravityRate::Points(points) => points,
            GravityRate::Plato(plato) => {
                // The slope of the scale at `base`: points per °P.
                let slope = (3.0 * 135.997 * base.sg() - 2.0 * 630.272) * base.sg() + 1111.14;
                plato / slope * 1e3
            }
        }
    }

    /// Whether it is nothing at all.
    pub fn is_zero(self) -> bool {
        let (GravityRate::Points(number) | GravityRate::Plato(number)) = self;
        number == 0.0
    }
}

crate::amount::number_inside!(Gravity, Gravity::from_sg, "SG");

impl Quantity for Gravity {
    const KIND: &'static str = "gravity";
    const UNITS: &'static [&'static str] = &["SG", "P", "Bx"];
    const EXAMPLE: &'static str = "1.048 SG";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let gravity = if unit == 0 { Self::from_sg(number) } else { Self::from_plato(number) };
        gravity
            .ok_or(Reason::OutOfRange { low: "0.970 SG (-8.2 °P)", high: "1.200 SG (43.9 °P)" })
    }
}

impl Quantity for GravityDelta {
    const KIND: &'static str = "gravity difference";
    const UNITS: &'static [&'static str] = &["SG", "points", "P"];
    const EXAMPLE: &'static str = "4 points";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let (delta, high) = match unit {
            0 => (GravityDelta::Points(number * 1e3), Self::HIGH_POINTS / 1e3),
            1 => (GravityDelta::Points(number), Self::HIGH_POINTS),
            _ => (GravityDelta::Plato(number), Self::HIGH_PLATO),
        };
        (0.0..=high)
            .contains(&number)
            .then_some(delta)
            .ok_or(Reason::OutOfRange { low: "0 points", high: "200 points (45 °P)" })
    }
}

impl Quantity for GravityRate {
    const KIND: &'static str = "gravity rate";
    const UNITS: &'static [&'static str] = &["SG/d", "points/d", "P/d"];
    const EXAMPLE: &'static str = "2 points/d";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let (rate, high) = match unit {
            0 => (GravityRate::Points(number * 1e3), Self::HIGH_POINTS / 1e3),
            1 => (GravityRate::Points(number), Self::HIGH_POINTS),
            _ => (GravityRate::Plato(number), Self::HIGH_PLATO),
        };
        (0.0..=high)
            .contains(&number)
            .then_some(rate)
            .ok_or(Reason::OutOfRange { low: "0 points/d", high: "400 points/d (100 °P/d)" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// USDA File Code 135-A-50, Brix conversion chart, as copied at chegg.net.
    #[test]
    fn the_scale_agrees_with_the_usda_table() {
        for (brix, sg) in [(4.0, 1.01569), (7.6, 1.03017), (7.8, 1.03098), (8.9, 1.03549)] {
            assert!((sg_from_plato(brix) - sg).abs() < 1e-5, "{brix}");
        }
    }

    #[test]
    fn the_inverse_is_exact() {
        for step in -80..=440 {
            let plato = f64::from(step) / 10.0;
            assert!((plato_from_sg(sg_from_plato(plato)) - plato).abs() < 1e-9, "{plato}");
        }
    }

    #[test]
    fn water_is_reported_as_nothing() {
        assert_eq!(Gravity::from_sg(1.0).unwrap().plato(), 0.0);
    }

    #[test]
    fn a_plato_difference_is_counted_from_its_base() {
        let base = Gravity::parse("2.5 P").unwrap();
        let delta = GravityDelta::parse("1 P").unwrap();
        assert!((delta.above(base) - sg_from_plato(3.5)).abs() < 1e-12);
        assert!((delta.below(base) - sg_from_plato(1.5)).abs() < 1e-12);
        assert_eq!(GravityDelta::parse("0.004 SG").unwrap(), GravityDelta::Points(4.0));
        assert_eq!(GravityDelta::parse("1 point").unwrap(), GravityDelta::Points(1.0));
    }

    #[test]
    fn impossible_gravities_are_refused() {
        for text in ["1.3 SG", "48 SG", "0.9 SG", "60 P", "1.048", "-0.1 Bx SG"] {
            assert!(Gravity::parse(text).is_err(), "{text}");
        }
    }
}
