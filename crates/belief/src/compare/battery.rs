//! A battery's charge: how fast it falls, and for how long it lasts.

use super::figure::Figure;
use super::robust::{TheilSen, median};
use super::series::hours;
use quantity::Stamp;

/// A rise of more than this, in percent, is a battery that was charged or changed.
const CHARGED: f64 = 5.0;
/// How fast it falls is told once it was watched this long, in h.
const WATCHED_HOURS: f64 = 48.0;
/// Charges are joined to the medians of so many blocks, so that what lasts for hours counts once.
const BLOCKS: f64 = 60.0;
/// Blocks are at least so long, in h.
const BLOCK_HOURS: f64 = 6.0;
/// With fewer blocks a fall is not told.
const FEWEST: usize = 6;
/// Of two rounded values the difference is off by no more than so many units, in 95 %: by the
/// triangular distribution.
const ROUNDING: f64 = 0.776;
/// The confidence of the intervals.
const CONFIDENCE: f64 = 0.95;

/// What is known of a battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Battery {
    /// Its last charge, in percent.
    pub percent: f64,
    /// What it loses, in percent a day; `None` where it was not watched for long enough.
    pub lost_a_day: Option<Figure>,
    /// For how long it lasts if that goes on.
    pub days_left: Option<DaysLeft>,
}

/// For how many days a battery lasts, if it goes on as it did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DaysLeft {
    /// `None` where its charge is not seen to fall.
    pub days: Option<f64>,
    /// The lower end of the 95 % interval.
    pub low: f64,
    /// The upper end of the 95 % interval; `None` where there is none.
    pub high: Option<f64>,
}

impl Battery {
    /// From charges in percent in any order, those since it was last charged; `None` where there
    /// are none.
    ///
    /// By the median of all slopes between blocks, with its interval (Theil 1950, Sen 1968), which
    /// is widened by what rounding can do: that makes steps which no number of readings removes.
    pub(super) fn of(charges: &[(Stamp, f64)]) -> Option<Battery> {
        let mut charges: Vec<(Stamp, f64)> =
            charges.iter().copied().filter(|(_, percent)| percent.is_finite()).collect();
        charges.sort_by_key(|(at, _)| *at);
        let charged = charges.windows(2).rposition(|pair| pair[1].1 > pair[0].1 + CHARGED);
        let since = &charges[charged.map_or(0, |before| before + 1)..];
        let (first, (last, percent)) = (since.first()?.0, *since.last()?);
        let watched = hours(last, first);
        let length = BLOCK_HOURS.max(watched / BLOCKS);
        let (times, values): (Vec<f64>, Vec<f64>) = since
            .chunk_by(|(one, _), (other, _)| {
                (hours(*one, first) / length) as i64 == (hours(*other, first) / length) as i64
            })
            .filter_map(|block| {
                let mut times: Vec<f64> =
                    block.iter().map(|(at, _)| hours(*at, first) / 24.0).collect();
                let mut values: Vec<f64> = block.iter().map(|(_, percent)| *percent).collect();
                Some((median(&mut times)?, median(&mut values)?))
            })
            .unzip();
        let is_known = watched >= WATCHED_HOURS && times.len() >= FEWEST;
        let line = TheilSen::fit(&times, &values, CONFIDENCE).filter(|_| is_known);
        let rounding = ROUNDING * resolution(since) / (watched / 24.0);
        let lost_a_day = line.and_then(|line| {
            Figure::between(-line.slope, -line.high - rounding, -line.low + rounding)
        });
        let days_left = lost_a_day.and_then(|lost| DaysLeft::of(percent, lost));
        Some(Battery { percent, lost_a_day, days_left })
    }
}

/// The unit that charges are rounded to: the least difference between two that differ.
fn resolution(charges: &[(Stamp, f64)]) -> f64 {
    let mut values: Vec<f64> = charges.iter().map(|(_, percent)| *percent).collect();
    values.sort_by(f64::total_cmp);
    let steps = values.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 1e-9);
    let least = steps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}

impl DaysLeft {
    /// `None` where nothing says that the charge falls at all.
    fn of(percent: f64, lost: Figure) -> Option<DaysLeft> {
        let last = |rate: f64| (rate > 0.0).then(|| percent.max(0.0) / rate);
        Some(DaysLeft { days: last(lost.value), low: last(lost.high)?, high: last(lost.low) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::Span;

    fn charges(hours: i64, percent: impl Fn(f64) -> f64) -> Vec<(Stamp, f64)> {
        (0..=hours)
            .map(|hour| (Stamp::from_millis(0) + Span::from_hours(hour), percent(hour as f64)))
            .collect()
    }

    #[test]
    fn a_battery_that_shows_whole_percents_is_foretold() {
        let battery =
            Battery::of(&charges(240, |hour| (90.0 - 1.3 * hour / 24.0).round())).unwrap();
        let lost = battery.lost_a_day.unwrap();
        assert!(!lost.is_apart_from(1.3) && lost.half() < 0.15, "{lost:?}");
        let left = battery.days_left.unwrap();
        assert!(left.low < 77.0 / 1.3 && left.high.unwrap() > 77.0 / 1.3, "{left:?}");
        assert_eq!(battery.percent, 77.0);
    }

    #[test]
    fn one_that_was_charged_begins_anew() {
        let charge = |hour: f64| if hour < 100.0 { 30.0 - hour * 0.1 } else { 110.0 - hour * 0.1 };
        let battery = Battery::of(&charges(240, charge)).unwrap();
        assert!((battery.lost_a_day.unwrap().value - 2.4).abs() < 0.01);
        let battery = Battery::of(&charges(140, charge)).unwrap();
        assert_eq!((battery.lost_a_day, battery.days_left), (None, None));
        assert_eq!(battery.percent, 96.0);
    }

    #[test]
    fn a_charge_that_does_not_fall_lasts_at_least_so_long_or_is_not_foretold() {
        assert_eq!(Battery::of(&[]), None);
        let battery = Battery::of(&charges(240, |_| 80.0)).unwrap();
        assert_eq!(battery.days_left, None);
        let swings = |hour: f64| 80.0 - 0.01 * hour + 2.0 * (hour * 0.9).sin();
        let left = Battery::of(&charges(72, swings)).unwrap().days_left.unwrap();
        assert!(left.low > 1.0 && left.high.is_none(), "{left:?}");
    }
}
