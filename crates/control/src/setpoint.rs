//! How a setpoint moves under its ramp limits.

use quantity::{Span, Temperature, TemperatureRate};

/// Below this temperature a descent is slow, in °C …
const GENTLE_BELOW: f64 = 5.0;
/// … at most at this rate, in K/h.
///
/// There the cold around the beer that a descent needs freezes beer at the wall. 20 L that fall by
/// 0.5 K/h need a chamber 4.7 K colder than they are (the control study, section 1), so this rate
/// needs about 2.4 K. Both figures are engineering choices, no source.
const GENTLY: f64 = 0.25;

/// Where a setpoint stands that goes from `from` towards `target` for `elapsed`.
///
/// It goes at most at `up` or `down`, below 5 °C down at no more than 0.25 K/h, and never past the
/// target.
pub fn ramped(
    from: Temperature,
    target: Temperature,
    elapsed: Span,
    up: TemperatureRate,
    down: TemperatureRate,
) -> Temperature {
    if from == target {
        return target;
    }
    let mut left = elapsed.hours();
    let mut at = from;
    for leg in legs(from, target, up, down) {
        let hours = leg.hours();
        if left < hours {
            let moved = leg.rate * left;
            let way = leg.to.celsius() - at.celsius();
            return Temperature::clamped(at.celsius() + moved.copysign(way));
        }
        left -= hours;
        at = leg.to;
    }
    target
}

/// The way of such a setpoint: how long from now it is where, in order; empty where it is there.
///
/// A way that no ramp allows ends with a point that is a year away.
pub fn ramp_points(
    from: Temperature,
    target: Temperature,
    up: TemperatureRate,
    down: TemperatureRate,
) -> Vec<(Span, Temperature)> {
    let mut hours = 0.0;
    let points = legs(from, target, up, down).map(|leg| {
        hours += leg.hours();
        (Span::from_hours_f64(hours.min(A_YEAR)), leg.to)
    });
    points.collect()
}

/// Longer than any look ahead, in h.
const A_YEAR: f64 = 8766.0;

/// A part of a way that is gone at one rate.
struct Leg {
    /// How far it is, in K.
    way: f64,
    to: Temperature,
    /// In K/h, never negative.
    rate: f64,
}

impl Leg {
    fn hours(&self) -> f64 {
        if self.rate > 0.0 { self.way / self.rate } else { f64::INFINITY }
    }
}

fn legs(
    from: Temperature,
    target: Temperature,
    up: TemperatureRate,
    down: TemperatureRate,
) -> impl Iterator<Item = Leg> {
    let leg = |from: Temperature, to: Temperature, rate: f64| Leg {
        way: (to.celsius() - from.celsius()).abs(),
        to,
        rate: rate.abs(),
    };
    let (up, down) = (up.kelvin_per_hour(), down.kelvin_per_hour());
    let gently = down.min(GENTLY);
    let knee = Temperature::clamped(GENTLE_BELOW);
    let (first, second) = if target > from {
        (Some(leg(from, target, up)), None)
    } else if target == from {
        (None, None)
    } else if target >= knee {
        (Some(leg(from, target, down)), None)
    } else if from <= knee {
        (Some(leg(from, target, gently)), None)
    } else {
        (Some(leg(from, knee, down)), Some(leg(knee, target, gently)))
    };
    first.into_iter().chain(second)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn temperature(celsius: f64) -> Temperature {
        Temperature::from_celsius(celsius).unwrap()
    }

    fn rate(rate: f64) -> TemperatureRate {
        TemperatureRate::from_kelvin_per_hour(rate).unwrap()
    }

    #[test]
    fn it_moves_at_its_rate_and_stops_at_the_target() {
        for (from, target, hours, expected) in [
            (10.0, 16.0, 0, 10.0),
            (10.0, 16.0, 2, 12.0),
            (10.0, 16.0, 6, 16.0),
            (10.0, 16.0, 600, 16.0),
            (16.0, 10.0, 2, 15.0),
            (16.0, 10.0, 13, 10.0),
            (16.0, 16.0, 5, 16.0),
        ] {
            let elapsed = Span::from_hours(hours);
            let now = ramped(temperature(from), temperature(target), elapsed, rate(1.0), rate(0.5));
            assert!((now.celsius() - expected).abs() < 1e-12, "{from} to {target} in {hours} h");
        }
    }

    #[test]
    fn a_descent_is_gentle_below_5_degrees_however_it_is_cut() {
        let (up, down) = (rate(1.0), rate(0.5));
        let step = |from: f64, hours: f64| {
            let elapsed = Span::from_hours_f64(hours);
            ramped(temperature(from), temperature(1.0), elapsed, up, down).celsius()
        };
        for (hours, expected) in [(2.0, 6.0), (4.0, 5.0), (8.0, 4.0), (20.0, 1.0), (99.0, 1.0)] {
            assert!((step(7.0, hours) - expected).abs() < 1e-6, "{hours} h");
            assert!((step(step(7.0, hours / 3.0), hours * 2.0 / 3.0) - expected).abs() < 1e-6);
        }
        let points = ramp_points(temperature(7.0), temperature(1.0), up, down);
        let expected = [(4, 5.0), (20, 1.0)].map(|(h, c)| (Span::from_hours(h), temperature(c)));
        assert_eq!(points, expected);
        // A ramp that is slower by itself stays as it is, and so does a climb.
        let slow = ramped(temperature(4.0), temperature(1.0), Span::from_hours(10), up, rate(0.1));
        assert!((slow.celsius() - 3.0).abs() < 1e-9);
        let climb = ramped(temperature(1.0), temperature(4.0), Span::from_hours(2), up, down);
        assert!((climb.celsius() - 3.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn it_never_passes_the_target_nor_outruns_its_rate(
            from in -30.0..80.0f64, target in -30.0..80.0f64, hours in 0.0..1000.0f64,
            up in 0.0..60.0f64, down in 0.0..60.0f64,
        ) {
            let elapsed = Span::from_hours_f64(hours);
            let now = ramped(temperature(from), temperature(target), elapsed, rate(up), rate(down))
                .celsius();
            prop_assert!(now >= from.min(target) && now <= from.max(target));
            let most = if target > from { up } else { down } * elapsed.hours();
            prop_assert!((now - from).abs() <= most + 1e-9);
        }
    }
}
