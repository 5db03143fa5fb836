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
