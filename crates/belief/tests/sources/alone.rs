//! One float alone: what no beer can do is doubted, and is not read as fermentation or its end.

use crate::cellar::{Cellar, FINAL, Member, beer, floats};
use belief::Doubt;
use plant::float::{Episode, Step};
use quantity::Span;

const SEEDS: u64 = 12;

fn stepped(seed: u64, minutes: i64, noise: f64, step: (f64, f64)) -> Cellar {
    let mut float = Member::new("float", minutes, noise, 1.0);
    let (hours, points) = step;
    float.setup.steps = vec![Step { at: Span::from_hours_f64(hours), points }];
    Cellar::new(seed, vec![float])
}

fn step_of(doubt: Option<Doubt>) -> Option<f64> {
    match doubt {
        Some(Doubt::Stepped { points, .. }) => Some(points),
        _ => None,
    }
}

/// When a step was first doubted, in h after it.
fn step_seen(cellar: &Cellar, hours: f64) -> Option<f64> {
    let mut doubts = cellar.doubts_of("float").into_iter();
    doubts.find(|(_, doubt)| step_of(Some(*doubt)).is_some()).map(|(time, _)| time - hours)
}

/// Tenths of attenuation shown over an hour early, of all that were shown, in batches until 260 h.
struct Outcome {
    early: usize,
    shown: usize,
    seen: Vec<Option<f64>>,
    stable: usize,
    stable_early: usize,
    far: usize,
}

fn run(minutes: i64, noise: f64, step: (f64, f64)) -> Outcome {
    let mut outcome =
        Outcome { early: 0, shown: 0, seen: Vec::new(), stable: 0, stable_early: 0, far: 0 };
    for seed in 0..SEEDS {
        let mut cellar = stepped(seed, minutes, noise, step);
        cellar.until(step.0 + 24.0);
        outcome.far += usize::from(cellar.error().abs() > 3.0);
        cellar.until(260.0);
        outcome.early += cellar.early();
        outcome.shown += cellar.shown.iter().flatten().count();
        outcome.seen.push(step_seen(&cellar, step.0));
        outcome.stable += usize::from(cellar.stable.is_some());
        outcome.stable_early +=
            usize::from(cellar.left_when_stable().is_some_and(|left| left > 1.0));
    }
    outcome
}

#[test]
fn a_step_up_by_krausen_is_doubted_and_no_milestone_waits_for_ever() {
    for (noise, points) in [(0.5, 4.0), (0.5, 15.0), (1.0, 8.0), (1.0, 15.0)] {
        let Outcome { early, shown, seen, stable, stable_early, far } =
            run(15, noise, (30.0, points));
        let about = format!("{noise} {points}: {early} of {shown}, {seen:?}, {stable}");
        assert!(seen.iter().all(|seen| seen.is_some_and(|hours| hours < 4.0)), "{about}");
        assert!(early <= 2 && far == 0, "{about} far {far}");
        // 50 to 70 % are reached, whatever the float's zero has become.
        assert!(shown >= 6 * SEEDS as usize, "{about}");
        assert!(stable >= SEEDS as usize / 2 && stable_early == 0, "{about}");
    }
}

#[test]
fn a_step_down_at_once_is_doubted_and_not_taken_for_fermentation() {
    // At 60 h the beer falls by 0.43 points an hour, at 100 h by 0.08.
    for (noise, hours) in [(0.5, 60.0), (1.0, 60.0), (0.5, 100.0), (1.0, 100.0)] {
        let Outcome { early, shown, seen, stable, stable_early, far } =
            run(15, noise, (hours, -5.0));
        let about = format!("{noise} {hours}: {early} of {shown}, {seen:?}, {stable}");
        let quickly = seen.iter().filter(|seen| seen.is_some_and(|hours| hours < 4.0)).count();
        assert!(quickly + 1 >= SEEDS as usize, "{about}");
        assert!(early <= 2 && far <= 1, "{about} far {far}");
        assert!(stable >= SEEDS as usize / 2 && stable_early == 0, "{about}");
    }
}

#[test]
fn a_step_of_a_float_that_reads_hourly_is_doubted_within_half_a_day() {
    for points in [8.0, -8.0] {
        let Outcome { early, seen, far, .. } = run(60, 1.0, (30.0, points));
        let quickly = seen.iter().filter(|seen| seen.is_some_and(|hours| hours < 14.0)).count();
        assert!(quickly + 1 >= SEEDS as usize, "{points}: {seen:?}");
        assert!(early <= 3 && far <= 1, "{points}: {early} early, {far} far");
    }
}

#[test]
fn a_float_that_stepped_is_trusted_again_after_half_a_day_of_other_readings() {
    let mut cellar = stepped(3, 15, 0.5, (60.0, 8.0));
    cellar.until(70.0);
    let points = step_of(cellar.doubt("float")).expect("it stepped");
    assert!((points - 8.0).abs() < 1.5, "{points}");
    // Its zero is about where it was put, not as well known as before.
    let offset = cellar.report("float").offset.expect("an offset");
    assert!((offset.value - 9.0).abs() < 2.5 * offset.sd && offset.sd > 0.4, "{offset:?}");
    cellar.until(74.0);
    assert_eq!(cellar.doubt("float"), None);
    assert!(cellar.error().abs() < 2.5, "{}", cellar.error());
}

/// 6 K up in a day and back in another, two days later; the float reads 0.2 points/K wrongly.
#[test]
fn what_a_float_reads_wrongly_for_warmth_is_not_taken_for_fermentation() {
    let early_day = |hours: f64| {
        18.0 + 6.0 * ((hours - 24.0) / 24.0).clamp(0.0, 1.0)
            - 6.0 * ((hours - 72.0) / 24.0).clamp(0.0, 1.0)
    };
    let at_its_end = |hours: f64| {
        18.0 + 6.0 * ((hours - 110.0) / 24.0).clamp(0.0, 1.0)
            - 6.0 * ((hours - 160.0) / 24.0).clamp(0.0, 1.0)
    };
    for (course, noise, per_kelvin) in [
        (early_day as fn(f64) -> f64, 0.5, 0.2),
        (early_day, 0.5, -0.2),
        (early_day, 1.0, -0.2),
        (at_its_end, 0.5, 0.2),
        (at_its_end, 0.5, -0.2),
    ] {
        let (mut early, mut stable, mut far) = (0, 0, 0);
        for seed in 0..SEEDS {
            let float = Member::new("float", 15, noise, 1.0);
            let mut cellar = Cellar::new(seed, vec![float]).warmed(course, per_kelvin);
            for hours in [60.0, 100.0, 150.0, 340.0] {
                cellar.until(hours);
                far += usize::from(cellar.error().abs() > 3.0);
            }
            early += cellar.early();
            assert_eq!(cellar.doubts, [], "warmth is no step");
            assert!(cellar.left_when_stable().is_none_or(|left| left < 1.0), "{seed}");
            stable += usize::from(cellar.stable.is_some());
        }
        let about = format!("{noise} {per_kelvin}: {early} early, {stable} stable, {far} far");
        assert!(early <= 5 && far == 0, "{about}");
        assert!(stable >= SEEDS as usize / 2, "{about}");
    }
}

#[test]
fn a_coarse_float_at_its_end_does_not_stick() {
    for (noise, seed) in [(0.35, 1), (0.35, 2), (0.5, 3)] {
        let mut float = Member::new("float", 60, noise, 0.0);
        float.setup.noise.rounding_points = 1.0;
        float.setup.noise.outlier_share = 0.0;
        let mut cellar = Cellar::new(seed, vec![float]);
        cellar.until(300.0);
        assert_eq!(cellar.doubts, [], "{seed}");
        assert!(cellar.left_when_stable().is_none_or(|left| left < 1.0), "{:?}", cellar.stable);
    }
}

#[test]
fn a_float_that_sticks_leaves_everything_unknown_until_it_is_free() {
    let mut float = Member::new("float", 30, 1.0, 1.0);
    let (from, until) = (Span::from_hours(36), Span::from_hours(48));
    float.setup.sticks = vec![Episode { from, until }];
    let mut cellar = Cellar::new(4, vec![float]);
    cellar.until(36.0);
    assert_eq!(cellar.missing(), None);
    cellar.until(47.0);
    let mut doubts = cellar.doubts_of("float").into_iter();
    let stuck = doubts.find(|(_, doubt)| matches!(doubt, Doubt::Stuck { .. }));
    assert!(stuck.is_some_and(|(seen, _)| seen < 42.5), "{:?}", cellar.doubts);
    assert_eq!(cellar.missing(), Some(belief::Missing::NoTrustedSource));
    cellar.until(52.0);
    assert_eq!((cellar.doubt("float"), cellar.missing()), (None, None));
    assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
}

#[test]
fn a_sample_far_from_the_float_is_believed_when_a_second_one_agrees() {
    let drifted = |seed| {
        let mut float = Member::new("float", 60, 0.5, 0.0);
        float.setup.drift_points_per_day = 1.0;
        Cellar::new(seed, vec![float])
    };
    for seed in 0..6 {
        let mut cellar = drifted(seed);
        cellar.until(200.0);
        assert!(cellar.error() > 3.0, "alone it cannot know: {}", cellar.error());
        cellar.sample_reads(beer(200.0), 0.5);
        cellar.until(203.0);
        cellar.sample_reads(beer(203.0), 0.5);
        let error = 1e3 * (cellar.belief.estimate().unwrap().sg.value - 1.0) - beer(203.0);
        assert!(error.abs() < 1.5, "{seed}: {error}");
        let doubt = cellar.doubt("float");
        assert!(matches!(doubt, Some(Doubt::Disagrees { points }) if points > 3.0), "{doubt:?}");
        // It is set by them and goes on.
        cellar.until(220.0);
        assert_eq!((cellar.doubt("float"), cellar.missing()), (None, None));
        assert!(cellar.error().abs() < 3.0, "{seed}: {}", cellar.error());
    }
}

#[test]
fn a_slip_of_the_pen_is_put_right_by_the_next_sample() {
    for seed in 0..6 {
        let mut cellar = Cellar::new(seed, floats(1, 30, 0.5));
        cellar.until(120.0);
        cellar.sample_reads(FINAL + 30.0, 0.5);
        cellar.until(121.0);
        cellar.sample_reads(beer(121.0), 0.5);
        cellar.until(124.0);
        assert!(cellar.error().abs() < 3.0, "{seed}: {}", cellar.error());
        assert_eq!(cellar.doubts, [], "{seed}");
    }
}
