//! How a setpoint moves under its ramp limits.

use quantity::{Span, Temperature, TemperatureRate};

/// Below this a descent is slower, in °C.
const GENTLE_BELOW: f64 = 5.0;
/// By this factor.
const GENTLE_SHARE: f64 = 0.5;

/// Where a setpoint stands that goes from `from` towards `target` for `elapsed`.
///
/// It goes at most at `up` or `down` and never past the target.
pub fn ramped(
    from: Temperature,
    target: Temperature,
    elapsed: Span,
    up: TemperatureRate,
    down: TemperatureRate,
) -> Temperature {
    let (start, end) = (from.celsius(), target.celsius());
    let rate = if end > start { up } else { down };
    let most = rate.kelvin_per_hour() * elapsed.hours();
    if (end - start).abs() <= most {
        target
    } else {
        Temperature::clamped(start + most.copysign(end - start))
    }
}

/// Where a setpoint stands that goes from `from` towards `target` for `elapsed`, as [`ramped`], but
/// descends at half its rate below 5 °C.
///
/// There the cold around the beer that a descent needs may freeze beer at the wall; a slower
/// descent needs less of it. Half and 5 °C are engineering choices, no source.
pub fn ramped_gently(
    from: Temperature,
    target: Temperature,
    elapsed: Span,
    up: TemperatureRate,
    down: TemperatureRate,
) -> Temperature {
    let above = from.celsius().max(GENTLE_BELOW) - GENTLE_BELOW;
    let fast = down.kelvin_per_hour() * elapsed.hours();
    let moved = if fast <= above { fast } else { above + (fast - above) * GENTLE_SHARE };
    if target < from {
        Temperature::clamped(from.celsius() - moved).max(target)
    } else {
        ramped(from, target, elapsed, up, down)
    }
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
    fn a_gentle_descent_slows_below_5_degrees_however_it_is_cut() {
        let step = |from: f64, hours: f64| {
            let elapsed = Span::from_hours_f64(hours);
            let (up, down) = (rate(1.0), rate(0.5));
            ramped_gently(temperature(from), temperature(1.0), elapsed, up, down).celsius()
        };
        for (hours, expected) in [(2.0, 6.0), (4.0, 5.0), (8.0, 4.0), (20.0, 1.0), (99.0, 1.0)] {
            assert!((step(7.0, hours) - expected).abs() < 1e-9, "{hours} h");
            assert!((step(step(7.0, hours / 3.0), hours * 2.0 / 3.0) - expected).abs() < 1e-6);
        }
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
