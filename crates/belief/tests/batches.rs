//! Whole batches through the room's one door: real brews by hand, floats in clean and odd beers.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use belief::{
    Belief, Care, Doubt, Expectation, Expected, GravityReading, Kind, Lacking, Missing, Original,
    Refusal, StableJudgement, Taken,
};
use quantity::{
    Gravity, GravityDelta, GravityRate, Share, Span, Stamp, Temperature, sg_from_plato,
};

const CONFIDENCE: f64 = 0.95;

fn pitched() -> Stamp {
    Stamp::parse_rfc3339("2026-03-01T12:00:00Z").unwrap()
}

fn at(hours: f64) -> Stamp {
    pitched() + Span::from_hours_f64(hours)
}

fn points(points: f64) -> f64 {
    1.0 + points * 1e-3
}

fn expectation(original: f64, end: f64) -> Expectation {
    Expectation {
        original: Original::Sampled { sg: points(original), sd_points: 1.0 },
        final_sg: Some(Expected { sg: points(end), sd_points: 3.0 }),
    }
}

fn reading(hours: f64, source: &str, kind: Kind, gravity: f64) -> GravityReading {
    GravityReading {
        at: at(hours),
        source: source.to_owned(),
        kind,
        sg: points(gravity),
        temperature: Temperature::from_celsius(18.0),
    }
}

/// Noise without chance: sums of sines with no common period, of about this standard deviation.
fn noise(hours: f64, size: f64) -> f64 {
    size * ((hours * 5.1).sin() + (hours * 13.7).sin() + (hours * 1.3).sin()) / 1.22
}

/// 50 points, falling from 12 h on at 17 a day, the last 12 with a time constant of 24 h to 10.
fn beer(hours: f64) -> f64 {
    let (fall, tail) = (12.0, 12.0 + 28.0 * 24.0 / 17.0);
    if hours < fall {
        50.0
    } else if hours < tail {
        50.0 - (hours - fall) * 17.0 / 24.0
    } else {
        10.0 + 12.0 * (-(hours - tail) / 24.0).exp()
    }
}

/// A float of noise 0.5 every half hour over this span of hours; the beer as given.
fn float(belief: &mut Belief, from: f64, until: f64, beer: impl Fn(f64) -> f64) {
    let mut hours = from;
    while hours < until {
        let gravity = beer(hours) + noise(hours, 0.5);
        belief.take(&reading(hours, "float", Kind::Float, gravity));
        hours += 0.5;
    }
}

fn stable(belief: &Belief, care: Care) -> StableJudgement {
    belief.stable(GravityDelta::Points(1.0), Span::from_hours(48), CONFIDENCE, care)
}

fn half() -> Share {
    Share::from_fraction(0.5).unwrap()
}

/// Two real brews of a craft brewery, hand readings of apparent extract in °P, March 2017:
/// camlf/academic-hub, commit d19f17fe81, Apache-2.0.
#[test]
fn half_attenuation_of_two_real_brews() {
    let brew_a = [
        ("2017-03-23T21:30:00Z", 12.1),
        ("2017-03-24T00:10:00Z", 11.6),
        ("2017-03-24T03:00:00Z", 11.0),
        ("2017-03-24T14:10:00Z", 8.4),
        ("2017-03-25T00:20:00Z", 5.7),
        ("2017-03-25T12:10:00Z", 3.8),
    ];
    let brew_b = [
        ("2017-03-18T12:30:00Z", 14.2),
        ("2017-03-18T18:00:00Z", 12.7),
        ("2017-03-19T00:50:00Z", 11.6),
        ("2017-03-19T13:00:00Z", 8.6),
        ("2017-03-20T01:00:00Z", 5.9),
        ("2017-03-20T14:20:00Z", 5.0),
    ];
    // As floats they are less trusted than as samples; both must do.
    for kind in [Kind::Float, Kind::Hand { sd_points: 1.0 }] {
        for (original, start, readings) in
            [(13.5155, "2017-03-23T11:10:00Z", &brew_a), (14.6819, "2017-03-18T08:00:00Z", &brew_b)]
        {
            let declared = half_of(original, start, readings, kind);
            let before = Stamp::parse_rfc3339(readings[3].0).unwrap();
            let shows = Stamp::parse_rfc3339(readings[4].0).unwrap();
            assert!(
                declared > before && declared <= shows + Span::from_hours(12),
                "{kind:?} {original}: {}",
                declared.rfc3339()
            );
        }
    }
}

/// When half attenuation is declared, asked every ten minutes.
fn half_of(original: f64, start: &str, readings: &[(&str, f64)], kind: Kind) -> Stamp {
    let mut now = Stamp::parse_rfc3339(start).unwrap();
    let sg = sg_from_plato(original);
    let expectation =
        Expectation { original: Original::Sampled { sg, sd_points: 1.0 }, final_sg: None };
    let mut belief = Belief::new(now, expectation);
    let mut left = readings.iter().peekable();
    for _ in 0..1000 {
        now = now + Span::from_mins(10);
        while let Some((time, plato)) =
            left.next_if(|(time, _)| Stamp::parse_rfc3339(time).unwrap() <= now)
        {
            let taken = belief.take(&GravityReading {
                at: Stamp::parse_rfc3339(time).unwrap(),
                source: "hand".to_owned(),
                kind,
                sg: sg_from_plato(*plato),
                temperature: None,
            });
            assert_eq!(taken, Taken::Believed, "{time}");
        }
        belief.advance(now);
        if belief.attenuation(half()).probability.is_some_and(|shown| shown >= CONFIDENCE) {
            return now;
        }
    }
    panic!("never declared");
}

#[test]
fn nothing_is_said_before_the_first_reading() {
    let belief = Belief::new(pitched(), expectation(50.0, 10.0));
    assert!(belief.estimate().is_none());
    let judgement = belief.attenuation(half());
    assert_eq!((judgement.probability, judgement.missing), (None, Some(Missing::NoReading)));
    let judgement = stable(&belief, Care::Quick);
    assert_eq!(judgement.answer, None);
    assert_eq!(judgement.lacking, [Lacking::Missing(Missing::NoReading)]);
}

#[test]
fn a_batch_goes_through_its_milestones() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 8.0, beer);
    assert!(belief.begun().probability.unwrap() < CONFIDENCE);
    assert!(belief.fallen(GravityDelta::Points(5.0)).probability.unwrap() < 0.01);
    float(&mut belief, 8.0, 30.0, beer);
    assert!(belief.begun().probability.unwrap() >= CONFIDENCE);
    assert!(belief.attenuation(half()).probability.unwrap() < 0.05);
    let slow = GravityRate::Points(5.0);
    assert!(belief.slower_than(slow).probability.unwrap() < 0.05);
    float(&mut belief, 30.0, 60.0, beer);
    let judgement = belief.attenuation(half());
    assert!(judgement.probability.unwrap() > CONFIDENCE, "{judgement:?}");
    assert!((judgement.value.unwrap().value - 0.67).abs() < 0.06, "{judgement:?}");
    let shown = belief.share_shown(true, CONFIDENCE).unwrap();
    assert!(shown > 0.5 && shown < judgement.value.unwrap().value, "{shown}");
    assert_eq!(stable(&belief, Care::Quick).answer, Some(false));
    float(&mut belief, 60.0, 240.0, beer);
    assert!(belief.above_final(GravityDelta::Points(4.0)).probability.unwrap() > CONFIDENCE);
    assert!(belief.at_or_below(Gravity::from_sg(1.014).unwrap()).probability.unwrap() > CONFIDENCE);
    assert!(belief.slower_than(slow).probability.unwrap() > CONFIDENCE);
    assert!(belief.progress(half()).probability.unwrap() > CONFIDENCE);
    for care in [Care::Quick, Care::Safe] {
        let judgement = stable(&belief, care);
        assert_eq!(judgement.answer, Some(true), "{judgement:?}");
        assert!(judgement.left_upper.unwrap() < 1.0, "{judgement:?}");
    }
    let end = belief.final_gravity().unwrap();
    assert!((end.value - 1.010).abs() < 0.002, "{end:?}");
}

#[test]
fn the_end_is_not_called_while_points_are_left() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    let mut hours = 0.0;
    while beer(hours) > 11.5 {
        float(&mut belief, hours, hours + 0.5, beer);
        assert_ne!(stable(&belief, Care::Quick).answer, Some(true), "{hours}");
        assert_ne!(stable(&belief, Care::Safe).answer, Some(true), "{hours}");
        hours += 0.5;
    }
}

#[test]
fn a_stop_far_above_the_end_is_stalled_and_never_final() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    let stalled = |hours: f64| beer(hours).max(17.0);
    let mut said = false;
    for step in 0..300 {
        let hours = f64::from(step);
        float(&mut belief, hours, hours + 1.0, stalled);
        for care in [Care::Quick, Care::Safe] {
            let judgement = stable(&belief, care);
            assert_ne!(judgement.answer, Some(true), "{hours}");
            said |= judgement.stalled;
        }
    }
    assert!(said, "a stall is said");
    // A person who knows better says so.
    belief.expect(expectation(50.0, 16.0));
    float(&mut belief, 300.0, 310.0, stalled);
    assert_eq!(stable(&belief, Care::Safe).answer, Some(true));
}

#[test]
fn a_moving_temperature_is_no_time_for_an_end() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 240.0, beer);
    assert_eq!(stable(&belief, Care::Safe).answer, Some(true));
    for step in 0..240 {
        let hours = 240.0 + f64::from(step) * 0.1;
        let celsius = 18.0 + 0.1 * f64::from(step) * 0.1;
        belief.take_temperature(at(hours), Temperature::from_celsius(celsius).unwrap());
    }
    float(&mut belief, 264.0, 266.0, beer);
    let judgement = stable(&belief, Care::Safe);
    assert_eq!(judgement.answer, Some(false), "{judgement:?}");
    assert!(
        judgement.lacking.iter().any(|lacking| matches!(lacking, Lacking::TemperatureMoved { .. })),
        "{judgement:?}"
    );
}

#[test]
fn a_long_gap_makes_everything_unknown() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 40.0, beer);
    let before = belief.estimate().unwrap();
    belief.advance(at(44.0));
    let after = belief.estimate().unwrap();
    assert!(after.sg.sd > 1.2 * before.sg.sd, "{before:?} {after:?}");
    assert!(belief.attenuation(half()).probability.is_some());
    belief.advance(at(46.0));
    assert!(matches!(belief.attenuation(half()).missing, Some(Missing::Gap { .. })));
    assert_eq!(stable(&belief, Care::Quick).answer, None);
    // An instant that lies before changes nothing.
    belief.advance(at(1.0));
    assert!(belief.attenuation(half()).probability.is_none());
}

#[test]
fn a_daily_sample_comes_to_an_end_but_one_alone_never_does() {
    let hand = Kind::Hand { sd_points: 0.5 };
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    let mut declared = None;
    for step in 0..60 {
        let hours = 12.0 * f64::from(step);
        belief.take(&reading(hours, "hand", hand, beer(hours) + noise(hours, 0.2)));
        for minutes in 0..72 {
            let now = hours + f64::from(minutes) / 6.0;
            belief.take_temperature(at(now), Temperature::from_celsius(18.0).unwrap());
        }
        if declared.is_none() && stable(&belief, Care::Quick).answer == Some(true) {
            declared = Some(hours);
        }
    }
    let declared = declared.expect("declared in 30 days");
    assert!(beer(declared) < 11.0, "{declared}");

    let mut alone = Belief::new(pitched(), expectation(50.0, 10.0));
    alone.take(&reading(300.0, "hand", hand, 10.0));
    assert_ne!(stable(&alone, Care::Quick).answer, Some(true));
}

#[test]
fn readings_every_ten_seconds_are_joined() {
    let mut fast = Belief::new(pitched(), expectation(50.0, 10.0));
    let mut slow = fast.clone();
    for second in 0..8640 {
        let hours = f64::from(second) / 360.0;
        let reading = reading(hours, "float", Kind::Float, beer(hours) + noise(hours, 0.5));
        fast.take(&reading);
        if second % 30 == 0 {
            slow.take(&reading);
        }
    }
    let (fast, slow) = (fast.estimate().unwrap(), slow.estimate().unwrap());
    assert!((fast.sg.value - slow.sg.value).abs() < 1e-3, "{fast:?} {slow:?}");
    assert!((fast.sg.sd / slow.sg.sd - 1.0).abs() < 0.5, "{fast:?} {slow:?}");
}

#[test]
fn impossible_and_old_readings_are_refused() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    let refused = |taken: Taken| match taken {
        Taken::Refused(refusal) => refusal,
        other => panic!("{other:?}"),
    };
    for gravity in [-30.0, 200.0, f64::NAN, f64::INFINITY] {
        let taken = belief.take(&reading(1.0, "float", Kind::Float, gravity));
        assert!(matches!(refused(taken), Refusal::Implausible { .. }), "{gravity}");
    }
    let mut early = reading(0.0, "float", Kind::Float, 50.0);
    early.at = pitched() - Span::from_hours(1);
    let taken = belief.take(&early);
    assert!(matches!(refused(taken), Refusal::BeforePitch { .. }));
    assert_eq!(belief.take(&reading(2.0, "float", Kind::Float, 50.0)), Taken::Believed);
    for hours in [2.0, 1.5] {
        let taken = belief.take(&reading(hours, "float", Kind::Float, 50.0));
        assert_eq!(refused(taken), Refusal::NotNewer { last: at(2.0) });
    }
    assert!(belief.estimate().unwrap().sg.value.is_finite());
}

#[test]
fn an_outlier_is_called_one_and_moves_little() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 10.0, beer);
    let before = belief.estimate().unwrap();
    let taken = belief.take(&reading(10.2, "float", Kind::Float, 65.0));
    assert!(matches!(taken, Taken::Outlying { .. }), "{taken:?}");
    let after = belief.estimate().unwrap();
    assert!((after.sg.value - before.sg.value).abs() < 5e-4, "{before:?} {after:?}");
}

#[test]
fn a_sample_sets_the_offset_of_a_float() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 10.0, |hours| beer(hours) + 3.0);
    let offset = belief.sources()[0].offset.unwrap();
    assert!((offset.value - 2.7).abs() < 0.6 && offset.sd < 1.3, "{offset:?}");
    let estimate = belief.estimate().unwrap();
    assert!((estimate.sg.value - 1.050).abs() < 1e-3, "{estimate:?}");
    belief.take(&reading(10.1, "hand", Kind::Hand { sd_points: 0.3 }, 50.0));
    let sharper = belief.sources()[0].offset.unwrap();
    assert!(sharper.sd < 0.6 * offset.sd, "{offset:?} {sharper:?}");
}

#[test]
fn an_expected_original_leaves_the_fall_to_speak() {
    // The recipe says 53, the float reads 47: what counts is that it fell by 30 from where it was.
    let expected = Original::Expected { sg: 1.053, sd_points: 3.0 };
    let end = Some(Expected { sg: 1.010, sd_points: 3.0 });
    let mut belief = Belief::new(pitched(), Expectation { original: expected, final_sg: end });
    float(&mut belief, 0.0, 52.0, |hours| beer(hours) - 3.0);
    let fallen = belief.fallen(GravityDelta::Points(25.0));
    assert!((fallen.value.unwrap().value - 28.0).abs() < 1.5, "{fallen:?}");
    assert!(fallen.probability.unwrap() > CONFIDENCE);
    let original = belief.original().unwrap();
    assert!(original.value > 1.047 && original.value < 1.053, "{original:?}");
}

#[test]
fn a_measured_original_waits_for_settled_readings() {
    let measured = Expectation { original: Original::Measured, ..expectation(50.0, 10.0) };
    let mut belief = Belief::new(pitched(), measured);
    belief.take(&reading(0.5, "float", Kind::Float, 50.0));
    assert!(belief.original().is_none());
    assert_eq!(belief.attenuation(half()).missing, Some(Missing::OriginalNotSettled));
    float(&mut belief, 1.0, 10.0, beer);
    let original = belief.original().expect("settled");
    assert!((original.value - 1.050).abs() < 1.5e-3, "{original:?}");

    let mut late = Belief::new(pitched(), measured);
    for step in 0..3 {
        let hours = 30.0 + f64::from(step) * 12.0;
        late.take(&reading(hours, "float", Kind::Float, beer(hours)));
    }
    assert!(late.original().is_none());
    assert_eq!(late.attenuation(half()).missing, Some(Missing::OriginalMissed));
}

#[test]
fn a_stored_belief_goes_on_bit_for_bit() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    for break_at in [0.0, 3.0, 30.0, 70.0, 120.0] {
        let mut one = belief.clone();
        let json = serde_json::to_string(&belief).unwrap();
        assert!(json.len() < 32_000, "{break_at}: {} B", json.len());
        let mut other: Belief = serde_json::from_str(&json).unwrap();
        assert_eq!(one, other, "{break_at}");
        float(&mut one, break_at + 0.1, break_at + 10.0, beer);
        float(&mut other, break_at + 0.1, break_at + 10.0, beer);
        assert_eq!(serde_json::to_string(&one).unwrap(), serde_json::to_string(&other).unwrap());
        float(&mut belief, break_at, break_at + 60.0, beer);
        belief = belief_until(break_at);
    }
}

fn belief_until(hours: f64) -> Belief {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, hours, beer);
    belief
}

#[test]
fn a_float_that_jumps_is_doubted_and_not_believed_to_ferment() {
    for jump in [8.0, -8.0] {
        let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
        float(&mut belief, 0.0, 36.0, beer);
        float(&mut belief, 36.0, 42.0, |hours| beer(hours) + jump);
        let doubt = belief.sources()[0].doubt;
        assert!(
            matches!(doubt, Some(Doubt::Stepped { points, .. }) if points * jump > 0.0),
            "{doubt:?}"
        );
        let fallen = belief.fallen(GravityDelta::Points(1.0)).value.unwrap().value;
        assert!((fallen - (50.0 - beer(42.0))).abs() < 3.5, "{jump}: {fallen}");
    }
}

#[test]
fn a_float_that_sticks_is_doubted() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    float(&mut belief, 0.0, 30.0, beer);
    let stuck = beer(30.0);
    for step in 0..20 {
        let hours = 30.0 + f64::from(step) * 0.5;
        belief.take(&reading(hours, "float", Kind::Float, stuck));
    }
    let doubt = belief.sources()[0].doubt;
    assert!(matches!(doubt, Some(Doubt::Stuck { .. })), "{doubt:?}");
}

#[test]
fn two_floats_share_one_beer() {
    let mut belief = Belief::new(pitched(), expectation(50.0, 10.0));
    let mut hours = 0.0;
    while hours < 60.0 {
        belief.take(&reading(hours, "one", Kind::Float, beer(hours) + noise(hours, 0.5)));
        let other = beer(hours) + 4.0 + noise(hours + 500.0, 0.5);
        belief.take(&reading(hours + 0.1, "two", Kind::Float, other));
        hours += 0.5;
    }
    let sources = belief.sources();
    let offset = |index: usize| sources[index].offset.unwrap().value;
    assert!((offset(1) - offset(0) - 4.0).abs() < 0.8, "{} {}", offset(0), offset(1));
    assert!(sources.iter().all(|source| source.doubt.is_none()), "{sources:?}");
    // When one falls silent, no step appears.
    let before = belief.estimate().unwrap().sg.value;
    belief.take(&reading(60.0, "two", Kind::Float, beer(60.0) + 4.0));
    let after = belief.estimate().unwrap().sg.value;
    assert!((before - after).abs() < 1e-3, "{before} {after}");
}
