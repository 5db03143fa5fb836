//! Batches, under way and past.

use super::Present;
use super::frame::{self, LogOf, stamp};
use super::site::{Log, Part, Shown, Site, Trouble};
use crate::chart::{self, Calendar, Chart};
use crate::store::Batch;
use maud::{Markup, html};

/// The list of all batches, the newest first.
pub(super) fn list(site: &Site, present: &Present) -> Result<Shown, Trouble> {
    let reader = site.reader()?;
    let batches = reader.history().batches()?;
    let inside = html! {
        h1 { "Batches" }
        @if batches.is_empty() { p { "None yet. " code { "barmkeep pitch" } " begins one." } }
        @else {
            div class="scroll" tabindex="0" role="region" aria-label="Batches" {
                table {
                    thead {
                        tr {
                            th { "Batch" } th { "Began in" } th { "Began" } th { "Completed" }
                            th { "Ended" }
                        }
                    }
                    tbody { @for batch in batches.iter().rev() { (row(site, present, batch)) } }
                }
            }
        }
    };
    let parts = vec![Part { id: "batches", inside }];
    Ok(Shown { title: "Batches".to_owned(), parts, live: None })
}

fn row(site: &Site, present: &Present, batch: &Batch) -> Markup {
    html! {
        tr {
            th scope="row" { a href={ "/batch/" (batch.id) } { (batch.id) } }
            td { (batch.vessel.as_deref().unwrap_or("–")) }
            td { (stamp(&site.zone, batch.began)) }
            td { @if let Some(at) = batch.completed { (stamp(&site.zone, at)) } @else { "–" } }
            td {
                @if let Some(at) = batch.ended { (stamp(&site.zone, at)) }
                @else if let Some(vessel) = carried_by(present, &batch.id) {
                    "under way in " (vessel)
                }
                @else { "–" }
            }
        }
    }
}

/// The vessel that carries a batch now.
fn carried_by<'a>(present: &'a Present, id: &str) -> Option<&'a str> {
    let carries = |state: &&engine::view::State| {
        state.batch.as_deref() == Some(id)
            && ["running", "held", "complete"].contains(&state.run.as_str())
    };
    present.vessels.values().find(carries).map(|state| state.vessel.as_str())
}

/// The page of a batch.
pub(super) fn show(site: &Site, present: &Present, id: &str, log: Log) -> Result<Shown, Trouble> {
    let reader = site.reader()?;
    let history = reader.history();
    let carried = carried_by(present, id);
    let state = carried.and_then(|vessel| present.vessels.get(vessel));
    let calendar = Calendar::Local(site.zone.clone());
    let chart = chart::of_batch(&history, id, &site.setup, calendar, &present.points, state)?
        .ok_or_else(|| Trouble::Nothing(format!("There is no batch `{id}`.")))?;
    let inside = html! {
        h1 { (chart.title) }
        @if let Some(vessel) = carried {
            p { "Under way in " a href={ "/vessel/" (vessel) } { (vessel) } "." }
        }
        (frame::chart(&chart))
    };
    let mut parts = vec![Part { id: "chart", inside }];
    parts.push(Part { id: "stages", inside: stages(site, &chart) });
    if !chart.samples.is_empty() {
        parts.push(Part { id: "samples", inside: samples(site, &chart) });
    }
    let inside = frame::log(site, &history, &LogOf::Batch(id), log)?;
    parts.push(Part { id: "log", inside });
    Ok(Shown { title: id.to_owned(), parts, live: None })
}

fn stages(site: &Site, chart: &Chart) -> Markup {
    html! {
        h2 { "Stages" }
        div class="scroll" tabindex="0" role="region" aria-label="Stages" {
            table {
                thead { tr { th { "Stage" } th { "Began" } th { "Ended" } th { "Took" } } }
                tbody {
                    @for stage in &chart.stages {
                        tr {
                            th scope="row" { (stage.name) }
                            td { (stamp(&site.zone, stage.from)) }
                            td {
                                @if let Some(until) = stage.until { (stamp(&site.zone, until)) }
                                @else { "under way" }
                            }
                            td { (stage.until.unwrap_or(chart.until).since(stage.from)) }
                        }
                    }
                }
            }
        }
    }
}

fn samples(site: &Site, chart: &Chart) -> Markup {
    let show = site.setup.show;
    html! {
        h2 { "Samples" }
        ul {
            @for sample in &chart.samples {
                li {
                    (stamp(&site.zone, sample.at)) ": "
                    (show.gravity_with_sd(sample.sg, sample.sd))
                }
            }
        }
    }
}
