//! Where an axis of time has its marks, by the calendar that a person reads.

use super::Calendar;
use crate::drawing::Scale;
use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, TimeZone, Timelike};
use chrono_tz::Tz;
use quantity::Stamp;

/// A mark of the axis.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Where.
    pub at: Stamp,
    /// What stands there.
    pub label: String,
}

/// Hours between marks that divide a day.
const HOURS: [u32; 5] = [1, 2, 3, 6, 12];
/// Days between marks.
const DAYS: [u64; 8] = [1, 2, 4, 7, 14, 28, 56, 112];

impl Calendar {
    /// At most about so many marks from one instant to another.
    pub fn marks(&self, from: Stamp, until: Stamp, most: u32) -> Vec<Mark> {
        match self {
            Calendar::Local(zone) => local(zone.tz(), from, until, most),
            Calendar::Days => days(from, until, most),
        }
    }

    /// What the axis is.
    pub fn caption(&self, from: Stamp, until: Stamp) -> String {
        let Calendar::Local(zone) = self else { return "days since pitching".to_owned() };
        let year = |at: Stamp| of(zone.tz(), at).map_or(0, |time| time.year());
        match (year(from), year(until)) {
            (first, last) if first == last => format!("{first}, time in {}", zone.tz()),
            (first, last) => format!("{first} to {last}, time in {}", zone.tz()),
        }
    }

    /// An instant in words.
    pub fn told(&self, at: Stamp, from: Stamp) -> String {
        match self {
            Calendar::Local(zone) => zone.minute(at),
            Calendar::Days => format!("day {:.1}", at.millis_after(from) as f64 / 86_400_000.0),
        }
    }
}

fn of(zone: Tz, at: Stamp) -> Option<DateTime<Tz>> {
    DateTime::from_timestamp_millis(at.millis()).map(|time| time.with_timezone(&zone))
}

fn days(from: Stamp, until: Stamp, most: u32) -> Vec<Mark> {
    let length = until.since(from).days();
    let scale = Scale { low: 0.0, high: length.max(1e-3), from: 0.0, to: 1.0 };
    let marks = scale.marks_most(most);
    let decimals = crate::drawing::decimals(&marks);
    let mark = |day: &f64| Mark {
        at: Stamp::from_millis(from.millis() + (day * 86_400_000.0) as i64),
        label: format!("{day:.decimals$}"),
    };
    marks.iter().map(mark).collect()
}

fn local(zone: Tz, from: Stamp, until: Stamp, most: u32) -> Vec<Mark> {
    let hours = until.since(from).hours();
    let fits = |step: f64| hours / step <= f64::from(most.max(1));
    if let Some(step) = HOURS.into_iter().find(|step| fits(f64::from(*step))) {
        return by_hours(zone, from, until, step);
    }
    let step = DAYS.into_iter().find(|step| fits(*step as f64 * 24.0)).unwrap_or(365);
    let Some(first) = of(zone, from) else { return Vec::new() };
    let dates = first.date_naive().iter_days().skip(1).step_by(step as usize);
    dates
        .map_while(|date| midnight(zone, date))
        .take_while(|mark| mark.at <= until)
        .take(1000)
        .collect()
}

fn by_hours(zone: Tz, from: Stamp, until: Stamp, step: u32) -> Vec<Mark> {
    let Some(first) = of(zone, from) else { return Vec::new() };
    let mut marks = Vec::new();
    for date in first.date_naive().iter_days().take(62) {
        for hour in (0..24).step_by(step as usize) {
            let Some(time) = NaiveTime::from_hms_opt(hour, 0, 0) else { continue };
            // An hour that summer time leaps over has no mark.
            let Some(at) = zone.from_local_datetime(&date.and_time(time)).earliest() else {
                continue;
            };
            let stamp = Stamp::from_millis(at.timestamp_millis());
            if stamp > until {
                return marks;
            }
            let label = if at.hour() == 0 { day(date) } else { at.format("%H:%M").to_string() };
            if stamp >= from {
                marks.push(Mark { at: stamp, label });
            }
        }
    }
    marks
}

/// The first instant of a day; some zones have no midnight on the day that summer begins.
fn midnight(zone: Tz, date: NaiveDate) -> Option<Mark> {
    let at = (0..24).find_map(|hour| {
        let time = date.and_hms_opt(hour, 0, 0)?;
        zone.from_local_datetime(&time).earliest()
    })?;
    Some(Mark { at: Stamp::from_millis(at.timestamp_millis()), label: day(date) })
}

/// `3 Mar`.
fn day(date: NaiveDate) -> String {
    date.format("%-d %b").to_string()
}
