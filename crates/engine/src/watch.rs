//! Watching a vessel: every condition that raises an alarm, and what is kept off meanwhile.

use crate::alarm::{Condition, Rule, rules};
use crate::context::Context;
use crate::effect::OutputKind;
use crate::vessel::{Run, Vessel};
use belief::Care;
use control::Sign;
use quantity::{GravityDelta, Span, Temperature};
use schedule::model::{ExpectedFinal, Milestone};
use serde_json::json;

/// The chiller is kept off within this of the freezing point, in K.
const FREEZING_MARGIN_K: f64 = 0.5;
/// A block ends when the beer is back by this much, in K.
const BLOCK_BACK_K: f64 = 0.2;
/// A source is silent after so many of its intervals.
const SILENT_INTERVALS: i64 = 3;
/// A battery is low under this charge, in percent …
const BATTERY_LOW_PERCENT: f64 = 15.0;
/// … or with fewer days left than this.
const BATTERY_LOW_DAYS: f64 = 7.0;
/// Below the expected final gravity by more than this is told, in points.
const BELOW_EXPECTED_POINTS: f64 = 3.0;
/// What `stalled` looks for where the stage itself has no `stable`.
const STALL_WITHIN: GravityDelta = GravityDelta::Points(1.0);
const STALL_OVER: Span = Span::from_hours(48);

impl Vessel {
    /// Alarms on the beer's temperature and on the outputs; looked at each time.
    pub fn watch_temperature(&mut self, cx: &mut Context<'_, '_>) {
        self.watch_silence(cx);
        self.watch_limits(cx);
        self.watch_off_target(cx);
        self.watch_outputs(cx);
        self.alarms.unshelve(cx.now);
    }

    /// Alarms on gravity and on devices; looked at when something came in, else once a minute.
    pub fn watch_beer(&mut self, cx: &mut Context<'_, '_>) {
        self.watch_begin(cx);
        self.watch_final(cx);
        self.watch_sources(cx);
    }

    fn alarm(
        &mut self,
        cx: &mut Context<'_, '_>,
        rule: Rule,
        source: Option<&str>,
        condition: Option<Condition>,
    ) {
        let change = self.alarms.update(rule, source, condition, cx.now);
        self.note(cx, change);
    }

    fn watch_silence(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let probe = self.controlled(config);
        let watched = self.is_regulating() && (config.beer.is_some() || probe.is_some());
        let silent_after = config.control.silent_after;
        let heard = probe.and_then(crate::probe::Probe::heard);
        let since = heard.map_or(self.started_at, |heard| heard.max(self.watched_since()));
        let silent = watched && cx.now.since(since) >= silent_after;
        let doubt = probe.and_then(|probe| probe.doubt().cloned()).filter(|_| watched);
        let silence = silent.then(|| {
            let text = format!(
                "no beer temperature for {}; both outputs are off. Look at the probe and its link",
                cx.now.since(since)
            );
            Condition::new(text, json!({ "silent_s": cx.now.since(since).secs() }))
        });
        let doubtful = doubt.map(|doubt| {
            let text =
                format!("{}; both outputs are off until three readings agree", doubt.text(cx.show));
            Condition::new(text, json!({}))
        });
        self.alarm(cx, rules::BEER_SILENT, None, silence);
        self.alarm(cx, rules::BEER_DOUBTFUL, None, doubtful);
    }

    /// Silence counts from here at the earliest: the batch's pitch.
    fn watched_since(&self) -> quantity::Stamp {
        self.batch.as_ref().map_or(self.started_at, |batch| batch.pitched_at.min(self.settled_at))
    }

    fn watch_limits(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let beer = self.beer_now(config).filter(|_| self.is_regulating());
        let Some(beer) = beer else {
            self.blocks.too_cold = false;
            self.blocks.too_warm = false;
            return;
        };
        let celsius = beer.celsius();
        let (coldest, warmest) = (config.coldest.celsius(), config.warmest.celsius());
        let freezing = self.freezing_point_c();
        let near = freezing + FREEZING_MARGIN_K;
        let below = |limit: f64, on: bool| celsius < limit + if on { BLOCK_BACK_K } else { 0.0 };
        self.blocks.too_cold = below(coldest, self.blocks.too_cold);
        self.blocks.near_freezing = below(near, self.blocks.near_freezing);
        self.blocks.too_warm =
            celsius > warmest - if self.blocks.too_warm { BLOCK_BACK_K } else { 0.0 };
        let show = cx.show;
        let is = show.temperature(beer);
        let past = |limit: Temperature, side: &str, off: &str| {
            let limit_text = show.temperature(limit);
            let text =
                format!("the beer is at {is}, {side} the vessel's limit of {limit_text}; {off}");
            Condition::new(text, json!({ "beer_c": celsius, "limit_c": limit.celsius() }))
        };
        let cold =
            self.blocks.too_cold.then(|| past(config.coldest, "below", "the chiller is kept off"));
        let warm =
            self.blocks.too_warm.then(|| past(config.warmest, "above", "the heater is kept off"));
        let freeze = self.blocks.near_freezing.then(|| {
            let text = format!(
                "the beer is at {is}, within {} of the {} at which it may begin to freeze; the \
                 chiller is kept off",
                show.temperature_difference(FREEZING_MARGIN_K),
                show.temperature(Temperature::clamped(freezing))
            );
            Condition::new(text, json!({ "beer_c": celsius, "freezing_c": freezing }))
        });
        self.alarm(cx, rules::TOO_COLD, None, cold);
        self.alarm(cx, rules::TOO_WARM, None, warm);
        self.alarm(cx, rules::NEAR_FREEZING, None, freeze);
    }

    fn watch_off_target(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let most = config.control.off_target.kelvin();
        let away = match (self.is_regulating(), self.beer_now(config), self.setpoint) {
            (true, Some(beer), Some(setpoint)) if self.moving_from.is_none() => {
                beer.celsius() - setpoint.celsius()
            }
            _ => 0.0,
        };
        let condition = (away.abs() > most).then(|| {
            let text = format!(
                "the beer has been over {} from its setpoint for 2 h, now {} {} it. Look at the \
                 outputs and the door",
                cx.show.temperature_difference(most),
                cx.show.temperature_difference(away.abs()),
                if away > 0.0 { "above" } else { "below" }
            );
            Condition::new(text, json!({ "away_k": away }))
        });
        self.alarm(cx, rules::OFF_TARGET, None, condition);
    }

    fn watch_outputs(&mut self, cx: &mut Context<'_, '_>) {
        let signs = self.regulator.signs();
        for (kind, rule) in [
            (OutputKind::Heater, rules::HEATER_NO_EFFECT),
            (OutputKind::Chiller, rules::CHILLER_NO_EFFECT),
        ] {
            let condition = signs.iter().find_map(|sign| no_effect(sign, kind));
            // A heater that was switched off for it gives no sign any more: a person ends it.
            let kept = kind == OutputKind::Heater && self.alarms.unseen(rule.id);
            if condition.is_some() || !kept {
                self.alarm(cx, rule, None, condition);
            }
        }
        self.watch_runaway(cx, &signs);
        for kind in [OutputKind::Heater, OutputKind::Chiller] {
            let disagreement = self.disagreement(kind, cx.now).map(|(told, seen)| {
                let word = |on| if on { "on" } else { "off" };
                let text = format!(
                    "the {} was told to be {} and reports {}; it is asked again. Look at the relay",
                    kind.as_str(),
                    word(told),
                    word(seen)
                );
                Condition::new(text, json!({ "output": kind.as_str(), "told": told, "seen": seen }))
            });
            self.alarm(cx, rules::OUTPUT_DISAGREES, Some(kind.as_str()), disagreement);
        }
    }

    /// The hard stop: nothing but a person who acknowledges ends it.
    fn watch_runaway(&mut self, cx: &mut Context<'_, '_>, signs: &[Sign]) {
        let found = signs.iter().find_map(|sign| match sign {
            Sign::RunsAway { output, since, beer } => Some((*output, *since, *beer)),
            Sign::NoEffect { .. } => None,
        });
        if let Some((output, since, beer)) = found {
            let (rule, name) = match output {
                control::Output::Heater => (rules::HEATER_NO_EFFECT, "heater"),
                control::Output::Chiller => (rules::CHILLER_NO_EFFECT, "chiller"),
            };
            let text = format!(
                "the beer, now {}, has gone away from its setpoint for {} while the {name} worked \
                 against it: both outputs are off until a person acknowledges. Are the relays \
                 connected the right way round",
                cx.show.temperature(beer),
                cx.now.since(since)
            );
            self.blocks.runaway = true;
            self.alarm(
                cx,
                rule,
                None,
                Some(Condition::new(text, json!({ "beer_c": beer.celsius() }))),
            );
        }
        let stands =
            ["heater-no-effect", "chiller-no-effect"].iter().any(|id| self.alarms.unseen(id));
        self.blocks.runaway &= stands;
    }

    fn watch_begin(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = self.batch.as_ref().filter(|_| self.run == Run::Running) else { return };
        let begun = batch.belief.begun();
        let shown = begun.probability.is_some_and(|p| p >= batch.confidence());
        let bound = batch.schedule.expect.begins_within;
        let since = cx.now.since(batch.pitched_at);
        let late = since >= bound && !shown && !cx.clock_doubtful();
        let condition = late.then(|| {
            let text = format!(
                "no fall of gravity was shown within {bound} of pitching. Look, smell, take a \
                 sample; perhaps pitch again"
            );
            Condition::new(
                text,
                json!({ "since_pitch_s": since.secs(), "probability": begun.probability }),
            )
        });
        // A batch whose stages never ask for gravity, without any source, is not watched for it.
        let blind = cx.setup.config.gravity.is_empty() && batch.belief.estimate().is_none();
        self.alarm(cx, rules::NOT_BEGUN, None, condition.filter(|_| !blind));
    }

    fn watch_final(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = self.batch.as_ref().filter(|_| self.has_beer()) else { return };
        if batch.expected_final == ExpectedFinal::Unknown {
            return;
        }
        let below = batch.belief.below_final(BELOW_EXPECTED_POINTS);
        let is_below = below.probability.is_some_and(|p| p >= batch.confidence());
        let low = is_below.then(|| {
            let text = "gravity is credibly over 3 points below the expected final one. Take a \
                        sample, check the float, do not package"
                .to_owned();
            Condition::new(text, json!({ "points_below": below.value.map(|v| v.value) }))
        });
        let (within, over) = self.stall_bounds();
        let stable = batch.belief.stable(within, over, batch.confidence(), Care::Quick);
        let stalled = stable.stalled.then(|| {
            let text = "the fall ended short of the expected final gravity: stalled, or the \
                        expectation is wrong. Take a sample; rouse or warm the yeast, or set the \
                        expectation right with `expect`"
                .to_owned();
            Condition::new(text, json!({ "expected_final_sg": batch.expected_final_sg() }))
        });
        self.alarm(cx, rules::BELOW_EXPECTED, None, low);
        self.alarm(cx, rules::STALLED, None, stalled);
    }

    fn stall_bounds(&self) -> (GravityDelta, Span) {
        let mut found = None;
        if let Some(batch) = &self.batch {
            batch.stage().until.any_leaf(&mut |leaf| {
                if let Milestone::Stable { within, over } = leaf {
                    found = Some((*within, *over));
                }
                found.is_some()
            });
        }
        found.unwrap_or((STALL_WITHIN, STALL_OVER))
    }

    fn watch_sources(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let reports = match (&self.batch, self.has_beer()) {
            (Some(batch), true) => batch.belief.sources(),
            _ => Vec::new(),
        };
        for (name, source) in &config.gravity {
            let name = name.as_str();
            let heard = self.floats.get(name).and_then(|float| float.heard);
            let since = heard.map_or(self.started_at, |heard| heard).max(self.watched_since());
            let limit = source.every * SILENT_INTERVALS;
            let silent = (self.has_beer() && cx.now.since(since) >= limit).then(|| {
                let text = format!(
                    "{name} has been silent for {}, three of its intervals. Look at its battery \
                     and its link",
                    cx.now.since(since)
                );
                Condition::new(
                    text,
                    json!({ "source": name, "silent_s": cx.now.since(since).secs() }),
                )
            });
            self.alarm(cx, rules::GRAVITY_SILENT, Some(name), silent);
            let doubt = reports.iter().find(|report| report.name == name).and_then(|r| r.doubt);
            let doubtful = doubt.map(|doubt| {
                let text =
                    format!("{name} is doubted: {}. Take a sample", crate::words::doubt(&doubt));
                Condition::new(text, json!({ "source": name }))
            });
            self.alarm(cx, rules::GRAVITY_DOUBTFUL, Some(name), doubtful);
            self.watch_battery(cx, name);
        }
    }

    fn watch_battery(&mut self, cx: &mut Context<'_, '_>, name: &str) {
        let Some(float) = self.floats.get(name) else { return };
        let Some(percent) = float.battery else { return };
        let days = float.battery_days_left(cx.now);
        let low = percent < BATTERY_LOW_PERCENT || days.is_some_and(|days| days < BATTERY_LOW_DAYS);
        let condition = low.then(|| {
            let left = days.map_or_else(String::new, |days| format!(", about {days:.0} days left"));
            let text = format!("the battery of {name} is at {percent:.0} %{left}. Charge it soon");
            Condition::new(text, json!({ "source": name, "battery_percent": percent }))
        });
        self.alarm(cx, rules::BATTERY_LOW, Some(name), condition);
    }
}

fn no_effect(sign: &Sign, kind: OutputKind) -> Option<Condition> {
    let Sign::NoEffect { output, on, expected } = sign else { return None };
    let (name, of) = match output {
        control::Output::Heater => ("heater", OutputKind::Heater),
        control::Output::Chiller => ("chiller", OutputKind::Chiller),
    };
    if of != kind {
        return None;
    }
    let then = match kind {
        OutputKind::Heater => "it is switched off until a person acknowledges",
        OutputKind::Chiller => "it tries again after rests",
    };
    let text = format!(
        "the {name} has been on for {on} and the beer does not answer; {then}. Look at the relay, \
         the plug and the device"
    );
    let data = json!({ "on_s": on.secs(), "expected_k_per_h": expected.kelvin_per_hour() });
    Some(Condition::new(text, data))
}
