//! Watching a vessel: every condition that raises an alarm, and what is kept off meanwhile.

use crate::alarm::{Condition, Rule, rules};
use crate::context::Context;
use crate::probe::Probe;
use crate::record::Kind;
use crate::vessel::{Blocks, Controlled, Run, Vessel, controlled_on};
use belief::{Care, Doubt};
use control::Output;
use quantity::{GravityDelta, Show, Span, Stamp, Temperature};
use schedule::config;
use schedule::model::{ExpectedFinal, Milestone};
use serde_json::json;

/// The chiller is kept off within this of the freezing point, in K.
const FREEZING_MARGIN_K: f64 = 0.5;
/// Colder beer than this may come near its freezing point before it is judged again.
const FREEZING_LOOKED_AT_C: f64 = 4.0;
/// How strong the beer is shown to be is looked at this often.
const STRENGTH_EVERY: Span = Span::from_hours(1);
/// A block ends when the beer is back by this much, in K.
const BLOCK_BACK_K: f64 = 0.2;
/// A source is silent after so many of its intervals.
pub(crate) const SILENT_INTERVALS: i64 = 3;
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
        self.tell_original(cx);
        self.watch_final(cx);
        self.watch_sources(cx);
        self.watch_batteries(cx);
        self.note_strength(cx);
        self.watch_packaging(cx);
        self.call_for_samples(cx);
        self.tell_moved_outside(cx);
    }

    /// Once the fall is shown, the original gravity that was to be measured is known, or never will
    /// be.
    fn tell_original(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = &mut self.batch else { return };
        if !batch.is_original_due() {
            return;
        }
        batch.original_told = true;
        let original = batch.belief.original();
        let text = match original {
            Some(sg) => format!(
                "The original gravity was measured: {}, from the settled readings before the fall.",
                cx.show.gravity_with_sd(sg.value, sg.sd)
            ),
            None => "The original gravity could not be measured: the fall began before readings \
                     had settled, and attenuation and alcohol stay unknown. Give it with the next \
                     pitch, from a sample."
                .to_owned(),
        };
        let data = json!({
            "original_sg": original.map(|sg| sg.value), "sd": original.map(|sg| sg.sd),
        });
        cx.record(Some(&batch.id), Kind::BatchExpected, text, data);
    }

    /// Alcohol stays in the beer: what was shown of its strength holds, also where its float is
    /// silent later. Once an hour is enough, but for a beer that is cold before the first hour.
    fn note_strength(&mut self, cx: &Context<'_, '_>) {
        let is_cold = |beer: Temperature| beer.celsius() < FREEZING_LOOKED_AT_C;
        let cold = self.beer_now(&cx.setup.config).is_some_and(is_cold);
        let due = cx.now.since(self.strength_at) >= STRENGTH_EVERY;
        if due || (cold && self.freezing_c >= 0.0) {
            self.strength_at = cx.now;
            self.freezing_c = self.freezing_c.min(self.freezing_point_c());
        }
    }

    pub fn alarm(
        &mut self,
        cx: &mut Context<'_, '_>,
        rule: Rule,
        source: Option<&str>,
        condition: Option<Condition>,
    ) {
        // Most often by far: asked for at each reading, of each rule.
        if condition.is_none() && self.alarms.is_quiet() {
            return;
        }
        let change = self.alarms.update(rule, source, condition, cx.now);
        self.note(cx, change);
    }

    fn watch_silence(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let Some(on) = controlled_on(config).filter(|_| self.is_regulating()) else {
            self.alarm(cx, rules::BEER_SILENT, None, None);
            self.alarm(cx, rules::BEER_DOUBTFUL, None, None);
            return;
        };
        let since = self.beer_quiet_since(config);
        if cx.now.since(since) >= config.control.silent_after {
            self.probe_mut(on).fall_silent();
        }
        let probe = self.controlled(config);
        // A broker that is away is told once, not for each vessel; outputs are off all the same.
        let after = config.control.silent_after;
        let explained =
            cx.link.explains_silence(cx.now, after) && !self.alarms.stands(rules::BEER_SILENT.id);
        let silence = probe.filter(|probe| probe.is_silent() && !explained).map(|probe| {
            let quiet = cx.now.since(probe.heard().unwrap_or(self.started_at));
            let text = format!(
                "no beer temperature for {quiet}; both outputs are off until three readings agree. \
                 Look at the probe and its link"
            );
            Condition::new(text, json!({ "silent_s": quiet.secs() }))
        });
        let doubtful = probe.and_then(Probe::doubt).map(|doubt| {
            let text = format!(
                "{}; both outputs are off until three readings agree. Look at the probe, its \
                     wire and its place",
                doubt.text(cx.show)
            );
            Condition::new(text, json!({ "doubt": doubt.kind() }))
        });
        self.alarm(cx, rules::BEER_SILENT, None, silence);
        self.alarm(cx, rules::BEER_DOUBTFUL, None, doubtful);
    }

    fn probe_mut(&mut self, on: Controlled<'_>) -> &mut Probe {
        match on {
            Controlled::Beer => &mut self.beer,
            Controlled::Float(name) => {
                &mut self.floats.entry(name.to_owned()).or_default().temperature
            }
        }
    }

    /// Since when the beer's probe says nothing, counted from the pitch and from the start of the
    /// process at the earliest.
    fn beer_quiet_since(&self, config: &config::Vessel) -> Stamp {
        let heard = self.controlled(config).and_then(Probe::heard);
        self.watched_since().max(heard.unwrap_or(self.started_at))
    }

    /// When a silence will be due: the beer's, or a float's.
    pub fn silence_due(&self, config: &config::Vessel) -> impl Iterator<Item = Stamp> {
        let floats = config.gravity.iter().map(|(name, source)| {
            self.float_quiet_since(name.as_str()) + source.every * SILENT_INTERVALS
        });
        let samples = config.sample_every.map(|every| {
            let silent = every * SILENT_INTERVALS;
            [self.sample_due(every), self.sampled_since() + silent]
        });
        let watched = self.has_beer();
        floats.chain(samples.into_iter().flatten()).filter(move |_| watched)
    }

    /// Since when a float has said nothing that could be used.
    ///
    /// A start of the process does not end a silence, but it gives the float its time to begin one.
    fn float_quiet_since(&self, name: &str) -> Stamp {
        let used = self.floats.get(name).and_then(|float| float.used);
        let pitched = self.batch.as_ref().map_or(self.started_at, |batch| batch.pitched_at);
        let since = used.map_or(pitched, |used| used.max(pitched));
        // What was out of the beer begins anew.
        let back = self.floats.get(name).and_then(|float| float.back_at);
        let since = back.map_or(since, |back| since.max(back));
        let stands = self.alarms.is_raised(rules::GRAVITY_SILENT.id, name);
        if stands { since } else { since.max(self.started_at) }
    }

    /// Silence counts from here at the earliest: the pitch, and the start of the process.
    fn watched_since(&self) -> Stamp {
        let pitched = self.batch.as_ref().map(|batch| batch.pitched_at.min(self.settled_at));
        let parked = self.parked.as_ref().map(|parked| parked.since);
        parked.or(pitched).map_or(self.started_at, |since| since.max(self.started_at))
    }

    fn watch_limits(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        if !self.has_beer() && self.parked.is_none() {
            let Blocks { ran_away, chiller_rests, .. } = self.blocks;
            self.blocks = Blocks { ran_away, chiller_rests, ..Blocks::default() };
            return;
        }
        // While the beer's temperature is not known, what was so last stands.
        let Some(beer) = self.beer_now(config) else { return };
        self.set_blocks(config, beer.celsius());
        let blocks = self.blocks;
        let cold = blocks
            .too_cold
            .then(|| past_limit(cx.show, beer, config.coldest, "below", ["chiller", "colder"]));
        let warm = blocks
            .too_warm
            .then(|| past_limit(cx.show, beer, config.warmest, "above", ["heater", "warmer"]));
        let freeze = blocks.near_freezing.then(|| near_freezing(cx.show, beer, self.freezing_c));
        self.alarm(cx, rules::TOO_COLD, None, cold);
        self.alarm(cx, rules::TOO_WARM, None, warm);
        self.alarm(cx, rules::NEAR_FREEZING, None, freeze);
    }

    /// A block begins at its limit and ends a little inside.
    fn set_blocks(&mut self, config: &config::Vessel, celsius: f64) {
        let back = |on: bool| if on { BLOCK_BACK_K } else { 0.0 };
        let blocks = &mut self.blocks;
        blocks.too_cold = celsius < config.coldest.celsius() + back(blocks.too_cold);
        blocks.too_warm = celsius > config.warmest.celsius() - back(blocks.too_warm);
        let near = self.freezing_c + FREEZING_MARGIN_K;
        blocks.near_freezing = celsius < near + back(blocks.near_freezing);
    }

    fn watch_off_target(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let most = config.control.off_target.kelvin();
        let away = match (self.setpoint.filter(|_| self.is_regulating()), self.beer_now(config)) {
            (Some(setpoint), Some(beer)) if self.moving_from.is_none() => {
                beer.celsius() - setpoint.celsius()
            }
            // While the beer's temperature is not known, what was so last stands.
            (Some(_), None) => return,
            _ => 0.0,
        };
        let condition = (away.abs() > most).then(|| {
            let (side, against) =
                if away > 0.0 { ("above", Output::Chiller) } else { ("below", Output::Heater) };
            let name = if away > 0.0 { "chiller" } else { "heater" };
            let text = format!(
                "the beer has been over {} from its setpoint for 2 h, now {} {side} it. {}",
                cx.show.temperature_difference(most),
                cx.show.temperature_difference(away.abs()),
                self.off_target_advice(cx, away).unwrap_or_else(|| {
                    format!("Look at the {name}{} and at the door", self.acting(cx, against))
                })
            );
            Condition::new(text, json!({ "away_k": away }))
        });
        self.alarm(cx, rules::OFF_TARGET, None, condition);
    }

    fn watch_begin(&mut self, cx: &mut Context<'_, '_>) {
        // While held nothing new is asked.
        let Some(batch) = self.batch.as_ref().filter(|_| self.run != Run::Held) else { return };
        let begun = batch.belief.begun();
        let shown = begun.probability.is_some_and(|p| p >= batch.confidence());
        let bound = batch.schedule.expect.begins_within;
        let since = cx.now.since(batch.pitched_at);
        let running = self.run == Run::Running;
        let late = running && since >= bound && !shown && !cx.clock_doubtful();
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
        let stalled = batch.belief.has_stalled(within, over, batch.confidence(), Care::Quick);
        let stalled = stalled.then(|| {
            let text = "the fall ended short of the expected final gravity: stalled, or the \
                        expectation is wrong. Take a sample; rouse or warm the yeast"
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
            let quiet = cx.now.since(self.float_quiet_since(name));
            let watched = self.has_beer() && !self.is_aside(name);
            let most = source.every * SILENT_INTERVALS;
            let explained = cx.link.explains_silence(cx.now, most)
                && !self.alarms.is_raised(rules::GRAVITY_SILENT.id, name);
            let silent = (watched && quiet >= most && !explained).then(|| {
                let text = format!(
                    "{name} has given no usable gravity for {quiet}, three of its intervals. Look \
                     at its battery, its link and its place"
                );
                Condition::new(text, json!({ "source": name, "silent_s": quiet.secs() }))
            });
            self.alarm(cx, rules::GRAVITY_SILENT, Some(name), silent);
            let doubt = reports.iter().find(|report| report.name == name).and_then(|r| r.doubt);
            let doubtful = doubt.map(|doubt| {
                let why = crate::words::doubt(&doubt, cx.show);
                let rose = matches!(doubt, Doubt::Stepped { points, .. } if points > 0.0);
                let what = if rose {
                    "If something was added to the beer, record it with `addition`; else look at \
                     the float and take a sample"
                } else {
                    "Take a sample"
                };
                let text = format!("{name} is doubted: {why}. {what}");
                Condition::new(text, json!({ "source": name, "asks_for_addition": rose }))
            });
            self.alarm(cx, rules::GRAVITY_DOUBTFUL, Some(name), doubtful);
        }
        self.watch_samples(cx);
    }

    fn watch_batteries(&mut self, cx: &mut Context<'_, '_>) {
        let low = self.floats.iter().find_map(|(name, float)| {
            let percent = float.battery?;
            let days = float.battery_days_left(cx.now);
            let low = percent < BATTERY_LOW_PERCENT || days.is_some_and(|d| d < BATTERY_LOW_DAYS);
            let left = days.map_or_else(String::new, |days| format!(", about {days:.0} days left"));
            low.then(|| {
                let text =
                    format!("the battery of {name} is at {percent:.0} %{left}. Charge it soon");
                let data = json!({ "source": name, "battery_percent": percent, "days_left": days });
                Condition::new(text, data)
            })
        });
        self.alarm(cx, rules::BATTERY_LOW, None, low);
    }
}

fn past_limit(
    show: Show,
    beer: Temperature,
    limit: Temperature,
    side: &str,
    [output, worse]: [&str; 2],
) -> Condition {
    let text = format!(
        "the beer is at {}, {side} the vessel's limit of {}; the {output} is kept off. Look \
         whether its relay is open, and what else makes the vessel {worse}",
        show.temperature(beer),
        show.temperature(limit)
    );
    Condition::new(text, json!({ "beer_c": beer.celsius(), "limit_c": limit.celsius() }))
}

fn near_freezing(show: Show, beer: Temperature, freezing_c: f64) -> Condition {
    let text = format!(
        "the beer is at {}, within {} of the {} at which it may begin to freeze; the chiller is \
         kept off. Look whether its relay is open; ice blocks valves and breaks vessels",
        show.temperature(beer),
        show.temperature_difference(FREEZING_MARGIN_K),
        show.temperature(Temperature::clamped(freezing_c))
    );
    Condition::new(text, json!({ "beer_c": beer.celsius(), "freezing_c": freezing_c }))
}
