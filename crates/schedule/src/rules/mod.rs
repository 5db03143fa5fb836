//! What the values of a schedule owe to each other.
//!
//! The rules run on a draft, so that a broken value hides no other problem; each answers with
//! findings that name the value by its path.

mod beer;
mod climb;
mod fit;
mod leave;
mod temperature;

pub use fit::fits;
pub(crate) use fit::vessel;

use crate::document::Finding;
use crate::draft::{Draft, DraftStage};
use crate::model::Schedule;
use beer::Outlook;
use quantity::{Share, Span, Temperature};

/// The interval of a float that a schedule is checked for where no vessel is given.
pub(crate) const USUAL_INTERVAL: Span = Span::from_mins(60);

/// Checks a schedule that was read before, such as one whose expectation was changed at pitching.
///
/// Findings name values by their path, such as `stage.0.target`.
pub fn check(schedule: &Schedule) -> Vec<Finding> {
    schedule_rules(&Draft::of(schedule))
}

/// All rules that need nothing but the schedule, but for the one on the interval of readings.
pub(crate) fn schedule_rules(draft: &Draft) -> Vec<Finding> {
    let outlook = Outlook::of(&draft.expect);
    let mut findings = Vec::new();
    findings.extend(same_names(&draft.stages));
    for (index, stage) in draft.stages.iter().enumerate() {
        let place = Placed { draft, outlook: &outlook, index, stage };
        findings.extend(least_above_most(stage));
        findings.extend(leave::rules(&place));
        findings.extend(climb::rules(&place));
        findings.extend(temperature::rules(&place));
    }
    findings
}

/// The rule on the interval of readings, where nothing is known of the vessel.
pub(crate) fn usual_interval(draft: &Draft) -> Vec<Finding> {
    let sensor = format!("readings every {USUAL_INTERVAL}, as many floats send them,");
    fit::short_windows(draft, USUAL_INTERVAL, &sensor)
}

/// A stage among the others.
pub(crate) struct Placed<'r> {
    draft: &'r Draft,
    outlook: &'r Outlook,
    index: usize,
    stage: &'r DraftStage,
}

impl Placed<'_> {
    /// The stages before it.
    fn earlier(&self) -> &[DraftStage] {
        self.draft.stages.get(..self.index).unwrap_or_default()
    }

    /// The setpoint at its entry: where the stage before ends. Unknown for the first stage, and
    /// behind a free rise.
    fn entry(&self) -> Option<Temperature> {
        entry(&self.draft.stages, self.index)
    }
}

/// Where the setpoint stands when a stage begins, taking each climb to have arrived.
fn entry(stages: &[DraftStage], index: usize) -> Option<Temperature> {
    use crate::model::Target;
    let before = stages.get(index.checked_sub(1)?)?;
    match before.target.as_ref()? {
        Target::FreeRise { .. } => None,
        target => Some(target.end()),
    }
}

fn same_names(stages: &[DraftStage]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, stage) in stages.iter().enumerate() {
        let Some(name) = &stage.name else { continue };
        let first = stages.iter().take(index).find(|other| other.name.as_ref() == Some(name));
        if let Some(first) = first {
            let message = format!("two stages have the name `{name}`");
            findings.push(
                Finding::error("duplicate-stage", &stage.path_of("name"), message)
                    .hint("`advance` and `revise` find a stage by its name: give it another")
                    .related(first.path_of("name"), "the first one"),
            );
        }
    }
    findings
}

fn least_above_most(stage: &DraftStage) -> Option<Finding> {
    let (least, most) = (stage.at_least?, stage.at_most?);
    if least <= most.time {
        return None;
    }
    let message = format!("`at_least` ({least}) is above `at_most` ({})", most.time);
    Some(
        Finding::error("least-above-most", &stage.path_of("at_least"), message)
            .hint("shorten `at_least`, or lengthen `at_most`")
            .related(stage.path_of("at_most.time"), "the stage's bound"),
    )
}

/// A temperature as a sentence has it: `16 °C`.
fn celsius(temperature: Temperature) -> String {
    format!("{} °C", crate::text::short(temperature.celsius(), 2))
}

/// A share given as a fraction: `70.7 %`.
fn share_text(fraction: f64) -> String {
    format!("{} %", crate::text::short(fraction * 100.0, 1))
}

/// A share of a file: `50 %`.
fn percent(share: Share) -> String {
    crate::text::percent(share)
}
