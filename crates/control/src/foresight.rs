//! What was learnt of the vessel, and which output it makes the law want.

use crate::bank::{self, Bank, State};
use crate::coast::{self, Moment, Standing, Trials};
use crate::level::Level;
use crate::outlook::{Extremes, Outlook, Path, outlook};
use crate::past::{self, Past};
use crate::plain::{self, Situation, Wish};
use crate::probe::Probe;
use crate::witness::Witness;
use crate::{Because, Output};
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// Readings that come faster than this are learnt from together, by their mean: within so short a
/// time a beer moves by less than any probe shows.
const LEARNS_EVERY: Span = Span::from_secs(30);

/// What was learnt from the readings and the outputs' own switching.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Foresight {
    past: Past,
    /// `None` before the first reading, as the bank and the witness.
    probe: Option<Probe>,
    bank: Option<Bank>,
    witness: Option<Witness>,
    #[serde(default)]
    waiting: Waiting,
    trials: Trials,
    level: Level,
    /// The beer's extremes with both outputs off, as the last decision foresaw them, in °C.
    foreseen: Option<Extremes>,
}

/// Readings that were not learnt from yet.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Waiting {
    /// When the first of them came.
    since: Option<Stamp>,
    sum: f64,
    count: u32,
}

impl Waiting {
    /// One more; older ones than can be learnt from with it are let go.
    fn add(&mut self, at: Stamp, beer: f64) {
        if self.since.is_none_or(|since| at.since(since) > LEARNS_EVERY) {
            *self = Waiting { since: Some(at), sum: 0.0, count: 0 };
        }
        self.sum += beer;
        self.count += 1;
    }

    /// Their mean and their number; none waits from then on.
    fn take(&mut self) -> (f64, u32) {
        let Waiting { sum, count, .. } = std::mem::take(self);
        (sum / f64::from(count), count)
    }
}

impl Foresight {
    /// Nothing is known.
    pub fn new(start: Stamp) -> Self {
        Foresight {
            past: Past::default(),
            probe: None,
            bank: None,
            witness: None,
            waiting: Waiting::default(),
            trials: Trials::default(),
            level: Level::new(start),
            foreseen: None,
        }
    }

    /// Learns from a reading that is newer than the last one.
    pub fn take(&mut self, at: Stamp, beer: f64) {
        match &mut self.probe {
            None => self.probe = Some(Probe::new(at, beer)),
            Some(probe) => probe.take(at, beer),
        }
        let Some(probe) = &self.probe else { return };
        match (&mut self.bank, &mut self.witness) {
            (Some(bank), Some(witness)) => {
                self.waiting.add(at, beer);
                if at.since(bank.at) < LEARNS_EVERY {
                    return;
                }
                let (beer, count) = self.waiting.take();
                let variance = probe.variance() / f64::from(count);
                let pieces: Vec<_> = self.past.pieces(bank.at, at, bank::DELAY).collect();
                bank.take(at, beer, variance, &pieces);
                witness.take(at, beer, variance, bank.tau(), &pieces);
            }
            _ => {
                self.bank = Some(Bank::new(at, beer, probe.variance()));
                self.witness = Some(Witness::new(at, beer, probe.variance()));
            }
        }
        self.past.forget_before(at - bank::DELAY);
    }

    /// From `at` on this output runs, or none.
    pub fn switched(&mut self, at: Stamp, running: Option<Output>) {
        self.past.switched(at, running);
    }

    /// A run ended for this reason.
    pub fn run_ended(&mut self, output: Output, because: Because) {
        if let Because::TrialEnds { .. } = because {
            self.trials.grow(output);
        }
    }

    /// No look ahead was taken.
    pub fn close_eyes(&mut self) {
        self.foreseen = None;
    }

    /// Which output is wanted, rests apart.
    pub fn wish(&mut self, situation: &Situation) -> Wish {
        self.close_eyes();
        let Some(bank) = &self.bank else { return plain::wish(situation) };
        let Situation { now, setpoint, rules, demand, thresholds, relays, .. } = *situation;
        let (up, down) = bank.rates(
            rules.allowed(Output::Heater, demand).is_some(),
            rules.allowed(Output::Chiller, demand).is_some(),
        );
        let path = Path::new(setpoint, &demand.ahead).followable(up, down);
        // What runs acts on for the delay, whatever is decided now.
        let pending = [(bank::DELAY.hours(), past::inputs(relays.running()))];
        let outlook = outlook(bank.state(now, &self.past), &pending, &path);
        self.foreseen = Some(outlook.beer);
        if !self.sees_finely() {
            return plain::wish(situation);
        }
        if !bank.is_right() {
            return plain::calmed_wish(situation);
        }
        let idle = [relays.chiller.idle(now), relays.heater.idle(now)];
        self.level.take(now, outlook.error, rules.half_width(), idle, thresholds);
        let lean = self.level.lean;
        let moment = self.moment(situation, outlook.shifted(lean), path.at(0.0) - lean);
        coast::wish(&moment, self.trials)
    }

    /// The used model at `now`; `None` before the first reading.
    pub fn state(&self, now: Stamp) -> Option<State> {
        self.bank.as_ref().map(|bank| bank.state(now, &self.past))
    }

    /// The models and the witness; `None` before the first reading.
    pub fn known(&self) -> Option<(&Bank, &Witness)> {
        self.bank.as_ref().zip(self.witness.as_ref())
    }

    /// Whether the probe shows small changes.
    pub fn sees_finely(&self) -> bool {
        self.probe.as_ref().is_some_and(Probe::is_fine)
    }

    pub fn foreseen(&self) -> Option<Extremes> {
        self.foreseen
    }

    /// Whether what this output does is known well enough to foresee it.
    pub fn knows(&self, output: Output) -> bool {
        self.bank.as_ref().is_some_and(|bank| bank.knows(output))
    }

    fn moment(&self, situation: &Situation, outlook: Outlook, aim: f64) -> Moment {
        let Situation { now, beer, setpoint, relays, rules, thresholds, .. } = *situation;
        let running = relays.running();
        Moment {
            outlook,
            beer,
            setpoint,
            aim,
            half_width: rules.half_width(),
            extremes: thresholds.extremes,
            running,
            run: running.map_or(Span::ZERO, |output| relays.of(output).run(now)),
            chiller: self.standing(situation, Output::Chiller),
            heater: self.standing(situation, Output::Heater),
        }
    }

    fn standing(&self, situation: &Situation, output: Output) -> Standing {
        let relay = situation.relays.of(output);
        let idle = relay.idle(situation.now);
        Standing {
            known: self.knows(output),
            rested: relay.ran_until.map(|until| situation.now.since(until)),
            quiet: situation.rules.rests(output).is_none()
                || idle.is_none_or(|idle| idle >= coast::QUIET),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Stamp {
        Stamp::from_millis(seconds * 1000)
    }

    #[test]
    fn fast_readings_are_learnt_from_together() {
        let mut foresight = Foresight::new(at(0));
        for (seconds, learnt) in [(0, 0), (10, 0), (20, 0), (30, 30), (45, 30), (60, 60), (95, 95)]
        {
            foresight.take(at(seconds), 18.0);
            assert_eq!(foresight.bank.as_ref().unwrap().at, at(learnt), "at {seconds} s");
        }
    }

    #[test]
    fn what_waited_before_a_gap_counts_no_more() {
        let mut waiting = Waiting::default();
        for (seconds, beer) in [(10, 18.0), (20, 18.2), (30, 18.7)] {
            waiting.add(at(seconds), beer);
        }
        let (mean, count) = waiting.take();
        assert!((mean - 18.3).abs() < 1e-9 && count == 3, "{mean}, {count}");
        waiting.add(at(40), 18.0);
        waiting.add(at(400), 12.0);
        assert_eq!(waiting.take(), (12.0, 1));
    }
}
