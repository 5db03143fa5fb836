//! Floats compared with hand samples and with each other: bias, noise, drift, outliers, gaps and
//! battery, each with its uncertainty.
//!
//! Gravities are points above 1.000 of 0.001 SG, as calibrated and corrected for temperature. What
//! is not known is `None`, never 0. What all floats and all samples have wrong together, such as a
//! hydrometer that reads too high, nothing here can show.

mod battery;
mod beside;
mod choice;
mod figure;
pub mod line;
mod noise;
pub mod robust;
mod series;

pub use battery::{Battery, DaysLeft};
pub use choice::{Lack, Parting, Ranked};
pub use figure::Figure;

use beside::{Beside, Sample};
use figure::Variance;
use noise::Noise;
use quantity::{Span, Stamp};
use series::{GAP, Series, hours};

/// What a float said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FloatReadings {
    /// Its name.
    pub name: String,
    /// Its gravities in points above 1.000, in any order.
    pub gravities: Vec<(Stamp, f64)>,
    /// Its charges in percent, in any order.
    pub charges: Vec<(Stamp, f64)>,
}

/// A person's sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HandSample {
    /// When it was taken.
    pub at: Stamp,
    /// In points above 1.000.
    pub points: f64,
    /// Its standard deviation, in points.
    pub sd_points: f64,
}

/// Floats compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Each float, in the order given.
    pub floats: Vec<FloatReport>,
    /// Each two of them.
    pub pairs: Vec<PairReport>,
    /// How many samples there were.
    pub samples: usize,
}

/// What is known of one float.
#[derive(Debug, Clone, PartialEq)]
pub struct FloatReport {
    /// Its name.
    pub name: String,
    /// How many gravities it gave.
    pub readings: usize,
    /// The times of its first and its last one.
    pub span: Option<(Stamp, Stamp)>,
    /// Its last one, in points above 1.000.
    pub last_points: Option<f64>,
    /// The usual time between two.
    pub interval: Option<Span>,
    /// It less the hand samples, in points: the mean over the samples.
    pub bias_to_samples: Option<Figure>,
    /// How that grows, in points a day.
    pub drift_to_samples: Option<Figure>,
    /// How many samples had readings around them.
    pub samples: usize,
    /// It less the other floats, in points: the mean over them and the time.
    pub bias_to_floats: Option<Figure>,
    /// How that grows, in points a day.
    pub drift_to_floats: Option<Figure>,
    /// Standard deviation of a reading beside its neighbours, in points.
    pub quick_noise: Option<Figure>,
    /// Standard deviation of what lasts for hours, in points.
    pub slow_noise: Option<Figure>,
    /// Its outliers.
    pub outliers: Option<Outliers>,
    /// Its gaps.
    pub gaps: Option<Gaps>,
    /// How often it stuck; `None` where no other float ran beside it.
    pub sticking: Option<Sticking>,
    /// Its battery.
    pub battery: Option<Battery>,
}

/// Two floats in one beer.
#[derive(Debug, Clone, PartialEq)]
pub struct PairReport {
    /// Their names.
    pub names: [String; 2],
    /// The first less the second, in points: the mean over their common time.
    pub apart: Option<Figure>,
    /// How that grows, in points a day.
    pub drift: Option<Figure>,
    /// How many readings of the one that reads less often were compared.
    pub compared: usize,
}

/// Readings far off their own float's course: by Hampel's identifier, 3.5 robust standard
/// deviations (at least 3.5 · 0.3 points) from a repeated median line through the neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outliers {
    /// How many.
    pub count: usize,
    /// Of so many that could be judged.
    pub judged: usize,
    /// The share, 0 to 1.
    pub share: Figure,
}

/// Times of more than three usual intervals without a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gaps {
    /// How many, the last one with them if it is still open.
    pub count: usize,
    /// The longest time between two readings.
    pub longest: Span,
    /// The share of the time since the first reading that was covered, 0 to 1.
    pub covered: f64,
    /// For how long it has been silent at the end, if that is a gap.
    pub silent: Option<Span>,
}

/// Runs of six or more equal readings over three hours or more in which another float moved by
/// more than three points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sticking {
    /// How many.
    pub count: usize,
    /// The longest.
    pub longest: Span,
}

/// Compares floats with each other and with samples; `until` is when the watching ended.
pub fn compare(floats: &[FloatReadings], samples: &[HandSample], until: Stamp) -> Comparison {
    let stamps = floats.iter().flat_map(|float| &float.gravities).map(|(at, _)| *at);
    let origin = stamps.chain(samples.iter().map(|sample| sample.at)).min().unwrap_or(until);
    let all: Vec<Series> =
        floats.iter().map(|float| Series::new(&float.gravities, origin)).collect();
    let mut samples: Vec<Sample> = samples
        .iter()
        .filter(|sample| sample.points.is_finite() && sample.sd_points.is_finite())
        .map(|sample| Sample {
            time: hours(sample.at, origin),
            points: sample.points,
            sd: sample.sd_points,
        })
        .collect();
    samples.sort_by(|one, other| one.time.total_cmp(&other.time));
    let mut pairs = Vec::new();
    for (index, first) in all.iter().enumerate() {
        for (other, second) in all.iter().enumerate().skip(index + 1) {
            let Beside { apart, drift, compared } = beside::floats(first, second);
            let names = [floats[index].name.clone(), floats[other].name.clone()];
            pairs.push(PairReport { names, apart, drift, compared });
        }
    }
    let reports = floats.iter().zip(&all).enumerate().map(|(index, (float, series))| {
        let others: Vec<&Series> =
            all.iter().enumerate().filter(|(other, _)| *other != index).map(|(_, s)| s).collect();
        report(float, series, &samples, &pairs, &others, (origin, until))
    });
    Comparison { floats: reports.collect(), pairs, samples: samples.len() }
}

fn report(
    float: &FloatReadings,
    series: &Series,
    samples: &[Sample],
    pairs: &[PairReport],
    others: &[&Series],
    (origin, until): (Stamp, Stamp),
) -> FloatReport {
    let noise = Noise::of(series);
    let to_samples = beside::samples(series, &noise, samples);
    let at = |hours: f64| origin + Span::from_hours_f64(hours);
    let ends = series.times.first().zip(series.times.last());
    let outlying = series.outlying.iter().filter(|outlying| **outlying).count();
    let outliers = Figure::share(outlying, series.judged);
    FloatReport {
        name: float.name.clone(),
        readings: series.times.len(),
        span: ends.map(|(first, last)| (at(*first), at(*last))),
        last_points: series.points.last().copied(),
        interval: series.usual.map(Span::from_hours_f64),
        bias_to_samples: to_samples.apart,
        drift_to_samples: to_samples.drift,
        samples: to_samples.compared,
        bias_to_floats: beside_all(&float.name, pairs, |pair| pair.apart),
        drift_to_floats: beside_all(&float.name, pairs, |pair| pair.drift),
        quick_noise: noise.quick.and_then(Variance::root),
        slow_noise: noise.slow,
        outliers: outliers.map(|share| Outliers { count: outlying, judged: series.judged, share }),
        gaps: gaps(series, hours(until, origin)),
        sticking: sticking(series, others),
        battery: Battery::of(&float.charges),
    }
}

/// A float less the others: the mean of its pairs, seen from its side.
fn beside_all(
    name: &str,
    pairs: &[PairReport],
    figure: fn(&PairReport) -> Option<Figure>,
) -> Option<Figure> {
    let seen = pairs.iter().filter_map(|pair| match &pair.names {
        [first, _] if first == name => figure(pair),
        [_, second] if second == name => figure(pair).map(Figure::negative),
        _ => None,
    });
    Figure::mean(&seen.collect::<Vec<_>>())
}

fn gaps(series: &Series, until: f64) -> Option<Gaps> {
    let (usual, first, last) = (series.usual?, *series.times.first()?, *series.times.last()?);
    let end = until.max(last);
    let mut longest: f64 = 0.0;
    let (mut count, mut missed) = (0, 0.0);
    for between in series.times.windows(2).map(|pair| pair[1] - pair[0]).chain([end - last]) {
        longest = longest.max(between);
        if between > GAP * usual {
            count += 1;
            missed += between - usual;
        }
    }
    let silent = (end - last > GAP * usual).then(|| Span::from_hours_f64(end - last));
    let covered = if end > first { 1.0 - missed / (end - first) } else { 1.0 };
    Some(Gaps { count, longest: Span::from_hours_f64(longest), covered, silent })
}

fn sticking(series: &Series, others: &[&Series]) -> Option<Sticking> {
    const READINGS: usize = 6;
    const HOURS: f64 = 3.0;
    const MOVED: f64 = 3.0;
    if !others.iter().any(|other| other.usual.is_some()) {
        return None;
    }
    let moved = |from: f64, to: f64| {
        others.iter().any(|other| {
            let levels = other.level_at(from).zip(other.level_at(to));
            levels.is_some_and(|(before, after)| (before.points - after.points).abs() > MOVED)
        })
    };
    let (mut count, mut longest, mut start) = (0, 0.0f64, 0);
    for run in series.points.chunk_by(|one, other| one == other) {
        let (from, to) = (series.times[start], series.times[start + run.len() - 1]);
        if run.len() >= READINGS && to - from >= HOURS && moved(from, to) {
            count += 1;
            longest = longest.max(to - from);
        }
        start += run.len();
    }
    Some(Sticking { count, longest: Span::from_hours_f64(longest) })
}
