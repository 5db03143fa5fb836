//! Where an axis of time has its marks, by the calendar that a person reads.

use super::Calendar;
use crate::drawing::Scale;
use crate::zone::Zone;
use chrono::{Datelike, NaiveDate};
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
            Calendar::Local(zone) => local(zone, from, until, most),
            Calendar::Days => days(from, until, most),
        }
    }

    /// What the axis is.
    pub fn caption(&self, from: Stamp, until: Stamp) -> String {
        let Calendar::Local(zone) = self else { return "days since pitching".to_owned() };
        let year = |at: Stamp| zone.shows(at).map_or(0, |shown| shown.year());
        match (year(from), year(until)) {
            (first, last) if first == last => format!("{first}, time in {}", zone.name()),
            (first, last) => format!("{first} to {last}, time in {}", zone.name()),
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

fn local(zone: &Zone, from: Stamp, until: Stamp, most: u32) -> Vec<Mark> {
    let hours = until.since(from).hours();
    let fits = |step: f64| hours / step <= f64::from(most.max(1));
    if let Some(step) = HOURS.into_iter().find(|step| fits(f64::from(*step))) {
        return by_hours(zone, from, until, step);
    }
    let step = DAYS.into_iter().find(|step| fits(*step as f64 * 24.0)).unwrap_or(365);
    let Some(first) = zone.shows(from) else { return Vec::new() };
    let dates = first.date().iter_days().skip(1).step_by(step as usize);
    dates
        .map_while(|date| midnight(zone, date))
        .take_while(|mark| mark.at <= until)
        .take(1000)
        .collect()
}

fn by_hours(zone: &Zone, from: Stamp, until: Stamp, step: u32) -> Vec<Mark> {
    let Some(first) = zone.shows(from) else { return Vec::new() };
    let mut marks = Vec::new();
    for date in first.date().iter_days().take(62) {
        for hour in (0..24).step_by(step as usize) {
            let Some(shown) = date.and_hms_opt(hour, 0, 0) else { continue };
            // An hour that summer time leaps over has no mark.
            let Some(at) = zone.first(shown) else { continue };
            if at > until {
                return marks;
            }
            let label = if hour == 0 { day(date) } else { shown.format("%H:%M").to_string() };
            if at >= from {
                marks.push(Mark { at, label });
            }
        }
    }
    marks
}

/// The first instant of a day; some zones have no midnight on the day that summer begins.
fn midnight(zone: &Zone, date: NaiveDate) -> Option<Mark> {
    let at = (0..24).find_map(|hour| zone.first(date.and_hms_opt(hour, 0, 0)?))?;
    Some(Mark { at, label: day(date) })
}

/// `3 Mar`.
fn day(date: NaiveDate) -> String {
    date.format("%-d %b").to_string()
}
