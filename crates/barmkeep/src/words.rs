//! Sentences and small tables for a person, of what the engine knows.

use engine::view::Summary;
use std::io::Write;

/// An expansion as a configuration has it: `200 ppm/K`.
pub fn expansion(body: quantity::Expansion) -> String {
    // The last digits that the conversion leaves behind are dropped.
    format!("{} ppm/K", (body.per_kelvin() * 1e12).round() / 1e6)
}

/// `78.1 %`; nothing has no sign.
pub fn percent(value: f64) -> String {
    format!("{:.1} %", (value * 10.0).round() / 10.0 + 0.0)
}

/// Which way a gravity goes, and by how much: `falls by 3.1 points a day`.
pub fn rate(points_per_day: f64) -> String {
    let tenths = (points_per_day * 10.0).round() / 10.0;
    let way = match tenths {
        tenths if tenths > 0.0 => "rises",
        tenths if tenths < 0.0 => "falls",
        _ => return "moves by less than 0.1 points a day".to_owned(),
    };
    format!("{way} by {:.1} points a day", tenths.abs())
}

/// Prints what came of a batch.
///
/// # Errors
/// Where the output fails.
pub fn print_summary(output: &mut impl Write, summary: &Summary) -> std::io::Result<()> {
    writeln!(output)?;
    for stage in &summary.stages {
        let left = stage.left.as_deref().unwrap_or("not left yet");
        writeln!(output, "{:<20} {} to {left}", stage.name, stage.entered)?;
    }
    if let Some(gravity) = summary.gravity {
        let plato = quantity::plato_from_sg(gravity.sg);
        writeln!(output, "gravity      {:.4} ± {:.4} SG ({plato:.2} °P)", gravity.sg, gravity.sd)?;
    }
    if let Some(attenuation) = &summary.attenuation {
        writeln!(
            output,
            "attenuation  {} apparent, {} real",
            percent(attenuation.apparent_percent),
            percent(attenuation.real_percent)
        )?;
    }
    if let Some(abv) = summary.abv_percent {
        writeln!(output, "alcohol      {} by volume", percent(abv))?;
    }
    let stable = if summary.stable { "stable" } else { "not shown to be stable" };
    writeln!(output, "final        {stable}")?;
    writeln!(output, "run          {}", summary.run)
}

/// The time zone in which a person reads.
#[derive(Debug, Clone, Copy)]
pub struct Zone(chrono_tz::Tz);

impl Zone {
    /// As configured, else the machine's, else UTC.
    pub fn of(config: &schedule::config::Config) -> Self {
        let machine = || iana_time_zone::get_timezone().ok();
        let name = config.time_zone.clone().or_else(machine);
        Zone(name.and_then(|name| name.parse().ok()).unwrap_or(chrono_tz::UTC))
    }

    /// Its IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The zone itself.
    pub fn tz(self) -> chrono_tz::Tz {
        self.0
    }

    /// As [`Zone::minute`], of a time as RFC 3339; any other text stays as it is.
    pub fn local(&self, text: &str) -> String {
        let at = quantity::Stamp::parse_rfc3339(text);
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
    pub fn minute(&self, at: quantity::Stamp) -> String {
        match chrono::DateTime::from_timestamp_millis(at.millis()) {
            Some(time) => time.with_timezone(&self.0).format("%Y-%m-%d %H:%M %Z").to_string(),
            None => at.rfc3339(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_no_sign_and_no_way() {
        assert_eq!(percent(-0.04), "0.0 %");
        assert_eq!(percent(-0.06), "-0.1 %");
        assert_eq!(rate(-3.06), "falls by 3.1 points a day");
        assert_eq!(rate(0.06), "rises by 0.1 points a day");
        assert_eq!(rate(-0.04), "moves by less than 0.1 points a day");
    }
}
