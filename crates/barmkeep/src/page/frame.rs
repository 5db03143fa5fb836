//! What all pages share: the frame around them, times, signs and the log.

use super::site::{Log, Shown, Site};
use crate::store::{Filter, History, Limit, StoreError};
use crate::zone::Zone;
use engine::{Kind, Record};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use quantity::{Show, Stamp, Temperature};
use schedule::Name;

/// So many lines of a log at once.
const LINES: u32 = 60;

/// What a person need not read each time.
const QUIET: [Kind; 2] = [Kind::OutputSwitched, Kind::CommandAccepted];

/// A whole page.
pub(super) fn page(shown: &Shown) -> Markup {
    frame(
        &shown.title,
        shown.live.as_deref(),
        &html! {
            @for part in &shown.parts {
                // What stands inside is replaced as it changes; alarms alone are read out then.
                @if part.id == "alarms" {
                    section id=(part.id) aria-live="polite" { (part.inside) }
                } @else {
                    section id=(part.id) { (part.inside) }
                }
            }
        },
    )
}

/// A page that says why there is none.
pub(super) fn trouble(message: &str) -> Markup {
    frame(
        "Not to be had",
        None,
        &html! {
            section { h1 { "Not to be had" } p { (message) } p { a href="/" { "All vessels" } } }
        },
    )
}

fn frame(title: &str, live: Option<&str>, inside: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · barmkeep" }
                link rel="icon" href="/icon.svg";
                link rel="stylesheet" href="/style.css";
                @if live.is_some() {
                    noscript { meta http-equiv="refresh" content="60"; }
                    script src="/live.js" defer {}
                }
            }
            body {
                a class="skip" href="#main" { "To the content" }
                header {
                    span class="word" { "barmkeep" }
                    nav aria-label="Site" {
                        a href="/" { "Vessels" }
                        a href="/batches" { "Batches" }
                    }
                }
                main id="main" data-live=[live] { (inside) }
                footer {
                    @if live.is_some() { p id="live" { "As of the time it was loaded." } }
                    p { "Read only. Commands: " code { "barmkeep --help" } "." }
                }
            }
        }
    }
}

/// An instant of a view, for a person and for a program.
pub(super) fn time(zone: &Zone, text: &str) -> Markup {
    html! { time datetime=(text) { (zone.local(text)) } }
}

/// The same of a stamp.
pub(super) fn stamp(zone: &Zone, at: Stamp) -> Markup {
    html! { time datetime=(at.rfc3339()) { (zone.minute(at)) } }
}

/// A temperature, or that it is unknown.
pub(super) fn celsius(show: Show, celsius: Option<f64>) -> String {
    celsius
        .and_then(Temperature::from_celsius)
        .map_or_else(|| "unknown".to_owned(), |temperature| show.temperature(temperature))
}

/// A picture in both sizes; the style shows the one that fits.
pub(super) fn chart(chart: &crate::chart::Chart) -> Markup {
    use crate::chart::Size;
    html! {
        div class="chart wide" { (PreEscaped(chart.inline("wide", Size::Wide))) }
        div class="chart narrow" { (PreEscaped(chart.inline("narrow", Size::Narrow))) }
    }
}

/// Which records a log is of.
pub(super) enum LogOf<'a> {
    Vessel(&'a Name),
    Batch(&'a str),
}

/// The part of a log that was asked for, newest first, and the way to what is older.
pub(super) fn log(
    site: &Site,
    history: &History<'_>,
    of: &LogOf<'_>,
    log: Log,
) -> Result<Markup, StoreError> {
    let mut filter = Filter {
        before_seq: log.before,
        limit: Limit::Last(LINES + 1),
        kinds: if log.all { Vec::new() } else { told() },
        ..Filter::default()
    };
    match of {
        LogOf::Vessel(name) => filter.vessel = Some((*name).clone()),
        LogOf::Batch(id) => filter.batch = Some((*id).to_owned()),
    }
    let mut records = history.records(&filter)?;
    let is_more = records.len() > LINES as usize;
    records.drain(..usize::from(is_more));
    let all = if log.all { "&all=1" } else { "" };
    let older = records.first().filter(|_| is_more).map(|first| first.seq);
    Ok(html! {
        h2 { "Log" }
        p class="quiet" {
            "Newest first. "
            @if log.all {
                a id="log-less" href="?" { "Without switching and commands" }
            } @else {
                a id="log-all" href="?all=1" { "With switching and commands" }
            }
        }
        @if records.is_empty() { p { "Nothing is on record." } }
        ol class="log" { @for record in records.iter().rev() { (line(&site.zone, record)) } }
        @if log.before.is_some() {
            p { a id="log-newest" href={ "?" (all.trim_start_matches('&')) } { "Newest" } }
        }
        @if let Some(seq) = older {
            p { a id="log-older" href={ "?before=" (seq) (all) } { "Older" } }
        }
    })
}

fn told() -> Vec<Kind> {
    Kind::ALL.iter().copied().filter(|kind| !QUIET.contains(kind)).collect()
}

fn line(zone: &Zone, record: &Record) -> Markup {
    let alarm = record.kind == Kind::AlarmRaised;
    html! {
        li class=[alarm.then_some("raised")] {
            (stamp(zone, record.at))
            span class="said" {
                @if alarm { span class="sign" aria-hidden="true" { "▲ " } }
                (zone.within(&record.text))
            }
            span class="kind" { (record.kind.as_str()) }
        }
    }
}
