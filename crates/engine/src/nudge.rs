//! What a person sets besides the schedule while a batch runs: nudges, and where a held setpoint
//! stands.

use crate::command::{Nudge as Wanted, NudgeBy};
use crate::context::Context;
use crate::record::Kind;
use crate::stages::vacuum_caution;
use crate::vessel::{Run, Vessel};
use quantity::{Show, Span, Stamp, Temperature, TemperatureDelta};
use schedule::config;
use schedule::model::Target;
use serde::{Deserialize, Serialize};
use serde_json::json;

/// A nudge smaller than this is none, in K.
const NOTHING: f64 = 1e-9;

/// A person's correction of the setpoint; ends with its stage at the latest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Nudge {
    /// In the place of what the schedule asks for.
    to: Option<Temperature>,
    /// Added to that.
    by: TemperatureDelta,
    given: Stamp,
    /// `None`: to the end of the stage.
    until: Option<Stamp>,
    /// Where the setpoint was held before, where it was given while held.
    held_before: Option<Temperature>,
    who: Option<String>,
}

impl Nudge {
    /// What becomes of a goal of the schedule.
    pub fn on(&self, goal: Temperature) -> Temperature {
        self.to.unwrap_or(goal) + self.by
    }

    /// Whether it stands in the place of what the schedule asks for, also of a free rise.
    pub fn is_fixed(&self) -> bool {
        self.to.is_some()
    }

    /// By how much the schedule's own goal is moved; 0 where another stands in its place.
    pub fn shift(&self) -> TemperatureDelta {
        if self.is_fixed() { TemperatureDelta::clamped(0.0) } else { self.by }
    }

    /// By how much, in K, where no temperature stands in the place of the schedule's.
    pub fn by_kelvin(&self) -> Option<f64> {
        (!self.is_fixed()).then(|| self.by.kelvin())
    }

    /// To where, whatever the schedule asks for.
    pub fn to(&self) -> Option<Temperature> {
        self.to.map(|to| to + self.by)
    }

    /// When it ends by itself.
    pub fn until(&self) -> Option<Stamp> {
        self.until
    }

    /// Who gave it.
    pub fn who(&self) -> Option<&str> {
        self.who.as_deref()
    }

    /// Time away came to light: what was given since the start lasts as long as it was to.
    pub fn slept(&mut self, started: Stamp, away: Span) {
        if self.given >= started {
            self.given = self.given + away;
            self.until = self.until.map(|until| until + away);
        }
    }

    fn words(&self, show: Show) -> String {
        match self.to() {
            Some(to) => format!("to {}", show.temperature(to)),
            None => format!("by {}", signed(show, self.by.kelvin())),
        }
    }
}

/// `+2.0 °C`.
fn signed(show: Show, kelvin: f64) -> String {
    let plus = if kelvin >= 0.0 { "+" } else { "" };
    format!("{plus}{}", show.temperature_difference(kelvin))
}

impl Vessel {
    /// Why a setpoint cannot be asked for; `None` where it can.
    pub fn refuse_target(&self, cx: &Context<'_, '_>, target: Temperature) -> Option<String> {
        let bounds = self.bounds(&cx.setup.config)?;
        (bounds.clamp(target) != target).then(|| {
            format!(
                "{} is outside the limits, {} to {}",
                cx.show.temperature(target),
                cx.show.temperature(bounds.coldest),
                cx.show.temperature(bounds.warmest)
            )
        })
    }

    /// Why a nudge cannot be given.
    pub fn refuse_nudge(&self, cx: &Context<'_, '_>, wanted: &Wanted) -> Option<String> {
        if wanted.until.is_some_and(Span::is_zero) {
            return Some("`until` is no time at all".to_owned());
        }
        match wanted.change {
            NudgeBy::To(target) => self.refuse_target(cx, target),
            NudgeBy::By(by) if by.kelvin().abs() < NOTHING => {
                Some("a nudge by nothing changes nothing".to_owned())
            }
            NudgeBy::By(_) => None,
        }
    }

    /// Corrects the setpoint; a second nudge by some degrees adds to the first.
    pub fn nudge(
        &mut self,
        cx: &mut Context<'_, '_>,
        wanted: &Wanted,
        who: Option<&str>,
    ) -> String {
        let held = self.run == Run::Held;
        let Some(bounds) = self.bounds(&cx.setup.config) else { return String::new() };
        let Some(batch) = &mut self.batch else { return String::new() };
        let none = TemperatureDelta::clamped(0.0);
        let before = batch.stage.nudge.take();
        let (to, by) = match (wanted.change, &before) {
            (NudgeBy::To(target), _) => (Some(target), none),
            (NudgeBy::By(by), None) => (None, by),
            (NudgeBy::By(more), Some(before)) => {
                (before.to, TemperatureDelta::clamped(before.by.kelvin() + more.kelvin()))
            }
        };
        let mut nudge = Nudge {
            to,
            by,
            given: cx.now,
            until: wanted.until.map(|span| cx.now + span),
            held_before: before.and_then(|before| before.held_before),
            who: who.map(str::to_owned),
        };
        if let (true, Some(stands)) = (held, batch.held_at.or(self.setpoint)) {
            nudge.held_before = nudge.held_before.or(Some(stands));
            let asked = match wanted.change {
                NudgeBy::To(target) => target,
                NudgeBy::By(by) => stands + by,
            };
            batch.held_at = Some(bounds.clamp(asked));
        }
        let end = if held { batch.held_at } else { None };
        let end = end.unwrap_or_else(|| bounds.clamp(nudge.on(batch.stage().target.end())));
        let undone = nudge.to.is_none() && nudge.by.kelvin().abs() < NOTHING;
        let (words, until, id) = (nudge.words(cx.show), nudge.until, batch.id.clone());
        let (by_k, to_c) = (nudge.by_kelvin(), nudge.to().map(Temperature::celsius));
        batch.stage.nudge = (!undone).then_some(nudge);
        // The move that follows is told as one of its own.
        self.moving_from = None;
        let limits = self.limit_words(cx, end, &words);
        let text = if undone {
            "The setpoint follows the schedule again: the nudges add up to nothing.".to_owned()
        } else {
            let by = who.map_or_else(String::new, |who| format!(" by {who}"));
            let lasts = wanted.until.map_or("until the stage ends".to_owned(), |span| {
                format!("for {span}, or until the stage ends")
            });
            format!("Setpoint corrected{by}, {words}, {lasts}{limits}.")
        };
        let from = self.setpoint;
        let data = json!({
            "from_c": from.map(Temperature::celsius), "to_c": end.celsius(),
            "by_k": by_k, "target_c": to_c, "by": who,
            "until": until.map(|until| cx.wall(until)),
        });
        cx.record(Some(&id), Kind::BatchNoted, text, data);
        self.warn_of_fall(cx, end);
        self.fresh = true;
        if undone { "the schedule again".to_owned() } else { format!("{words}{limits}") }
    }

    /// Says which limit a nudge comes to, where it does.
    fn limit_words(&self, cx: &Context<'_, '_>, end: Temperature, words: &str) -> String {
        let at_limit = self
            .bounds(&cx.setup.config)
            .is_some_and(|bounds| end == bounds.coldest || end == bounds.warmest);
        let end = cx.show.temperature(end);
        if at_limit && !words.ends_with(&end) {
            format!(", which ends at the limit of {end}")
        } else {
            String::new()
        }
    }

    /// The caution about vacuum, before a fall that a person asks for.
    pub fn warn_of_fall(&self, cx: &mut Context<'_, '_>, to: Temperature) {
        let Some(from) = self.setpoint else { return };
        let (id, stage) = (self.batch_id(), self.stage_name());
        vacuum_caution(cx, id.as_deref(), stage.as_deref(), from.celsius() - to.celsius());
    }

    /// Ends a nudge whose time is over.
    pub fn watch_nudge(&mut self, cx: &mut Context<'_, '_>) {
        let held = self.run == Run::Held;
        let Some(batch) = &mut self.batch else { return };
        let is_over = |nudge: &Nudge| nudge.until.is_some_and(|until| cx.now >= until);
        if !batch.stage.nudge.as_ref().is_some_and(is_over) {
            return;
        }
        let Some(nudge) = batch.stage.nudge.take() else { return };
        if held && nudge.held_before.is_some() {
            batch.held_at = nudge.held_before;
        }
        self.moving_from = None;
        let (id, words) = (batch.id.clone(), nudge.words(cx.show));
        let then = match held {
            true if nudge.held_before.is_some() => "it is held where it was before",
            true => "it is held where it is",
            false => "it follows the schedule again",
        };
        let text = format!("The setpoint's correction {words} is over: {then}.");
        let data = json!({
            "from_c": self.setpoint.map(Temperature::celsius), "nudge_over": true,
        });
        cx.record(Some(&id), Kind::BatchNoted, text, data);
        self.fresh = true;
    }

    /// Where the running stage ends, corrected and within the limits.
    pub fn stage_end(&self, config: &config::Vessel) -> Option<Temperature> {
        let batch = self.batch.as_ref()?;
        let end = batch.stage().target.end();
        let end = batch.stage.nudge.as_ref().map_or(end, |nudge| nudge.on(end));
        Some(self.bounds(config)?.clamp(end))
    }

    /// The bounds of a free rise, corrected and within the limits: no heating above the first, the
    /// chiller holds the second; `None` where the stage is no free rise.
    pub fn free_rise(&self, config: &config::Vessel) -> Option<(Option<Temperature>, Temperature)> {
        let batch = self.batch.as_ref().filter(|_| self.run == Run::Running)?;
        let Target::FreeRise { ceiling, not_below } = batch.stage().target else { return None };
        let nudge = batch.stage.nudge.as_ref();
        if nudge.is_some_and(Nudge::is_fixed) {
            return None;
        }
        let shift = nudge.map_or(TemperatureDelta::clamped(0.0), Nudge::shift);
        let bounds = self.bounds(config)?;
        let moved = |to: Temperature| bounds.clamp(to + shift);
        Some((not_below.map(moved), moved(ceiling)))
    }

    /// A held setpoint goes where a person wants it, or stands.
    pub fn move_held(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let Some(bounds) = self.bounds(&cx.setup.config) else { return };
        let goal = self.batch.as_ref().and_then(|batch| batch.held_at);
        if let (Run::Held, Some(goal), Some(from)) = (self.run, goal, self.setpoint) {
            let goal = bounds.clamp(goal);
            let to = bounds.ramped(from, goal, passed);
            self.setpoint = Some(to);
            self.tell_move(cx, from, to, goal, false);
        }
    }
}
