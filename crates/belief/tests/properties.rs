//! What must hold whatever is read, in whatever order.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use belief::{Belief, Care, Expectation, Expected, GravityReading, Kind, Original};
use proptest::prelude::*;
use quantity::{Gravity, GravityDelta, Share, Span, Stamp, Temperature};

const PITCHED: Stamp = Stamp::from_millis(1_772_000_000_000);

/// Minutes since the last, source (0: a person), gravity in points, temperature.
type Step = (u32, u8, f64, Option<f64>);

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let gravity = prop_oneof![
        8 => 5.0..60.0f64,
        1 => -100.0..400.0f64,
        1 => Just(f64::NAN),
        1 => Just(20.0),
    ];
    let celsius = proptest::option::of(-5.0..35.0f64);
    proptest::collection::vec((0u32..4000, 0u8..4, gravity, celsius), 1..60)
}

fn run(belief: &mut Belief, steps: &[Step]) {
    let mut at = PITCHED;
    for (minutes, source, points, celsius) in steps {
        at = at + Span::from_mins(i64::from(*minutes));
        let kind = if *source == 0 { Kind::Hand { sd_points: 1.0 } } else { Kind::Float };
        belief.take(&GravityReading {
            at,
            source: format!("source-{source}"),
            kind,
            sg: 1.0 + points * 1e-3,
            temperature: celsius.and_then(Temperature::from_celsius),
        });
    }
}

fn fresh(original: Original) -> Belief {
    let final_sg = Some(Expected { sg: 1.010, sd_points: 3.0 });
    Belief::new(PITCHED, Expectation { original, final_sg })
}

fn originals() -> impl Strategy<Value = Original> {
    prop_oneof![
        Just(Original::Sampled { sg: 1.050, sd_points: 1.0 }),
        Just(Original::Expected { sg: 1.050, sd_points: 3.0 }),
        Just(Original::Measured),
    ]
}

fn sound(belief: &Belief) {
    let probability = |probability: Option<f64>| {
        assert!(probability.is_none_or(|p| (0.0..=1.0).contains(&p)), "{probability:?}");
    };
    if let Some(estimate) = belief.estimate() {
        assert!(estimate.sg.value.is_finite() && estimate.sg.sd > 0.0, "{estimate:?}");
        let rate = estimate.rate_points_per_day;
        assert!(rate.value.is_finite() && rate.sd > 0.0, "{estimate:?}");
    }
    for percent in [0.0, 0.3, 0.8, 1.1] {
        let share = Share::from_fraction(percent).expect("a share");
        probability(belief.attenuation(share).probability);
        probability(belief.progress(share).probability);
    }
    probability(belief.at_or_below(Gravity::from_sg(1.02).expect("a gravity")).probability);
    probability(belief.fallen(GravityDelta::Points(5.0)).probability);
    for care in [Care::Quick, Care::Safe] {
        let said = belief.stable(GravityDelta::Points(1.0), Span::from_hours(48), 0.95, care);
        probability(said.probability);
        assert_eq!(said.answer == Some(true), said.lacking.is_empty(), "{said:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn figures_are_finite_and_copies_go_on_alike(
        original in originals(),
        first in steps(),
        second in steps(),
    ) {
        let mut one = fresh(original);
        run(&mut one, &first);
        sound(&one);
        let json = serde_json::to_string(&one).unwrap();
        let mut other: Belief = serde_json::from_str(&json).unwrap();
        prop_assert_eq!(&one, &other);
        run(&mut one, &second);
        run(&mut other, &second);
        sound(&one);
        let json = |belief: &Belief| serde_json::to_string(belief).expect("storable");
        prop_assert_eq!(json(&one), json(&other));
    }

    #[test]
    fn a_larger_share_is_never_more_probable(original in originals(), steps in steps()) {
        let mut belief = fresh(original);
        run(&mut belief, &steps);
        let mut last = 1.0;
        for percent in 0..=110u8 {
            let share = Share::from_fraction(f64::from(percent) / 100.0).unwrap();
            if let Some(probability) = belief.attenuation(share).probability {
                prop_assert!(probability <= last + 0.02, "{percent} %: {probability} after {last}");
                last = probability;
            }
        }
    }
}
