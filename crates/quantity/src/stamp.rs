//! Instants and spans of time, in whole milliseconds.

use crate::parse::split_number;
use crate::{Quantity, QuantityError, Reason};
use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, Mul, Sub};

/// An instant, in milliseconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Stamp(i64);

/// A span of time, never negative, in milliseconds; a text gives at most 3660 d.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(try_from = "i64", into = "i64")]
pub struct Span(i64);

impl Stamp {
    /// From milliseconds since 1970.
    pub const fn from_millis(millis: i64) -> Self {
        Stamp(millis)
    }

    /// In milliseconds since 1970.
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// Reads RFC 3339 with its offset, such as `2026-03-01T18:00:00+01:00`.
    ///
    /// # Errors
    /// A sentence saying what is wrong.
    pub fn parse_rfc3339(text: &str) -> Result<Self, String> {
        DateTime::parse_from_rfc3339(text.trim())
            .map(|time| Stamp(time.timestamp_millis()))
            .map_err(|error| format!("`{text}` is not a time as RFC 3339 has it: {error}"))
    }

    /// In RFC 3339, UTC, `Z`; milliseconds only where there are some.
    pub fn rfc3339(self) -> String {
        let form = if self.0 % 1000 == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
        match DateTime::<Utc>::from_timestamp_millis(self.0) {
            Some(time) => time.to_rfc3339_opts(form, true),
            None => format!("{} ms", self.0),
        }
    }

    /// How long after `earlier`; nothing where `earlier` is later.
    pub fn since(self, earlier: Stamp) -> Span {
        Span(self.0.saturating_sub(earlier.0).max(0))
    }

    /// Milliseconds from `other` to this one, with sign.
    pub fn millis_after(self, other: Stamp) -> i64 {
        self.0.saturating_sub(other.0)
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);
    const HIGH_MILLIS: i64 = 3660 * 86_400_000;

    /// From milliseconds; negative ones count as none.
    pub const fn from_millis(millis: i64) -> Self {
        Span(if millis < 0 { 0 } else { millis })
    }

    /// From seconds.
    pub const fn from_secs(secs: i64) -> Self {
        Self::from_millis(secs.saturating_mul(1000))
    }

    /// From minutes.
    pub const fn from_mins(mins: i64) -> Self {
        Self::from_secs(mins.saturating_mul(60))
    }

    /// From hours.
    pub const fn from_hours(hours: i64) -> Self {
        Self::from_mins(hours.saturating_mul(60))
    }

    /// From a number of hours with decimals; NaN and negative ones count as none.
    pub fn from_hours_f64(hours: f64) -> Self {
        Self::from_millis((hours * 3_600_000.0).round() as i64)
    }

    /// In milliseconds.
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// In seconds.
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1e3
    }

    /// In hours.
    pub fn hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }

    /// In days.
    pub fn days(self) -> f64 {
        self.hours() / 24.0
    }

    /// Whether it is no time at all.
    pub const fn is_zero(self) -> bool {
        self.0 == 0
    }

    /// What is left after taking `other` away; never below nothing.
    pub fn less(self, other: Span) -> Span {
        Span::from_millis(self.0.saturating_sub(other.0))
    }
}

impl Add<Span> for Stamp {
    type Output = Stamp;

    fn add(self, span: Span) -> Stamp {
        Stamp(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Stamp {
    type Output = Stamp;

    fn sub(self, span: Span) -> Stamp {
        Stamp(self.0.saturating_sub(span.0))
    }
}

impl Add for Span {
    type Output = Span;

    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl Mul<i64> for Span {
    type Output = Span;

    fn mul(self, times: i64) -> Span {
        Span::from_millis(self.0.saturating_mul(times))
    }
}

impl TryFrom<i64> for Span {
    type Error = String;

    fn try_from(millis: i64) -> Result<Self, String> {
        if millis < 0 {
            Err(format!("a span of {millis} ms is negative"))
        } else {
            Ok(Span(millis))
        }
    }
}

impl From<Span> for i64 {
    fn from(span: Span) -> i64 {
        span.0
    }
}

impl Quantity for Span {
    const KIND: &'static str = "time span";
    const UNITS: &'static [&'static str] = &["s", "min", "h", "d"];
    const EXAMPLE: &'static str = "48 h";

    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason> {
        let millis = number * [1e3, 6e4, 3.6e6, 8.64e7][unit];
        (0.0..=Self::HIGH_MILLIS as f64)
            .contains(&millis)
            .then(|| Span(millis.round() as i64))
            .ok_or(Reason::OutOfRange { low: "0 s", high: "3660 d" })
    }

    /// Reads one span, or several joined: `1 d 12 h`.
    fn parse(text: &str) -> Result<Self, QuantityError> {
        parse_joined(text).map_err(|reason| Self::error(text, reason))
    }
}

fn parse_joined(text: &str) -> Result<Span, Reason> {
    let mut rest = text.trim();
    if rest.is_empty() {
        return Err(Reason::Empty);
    }
    let mut total = Span::ZERO;
    while !rest.is_empty() {
        let (number, after) = split_number(rest)?;
        let after = after.trim_start();
        let end = after.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(after.len());
        let (unit, next) = after.split_at(end);
        if unit.is_empty() && next.is_empty() {
            return Err(Reason::NoUnit);
        }
        let index = Span::UNITS.iter().position(|known| *known == unit).ok_or_else(|| {
            Reason::UnknownUnit(if unit.is_empty() { next } else { unit }.to_owned())
        })?;
        total = total + Span::from_unit(number, index)?;
        rest = next.trim_start();
    }
    Span::from_unit(total.secs(), 0)
}

/// The two largest units that it has: `3 d 4 h`, `90 s` as `1 min 30 s`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const UNITS: [(&str, i64); 4] =
            [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1000)];
        let first = UNITS.iter().position(|(_, size)| self.0 >= *size).unwrap_or(3);
        let (unit, size) = UNITS[first];
        // Rounded to the smaller of the two units shown, so that 59.9 s is `1 min`.
        let smaller = UNITS.get(first + 1).map_or(size, |(_, size)| *size);
        let rounded = (self.0 + smaller / 2) / smaller * smaller;
        if first > 0 && rounded >= UNITS[first - 1].1 {
            return write!(f, "1 {}", UNITS[first - 1].0);
        }
        write!(f, "{} {unit}", rounded / size)?;
        if let Some((next, next_size)) = UNITS.get(first + 1) {
            let left = rounded % size / next_size;
            if left > 0 {
                write!(f, " {left} {next}")?;
            }
        }
        Ok(())
    }
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.rfc3339())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_join() {
        assert_eq!(Span::parse("1 d 12 h").unwrap(), Span::from_hours(36));
        assert_eq!(Span::parse("1d12h").unwrap(), Span::from_hours(36));
        assert_eq!(Span::parse("1.5 h").unwrap(), Span::from_mins(90));
        for text in ["", "48", "4 weeks", "-1 h", "1 h 5", "4000 d", "h", "1 d -2 h"] {
            assert!(Span::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn spans_print_two_units() {
        for (millis, text) in [
            (0, "0 s"),
            (90_000, "1 min 30 s"),
            (3_599_900, "1 h"),
            (273_600_000, "3 d 4 h"),
            (86_399_000, "1 d"),
            (172_800_000, "2 d"),
            (1_499, "1 s"),
        ] {
            assert_eq!(Span::from_millis(millis).to_string(), text);
        }
    }

    #[test]
    fn instants_round_trip() {
        let stamp = Stamp::parse_rfc3339("2026-03-01T18:00:00.250+01:00").unwrap();
        assert_eq!(stamp.rfc3339(), "2026-03-01T17:00:00.250Z");
        assert_eq!(Stamp::parse_rfc3339(&stamp.rfc3339()).unwrap(), stamp);
        assert!(Stamp::parse_rfc3339("2026-03-01T18:00:00").is_err());
    }
}
