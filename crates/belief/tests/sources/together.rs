//! Several floats in one vessel: one that misbehaves is doubted and left out, the rest goes on.

use crate::cellar::{Cellar, Member, at, beer, error, floats};
use belief::{Belief, Doubt, GravityReading, Kind, Missing};
use plant::float::{Episode, Step};
use quantity::Span;

const SEEDS: u64 = 10;

fn span(hours: f64) -> Span {
    Span::from_hours_f64(hours)
}

/// Who was doubted, without who comes first.
fn doubted(cellar: &Cellar) -> Vec<&'static str> {
    let mut names: Vec<&str> = cellar.doubts.iter().map(|(name, ..)| *name).collect();
    names.sort_unstable();
    names.dedup();
    names
}

/// Runs batches in which one of several floats was spoilt; each in turn is that one.
fn spoilt(
    count: usize,
    noise: f64,
    spoil: impl Fn(&mut Member),
    mut look: impl FnMut(&mut Cellar, &'static str),
) {
    for seed in 0..SEEDS {
        let mut members = floats(count, 15, noise);
        let guilty = seed as usize % count;
        spoil(&mut members[guilty]);
        let name = members[guilty].name;
        let mut cellar = Cellar::new(seed, members);
        look(&mut cellar, name);
    }
}

/// Noises of 0.5, 1 and 2 points in turn, ten days, a reading every half hour.
#[test]
fn healthy_floats_are_not_doubted_and_what_is_believed_keeps_its_word() {
    const BATCHES: u64 = 100;
    for count in 1..=3 {
        let (mut false_doubts, mut early, mut shown) = (0, 0, 0);
        let (mut squares, mut far, mut asked) = (0.0, 0, 0);
        let (mut offset_far, mut offsets) = (0, 0);
        for seed in 0..BATCHES {
            let noise = [0.5, 1.0, 2.0][seed as usize % 3];
            let mut cellar = Cellar::new(1000 + seed, floats(count, 30, noise));
            for day in 1..=10 {
                cellar.until(24.0 * f64::from(day));
                let error = cellar.error();
                squares += error * error;
                far += usize::from(error.abs() > 3.0);
                asked += 1;
            }
            false_doubts += usize::from(!cellar.doubts.is_empty());
            early += cellar.early();
            shown += cellar.shown.iter().flatten().count();
            for (name, true_offset) in
                [("one", 1.0), ("two", -2.0), ("three", 3.0)].iter().take(count)
            {
                let offset = cellar.report(name).offset.expect("an offset");
                offset_far += usize::from((offset.value - true_offset).abs() > 3.0 * offset.sd);
                offsets += 1;
            }
        }
        let rms = (squares / asked as f64).sqrt();
        println!(
            "{count} floats: {false_doubts} of {BATCHES} batches with a false doubt; error rms \
             {rms:.2} sd, {far} of {asked} beyond 3; {early} of {shown} milestones over 1 h early; \
             {offset_far} of {offsets} offsets beyond 3 sd"
        );
        assert!(false_doubts <= 2, "{count}: {false_doubts}");
        assert!(rms < 1.15 && far * 200 <= asked, "{count}: rms {rms}, {far} of {asked}");
        assert!(early * 50 <= shown, "{count}: {early} of {shown}");
        assert!(offset_far * 100 <= offsets, "{count}: {offset_far} of {offsets}");
    }
}

/// Two floats know sooner than one, and a bad one does not spoil a good one, whichever was first.
#[test]
fn a_second_float_helps_and_a_noisy_one_does_no_harm() {
    let delay = |noises: &[f64]| {
        let mut delays = Vec::new();
        for seed in 0..20 {
            let mut members = floats(noises.len(), 15, 1.0);
            for (member, noise) in members.iter_mut().zip(noises) {
                *member = Member::new(member.name, 15, *noise, 0.0);
            }
            let mut cellar = Cellar::new(seed, members);
            cellar.until(120.0);
            let shown = cellar.shown[2..7].iter().map(|shown| shown.expect("shown by then"));
            delays.push(shown.sum::<f64>() / 5.0);
        }
        delays.iter().sum::<f64>() / delays.len() as f64
    };
    let (one, two, three) = (delay(&[2.0]), delay(&[2.0, 2.0]), delay(&[2.0, 2.0, 2.0]));
    assert!(two < one - 0.5 && three < one - 0.5, "{one} {two} {three}");
    let good = delay(&[0.5]);
    for mixed in [delay(&[0.5, 2.0]), delay(&[2.0, 0.5])] {
        assert!(mixed < good + 0.3, "{good} {mixed}");
    }
}

#[test]
fn a_float_that_sticks_for_half_a_day_is_left_out_and_comes_back() {
    for count in [2, 3] {
        let spoil = |member: &mut Member| {
            let (from, until) = (span(36.0), span(48.0));
            member.setup.sticks = vec![Episode { from, until }];
        };
        spoilt(count, 1.0, spoil, |cellar, name| {
            cellar.until(47.5);
            let (seen, doubt) = cellar.doubts_of(name)[0];
            // What it repeats may be an outlier: then it has stepped first.
            let doubt = if matches!(doubt, Doubt::Stuck { .. }) {
                doubt
            } else {
                cellar.doubts_of(name)[1].1
            };
            assert!(matches!(doubt, Doubt::Stuck { .. }) && seen < 43.0, "{seen} {doubt:?}");
            assert!(cellar.missing().is_none() && cellar.error().abs() < 3.0, "{}", cellar.error());
            cellar.until(54.0);
            assert_eq!(cellar.doubt(name), None, "it moves again");
            cellar.until(240.0);
            assert_eq!(doubted(cellar), [name]);
            assert!(cellar.early() == 0 && cellar.error().abs() < 3.0, "{}", cellar.error());
        });
    }
}

#[test]
fn a_float_that_steps_is_told_apart_from_the_beer() {
    for (count, noise, points, hours) in
        [(2, 1.0, 6.0, 40.0), (2, 1.0, -6.0, 40.0), (2, 0.5, -6.0, 120.0), (3, 1.0, 6.0, 120.0)]
    {
        let spoil = |member: &mut Member| {
            member.setup.steps = vec![Step { at: span(hours), points }];
        };
        spoilt(count, noise, spoil, |cellar, name| {
            cellar.until(hours + 3.0);
            let first = cellar.doubts_of(name).first().copied();
            let Some((seen, Doubt::Stepped { points: by, .. })) = first else {
                panic!("{first:?}")
            };
            assert!(seen < hours + 2.0 && (by - points).abs() < 2.0, "{seen} {by}");
            assert!(cellar.missing().is_none() && cellar.error().abs() < 3.0, "{}", cellar.error());
            // Half a day later it is trusted again, with another zero.
            cellar.until(hours + 14.0);
            assert_eq!(cellar.doubt(name), None);
            cellar.until(hours + 60.0);
            let offset = cellar.report(name).offset.expect("an offset");
            let set = floats(count, 15, noise)
                .iter()
                .find(|m| m.name == name)
                .unwrap()
                .setup
                .offset_points;
            assert!((offset.value - set - points).abs() < 3.0 * offset.sd, "{offset:?} {set}");
            assert_eq!(doubted(cellar), [name]);
            assert!(cellar.early() == 0, "{:?}", cellar.shown);
        });
    }
}

#[test]
fn of_three_floats_the_one_that_drifts_is_doubted_and_the_others_go_on() {
    for (noise, drift, within) in [(0.5, 0.7, 170.0), (1.0, -0.7, 240.0), (1.0, 0.7, 240.0)] {
        let mut late = 0;
        let spoil = |member: &mut Member| member.setup.drift_points_per_day = drift;
        spoilt(3, noise, spoil, |cellar, name| {
            cellar.until(within);
            late += usize::from(cellar.doubts.is_empty());
            cellar.until(300.0);
            let (_, doubt) = cellar.doubts_of(name)[0];
            let Doubt::Drifts { points_per_day } = doubt else { panic!("{doubt:?}") };
            assert!(points_per_day * drift > 0.0, "{points_per_day}");
            assert_eq!(doubted(cellar), [name]);
            assert!(cellar.missing().is_none() && cellar.error().abs() < 3.0, "{}", cellar.error());
        });
        assert!(late <= 1, "{noise} {drift}: {late} not within {within} h");
    }
}

#[test]
fn of_two_that_disagree_neither_is_trusted_until_a_sample() {
    for (noise, drift) in [(0.5, 0.7), (0.5, -0.7), (1.0, 0.7)] {
        let spoil = |member: &mut Member| member.setup.drift_points_per_day = drift;
        spoilt(2, noise, spoil, |cellar, name| {
            let mut hours = 6.0;
            cellar.until(hours);
            while cellar.doubts.is_empty() {
                assert!(hours < 240.0 && cellar.missing().is_none(), "{noise} {drift}: {hours}");
                hours += 6.0;
                cellar.until(hours);
            }
            assert_eq!(doubted(cellar), ["one", "two"]);
            assert_eq!(cellar.missing(), Some(Missing::NoTrustedSource));
            cellar.until(hours + 12.0);
            assert_eq!(cellar.missing(), Some(Missing::NoTrustedSource), "time settles nothing");
            cellar.sample(0.5);
            assert_eq!(cellar.missing(), None);
            assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
            // The healthy one is trusted at once, the other at the latest half a day later.
            let healthy = if name == "one" { "two" } else { "one" };
            assert_eq!(cellar.doubt(healthy), None, "{:?}", cellar.doubts);
            cellar.until(hours + 25.0);
            assert_eq!((cellar.doubt(name), cellar.missing()), (None, None));
            assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
        });
    }
}

#[test]
fn when_one_falls_silent_the_other_leads_without_a_step() {
    for count in [2, 3] {
        let spoil = |member: &mut Member| {
            member.setup.silences = vec![Episode { from: span(44.0), until: span(10_000.0) }];
        };
        let (mut stable, mut early) = (0, 0);
        spoilt(count, 1.0, spoil, |cellar, _| {
            cellar.until(43.9);
            let mut last = cellar.belief.estimate().unwrap().sg.value;
            cellar.watch_until(80.0, |_, belief| {
                let now = belief.estimate().unwrap().sg.value;
                assert!((now - last).abs() < 2e-3, "{last} {now}");
                last = now;
            });
            assert_eq!(cellar.missing(), None);
            cellar.until(300.0);
            assert_eq!(cellar.doubts, []);
            assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
            assert!(cellar.left_when_stable().is_none_or(|left| left < 1.0));
            early += cellar.early();
            stable += usize::from(cellar.stable.is_some());
        });
        assert!(stable * 2 >= SEEDS as usize && early <= 2, "{count}: {stable} {early}");
    }
}

#[test]
fn a_float_that_joins_in_mid_batch_learns_its_place_and_moves_nothing() {
    let mut early = 0;
    for seed in 0..SEEDS {
        let mut members = floats(2, 15, 1.0);
        (members[1].from, members[1].setup.offset_points) = (48.0, 3.0);
        let mut cellar = Cellar::new(seed, members);
        // The same first float without the second.
        let mut alone = Cellar::new(seed, floats(1, 15, 1.0));
        cellar.until(49.0);
        alone.until(49.0);
        let sg = |cellar: &Cellar| cellar.belief.estimate().unwrap().sg.value;
        // Its offset is larger than most: it pulls, within what is said to be unsure.
        let unsure = alone.belief.estimate().unwrap().sg.sd;
        assert!((sg(&cellar) - sg(&alone)).abs() < unsure, "{} {}", sg(&cellar), sg(&alone));
        cellar.until(96.0);
        let offset = |name: &str| cellar.report(name).offset.unwrap();
        let (one, two) = (offset("one"), offset("two"));
        assert!((two.value - one.value - 2.0).abs() < 1.5, "{one:?} {two:?}");
        assert!((two.value - 3.0).abs() < 3.0 * two.sd, "{two:?}");
        assert_eq!(cellar.doubts, []);
        assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
        early += cellar.early();
    }
    assert!(early <= 2, "{early}");
}

#[test]
fn a_float_that_joined_late_carries_on_alone() {
    let mut early = 0;
    for seed in 0..SEEDS {
        let mut members = floats(2, 15, 1.0);
        members[1].from = 30.0;
        members[0].setup.silences = vec![Episode { from: span(52.0), until: span(10_000.0) }];
        let mut cellar = Cellar::new(seed, members);
        cellar.until(300.0);
        assert_eq!((cellar.missing(), cellar.doubts.len()), (None, 0));
        assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
        assert!(cellar.left_when_stable().is_none_or(|left| left < 1.0));
        early += cellar.early();
    }
    assert!(early <= 2, "{early}");
}

#[test]
fn a_float_that_is_exchanged_is_another_one_and_a_sample_sets_both() {
    for seed in 0..SEEDS {
        let mut members = floats(2, 15, 1.0);
        members[1].setup.silences = vec![Episode { from: span(70.0), until: span(72.0) }];
        members[1].setup.steps = vec![Step { at: span(71.0), points: 9.0 }];
        let mut cellar = Cellar::new(seed, members);
        cellar.until(76.0);
        let doubt = cellar.doubt("two");
        assert!(matches!(doubt, Some(Doubt::Stepped { points, .. }) if points > 6.0), "{doubt:?}");
        let before: Vec<f64> =
            ["one", "two"].iter().map(|name| cellar.report(name).offset.unwrap().sd).collect();
        cellar.sample(0.3);
        for (name, (true_offset, before)) in
            ["one", "two"].iter().zip([1.0, 7.0].iter().zip(before))
        {
            let offset = cellar.report(name).offset.unwrap();
            assert!(offset.sd < 0.9 * before, "{name}: {before} {offset:?}");
            assert!((offset.value - true_offset).abs() < 3.5 * offset.sd, "{name}: {offset:?}");
        }
        cellar.until(160.0);
        assert_eq!(doubted(&cellar), ["two"]);
        assert!(cellar.error().abs() < 3.0, "{}", cellar.error());
    }
}

#[test]
fn floats_of_different_rhythms_share_one_beer() {
    for seed in 0..SEEDS {
        let mut members = floats(3, 15, 1.0);
        members[1].setup.every = Span::from_mins(60);
        members[2].setup.every = Span::from_mins(240);
        let mut cellar = Cellar::new(seed, members);
        let mut far = 0;
        cellar.watch_until(300.0, |hours, belief| {
            far += usize::from(hours > 24.0 && error(belief, hours).abs() > 3.5);
        });
        assert_eq!((far, doubted(&cellar).len(), cellar.early()), (0, 0, 0), "{seed}");
    }
}

#[test]
fn a_stored_belief_of_several_floats_goes_on_bit_for_bit() {
    let mut members = floats(3, 30, 1.0);
    members[0].setup.drift_points_per_day = 1.2;
    members[1].setup.steps = vec![Step { at: span(40.0), points: 6.0 }];
    members[2].setup.sticks = vec![Episode { from: span(30.0), until: span(36.0) }];
    let mut cellar = Cellar::new(2, members);
    for hours in [2.0, 33.0, 41.0, 45.0, 90.0, 130.0, 200.0] {
        cellar.until(hours);
        let json = serde_json::to_string(&cellar.belief).unwrap();
        assert!(json.len() < 200_000, "{hours}: {} B", json.len());
        let mut other: Belief = serde_json::from_str(&json).unwrap();
        let mut one = cellar.belief.clone();
        assert_eq!(one, other);
        for step in 1..40 {
            let time = hours + f64::from(step) * 0.25;
            let (source, kind) = match step % 4 {
                0 => ("one", Kind::Float),
                1 => ("two", Kind::Float),
                2 => ("three", Kind::Float),
                _ => ("hand", Kind::Hand { sd_points: 1.0 }),
            };
            let gravity = beer(time) + 3.0 * (time * 1.7).sin();
            for belief in [&mut one, &mut other] {
                belief.take(&GravityReading {
                    at: at(time),
                    source: source.to_owned(),
                    kind,
                    sg: 1.0 + gravity * 1e-3,
                    temperature: None,
                });
            }
        }
        let json = |belief: &Belief| serde_json::to_string(belief).unwrap();
        assert_eq!(json(&one), json(&other), "{hours}");
    }
    assert!(doubted(&cellar).contains(&"one"), "{:?}", cellar.doubts);
}
