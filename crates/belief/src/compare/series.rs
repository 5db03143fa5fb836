//! One float's readings in order: their rhythm, their gaps, and which of them are outliers.

use super::robust::{hampel, median, repeated_median};
use quantity::{Span, Stamp};
use std::ops::Range;

/// A gap is longer than so many usual intervals.
pub(super) const GAP: f64 = 3.0;
/// An outlier is more than so many standard deviations off: of normal noise 1 in 2000 is.
const SIGMAS: f64 = 3.5;
/// The least standard deviation that outliers are counted from, in points: what is rounded or
/// sticks has none of its own.
const FLOOR: f64 = 0.3;
/// So many readings on either side tell what is usual for a reading's distance from the course.
const AROUND: usize = 50;
/// A line through so many readings on either side is the course …
const BESIDE: usize = 7;
/// … but through those of no more than so many hours, in which the fall of a beer is a line.
const BESIDE_HOURS: f64 = 6.0;
/// A course has at least so many readings.
const COURSE: usize = 5;
/// Readings that come more seldom than this, in h, show no course of their own.
const COURSE_SELDOM: f64 = 3.0;

/// Readings in the order of their times.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Series {
    /// In h, growing.
    pub times: Vec<f64>,
    /// Gravities in points above 1.000.
    pub points: Vec<f64>,
    /// The usual time between two, in h; `None` below three readings.
    pub usual: Option<f64>,
    /// Readings between gaps.
    pub parts: Vec<Range<usize>>,
    /// Which of them are outliers.
    pub outlying: Vec<bool>,
    /// How many could be told to be outliers or not.
    pub judged: usize,
}

/// Where a float's own course is at some time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    /// In points above 1.000.
    pub points: f64,
    /// Its variance, in variances of a single reading's quick noise.
    pub share: f64,
}

impl Series {
    /// Of readings in any order; of two at one time the first counts, and what is no number does
    /// not. Times count from `origin`.
    pub fn new(readings: &[(Stamp, f64)], origin: Stamp) -> Self {
        let mut readings: Vec<(Stamp, f64)> =
            readings.iter().copied().filter(|(_, points)| points.is_finite()).collect();
        readings.sort_by_key(|(at, _)| *at);
        readings.dedup_by_key(|(at, _)| *at);
        let (times, points): (Vec<f64>, Vec<f64>) =
            readings.iter().map(|(at, points)| (hours(*at, origin), *points)).unzip();
        let mut between: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let usual = median(&mut between).filter(|_| times.len() > 2);
        let parts = parts(&times, usual);
        let outlying = vec![false; times.len()];
        let mut series = Series { times, points, usual, parts, outlying, judged: 0 };
        series.find_outliers();
        series
    }

    /// The readings that are no outliers, as times and points, from some of them.
    pub fn ordinary(&self, of: Range<usize>) -> impl Iterator<Item = (f64, f64)> + '_ {
        of.filter(|index| !self.outlying[*index])
            .map(|index| (self.times[index], self.points[index]))
    }

    /// The indices of the readings from one time to another, both with it.
    pub fn within(&self, from: f64, to: f64) -> Range<usize> {
        let start = self.times.partition_point(|time| *time < from);
        start..self.times.partition_point(|time| *time <= to).max(start)
    }

    /// The course at a time, by a line through the readings around it; `None` where there are too
    /// few, or only far ones.
    pub fn level_at(&self, time: f64) -> Option<Level> {
        const HOURS: f64 = 2.0;
        const NEAREST_HOURS: f64 = 1.0;
        const WORST_SHARE: f64 = 1.5;
        let usual = self.usual?;
        let width = HOURS.max(1.5 * usual);
        let near: Vec<(f64, f64)> =
            self.ordinary(self.within(time - width, time + width)).collect();
        let nearest = near.iter().map(|(at, _)| (at - time).abs()).fold(f64::INFINITY, f64::min);
        if near.len() < 3 || nearest > NEAREST_HOURS.max(1.5 * usual) {
            return None;
        }
        let n = near.len() as f64;
        let mean_time = near.iter().map(|(at, _)| at).sum::<f64>() / n;
        let mean = near.iter().map(|(_, points)| points).sum::<f64>() / n;
        let stretch: f64 = near.iter().map(|(at, _)| (at - mean_time).powi(2)).sum();
        let slope = near.iter().map(|(at, points)| (at - mean_time) * (points - mean)).sum::<f64>()
            / stretch;
        let off = time - mean_time;
        let share = 1.0 / n + off * off / stretch;
        (share <= WORST_SHARE).then_some(Level { points: mean + slope * off, share })
    }

    /// Hampel's identifier about the course that the repeated median gives: neither the fall of
    /// the beer nor other outliers make or hide one.
    fn find_outliers(&mut self) {
        let Some(usual) = self.usual.filter(|usual| *usual <= COURSE_SELDOM) else { return };
        let beside = ((BESIDE_HOURS / usual) as usize).clamp(2, BESIDE);
        let (mut apart, mut indices) = (Vec::new(), Vec::new());
        for part in self.parts.iter().filter(|part| part.len() >= COURSE) {
            for index in part.clone() {
                // At an end as many readings are taken, all on one side.
                let most = part.len().min(2 * beside + 1);
                let start = index.saturating_sub(beside).clamp(part.start, part.end - most);
                // The reading itself would pull its course towards it.
                let others = (start..start + most).filter(|other| *other != index);
                let others: Vec<(f64, f64)> =
                    others.map(|other| (self.times[other], self.points[other])).collect();
                let course = repeated_median(&others, self.times[index]);
                apart.extend(course.map(|course| self.points[index] - course));
                indices.extend(course.map(|_| index));
            }
        }
        for (place, index) in indices.iter().enumerate() {
            let window = place.saturating_sub(AROUND)..(place + AROUND + 1).min(apart.len());
            let seen = hampel(&apart, place, window, SIGMAS, FLOOR);
            self.outlying[*index] = seen.is_some_and(|seen| seen.is_outlying);
        }
        self.judged = indices.len();
    }
}

/// Hours from `origin` to an instant.
pub(super) fn hours(at: Stamp, origin: Stamp) -> f64 {
    at.millis_after(origin) as f64 / Span::from_hours(1).millis() as f64
}

/// The readings between gaps.
fn parts(times: &[f64], usual: Option<f64>) -> Vec<Range<usize>> {
    let longest = usual.map_or(f64::INFINITY, |usual| GAP * usual);
    let mut parts = Vec::new();
    let mut start = 0;
    for index in 1..=times.len() {
        let is_end = times.get(index).is_none_or(|time| time - times[index - 1] > longest);
        if is_end {
            parts.push(start..index);
            start = index;
        }
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn origin() -> Stamp {
        Stamp::from_millis(1_772_323_200_000)
    }

    /// A beer in its fastest fall, 20 points a day, read every quarter of an hour.
    fn falling(count: u32, wild: impl Fn(u32) -> f64) -> Series {
        let reading = |index: u32| {
            let hours = f64::from(index) * 0.25;
            let noise = 0.4 * ((f64::from(index) * 5.1).sin() + (f64::from(index) * 1.7).sin());
            let points = 50.0 - hours * 20.0 / 24.0 + noise + wild(index);
            (origin() + Span::from_hours_f64(hours), points)
        };
        let readings: Vec<(Stamp, f64)> = (0..count).map(reading).collect();
        Series::new(&readings, origin())
    }

    #[test]
    fn the_fall_of_a_beer_makes_no_outliers() {
        let series = falling(160, |_| 0.0);
        assert_eq!(series.outlying.iter().filter(|outlying| **outlying).count(), 0);
        assert_eq!(series.judged, 160);
    }

    #[test]
    fn outliers_are_found_also_side_by_side_and_at_the_ends() {
        let wild = [0, 40, 41, 42, 100, 159];
        let series = falling(160, |index| if wild.contains(&index) { 6.0 } else { 0.0 });
        let found: Vec<u32> = (0..160).filter(|index| series.outlying[*index as usize]).collect();
        assert_eq!(found, wild);
    }

    #[test]
    fn readings_that_come_seldom_are_not_judged() {
        let readings: Vec<(Stamp, f64)> =
            (0..20).map(|at| (origin() + Span::from_hours(6 * at), 50.0 - at as f64)).collect();
        assert_eq!(Series::new(&readings, origin()).judged, 0);
    }

    #[test]
    fn the_course_is_followed_and_does_not_reach_far() {
        let series = falling(160, |index| if index == 80 { 20.0 } else { 0.0 });
        let level = series.level_at(20.0).unwrap();
        assert!((level.points - (50.0 - 20.0 * 20.0 / 24.0)).abs() < 0.25, "{level:?}");
        assert!(series.level_at(-0.5).is_some());
        assert_eq!(series.level_at(-1.5), None);
        assert_eq!(series.level_at(45.0), None);
    }

    #[test]
    fn gaps_part_the_readings() {
        let at = |minutes: i64| (origin() + Span::from_mins(minutes), 20.0);
        let minutes = [0, 15, 30, 45, 120, 135, 150];
        let series = Series::new(&minutes.map(at), origin());
        assert_eq!(series.parts, [0..4, 4..7]);
        assert_eq!(series.usual, Some(0.25));
        assert!(Series::new(&[], origin()).parts.is_empty());
        let alone = Series::new(&[at(0)], origin());
        assert_eq!((alone.parts.len(), alone.parts[0].len()), (1, 1));
    }
}
