//! The regulator: readings in, decisions out, and the state that a snapshot keeps.

use crate::filter;
use crate::foresight::Foresight;
use crate::plain::{self, Situation, Wish};
use crate::relay::{Relay, Relays};
use crate::watch::{Look, Watch};
use crate::{Because, Decision, Demand, Output, Rests, Rules, Thresholds};
use quantity::{Span, Stamp, Temperature, TemperatureDelta};
use serde::{Deserialize, Serialize};

/// An output starts only where this much room is left around the vessel, in K, and stops at once
/// where the limit is passed by as much; between, it serves its shortest run.
const ROOM: f64 = 1.0;

/// Regulates one vessel.
///
/// # The order of a decision
/// What runs and must not, stops. What runs and is no longer wanted stops once its shortest run is
/// over. Else, where nothing runs, what is wanted starts, once its own rest and the changeover from
/// the other output are over. Nothing stops and starts in the same decision.
///
/// Time never goes back inside: an older `now` counts as the newest one that was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Regulator {
    /// The newest time that was seen.
    now: Stamp,
    relays: Relays,
    /// The last beer reading.
    reading: Option<(Stamp, Temperature)>,
    /// The last temperature around the vessel, of the same time as the beer reading.
    surround: Option<Temperature>,
    /// On-time since the last beer reading, of runs that have ended.
    spent: Span,
    foresight: Foresight,
    watch: Watch,
}

/// What one output did, for energy and wear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputFigures {
    /// How often it was switched on.
    pub starts: u64,
    /// For how long it was on in all.
    pub on: Span,
    /// Whether its effect on this vessel is known.
    pub identified: bool,
    /// What its own runs show that it does, in K/h: mean and standard deviation, positive where it
    /// does what it is for; `None` before the first reading.
    pub acts: Option<(f64, f64)>,
}

/// What a regulator knows, for people and records.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// The heater's.
    pub heater: OutputFigures,
    /// The chiller's.
    pub chiller: OutputFigures,
    /// The lowest temperature that the last decision foresaw with both outputs off; `None` where
    /// it did not look ahead.
    pub lowest: Option<Temperature>,
    /// The highest one; `None` likewise.
    pub highest: Option<Temperature>,
}

/// What a regulator has learnt of its vessel.
///
/// It is fitted so that forecasts come true. Time constant and effects trade off against each
/// other: none of them is a property of the hardware.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The beer's temperature.
    pub beer: Temperature,
    /// How fast it changes through what surrounds it, in K/h.
    pub rate: f64,
    /// Where that rate goes with both outputs off, in K/h: fermentation less losses.
    pub drift: f64,
    /// What the chiller adds to it in the end, in K/h.
    pub cooling: f64,
    /// What the heater adds to it in the end, in K/h.
    pub heating: f64,
    /// What the heater gives the beer directly, in K/h.
    pub direct: f64,
    /// How slowly the surroundings follow the outputs.
    pub time_constant: Span,
}

/// What speaks against the hardware, with its evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sign {
    /// An output does the contrary of what it is for: it may be wired the wrong way round.
    Contrary {
        /// Which one.
        output: Output,
        /// For how long it has been on.
        on: Span,
        /// How fast the beer goes the wrong way by it, in K/h.
        by: f64,
    },
    /// The beer gains more heat than a few hours ago, or loses more, and no output explains it.
    Gains {
        /// By how much faster it warms, in K/h; negative where it cools.
        by: f64,
    },
    /// The probe hangs in the air: what it shows turns round at once when an output stops.
    Misplaced {
        /// The output that stopped last.
        output: Output,
        /// How far it went back …
        by: TemperatureDelta,
        /// … within this time.
        within: Span,
    },
    /// An output has been on for long and the beer does not answer.
    NoEffect {
        /// Which one.
        output: Output,
        /// For how long it has been on.
        on: Span,
        /// How fast the beer should change by it, at least, in K/h.
        expected: f64,
    },
    /// The beer goes away from the setpoint while an output works against it.
    RunsAway {
        /// Which one.
        output: Output,
        /// Since when the error grows.
        since: Stamp,
        /// The last reading.
        beer: Temperature,
    },
    /// An output was switched off, and the beer goes on as if it were on.
    Sticks {
        /// Which one.
        output: Output,
        /// For how long it has been off.
        off: Span,
        /// How fast the beer changes by it, in K/h.
        by: f64,
    },
}

/// What speaks against running an output, its rests apart.
#[derive(Debug, Clone, Copy)]
struct Objection {
    because: Because,
    /// Whether a run ends at once, even before its shortest time.
    at_once: bool,
}

impl Regulator {
    /// A regulator of a vessel of which nothing is known: both outputs count as just stopped.
    pub fn new(start: Stamp) -> Self {
        Regulator {
            now: start,
            relays: Relays::new(start),
            reading: None,
            surround: None,
            spent: Span::ZERO,
            foresight: Foresight::new(start),
            watch: Watch::default(),
        }
    }

    /// A new process goes on with this state: both outputs are off. One that was on when the state
    /// was written counts as just stopped now; where the end of the process before was not `seen`,
    /// both do: its last switching may not have been written.
    pub fn restarted(&mut self, now: Stamp, seen: bool) {
        let died = self.now;
        self.now = self.now.max(now);
        self.foresight.switched(died, None);
        // A relay that was on may have stayed so until now, unseen.
        if let Some(since) = self.relays.running().and_then(|on| self.relays.of(on).on_since) {
            let read = self.reading.map_or(since, |(at, _)| since.max(at));
            self.spent = self.spent + self.now.since(read);
        }
        for output in [Output::Chiller, Output::Heater] {
            self.relays.of_mut(output).lost(died, self.now, seen);
        }
    }

    /// Takes a beer reading, and what is measured around the vessel where there is a probe.
    ///
    /// A reading that is not newer than the last one is ignored.
    pub fn take(&mut self, at: Stamp, beer: Temperature, surround: Option<Temperature>) {
        if self.reading.is_some_and(|(last, _)| at <= last) {
            return;
        }
        self.reading = Some((at, beer));
        self.surround = surround;
        self.spent = Span::ZERO;
        self.foresight.take(at, beer.celsius());
    }

    /// Decides what the outputs do from `now` until the next call.
    pub fn decide(&mut self, now: Stamp, rules: &Rules, demand: &Demand) -> Decision {
        self.decide_within(now, rules, demand, &Thresholds::around(rules.hysteresis))
    }

    /// As [`Regulator::decide`], with thresholds of one's own.
    pub fn decide_within(
        &mut self,
        now: Stamp,
        rules: &Rules,
        demand: &Demand,
        thresholds: &Thresholds,
    ) -> Decision {
        self.now = self.now.max(now);
        let wish = self.wish(rules, demand, thresholds);
        let because = match self.relays.running() {
            Some(output) => self.go_on(output, wish, rules, demand),
            None => self.begin(wish, rules, demand),
        };
        self.look(demand);
        let running = self.relays.running();
        Decision {
            heater: running == Some(Output::Heater),
            chiller: running == Some(Output::Chiller),
            because,
        }
    }

    fn look(&mut self, demand: &Demand) {
        let (Some((bank, witness)), Some((_, beer))) = (self.foresight.known(), self.reading)
        else {
            return;
        };
        self.watch.look(&Look {
            now: self.now,
            relays: &self.relays,
            bank,
            witness,
            beer: beer.celsius(),
            error: demand.setpoint.map_or(0.0, |setpoint| (beer - setpoint).kelvin()),
            fine: self.foresight.sees_finely(),
        });
    }

    /// What it knows.
    pub fn figures(&self) -> Figures {
        let of = |output: Output| {
            let relay: &Relay = self.relays.of(output);
            OutputFigures {
                starts: relay.starts,
                on: relay.total(self.now),
                identified: self.foresight.knows(output),
                acts: self.foresight.known().map(|(_, witness)| {
                    let acts = witness.acts(output);
                    (acts.mean, acts.sd)
                }),
            }
        };
        let foreseen = self.foresight.foreseen();
        Figures {
            heater: of(Output::Heater),
            chiller: of(Output::Chiller),
            lowest: foreseen.map(|beer| Temperature::clamped(beer.low)),
            highest: foreseen.map(|beer| Temperature::clamped(beer.high)),
        }
    }

    /// What it has learnt of the vessel; `None` before the first reading.
    pub fn estimate(&self) -> Option<Estimate> {
        let state = self.foresight.state(self.now)?;
        Some(Estimate {
            beer: Temperature::clamped(state.x[filter::TEMPERATURE]),
            rate: state.x[filter::RATE],
            drift: state.x[filter::DRIFT],
            cooling: state.x[filter::COOLING],
            heating: state.x[filter::HEATING],
            direct: state.x[filter::DIRECT],
            time_constant: Span::from_hours_f64(state.tau),
        })
    }

    /// What speaks against the hardware now.
    ///
    /// The strongest come first. [`Sign::NoEffect`] stands until a later run shows an effect;
    /// [`Sign::Contrary`] while the output runs; [`Sign::Sticks`] until the beer shows otherwise or
    /// the output runs; [`Sign::Misplaced`] until a run ends as a beer's does; [`Sign::RunsAway`]
    /// until the beer turns or no setpoint is asked for.
    pub fn signs(&self) -> Vec<Sign> {
        self.watch.signs(self.now, &self.relays)
    }

    /// Which output is wanted, rests apart.
    fn wish(&mut self, rules: &Rules, demand: &Demand, thresholds: &Thresholds) -> Wish {
        let off = |because| Wish { output: None, because };
        let Some(setpoint) = demand.setpoint else {
            self.foresight.close_eyes();
            return off(Because::NoSetpoint);
        };
        let Some((_, beer)) = self.reading else {
            return off(Because::Blind { last: None });
        };
        let (now, relays) = (self.now, &self.relays);
        let situation = Situation { now, beer, setpoint, relays, rules, demand, thresholds };
        if rules.anticipate {
            self.foresight.wish(&situation)
        } else {
            self.foresight.close_eyes();
            plain::wish(&situation)
        }
    }

    /// Lets a run go on, or ends it.
    fn go_on(&mut self, output: Output, wish: Wish, rules: &Rules, demand: &Demand) -> Because {
        let Some(rests) = rules.allowed(output, demand) else {
            self.stop(output);
            return match demand.setpoint {
                None => Because::NoSetpoint,
                Some(_) => Because::NotAllowed,
            };
        };
        let objection = self.objection(output, rests, rules);
        if wish.output == Some(output) && objection.is_none() {
            return wish.because;
        }
        let at_once = objection.is_some_and(|objection| objection.at_once);
        if let Some(until) = self.relays.of(output).must_run_until(self.now, rests)
            && !at_once
        {
            return Because::MinOn { until };
        }
        self.stop(output);
        self.foresight.run_ended(output, wish.because);
        match objection {
            Some(objection) if at_once || wish.output == Some(output) => objection.because,
            _ => wish.because,
        }
    }

    /// Starts what is wanted, or says why not.
    fn begin(&mut self, wish: Wish, rules: &Rules, demand: &Demand) -> Because {
        let Some(output) = wish.output else {
            return wish.because;
        };
        let Some(rests) = rules.allowed(output, demand) else {
            return Because::NotAllowed;
        };
        if let Some(objection) = self.objection(output, rests, rules) {
            return objection.because;
        }
        if let Some(until) = self.relays.of(output).must_rest_until(self.now, rests) {
            return Because::Resting { until };
        }
        let other = self.relays.of(output.opposite());
        if let Some(until) = other.holds_up_until(self.now, rules.changeover) {
            return Because::Changeover { until };
        }
        // Nothing stops and starts in the same decision, however often it is asked for.
        let now = self.now;
        if [output, output.opposite()].iter().any(|o| self.relays.of(*o).ran_until == Some(now)) {
            return Because::Resting { until: now };
        }
        self.relays.of_mut(output).start(now);
        self.foresight.switched(now, Some(output));
        wish.because
    }

    /// What speaks against running `output` apart from its rests.
    fn objection(&self, output: Output, rests: Rests, rules: &Rules) -> Option<Objection> {
        let blind = |last| Objection { because: Because::Blind { last }, at_once: false };
        let Some((last, beer)) = self.reading else {
            return Some(blind(None));
        };
        let on_since = self.relays.of(output).on_since;
        let running = on_since.map_or(Span::ZERO, |since| self.now.since(since.max(last)));
        if self.spent + running >= rules.max_on.max(rests.min_on) {
            return Some(blind(Some(last)));
        }
        let surround = self.surround?;
        let (room, limit) = rules.envelope.room(output, beer, surround)?;
        let least = if on_since.is_some() { 0.0 } else { ROOM };
        let because = Because::SurroundLimit { surround, limit };
        (room <= least).then_some(Objection { because, at_once: room <= -ROOM })
    }

    fn stop(&mut self, output: Output) {
        let now = self.now;
        let read = self.reading.map_or(now, |(at, _)| at);
        let relay = self.relays.of_mut(output);
        let spent = relay.on_since.map_or(Span::ZERO, |since| now.since(since.max(read)));
        relay.stop(now);
        self.foresight.switched(now, None);
        self.spent = self.spent + spent;
    }
}
