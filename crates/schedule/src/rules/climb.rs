//! Whether a climb can be followed, and whether its stage lasts until it arrives.

use super::{Placed, celsius, percent, share_text};
use crate::document::Finding;
use crate::draft::Ask;
use crate::model::{Along, Milestone, Overdue, Pace, Target};
use crate::text::short;
use quantity::{Share, Span, Temperature, TemperatureRate};

/// The brisk fermentation that a climb along the beer is checked for: at 18 °C, apparent
/// attenuation rises by at most this an hour.
///
/// The fastest hour of the uptake model of Gee and Ramirez (1994) with the test plant's constants
/// at 12 °P and 18 °C: 17 points a day, 35 % of the original extract.
const BRISK_SHARE_PER_HOUR_AT_18: f64 = 0.015;
/// How that changes with temperature, in J/mol: an engineering assumption of the same plant.
const ACTIVATION_J_PER_MOL: f64 = 60_000.0;
const GAS_J_PER_MOL_K: f64 = 8.314_462_618;
/// The attenuation of a usual beer, where none is expected.
const USUAL_FINAL_SHARE: f64 = 0.75;
/// Slower than the limit by less than this is not worth a word.
const SLACK: f64 = 1.02;

/// The rules on the target of one stage as a movement.
pub(super) fn rules(place: &Placed<'_>) -> Vec<Finding> {
    match &place.stage.target {
        Some(Target::Timed { to, pace, .. }) => {
            let mut findings = Vec::new();
            findings.extend(timed_too_fast(place, *to, *pace));
            findings.extend(timed_cut_short(place));
            findings
        }
        Some(Target::Climb { to, along, from, until, .. }) => {
            let climb = Climb { to: *to, along: *along, from: *from, until: *until };
            let mut findings = Vec::new();
            findings.extend(climb_too_fast(place, &climb));
            findings.extend(climb_too_late(place, &climb));
            match climb_beyond_end(place, &climb) {
                Some(finding) => findings.push(finding),
                None => findings.extend(climb_cut_short(place, &climb)),
            }
            findings
        }
        Some(Target::Fixed(_) | Target::FreeRise { .. }) | None => Vec::new(),
    }
}

/// A climb along the beer.
struct Climb {
    to: Temperature,
    along: Along,
    from: Share,
    until: Share,
}

/// No earlier than this after its entry has the setpoint of a stage arrived.
pub(super) fn arrival(place: &Placed<'_>) -> Span {
    let Some(target) = &place.stage.target else { return Span::ZERO };
    let entry = place.entry();
    let by_ramp = entry.and_then(|entry| by_ramp(place, entry, target.end())).unwrap_or(Span::ZERO);
    match target {
        Target::Fixed(_) => by_ramp,
        Target::Timed { to, pace, .. } => by_ramp.max(match (pace, entry) {
            (Pace::Over(span), _) => *span,
            (Pace::Rate(rate), Some(entry)) => at_rate(*to, entry, *rate),
            (Pace::Rate(_), None) => Span::ZERO,
        }),
        Target::Climb { to, along, from, until, .. } => {
            let climb = Climb { to: *to, along: *along, from: *from, until: *until };
            by_ramp.max(brisk_time(place, &climb))
        }
        Target::FreeRise { .. } => Span::ZERO,
    }
}

/// The time after which a stage is left whatever the beer does, and what leaves it.
pub(super) fn cut_after(place: &Placed<'_>) -> Option<(Span, &'static str)> {
    let until = place.stage.until.as_ref().and_then(latest);
    let most = place.stage.at_most.filter(|most| most.then == Overdue::Advance);
    let least = place.stage.at_least.unwrap_or(Span::ZERO);
    let until = until.map(|span| (span.max(least), "`until`"));
    let most = most.map(|most| (most.time, "`at_most`"));
    until.into_iter().chain(most).min_by_key(|(span, _)| *span)
}

/// A milestone is true by this time after the stage's entry, whatever the beer does.
fn latest(ask: &Ask) -> Option<Span> {
    match ask {
        Ask::Leaf(_, Milestone::Elapsed(span) | Milestone::SincePitch(span)) => Some(*span),
        Ask::Leaf(..) => None,
        Ask::All(_, list) => {
            let all: Option<Vec<Span>> = list.iter().map(latest).collect();
            all?.into_iter().max()
        }
        Ask::Any(_, list) => list.iter().filter_map(latest).min(),
    }
}

fn timed_too_fast(place: &Placed<'_>, to: Temperature, pace: Pace) -> Option<Finding> {
    let (asked, key) = match pace {
        Pace::Rate(rate) => (rate.kelvin_per_hour(), "rate"),
        Pace::Over(span) => {
            let way = (to - place.entry()?).kelvin().abs();
            (way / span.hours().max(1e-9), "over")
        }
    };
    let (ramp, name) = match place.entry() {
        Some(entry) if entry == to => return None,
        Some(entry) => ramp(place, entry, to)?,
        // Where it begins is not known, so only what neither limit allows is sure.
        None => faster_ramp(place)?,
    };
    let limit = ramp.kelvin_per_hour();
    (asked > limit * SLACK).then(|| {
        let message = format!(
            "the ramp limits cannot follow: this asks for {}, `{name}` allows {}",
            rate_text(asked, limit),
            rate_text(limit, limit)
        );
        Finding::warning("ramp-too-slow", &place.stage.path_of(&format!("target.{key}")), message)
            .hint(format!("go more slowly, or raise `{name}` in `[limits]`"))
            .related(format!("limits.{name}"), "the limit")
    })
}

fn timed_cut_short(place: &Placed<'_>) -> Option<Finding> {
    let arrival = arrival(place);
    let (cut, by) = cut_after(place)?;
    (cut < arrival).then(|| {
        let message = format!(
            "{by} cuts the climb short: it takes {arrival}, and {} ends after {cut}",
            place.stage.title()
        );
        cut_finding(place, message)
    })
}

fn climb_too_fast(place: &Placed<'_>, climb: &Climb) -> Option<Finding> {
    let entry = place.entry().filter(|entry| *entry != climb.to)?;
    let (ramp, name) = ramp(place, entry, climb.to)?;
    let way = (climb.to - entry).kelvin().abs();
    let hours = brisk_time(place, climb).hours().max(1e-9);
    let limit = ramp.kelvin_per_hour();
    (way / hours > limit * SLACK).then(|| {
        let message = format!(
            "the ramp limits cannot follow a brisk fermentation: it goes from {} to {} in {}, and \
             `{name}` needs {} from {} to {}",
            percent(climb.from),
            percent(climb.until),
            Span::from_hours_f64(hours),
            Span::from_hours_f64(way / limit),
            celsius(entry),
            celsius(climb.to)
        );
        Finding::warning("ramp-too-slow", &place.stage.path_of("target"), message)
            .hint(format!("widen `from` … `until`, or raise `{name}` in `[limits]`"))
            .related(format!("limits.{name}"), "the limit")
    })
}

fn climb_too_late(place: &Placed<'_>, climb: &Climb) -> Option<Finding> {
    let reached = place.outlook.guaranteed_share(place.earlier())?;
    let end = place.outlook.share(place.outlook.along(climb.along, climb.until))?;
    (reached >= end).then(|| {
        let message = format!(
            "the climb is over before it begins: {} is entered at {} attenuation or more, and the \
             climb ends at {}",
            place.stage.title(),
            share_text(reached),
            share_text(end)
        );
        Finding::warning("climb-too-late", &place.stage.path_of("target.until"), message)
            .hint("let the climb end later, or the stage before end earlier")
    })
}

fn climb_beyond_end(place: &Placed<'_>, climb: &Climb) -> Option<Finding> {
    let mark = place.outlook.along(climb.along, climb.until);
    let beyond = place.outlook.points_beyond_end(mark)?;
    (beyond > 1e-6).then(|| {
        let message = format!(
            "the climb never arrives: it ends at {}, beyond the expected final gravity ({})",
            percent(climb.until),
            place.outlook.final_text()
        );
        Finding::warning("climb-beyond-end", &place.stage.path_of("target.until"), message)
            .hint("let the climb end earlier")
    })
}

fn climb_cut_short(place: &Placed<'_>, climb: &Climb) -> Option<Finding> {
    let outlook = place.outlook;
    let end = outlook.share(outlook.along(climb.along, climb.until));
    let left = place.stage.until.as_ref().and_then(|until| outlook.true_at_share(until));
    if let (Some(end), Some(left)) = (end, left)
        && left < end - 1e-9
    {
        let message = format!(
            "`until` cuts the climb short: {} ends at {} attenuation, the climb at {}",
            place.stage.title(),
            share_text(left),
            share_text(end)
        );
        return Some(cut_finding(place, message));
    }
    let brisk = brisk_time(place, climb);
    let (cut, by) = cut_after(place)?;
    (cut < brisk).then(|| {
        let message = format!(
            "{by} cuts the climb short: even a brisk fermentation takes {brisk} from {} to {}, and \
             {} ends after {cut}",
            percent(climb.from),
            percent(climb.until),
            place.stage.title()
        );
        cut_finding(place, message)
    })
}

fn cut_finding(place: &Placed<'_>, message: String) -> Finding {
    let until = place.stage.until.as_ref().map(|until| until.path().to_owned());
    let path = until.unwrap_or_else(|| place.stage.path_of("until"));
    Finding::warning("climb-cut-short", &path, message)
        .hint("let the climb end earlier, or the stage later")
        .related(place.stage.path_of("target"), "the climb")
}

/// How long the share of a climb takes in a brisk fermentation at the climb's warmest temperature.
fn brisk_time(place: &Placed<'_>, climb: &Climb) -> Span {
    let warmest = place.entry().map_or(climb.to, |entry| entry.max(climb.to));
    let kelvin = warmest.celsius() + 273.15;
    let exponent = -ACTIVATION_J_PER_MOL / GAS_J_PER_MOL_K * (1.0 / kelvin - 1.0 / 291.15);
    let attenuation_per_hour = BRISK_SHARE_PER_HOUR_AT_18 * exponent.exp();
    let share_per_hour = match climb.along {
        Along::Attenuation => attenuation_per_hour,
        Along::Progress => {
            attenuation_per_hour / place.outlook.final_share().unwrap_or(USUAL_FINAL_SHARE)
        }
    };
    Span::from_hours_f64((climb.until.fraction() - climb.from.fraction()) / share_per_hour)
}

fn by_ramp(place: &Placed<'_>, entry: Temperature, to: Temperature) -> Option<Span> {
    ramp(place, entry, to).map(|(ramp, _)| at_rate(to, entry, ramp))
}

fn at_rate(to: Temperature, entry: Temperature, rate: TemperatureRate) -> Span {
    Span::from_hours_f64((to - entry).kelvin().abs() / rate.kelvin_per_hour())
}

/// The limit on a move, and its name.
fn ramp(
    place: &Placed<'_>,
    entry: Temperature,
    to: Temperature,
) -> Option<(TemperatureRate, &'static str)> {
    let limits = &place.draft.limits;
    if to > entry {
        Some((limits.ramp_up?, "ramp_up"))
    } else {
        Some((limits.ramp_down?, "ramp_down"))
    }
}

/// A rate given in K/h, by the day where the slower of two is easier to read so.
fn rate_text(kelvin_per_hour: f64, slower: f64) -> String {
    if slower < 0.5 {
        format!("{} °C/d", short(kelvin_per_hour * 24.0, 2))
    } else {
        format!("{} °C/h", short(kelvin_per_hour, 2))
    }
}

fn faster_ramp(place: &Placed<'_>) -> Option<(TemperatureRate, &'static str)> {
    let (up, down) = (place.draft.limits.ramp_up?, place.draft.limits.ramp_down?);
    Some(if up > down { (up, "ramp_up") } else { (down, "ramp_down") })
}
