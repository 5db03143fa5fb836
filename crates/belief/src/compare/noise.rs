//! How far a float's readings scatter: from one to the next, and over hours.

use super::figure::{Figure, Variance};
use super::line::lasting_square;
use super::robust::{MAD_TO_SD, mean, median};
use super::series::Series;

/// Slow wander is taken to last for so many hours: noise of a process that is down to 1/e then. One
/// of 2.5 or of 9 h makes the answer a quarter too large or too small. A choice.
pub(super) const LASTS: f64 = 5.0;
/// How far that choice may be off, as a factor.
const LASTS_FACTOR: f64 = 1.25;
/// The least length of the blocks whose means wander, in h …
const BLOCK_HOURS: f64 = 3.0;
/// … and in readings.
const BLOCK_READINGS: f64 = 4.0;
/// Readings that come more seldom than this, in h, do not tell wander from noise.
const SELDOM: f64 = 1.5;
/// With fewer values a variance is not known.
const FEWEST: usize = 10;

/// How far readings scatter about a smooth course.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Noise {
    /// Variance of a single reading beside its neighbours, in points².
    pub quick: Option<Variance>,
    /// Standard deviation of what lasts for hours, in points.
    pub slow: Option<Figure>,
}

impl Noise {
    /// Of a float's readings.
    pub fn of(series: &Series) -> Self {
        let quick = quick(series);
        let slow = quick.and_then(|quick| slow(series, quick));
        Noise { quick, slow }
    }

    /// Variance of what lasts, in points², for those who are to be wary of it: where it is not
    /// known, it is taken to be as large as the quick noise's.
    pub fn lasting(&self) -> Option<f64> {
        let quick = self.quick?.value;
        Some(self.slow.map_or(quick, |slow| slow.value.max(0.5 * slow.high).powi(2)))
    }
}

/// From four readings in a row: how far the second lies off the parabola through the others, so
/// that no fall which is a parabola over four readings makes it larger (the residuals of Gasser,
/// Sroka and Jennen-Steinmetz 1986, of one order more).
fn quick(series: &Series) -> Option<Variance> {
    let mut apart = Vec::new();
    for part in &series.parts {
        let ordinary: Vec<(f64, f64)> = series.ordinary(part.clone()).collect();
        for four in ordinary.windows(4) {
            let [before, (at, points), after, last] = [four[0], four[1], four[2], four[3]];
            // Lagrange's weights of the parabola through the others.
            let weight = |of: f64, one: f64, other: f64| {
                (at - one) * (at - other) / ((of - one) * (of - other))
            };
            let weights = [
                weight(before.0, after.0, last.0),
                weight(after.0, before.0, last.0),
                weight(last.0, before.0, after.0),
            ];
            let course: f64 =
                weights.iter().zip([before, after, last]).map(|(w, (_, points))| w * points).sum();
            let size = 1.0 + weights.iter().map(|w| w * w).sum::<f64>();
            apart.push((points - course) / size.sqrt());
        }
    }
    let lags = (apart.len() as f64).cbrt() as usize;
    clipped(&apart, lags.max(4))
}

/// From four means in a row: their third difference, which no fall makes larger that is a parabola
/// over four blocks (the Hadamard variance of clocks, here of third order), less what the quick
/// noise leaves in a mean, as a process that lasts [`LASTS`] hours would have it.
fn slow(series: &Series, quick: Variance) -> Option<Figure> {
    let usual = series.usual.filter(|usual| *usual <= SELDOM)?;
    let length = BLOCK_HOURS.max(BLOCK_READINGS * usual);
    let blocks = blocks(series, length, usual);
    let mut differences = Vec::new();
    for four in blocks.windows(4) {
        let [Some(a), Some(b), Some(c), Some(d)] = [four[0], four[1], four[2], four[3]] else {
            continue;
        };
        differences.push((d.mean - 3.0 * c.mean + 3.0 * b.mean - a.mean) / 20f64.sqrt());
    }
    let variance = clipped(&differences, 6)?;
    let counts: Vec<f64> = blocks.iter().flatten().map(|block| 1.0 / block.count as f64).collect();
    let of_quick = quick.value * mean(&counts);
    let seen = third_difference(length / LASTS);
    let wander = |variance: f64| ((variance - of_quick).max(0.0) / seen).sqrt();
    let (low, high) = variance.interval()?;
    Figure::between(wander(variance.value), wander(low) / LASTS_FACTOR, wander(high) * LASTS_FACTOR)
}

#[derive(Debug, Clone, Copy)]
struct Block {
    mean: f64,
    count: usize,
}

/// The means of blocks of this length, each brought to its middle by the fall around it; `None`
/// where less than half of its readings are there.
fn blocks(series: &Series, length: f64, usual: f64) -> Vec<Option<Block>> {
    let (Some(first), Some(last)) = (series.times.first(), series.times.last()) else {
        return Vec::new();
    };
    let whole = ((last - first) / length) as usize;
    let block = |number: usize| {
        let from = first + number as f64 * length;
        let (middle, end) = (from + 0.5 * length, from + length);
        let ours = series.within(from, end);
        let ours = series.ordinary(ours).filter(|(time, _)| *time < end);
        let (times, points): (Vec<f64>, Vec<f64>) = ours.unzip();
        let count = times.len();
        if (count as f64) < 0.5 * length / usual {
            return None;
        }
        let fall = slope_around(series, middle, length)?;
        Some(Block { mean: mean(&points) - fall * (mean(&times) - middle), count })
    };
    (0..whole).map(block).collect()
}

/// How fast the readings fall in a block and half of its neighbours, in points/h.
fn slope_around(series: &Series, middle: f64, length: f64) -> Option<f64> {
    let near = series.ordinary(series.within(middle - length, middle + length));
    let (times, points): (Vec<f64>, Vec<f64>) = near.unzip();
    super::line::Line::fit(&times, &points).map(|line| line.slope)
}

/// The variance of values of mean 0 of which a few are wild: those beyond two standard deviations
/// count as if they lay there (Huber's Proposal 2, 1964). What lasts over `lags` values takes
/// degrees of freedom away.
fn clipped(values: &[f64], lags: usize) -> Option<Variance> {
    const BOUND: f64 = 2.0;
    // What is left of a normal distribution's variance when it is clipped there.
    const LEFT: f64 = 0.920_536;
    if values.len() < FEWEST {
        return None;
    }
    let n = values.len() as f64;
    let squares: Vec<f64> = values.iter().map(|value| value * value).collect();
    let plain = mean(&squares);
    let mut sizes = squares.clone();
    let middle = MAD_TO_SD * MAD_TO_SD * median(&mut sizes)?;
    // Rounded readings may mostly be equal: then nothing says what is wild.
    if middle <= 0.0 {
        return Some(Variance { value: plain, degrees: n });
    }
    let mut variance = middle;
    for _ in 0..50 {
        let bound = BOUND * BOUND * variance;
        variance = squares.iter().map(|square| square.min(bound)).sum::<f64>() / n / LEFT;
    }
    let relative: Vec<f64> =
        squares.iter().map(|square| (square / variance).min(BOUND * BOUND) - LEFT).collect();
    let within = squares.iter().filter(|square| **square < BOUND * BOUND * variance);
    // The variance of its logarithm: the bound moves with it, so only what lies within holds it.
    let hold = within.sum::<f64>() / variance;
    let spread = lasting_square(&relative, 0).max(lasting_square(&relative, lags)) / (hold * hold);
    // A variance whose relative error is e has 2/e² degrees (Satterthwaite 1946).
    let degrees = if spread > 0.0 { 2.0 / spread } else { n };
    Some(Variance { value: variance, degrees: degrees.clamp(1.0, n) })
}

/// The share of its variance that a process which is down to 1/e after one unit of time shows in
/// the third differences of its means over so many units, in units of what independent means show.
fn third_difference(length: f64) -> f64 {
    let covariance = |apart| block_covariance(length, apart);
    (20.0 * covariance(0) - 30.0 * covariance(1) + 12.0 * covariance(2) - 2.0 * covariance(3))
        / 20.0
}

/// The covariance of the means of two blocks of this length, so many blocks apart, of a process of
/// variance 1 that is down to 1/e after one unit of time.
fn block_covariance(length: f64, apart: i32) -> f64 {
    let kept = (-length).exp();
    match apart {
        0 => 2.0 * (length - 1.0 + kept) / (length * length),
        _ => ((1.0 - kept) / length).powi(2) * kept.powi(apart - 1),
    }
}

/// How much larger the error of a mean over many blocks of this length, in h, is than it looks
/// where wander goes on from each block to the next.
pub(super) fn goes_on(hours: f64) -> f64 {
    let length = hours / LASTS;
    (2.0 / (length * block_covariance(length, 0))).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::{Span, Stamp};

    fn series(count: u32, points: impl Fn(f64) -> f64) -> Series {
        let origin = Stamp::from_millis(1_772_323_200_000);
        let reading = |index: u32| {
            let hours = f64::from(index) * 0.25;
            (origin + Span::from_hours_f64(hours), points(hours))
        };
        Series::new(&(0..count).map(reading).collect::<Vec<_>>(), origin)
    }

    /// Half of a beer's fall: 40 points along a logistic curve of 20 points a day at its steepest.
    fn beer(hours: f64) -> f64 {
        10.0 + 40.0 / (1.0 + ((hours - 48.0) / 12.0).exp())
    }

    #[test]
    fn the_fall_itself_is_no_noise() {
        let noise = Noise::of(&series(600, beer));
        let quick = noise.quick.unwrap().value.sqrt();
        assert!(quick < 0.002, "{quick}");
        let slow = noise.slow.unwrap();
        assert!(slow.value < 0.1, "{slow:?}");
    }

    #[test]
    fn too_few_readings_leave_it_unknown() {
        assert_eq!(Noise::of(&series(12, beer)), Noise::default());
        assert!(Noise::of(&series(13, beer)).quick.is_some());
        assert_eq!(Noise::of(&series(40, beer)).slow, None);
    }

    #[test]
    fn rounded_readings_have_the_noise_of_their_rounding() {
        let rounded = series(2000, |hours| (20.0 - hours * 0.037).round());
        let quick = Noise::of(&rounded).quick.unwrap().value.sqrt();
        assert!(quick > 0.05 && quick < 0.5, "{quick}");
    }

    /// Independent values are what every share is counted in; what lasts for ever is a parabola
    /// of its own.
    #[test]
    fn what_lasts_longer_shows_less() {
        assert!((third_difference(1e6) * 1e6 - 2.0).abs() < 1e-3, "2/length, as of white noise");
        assert!(third_difference(0.6) > 0.14 && third_difference(0.6) < 0.16);
        assert!(third_difference(0.01) < 0.01);
    }
}
