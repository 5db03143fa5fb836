//! A batch as a picture: SVG of our own look, readable in greyscale, in light and in dark.
//!
//! Panels stand above each other on one axis of time: the gravity with what is believed of it and
//! its band of uncertainty, the attenuation, the beer's temperature with its setpoint, and how long
//! the outputs were on; stages are bands with their names, and what happened are marks with texts.
//! Where the batch runs, what is foretold is drawn ahead of the present.

mod axis;
mod draw;
mod stored;

pub use crate::drawing::style;
pub use stored::of_batch;

use crate::zone::Zone;
use engine::view::State;
use engine::{Kind, Point, Record};
use quantity::{Show, Stamp};
use serde_json::Value;

/// How wide a picture is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// For a wide screen or paper.
    Wide,
    /// For a phone.
    Narrow,
}

/// How the axis of time is marked.
#[derive(Debug, Clone)]
pub enum Calendar {
    /// By date and hour of a time zone.
    Local(Zone),
    /// By days since the beginning, for what has no date.
    Days,
}

/// What is drawn of a batch. What is not known is left out, and lines have gaps there.
#[derive(Debug, Clone)]
pub struct Chart {
    /// What it is of.
    pub title: String,
    /// The units.
    pub show: Show,
    /// The axis of time.
    pub calendar: Calendar,
    /// When it was pitched.
    pub from: Stamp,
    /// The last instant that anything is known of.
    pub until: Stamp,
    /// Whether that is the present of a batch under way.
    pub runs: bool,
    /// What was believed and kept, a point each quarter of an hour.
    pub course: Vec<Point>,
    /// What floats said, in SG, each with its time.
    pub readings: Vec<(Stamp, f64)>,
    /// In SG.
    pub expected_final: Option<f64>,
    /// The stages that were entered.
    pub stages: Vec<Stage>,
    /// What a person measured.
    pub samples: Vec<Sample>,
    /// What else happened.
    pub events: Vec<Event>,
    /// What stood, with its times.
    pub alarms: Vec<Alarm>,
    /// When stages are expected to be left.
    pub ahead: Vec<Ahead>,
}

/// A stage that was entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stage {
    /// Its name.
    pub name: String,
    /// When it began.
    pub from: Stamp,
    /// When it ended; `None` while it runs.
    pub until: Option<Stamp>,
}

/// A hand sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// When it was taken.
    pub at: Stamp,
    /// In SG, corrected.
    pub sg: f64,
    /// Its standard deviation, in SG.
    pub sd: f64,
    /// In words.
    pub text: String,
}

/// What kind of sign an event has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// A person is told or asked something.
    Notice,
    /// Something went into the beer.
    Addition,
    /// A person did or said something.
    Person,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// When.
    pub at: Stamp,
    /// How it is drawn.
    pub sign: Sign,
    /// In words.
    pub text: String,
}

/// An alarm that stood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alarm {
    /// Its id.
    pub id: String,
    /// When it was raised.
    pub from: Stamp,
    /// When it returned; `None` while it stands.
    pub until: Option<Stamp>,
    /// In words.
    pub text: String,
}

/// When a stage is expected to be left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ahead {
    /// The stage's name.
    pub stage: String,
    /// Most likely; `None` where that cannot be foretold.
    pub leaves: Option<Stamp>,
    /// At the earliest.
    pub earliest: Option<Stamp>,
    /// At the latest.
    pub latest: Option<Stamp>,
}

impl Chart {
    /// An empty picture.
    pub fn new(title: &str, show: Show, calendar: Calendar, from: Stamp) -> Self {
        Chart {
            title: title.to_owned(),
            show,
            calendar,
            from,
            until: from,
            runs: false,
            course: Vec::new(),
            readings: Vec::new(),
            expected_final: None,
            stages: Vec::new(),
            samples: Vec::new(),
            events: Vec::new(),
            alarms: Vec::new(),
            ahead: Vec::new(),
        }
    }

    /// Takes what a record of the batch tells; records come in their order.
    pub fn note(&mut self, record: &Record) {
        let text = |key: &str| record.data.get(key).and_then(Value::as_str);
        let number = |key: &str| record.data.get(key).and_then(Value::as_f64);
        let stamp = |key: &str| Stamp::parse_rfc3339(text(key)?).ok();
        self.until = self.until.max(record.at);
        match record.kind {
            Kind::BatchPitched => {
                self.expected_final = number("expected_final_sg");
                let at = stamp("pitched_at").unwrap_or(record.at);
                self.sample(at, number("original_sg"), number("original_sd_points"), &record.text);
            }
            Kind::BatchExpected => {
                self.expected_final = number("final_sg").or(self.expected_final);
                self.event(record, Sign::Person);
            }
            Kind::SampleTaken => {
                let at = stamp("taken").unwrap_or(record.at);
                self.sample(at, number("sg"), number("sd_points"), &record.text);
            }
            Kind::StageEntered => self.enter(record, text("stage").unwrap_or_default()),
            Kind::StageLeft | Kind::BatchCompleted | Kind::BatchStopped | Kind::BatchAborted => {
                self.leave(record.at);
            }
            Kind::NoticeDue | Kind::ConfirmDue | Kind::SampleDue => {
                self.event(record, Sign::Notice);
            }
            Kind::BatchAdded => {
                self.expected_final = number("expected_final_sg").or(self.expected_final);
                self.event(record, Sign::Addition);
            }
            Kind::ConfirmGiven | Kind::RunHeld | Kind::RunResumed | Kind::BatchRevised => {
                self.event(record, Sign::Person);
            }
            Kind::BatchMoved => self.event(record, Sign::Person),
            // The line of each day is for the log.
            Kind::BatchNoted if number("day").is_none() => self.event(record, Sign::Person),
            Kind::AlarmRaised => self.alarms.push(Alarm {
                id: text("alarm").unwrap_or_default().to_owned(),
                from: record.at,
                until: None,
                text: record.text.clone(),
            }),
            Kind::AlarmReturned => {
                let id = text("alarm").unwrap_or_default();
                let standing = self.alarms.iter_mut().rev().find(|alarm| alarm.id == id);
                if let Some(alarm) = standing.filter(|alarm| alarm.until.is_none()) {
                    alarm.until = Some(record.at);
                }
            }
            _ => {}
        }
    }

    /// Takes points of the course that come after those it has.
    pub fn extend(&mut self, points: impl IntoIterator<Item = Point>) {
        for point in points {
            let last = self.course.last().map_or(self.from, |last| last.at);
            if point.at > last {
                self.until = self.until.max(point.at);
                self.course.push(point);
            }
        }
    }

    /// Takes how its vessel stands: the present, and what is foretold.
    pub fn present(&mut self, state: &State) {
        let at = |text: &Option<String>| Stamp::parse_rfc3339(text.as_deref()?).ok();
        let Ok(now) = Stamp::parse_rfc3339(&state.at) else { return };
        self.extend([Point {
            batch: state.batch.clone().unwrap_or_default(),
            vessel: state.vessel.clone(),
            at: now,
            sg: state.gravity.as_ref().map(|gravity| gravity.sg),
            sg_sd: state.gravity.as_ref().map(|gravity| gravity.sd),
            attenuation_percent: state.attenuation.as_ref().map(|a| a.apparent_percent),
            attenuation_sd: state.attenuation.as_ref().and_then(|a| a.sd),
            beer_c: state.beer_c,
            setpoint_c: state.setpoint_c,
            surround_c: state.surround_c,
            heater_share: None,
            chiller_share: None,
        }]);
        self.until = self.until.max(now);
        self.runs = true;
        self.ahead = state
            .forecast
            .iter()
            .map(|foreseen| Ahead {
                stage: foreseen.stage.clone(),
                leaves: at(&foreseen.leaves),
                earliest: at(&foreseen.earliest),
                latest: at(&foreseen.latest),
            })
            .collect();
    }

    /// The whole picture as a file of its own.
    pub fn svg(&self) -> String {
        draw::sheet(self, Size::Wide, true).file()
    }

    /// The picture as a part of a page that has [`style`]; `id` is its alone on that page.
    pub fn inline(&self, id: &str, size: Size) -> String {
        draw::sheet(self, size, false).inline(id)
    }

    fn sample(&mut self, at: Stamp, sg: Option<f64>, sd_points: Option<f64>, text: &str) {
        let sd = sd_points.unwrap_or(1.0) * 1e-3;
        self.samples.extend(sg.map(|sg| Sample { at, sg, sd, text: text.to_owned() }));
    }

    fn event(&mut self, record: &Record, sign: Sign) {
        self.events.push(Event { at: record.at, sign, text: record.text.clone() });
    }

    fn enter(&mut self, record: &Record, name: &str) {
        self.leave(record.at);
        // The first stage of a pitch in the past began then.
        let from = if self.stages.is_empty() { self.from.min(record.at) } else { record.at };
        self.stages.push(Stage { name: name.to_owned(), from, until: None });
    }

    fn leave(&mut self, at: Stamp) {
        if let Some(stage) = self.stages.last_mut().filter(|stage| stage.until.is_none()) {
            stage.until = Some(at);
        }
    }

    /// The picture in a sentence or two, for those who do not see it.
    fn describes(&self) -> String {
        let known = |point: &&Point| point.sg.is_some();
        let first = self.samples.first().map(|s| s.sg);
        let first = first.or(self.course.iter().find(known).and_then(|p| p.sg));
        let last = self.course.iter().rev().find(known).and_then(|p| Some((p.sg?, p.sg_sd?)));
        let mut text = String::new();
        let gravity = |sg| quantity::Gravity::from_sg(sg).map(|sg| self.show.gravity(sg));
        if let (Some(first), Some((sg, sd))) = (first.and_then(gravity), last) {
            let last = self.show.gravity_with_sd(sg, sd);
            text.push_str(&format!("Gravity went from {first} to {last}. "));
        }
        let beers = self.course.iter().filter_map(|point| point.beer_c);
        let (low, high) = beers.fold((f64::MAX, f64::MIN), |(l, h), c| (l.min(c), h.max(c)));
        if low <= high {
            let celsius = |c| self.show.temperature(quantity::Temperature::clamped(c));
            text.push_str(&format!("Beer between {} and {}. ", celsius(low), celsius(high)));
        }
        let names: Vec<&str> = self.stages.iter().map(|stage| stage.name.as_str()).collect();
        if !names.is_empty() {
            text.push_str(&format!("Stages: {}. ", names.join(", ")));
        }
        let days = self.until.since(self.from).days();
        let count =
            |count: usize, one: &str| format!("{count} {one}{}", if count == 1 { "" } else { "s" });
        let alarms = count(self.alarms.len(), "alarm");
        let samples = count(self.samples.len(), "sample");
        text.push_str(&format!("{days:.1} days, {samples}, {alarms}."));
        text
    }
}

#[cfg(test)]
mod tests;
