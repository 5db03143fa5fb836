//! Runs the batches of one cell and prints its line.

use crate::Plan;
use crate::beer::{Batch, Ending, FINAL, Float, Logistic, ORIGINAL, Reading, Wear};
use crate::goals::{Figures, Goal};
use barmkeep_tests::yardstick::windows;
use belief::{Belief, Care, Expectation, Expected, GravityReading, Kind, Original};
use quantity::{GravityDelta, Share, Span, Stamp, Temperature, plato_from_sg};
use std::time::Instant;

const PITCHED: Stamp = Stamp::from_millis(1_772_000_000_000);
const CONFIDENCE: f64 = 0.95;

/// One rule's outcome in one batch.
#[derive(Debug, Clone, Copy, Default)]
struct Outcome {
    /// Hours after the true one-point time; `None` if it was never declared.
    delay: Option<f64>,
    /// Points left then.
    left: f64,
    /// Error of the final gravity that was reported, in points.
    error: f64,
    /// The same as the float reads it.
    frame: f64,
    /// It was called a stall instead.
    stalled: bool,
}

/// The head of a table of `stable`.
pub fn stable_head() {
    println!(
        "{:<18} {:<6} {:>5} {:>5} {:>6} {:>5} {:>5} {:>5} {:>11} {:>6} {:>6}  goals",
        "noise, tail",
        "rule",
        "never",
        "stall",
        "left95",
        ">1 %",
        ">1.5%",
        ">2 %",
        "delay 50/95",
        "FG rms",
        "frame"
    );
}

/// One cell: both rules of the program, the reference rule, and three daily readings alike.
pub fn stable(plan: &Plan, name: &str, ending: Ending, float: &Float) {
    let outcomes = in_parallel(plan, |seed| {
        let batch = Batch::new(seed, ending, float, 400.0);
        let one_left = ending.one_left();
        let believed = believe(&batch, one_left);
        if plan.alone {
            return believed.to_vec();
        }
        vec![believed[0], believed[1], reference(&batch, one_left), naive(&batch, one_left)]
    });
    let titles = ["safe", "quick", "R", "3 days"];
    for (rule, title) in titles.into_iter().take(outcomes[0].len()).enumerate() {
        let column: Vec<Outcome> = outcomes.iter().map(|outcome| outcome[rule]).collect();
        let ours = rule < 2;
        let goal = if ours { Goal::of(ending, float, rule == 1) } else { Goal::default() };
        line(if rule == 0 { name } else { "" }, title, &column, &goal);
    }
}

fn line(name: &str, title: &str, outcomes: &[Outcome], goal: &Goal) {
    let share = |test: &dyn Fn(&Outcome) -> bool| {
        100.0 * outcomes.iter().filter(|outcome| test(outcome)).count() as f64
            / outcomes.len() as f64
    };
    let declared: Vec<&Outcome> =
        outcomes.iter().filter(|outcome| outcome.delay.is_some()).collect();
    let mut left: Vec<f64> = declared.iter().map(|outcome| outcome.left).collect();
    let mut delays: Vec<f64> = declared.iter().filter_map(|outcome| outcome.delay).collect();
    let rms = |error: &dyn Fn(&Outcome) -> f64| {
        let squares: f64 = declared.iter().map(|outcome| error(outcome).powi(2)).sum();
        (squares / declared.len().max(1) as f64).sqrt()
    };
    let more_than = |points| share(&|outcome| outcome.delay.is_some() && outcome.left > points);
    let figures = Figures {
        never: share(&|outcome| outcome.delay.is_none() && !outcome.stalled),
        delay: percentile(&mut delays, 0.5),
        over_one: more_than(1.0),
        over_one_and_half: more_than(1.5),
        left95: percentile(&mut left, 0.95),
        error: rms(&|outcome| outcome.frame),
        called: share(&|outcome| outcome.delay.is_some()),
    };
    println!(
        "{name:<18} {title:<6} {:>5.1} {:>5.1} {:>6.2} {:>5.1} {:>5.1} {:>5.1} {:>5.0}/{:>5.0} \
         {:>6.2} {:>6.2}  {}",
        figures.never,
        share(&|outcome| outcome.stalled),
        figures.left95,
        figures.over_one,
        figures.over_one_and_half,
        more_than(2.0),
        figures.delay,
        percentile(&mut delays, 0.95),
        rms(&|outcome| outcome.error),
        figures.error,
        goal.verdict(&figures),
    );
}

fn percentile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    if values.is_empty() {
        return f64::NAN;
    }
    let place = share * (values.len() - 1) as f64;
    let low = place.floor() as usize;
    let high = (low + 1).min(values.len() - 1);
    values[low] + (values[high] - values[low]) * (place - low as f64)
}

/// Runs `runs` batches on two threads; the order of results is that of the seeds.
fn in_parallel<T: Send>(plan: &Plan, run: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let seeds: Vec<u64> = (0..plan.runs).map(|index| plan.seed * 1_000_003 + index).collect();
    let mut results: Vec<(u64, T)> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..threads)
            .map(|thread| {
                let (seeds, run) = (&seeds, &run);
                scope.spawn(move || {
                    let mine = seeds.iter().filter(|seed| *seed % threads == thread);
                    mine.map(|seed| (*seed, run(*seed))).collect::<Vec<_>>()
                })
            })
            .collect();
        handles.into_iter().flat_map(|handle| handle.join().expect("a run")).collect()
    });
    results.sort_by_key(|(seed, _)| *seed);
    results.into_iter().map(|(_, result)| result).collect()
}

/// The belief of a batch whose float's offset is unknown and whose original gravity was sampled.
fn pitched(original_sd: f64, expected: f64) -> Belief {
    let original = Original::Sampled { sg: 1.0 + ORIGINAL * 1e-3, sd_points: original_sd };
    let end = Expected { sg: 1.0 + expected * 1e-3, sd_points: 3.0 };
    Belief::new(PITCHED, Expectation { original, final_sg: Some(end) })
}

fn at(hours: f64) -> Stamp {
    PITCHED + Span::from_hours_f64(hours)
}

fn take(belief: &mut Belief, reading: &Reading) {
    let temperature = Temperature::from_celsius(reading.celsius);
    belief.take(&GravityReading {
        at: at(reading.hours),
        source: "float".to_owned(),
        kind: Kind::Float,
        sg: 1.0 + reading.points * 1e-3,
        temperature,
    });
}

fn believe(batch: &Batch, one_left: f64) -> [Outcome; 2] {
    let mut belief = pitched(1.0, batch.expected);
    let mut outcomes = [Outcome::default(); 2];
    for reading in &batch.readings {
        take(&mut belief, reading);
        if reading.hours < batch.tail {
            continue;
        }
        for (outcome, care) in outcomes.iter_mut().zip([Care::Safe, Care::Quick]) {
            if outcome.delay.is_some() {
                continue;
            }
            let within = GravityDelta::Points(1.0);
            let said = belief.stable(within, Span::from_hours(48), CONFIDENCE, care);
            outcome.stalled |= said.stalled;
            if said.answer == Some(true) {
                let end = belief.final_gravity().map_or(f64::NAN, |end| end.value);
                let error = (end - 1.0) * 1e3 - FINAL;
                let offset = belief.sources()[0].offset.map_or(f64::NAN, |offset| offset.value);
                *outcome = Outcome {
                    delay: Some(reading.hours - one_left),
                    left: batch.ending.left(reading.hours),
                    error,
                    frame: error + offset - batch.offset,
                    stalled: false,
                };
            }
        }
        if outcomes.iter().all(|outcome| outcome.delay.is_some()) {
            break;
        }
    }
    outcomes
}

/// The reference rule, from the beginning of the tail on as in the study.
fn reference(batch: &Batch, one_left: f64) -> Outcome {
    let tail: Vec<&Reading> =
        batch.readings.iter().filter(|reading| reading.hours >= batch.tail).collect();
    let t: Vec<f64> = tail.iter().map(|reading| reading.hours - batch.tail).collect();
    let y: Vec<f64> = tail.iter().map(|reading| reading.points * 1e-3).collect();
    let run = windows::run(&t, &y, true);
    run.declared.map_or_else(Outcome::default, |hour| {
        let hours = batch.tail + hour as f64;
        let error = run.final_sg.map_or(f64::NAN, |sg| sg * 1e3) - FINAL;
        Outcome {
            delay: Some(hours - one_left),
            left: batch.ending.left(hours),
            error,
            frame: error - batch.offset,
            stalled: false,
        }
    })
}

/// Common practice, no source: three readings, a day apart each, within one point.
fn naive(batch: &Batch, one_left: f64) -> Outcome {
    let mut days: Vec<(f64, f64)> = Vec::new();
    for reading in batch.readings.iter().filter(|reading| reading.hours >= batch.tail) {
        if days.last().is_none_or(|(last, _)| reading.hours - last >= 24.0 - 1e-9) {
            days.push((reading.hours, reading.points));
        }
    }
    for three in days.windows(3) {
        let points = three.iter().map(|(_, points)| *points);
        let high = points.clone().fold(f64::MIN, f64::max);
        if high - points.fold(f64::MAX, f64::min) <= 1.0 + 1e-9 {
            let (hours, last) = three[2];
            return Outcome {
                delay: Some(hours - one_left),
                left: batch.ending.left(hours),
                error: last - FINAL,
                frame: last - FINAL - batch.offset,
                stalled: false,
            };
        }
    }
    Outcome::default()
}

/// The head of the table of half attenuation.
pub fn milestone_head() {
    println!(
        "{:<24} {:>6} {:>11} {:>7} {:>7}  goals",
        "noise, min, points/d", "known", "delay 50/95", "early", ">1 h"
    );
}

/// One cell of half attenuation; `known`: the original gravity and the float's zero are known well.
pub fn milestone(plan: &Plan, noise: f64, minutes: f64, rate: f64, known: bool) {
    let offset_sd = if known { 0.0 } else { 2.0 };
    let float = Float { noise, wear: Wear::Study, minutes, offset_sd };
    let curve = Logistic::new(rate);
    let truth = half(&curve);
    let mut delays: Vec<f64> = in_parallel(plan, |seed| {
        let mut belief = pitched(if known { 0.1 } else { 1.0 }, FINAL);
        let half = Share::from_fraction(0.5).expect("a share");
        for reading in curve.readings(seed, &float) {
            take(&mut belief, &reading);
            let shown = belief.attenuation(half).probability;
            if shown.is_some_and(|shown| shown >= CONFIDENCE) {
                return reading.hours - truth;
            }
        }
        f64::INFINITY
    });
    let share = |test: &dyn Fn(f64) -> bool| {
        100.0 * delays.iter().filter(|delay| test(**delay)).count() as f64 / delays.len() as f64
    };
    let (early, hour) = (share(&|delay| delay < 0.0), share(&|delay| delay < -1.0));
    let median = percentile(&mut delays, 0.5);
    let asked = [(0.5, 1.4), (1.0, 2.3), (2.0, 4.2)]
        .into_iter()
        .find(|(of, _)| known && *of == noise && minutes == 15.0 && rate == 17.0);
    let verdict = asked.map_or("", |(_, most)| {
        let holds = median < most + 0.05 && early <= 8.0;
        if holds { "holds" } else { "misses" }
    });
    println!(
        "{:<24} {:>6} {median:>5.1}/{:>5.1} {early:>6.1}% {hour:>6.1}%  {verdict}",
        format!("{noise}, {minutes}, {rate}"),
        if known { "yes" } else { "no" },
        percentile(&mut delays, 0.95),
    );
}

/// When half the original extract is gone, in h.
fn half(curve: &Logistic) -> f64 {
    let wanted = 0.5 * plato_from_sg(1.0 + ORIGINAL * 1e-3);
    let mut hours = 0.0;
    while plato_from_sg(1.0 + curve.points(hours) * 1e-3) > wanted {
        hours += 0.01;
    }
    hours
}

/// Time a reading, with the question whether the end is reached, and the size of the stored state,
/// over a year of readings.
pub fn cost(plan: &Plan) {
    println!(
        "Cost of a reading and its question, and the state as JSON (goals: 50 us, about 30 kB)"
    );
    for (name, minutes, hours) in [("21 d", 15.0, 504.0), ("1 year", 60.0, 8760.0)] {
        let float = Float { noise: 1.0, wear: Wear::Study, minutes, offset_sd: 1.0 };
        let batch = Batch::new(plan.seed, Ending::Plain(48.0), &float, hours);
        let mut belief = pitched(1.0, batch.expected);
        let mut largest = 0;
        let mut spent: Vec<f64> = Vec::new();
        for (index, reading) in batch.readings.iter().enumerate() {
            let start = Instant::now();
            take(&mut belief, reading);
            let within = GravityDelta::Points(1.0);
            let said = belief.stable(within, Span::from_hours(48), CONFIDENCE, Care::Quick);
            std::hint::black_box(said);
            spent.push(start.elapsed().as_secs_f64() * 1e6);
            if index % 24 == 0 {
                let json = serde_json::to_string(&belief).expect("a belief is storable");
                largest = largest.max(json.len());
            }
        }
        let json = serde_json::to_string(&belief).expect("a belief is storable");
        // Where other programs took the processor, a reading's time is theirs.
        let (count, mean) = (spent.len(), spent.iter().sum::<f64>() / spent.len() as f64);
        println!(
            "{name}: {count} readings, {mean:.1} us each, median {:.1}, 99 % under {:.1}; JSON at \
             most {largest} B, {} B at the end",
            percentile(&mut spent, 0.5),
            percentile(&mut spent, 0.99),
            json.len(),
        );
    }
}
