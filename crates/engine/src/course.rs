//! The course of a batch: a point each quarter of an hour, for charts, that nobody need replay.

use crate::context::Context;
use crate::effect::{Effect, OutputKind};
use crate::vessel::Vessel;
use crate::wear::Mark;
use quantity::{Gravity, Span, Stamp, Temperature};
use schedule::Name;
use serde::{Deserialize, Serialize};

/// Points lie at whole multiples of this, by the wall clock.
pub const POINTS_APART: Span = Span::from_mins(15);

/// How a batch stood at a whole quarter of an hour; what is not known is `None`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The batch's id. Invariant: with `at` it is the point's key; a wall clock that stepped back
    /// may give a second point of one key, and the first holds.
    pub batch: String,
    /// The vessel that it was in.
    pub vessel: Name,
    /// The quarter, by the wall clock.
    pub at: Stamp,
    /// The gravity as believed, in SG; `None` after too long without a usable reading.
    pub sg: Option<f64>,
    /// Its standard deviation, in SG.
    pub sg_sd: Option<f64>,
    /// Apparent attenuation, in percent.
    pub attenuation_percent: Option<f64>,
    /// Its standard deviation, in percent.
    pub attenuation_sd: Option<f64>,
    /// The beer's temperature, in °C.
    pub beer_c: Option<f64>,
    /// In °C; `None` where no temperature is kept.
    pub setpoint_c: Option<f64>,
    /// The temperature around the vessel, in °C.
    pub surround_c: Option<f64>,
    /// The share of the time since the point before, or since the batch came, for which the heater
    /// was on, 0 to 1; `None` where there is none, or where it regulates itself.
    pub heater_share: Option<f64>,
    /// The same of the chiller.
    pub chiller_share: Option<f64>,
}

/// The quarter under way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Quarter {
    batch: String,
    /// By the wall clock.
    at: Stamp,
    /// The outputs' counters when it began, and that instant of steady time.
    began: Mark,
    since: Stamp,
}

impl Vessel {
    /// Makes a point where a new quarter of an hour has begun.
    pub fn keep_course(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = self.batch.as_ref().filter(|_| self.has_beer()) else {
            self.quarter = None;
            return;
        };
        let wall = cx.clock.wall_of(cx.now);
        let before = self.quarter.as_ref().filter(|before| before.batch == batch.id);
        let lasts = |before: &Quarter| before.at <= wall && wall.since(before.at) < POINTS_APART;
        if before.is_some_and(lasts) {
            return;
        }
        let at = quarter_of(wall);
        if let Some(before) = before {
            let point = self.point(cx, before, at);
            cx.journal.effects.push(Effect::Point(point));
        }
        let (batch, began) = (batch.id.clone(), self.mark(cx.now));
        self.quarter = Some(Quarter { batch, at, began, since: cx.now });
    }

    /// Makes the points of a batch that was pitched in the past, whose readings are being taken in:
    /// of the quarters after `last`, until an instant of steady time. What the outputs did then was
    /// not for this batch.
    pub fn keep_past_course(
        &mut self,
        cx: &mut Context<'_, '_>,
        last: &mut Stamp,
        until: Stamp,
        beer: impl Fn(Stamp) -> Option<Temperature>,
    ) {
        let until = cx.clock.wall_of(until);
        while *last + POINTS_APART <= until {
            *last = *last + POINTS_APART;
            let at = cx.clock.steady_of(*last);
            let Some(batch) = &mut self.batch else { return };
            batch.belief.advance(at);
            let id = batch.id.clone();
            let beer_c = beer(at).map(Temperature::celsius);
            let point = Point { beer_c, ..self.believed_point(cx, &id, *last) };
            cx.journal.effects.push(Effect::Point(point));
        }
    }

    /// What was believed and kept in the quarter that ended at `at`.
    fn point(&self, cx: &Context<'_, '_>, before: &Quarter, at: Stamp) -> Point {
        let config = &cx.setup.config;
        let passed = cx.now.since(before.since).hours();
        let share = |kind| {
            let on = self.worn(config, kind, cx.now, &before.began)?.on.hours();
            (passed > 0.0).then(|| (on / passed).clamp(0.0, 1.0))
        };
        let setpoint = self.setpoint.filter(|_| self.is_regulating());
        Point {
            beer_c: self.beer_now(config).map(Temperature::celsius),
            setpoint_c: setpoint.map(Temperature::celsius),
            surround_c: self.surround_now(config).map(Temperature::celsius),
            heater_share: share(OutputKind::Heater),
            chiller_share: share(OutputKind::Chiller),
            ..self.believed_point(cx, &before.batch, at)
        }
    }

    /// A point of which only the gravity is known.
    fn believed_point(&self, cx: &Context<'_, '_>, batch: &str, at: Stamp) -> Point {
        let figures = self.figures();
        let belief = self.batch.as_ref().map(|batch| &batch.belief);
        // Any gravity will do, where only the present value is asked for.
        let sg = Gravity::from_sg(1.0)
            .zip(belief)
            .and_then(|(any, belief)| belief.at_or_below(any).value);
        Point {
            batch: batch.to_owned(),
            vessel: cx.name.clone(),
            at,
            sg: sg.map(|sg| sg.value),
            sg_sd: sg.map(|sg| sg.sd),
            attenuation_percent: figures
                .apparent
                .filter(|_| figures.apparent_sd.is_some())
                .map(|apparent| apparent * 100.0),
            attenuation_sd: figures.apparent_sd.map(|sd| sd * 100.0),
            beer_c: None,
            setpoint_c: None,
            surround_c: None,
            heater_share: None,
            chiller_share: None,
        }
    }
}

/// The whole quarter of an hour that an instant lies in.
pub(crate) fn quarter_of(at: Stamp) -> Stamp {
    let quarter = POINTS_APART.millis();
    Stamp::from_millis(at.millis().div_euclid(quarter) * quarter)
}
