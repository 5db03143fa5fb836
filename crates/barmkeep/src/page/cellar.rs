//! All vessels at a glance.

use super::Present;
use super::frame::{celsius, time};
use super::site::{Part, Shown, Site};
use engine::view::{Alarm, State};
use maud::{Markup, html};

/// The page of all vessels.
pub(super) fn show(site: &Site, present: &Present) -> Shown {
    let inside = html! {
        h1 { "Vessels" }
        @if present.vessels.is_empty() {
            p { "The daemon has just begun; look again in a moment." }
        }
        ul class="cards" {
            @for state in present.vessels.values() { li class="card" { (card(site, state)) } }
        }
    };
    let parts = vec![Part { id: "vessels", inside }];
    Shown { title: "Vessels".to_owned(), parts, live: Some("/live".to_owned()) }
}

fn card(site: &Site, state: &State) -> Markup {
    let show = site.setup.show;
    let name = state.vessel.as_str();
    html! {
        div class="top" {
            h2 { a id={ "to-" (name) } href={ "/vessel/" (name) } { (name) } }
            (run(&state.run))
        }
        p class="what" { (what(state)) }
        (figures(site, state))
        @if let Some(wait) = state.waits_for.iter().find(|wait| wait.answer != "yes") {
            p { "Waits for: " (wait.milestone) " (" (wait.now) ")" }
        }
        @if let Some(next) = state.forecast.first().filter(|_| state.run == "running") {
            @if let Some(leaves) = &next.leaves {
                p { "Ends about " (time(&site.zone, leaves)) }
            }
        }
        (outputs(state))
        @for alarm in &state.alarms { (alarm_line(alarm)) }
        p class="quiet" {
            "Setpoint " @if state.setpoint_c.is_some() { (celsius(show, state.setpoint_c)) }
            @else { "none" }
            ", as of " (time(&site.zone, &state.at))
        }
    }
}

/// The batch and its stage in words.
pub(super) fn what(state: &State) -> Markup {
    html! {
        @match (&state.batch, &state.parked_c) {
            (Some(batch), _) => {
                (batch)
                @if let Some(name) = &state.batch_name { ", " (name) }
                @if let Some(schedule) = &state.schedule { " · " (schedule) }
                @if let Some(stage) = &state.stage {
                    br;
                    "Stage " (stage.index) " of " (stage.of) ": " strong { (stage.name) }
                }
            }
            (None, Some(_)) => "No batch; a temperature is held.",
            (None, None) => "No batch.",
        }
    }
}

/// The four figures that a brewer looks for first.
pub(super) fn figures(site: &Site, state: &State) -> Markup {
    let show = site.setup.show;
    html! {
        dl class="figures" {
            div {
                dt { "Beer" }
                dd { (celsius(show, state.beer_c)) }
            }
            @if state.batch.is_some() {
                div {
                    dt { "Gravity" }
                    dd {
                        @match state.gravity.as_ref().and_then(|g| measured(show, g)) {
                            Some((value, sd)) => { (value) " " small { "± " (sd) } }
                            None => "unknown",
                        }
                    }
                }
                div {
                    dt { "Attenuation" }
                    dd {
                        @match &state.attenuation {
                            Some(a) => { (crate::words::percent(a.apparent_percent)) }
                            None => "unknown",
                        }
                    }
                }
            }
        }
    }
}

/// The gravity and its standard deviation, in the reader's units.
fn measured(show: quantity::Show, gravity: &engine::view::Gravity) -> Option<(String, String)> {
    let value = quantity::Gravity::from_sg(gravity.sg)?;
    // A standard deviation is a difference: in SG its unit is told by the value's.
    let sd = match show.gravity {
        quantity::GravityUnit::Sg => format!("{:.4}", gravity.sd),
        _ => show.gravity_difference(gravity.sd * 1e3, gravity.sg),
    };
    Some((show.gravity(value), sd))
}

/// The run state as a word with a sign.
pub(super) fn run(run: &str) -> Markup {
    let sign = match run {
        "running" => "▶",
        "held" => "❙❙",
        "complete" => "✓",
        "aborted" => "✕",
        "stopped" => "■",
        _ => "○",
    };
    html! { span class={ "run " (run) } { span aria-hidden="true" { (sign) " " } (run) } }
}

/// Heater and chiller in words.
pub(super) fn outputs(state: &State) -> Markup {
    let word = |on: &Option<String>| on.clone().unwrap_or_else(|| "none".to_owned());
    let class = |on: &Option<String>| if on.as_deref() == Some("on") { "on" } else { "off" };
    let (heater, chiller) = (&state.outputs.heater, &state.outputs.chiller);
    html! {
        p class="outputs" {
            span class={ "output heater " (class(heater)) } { "heater " (word(heater)) }
            span class={ "output chiller " (class(chiller)) } { "chiller " (word(chiller)) }
            @if state.locked.is_some() { span class="output" { "locked off" } }
        }
    }
}

/// An alarm in a line.
pub(super) fn alarm_line(alarm: &Alarm) -> Markup {
    html! {
        p class={ "alarm " (alarm.priority) } {
            strong {
                span aria-hidden="true" { "▲ " }
                (alarm.priority) " alarm, " (alarm.id)
                @if alarm.acknowledged { ", seen" }
            }
            ": " (alarm.text) "."
        }
    }
}
