//! A comparison as a table with sentences, and as JSON.

use super::Found;
use crate::zone::Zone;
use belief::compare::{
    Battery, DaysLeft, Figure, FloatReport, Gaps, Lack, PairReport, Parting, Ranked,
};
use engine::VesselSetup;
use quantity::{Gravity, Show, Span};
use serde_json::{Value, json};
use std::io::Write;

/// The width of a terminal, in characters.
const WIDTH: usize = 80;
/// The width of the table's first column.
const LABEL: usize = 26;
/// The width of a float's column.
const COLUMN: usize = 17;
/// So many floats stand beside each other.
const ABREAST: usize = (WIDTH - LABEL) / COLUMN;
/// What is not known.
const UNKNOWN: &str = "not known";

/// Prints the table, a few sentences a float, and what follows.
pub(super) fn print(
    output: &mut impl Write,
    found: &Found,
    setup: &VesselSetup,
    show: Show,
    zone: &Zone,
) -> std::io::Result<()> {
    let (from, until) = (zone.minute(found.from), zone.minute(found.until));
    let end = if found.batch.ended.is_some() { until } else { format!("{until}, still running") };
    writeln!(output, "{} in {}, {from} to {end}", found.batch.id, found.vessel)?;
    let samples = counted(found.comparison.samples, "hand sample", "hand samples");
    writeln!(output, "{samples}; ± is one standard deviation, a point is 0.001 SG")?;
    for floats in found.comparison.floats.chunks(ABREAST) {
        writeln!(output)?;
        table(output, floats, show)?;
    }
    writeln!(output)?;
    for float in &found.comparison.floats {
        paragraph(output, &sentences(found, setup, float))?;
    }
    writeln!(output)?;
    for line in conclusions(found) {
        paragraph(output, &line)?;
    }
    if wants_samples(found) {
        let when = if found.batch.ended.is_some() { "In the next batch take" } else { "Take" };
        writeln!(output, "{when} two more samples, days apart:")?;
        let sample = "--gravity \"1.012 SG\" --temperature \"19 C\"";
        writeln!(output, "  barmkeep sample {} {sample}", found.vessel)?;
    }
    Ok(())
}

/// One object a float, then one a pair.
pub(super) fn objects(found: &Found, setup: &VesselSetup) -> Vec<Value> {
    let (floats, pairs) = (&found.comparison.floats, &found.comparison.pairs);
    let partings = found.comparison.partings();
    let floats = floats.iter().map(|float| float_object(found, setup, float));
    floats.chain(pairs.iter().map(|pair| pair_object(found, pair, &partings))).collect()
}

fn float_object(found: &Found, setup: &VesselSetup, float: &FloatReport) -> Value {
    let unusable = found.unusable.get(&float.name).map_or(0, |(count, _)| *count);
    let gaps = float.gaps.map(|gaps| {
        json!({
            "count": gaps.count, "longest_s": gaps.longest.secs(), "covered": gaps.covered,
            "silent_s": gaps.silent.map(Span::secs),
        })
    });
    let battery = float.battery.map(|battery| {
        let left =
            |left: DaysLeft| json!({ "value": left.days, "low": left.low, "high": left.high });
        json!({
            "percent": battery.percent,
            "lost_percent_per_day": battery.lost_a_day.map(figure),
            "days_left": battery.days_left.map(left),
        })
    });
    json!({
        "kind": "source", "vessel": found.vessel, "batch": found.batch.id, "source": float.name,
        "configured": setup.config.gravity.contains_key(float.name.as_str()),
        "from": found.from.rfc3339(), "until": found.until.rfc3339(),
        "readings": float.readings, "unusable": unusable,
        "first": float.span.map(|(first, _)| first.rfc3339()),
        "last": float.span.map(|(_, last)| last.rfc3339()),
        "last_sg": float.last_points.map(|points| 1.0 + points * 1e-3),
        "interval_s": float.interval.map(Span::secs),
        "samples": float.samples,
        "bias_to_samples_points": float.bias_to_samples.map(figure),
        "drift_to_samples_points_per_day": float.drift_to_samples.map(figure),
        "bias_to_floats_points": float.bias_to_floats.map(figure),
        "drift_to_floats_points_per_day": float.drift_to_floats.map(figure),
        "quick_noise_points": float.quick_noise.map(figure),
        "slow_noise_points": float.slow_noise.map(figure),
        "outliers": float.outliers.map(|outliers| json!({
            "count": outliers.count, "judged": outliers.judged, "share": figure(outliers.share),
        })),
        "gaps": gaps,
        "sticking": float.sticking.map(|sticking| json!({
            "count": sticking.count, "longest_s": sticking.longest.secs(),
        })),
        "battery": battery,
    })
}

fn pair_object(found: &Found, pair: &PairReport, partings: &[Parting]) -> Value {
    let parting = partings.iter().find(|parting| parting.names == pair.names);
    json!({
        "kind": "pair", "vessel": found.vessel, "batch": found.batch.id, "sources": pair.names,
        "readings": pair.compared,
        "apart_points": pair.apart.map(figure),
        "drift_points_per_day": pair.drift.map(figure),
        "drifting": parting.and_then(|parting| parting.drifting.as_ref()),
    })
}

fn figure(figure: Figure) -> Value {
    json!({ "value": figure.value, "sd": figure.sd, "low": figure.low, "high": figure.high })
}

fn table(output: &mut impl Write, floats: &[FloatReport], show: Show) -> std::io::Result<()> {
    let mut row = |label: &str, cells: Vec<String>| {
        let cells: String = cells.iter().map(|cell| format!("{cell:>COLUMN$}")).collect();
        writeln!(output, "{}", format!("{label:<LABEL$}{cells}").trim_end())
    };
    row("", floats.iter().map(|float| short(&float.name, COLUMN - 1)).collect())?;
    rows(floats, show).into_iter().try_for_each(|(label, cells)| row(label, cells))
}

/// What is told of each float: a label, and a cell a float.
pub(crate) fn rows(floats: &[FloatReport], show: Show) -> Vec<(&'static str, Vec<String>)> {
    let mut told = Vec::new();
    let mut row = |label: &'static str, cell: &dyn Fn(&FloatReport) -> String| {
        told.push((label, floats.iter().map(cell).collect()));
    };
    let plain = |figure: Option<Figure>| figure.map_or_else(unknown, |f| with_sd(f, false));
    let signed = |figure: Option<Figure>| figure.map_or_else(unknown, |f| with_sd(f, true));
    row("readings", &|float| float.readings.to_string());
    row("usual interval", &|float| {
        float.interval.map_or_else(unknown, |interval| interval.to_string())
    });
    row("last reading", &|float| {
        let gravity = float.last_points.and_then(|points| Gravity::from_sg(1.0 + points * 1e-3));
        gravity.map_or_else(unknown, |gravity| show.gravity(gravity))
    });
    row("samples compared", &|float| float.samples.to_string());
    row("bias to samples, points", &|float| signed(float.bias_to_samples));
    row("  to floats, points", &|float| signed(float.bias_to_floats));
    row("drift to samples, points/d", &|float| signed(float.drift_to_samples));
    row("  to floats, points/d", &|float| signed(float.drift_to_floats));
    row("quick noise, points", &|float| plain(float.quick_noise));
    row("slow noise, points", &|float| plain(float.slow_noise));
    row("outliers", &|float| {
        float.outliers.map_or_else(unknown, |outliers| {
            format!("{} ({})", outliers.count, percent(outliers.share.value))
        })
    });
    row("gaps", &|float| float.gaps.map_or_else(unknown, |gaps| gaps.count.to_string()));
    row("longest pause", &|float| float.gaps.map_or_else(unknown, |gaps| gaps.longest.to_string()));
    row("time covered", &|float| float.gaps.map_or_else(unknown, |gaps| percent(gaps.covered)));
    row("times stuck", &|float| {
        float.sticking.map_or_else(unknown, |sticking| sticking.count.to_string())
    });
    row("battery", &|float| {
        float.battery.map_or_else(unknown, |battery| format!("{:.0} %", battery.percent))
    });
    row("  lost, %/d", &|float| plain(float.battery.and_then(|battery| battery.lost_a_day)));
    row("  days left", &|float| days_left(float.battery).unwrap_or_else(unknown));
    told
}

/// What a float's figures mean.
fn sentences(found: &Found, setup: &VesselSetup, float: &FloatReport) -> String {
    let name = &float.name;
    let mut said = Vec::new();
    if !setup.config.gravity.contains_key(name.as_str()) {
        said.push(format!("{name} is no longer configured: its readings are taken as they are."));
    }
    if float.readings == 0 {
        said.push(format!("{name} gave no gravity in this batch."));
    } else {
        said.push(format!("{name} {}.", bias(float)));
        said.push(drift(float));
        said.extend(noise(float));
    }
    said.extend(float.gaps.and_then(presence));
    if let Some(sticking) = float.sticking.filter(|sticking| sticking.count > 0) {
        let stuck = how_often(sticking.count, sticking.longest);
        said.push(format!("It stuck {stuck}, while another float moved."));
    }
    if let Some((count, why)) = found.unusable.get(name) {
        let readings = counted(*count, "reading", "readings");
        said.push(format!("{readings} could not be used, the last since {why}."));
    }
    said.extend(battery(float));
    said.join(" ")
}

fn bias(float: &FloatReport) -> String {
    let Some(bias) = float.bias_to_samples else {
        return "was beside no sample: whether it is right is not known".to_owned();
    };
    let samples = counted(float.samples, "sample", "samples");
    if !bias.is_apart_from(0.0) {
        let off = with_sd(bias, true);
        return format!("is not shown to be off: {off} points, by {samples}");
    }
    let side = if bias.value > 0.0 { "high" } else { "low" };
    let off = if bias.value > 0.0 { bias } else { bias.negative() };
    format!(
        "reads {} points {side}, by {samples} (95 %: {} to {})",
        with_sd(off, false),
        number(off.low, 1),
        number(off.high, 1)
    )
}

fn drift(float: &FloatReport) -> String {
    let (drift, than) = match (float.drift_to_samples, float.drift_to_floats) {
        (Some(drift), _) => (drift, "the samples"),
        (None, Some(drift)) => (drift, "the other floats"),
        (None, None) => return "Whether it drifts is not known.".to_owned(),
    };
    let most = number(drift.low.abs().max(drift.high.abs()), 2);
    let a_day = with_sd(drift, true);
    if drift.is_apart_from(0.0) {
        format!("It drifts from {than} by {a_day} points a day.")
    } else {
        format!("It drifts from {than} by no more than {most} points a day ({a_day}).")
    }
}

fn noise(float: &FloatReport) -> Option<String> {
    let quick = float.quick_noise?;
    let quick_said = format!("Its readings scatter by {} points", with_sd(quick, false));
    Some(match float.slow_noise {
        Some(slow) => {
            format!("{quick_said} and wander over hours by {}.", with_sd(slow, false))
        }
        None => format!("{quick_said}; how far they wander over hours is not known."),
    })
}

fn presence(gaps: Gaps) -> Option<String> {
    if let Some(silent) = gaps.silent {
        return Some(format!("It has said nothing for the last {silent}."));
    }
    (gaps.count > 0).then(|| format!("It was away {}.", how_often(gaps.count, gaps.longest)))
}

fn battery(float: &FloatReport) -> Option<String> {
    let battery = float.battery?;
    let left = battery.days_left?;
    let low = left.low.floor();
    Some(match (left.days, left.high) {
        (Some(days), Some(high)) => {
            format!("Its battery lasts {days:.0} d more ({low} to {}).", high.ceil())
        }
        _ => format!("Its battery lasts {low} d more at least."),
    })
}

/// Which float is ahead, and what to do to know more.
pub(crate) fn conclusions(found: &Found) -> Vec<String> {
    let comparison = &found.comparison;
    let heard = comparison.floats.iter().filter(|float| float.readings > 0).count();
    let mut lines = Vec::new();
    if heard > 1 {
        let ranked = |what: &str, ranked: Option<Ranked>| match ranked {
            None => format!("{what}: not known."),
            Some(Ranked { first, second, is_shown: true }) => {
                format!("{what}: {first}, before {second}.")
            }
            Some(Ranked { first, second, is_shown: false }) => {
                format!("{what}: perhaps {first}; that it is before {second} is not shown.")
            }
        };
        lines.push(ranked("Nearest to the samples", comparison.nearest()));
        lines.push(ranked("Quietest", comparison.quietest()));
    } else {
        lines.push("One float alone: there is none to compare it with.".to_owned());
    }
    lines.extend(comparison.partings().iter().map(parting));
    lines.extend(comparison.lacks().iter().map(lacking));
    lines
}

fn wants_samples(found: &Found) -> bool {
    let comparison = &found.comparison;
    comparison.lacks().iter().any(|lack| !matches!(lack, Lack::Noise { .. }))
        || comparison.partings().iter().any(|parting| parting.drifting.is_none())
}

fn lacking(lack: &Lack) -> String {
    match lack {
        Lack::NoSample => "Not known: which float is right, since no sample was taken.".to_owned(),
        Lack::NoReadingsBeside { name } => {
            format!("Not known: whether {name} is right, since it has no reading near a sample.")
        }
        Lack::SamplesTooClose => {
            "Not known: any drift from the samples, which are too few or less than a day apart."
                .to_owned()
        }
        Lack::Bias { name, half } => format!(
            "Not known well: the bias of {name}, to {} points either way (95 %).",
            number(*half, 1)
        ),
        Lack::Drift { name, half } => format!(
            "Not known well: the drift of {name}, to {} points a day either way (95 %).",
            number(*half, 1)
        ),
        Lack::Noise { name } => {
            format!("Not known: the noise of {name}, which gave too few readings.")
        }
    }
}

fn parting(parting: &Parting) -> String {
    let [one, other] = &parting.names;
    let drift = parting.drift;
    let a_day = with_sd(if drift.value < 0.0 { drift.negative() } else { drift }, false);
    let which = parting.drifting.as_ref().map_or_else(
        || "which of them drifts is not known".to_owned(),
        |name| format!("by the samples it is {name} that drifts"),
    );
    format!("{one} and {other} part by {a_day} points a day: {which}.")
}

fn days_left(battery: Option<Battery>) -> Option<String> {
    let left = battery?.days_left?;
    let low = left.low.floor();
    Some(match (left.days, left.high) {
        (Some(days), Some(high)) => format!("{days:.0} ({low}-{})", high.ceil()),
        _ => format!("at least {low}"),
    })
}

/// `0.71 ± 0.02`, with as many decimals as the uncertainty asks for.
fn with_sd(figure: Figure, signed: bool) -> String {
    let decimals = match figure.sd {
        sd if sd >= 0.195 => 1,
        sd if sd >= 0.009_95 => 2,
        _ => 3,
    };
    let value = number(figure.value, decimals);
    let sign = if signed && !value.starts_with('-') { "+" } else { "" };
    format!("{sign}{value} ± {}", number(figure.sd, decimals))
}

/// Never `-0.0`.
fn number(value: f64, decimals: usize) -> String {
    let shown = format!("{value:.decimals$}");
    match shown.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => shown,
    }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// `once, for 3 h`.
fn how_often(count: usize, longest: Span) -> String {
    match count {
        1 => format!("once, for {longest}"),
        2 => format!("twice, for up to {longest}"),
        _ => format!("{count} times, for up to {longest}"),
    }
}

fn unknown() -> String {
    UNKNOWN.to_owned()
}

/// At most so many characters of a name.
fn short(name: &str, width: usize) -> String {
    if name.chars().count() <= width {
        return name.to_owned();
    }
    let kept: String = name.chars().take(width - 1).collect();
    format!("{kept}…")
}

/// Writes a text in lines of a terminal's width.
fn paragraph(output: &mut impl Write, text: &str) -> std::io::Result<()> {
    let mut line = String::new();
    for word in text.split_whitespace() {
        let width = line.chars().count() + 1 + word.chars().count();
        if !line.is_empty() && width > WIDTH {
            writeln!(output, "{line}")?;
            word.clone_into(&mut line);
        } else {
            let blank = if line.is_empty() { "" } else { " " };
            line = format!("{line}{blank}{word}");
        }
    }
    writeln!(output, "{line}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Batch;
    use belief::compare::{FloatReadings, HandSample, compare};
    use quantity::Stamp;
    use schedule::Name;
    use std::collections::BTreeMap;

    const CONFIG: &str = r#"
        format = 1
        [store]
        file = "barmkeep.db"
        [vessel.north]
        volume = "23 L"
        coldest = "0 C"
        warmest = "26 C"
        [vessel.north.gravity.oak]
        topic = "cellar/float/1"
        read = { at = "/sg", unit = "SG" }
        every = "1 h"
    "#;

    fn at(hours: i64) -> Stamp {
        Stamp::from_millis(1_772_323_200_000) + Span::from_hours(hours)
    }

    fn found(names: &[&str], samples: &[HandSample], ended: Option<Stamp>) -> Found {
        let float = |name: &&str| FloatReadings {
            name: (*name).to_owned(),
            gravities: (0..300).map(|h| (at(h), 12.0 + 0.3 * (h as f64 * 2.9).sin())).collect(),
            charges: (0..300).map(|h| (at(h), 90.0 - (h as f64 * 0.05).round())).collect(),
        };
        let floats: Vec<FloatReadings> = names.iter().map(float).collect();
        Found {
            batch: Batch {
                id: "north-1".to_owned(),
                vessel: Some("north".to_owned()),
                first_seq: 1,
                began: at(0),
                completed: None,
                ended,
            },
            vessel: Name::parse("north").unwrap(),
            from: at(0),
            until: at(300),
            unusable: BTreeMap::from([("oak".to_owned(), (1, "it is not a number".to_owned()))]),
            comparison: compare(&floats, samples, at(300)),
        }
    }

    fn printed(found: &Found) -> String {
        let source = schedule::Source::new("test.toml".to_owned(), CONFIG.to_owned());
        let config = schedule::read_config(&source, &|_| true).value.unwrap();
        let vessel = config.vessels.values().next().unwrap().clone();
        let setup = VesselSetup::new(vessel, BTreeMap::new());
        let mut output = Vec::new();
        print(&mut output, found, &setup, config.show, &Zone::of(&config)).unwrap();
        String::from_utf8(output).unwrap()
    }

    #[test]
    fn any_number_of_floats_fits_a_terminal() {
        let names = ["oak", "elm", "a-float-of-a-rather-long-name", "ash", "yew", "fir", "box"];
        let text = printed(&found(&names, &[], Some(at(300))));
        for line in text.lines() {
            assert!(line.chars().count() <= WIDTH, "{line}");
            assert_eq!(line.trim_end(), line);
        }
        assert_eq!(text.matches("\nusual interval").count(), 3, "three abreast: {text}");
        assert!(text.contains("a-float-of-a-ra…"), "{text}");
        assert!(text.contains("elm is no longer configured"), "{text}");
        let words: Vec<&str> = text.split_whitespace().collect();
        assert!(words.join(" ").contains("1 reading could not be used"), "{text}");
        assert!(text.contains("In the next batch take two more samples"), "{text}");
        assert!(!text.contains("still running") && !text.contains("NaN"), "{text}");
    }

    #[test]
    fn what_is_known_well_asks_for_nothing() {
        let sample = |day: i64| HandSample { at: at(day * 24), points: 12.0, sd_points: 0.3 };
        let samples: Vec<HandSample> = (1..12).map(sample).collect();
        let text = printed(&found(&["oak"], &samples, None));
        assert!(text.contains("oak is not shown to be off"), "{text}");
        assert!(text.contains("still running"), "{text}");
        assert!(!text.contains("Not known") && !text.contains("two more samples"), "{text}");
    }

    #[test]
    fn decimals_follow_the_uncertainty_and_zero_has_no_sign() {
        let figure = |value: f64, sd: f64| Figure { value, sd, low: value, high: value };
        for (value, sd, text) in [
            (2.14, 0.5, "+2.1 ± 0.5"),
            (-0.04, 0.3, "+0.0 ± 0.3"),
            (0.714, 0.021, "+0.71 ± 0.02"),
            (-1.25, 0.004, "-1.250 ± 0.004"),
        ] {
            assert_eq!(with_sd(figure(value, sd), true), text);
        }
    }
}
