//! One vessel: how it stands, what it waits for and why, its batch's chart, its devices, its log.

use super::Present;
use super::cellar::{figures, outputs, run, what};
use super::frame::{self, LogOf, celsius, time};
use super::site::{Log, Part, Shown, Site, Trouble};
use crate::chart::{self, Calendar};
use crate::words;
use engine::view::{Alarm, Source, State};
use maud::{Markup, html};

/// The page of a vessel. Not whole, it has no chart and no log.
pub(super) fn show(
    site: &Site,
    present: &Present,
    name: &str,
    log: Log,
    whole: bool,
) -> Result<Shown, Trouble> {
    let nothing = || Trouble::Nothing(format!("There is no vessel `{name}`."));
    let state = present.vessels.get(name).ok_or_else(nothing)?;
    let mut parts = vec![
        Part { id: "now", inside: now(site, state) },
        Part { id: "alarms", inside: alarms(site, state) },
    ];
    let mut store_parts = Vec::new();
    if whole {
        let reader = site.reader()?;
        let history = reader.history();
        parts.push(Part { id: "chart", inside: picture(site, present, state, &history)? });
        let inside = frame::log(site, &history, &LogOf::Vessel(&state.vessel), log)?;
        store_parts.push(Part { id: "log", inside });
    }
    parts.push(Part { id: "waits", inside: waits(site, state) });
    parts.push(Part { id: "sources", inside: sources(site, state) });
    parts.extend(store_parts);
    let live = log.before.is_none() && !log.all;
    let live = live.then(|| format!("/live/vessel/{name}"));
    Ok(Shown { title: format!("{name}: {}", state.run), parts, live })
}

fn picture(
    site: &Site,
    present: &Present,
    state: &State,
    history: &crate::store::History<'_>,
) -> Result<Markup, Trouble> {
    let Some(batch) = &state.batch else {
        return Ok(html! { p class="quiet" { "No batch yet, and no chart." } });
    };
    let calendar = Calendar::Local(site.zone.clone());
    let chart =
        chart::of_batch(history, batch, &site.setup, calendar, &present.points, Some(state))?;
    Ok(html! {
        h2 { "The batch so far" }
        @if let Some(chart) = &chart { (frame::chart(chart)) }
        p class="quiet" { a id="to-batch" href={ "/batch/" (batch) } { "All of batch " (batch) } }
    })
}

fn now(site: &Site, state: &State) -> Markup {
    let show = site.setup.show;
    html! {
        div class="top" { h1 { (state.vessel) } (run(&state.run)) }
        p class="what" { (what(state)) }
        (figures(site, state))
        dl class="rows" {
            dt { "Setpoint" }
            dd {
                @if state.setpoint_c.is_some() { (celsius(show, state.setpoint_c)) }
                @else { "none: the outputs are off" }
                @if let Some(target) = on_its_way(state) {
                    ", on its way to " (celsius(show, Some(target)))
                }
            }
            @if let Some(nudge) = &state.nudge {
                dt { "Nudged" }
                dd {
                    @if let Some(by) = nudge.by_c { "by " (show.temperature_difference(by)) }
                    @if nudge.target_c.is_some() { "to " (celsius(show, nudge.target_c)) }
                    @if let Some(until) = &nudge.until { ", until " (time(&site.zone, until)) }
                    @else { ", until the stage ends" }
                }
            }
            @if state.held_c.is_some() {
                dt { "Held" } dd { "at " (celsius(show, state.held_c)) }
            }
            @if let Some(parked) = state.parked_c {
                dt { "Parked" } dd { "at " (celsius(show, Some(parked))) }
            }
            @if let Some(why) = &state.locked { dt { "Locked off" } dd { (why) } }
            @if state.surround_c.is_some() {
                dt { "Surround" } dd { (celsius(show, state.surround_c)) }
            }
            (of_the_beer(state))
            dt { "Outputs" }
            dd { (outputs(state)) (state.outputs.because) "." }
            @if let Some(warmth) = &state.outputs.warmth {
                dt { "By itself" } dd { (warmth.text) "." }
            }
            @if let Some(cooler) = &state.cooler {
                dt { "Cooler " (cooler.name) }
                dd { @if cooler.on { "on" } @else { "off" } ": " (cooler.because) }
            }
            dt { "As of" } dd { (time(&site.zone, &state.at)) }
        }
    }
}

/// Where the setpoint goes, where it is not there.
fn on_its_way(state: &State) -> Option<f64> {
    let setpoint = state.setpoint_c?;
    state.target_c.filter(|target| (target - setpoint).abs() >= 0.05)
}

fn of_the_beer(state: &State) -> Markup {
    let rate = state.gravity.as_ref().and_then(|gravity| gravity.rate_points_per_day);
    html! {
        @if let Some(rate) = rate {
            dt { "Gravity" } dd { (words::rate(rate)) }
        }
        @if let Some(attenuation) = &state.attenuation {
            dt { "Attenuation" }
            dd {
                (words::percent(attenuation.apparent_percent)) " apparent, "
                (words::percent(attenuation.real_percent)) " real"
                @if let Some(done) = attenuation.progress_percent {
                    "; " (words::percent(done)) " of the way to the expected final gravity"
                }
            }
        }
        @if let Some(abv) = state.abv_percent {
            dt { "Alcohol" } dd { (words::percent(abv)) " by volume" }
        }
    }
}

fn alarms(site: &Site, state: &State) -> Markup {
    html! {
        // Never empty: a browser does not hear of an event without data.
        @if state.alarms.is_empty() { p class="quiet" { "No alarm stands." } }
        @else {
            h2 { "Alarms" }
            @for alarm in &state.alarms { (alarm_of(site, state, alarm)) }
        }
    }
}

fn alarm_of(site: &Site, state: &State, alarm: &Alarm) -> Markup {
    html! {
        div class={ "alarm " (alarm.priority) } {
            p {
                strong {
                    span aria-hidden="true" { "▲ " } (alarm.priority) " alarm, " (alarm.id)
                }
                " since " (time(&site.zone, &alarm.since))
                @if let Some(until) = &alarm.shelved_until {
                    ", silenced until " (time(&site.zone, until))
                }
            }
            p { (site.zone.within(&alarm.text)) "." }
            @if alarm.acknowledged {
                p class="quiet" { "A person has seen it." }
            } @else {
                p class="quiet" {
                    "Seen: " code { "barmkeep acknowledge " (state.vessel) " --alarm " (alarm.id) }
                }
            }
        }
    }
}

fn waits(site: &Site, state: &State) -> Markup {
    let title = match &state.stage {
        Some(stage) => format!("What {} waits for", stage.name),
        None => "What it waits for".to_owned(),
    };
    html! {
        h2 { (title) }
        @if state.waits_for.is_empty() { p { (idle(state)) } }
        @else {
            div class="scroll" tabindex="0" role="region" aria-label=(title) {
                table {
                    thead { tr { th { "Milestone" } th { "Shown" } th { "Now" } th { "Needs" } } }
                    tbody {
                        @for wait in &state.waits_for {
                            tr {
                                th scope="row" { (wait.milestone) }
                                td { (answer(&wait.answer)) }
                                td { (wait.now) }
                                td { (wait.needs) }
                            }
                        }
                    }
                }
            }
        }
        (forecast(site, state))
        @if let Some(packaging) = &state.packaging {
            h3 { "May it be packaged?" }
            p { (answer(&packaging.answer)) ": " (site.zone.within(&packaging.because)) }
        }
    }
}

fn idle(state: &State) -> &'static str {
    match state.run.as_str() {
        "complete" => "Nothing: the last stage is over. It is kept until a person stops it.",
        _ => "Nothing: no batch is under way. The command pitch begins one.",
    }
}

fn forecast(site: &Site, state: &State) -> Markup {
    html! {
        @if !state.forecast.is_empty() {
            h3 { "Foretold" }
            ul {
                @for foreseen in &state.forecast {
                    li {
                        (foreseen.stage)
                        @match &foreseen.leaves {
                            Some(leaves) => { " ends about " (time(&site.zone, leaves)) }
                            None => " cannot be foretold",
                        }
                        @if let (Some(first), Some(last)) = (&foreseen.earliest, &foreseen.latest) {
                            span class="quiet" {
                                " (90 %: " (time(&site.zone, first)) " to "
                                (time(&site.zone, last)) ")"
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Yes, no or unknown, with a sign.
fn answer(answer: &str) -> Markup {
    let sign = match answer {
        "yes" => "✓",
        "no" => "–",
        _ => "?",
    };
    html! { span class="answer" { span aria-hidden="true" { (sign) " " } (answer) } }
}

fn sources(site: &Site, state: &State) -> Markup {
    html! {
        h2 { "Sources" }
        @if state.sources.is_empty() { p { "None is configured." } }
        @else {
            div class="scroll" tabindex="0" role="region" aria-label="Sources" {
                table {
                    thead {
                        tr {
                            th { "Source" } th { "Kind" } th { "Last reading" } th { "Offset" }
                            th { "Battery" }
                        }
                    }
                    tbody { @for source in &state.sources { (source_row(site, source)) } }
                }
            }
            @for source in &state.sources {
                @if let Some(caution) = &source.caution { p { (source.name) ": " (caution) "." } }
            }
        }
    }
}

fn source_row(site: &Site, source: &Source) -> Markup {
    html! {
        tr {
            th scope="row" { (source.name) }
            td { (source.kind) }
            td {
                @match &source.last {
                    Some(last) => (time(&site.zone, last)),
                    None => "none yet",
                }
            }
            td {
                @if let Some(points) = source.offset_points { (format!("{points:+.1} points")) }
                @else { "–" }
            }
            td {
                @match source.battery_percent {
                    Some(percent) => {
                        (format!("{percent:.0} %"))
                        @if let Some(days) = source.battery_days_left {
                            (format!(", about {days:.0} days left"))
                        }
                    }
                    None => "–",
                }
            }
        }
    }
}
