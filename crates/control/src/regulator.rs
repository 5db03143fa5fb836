//! The regulator: readings in, decisions out, and the state that a snapshot keeps.

use crate::bank::{self, Bank};
use crate::coast::{self, Moment, Standing, Trials};
use crate::filter;
use crate::outlook::{Extremes, Outlook, Path, outlook};
use crate::past::{self, Past};
use crate::plain::{self, Wish};
use crate::probe::Probe;
use crate::relay::Relay;
use crate::{Because, Decision, Demand, Output, Rests, Rules, Thresholds};
use quantity::{Span, Stamp, Temperature, TemperatureRate};
use serde::{Deserialize, Serialize};

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
    heater: Relay,
    chiller: Relay,
    /// The last beer reading.
    reading: Option<(Stamp, Temperature)>,
    /// The last temperature around the vessel, of the same time as a beer reading.
    surround: Option<(Stamp, Temperature)>,
    /// On-time since the last beer reading, of runs that have ended.
    spent: Span,
    past: Past,
    probe: Option<Probe>,
    bank: Option<Bank>,
    trials: Trials,
    /// The beer's extremes with both outputs off, as the last decision foresaw them, in °C.
    foreseen: Option<Extremes>,
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
    /// An output has been on for long and the beer does not answer.
    NoEffect {
        /// Which one.
        output: Output,
        /// For how long it has been on.
        on: Span,
        /// How fast the beer should change by it, at least.
        expected: TemperatureRate,
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
}

impl Regulator {
    /// A regulator of a vessel of which nothing is known: both outputs count as just stopped.
    pub fn new(start: Stamp) -> Self {
        Regulator {
            now: start,
            heater: Relay::new(start),
            chiller: Relay::new(start),
            reading: None,
            surround: None,
            spent: Span::ZERO,
            past: Past::default(),
            probe: None,
            bank: None,
            trials: Trials::default(),
            foreseen: None,
        }
    }

    /// A new process goes on with this state: both outputs are off; one that was on when the state
    /// was written counts as just stopped now.
    pub fn restarted(&mut self, now: Stamp) {
        let died = self.now;
        self.now = self.now.max(now);
        self.past.switched(died, None);
        for relay in [&mut self.heater, &mut self.chiller] {
            relay.lost(died, self.now);
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
        self.surround = surround.map(|temperature| (at, temperature));
        self.spent = Span::ZERO;
        self.learn(at, beer.celsius());
    }

    /// Decides what the outputs do from `now` until the next call.
    pub fn decide(&mut self, now: Stamp, rules: &Rules, demand: &Demand) -> Decision {
        self.decide_within(now, rules, demand, &Thresholds::around(rules.hysteresis))
    }

    /// As [`Regulator::decide`], with a plain band of its own shape.
    pub fn decide_within(
        &mut self,
        now: Stamp,
        rules: &Rules,
        demand: &Demand,
        thresholds: &Thresholds,
    ) -> Decision {
        self.now = self.now.max(now);
        let wish = self.wish(rules, demand, thresholds);
        let because = match self.running() {
            Some(output) => self.go_on(output, wish, rules, demand),
            None => self.begin(wish, rules, demand),
        };
        Decision { heater: self.heater.is_on(), chiller: self.chiller.is_on(), because }
    }

    /// What it knows.
    pub fn figures(&self) -> Figures {
        let of = |output: Output| OutputFigures {
            starts: self.relay(output).starts,
            on: self.relay(output).total(self.now),
            identified: self.bank.as_ref().is_some_and(|bank| bank.knows(output)),
        };
        Figures {
            heater: of(Output::Heater),
            chiller: of(Output::Chiller),
            lowest: self.foreseen.map(|beer| Temperature::clamped(beer.low)),
            highest: self.foreseen.map(|beer| Temperature::clamped(beer.high)),
        }
    }

    /// What it has learnt of the vessel; `None` before the first reading.
    pub fn estimate(&self) -> Option<Estimate> {
        let state = self.bank.as_ref()?.state(self.now, &self.past);
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
    pub fn signs(&self) -> Vec<Sign> {
        Vec::new()
    }

    /// Learns from a reading that is newer than the last one.
    fn learn(&mut self, at: Stamp, beer: f64) {
        match &mut self.probe {
            None => self.probe = Some(Probe::new(at, beer)),
            Some(probe) => probe.take(at, beer),
        }
        let Some(probe) = &self.probe else { return };
        match &mut self.bank {
            None => self.bank = Some(Bank::new(at, beer, probe)),
            Some(bank) => bank.take(at, beer, probe, &self.past),
        }
        self.past.forget_before(at - bank::DELAY);
    }

    /// Where the beer will go from now, against this course of the setpoint.
    fn outlook(&self, path: &Path) -> Option<Outlook> {
        let state = self.bank.as_ref()?.state(self.now, &self.past);
        // What runs acts on for the delay, whatever is decided now.
        let pending = [(bank::DELAY.hours(), past::inputs(self.running()))];
        Some(outlook(state, &pending, path))
    }

    /// Which output is wanted, rests apart.
    fn wish(&mut self, rules: &Rules, demand: &Demand, thresholds: &Thresholds) -> Wish {
        let off = |because| Wish { output: None, because };
        self.foreseen = None;
        let Some(setpoint) = demand.setpoint else {
            return off(Because::NoSetpoint);
        };
        let Some((_, beer)) = self.reading else {
            return off(Because::Blind { last: None });
        };
        let plain = plain::wish(self.running(), beer, setpoint, thresholds);
        if !rules.anticipate {
            return plain;
        }
        let (up, down) = self.bank.as_ref().map_or((None, None), |bank| {
            bank.rates(
                allowed(Output::Heater, rules, demand).is_some(),
                allowed(Output::Chiller, rules, demand).is_some(),
            )
        });
        let path = Path::new(setpoint, &demand.ahead).followable(up, down);
        let outlook = self.outlook(&path);
        self.foreseen = outlook.map(|outlook| outlook.beer);
        match outlook {
            Some(outlook) if self.can_foresee() => {
                let aims = (setpoint, path.at(0.0));
                let moment = self.moment(outlook, beer, aims, rules, thresholds);
                coast::wish(&moment, self.trials)
            }
            _ => self.calmed(plain, beer, setpoint, rules),
        }
    }

    /// Whether the models may be relied upon; else the plain band is kept.
    fn can_foresee(&self) -> bool {
        self.probe.as_ref().is_some_and(|probe| !probe.is_coarse())
            && self.bank.as_ref().is_some_and(Bank::is_right)
    }

    fn moment(
        &self,
        outlook: Outlook,
        beer: Temperature,
        (setpoint, aim): (Temperature, f64),
        rules: &Rules,
        thresholds: &Thresholds,
    ) -> Moment {
        let running = self.running();
        Moment {
            outlook,
            beer,
            setpoint,
            aim,
            half_width: rules.hysteresis.kelvin().abs(),
            extremes: thresholds.extremes,
            running,
            run: running.map_or(Span::ZERO, |output| self.relay(output).run(self.now)),
            chiller: self.standing(Output::Chiller, rules),
            heater: self.standing(Output::Heater, rules),
        }
    }

    fn standing(&self, output: Output, rules: &Rules) -> Standing {
        Standing {
            known: self.bank.as_ref().is_some_and(|bank| bank.knows(output)),
            rested: self.now.since(self.relay(output).rests_since),
            quiet: self.is_quiet(output, rules),
        }
    }

    fn is_quiet(&self, output: Output, rules: &Rules) -> bool {
        rests(output, rules).is_none()
            || self.relay(output).idle(self.now).is_none_or(|idle| idle >= coast::QUIET)
    }

    /// A plain band that does not start one output soon after the other, unless the beer is far off.
    fn calmed(&self, plain: Wish, beer: Temperature, setpoint: Temperature, rules: &Rules) -> Wish {
        let far = (beer - setpoint).kelvin().abs() > 2.0 * rules.hysteresis.kelvin().abs();
        match plain.output {
            Some(output)
                if self.running().is_none() && !far && !self.is_quiet(opposite(output), rules) =>
            {
                let ran_until = self.relay(opposite(output)).ran_until.unwrap_or(self.now);
                Wish {
                    output: None,
                    because: Because::Changeover { until: ran_until + coast::QUIET },
                }
            }
            _ => plain,
        }
    }

    /// Lets a run go on, or ends it.
    fn go_on(&mut self, output: Output, wish: Wish, rules: &Rules, demand: &Demand) -> Because {
        let Some(rests) = allowed(output, rules, demand) else {
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
        if let Some(until) = self.relay(output).must_run_until(self.now, rests) {
            return Because::MinOn { until };
        }
        self.stop(output);
        if let Because::TrialEnds { .. } = wish.because {
            self.trials.grow(output);
        }
        match objection {
            Some(because) if wish.output == Some(output) => because,
            _ => wish.because,
        }
    }

    /// Starts what is wanted, or says why not.
    fn begin(&mut self, wish: Wish, rules: &Rules, demand: &Demand) -> Because {
        let Some(output) = wish.output else {
            return wish.because;
        };
        let Some(rests) = allowed(output, rules, demand) else {
            return Because::NotAllowed;
        };
        if let Some(objection) = self.objection(output, rests, rules) {
            return objection;
        }
        if let Some(until) = self.relay(output).must_rest_until(self.now, rests) {
            return Because::Resting { until };
        }
        let other = self.relay(opposite(output));
        if let Some(until) = other.holds_up_until(self.now, rules.changeover) {
            return Because::Changeover { until };
        }
        // Nothing stops and starts in the same decision, however often it is asked for.
        if [&self.heater, &self.chiller].iter().any(|relay| relay.ran_until == Some(self.now)) {
            return Because::Resting { until: self.now };
        }
        let now = self.now;
        self.relay_mut(output).start(now);
        self.past.switched(now, Some(output));
        wish.because
    }

    /// What speaks against running `output` apart from its rests.
    fn objection(&self, output: Output, rests: Rests, rules: &Rules) -> Option<Because> {
        let Some((last, beer)) = self.reading else {
            return Some(Because::Blind { last: None });
        };
        let running = self.relay(output).on_since.map(|since| self.now.since(since.max(last)));
        if self.spent + running.unwrap_or(Span::ZERO) >= rules.max_on.max(rests.min_on) {
            return Some(Because::Blind { last: Some(last) });
        }
        let (_, surround) = self.surround?;
        let limit = surround_limit(output, beer, rules)?;
        let met = match output {
            Output::Chiller => surround <= limit,
            Output::Heater => surround >= limit,
        };
        met.then_some(Because::SurroundLimit { surround, limit })
    }

    fn running(&self) -> Option<Output> {
        match (self.chiller.is_on(), self.heater.is_on()) {
            (true, _) => Some(Output::Chiller),
            (false, true) => Some(Output::Heater),
            (false, false) => None,
        }
    }

    fn stop(&mut self, output: Output) {
        let now = self.now;
        let read = self.reading.map_or(now, |(at, _)| at);
        let relay = self.relay_mut(output);
        let spent = relay.on_since.map(|since| now.since(since.max(read)));
        relay.stop(now);
        self.past.switched(now, None);
        self.spent = self.spent + spent.unwrap_or(Span::ZERO);
    }

    fn relay(&self, output: Output) -> &Relay {
        match output {
            Output::Chiller => &self.chiller,
            Output::Heater => &self.heater,
        }
    }

    fn relay_mut(&mut self, output: Output) -> &mut Relay {
        match output {
            Output::Chiller => &mut self.chiller,
            Output::Heater => &mut self.heater,
        }
    }
}

fn opposite(output: Output) -> Output {
    match output {
        Output::Chiller => Output::Heater,
        Output::Heater => Output::Chiller,
    }
}

/// The rests of an output that may run now; `None` where it must not.
fn allowed(output: Output, rules: &Rules, demand: &Demand) -> Option<Rests> {
    demand.setpoint?;
    let may = match output {
        Output::Chiller => demand.cool,
        Output::Heater => demand.heat,
    };
    rests(output, rules).filter(|_| may)
}

/// The rests of an output; `None` where there is none.
fn rests(output: Output, rules: &Rules) -> Option<Rests> {
    match output {
        Output::Chiller => rules.chiller,
        Output::Heater => rules.heater,
    }
}

/// The temperature around the vessel at which `output` must not run.
fn surround_limit(output: Output, beer: Temperature, rules: &Rules) -> Option<Temperature> {
    let envelope = &rules.envelope;
    match output {
        Output::Heater => envelope.above_beer.map(|delta| beer + delta),
        Output::Chiller => {
            let below = envelope.below_beer.map(|delta| beer - delta);
            match (below, envelope.coldest) {
                (Some(below), Some(coldest)) => Some(below.max(coldest)),
                (below, coldest) => below.or(coldest),
            }
        }
    }
}
