//! The clock on the wall of the person who reads.

use chrono::NaiveDateTime;
use jiff::Timestamp;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};
use quantity::Stamp;

/// A time zone, by the rules that the program brings along.
#[derive(Debug, Clone)]
pub struct Zone(TimeZone);

impl Zone {
    /// As configured, else the machine's, else UTC.
    pub fn of(config: &schedule::config::Config) -> Self {
        let machine = || iana_time_zone::get_timezone().ok();
        let name = config.time_zone.clone().or_else(machine);
        Zone(name.and_then(|name| known(&name)).unwrap_or(TimeZone::UTC))
    }

    /// Its IANA name.
    pub fn name(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// How far its clocks are ahead of UTC at an instant, in seconds.
    pub fn ahead_s(&self, at: Stamp) -> i32 {
        timestamp(at).map_or(0, |at| self.0.to_offset(at).seconds())
    }

    /// What its clocks show at an instant; nothing beyond the years that clocks show.
    pub fn shows(&self, at: Stamp) -> Option<NaiveDateTime> {
        let shown_ms = at.millis().checked_add(i64::from(self.ahead_s(at)) * 1000)?;
        chrono::DateTime::from_timestamp_millis(shown_ms).map(|time| time.naive_utc())
    }

    /// When its clocks first show this; never where summer time leaps over it.
    pub fn first(&self, shown: NaiveDateTime) -> Option<Stamp> {
        let as_utc = shown.and_utc().timestamp_millis();
        let civil = TimeZone::UTC.to_datetime(Timestamp::from_millisecond(as_utc).ok()?);
        let ahead = match self.0.to_ambiguous_timestamp(civil).offset() {
            AmbiguousOffset::Unambiguous { offset } => offset,
            AmbiguousOffset::Fold { before, .. } => before,
            AmbiguousOffset::Gap { .. } => return None,
        };
        Some(Stamp::from_millis(as_utc - i64::from(ahead.seconds()) * 1000))
    }

    /// As [`Zone::minute`], of a time as RFC 3339; any other text stays as it is.
    pub fn local(&self, text: &str) -> String {
        let at = Stamp::parse_rfc3339(text);
        at.map_or_else(|_| text.to_owned(), |at| self.minute(at))
    }

    /// A sentence whose times as RFC 3339 are told as [`Zone::local`] tells them.
    pub fn within(&self, text: &str) -> String {
        let told = |word: &str| {
            let (time, rest) = word.split_at(word.trim_end_matches([',', ';', ':', '.']).len());
            format!("{}{rest}", self.local(time))
        };
        text.split(' ').map(told).collect::<Vec<_>>().join(" ")
    }

    /// `2026-03-01 18:00 CET`.
    pub fn minute(&self, at: Stamp) -> String {
        match (self.shows(at), timestamp(at)) {
            (Some(shown), Some(at)) => {
                let offset = self.0.to_offset_info(at);
                format!("{} {}", shown.format("%Y-%m-%d %H:%M"), offset.abbreviation())
            }
            _ => at.rfc3339(),
        }
    }
}

/// Whether the name is one of IANA's time zones.
pub fn is_time_zone(name: &str) -> bool {
    known(name).is_some()
}

fn known(name: &str) -> Option<TimeZone> {
    TimeZoneDatabase::bundled().get(name).ok()
}

fn timestamp(at: Stamp) -> Option<Timestamp> {
    Timestamp::from_millisecond(at.millis()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> Zone {
        Zone(known(name).expect(name))
    }

    fn at(text: &str) -> Stamp {
        Stamp::parse_rfc3339(text).expect(text)
    }

    #[test]
    fn an_instant_is_told_by_the_clock_and_the_letters_of_its_place() {
        // Directive 2000/84/EC: summer time from 01:00 UTC on the last Sunday of March.
        let berlin = zone("Europe/Berlin");
        assert_eq!(berlin.minute(at("2026-03-29T00:59:59Z")), "2026-03-29 01:59 CET");
        assert_eq!(berlin.minute(at("2026-03-29T01:00:00Z")), "2026-03-29 03:00 CEST");
        // Beyond what the tables list the rule goes on.
        assert_eq!(berlin.minute(at("2060-07-01T00:00:00Z")), "2060-07-01 02:00 CEST");
        // A place whose time has no letters has its distance from UTC (IANA, `asia`).
        let kathmandu = zone("Asia/Kathmandu");
        assert_eq!(kathmandu.minute(at("2026-03-01T00:00:00Z")), "2026-03-01 05:45 +0545");
        assert_eq!(
            (kathmandu.name(), kathmandu.ahead_s(at("2026-03-01T00:00:00Z"))),
            ("Asia/Kathmandu", 20_700)
        );
        assert_eq!(
            berlin.within("since 2026-03-01T17:00:00Z, and on"),
            "since 2026-03-01 18:00 CET, and on"
        );
    }

    #[test]
    fn what_clocks_show_twice_is_the_first_and_what_they_never_show_is_not() {
        let berlin = zone("Europe/Berlin");
        let shown = |text: &str| text.parse::<NaiveDateTime>().expect(text);
        assert_eq!(berlin.first(shown("2026-03-29T02:30:00")), None);
        assert_eq!(berlin.first(shown("2026-10-25T02:30:00")), Some(at("2026-10-25T00:30:00Z")));
        assert_eq!(berlin.first(shown("2026-10-25T03:00:00")), Some(at("2026-10-25T02:00:00Z")));
        assert_eq!(
            berlin.shows(at("2026-10-25T00:30:00Z")),
            berlin.shows(at("2026-10-25T01:30:00Z"))
        );
    }

    #[test]
    fn a_zone_is_known_by_its_name() {
        for name in ["Europe/London", "America/Argentina/Ushuaia", "UTC", "Asia/Calcutta"] {
            assert!(is_time_zone(name), "{name}");
        }
        for name in ["", "Europe", "Europe/Nowhere", "CEST", "../etc/passwd", "+01:00"] {
            assert!(!is_time_zone(name), "{name}");
        }
    }

    #[test]
    fn no_instant_is_too_far_to_be_told() {
        for at in [i64::MIN, i64::MIN / 1000, -1, 0, i64::MAX / 1000, i64::MAX] {
            let at = Stamp::from_millis(at);
            assert!(!zone("Europe/Berlin").minute(at).is_empty(), "{at:?}");
        }
    }
}
