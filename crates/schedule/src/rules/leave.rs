//! Whether a stage can be left, and whether that is left to a gravity that may never come.

use super::beer::Mark;
use super::climb::{arrival, cut_after};
use super::{Placed, percent};
use crate::document::Finding;
use crate::draft::Ask;
use crate::model::{Along, Milestone, Overdue, Target};
use quantity::Span;

/// A milestone farther than this beyond the expected final gravity cannot be reached; nearer, it
/// is shown late or never.
const BEYOND_POINTS: f64 = 1.0;

/// The rules on the milestones of one stage.
pub(super) fn rules(place: &Placed<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    findings.extend(climb_needs_final(place));
    for ask in place.stage.notices.iter().filter_map(|notice| notice.when.as_ref()) {
        findings.extend(needs_final(place, ask));
        findings.extend(never_said(place, ask));
    }
    let Some(until) = &place.stage.until else { return findings };
    findings.extend(needs_final(place, until));
    match impossible(place, until) {
        Some(why) => findings.push(cannot_leave(place, &why)),
        None => {
            findings.extend(dead_branches(place, until));
            findings.extend(at_the_end(place, until));
        }
    }
    findings.extend(true_at_once(place, until));
    findings.extend(unbounded(place, until));
    findings.extend(bound_too_short(place, until));
    findings
}

/// Why a milestone can never be true.
struct Why {
    path: String,
    reason: String,
    hint: &'static str,
}

/// The first reason why a milestone can never be true by the schedule's own expectation.
fn impossible(place: &Placed<'_>, ask: &Ask) -> Option<Why> {
    match ask {
        Ask::Leaf(path, milestone) => {
            let (reason, hint) = impossible_leaf(place, milestone)?;
            Some(Why { path: path.clone(), reason, hint })
        }
        Ask::All(_, list) => list.iter().find_map(|ask| impossible(place, ask)),
        Ask::Any(_, list) => {
            let all: Option<Vec<Why>> = list.iter().map(|ask| impossible(place, ask)).collect();
            all?.into_iter().next()
        }
    }
}

fn impossible_leaf(place: &Placed<'_>, milestone: &Milestone) -> Option<(String, &'static str)> {
    if let Milestone::AtTarget(_) = milestone {
        return unreachable_target(place);
    }
    let beyond = beyond(place, place.outlook.mark(milestone)?)?;
    let hint = "ask for less, expect a drier beer in `[expect]`, or use `stable`";
    Some((format!("this lies {beyond}"), hint))
}

/// How far a mark lies beyond what can be reached, in words.
fn beyond(place: &Placed<'_>, mark: Mark) -> Option<String> {
    let points = place.outlook.points_beyond_end(mark)?;
    (points > BEYOND_POINTS).then(|| {
        let end = place.outlook.final_text();
        let points = crate::text::short(points, 1);
        format!("{points} points beyond the expected final gravity ({end})")
    })
}

/// Why the setpoint of a stage never arrives.
fn unreachable_target(place: &Placed<'_>) -> Option<(String, &'static str)> {
    let Some(Target::Climb { along, until, .. }) = place.stage.target else { return None };
    let beyond = beyond(place, place.outlook.along(along, until))?;
    let reason = format!("the climb ends at {}, {beyond}", percent(until));
    Some((reason, "let the climb end earlier, or the stage with something else"))
}

fn cannot_leave(place: &Placed<'_>, why: &Why) -> Finding {
    let message = format!("nobody can leave {}: {}", stage_title(place), why.reason);
    Finding::error("cannot-leave", &why.path, message).hint(why.hint)
}

/// Warns of parts of an `any` that never come true.
fn dead_branches(place: &Placed<'_>, ask: &Ask) -> Vec<Finding> {
    match ask {
        Ask::Leaf(..) => Vec::new(),
        Ask::All(_, list) => list.iter().flat_map(|ask| dead_branches(place, ask)).collect(),
        Ask::Any(_, list) => list
            .iter()
            .flat_map(|ask| match impossible(place, ask) {
                Some(why) => {
                    let message = format!("this is never true: {}", why.reason);
                    vec![Finding::warning("never-true", &why.path, message).hint(why.hint)]
                }
                None => dead_branches(place, ask),
            })
            .collect(),
    }
}

fn never_said(place: &Placed<'_>, ask: &Ask) -> Option<Finding> {
    if let Some(why) = impossible(place, ask) {
        let message = format!("this is never said: {}", why.reason);
        return Some(Finding::warning("never-true", &why.path, message).hint(why.hint));
    }
    let (cut, by) = cut_after(place)?;
    let earliest = earliest(place, ask);
    if earliest <= cut {
        return None;
    }
    let message = format!(
        "this is never said: it comes after {earliest}, and {by} ends {} after {cut}",
        stage_title(place)
    );
    Some(Finding::warning("never-true", ask.path(), message).hint("let it come earlier"))
}

/// Refuses what cannot be judged without an expected final gravity.
fn needs_final(place: &Placed<'_>, ask: &Ask) -> Vec<Finding> {
    if place.outlook.has_final {
        return Vec::new();
    }
    ask.leaves()
        .into_iter()
        .filter(|(_, milestone)| milestone.needs_final())
        .map(|(path, milestone)| {
            let key = if matches!(milestone, Milestone::Progress(_)) {
                "progress"
            } else {
                "above_final"
            };
            no_final(path, &format!("`{key}`"))
        })
        .collect()
}

fn climb_needs_final(place: &Placed<'_>) -> Option<Finding> {
    let Some(Target::Climb { along: Along::Progress, .. }) = place.stage.target else {
        return None;
    };
    let path = place.stage.path_of("target.along");
    (!place.outlook.has_final).then(|| no_final(&path, "a climb along `progress`"))
}

fn no_final(path: &str, what: &str) -> Finding {
    let message = format!("{what} needs an expected final gravity, and none is known");
    Finding::error("needs-final", path, message).hint(
        "give `final_gravity` or `attenuation` in `[expect]`, or use `attenuation`, `gravity` or \
         `stable` here",
    )
}

/// Warns of a milestone so near to the expected end that it is shown late or never.
fn at_the_end(place: &Placed<'_>, until: &Ask) -> Vec<Finding> {
    let outlook = place.outlook;
    until
        .leaves()
        .into_iter()
        .filter(|(_, milestone)| {
            let beyond = outlook.mark(milestone).and_then(|mark| outlook.points_beyond_end(mark));
            beyond.is_some_and(|points| points.abs() <= BEYOND_POINTS - 1e-6)
        })
        .map(|(path, _)| {
            let message = format!(
                "this lies at the expected final gravity ({}): a beer that ends there shows it \
                 late or never",
                outlook.final_text()
            );
            Finding::warning("at-the-end", path, message)
                .hint("for the end of fermentation use `stable`; for nearly there, `above_final`")
        })
        .collect()
}

fn true_at_once(place: &Placed<'_>, until: &Ask) -> Option<Finding> {
    let kept = place.stage.at_least.is_some_and(|least| !least.is_zero());
    (!kept && is_true_at_once(place, until)).then(|| {
        let message = format!("{} ends as soon as it begins", stage_title(place));
        Finding::warning("true-at-once", until.path(), message)
            .hint("ask for more, or leave the stage out")
    })
}

fn is_true_at_once(place: &Placed<'_>, ask: &Ask) -> bool {
    match ask {
        Ask::Leaf(_, Milestone::Elapsed(span) | Milestone::SincePitch(span)) => span.is_zero(),
        Ask::Leaf(_, milestone) => place.outlook.is_true_of_wort(milestone),
        Ask::All(_, list) => list.iter().all(|ask| is_true_at_once(place, ask)),
        Ask::Any(_, list) => list.iter().any(|ask| is_true_at_once(place, ask)),
    }
}

/// Warns of a stage that waits for the beer without bound.
fn unbounded(place: &Placed<'_>, until: &Ask) -> Option<Finding> {
    if place.stage.at_most.is_some() || !waits_for_beer(place, until) {
        return None;
    }
    let message = format!(
        "{} waits for the beer without bound: a gravity that sticks would keep it there for ever",
        stage_title(place)
    );
    Some(
        Finding::warning("no-at-most", until.path(), message)
            .hint("add `at_most = { time = \"14 d\", then = \"alarm\" }`"),
    )
}

/// Whether a milestone cannot be true as long as the beer does nothing.
fn waits_for_beer(place: &Placed<'_>, ask: &Ask) -> bool {
    match ask {
        Ask::Leaf(_, Milestone::AtTarget(_)) => {
            matches!(place.stage.target, Some(Target::Climb { .. } | Target::FreeRise { .. }))
        }
        Ask::Leaf(_, milestone) => milestone.is_on_gravity(),
        Ask::All(_, list) => list.iter().any(|ask| waits_for_beer(place, ask)),
        Ask::Any(_, list) => list.iter().all(|ask| waits_for_beer(place, ask)),
    }
}

fn bound_too_short(place: &Placed<'_>, until: &Ask) -> Option<Finding> {
    let most = place.stage.at_most?;
    let earliest = earliest(place, until);
    if earliest <= most.time {
        return None;
    }
    let then = match most.then {
        Overdue::Alarm => "the alarm comes each time",
        Overdue::Advance => "`until` never decides",
        Overdue::Hold => "the run is held each time",
    };
    let message = format!(
        "`at_most` ({}) comes before `until` can be true (after {earliest}): {then}",
        most.time
    );
    Some(
        Finding::warning("bound-too-short", &place.stage.path_of("at_most.time"), message)
            .hint("lengthen `at_most`")
            .related(until.path().to_owned(), "what ends the stage"),
    )
}

/// No earlier than this after its entry can a stage's milestone be true.
fn earliest(place: &Placed<'_>, ask: &Ask) -> Span {
    match ask {
        Ask::Leaf(_, Milestone::Elapsed(span)) => *span,
        Ask::Leaf(_, Milestone::SincePitch(span)) if place.index == 0 => *span,
        Ask::Leaf(_, Milestone::AtTarget(span)) => arrival(place) + *span,
        Ask::Leaf(..) => Span::ZERO,
        Ask::All(_, list) => {
            list.iter().map(|ask| earliest(place, ask)).max().unwrap_or(Span::ZERO)
        }
        Ask::Any(_, list) => {
            list.iter().map(|ask| earliest(place, ask)).min().unwrap_or(Span::ZERO)
        }
    }
}

fn stage_title(place: &Placed<'_>) -> String {
    place.stage.title()
}
