//! What speaks against the hardware: an output without effect, a beer that runs away.

use crate::bank::Bank;
use crate::relay::{Relay, Relays};
use crate::{Output, Sign};
use quantity::{Span, Stamp, Temperature, TemperatureRate};
use serde::{Deserialize, Serialize};

/// A run is judged after this and twice the time constant.
const JUDGED_AFTER: Span = Span::from_mins(30);
/// An output whose known effect is missing by more than this share has none.
const MISSING: f64 = 0.6;
/// One whose effect is missing by less than this share has one.
const PRESENT: f64 = 0.3;
/// An output of which nothing is known has no effect where the beer did not move by this, in K,
/// within this much on-time: any that can be of use moves it so.
const MOVES: f64 = 0.2;
const MOVES_WITHIN: Span = Span::from_hours(2);
/// The hard stop looks at errors beyond this, in K.
const AWAY: f64 = 3.0;
/// So long must such an error grow while an output works against it.
const AWAY_FOR: Span = Span::from_hours(2);
/// By so much must the beer have moved the wrong way, in K.
const AWAY_BY: f64 = 0.3;
/// The output must have been on for this share of the time.
const AWAY_ON: f64 = 0.4;

/// All that is watched.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Watch {
    chiller: Effect,
    heater: Effect,
    away: Option<Away>,
}

/// Watches what one output does.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Effect {
    /// The present run.
    run: Option<Run>,
    /// The output's on-time when it began to work on the present error, and the beer then, in °C.
    work: Option<(Span, f64)>,
    /// Where it was found to have none: for how long it had been on, and the rate expected, in K/h.
    none: Option<(Span, f64)>,
}

/// A run, and what was known when it began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Run {
    since: Stamp,
    /// The model that was used, by its place in the bank.
    model: usize,
    /// Its net drift, in K/h.
    drift: f64,
    /// What the output was known to do, in K/h, never negative; `None` where it was not known.
    effect: Option<f64>,
}

/// The beer is far off and goes farther while an output works against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Away {
    output: Output,
    since: Stamp,
    /// The output's on-time until then.
    on: Span,
    /// The reading then, and the last one, in °C.
    first: f64,
    last: f64,
}

impl Watch {
    /// Looks after a decision; `beer` in °C, `error` in K.
    pub fn look(&mut self, now: Stamp, relays: &Relays, bank: &Bank, beer: f64, error: f64) {
        for (output, effect) in
            [(Output::Chiller, &mut self.chiller), (Output::Heater, &mut self.heater)]
        {
            effect.look_at_run(now, output, relays.of(output), bank);
            effect.look_at_work(now, output, relays.of(output), bank, beer, error);
        }
        if error.abs() <= AWAY {
            self.away = None;
            return;
        }
        let output = if error > 0.0 { Output::Chiller } else { Output::Heater };
        match &mut self.away {
            Some(away) if away.output == output && away.wrong_way(beer) >= 0.0 => away.last = beer,
            away => {
                let on = relays.of(output).total(now);
                *away = Some(Away { output, since: now, on, first: beer, last: beer });
            }
        }
    }

    /// What speaks against the hardware now.
    pub fn signs(&self, now: Stamp, relays: &Relays) -> Vec<Sign> {
        let no_effect = [(Output::Chiller, &self.chiller), (Output::Heater, &self.heater)]
            .into_iter()
            .filter_map(|(output, effect)| {
                let (on, expected) = effect.none?;
                let expected = TemperatureRate::from_kelvin_per_hour(expected.clamp(0.0, 60.0))?;
                Some(Sign::NoEffect { output, on, expected })
            });
        let runs_away = self.away.as_ref().and_then(|away| {
            let lasted = now.since(away.since);
            let on = relays.of(away.output).total(now).less(away.on);
            let worked = on.hours() >= AWAY_ON * lasted.hours();
            let grown = away.wrong_way(away.last) >= AWAY_BY;
            (lasted >= AWAY_FOR && worked && grown).then(|| Sign::RunsAway {
                output: away.output,
                since: away.since,
                beer: Temperature::clamped(away.last),
            })
        });
        no_effect.chain(runs_away).collect()
    }
}

impl Effect {
    /// An output whose effect is known: where it does nothing, the model can only explain that by a
    /// drift against it.
    fn look_at_run(&mut self, now: Stamp, output: Output, relay: &Relay, bank: &Bank) {
        let Some(since) = relay.on_since else {
            self.run = None;
            return;
        };
        let run = match &self.run {
            Some(run) if run.since == since => run,
            _ => self.run.insert(Run {
                since,
                model: bank.current(),
                drift: bank.drift(bank.current()),
                effect: bank.knows(output).then(|| bank.effect(output)),
            }),
        };
        let lasted = relay.run(now);
        let Some(effect) = run.effect.filter(|effect| *effect > 0.0) else { return };
        if lasted < JUDGED_AFTER + Span::from_hours_f64(2.0 * bank.tau()) {
            return;
        }
        let against = (bank.drift(run.model) - run.drift) * output.sign();
        if against > MISSING * effect {
            self.none = Some((lasted, effect));
        } else if against < PRESENT * effect {
            self.none = None;
        }
    }

    /// An output whose effect is not known: the beer must move at all.
    fn look_at_work(
        &mut self,
        now: Stamp,
        output: Output,
        relay: &Relay,
        bank: &Bank,
        beer: f64,
        error: f64,
    ) {
        if error * output.sign() <= 0.0 {
            self.work = None;
            return;
        }
        let Some((on, first)) = self.work else {
            self.work = relay.is_on().then(|| (relay.total(now), beer));
            return;
        };
        let worked = relay.total(now).less(on);
        if (first - beer) * output.sign() >= MOVES {
            self.work = None;
            self.none = None;
        } else if worked >= MOVES_WITHIN && !bank.knows(output) {
            let expected = MOVES / MOVES_WITHIN.hours();
            self.none = Some((worked, expected));
        }
    }
}

impl Away {
    /// How far the beer went the wrong way, in K.
    fn wrong_way(&self, beer: f64) -> f64 {
        (beer - self.first) * self.output.sign()
    }
}
