//! What the outputs did: starts, hours on and the energy that this takes, for a day and a batch.

use crate::context::Context;
use crate::effect::OutputKind;
use crate::hardware::KINDS;
use crate::outputs::{output, takes_setpoint_only};
use crate::vessel::Vessel;
use crate::view;
use control::OutputFigures;
use quantity::{Span, Stamp};
use schedule::config;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::VecDeque;

/// The last day is known by marks that are this far apart.
const MARKS_APART: Span = Span::from_hours(1);
/// So many of them.
const MARKS: usize = 25;

/// The counters at some instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Mark {
    at: Stamp,
    heater: Count,
    chiller: Count,
}

/// What one output did.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Count {
    pub starts: u64,
    pub on: Span,
}

/// The counters' past.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Wear {
    /// Oldest first.
    marks: VecDeque<Mark>,
    /// When the batch began.
    batch: Option<Mark>,
}

impl Mark {
    fn of(&self, kind: OutputKind) -> Count {
        match kind {
            OutputKind::Heater => self.heater,
            OutputKind::Chiller => self.chiller,
        }
    }
}

impl Count {
    fn new(figures: &OutputFigures) -> Self {
        Count { starts: figures.starts, on: figures.on }
    }

    fn since(self, before: Count) -> Count {
        let starts = self.starts.saturating_sub(before.starts);
        Count { starts, on: self.on.less(before.on) }
    }

    /// In kWh, where the output's power is known.
    pub fn energy_kwh(self, output: &config::Output) -> Option<f64> {
        output.power.map(|power| power.watts() * self.on.hours() / 1e3)
    }
}

impl Vessel {
    /// Marks the counters once an hour.
    pub fn mark_wear(&mut self, now: Stamp) {
        let due = self.wear.marks.back().is_none_or(|last| now.since(last.at) >= MARKS_APART);
        if !due {
            return;
        }
        let mark = self.mark(now);
        self.wear.marks.push_back(mark);
        while self.wear.marks.len() > MARKS {
            self.wear.marks.pop_front();
        }
    }

    /// A batch begins: what is counted for it begins here.
    pub fn begin_wear(&mut self, now: Stamp) {
        self.wear.batch = Some(self.mark(now));
    }

    /// The counters now.
    pub fn mark(&self, now: Stamp) -> Mark {
        let figures = self.regulator.figures();
        Mark { at: now, heater: Count::new(&figures.heater), chiller: Count::new(&figures.chiller) }
    }

    /// What an output did since a mark; `None` where there is none, or where it regulates itself.
    pub fn worn(
        &self,
        config: &config::Vessel,
        kind: OutputKind,
        now: Stamp,
        since: &Mark,
    ) -> Option<Count> {
        output(config, kind).filter(|output| !takes_setpoint_only(output))?;
        Some(self.mark(now).of(kind).since(since.of(kind)))
    }

    /// An output's figures, for `state`.
    pub fn wear_view(&self, cx: &Context<'_, '_>, kind: OutputKind) -> Option<view::Wear> {
        let config = &cx.setup.config;
        let output = output(config, kind)?;
        let day = self.wear.marks.front()?;
        let of_day = self.worn(config, kind, cx.now, day)?;
        let of_batch = self.wear.batch.and_then(|mark| self.worn(config, kind, cx.now, &mark));
        Some(view::Wear {
            day_starts: of_day.starts,
            day_on_h: of_day.on.hours(),
            day_kwh: of_day.energy_kwh(output),
            batch_starts: of_batch.map(|count| count.starts),
            batch_on_h: of_batch.map(|count| count.on.hours()),
            batch_kwh: of_batch.and_then(|count| count.energy_kwh(output)),
        })
    }

    /// What both outputs did in this batch, as a sentence and as data; no sentence where there is
    /// nothing to say.
    pub fn batch_wear(&self, cx: &Context<'_, '_>) -> (String, Value) {
        let Some(mark) = self.wear.batch else { return (String::new(), Value::Null) };
        (self.wear_text(cx, &mark), self.wear_data(cx, &mark))
    }

    /// What both outputs did since a mark, as data.
    pub fn wear_data(&self, cx: &Context<'_, '_>, since: &Mark) -> Value {
        let config = &cx.setup.config;
        let of = |kind| {
            let count = self.worn(config, kind, cx.now, since)?;
            let kwh = output(config, kind).and_then(|output| count.energy_kwh(output));
            Some(json!({ "starts": count.starts, "on_s": count.on.secs(), "kwh": kwh }))
        };
        json!({ "heater": of(OutputKind::Heater), "chiller": of(OutputKind::Chiller) })
    }

    /// What both outputs did since a mark, as sentences with a blank before; empty without outputs.
    pub fn wear_text(&self, cx: &Context<'_, '_>, since: &Mark) -> String {
        let config = &cx.setup.config;
        let sentences = KINDS.into_iter().filter_map(|kind| {
            let count = self.worn(config, kind, cx.now, since)?;
            let name = if kind == OutputKind::Heater { "Heater" } else { "Chiller" };
            if count.starts == 0 && count.on.is_zero() {
                return Some(format!(" {name} not used."));
            }
            let starts = if count.starts == 1 { "start" } else { "starts" };
            let energy = output(config, kind)
                .and_then(|output| count.energy_kwh(output))
                .map_or_else(String::new, |kwh| format!(", about {kwh:.2} kWh"));
            let hours = count.on.hours();
            Some(format!(" {name}: {} {starts}, {hours:.1} h on{energy}.", count.starts))
        });
        sentences.collect()
    }
}
