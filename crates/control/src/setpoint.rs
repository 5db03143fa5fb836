//! How a setpoint moves under its ramp limits.

use quantity::{Span, Temperature, TemperatureRate};

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
