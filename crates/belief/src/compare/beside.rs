//! One float beside another in the same beer, and a float beside hand samples.

use super::figure::Figure;
use super::line::{Line, Weighed, weigh};
use super::noise::{LASTS, Noise, goes_on};
use super::robust::mean;
use super::series::Series;

/// So many blocks are needed for a difference with an uncertainty.
const BLOCKS: usize = 4;
/// A block counts that has at least this share of its readings.
const FILLED: f64 = 0.25;
/// Samples that lie no farther apart than this, in h, show no drift.
const DRIFT_HOURS: f64 = 24.0;
/// No hand sample is surer than this, in points.
const SAMPLE_SD: f64 = 0.1;

/// How one course lies beside another.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Beside {
    /// The first less the second, in points: the mean over their common time.
    pub apart: Option<Figure>,
    /// How that grows, in points a day.
    pub drift: Option<Figure>,
    /// How many readings or samples were compared.
    pub compared: usize,
}

/// A person's sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    /// In h.
    pub time: f64,
    /// In points above 1.000.
    pub points: f64,
    /// Its standard deviation, in points.
    pub sd: f64,
}

/// The first float less the second: each reading of the one that reads less often, less the course
/// of the other at that time, so that the beer's fall drops out.
///
/// What floats err by lasts for hours and goes with day and night. So differences are joined to the
/// means of whole days (half days where they ran for less than five, quarters for less than two),
/// and a line goes through these: the method of block means. Its errors are widened by what a
/// wander of [`LASTS`] hours carries from one block to the next; Newey and West's are taken where
/// they are larger; Student's t has as many degrees as there are blocks less two.
pub(super) fn floats(first: &Series, second: &Series) -> Beside {
    let (Some(one), Some(other)) = (first.usual, second.usual) else { return Beside::default() };
    // Of two with one rhythm, which a clock in each makes a little unlike, the shorter one.
    let minutes = |hours: f64| (hours * 60.0).round() as i64;
    let rank = |usual, series: &Series| (-minutes(usual), series.times.len());
    let is_first = rank(one, first) <= rank(other, second);
    let (seldom, often, sign) = if is_first { (first, second, 1.0) } else { (second, first, -1.0) };
    let apart: Vec<(f64, f64)> = seldom
        .ordinary(0..seldom.times.len())
        .filter_map(|(time, points)| Some((time, sign * (points - often.level_at(time)?.points))))
        .collect();
    let compared = apart.len();
    let usual = seldom.usual.unwrap_or(f64::INFINITY);
    let length = block_hours(&apart);
    let (times, values): (Vec<f64>, Vec<f64>) =
        block_means(&apart, length, usual).into_iter().unzip();
    if times.len() < BLOCKS {
        return Beside { compared, ..Beside::default() };
    }
    let days: Vec<f64> = times.iter().map(|time| time / 24.0).collect();
    let line = Line::fit(&days, &values);
    let (drift, apart) = line.map_or((None, None), |line| line.figures(goes_on(length)));
    Beside { apart, drift, compared }
}

/// The float less the samples, in points, at the samples that have readings around them.
///
/// A difference errs by the sample, by the quick noise that is left in the float's course there,
/// and by the float's wander, which two samples share that are taken within hours.
pub(super) fn samples(series: &Series, noise: &Noise, samples: &[Sample]) -> Beside {
    let (Some(quick), Some(lasting)) = (noise.quick, noise.lasting()) else {
        return Beside::default();
    };
    let seen: Vec<(Sample, f64, f64)> = samples
        .iter()
        .filter_map(|sample| {
            let level = series.level_at(sample.time)?;
            let own = sample.sd.max(SAMPLE_SD).powi(2) + level.share * quick.value;
            Some((*sample, level.points - sample.points, own))
        })
        .collect();
    let covariance: Vec<Vec<f64>> = (0..seen.len())
        .map(|row| {
            (0..seen.len())
                .map(|column| {
                    let hours = (seen[row].0.time - seen[column].0.time).abs();
                    let own = if row == column { seen[row].2 } else { 0.0 };
                    own + lasting * (-hours / LASTS).exp()
                })
                .collect()
        })
        .collect();
    let days: Vec<f64> = seen.iter().map(|(sample, ..)| sample.time / 24.0).collect();
    let apart: Vec<f64> = seen.iter().map(|(_, apart, _)| *apart).collect();
    let compared = seen.len();
    let Some(Weighed { mean, slope }) = weigh(&days, &apart, &covariance) else {
        return Beside { compared, ..Beside::default() };
    };
    let first = days.iter().copied().fold(f64::INFINITY, f64::min);
    let last = days.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let drift = slope.filter(|_| (last - first) * 24.0 >= DRIFT_HOURS);
    Beside { apart: mean, drift, compared }
}

/// The length of the blocks, in h.
fn block_hours(values: &[(f64, f64)]) -> f64 {
    let hours =
        values.first().zip(values.last()).map_or(0.0, |((first, _), (last, _))| last - first);
    match hours / 24.0 {
        days if days >= 5.0 => 24.0,
        days if days >= 2.0 => 12.0,
        _ => 6.0,
    }
}

/// The means of blocks, each with the mean of its times; blocks that are mostly empty are left out.
fn block_means(values: &[(f64, f64)], length: f64, usual: f64) -> Vec<(f64, f64)> {
    let Some((first, _)) = values.first() else { return Vec::new() };
    let number = |time: f64| ((time - first) / length) as i64;
    values
        .chunk_by(|(one, _), (other, _)| number(*one) == number(*other))
        .filter(|block| block.len() as f64 >= FILLED * length / usual)
        .map(|block| {
            let (times, values): (Vec<f64>, Vec<f64>) = block.iter().copied().unzip();
            (mean(&times), mean(&values))
        })
        .collect()
}
