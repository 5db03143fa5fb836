//! Whether each target is allowed, unfrozen, and fit for the yeast.

use super::{Placed, celsius};
use crate::document::Finding;
use crate::draft::DraftStage;
use crate::model::Target;
use crate::text::short;
use quantity::Temperature;

/// The rules on the temperatures of one stage.
pub(super) fn rules(place: &Placed<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (path, temperature) in targets(place.stage) {
        findings.extend(outside_limits(place, &path, temperature));
        findings.extend(freezing(place, &path, temperature));
        findings.extend(outside_yeast_range(place, &path, temperature));
    }
    findings
}

/// The temperatures that a stage goes to, with their paths.
pub(super) fn targets(stage: &DraftStage) -> Vec<(String, Temperature)> {
    match &stage.target {
        None => Vec::new(),
        Some(Target::Fixed(to)) => vec![(stage.path_of("target"), *to)],
        Some(Target::Timed { to, .. } | Target::Climb { to, .. }) => {
            vec![(stage.path_of("target.to"), *to)]
        }
        Some(Target::FreeRise { ceiling, not_below }) => {
            let ceiling = (stage.path_of("target.free_rise"), *ceiling);
            let floor = not_below.map(|floor| (stage.path_of("target.not_below"), floor));
            std::iter::once(ceiling).chain(floor).collect()
        }
    }
}

fn outside_limits(place: &Placed<'_>, path: &str, target: Temperature) -> Option<Finding> {
    let limits = &place.draft.limits;
    let (limit, name, side) = match (limits.coldest, limits.warmest) {
        (Some(coldest), _) if target < coldest => (coldest, "coldest", "below"),
        (_, Some(warmest)) if target > warmest => (warmest, "warmest", "above"),
        _ => return None,
    };
    if limits.coldest > limits.warmest && limits.warmest.is_some() {
        return None; // Upside down, and said so: no target could lie within.
    }
    let message = format!(
        "the target of {} ({}) is {side} `{name}` ({})",
        place.stage.title(),
        celsius(target),
        celsius(limit)
    );
    Some(
        Finding::error("outside-limits", path, message)
            .hint("change the target, or the limit in `[limits]`")
            .related(format!("limits.{name}"), "the limit"),
    )
}

fn freezing(place: &Placed<'_>, path: &str, target: Temperature) -> Option<Finding> {
    if !place.outlook.is_whole {
        return None;
    }
    let (freezing, why) = place.outlook.freezing_celsius(place.earlier());
    (target.celsius() < freezing).then(|| {
        let message = format!(
            "at {} this beer begins to freeze: its freezing point is {} °C, as {why}",
            celsius(target),
            short(freezing, 2)
        );
        Finding::error("freezing", path, message).hint(
            "choose a warmer target, or give `[expect]` and let a stage before ask for more \
             attenuation",
        )
    })
}

fn outside_yeast_range(place: &Placed<'_>, path: &str, target: Temperature) -> Option<Finding> {
    let (coldest, warmest) = place.draft.expect.yeast_range?;
    let outside = target < coldest || target > warmest;
    (outside && !place.outlook.has_ended(place.earlier())).then(|| {
        let message = format!(
            "the target of {} ({}) is outside `yeast_range` ({} to {}), and no stage before shows \
             that the beer has ended its work",
            place.stage.title(),
            celsius(target),
            celsius(coldest),
            celsius(warmest)
        );
        Finding::warning("outside-yeast-range", path, message)
            .hint("let a stage before end with `stable`")
            .related("expect.yeast_range", "the yeast's range")
    })
}
