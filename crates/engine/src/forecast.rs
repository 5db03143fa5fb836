//! When the running stage and those behind it will be left: from many ways in which the beer may go
//! on, and from what past batches of the schedule did.

use crate::batch::Batch;
use crate::context::Context;
use crate::past::Lesson;
use crate::record::Kind;
use crate::stages::care_at;
use crate::vessel::{Run, Vessel};
use crate::view;
use crate::way::{Ahead, Leaves};
use quantity::{Span, Stamp, Temperature};
use schedule::model::Milestone;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// So many ways are followed.
const WAYS: u32 = 64;
/// The interval that is told: 90 %.
const EARLIEST: f64 = 0.05;
const LATEST: f64 = 0.95;
/// Of ways that stall nothing can be told; where they are more than the rest, nothing is told.
const ENDS_LEAST: f64 = 0.5;
/// A forecast is made anew after a quarter of the time that the running stage has left, within
/// these bounds.
const SOONEST: Span = Span::from_hours(1);
const EVERY: Span = Span::from_hours(6);
/// It is told at most this often,
const TOLD_EVERY: Span = Span::from_hours(6);
/// and only where a stage's end moved by more than this and by more than this share of the time
/// until then.
const TOLD_MOVED: Span = Span::from_hours(6);
const TOLD_SHARE: f64 = 0.2;

/// When one stage will be left; `None`: not within what can be foretold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Foreseen {
    pub stage: String,
    pub leaves: Option<Stamp>,
    pub earliest: Option<Stamp>,
    pub latest: Option<Stamp>,
}

/// A batch's forecast.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Forecast {
    /// When it was made, and in which stage.
    made: Option<(Stamp, usize)>,
    /// The running stage and those behind it; empty while nothing can be said.
    pub stages: Vec<Foreseen>,
    /// When one was last told, and which.
    told: Option<(Stamp, Vec<Foreseen>)>,
    /// When the running stage began, and how long it was then foretold to last, before what past
    /// batches say.
    entered: Option<(Stamp, Span)>,
}

impl Vessel {
    /// Makes the forecast anew where it is time, and tells it where it moved.
    pub fn foresee(&mut self, cx: &mut Context<'_, '_>) {
        if self.run != Run::Running {
            return;
        }
        let Some(batch) = &self.batch else { return };
        if !batch.forecast.is_due(batch.stage.index, cx.now) {
            return;
        }
        let ways = self.ways(cx);
        let Some(batch) = &mut self.batch else { return };
        batch.foresee(&ways, cx.now);
        self.tell_forecast(cx);
    }

    /// The ways on from now; empty while nothing can be said.
    fn ways(&self, cx: &Context<'_, '_>) -> Vec<Leaves> {
        let ahead = || {
            let batch = self.batch.as_ref()?;
            let setpoint = self.setpoint?;
            let finding = self.finding(cx, &batch.stage().until)?;
            let points = |sg: f64| (sg - 1.0) * 1e3;
            let estimate = batch.belief.estimate();
            let interval = batch.belief.sources().into_iter().filter_map(|s| s.interval).min();
            Some(Ahead {
                batch,
                bounds: self.bounds(&cx.setup.config)?,
                past: cx.past,
                now: cx.now,
                setpoint,
                standing: self.standing_since.map_or(0.0, |since| cx.now.since(since).hours()),
                beer: self.beer_now(&cx.setup.config).unwrap_or(setpoint).celsius(),
                yes: finding.verdicts.iter().map(|verdict| verdict.answer.is_yes()).collect(),
                original: batch.original_sg().map(points),
                expected_final: batch.expected_final_sg().map(points),
                raised: batch.belief.raised_beyond_original(),
                sd: estimate.map_or(1.0, |estimate| estimate.sg.sd * 1e3),
                rate_sd: estimate.map_or(1.0, |estimate| estimate.rate_points_per_day.sd),
                near: 2.0 * cx.setup.config.control.hysteresis.kelvin(),
                noise: batch.belief.noise_points(),
                interval: interval.map_or(1.0, Span::hours),
                sure: batch.sure(),
                care: (0..batch.schedule.stages.len()).map(|i| care_at(batch, i)).collect(),
            })
        };
        let Some(ahead) = ahead() else { return Vec::new() };
        let beer = Temperature::clamped(ahead.beer);
        let count = if ahead.is_by_time_alone() { 1 } else { WAYS };
        let courses = ahead.batch.belief.courses(count, beer);
        courses.into_iter().map(|course| ahead.follow(course)).collect()
    }

    fn tell_forecast(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = &self.batch else { return };
        if !batch.forecast.is_worth_telling(batch.pitched_at, cx.now) {
            return;
        }
        let stages = &batch.forecast.stages;
        let confirms =
            batch.schedule.stages.iter().skip(batch.stage.index).any(|stage| {
                stage.until.any_leaf(&mut |leaf| matches!(leaf, Milestone::Confirm(_)))
            });
        let condition = if confirms { ", if confirmations come at once" } else { "" };
        let parts: Vec<String> = [stages.first(), stages.last().filter(|_| stages.len() > 1)]
            .into_iter()
            .flatten()
            .map(|foreseen| foreseen.words(cx.now))
            .collect();
        let text = format!("Forecast (90 %{condition}): {}.", parts.join("; "));
        let told = stages.iter().map(|foreseen| foreseen.json(cx)).collect();
        let data = json!({ "stages": Value::Array(told) });
        cx.record(Some(&batch.id), Kind::ForecastRevised, text, data);
        if let Some(batch) = &mut self.batch {
            batch.forecast.told = Some((cx.now, batch.forecast.stages.clone()));
        }
    }

    /// The forecast for `state`.
    pub fn forecast_view(&self, cx: &Context<'_, '_>) -> Vec<view::Forecast> {
        let Some(batch) = self.batch.as_ref().filter(|_| self.run == Run::Running) else {
            return Vec::new();
        };
        let wall = |at: Option<Stamp>| at.map(|at| cx.wall(at));
        let stages = batch.forecast.stages.iter().map(|foreseen| view::Forecast {
            stage: foreseen.stage.clone(),
            leaves: wall(foreseen.leaves),
            earliest: wall(foreseen.earliest),
            latest: wall(foreseen.latest),
        });
        stages.collect()
    }
}

impl Batch {
    fn foresee(&mut self, ways: &[Leaves], now: Stamp) {
        let index = self.stage.index;
        let after = |hours: f64| hours.is_finite().then(|| now + Span::from_hours_f64(hours));
        let names = self.schedule.stages.iter().skip(index).map(|stage| stage.name.clone());
        let foreseen = names.enumerate().map(|(place, stage)| {
            let mut hours: Vec<f64> =
                ways.iter().filter_map(|way| way.hours.get(place).copied()).collect();
            Foreseen {
                stage,
                leaves: after(share_of(&mut hours, 0.5)),
                earliest: after(share_of(&mut hours, EARLIEST)),
                latest: after(share_of(&mut hours, LATEST)),
            }
        });
        self.forecast.stages = if ways.is_empty() { Vec::new() } else { foreseen.collect() };
        self.forecast.made = Some((now, index));
        if self.forecast.entered.is_none_or(|(entered, _)| entered != self.stage.entered_at) {
            let mut plain: Vec<f64> = ways.iter().map(|way| way.plain).collect();
            let plain = share_of(&mut plain, 0.5);
            let lasts = plain.is_finite().then(|| Span::from_hours_f64(plain));
            self.forecast.entered = lasts.map(|lasts| (self.stage.entered_at, lasts));
        }
    }

    /// What is learned from the running stage, which is left now by its milestones.
    pub fn lesson(&self, now: Stamp) -> Option<Lesson> {
        const SHORTEST: Span = Span::from_mins(30);
        let (entered, foretold) = self.forecast.entered?;
        let took = self.elapsed(now);
        let usable = entered == self.stage.entered_at
            && self.stage.held.is_zero()
            && foretold > SHORTEST
            && took > SHORTEST;
        usable.then(|| Lesson {
            schedule: self.file.clone(),
            stage: self.stage().name.clone(),
            ratio: (took.hours() / foretold.hours()).ln(),
        })
    }
}

impl Forecast {
    /// The beer is another one than was foretold: it is made anew, and nothing is learned from how
    /// long the running stage takes.
    pub fn is_outdated(&mut self) {
        (self.made, self.entered) = (None, None);
    }

    fn is_due(&self, stage: usize, now: Stamp) -> bool {
        let Some((made, of)) = self.made else { return true };
        let wait = match self.stages.first().map(|running| running.leaves) {
            Some(Some(leaves)) => Span::from_millis(leaves.since(made).millis() / 4),
            Some(None) => EVERY,
            None => SOONEST,
        };
        of != stage || now.since(made) >= wait.clamp(SOONEST, EVERY)
    }

    fn is_worth_telling(&self, pitched: Stamp, now: Stamp) -> bool {
        if self.stages.is_empty() {
            return false;
        }
        let Some((at, before)) = &self.told else {
            let known = self.stages.iter().any(|stage| stage.leaves.is_some());
            return known && now.since(pitched) >= TOLD_EVERY;
        };
        now.since(*at) >= TOLD_EVERY
            && self.stages.iter().any(|stage| {
                let told = before.iter().find(|told| told.stage == stage.stage);
                told.is_none_or(|told| stage.has_moved(told, now))
            })
    }
}

impl Foreseen {
    fn has_moved(&self, told: &Foreseen, now: Stamp) -> bool {
        match (self.leaves, told.leaves) {
            (Some(leaves), Some(before)) => {
                let moved = leaves.millis_after(before).abs() as f64 / 3_600_000.0;
                moved > TOLD_MOVED.hours().max(TOLD_SHARE * leaves.since(now).hours())
            }
            (one, other) => one.is_some() != other.is_some(),
        }
    }

    /// `primary ends in 2 d 4 h (1 d 20 h to 2 d 16 h)`.
    fn words(&self, now: Stamp) -> String {
        let name = &self.stage;
        let Some(leaves) = self.leaves else {
            return format!("when {name} ends cannot be foretold");
        };
        let round = |at: Stamp| {
            let span = Span::from_mins((at.since(now).hours() * 12.0).round() as i64 * 5);
            if span.is_zero() { "now".to_owned() } else { span.to_string() }
        };
        let latest = self.latest.map_or_else(|| "not known".to_owned(), round);
        let earliest = self.earliest.map_or_else(|| "now".to_owned(), round);
        match round(leaves).as_str() {
            "now" => format!("{name} ends now ({earliest} to {latest})"),
            span => format!("{name} ends in {span} ({earliest} to {latest})"),
        }
    }

    fn json(&self, cx: &Context<'_, '_>) -> Value {
        let wall = |at: Option<Stamp>| at.map(|at| cx.wall(at));
        json!({
            "stage": self.stage, "leaves": wall(self.leaves), "earliest": wall(self.earliest),
            "latest": wall(self.latest),
        })
    }
}

/// The value below which this share of the ways that come to an end lies, between the two nearest;
/// infinite where too many never do.
fn share_of(hours: &mut [f64], share: f64) -> f64 {
    hours.sort_by(f64::total_cmp);
    let ends = hours.iter().filter(|hours| hours.is_finite()).count();
    if (ends as f64) < ENDS_LEAST * hours.len() as f64 || ends == 0 {
        return f64::INFINITY;
    }
    let place = share * (ends - 1) as f64;
    let (low, high) = (place.floor() as usize, place.ceil() as usize);
    hours[low] + (hours[high] - hours[low]) * (place - low as f64)
}
