//! Hand samples alone: few, far apart, each worth believing.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use belief::{Belief, Expectation, Expected, GravityReading, Kind, Original};
use quantity::{Span, Stamp, plato_from_sg, sg_from_plato};

/// A brew of a craft brewery, March 2017 (camlf/academic-hub, commit d19f17fe81, Apache-2.0): °P
/// at pitching, and hours and °P of its samples.
const BREWS: [(f64, &[(f64, f64)]); 2] = [
    (14.8966, &[(18.0, 10.4), (20.333, 10.0), (28.5, 7.3), (42.167, 3.9)]),
    (15.3992, &[(0.667, 14.2), (12.833, 11.6), (23.833, 8.6), (43.833, 3.6)]),
];

#[test]
fn a_sample_after_a_long_silence_is_believed_and_no_outlier() {
    let pitched = Stamp::from_millis(1_490_000_000_000);
    for (original, samples) in BREWS {
        let sampled = Original::Sampled { sg: sg_from_plato(original), sd_points: 1.0 };
        let end = Expected { sg: sg_from_plato(0.2 * original), sd_points: 3.0 };
        let mut belief =
            Belief::new(pitched, Expectation { original: sampled, final_sg: Some(end) });
        for (hours, plato) in samples.iter().filter(|(hours, _)| *hours > 1.0) {
            belief.take(&GravityReading {
                at: pitched + Span::from_hours_f64(*hours),
                source: "hand".to_owned(),
                kind: Kind::Hand { sd_points: 1.0 },
                sg: sg_from_plato(*plato),
                temperature: None,
            });
            let believed = plato_from_sg(belief.estimate().unwrap().sg.value);
            assert!((believed - plato).abs() < 0.5, "{hours} h: {plato} P, believed {believed}");
        }
    }
}
