//! From a document to a schedule: the values one by one. What values owe to each other across
//! tables is for the rules.

use crate::document::{Fields, Node, Walk};
use crate::draft::{Ask, Draft, DraftExpect, DraftLimits, DraftNotice, DraftStage};
use crate::keys::nearest;
use crate::model::{
    Along, AtMost, ExpectedFinal, ExpectedOriginal, Finish, Milestone, Overdue, Pace, Target,
};
use crate::problem::Source;
use crate::schedule_keys::{
    AT_MOST, CLIMB, EXPECT, FREE_RISE, LIMITS, MILESTONE, NOTICE, SCHEDULE, STABLE, STAGE, TARGET,
    TIMED,
};
use crate::text::{percent, short};
use quantity::{
    Gravity, GravityDelta, GravityRate, Quantity, Share, Span, Temperature, TemperatureRate,
};
use std::num::NonZeroU32;
use std::ops::Range;
use toml::de::DeValue;

/// The least and the largest `confidence`, in percent.
pub(crate) const CONFIDENCE_PERCENT: (f64, f64) = (50.0, 99.9);

/// Reads a schedule as far as it goes; `None` where there is no table to read.
pub(crate) fn schedule(walk: &mut Walk, root: &Node<'_>, source: &Source) -> Option<Draft> {
    let fields = walk.open(root, &SCHEDULE)?;
    walk.integer(&fields, "format");
    Some(Draft {
        name: name(walk, &fields, source),
        confidence: confidence(walk, &fields),
        finish: walk.choice::<Finish>(&fields, "finish"),
        expect: expect(walk, &fields),
        limits: limits(walk, &fields),
        stages: stages(walk, &fields),
    })
}

fn name(walk: &mut Walk, fields: &Fields<'_>, source: &Source) -> Option<String> {
    if fields.has("name") {
        return walk.text(fields, "name");
    }
    let file = source.name.rsplit(['/', '\\']).next().unwrap_or_default();
    Some(file.strip_suffix(".toml").unwrap_or(file).to_owned())
}

fn confidence(walk: &mut Walk, fields: &Fields<'_>) -> Option<Share> {
    let share = walk.quantity::<Share>(fields, "confidence")?;
    let (low, high) = CONFIDENCE_PERCENT;
    // A hair of room, as 99.9 % is no round number inside.
    if share.percent() < low - 1e-9 || share.percent() > high + 1e-9 {
        let message = format!("`confidence` cannot be below {low} % or above {high} %");
        walk.error("bad-value", fields.place("confidence"), message)
            .hint("95 % is the default: of twenty such decisions, one is early");
        return None;
    }
    Some(share)
}

fn expect(walk: &mut Walk, fields: &Fields<'_>) -> DraftExpect {
    let Some(inner) = walk.open_in(fields, "expect", &EXPECT) else {
        return DraftExpect {
            original: None,
            final_gravity: None,
            begins_within: None,
            yeast_range: None,
        };
    };
    let original = walk.quantity_or_word::<Gravity>(&inner, "original_gravity");
    let expect = DraftExpect {
        original: original.map(|given| match given {
            Some(gravity) => ExpectedOriginal::Gravity(gravity),
            None => ExpectedOriginal::Measured,
        }),
        final_gravity: final_gravity(walk, &inner),
        begins_within: above_zero(walk, &inner, "begins_within"),
        yeast_range: range(walk, &inner, "yeast_range"),
    };
    possible_beer(walk, &inner, &expect);
    expect
}

fn final_gravity(walk: &mut Walk, fields: &Fields<'_>) -> Option<ExpectedFinal> {
    if fields.has("attenuation") {
        return walk.quantity(fields, "attenuation").map(ExpectedFinal::Attenuation);
    }
    walk.quantity_or_word(fields, "final_gravity").map(|given| match given {
        Some(gravity) => ExpectedFinal::Gravity(gravity),
        None => ExpectedFinal::Unknown,
    })
}

/// Refuses a beer that cannot be: wort as light as water, or one that gains extract.
fn possible_beer(walk: &mut Walk, fields: &Fields<'_>, expect: &DraftExpect) {
    let original = match expect.original {
        Some(ExpectedOriginal::Gravity(gravity)) => Some(gravity),
        _ => None,
    };
    if let Some(gravity) = original.filter(|gravity| gravity.plato() <= 0.0) {
        let message = format!(
            "an original gravity of {} is no wort: it has no extract",
            short_gravity(gravity)
        );
        walk.error("bad-value", fields.place("original_gravity"), message)
            .hint("worts have about 1.030 to 1.130 SG (8 to 30 °P)");
    }
    match (original, expect.final_gravity) {
        (Some(original), Some(ExpectedFinal::Gravity(end))) if end >= original => {
            let message = format!(
                "the final gravity ({}) is not below the original one ({})",
                short_gravity(end),
                short_gravity(original)
            );
            walk.error("bad-value", fields.place("final_gravity"), message)
                .related(fields.place("original_gravity"), "the original gravity");
        }
        (_, Some(ExpectedFinal::Attenuation(share))) if share.fraction() <= 0.0 => {
            let message = "an attenuation of 0 % is no fermentation".to_owned();
            walk.error("bad-value", fields.place("attenuation"), message)
                .hint("beers reach about 65 % to 90 %");
        }
        _ => {}
    }
}

fn limits(walk: &mut Walk, fields: &Fields<'_>) -> DraftLimits {
    let Some(inner) = walk.open_in(fields, "limits", &LIMITS) else {
        return DraftLimits { coldest: None, warmest: None, ramp_up: None, ramp_down: None };
    };
    let limits = DraftLimits {
        coldest: walk.quantity(&inner, "coldest"),
        warmest: walk.quantity(&inner, "warmest"),
        ramp_up: moving(walk, &inner, "ramp_up"),
        ramp_down: moving(walk, &inner, "ramp_down"),
    };
    if let (Some(coldest), Some(warmest)) = (limits.coldest, limits.warmest)
        && coldest > warmest
    {
        crossed(walk, inner.place("coldest"), inner.place("warmest"));
    }
    limits
}

/// Says that a range is upside down.
pub(crate) fn crossed(walk: &mut Walk, coldest: Range<usize>, warmest: Range<usize>) {
    walk.error("limits-crossed", coldest, "`coldest` is above `warmest`".to_owned())
        .hint("exchange the two")
        .related(warmest, "`warmest`");
}

fn stages(walk: &mut Walk, fields: &Fields<'_>) -> Vec<DraftStage> {
    let nodes = walk.list(fields, "stage").unwrap_or_default();
    nodes.iter().filter_map(|node| stage(walk, node)).collect()
}

fn stage(walk: &mut Walk, node: &Node<'_>) -> Option<DraftStage> {
    let fields = walk.open(node, &STAGE)?;
    Some(DraftStage {
        path: fields.path.clone(),
        name: walk.text(&fields, "name").map(|name| name.trim().to_owned()),
        target: fields.node("target").and_then(|node| target(walk, node)),
        until: fields.node("until").and_then(|node| milestone(walk, node)),
        at_least: walk.quantity(&fields, "at_least"),
        at_most: at_most(walk, &fields),
        remind: above_zero(walk, &fields, "remind"),
        notices: notices(walk, &fields),
    })
}

fn at_most(walk: &mut Walk, fields: &Fields<'_>) -> Option<AtMost> {
    let node = fields.node("at_most")?;
    if bare_span(walk, node, "time") {
        return None;
    }
    let inner = walk.open(node, &AT_MOST)?;
    let time = above_zero(walk, &inner, "time");
    let then = walk.choice::<Overdue>(&inner, "then");
    Some(AtMost { time: time?, then: then? })
}

fn notices(walk: &mut Walk, fields: &Fields<'_>) -> Vec<DraftNotice> {
    let nodes = walk.list(fields, "notice").unwrap_or_default();
    nodes
        .iter()
        .filter_map(|node| {
            let inner = walk.open(node, &NOTICE)?;
            let say = walk.text(&inner, "say");
            let when = inner.node("when").and_then(|node| milestone(walk, node));
            Some(DraftNotice { say, when })
        })
        .collect()
}

fn target(walk: &mut Walk, node: &Node<'_>) -> Option<Target> {
    let DeValue::Table(table) = node.value else {
        return walk.as_quantity(node, &TARGET).map(Target::Fixed);
    };
    // A misspelt key still tells which form was meant.
    let forms = [&TIMED, &CLIMB, &FREE_RISE];
    let known = || forms.iter().flat_map(|form| form.keys).map(|key| key.name);
    let meant: Vec<&str> =
        table.keys().map(|key| nearest(key.get_ref(), known()).unwrap_or_default()).collect();
    let has = |keys: &[&str]| meant.iter().any(|key| keys.contains(key));
    if has(&["free_rise", "not_below"]) {
        free_rise(walk, node)
    } else if has(&["along", "from", "until"]) {
        climb(walk, node)
    } else {
        timed(walk, node)
    }
}

fn timed(walk: &mut Walk, node: &Node<'_>) -> Option<Target> {
    let fields = walk.open(node, &TIMED)?;
    let to = walk.quantity(&fields, "to");
    let steps = steps(walk, &fields);
    let pace = if fields.has("over") {
        above_zero(walk, &fields, "over").map(Pace::Over)
    } else {
        moving(walk, &fields, "rate").map(Pace::Rate)
    };
    Some(Target::Timed { to: to?, pace: pace?, steps })
}

fn climb(walk: &mut Walk, node: &Node<'_>) -> Option<Target> {
    let fields = walk.open(node, &CLIMB)?;
    let to = walk.quantity(&fields, "to");
    let along = walk.choice::<Along>(&fields, "along");
    let from = walk.quantity::<Share>(&fields, "from");
    let until = walk.quantity::<Share>(&fields, "until");
    let steps = steps(walk, &fields);
    if let (Some(from), Some(until)) = (from, until)
        && from >= until
    {
        let message = format!(
            "the climb begins at {} and ends at {}: `from` must lie before `until`",
            percent(from),
            percent(until)
        );
        walk.error("climb-order", fields.place("from"), message)
            .hint("exchange the two: a beer's share only grows")
            .related(fields.place("until"), "the climb's end");
    }
    Some(Target::Climb { to: to?, along: along?, from: from?, until: until?, steps })
}

fn free_rise(walk: &mut Walk, node: &Node<'_>) -> Option<Target> {
    let fields = walk.open(node, &FREE_RISE)?;
    let ceiling = walk.quantity::<Temperature>(&fields, "free_rise");
    let not_below = walk.quantity::<Temperature>(&fields, "not_below");
    if let (Some(ceiling), Some(floor)) = (ceiling, not_below)
        && floor > ceiling
    {
        let message = "`not_below` is above the ceiling of the free rise".to_owned();
        walk.error("bad-value", fields.place("not_below"), message)
            .hint("heating ends at `not_below`, cooling begins at `free_rise`: exchange the two")
            .related(fields.place("free_rise"), "the ceiling");
    }
    Some(Target::FreeRise { ceiling: ceiling?, not_below })
}

fn steps(walk: &mut Walk, fields: &Fields<'_>) -> Option<NonZeroU32> {
    walk.integer(fields, "steps").and_then(NonZeroU32::new)
}

/// Reports a time span that stands where a table with it should.
fn bare_span(walk: &mut Walk, node: &Node<'_>, key: &str) -> bool {
    let DeValue::String(text) = node.value else { return false };
    let is_span = Span::parse(text).is_ok();
    if is_span {
        let message = format!("the time span `{text}` stands alone");
        walk.error("wrong-type", node.span.clone(), message)
            .hint(format!("write `{{ {key} = \"{text}\" }}`"));
    }
    is_span
}

/// Reads a milestone; `None` where any part of it is broken.
fn milestone(walk: &mut Walk, node: &Node<'_>) -> Option<Ask> {
    if bare_span(walk, node, "elapsed") {
        return None;
    }
    let fields = walk.open(node, &MILESTONE)?;
    // Each is read, so that each problem is found, before the first broken one ends it.
    let parts: Vec<Option<Ask>> = fields
        .written()
        .map(|(key, node)| match key {
            "all" => milestones(walk, &fields, key).map(|list| Ask::All(node.path.clone(), list)),
            "any" => milestones(walk, &fields, key).map(|list| Ask::Any(node.path.clone(), list)),
            _ => leaf(walk, &fields, key).map(|leaf| Ask::Leaf(node.path.clone(), leaf)),
        })
        .collect();
    let mut parts: Vec<Ask> = parts.into_iter().collect::<Option<_>>()?;
    match parts.len() {
        0 => None,
        1 => parts.pop(),
        _ => Some(Ask::All(node.path.clone(), parts)),
    }
}

fn milestones(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<Vec<Ask>> {
    let nodes = walk.list(fields, key)?;
    let list: Vec<Option<Ask>> = nodes.iter().map(|node| milestone(walk, node)).collect();
    list.into_iter().collect()
}

fn leaf(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<Milestone> {
    match key {
        "attenuation" => walk.quantity(fields, key).map(Milestone::Attenuation),
        "progress" => walk.quantity(fields, key).map(Milestone::Progress),
        "gravity" => walk.quantity(fields, key).map(Milestone::Gravity),
        "above_final" => walk.quantity(fields, key).map(Milestone::AboveFinal),
        "drop" => walk.quantity(fields, key).map(Milestone::Drop),
        "slower_than" => slower_than(walk, fields),
        "stable" => stable(walk, fields.node(key)?),
        "at_target" => walk.quantity(fields, key).map(Milestone::AtTarget),
        "elapsed" => walk.quantity(fields, key).map(Milestone::Elapsed),
        "since_pitch" => walk.quantity(fields, key).map(Milestone::SincePitch),
        "confirm" => walk.text(fields, key).map(Milestone::Confirm),
        _ => None,
    }
}

fn slower_than(walk: &mut Walk, fields: &Fields<'_>) -> Option<Milestone> {
    let rate = walk.quantity::<GravityRate>(fields, "slower_than")?;
    if rate.is_zero() {
        let message = "no gravity falls more slowly than by nothing a day".to_owned();
        walk.error("bad-value", fields.place("slower_than"), message)
            .hint("such as `\"2 points/d\"`; for the end of fermentation, use `stable`");
        return None;
    }
    Some(Milestone::SlowerThan(rate))
}

fn stable(walk: &mut Walk, node: &Node<'_>) -> Option<Milestone> {
    let fields = walk.open(node, &STABLE)?;
    let within = walk.quantity::<GravityDelta>(&fields, "within").filter(|within| {
        if within.is_zero() {
            let message = "no reading can show that nothing at all is still to fall".to_owned();
            walk.error("bad-value", fields.place("within"), message).hint("such as `\"1 points\"`");
        }
        !within.is_zero()
    });
    let over = above_zero(walk, &fields, "over");
    Some(Milestone::Stable { within: within?, over: over? })
}

/// A span that is not nothing; its default where it was left out and has one.
pub(crate) fn above_zero(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<Span> {
    let span = walk.quantity::<Span>(fields, key)?;
    if span.is_zero() {
        let message = format!("`{key}` cannot be no time at all");
        walk.error("bad-value", fields.place(key), message)
            .hint(format!("such as `{}`", fields.example(key)));
        return None;
    }
    Some(span)
}

/// A rate that is not nothing; its default where it was left out and has one.
fn moving(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<TemperatureRate> {
    let rate = walk.quantity::<TemperatureRate>(fields, key)?;
    if rate.kelvin_per_hour() <= 0.0 {
        let message = format!("with `{key}` at nothing the setpoint would never move");
        walk.error("bad-value", fields.place(key), message)
            .hint(format!("such as `{}`", fields.example(key)));
        return None;
    }
    Some(rate)
}

fn range(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<(Temperature, Temperature)> {
    let (low, high) = walk.pair::<Temperature>(fields, key)?;
    if low >= high {
        let message = format!("`{key}` does not go from cold to warm");
        walk.error("bad-value", fields.place(key), message).hint("the coldest comes first");
        return None;
    }
    Some((low, high))
}

fn short_gravity(gravity: Gravity) -> String {
    format!("{} SG, {} °P", short(gravity.sg(), 4), short(gravity.plato(), 2))
}
