//! What speaks against the outputs and the probe: told apart where the data can, bounded where they
//! cannot.
//!
//! The regulator gives signs; here they become alarms. One cause is one alarm: what a probe in the
//! air or a relay that sticks makes the rest look like is not told as well.

use crate::advice::is_driven;
use crate::alarm::{Condition, rules};
use crate::context::Context;
use crate::effect::OutputKind;
use crate::outputs::{output, takes_setpoint_only};
use crate::vessel::{Controlled, Vessel, controlled_on};
use control::{Output, Sign};
use quantity::{Span, Stamp, Temperature};
use schedule::config;
use serde_json::json;

/// A chiller without effect tries for so long and rests for so long. Common practice, no source.
const CHILLER_TRIES: Span = Span::from_mins(60);
const CHILLER_RESTS: Span = Span::from_mins(30);
/// The float's own temperature and the beer's probe may differ by so much, in K: the sum of two
/// cheap sensors' errors and of a layered beer. Common practice, no source.
const SENSORS_APART_K: f64 = 3.0;
/// A float's temperature is compared for so many of its intervals.
const FLOAT_LASTS: i64 = 2;

/// Readings that come more seldom do not tell a relay that sticks, or a draught, from the yeast. An
/// estimate, no source.
const SELDOM: Span = Span::from_mins(10);

/// The two kinds of outputs.
pub(crate) const KINDS: [OutputKind; 2] = [OutputKind::Heater, OutputKind::Chiller];

/// A sign against one output, in words.
enum Fault {
    /// Both outputs go off until a person acknowledges.
    HardStop(Condition),
    /// The output has no effect.
    NoEffect(Condition),
}

impl Vessel {
    /// Alarms on the outputs and on where the probe hangs.
    pub fn watch_outputs(&mut self, cx: &mut Context<'_, '_>) {
        let signs = self.signs(cx);
        let apart = self.apart_from_float(cx);
        if signs.is_empty() && apart.is_none() && self.nothing_is_amiss(cx.now) {
            return;
        }
        let misplaced = signs.iter().find_map(|sign| in_the_air(sign, cx));
        let in_air = misplaced.is_some();
        self.alarm(cx, rules::PROBE_MISPLACED, None, misplaced.or(apart));
        self.watch_effects(cx, &signs, in_air);
        self.watch_reports(cx, &signs, in_air);
        self.watch_balance(cx, &signs);
        self.rest_chiller(&signs, cx.now);
    }

    /// Whether no alarm is to be raised or ended, nothing is kept off and no relay disagrees, as it
    /// is nearly always.
    fn nothing_is_amiss(&self, now: Stamp) -> bool {
        let kept_off = self.blocks.ran_away || self.blocks.chiller_rests;
        let quiet = self.alarms.is_quiet() && !kept_off;
        quiet && KINDS.iter().all(|kind| self.disagreement(*kind, now).is_none())
    }

    /// What speaks against the hardware, from relays and from thermostats.
    fn signs(&self, cx: &Context<'_, '_>) -> Vec<Sign> {
        if !is_driven(&cx.setup.config) {
            // What is only watched, or lies in another's fridge, says nothing of outputs.
            return Vec::new();
        }
        let mut signs = self.regulator.signs();
        if reads_seldom(&cx.setup.config) {
            // Between such readings a yeast that takes off looks like heat from elsewhere.
            signs.retain(|sign| !matches!(sign, Sign::Gains { .. } | Sign::Sticks { .. }));
        }
        signs.extend(self.thermostats.values().filter_map(control::Thermostat::sign));
        signs
    }

    fn watch_effects(&mut self, cx: &mut Context<'_, '_>, signs: &[Sign], in_air: bool) {
        self.blocks.ran_away &= self.alarms.unseen(rules::HEATER_NO_EFFECT.id)
            || self.alarms.unseen(rules::CHILLER_NO_EFFECT.id);
        for kind in KINDS {
            let rule = match kind {
                OutputKind::Heater => rules::HEATER_NO_EFFECT,
                OutputKind::Chiller => rules::CHILLER_NO_EFFECT,
            };
            let explained = in_air || sticks(signs, other(kind));
            let fault = self.fault(cx, signs, kind).filter(|_| !explained);
            self.blocks.ran_away |= matches!(fault, Some(Fault::HardStop(_)));
            let condition = fault.map(|fault| match fault {
                Fault::HardStop(condition) | Fault::NoEffect(condition) => condition,
            });
            // What was switched off for it gives no sign any more: a person ends it.
            let switched_off = kind == OutputKind::Heater || self.blocks.ran_away;
            let kept = switched_off && self.alarms.unseen(rule.id);
            if condition.is_some() || !kept {
                self.alarm(cx, rule, None, condition);
            }
        }
    }

    /// The strongest sign against an output.
    fn fault(&self, cx: &Context<'_, '_>, signs: &[Sign], kind: OutputKind) -> Option<Fault> {
        let name = kind.as_str();
        let rate = |by: f64| cx.show.temperature_difference(by.abs());
        signs.iter().find_map(|sign| match *sign {
            Sign::RunsAway { output, since, beer } if of(output) == kind => {
                let text = format!(
                    "the beer, now {}, has gone away from its setpoint for {} while the {name} \
                     worked against it{}: both outputs are off until a person acknowledges. Look \
                     whether the relays are connected the right way round, whether the {name} \
                     works, and whether the other one sticks",
                    cx.show.temperature(beer),
                    cx.now.since(since + self.regulator_lag),
                    self.acting(cx, output)
                );
                let data = json!({ "sign": "runs-away", "beer_c": beer.celsius() });
                Some(Fault::HardStop(Condition::new(text, data)))
            }
            Sign::Contrary { output, on, by } if of(output) == kind => {
                let (does, should) = match kind {
                    OutputKind::Heater => ("cools", "warm"),
                    OutputKind::Chiller => ("warms", "cool"),
                };
                let text = format!(
                    "the {name} has been on for {on} and the beer {does} by about {} an hour by \
                     it, where it should {should}: both outputs are off until a person \
                     acknowledges. Look whether the relays, or their topics, are connected the \
                     wrong way round",
                    rate(by)
                );
                let data = json!({ "sign": "contrary", "on_s": on.secs(), "k_per_h": by });
                Some(Fault::HardStop(Condition::new(text, data)))
            }
            Sign::NoEffect { output, on, expected } if of(output) == kind => {
                let then = match kind {
                    OutputKind::Heater => "it is switched off until a person acknowledges",
                    OutputKind::Chiller => "it tries again after rests",
                };
                let text = format!(
                    "the {name} has been on for {on} and the beer does not answer (about {} an \
                     hour is expected); {then}. Look at the relay, the plug, the device and \
                     the door",
                    rate(expected)
                );
                let data = json!({
                    "sign": "no-effect", "on_s": on.secs(), "expected_k_per_h": expected,
                });
                Some(Fault::NoEffect(Condition::new(text, data)))
            }
            _ => None,
        })
    }

    /// What an output was seen to do, as evidence in brackets; empty where nothing is known.
    pub fn acting(&self, cx: &Context<'_, '_>, output: Output) -> String {
        let figures = self.regulator.figures();
        let (acts, verb) = match output {
            Output::Chiller => (figures.chiller.acts, "cools"),
            Output::Heater => (figures.heater.acts, "warms"),
        };
        let Some((mean, sd)) = acts.filter(|(_, sd)| *sd < 1.0) else { return String::new() };
        let number = |kelvin: f64| cx.show.temperature_difference(kelvin);
        let sign = if mean < 0.0 { "-" } else { "" };
        format!(
            " (as far as the readings show it {verb} by {sign}{} an hour, plus or minus {})",
            number(mean.abs()),
            number(sd)
        )
    }

    /// A chiller without effect tries for a while and rests for a while, by turns.
    fn rest_chiller(&mut self, signs: &[Sign], now: Stamp) {
        let weak =
            signs.iter().any(|sign| matches!(sign, Sign::NoEffect { output: Output::Chiller, .. }));
        let told = self.told.get(&OutputKind::Chiller).filter(|_| weak);
        self.blocks.chiller_rests = told.is_some_and(|told| {
            let lasted = told.switched_at.map_or(Span::ZERO, |at| now.since(at));
            if self.blocks.chiller_rests {
                told.runs || lasted < CHILLER_RESTS
            } else {
                told.runs && lasted >= CHILLER_TRIES
            }
        });
    }

    /// What a relay reports, or what the beer shows of one that sticks.
    fn watch_reports(&mut self, cx: &mut Context<'_, '_>, signs: &[Sign], in_air: bool) {
        // While the broker is away a relay hears no order, and its report says nothing of it.
        let unheard = cx.link.down && !self.alarms.stands(rules::OUTPUT_DISAGREES.id);
        let disagreement = KINDS.iter().filter(|_| !unheard).find_map(|kind| {
            output(&cx.setup.config, *kind)?;
            let (told, seen) = self.disagreement(*kind, cx.now)?;
            let word = |on| if on { "on" } else { "off" };
            let text = format!(
                "the {} was told to be {} and reports {}; it is asked again. Look at the relay",
                kind.as_str(),
                word(told),
                word(seen)
            );
            let data = json!({ "output": kind.as_str(), "told": told, "seen": seen });
            Some(Condition::new(text, data))
        });
        let stuck = signs.iter().filter(|_| !in_air).find_map(|sign| {
            let Sign::Sticks { output, off, by } = *sign else { return None };
            let (name, goes) = match output {
                Output::Chiller => ("chiller", "falling"),
                Output::Heater => ("heater", "rising"),
            };
            let text = format!(
                "the {name} was told to be off {off} ago, and the beer goes on {goes} by about {} \
                 an hour as if it were on: its relay may stick. Pull its plug, then look at the \
                 relay",
                cx.show.temperature_difference(by.abs())
            );
            let data = json!({ "output": name, "told": false, "sign": "sticks", "k_per_h": by });
            Some(Condition::new(text, data))
        });
        self.alarm(cx, rules::OUTPUT_DISAGREES, None, disagreement.or(stuck));
    }

    /// A door, a lid or a draught: heat that no output and no yeast explains.
    fn watch_balance(&mut self, cx: &mut Context<'_, '_>, signs: &[Sign]) {
        let alone = signs.iter().all(|sign| matches!(sign, Sign::Gains { .. }));
        let by = signs.iter().find_map(|sign| match *sign {
            Sign::Gains { by } if alone => Some(by),
            _ => None,
        });
        // A fermentation that takes off warms the beer too.
        let yeast = || self.yeast_k_per_h().unwrap_or(0.0);
        let condition = by.filter(|by| *by < 0.0 || yeast() < by / 2.0).map(|by| {
            let (verb, look) = if by > 0.0 {
                ("gains", "what warms it, and whether the heater's relay sticks")
            } else {
                ("loses", "what cools it, and whether the chiller's relay sticks")
            };
            let text = format!(
                "by itself the beer {verb} {} an hour more than a few hours ago, and neither the \
                 outputs nor the yeast explain it. Look at the door or the lid, at {look}",
                cx.show.temperature_difference(by.abs())
            );
            Condition::new(text, json!({ "k_per_h": by }))
        });
        self.alarm(cx, rules::HEAT_BALANCE, None, condition);
    }

    /// The beer's probe and the temperature that a float in the same beer reports.
    fn apart_from_float(&self, cx: &Context<'_, '_>) -> Option<Condition> {
        let config = &cx.setup.config;
        if controlled_on(config) != Some(Controlled::Beer) || !self.has_beer() {
            return None;
        }
        let beer = self.beer_now(config)?;
        let near = |other: Temperature| (other - beer).kelvin().abs() <= SENSORS_APART_K;
        let mut floats = config.gravity.iter().filter_map(|(name, source)| {
            let probe = &self.floats.get(name.as_str())?.temperature;
            let (at, celsius) = probe.last().filter(|_| probe.is_trusted())?;
            (cx.now.since(at) <= source.every * FLOAT_LASTS).then_some((name.as_str(), celsius))
        });
        let (name, float) = floats.next()?;
        if near(float) || floats.any(|(_, celsius)| near(celsius)) {
            return None;
        }
        let text = format!(
            "the beer's probe says {}, {name} in the same beer {}: look whether the probe hangs \
             in the beer or in its well, and which of the two is right",
            cx.show.temperature(beer),
            cx.show.temperature(float)
        );
        let data = json!({ "beer_c": beer.celsius(), "float_c": float.celsius(), "source": name });
        Some(Condition::new(text, data))
    }

    /// Watches outputs that regulate themselves: only the beer shows what they do.
    pub fn watch_thermostats(&mut self, cx: &Context<'_, '_>) {
        let config = &cx.setup.config;
        let beer = self.beer_now(config);
        for kind in KINDS {
            if !output(config, kind).is_some_and(takes_setpoint_only) {
                self.thermostats.remove(&kind);
                continue;
            }
            let asked = self.told.get(&kind).and_then(|told| told.setpoint);
            let which = match kind {
                OutputKind::Heater => Output::Heater,
                OutputKind::Chiller => Output::Chiller,
            };
            let watch =
                self.thermostats.entry(kind).or_insert_with(|| control::Thermostat::new(which));
            watch.look(cx.now - self.regulator_lag, beer, asked, self.setpoint);
        }
    }
}

/// Whether the beer's temperature comes too seldom to tell what moves it, as a float's own does.
fn reads_seldom(config: &config::Vessel) -> bool {
    let every = match controlled_on(config) {
        Some(Controlled::Beer) => config.beer.as_ref().map(|probe| probe.every),
        Some(Controlled::Float(name)) => config.gravity.get(name).map(|float| float.every),
        None => None,
    };
    every.is_some_and(|every| every > SELDOM)
}

/// The probe in the air.
fn in_the_air(sign: &Sign, cx: &Context<'_, '_>) -> Option<Condition> {
    let Sign::Misplaced { output, by, within } = *sign else { return None };
    let name = of(output).as_str();
    let text = format!(
        "time after time what the beer's probe says turns round at once when the {name} stops, by \
         {} within {within}: no beer does that. Look whether the probe hangs in the air; put it \
         into the beer or a well, or against the wall under insulation",
        cx.show.temperature_difference(by.kelvin())
    );
    Some(Condition::new(text, json!({ "output": name, "back_k": by.kelvin() })))
}

fn sticks(signs: &[Sign], kind: OutputKind) -> bool {
    signs.iter().any(|sign| matches!(sign, Sign::Sticks { output, .. } if of(*output) == kind))
}

fn other(kind: OutputKind) -> OutputKind {
    match kind {
        OutputKind::Heater => OutputKind::Chiller,
        OutputKind::Chiller => OutputKind::Heater,
    }
}

fn of(output: Output) -> OutputKind {
    match output {
        Output::Heater => OutputKind::Heater,
        Output::Chiller => OutputKind::Chiller,
    }
}
