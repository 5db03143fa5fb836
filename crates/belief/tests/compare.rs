//! Comparing floats through the room's one door: what must hold whatever is read, and plain cases.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use belief::compare::{
    Comparison, Figure, FloatReadings, FloatReport, HandSample, Lack, Ranked, compare,
};
use proptest::prelude::*;
use quantity::{Span, Stamp};

const BEGIN: Stamp = Stamp::from_millis(1_772_323_200_000);

fn at(hours: f64) -> Stamp {
    BEGIN + Span::from_hours_f64(hours)
}

/// Noise without chance: sums of sines with no common period, of about this standard deviation.
fn noise(hours: f64, size: f64) -> f64 {
    size * ((hours * 5.1).sin() + (hours * 13.7).sin() + (hours * 29.3).sin()) / 1.22
}

/// 50 points, falling from 12 h on towards 10.
fn beer(hours: f64) -> f64 {
    10.0 + 40.0 * (-((hours - 12.0).max(0.0) / 30.0).powi(2)).exp()
}

/// A float that reads every half hour in these hours, as told.
fn float(name: &str, hours: std::ops::Range<f64>, points: impl Fn(f64) -> f64) -> FloatReadings {
    let count = ((hours.end - hours.start) * 2.0) as u32;
    let times = (0..count).map(|number| hours.start + f64::from(number) * 0.5);
    FloatReadings {
        name: name.to_owned(),
        gravities: times.map(|time| (at(time), points(time))).collect(),
        charges: Vec::new(),
    }
}

fn sample(hours: f64, points: f64) -> HandSample {
    HandSample { at: at(hours), points, sd_points: 0.4 }
}

fn all_figures(float: &FloatReport) -> Vec<Figure> {
    let mut figures = vec![
        float.bias_to_samples,
        float.drift_to_samples,
        float.bias_to_floats,
        float.drift_to_floats,
        float.quick_noise,
        float.slow_noise,
    ];
    figures.push(float.outliers.map(|outliers| outliers.share));
    figures.push(float.battery.and_then(|battery| battery.lost_a_day));
    figures.into_iter().flatten().collect()
}

fn sound(said: &Comparison) {
    let of_pairs = said.pairs.iter().flat_map(|pair| pair.apart.into_iter().chain(pair.drift));
    for figure in said.floats.iter().flat_map(all_figures).chain(of_pairs) {
        assert!(figure.low <= figure.value && figure.value <= figure.high, "{figure:?}");
        assert!(figure.sd.is_finite() && figure.sd >= 0.0, "{figure:?}");
    }
    for float in &said.floats {
        if let Some(outliers) = float.outliers {
            assert!(outliers.count <= outliers.judged && outliers.judged <= float.readings);
        }
        if let Some(gaps) = float.gaps {
            assert!((0.0..=1.0).contains(&gaps.covered), "{gaps:?}");
            assert!(gaps.silent.is_none_or(|silent| silent <= gaps.longest), "{gaps:?}");
        }
        assert!(float.samples <= said.samples);
    }
}

/// Readings of any kind: minutes after the beginning, and a number.
fn readings() -> impl Strategy<Value = Vec<(Stamp, f64)>> {
    let number = prop_oneof![
        8 => -5.0..60.0f64,
        4 => Just(20.0),
        1 => -1e9..1e9f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
    ];
    let minutes = prop_oneof![4 => 0i64..3000, 1 => 0i64..40_000];
    let reading = (minutes, number).prop_map(|(m, number)| (BEGIN + Span::from_mins(m), number));
    proptest::collection::vec(reading, 0..120)
}

fn any_float(name: &'static str) -> impl Strategy<Value = FloatReadings> {
    (readings(), readings()).prop_map(move |(gravities, charges)| FloatReadings {
        name: name.to_owned(),
        gravities,
        charges,
    })
}

fn samples() -> impl Strategy<Value = Vec<HandSample>> {
    let sample = (0i64..40_000, -5.0..60.0f64, 0.0..3.0f64).prop_map(|(minutes, points, sd)| {
        HandSample { at: BEGIN + Span::from_mins(minutes), points, sd_points: sd }
    });
    proptest::collection::vec(sample, 0..6)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn whatever_is_read_every_figure_is_sound(
        one in any_float("one"), other in any_float("other"), samples in samples(),
        until in 0i64..50_000,
    ) {
        let said = compare(&[one, other], &samples, BEGIN + Span::from_mins(until));
        sound(&said);
        said.nearest();
        said.quietest();
        said.lacks();
        said.partings();
    }

    #[test]
    fn a_float_that_reads_higher_is_told_to_read_higher_by_as_much(
        higher in -30.0..30.0f64, size in 0.2..2.0f64,
    ) {
        let samples = [sample(30.0, 20.0), sample(90.0, 11.0), sample(150.0, 10.0)];
        let told = |higher: f64| {
            let one = float("one", 0.0..200.0, |h| beer(h) + noise(h, size) + higher);
            let other = float("other", 0.0..200.0, |h| beer(h) + noise(h + 7.0, 0.5));
            compare(&[one, other], &samples, at(200.0)).floats.remove(0)
        };
        let (plain, moved) = (told(0.0), told(higher));
        let close = |a: Option<Figure>, b: Option<Figure>, by: f64| {
            let (a, b) = (a.unwrap(), b.unwrap());
            (b.value - a.value - by).abs() < 1e-6 && (a.sd - b.sd).abs() < 1e-6
        };
        prop_assert!(close(plain.bias_to_samples, moved.bias_to_samples, higher));
        prop_assert!(close(plain.bias_to_floats, moved.bias_to_floats, higher));
        prop_assert!(close(plain.drift_to_samples, moved.drift_to_samples, 0.0));
        prop_assert!(close(plain.drift_to_floats, moved.drift_to_floats, 0.0));
        prop_assert!(close(plain.quick_noise, moved.quick_noise, 0.0));
        prop_assert!(close(plain.slow_noise, moved.slow_noise, 0.0));
    }
}

#[test]
fn the_order_in_which_readings_come_does_not_matter() {
    let one = float("one", 0.0..200.0, |h| beer(h) + noise(h, 1.0) + 2.0);
    let other = float("other", 0.25..200.0, |h| beer(h) + noise(h + 5.0, 0.5));
    let samples = [sample(150.0, 10.0), sample(30.0, 30.0)];
    let told = compare(&[one.clone(), other.clone()], &samples, at(200.0));
    let mut turned = one;
    turned.gravities.reverse();
    let samples = [samples[1], samples[0]];
    assert_eq!(compare(&[turned, other], &samples, at(200.0)).floats[1], told.floats[1]);
}

#[test]
fn seen_from_the_other_side_two_floats_differ_by_the_opposite() {
    let one = float("one", 0.0..200.0, |h| beer(h) + noise(h, 1.0) + 2.0 + h / 100.0);
    let other = float("other", 20.25..180.0, |h| beer(h) + noise(h + 5.0, 0.5));
    let told = compare(&[one.clone(), other.clone()], &[], at(200.0));
    let turned = compare(&[other, one], &[], at(200.0));
    assert_eq!(told.pairs[0].apart, turned.pairs[0].apart.map(Figure::negative));
    assert_eq!(told.floats[0].drift_to_floats, turned.pairs[0].drift.map(Figure::negative));
    let apart = told.pairs[0].apart.unwrap();
    assert!((apart.value - 3.0).abs() < 0.2, "{apart:?}");
}

#[test]
fn what_nobody_measured_is_not_known() {
    let nothing = compare(&[FloatReadings::default()], &[], at(100.0));
    let float = &nothing.floats[0];
    assert_eq!((float.readings, float.span, float.interval), (0, None, None));
    assert_eq!((float.gaps, float.outliers, float.battery), (None, None, None));
    assert!(all_figures(float).is_empty());
    assert_eq!((nothing.nearest(), nothing.quietest()), (None, None));
    let alone = compare(&[float_alone(5.0)], &[], at(5.0));
    let float = &alone.floats[0];
    assert_eq!((float.bias_to_samples, float.bias_to_floats, float.sticking), (None, None, None));
    assert_eq!(alone.lacks()[0], Lack::NoSample);
    // A sample to which no reading is near says nothing of the float.
    let far = compare(&[float_alone(50.0)], &[sample(90.0, 10.0)], at(100.0));
    assert_eq!((far.floats[0].samples, far.floats[0].bias_to_samples), (0, None));
    assert_eq!(far.lacks(), [Lack::NoReadingsBeside { name: "one".to_owned() }]);
}

fn float_alone(hours: f64) -> FloatReadings {
    float("one", 0.0..hours, |h| beer(h) + noise(h, 0.5))
}

#[test]
fn a_sample_tells_a_bias_and_two_days_apart_a_drift() {
    let drifting = |h: f64| beer(h) + 1.0 + h / 48.0 + noise(h, 0.3);
    let told = |samples: &[HandSample]| {
        compare(&[float("one", 0.0..200.0, drifting)], samples, at(200.0)).floats.remove(0)
    };
    let one = told(&[sample(96.0, beer(96.0))]);
    assert!(!one.bias_to_samples.unwrap().is_apart_from(3.0), "{one:?}");
    assert_eq!(one.drift_to_samples, None);
    let close = told(&[sample(96.0, beer(96.0)), sample(110.0, beer(110.0))]);
    assert_eq!(close.drift_to_samples, None);
    let two = told(&[sample(48.0, beer(48.0)), sample(192.0, beer(192.0))]);
    let drift = two.drift_to_samples.unwrap();
    assert!((drift.value - 0.5).abs() < 0.1 && drift.half() > 0.2, "{drift:?}");
    assert_eq!(two.samples, 2);
}

#[test]
fn gaps_are_counted_with_the_last_one_that_is_still_open() {
    let mut gapped = float("one", 0.0..100.0, beer);
    gapped.gravities.retain(|(time, _)| {
        let hours = time.since(BEGIN).hours();
        !(20.2..29.8).contains(&hours) && !(50.2..51.8).contains(&hours) && hours < 90.2
    });
    let gaps = compare(&[gapped.clone()], &[], at(100.0)).floats[0].gaps.unwrap();
    // 10 h, 2 h and the last 10 h; the usual half hour of each is no loss.
    assert_eq!((gaps.count, gaps.longest), (3, Span::from_hours(10)));
    assert_eq!(gaps.silent, Some(Span::from_hours(10)));
    assert!((gaps.covered - (100.0 - 9.5 - 1.5 - 9.5) / 100.0).abs() < 1e-9, "{gaps:?}");
    let gaps = compare(&[gapped], &[], at(91.0)).floats[0].gaps.unwrap();
    assert_eq!((gaps.count, gaps.silent), (2, None));
}

#[test]
fn a_float_sticks_only_where_another_one_moves() {
    let stuck = |h: f64| if (24.0..40.0).contains(&h) || h > 150.0 { 33.0 } else { beer(h) };
    let floats = [float("one", 0.0..200.0, stuck), float("other", 0.0..200.0, |h| beer(h) + 1.0)];
    let said = compare(&floats, &[], at(200.0));
    let sticking = said.floats[0].sticking.unwrap();
    // At the end the beer stands as well.
    assert_eq!((sticking.count, sticking.longest), (1, Span::from_hours_f64(15.5)));
    assert_eq!(said.floats[1].sticking.unwrap().count, 0);
}

#[test]
fn the_nearest_and_the_quietest_are_named_and_whether_that_is_shown() {
    let near = float("near", 0.0..200.0, |h| beer(h) + noise(h, 0.5) + 0.2);
    let quiet = float("quiet", 0.0..200.0, |h| beer(h) + noise(h + 3.0, 0.2) + 3.0);
    let samples: Vec<HandSample> =
        [10.0, 70.0, 110.0, 150.0, 195.0].map(|h| sample(h, beer(h))).to_vec();
    let said = compare(&[near.clone(), quiet.clone()], &samples, at(200.0));
    let ranked = |first: &str, second: &str, is_shown| {
        Some(Ranked { first: first.to_owned(), second: second.to_owned(), is_shown })
    };
    assert_eq!(said.nearest(), ranked("near", "quiet", true));
    assert_eq!(said.quietest(), ranked("quiet", "near", true));
    assert_eq!(said.lacks(), []);
    // One sample cannot tell floats apart that lie on either side of it.
    let other = float("other", 0.0..200.0, |h| beer(h) + noise(h + 3.0, 0.9) - 0.4);
    let said = compare(&[near, other, quiet], &samples[..1], at(200.0));
    assert_eq!(said.nearest(), ranked("near", "other", false));
    assert_eq!(said.lacks()[0], Lack::SamplesTooClose);
}

#[test]
fn floats_that_part_are_told_and_by_samples_which_one_drifts() {
    let one = float("one", 0.0..200.0, |h| beer(h) + noise(h, 0.5) + h / 48.0);
    let other = float("other", 0.0..200.0, |h| beer(h) + noise(h + 3.0, 0.5));
    let said = compare(&[one.clone(), other.clone()], &[], at(200.0));
    let parting = &said.partings()[0];
    assert!((parting.drift.value - 0.5).abs() < 0.1, "{parting:?}");
    assert_eq!((said.lacks(), &parting.drifting), (vec![Lack::NoSample], &None));
    let samples: Vec<HandSample> =
        [10.0, 60.0, 100.0, 150.0, 195.0].map(|h| sample(h, beer(h))).to_vec();
    let said = compare(&[other.clone(), one], &samples, at(200.0));
    assert_eq!(said.partings()[0].drifting.as_deref(), Some("one"));
    assert_eq!(said.lacks(), []);
    // On the mean `other` is nearer, but not at each time.
    let nearest = said.nearest().unwrap();
    assert_eq!((nearest.first.as_str(), nearest.is_shown), ("other", false));
    let steady = FloatReadings { name: "steady".to_owned(), ..other.clone() };
    assert_eq!(compare(&[other, steady], &samples, at(200.0)).partings(), []);
}
