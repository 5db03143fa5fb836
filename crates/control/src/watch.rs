//! What speaks against the hardware: an output without effect or with the contrary one, a relay
//! that sticks, a probe in the air, a vessel that gains heat, a beer that runs away.

use crate::bank::{Bank, State};
use crate::filter;
use crate::past;
use crate::rebound::Rebounds;
use crate::relay::{Relay, Relays};
use crate::witness::{self, Witness};
use crate::{Output, Sign};
use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};

/// A run is judged after this and twice the time constant.
const JUDGED_AFTER: Span = Span::from_mins(30);
/// An output whose known effect is missing by more than this share has none.
const MISSING: f64 = 0.6;
/// One whose effect is missing by less than this share has one.
const PRESENT: f64 = 0.3;
/// Once it should have moved the beer by so much, in K, readings alone tell it.
const SHOULD_MOVE: f64 = 1.0;
/// An output whose effect is known does the contrary where more than this share of it is missing.
const CONTRARY_SHARE: f64 = 1.2;
/// In any case the beer must have gone the wrong way by this, in K, since the output works on the
/// present error.
const WRONG_WAY: f64 = 0.4;
/// An output of which nothing is known has no effect where the beer did not move by this, in K,
/// within this much on-time: any that can be of use moves it so.
const MOVES: f64 = 0.2;
const MOVES_WITHIN: Span = Span::from_hours(2);
/// The hard stop comes at an error of this, in K …
const AWAY: f64 = 3.0;
/// … that has grown for so long while an output worked against it …
const AWAY_FOR: Span = Span::from_hours(2);
/// … counted from an error of this on, in K.
const AWAY_FROM: f64 = 1.0;
/// By so much must the beer have moved the wrong way, in K.
const AWAY_BY: f64 = 0.3;
/// The output must have been on for this share of the time.
const AWAY_ON: f64 = 0.4;

/// An output that is off is judged for so long after its run; later the weather has had its say.
const STICKS_WITHIN: Span = Span::from_hours(6);
/// What goes on after it must be this much, in K/h: less may be the yeast's …
const STICKS_LEAST: f64 = 0.5;
/// … and this share of its effect must drive the beer on its way, else a door was closed.
const STICKS_DRIVES: f64 = 0.4;
/// The vessel's own balance of heat has changed where it is off by this much, in K/h …
const BALANCE: f64 = 0.6;
/// … and by this share of what the output against it can do.
const BALANCE_SHARE: f64 = 0.25;
/// An output that does this share of what is known of it is not what is wrong.
const DOES: f64 = 0.4;
/// While both outputs work against each other nothing is told.
const BALANCE_ALONE: Span = Span::from_hours(3);
/// Nothing that ran longer ago than this speaks into that.
const BALANCE_IDLE: Span = Span::from_hours(1);

/// All that is watched.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Watch {
    chiller: Effect,
    heater: Effect,
    rebounds: Rebounds,
    away: Option<Away>,
    /// By how much the beer warms faster than a few hours ago, in K/h, where that is no output's.
    gains: Option<f64>,
}

/// All that is looked at after a decision.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look<'a> {
    pub now: Stamp,
    pub relays: &'a Relays,
    pub bank: &'a Bank,
    pub witness: &'a Witness,
    /// The last reading, in °C.
    pub beer: f64,
    /// How far that is above the setpoint, in K; 0 where there is none.
    pub error: f64,
    /// Whether the probe shows small changes.
    pub fine: bool,
}

/// Watches what one output does.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Effect {
    /// The present run.
    run: Option<Run>,
    /// Which share of what it should have moved the beer by is missing, in this run.
    missing: Option<f64>,
    /// The output's on-time when it began to work on the present error, and the beer then, in °C.
    work: Option<(Span, f64)>,
    /// Where it was found to have none: for how long it had been on, and the rate expected, in K/h.
    none: Option<(Span, f64)>,
    /// Where it does the contrary while it runs: since when that shows, and how fast, in K/h.
    contrary: Option<(Stamp, f64)>,
    /// The last run, for a while after it.
    ended: Option<(Run, Stamp)>,
    /// Where it goes on by itself: since when it is off, and how fast, in K/h.
    sticks: Option<(Stamp, f64)>,
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
    /// How the beer would go on without it.
    without: State,
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
    /// The last error, in K.
    error: f64,
}

impl Watch {
    /// Looks after a decision.
    pub fn look(&mut self, look: &Look<'_>) {
        for (output, effect) in
            [(Output::Chiller, &mut self.chiller), (Output::Heater, &mut self.heater)]
        {
            effect.look_at_run(look, output);
            effect.look_at_work(look, output);
            effect.look_at_sign(look, output);
            effect.look_at_rest(look, output);
        }
        self.rebounds.look(look);
        self.gains = gains(look);
        self.look_away(look);
    }

    /// An output that is seen to act is not stopped: it does what it can against more.
    fn look_away(&mut self, look: &Look<'_>) {
        let Look { now, relays, beer, error, .. } = *look;
        let output = if error > 0.0 { Output::Chiller } else { Output::Heater };
        if error.abs() <= AWAY_FROM || look.witness.acts(output).does(witness::SOMETHING) {
            self.away = None;
            return;
        }
        match &mut self.away {
            Some(away) if away.output == output && away.wrong_way(beer) >= 0.0 => {
                (away.last, away.error) = (beer, error);
            }
            away => {
                let on = relays.of(output).total(now);
                *away = Some(Away { output, since: now, on, first: beer, last: beer, error });
            }
        }
    }

    /// What speaks against the hardware now, the strongest first.
    pub fn signs(&self, now: Stamp, relays: &Relays) -> Vec<Sign> {
        let mut signs: Vec<Sign> = self.runs_away(now, relays).into_iter().collect();
        signs.extend(self.rebounds.sign());
        for (output, effect) in [(Output::Chiller, &self.chiller), (Output::Heater, &self.heater)] {
            let lasts = effect.contrary.map(|(since, by)| (now.since(since), by));
            let contrary = lasts
                .filter(|(lasted, _)| *lasted >= witness::EVIDENCE_AFTER)
                .map(|(_, by)| Sign::Contrary { output, on: relays.of(output).run(now), by });
            let none = effect.none.map(|(on, by)| Sign::NoEffect { output, on, expected: by });
            signs.extend(contrary.or(none));
            signs.extend(effect.sticks.map(|(since, by)| Sign::Sticks {
                output,
                off: now.since(since),
                by,
            }));
        }
        signs.extend(self.gains.map(|by| Sign::Gains { by }));
        signs
    }

    fn runs_away(&self, now: Stamp, relays: &Relays) -> Option<Sign> {
        let away = self.away.as_ref()?;
        let lasted = now.since(away.since);
        let on = relays.of(away.output).total(now).less(away.on);
        let worked = on.hours() >= AWAY_ON * lasted.hours();
        let grown = away.wrong_way(away.last) >= AWAY_BY;
        let far = away.error.abs() > AWAY;
        (lasted >= AWAY_FOR && worked && grown && far).then(|| Sign::RunsAway {
            output: away.output,
            since: away.since,
            beer: Temperature::clamped(away.last),
        })
    }
}

/// By how much the beer warms faster than a few hours ago, where no output explains it.
fn gains(look: &Look<'_>) -> Option<f64> {
    let gains = look.witness.gains().filter(|_| look.fine)?;
    let against = if gains > 0.0 { Output::Chiller } else { Output::Heater };
    let effect = look.bank.effect(against);
    if gains.abs() < BALANCE.max(BALANCE_SHARE * effect) || !look.bank.is_right() {
        return None;
    }
    let recent = |output: Output| {
        look.relays.of(output).idle(look.now).is_some_and(|idle| idle <= BALANCE_ALONE)
    };
    if recent(Output::Chiller) && recent(Output::Heater) {
        return None;
    }
    let clear = [Output::Chiller, Output::Heater].into_iter().all(|output| {
        let idle = look.relays.of(output).idle(look.now);
        let rests = idle.is_none_or(|idle| idle >= BALANCE_IDLE);
        let acts = look.bank.knows(output)
            && look.witness.acts(output).does(DOES * look.bank.effect(output));
        rests || acts
    });
    clear.then_some(gains)
}

impl Effect {
    /// An output whose effect is known: where it does nothing, the model can only explain that by a
    /// drift against it.
    fn look_at_run(&mut self, look: &Look<'_>, output: Output) {
        let Look { now, relays, bank, .. } = *look;
        let relay: &Relay = relays.of(output);
        self.missing = None;
        let Some(since) = relay.on_since else {
            if let Some(run) = self.run.take() {
                self.ended = Some((run, now));
            }
            return;
        };
        self.ended = None;
        self.sticks = None;
        let run = match &self.run {
            Some(run) if run.since == since => run,
            _ => self.run.insert(Run {
                since,
                model: bank.current(),
                drift: bank.drift(bank.current()),
                effect: bank.knows(output).then(|| bank.effect(output)),
                without: bank.last(),
            }),
        };
        let lasted = relay.run(now);
        let Some(effect) = run.effect.filter(|effect| *effect > 0.0) else { return };
        let share = run.missing_share(lasted.hours(), effect * output.sign(), look.beer);
        self.missing = share;
        if look.witness.acts(output).does(PRESENT * effect) || !look.fine {
            self.none = None;
        } else if share.is_some_and(|share| share > MISSING) {
            self.none = Some((lasted, effect));
        }
        if lasted < judged_after(bank) || !look.fine {
            return;
        }
        let against = (bank.drift(run.model) - run.drift) * output.sign();
        if against > MISSING * effect {
            self.none = Some((lasted, effect));
        } else if against < PRESENT * effect && share.is_none_or(|share| share < PRESENT) {
            self.none = None;
        }
    }

    /// An output whose effect is not known: the beer must move at all.
    fn look_at_work(&mut self, look: &Look<'_>, output: Output) {
        let Look { now, relays, bank, beer, error, .. } = *look;
        let relay = relays.of(output);
        if error * output.sign() <= 0.0 {
            self.work = None;
            return;
        }
        let Some((on, first)) = self.work else {
            self.work = relay.is_on().then(|| (relay.total(now), beer));
            return;
        };
        let worked = relay.total(now).less(on);
        let acts = look.witness.acts(output).does(witness::SOMETHING);
        if (first - beer) * output.sign() >= MOVES || acts {
            self.work = None;
            self.none = None;
        } else if worked >= MOVES_WITHIN && !bank.knows(output) {
            let expected = MOVES / MOVES_WITHIN.hours();
            self.none = Some((worked, expected));
        }
    }

    /// An output that does the contrary of what it is for, while it runs.
    fn look_at_sign(&mut self, look: &Look<'_>, output: Output) {
        let acts = look.witness.acts(output);
        // The witness alone may take a dead output for a contrary one for a while.
        let known = self.run.as_ref().and_then(|run| run.effect);
        let by = match (known, self.missing) {
            (Some(effect), Some(missing)) => {
                (missing > CONTRARY_SHARE).then_some((missing - 1.0) * effect)
            }
            (Some(_), None) => None,
            (None, _) => acts.is_contrary().then_some(-acts.mean),
        };
        let runs = look.relays.of(output).is_on();
        let first = self.work.map_or(look.beer, |(_, first)| first);
        let went = (look.beer - first) * output.sign() >= WRONG_WAY;
        let since = self.contrary.map_or(look.now, |(since, _)| since);
        self.contrary = by.filter(|_| runs && went).map(|by| (since, by));
    }

    /// An output that was switched off and whose effect goes on: the model can only explain that by
    /// a drift the same way.
    fn look_at_rest(&mut self, look: &Look<'_>, output: Output) {
        let Look { now, bank, .. } = *look;
        let Some((run, ended)) = &self.ended else { return };
        let Some(effect) = run.effect.filter(|effect| *effect > 0.0) else { return };
        let off = now.since(*ended);
        let drift = bank.drift(run.model);
        let goes_on = (run.drift - drift) * output.sign();
        let drives = -drift * output.sign() >= STICKS_DRIVES * effect;
        let shows = look.fine && drives && goes_on > (MISSING * effect).max(STICKS_LEAST);
        if shows && off >= judged_after(bank) && off <= STICKS_WITHIN {
            self.sticks.get_or_insert((*ended, effect));
        } else if goes_on < PRESENT * effect {
            self.sticks = None;
        }
    }
}

fn judged_after(bank: &Bank) -> Span {
    JUDGED_AFTER + Span::from_hours_f64(2.0 * bank.tau())
}

impl Run {
    /// Which share of an effect (in K/h, positive: cools) the beer, in °C, does not show after so
    /// many hours; `None` while too little is expected of it.
    fn missing_share(&self, hours: f64, effect: f64, beer: f64) -> Option<f64> {
        let tau = self.without.tau;
        let expected = -effect * (hours + tau * (-hours / tau).exp_m1());
        let mut without = self.without;
        without.advance(hours, past::inputs(None));
        let shown = beer - without.x[filter::TEMPERATURE];
        (expected.abs() >= SHOULD_MOVE).then(|| 1.0 - shown / expected)
    }
}

impl Away {
    /// How far the beer went the wrong way, in K.
    fn wrong_way(&self, beer: f64) -> f64 {
        (beer - self.first) * self.output.sign()
    }
}
