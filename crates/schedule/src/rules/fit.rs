//! Whether a schedule suits a vessel: its limits, what heats and cools it, how often it is read.

use super::temperature::targets;
use super::{celsius, entry};
use crate::config::{Output, Vessel};
use crate::document::Finding;
use crate::draft::{Draft, DraftStage};
use crate::model::{Milestone, Schedule, Target};
use quantity::{Span, Temperature};

/// A move by less than this needs neither heater nor chiller, in K.
const MOVE_K: f64 = 0.5;

/// What speaks against following a schedule in a vessel: errors refuse it, warnings are said.
///
/// Findings name values by their path in the schedule, such as `stage.0.target`.
pub fn fits(schedule: &Schedule, of: &Vessel) -> Vec<Finding> {
    vessel(&Draft::of(schedule), of)
}

/// As [`fits`], for a schedule as far as it could be read.
pub(crate) fn vessel(draft: &Draft, vessel: &Vessel) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, stage) in draft.stages.iter().enumerate() {
        for (path, temperature) in targets(stage) {
            findings.extend(outside_vessel(stage, &path, temperature, vessel));
        }
        // A guest in another vessel's fridge has no outputs of its own.
        if vessel.rides_with.is_none() {
            findings.extend(heat_and_cold(stage, entry(&draft.stages, index), vessel));
        }
    }
    findings.extend(readings(draft, vessel));
    findings
}

/// Warns of each `stable` that readings this far apart cannot show; `sensor` begins the sentence.
pub(crate) fn short_windows(draft: &Draft, interval: Span, sensor: &str) -> Vec<Finding> {
    let asks = draft.stages.iter().flat_map(|stage| {
        let notices = stage.notices.iter().filter_map(|notice| notice.when.as_ref());
        stage.until.iter().chain(notices)
    });
    asks.flat_map(|ask| ask.leaves())
        .filter_map(|(path, milestone)| match milestone {
            Milestone::Stable { over, .. } if *over < interval * 2 => {
                let message = format!(
                    "{sensor} cannot show `stable` over {over}: two of them must lie within half \
                     of it"
                );
                let hint = format!("let `over` be at least `\"{}\"`", interval * 2);
                Some(
                    Finding::warning("stable-too-short", &format!("{path}.over"), message)
                        .hint(hint),
                )
            }
            _ => None,
        })
        .collect()
}

fn outside_vessel(
    stage: &DraftStage,
    path: &str,
    target: Temperature,
    vessel: &Vessel,
) -> Option<Finding> {
    let (limit, name, side) = if target < vessel.coldest {
        (vessel.coldest, "coldest", "below")
    } else if target > vessel.warmest {
        (vessel.warmest, "warmest", "above")
    } else {
        return None;
    };
    let message = format!(
        "the target of {} ({}) is {side} the vessel's own `{name}` ({})",
        stage.title(),
        celsius(target),
        celsius(limit)
    );
    Some(
        Finding::error("outside-vessel", path, message)
            .hint("change the target, or take another vessel"),
    )
}

fn heat_and_cold(
    stage: &DraftStage,
    entry: Option<Temperature>,
    vessel: &Vessel,
) -> Option<Finding> {
    let (heats, cools) = (works(vessel.heater.as_ref()), works(vessel.chiller.as_ref()));
    let target = stage.target.as_ref()?;
    let path = stage.path_of("target");
    let title = stage.title();
    if let Target::FreeRise { not_below, ceiling } = target {
        return if !cools {
            let message =
                format!("nothing cools this vessel: no chiller holds the ceiling of {title}");
            let hint = format!("watch that the beer stays below {}", celsius(*ceiling));
            Some(Finding::warning("no-chiller", &path, message).hint(hint))
        } else if not_below.is_some() && !heats {
            let message =
                format!("nothing heats this vessel: `not_below` of {title} has no effect");
            Some(Finding::warning("no-heater", &stage.path_of("target.not_below"), message))
        } else {
            None
        };
    }
    let way = (target.end() - entry?).kelvin();
    if way > MOVE_K && !heats {
        let message = format!(
            "nothing heats this vessel: {title} rises to {} only by the beer's own warmth",
            celsius(target.end())
        );
        Some(Finding::warning("no-heater", &path, message).hint("add a heater, or a free rise"))
    } else if way < -MOVE_K && !cools {
        let message = format!(
            "nothing cools this vessel: {title} falls to {} only where the room is colder",
            celsius(target.end())
        );
        Some(Finding::warning("no-chiller", &path, message).hint("add a chiller"))
    } else {
        None
    }
}

fn works(output: Option<&Output>) -> bool {
    output.is_some_and(|output| !output.out_of_use)
}

/// The rules on how often the gravity is read.
fn readings(draft: &Draft, vessel: &Vessel) -> Vec<Finding> {
    if let Some(every) = vessel.gravity.values().map(|source| source.every).min() {
        let sensor = format!("readings every {every}, as this vessel's float sends them,");
        return short_windows(draft, every, &sensor);
    }
    if let Some(every) = vessel.sample_every {
        let sensor = format!("hand samples every {every}, as this vessel has them,");
        return short_windows(draft, every, &sensor);
    }
    let on_gravity = draft.stages.iter().find_map(|stage| {
        let leaves = stage.until.as_ref()?.leaves();
        leaves.into_iter().find(|(_, milestone)| milestone.is_on_gravity()).map(|(path, _)| path)
    });
    on_gravity
        .map(|path| {
            let message = "this vessel has no gravity source, and no `sample_every` asks for hand \
                           samples"
                .to_owned();
            Finding::warning("no-gravity-source", path, message)
                .hint("`sample_every = \"1 d\"` in the vessel's table calls for samples")
        })
        .into_iter()
        .collect()
}
