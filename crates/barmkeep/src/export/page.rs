//! The batch's record: one page for the shelf, that asks nobody for anything and prints well.

use super::account::{Account, Sample, StageRun, Wear, plato, text};
use crate::chart::{self, Calendar, Chart, Size};
use crate::compare;
use crate::zone::Zone;
use engine::{Kind, Record};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use quantity::{Gravity, Show, Span, Stamp};
use serde_json::Value;
use std::collections::BTreeMap;

/// Nothing is fetched, run or sent, even where a text were not what it seems.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

const STYLE: &str = "
:root { color-scheme: light dark; --ink: #221d12; --paper: #fffdf8; --rule: #c9c2ae;
  --quiet: #5f5844; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ece5d3; --paper: #1b1912; --rule: #4d4735; --quiet: #b3a98d; }
}
body { margin: 0 auto; max-width: 62rem; padding: 1.5rem; font: 1rem/1.5 Georgia, serif;
  color: var(--ink); background: var(--paper); }
h1 { font-size: 1.7rem; margin: 0; }
h2 { font-size: 1.15rem; margin: 2rem 0 .4rem; border-bottom: 2px solid var(--rule); }
p { margin: .4rem 0; }
.quiet { color: var(--quiet); }
dl { display: grid; grid-template-columns: repeat(auto-fit, minmax(13rem, 1fr)); gap: .8rem;
  margin: 1rem 0; }
dt { color: var(--quiet); font-size: .85rem; }
dd { margin: 0; font-size: 1.1rem; }
figure { margin: 1rem 0; }
.phone { display: none; }
@media screen and (max-width: 40rem) { .desk { display: none; } .phone { display: block; } }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0;
  border-bottom: 1px solid var(--rule); font-variant-numeric: tabular-nums; }
th { color: var(--quiet); font-weight: normal; }
@media (min-width: 40.01rem), print { td.time { white-space: nowrap; } }
summary { cursor: pointer; }
footer { margin-top: 2rem; font-size: .85rem; color: var(--quiet); }
@media print {
  :root { --ink: #000; --paper: #fff; --rule: #bbb; --quiet: #444; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  h2 { break-after: avoid; } tr, figure { break-inside: avoid; } details { display: none; }
}
@page { margin: 16mm; }
";

/// The page.
pub(super) fn page(account: &Account, show: Show, zone: &Zone) -> String {
    let writer = Writer { account, show, zone };
    let id = &account.batch.id;
    let title = match &account.figures.name {
        Some(name) => format!("{name} ({id})"),
        None => format!("Batch {id}"),
    };
    let chart = writer.chart(&title);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(chart::style())) }
            }
            body {
                header { h1 { (title) } (writer.subtitle()) }
                main {
                    (writer.figures())
                    figure.desk { (PreEscaped(chart.inline("wide", Size::Wide))) }
                    figure.phone { (PreEscaped(chart.inline("narrow", Size::Narrow))) }
                    (writer.present())
                    (writer.stages())
                    (writer.samples())
                    (writer.list("What went in", &[Kind::BatchAdded]))
                    (writer.floats())
                    (writer.alarms())
                    (writer.list("Confirmed", &[Kind::ConfirmGiven]))
                    (writer.list("Notices", &[Kind::NoticeDue]))
                    (writer.list("Notes and days", &[Kind::BatchNoted]))
                    (writer.list("Changed on the way", &CHANGES))
                    (writer.log())
                }
                footer {
                    p {
                        "Written by barmkeep " (env!("CARGO_PKG_VERSION")) " from its store; known \
                         until " (zone.minute(account.until)) ". ± is one standard deviation, a \
                         point is 0.001 SG. Figures of alcohol and attenuation are computed from \
                         gravities, not measured."
                    }
                }
            }
        }
    };
    page.into_string()
}

/// What a person changed.
const CHANGES: [Kind; 6] = [
    Kind::BatchExpected,
    Kind::BatchMoved,
    Kind::BatchRevised,
    Kind::RunHeld,
    Kind::RunResumed,
    Kind::RunLocked,
];

struct Writer<'a> {
    account: &'a Account,
    show: Show,
    zone: &'a Zone,
}

impl Writer<'_> {
    fn subtitle(&self) -> Markup {
        let (account, figures) = (self.account, &self.account.figures);
        let until = if account.runs() {
            format!(", {} so far", account.took())
        } else {
            format!(" to {}, {}", self.zone.minute(account.until), account.took())
        };
        html! {
            p.quiet {
                @if let Some(schedule) = &figures.schedule { (schedule) ". " }
                "In " (account.vessel) ", from " (self.zone.minute(account.from)) (until) ": "
                (figures.run) "."
            }
        }
    }

    fn figures(&self) -> Markup {
        let figures = &self.account.figures;
        let percent = |value: Option<f64>| value.map(crate::words::percent);
        let gravity = match (figures.sg, figures.sd) {
            (Some(sg), Some(sd)) => Some(self.show.gravity_with_sd(sg, sd)),
            (sg, _) => sg.map(|sg| self.gravity(sg)),
        };
        let both = |sg: Option<f64>| {
            sg.zip(plato(sg)).map(|(sg, plato)| format!("{sg:.4} SG ({plato:.2} °P)"))
        };
        let rows = [
            ("Original gravity", both(figures.original_sg)),
            (if self.account.runs() { "Gravity" } else { "Final gravity" }, gravity),
            ("Expected final gravity", both(figures.expected_final_sg)),
            ("Apparent attenuation", percent(figures.apparent_percent)),
            ("Real attenuation", percent(figures.real_percent)),
            ("Alcohol by volume", percent(figures.abv_percent)),
            ("Volume", figures.volume_l.map(|litres| format!("{litres:.1} L"))),
            ("Yeast", figures.yeast.clone()),
            ("Heater", worn(figures.heater)),
            ("Chiller", worn(figures.chiller)),
        ];
        html! {
            dl {
                @for (name, value) in rows {
                    @if let Some(value) = value { div { dt { (name) } dd { (value) } } }
                }
            }
        }
    }

    fn chart(&self, title: &str) -> Chart {
        let account = self.account;
        let calendar = Calendar::Local(self.zone.clone());
        let mut chart = Chart::new(title, self.show, calendar, account.from);
        account.records.iter().for_each(|record| chart.note(record));
        chart.extend(account.course.iter().cloned());
        let gravities = account.readings.iter();
        chart.readings =
            gravities.filter_map(|heard| Some((heard.at, heard.corrected_sg?))).collect();
        if let Some(state) = &account.state {
            chart.present(state);
        }
        chart.until = chart.until.max(account.until);
        chart
    }

    /// What a batch under way waits for, and whether it may be packaged.
    fn present(&self) -> Markup {
        let Some(state) = &self.account.state else { return html! {} };
        html! {
            @if let Some(packaging) = &state.packaging {
                h2 { "Ready for packaging?" }
                p { (packaging.answer) ": " (self.zone.within(&packaging.because)) "." }
            }
            @if !state.waits_for.is_empty() {
                h2 { "What it waits for" }
                ul {
                    @for wait in &state.waits_for {
                        li { (wait.milestone) ": " (wait.answer) " (" (wait.now) ")" }
                    }
                }
            }
        }
    }

    fn stages(&self) -> Markup {
        let row = |stage: &StageRun| {
            let until =
                stage.left.map_or_else(|| "not left".to_owned(), |left| self.zone.minute(left));
            let took = stage.left.unwrap_or(self.account.until).since(stage.entered);
            html! {
                tr {
                    td { (stage.index) } td { (stage.name) }
                    td.time { (self.zone.minute(stage.entered)) } td.time { (until) }
                    td { (took) } td { (stage.because.as_deref().unwrap_or("–")) }
                }
            }
        };
        section(
            "Stages",
            &["", "stage", "from", "to", "took", "why it ended"],
            self.account.stages.iter().map(row).collect(),
        )
    }

    fn samples(&self) -> Markup {
        let row = |sample: &Sample| {
            let sd = sample.sd_points.map_or(String::new(), |sd| format!(" ± {sd:.1} points"));
            html! {
                tr {
                    td.time { (self.zone.minute(sample.taken)) }
                    td { (self.gravity(sample.sg)) (sd) }
                    td { (sample.instrument.as_deref().unwrap_or("–")) }
                    td { (sample.text) }
                }
            }
        };
        section(
            "Hand samples",
            &["taken", "gravity", "with", "what was said of it"],
            self.account.samples.iter().map(row).collect(),
        )
    }

    fn floats(&self) -> Markup {
        let Some(found) = &self.account.found else { return html! {} };
        let floats: Vec<_> =
            found.comparison.floats.iter().filter(|float| float.readings > 0).cloned().collect();
        if floats.is_empty() {
            return html! {};
        }
        html! {
            h2 { "Floats" }
            div.wide {
                table {
                    thead {
                        tr { th {} @for float in &floats { th scope="col" { (float.name) } } }
                    }
                    tbody {
                        @for (label, cells) in compare::rows(&floats, self.show) {
                            tr {
                                th scope="row" { (label) }
                                @for cell in cells { td { (cell) } }
                            }
                        }
                    }
                }
            }
            @for line in compare::conclusions(found) { p { (line) } }
        }
    }

    /// Each alarm from where it was raised to where it returned.
    fn alarms(&self) -> Markup {
        let kinds = [Kind::AlarmRaised, Kind::AlarmReturned];
        let mut standing: BTreeMap<String, usize> = BTreeMap::new();
        let mut alarms: Vec<(&Record, Option<Stamp>)> = Vec::new();
        for record in self.account.of(&kinds) {
            let Some(id) = text(record, "alarm") else { continue };
            if record.kind == Kind::AlarmRaised {
                standing.insert(id, alarms.len());
                alarms.push((record, None));
            } else if let Some(index) = standing.remove(&id) {
                alarms[index].1 = Some(record.at);
            }
        }
        let row = |(record, returned): &(&Record, Option<Stamp>)| {
            let stood = returned.map_or_else(
                || "stands".to_owned(),
                |returned: Stamp| returned.since(record.at).to_string(),
            );
            html! {
                tr {
                    td.time { (self.zone.minute(record.at)) } td { (stood) } td { (record.text) }
                }
            }
        };
        section("Alarms", &["raised", "stood for", "what"], alarms.iter().map(row).collect())
    }

    /// Records of these kinds, each with its time.
    fn list(&self, title: &str, kinds: &[Kind]) -> Markup {
        section(title, &["when", "what"], self.account.of(kinds).map(|r| self.line(r)).collect())
    }

    fn log(&self) -> Markup {
        let records = &self.account.records;
        html! {
            h2 { "Everything" }
            details {
                summary { (records.len()) " events" }
                div.wide { table { tbody { @for record in records { (self.line(record)) } } } }
            }
        }
    }

    fn line(&self, record: &Record) -> Markup {
        let caution = record.data.get("caution").and_then(Value::as_str).is_some();
        html! {
            tr {
                td.time { (self.zone.minute(record.at)) }
                td { @if caution { strong { (record.text) } } @else { (record.text) } }
            }
        }
    }

    fn gravity(&self, sg: f64) -> String {
        Gravity::from_sg(sg).map_or_else(|| format!("{sg:.4} SG"), |known| self.show.gravity(known))
    }
}

/// A table under its title; nothing where there is no row.
fn section(title: &str, columns: &[&str], rows: Vec<Markup>) -> Markup {
    html! {
        @if !rows.is_empty() {
            h2 { (title) }
            div.wide {
                table {
                    thead { tr { @for column in columns { th scope="col" { (column) } } } }
                    tbody { @for row in rows { (row) } }
                }
            }
        }
    }
}

/// `12 starts, 30.5 h on, about 3.20 kWh`.
fn worn(wear: Wear) -> Option<String> {
    let (starts, hours) = wear.starts.zip(wear.on_h)?;
    if starts == 0.0 && hours == 0.0 {
        return Some("not used".to_owned());
    }
    let energy = wear.kwh.map_or_else(String::new, |kwh| format!(", about {kwh:.2} kWh"));
    let word = if starts == 1.0 { "start" } else { "starts" };
    let on = Span::from_hours_f64(hours);
    Some(format!("{starts:.0} {word}, on for {on}{energy}"))
}
