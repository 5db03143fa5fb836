//! A scenario of the control study, run in closed loop: a simulated vessel, a noisy probe and the
//! regulator.

use barmkeep_tests::vectors::Row;
use control::{Demand, Envelope, Output, Regulator, Rests, Rules, Sign, ramped};
use plant::vessel::{FRIDGE_20L, Inputs, JACKET_300L, Parameters, Vessel, WRAP_10L};
use quantity::{Span, Stamp, Temperature, TemperatureDelta, TemperatureRate};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::collections::VecDeque;

/// A scenario: what is wanted, what disturbs, how the probe is, in °C, K, W, h and s.
#[derive(Debug, Clone)]
pub struct Scenario {
    pub name: String,
    pub plant: String,
    pub parameters: Parameters,
    pub first: f64,
    pub second: f64,
    pub ramp_k_per_h: f64,
    pub change_h: f64,
    pub ambient: f64,
    pub ambient_swing: f64,
    pub ambient_phase_h: f64,
    pub peak_w: f64,
    pub peak_h: f64,
    pub peak_width_h: f64,
    pub beer: f64,
    pub chamber: f64,
    pub noise: f64,
    pub step: f64,
    pub dead_s: i64,
    pub tick_s: i64,
    pub door_k: f64,
    pub door_s: f64,
    pub door_every_h: f64,
    pub stuck_h: (f64, f64),
    pub offset: f64,
    pub offset_from_h: f64,
    pub cut_h: (f64, f64),
    pub end_h: f64,
    pub scored_from_h: f64,
    pub half_width: f64,
    pub min_off_s: i64,
    pub min_on_s: i64,
    pub changeover_s: i64,
}

/// How the scenario is run.
#[derive(Debug, Clone, Copy)]
pub struct Way {
    pub anticipate: bool,
    /// Whether the regulator is told the setpoint's future.
    pub ahead: bool,
    /// Another resolution of the probe, in K.
    pub step: Option<f64>,
    /// A reading each so many seconds, else each tick; ticks are no longer than that.
    pub every_s: Option<i64>,
    /// The share of readings that never arrive.
    pub missing: f64,
    /// A probe in the chamber with these limits.
    pub envelope: Option<Envelope>,
    /// Whether descents slow down near freezing.
    pub gentle: bool,
    pub fault: Fault,
    /// From when the fault acts, in h.
    pub fault_from_h: f64,
    pub seed: u64,
}

/// What is wrong with the hardware.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    None,
    /// Each output drives the other one's relay.
    Swapped,
    /// The chiller does nothing.
    DeadChiller,
    /// The heater does nothing.
    DeadHeater,
    /// The heater never goes off.
    HeaterStuckOn,
    /// The probe shows one value for ever.
    FrozenProbe,
    /// The probe hangs in the chamber's air.
    ProbeInAir,
}

/// How it went, from the scenario's scoring on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Outcome {
    pub rms: f64,
    pub over: f64,
    pub under: f64,
    pub heater_starts: u32,
    pub chiller_starts: u32,
    /// Clock hours in which both outputs were used.
    pub fights: u32,
    pub heater_wh: f64,
    pub chiller_wh: f64,
    pub chamber_low: f64,
    /// The integral of the squared error plus 0.1 K²h a start.
    pub cost: f64,
    /// When each output was first said to be without effect, in h.
    pub heater_dead_h: Option<f64>,
    pub chiller_dead_h: Option<f64>,
    /// When the beer was first said to run away, in h; both outputs are off from then on.
    pub stopped_h: Option<f64>,
    /// The mean error, in K.
    pub mean: f64,
    /// The largest error, in K.
    pub worst: f64,
}

/// What one start costs, in K²h.
const START_COST: f64 = 0.1;
/// Before and after a step this long, in h, its approach is not scored as over- or undershoot.
const APPROACH_H: f64 = 6.0;
/// After a stuck heater extremes are not scored for this long, in h.
const AFTER_STUCK_H: f64 = 12.0;

impl Way {
    /// As a daemon runs by default.
    pub fn anticipating(seed: u64) -> Self {
        Way {
            anticipate: true,
            ahead: true,
            step: None,
            every_s: None,
            missing: 0.0,
            envelope: None,
            gentle: false,
            fault: Fault::None,
            fault_from_h: 40.0,
            seed,
        }
    }

    /// The plain band.
    pub fn plain(seed: u64) -> Self {
        Way { anticipate: false, ..Way::anticipating(seed) }
    }
}

impl Scenario {
    /// From a row of the study's table.
    pub fn read(row: &Row) -> Self {
        let n = |column: &str| row.number(column);
        let plant = row.text("plant").to_owned();
        Scenario {
            name: row.text("scenario").to_owned(),
            parameters: match plant.as_str() {
                "P1_20L_fridge" => FRIDGE_20L,
                "P2_10L_fridge_wrap" => WRAP_10L,
                _ => JACKET_300L,
            },
            plant,
            first: n("sp0"),
            second: n("sp1"),
            ramp_k_per_h: n("ramp_K_h"),
            change_h: n("t_change_h"),
            ambient: n("Ta_mean"),
            ambient_swing: n("Ta_amp"),
            ambient_phase_h: n("Ta_phase_h"),
            peak_w: n("q_peak_W"),
            peak_h: n("q_t_h"),
            peak_width_h: n("q_w_h"),
            beer: n("Tf0"),
            chamber: n("Tc0"),
            noise: n("noise_sd"),
            step: n("quant"),
            dead_s: n("dead_s") as i64,
            tick_s: n("tick_s") as i64,
            door_k: n("door_dTa"),
            door_s: n("door_s"),
            door_every_h: n("door_every_h"),
            stuck_h: (n("stuck_from_h"), n("stuck_to_h")),
            offset: n("probe_offset"),
            offset_from_h: n("probe_from_h"),
            cut_h: (n("cut_from_h"), n("cut_to_h")),
            end_h: n("t_end_h"),
            scored_from_h: n("eval_from_h"),
            half_width: n("h"),
            min_off_s: n("min_off_s") as i64,
            min_on_s: n("min_on_s") as i64,
            changeover_s: n("changeover_s") as i64,
        }
    }

    pub fn setpoint(&self, hours: f64, gentle: bool) -> f64 {
        if hours < self.change_h || self.first == self.second {
            return self.first;
        }
        if self.ramp_k_per_h == 0.0 {
            return self.second;
        }
        if gentle {
            let rate = TemperatureRate::from_kelvin_per_hour(self.ramp_k_per_h).unwrap();
            let elapsed = Span::from_hours_f64(hours - self.change_h);
            let (from, to) = (Temperature::clamped(self.first), Temperature::clamped(self.second));
            return ramped(from, to, elapsed, rate, rate).celsius();
        }
        let moved = self.ramp_k_per_h * (hours - self.change_h);
        let way = self.second - self.first;
        if moved >= way.abs() { self.second } else { self.first + moved.copysign(way) }
    }

    /// What the schedule knows of the setpoint's future: its corners.
    fn ahead(&self, hours: f64, gentle: bool) -> Vec<(Span, Temperature)> {
        if self.first == self.second {
            return Vec::new();
        }
        let rate = self.ramp_k_per_h;
        let takes = |from: f64, to: f64| if rate > 0.0 { (from - to).abs() / rate } else { 0.0 };
        let mut corners = vec![(self.change_h, self.first)];
        if gentle && self.second < 5.0 {
            let at = self.change_h + takes(self.first, 5.0);
            corners.push((at, 5.0));
            corners.push((at + 2.0 * takes(5.0, self.second), self.second));
        } else {
            corners.push((self.change_h + takes(self.first, self.second), self.second));
        }
        corners.retain(|(at, _)| *at > hours);
        let point = |(at, celsius): (f64, f64)| {
            (Span::from_hours_f64(at - hours), Temperature::clamped(celsius))
        };
        corners.into_iter().map(point).collect()
    }

    fn ambient(&self, hours: f64) -> f64 {
        let day = (hours - self.ambient_phase_h) / 24.0 * std::f64::consts::TAU;
        let opened = hours >= self.door_every_h
            && (hours % self.door_every_h) * 3600.0 < self.door_s
            && self.door_k != 0.0;
        self.ambient + self.ambient_swing * day.sin() + if opened { self.door_k } else { 0.0 }
    }

    fn fermentation(&self, hours: f64) -> f64 {
        self.peak_w * (-((hours - self.peak_h) / self.peak_width_h).powi(2)).exp()
    }

    fn rules(&self, way: &Way) -> Rules {
        let rests = Some(Rests {
            min_on: Span::from_secs(self.min_on_s),
            min_off: Span::from_secs(self.min_off_s),
        });
        Rules {
            heater: rests,
            chiller: rests,
            changeover: Span::from_secs(self.changeover_s),
            hysteresis: TemperatureDelta::from_kelvin(self.half_width).unwrap(),
            anticipate: way.anticipate,
            max_on: Span::from_mins(20),
            envelope: way.envelope.unwrap_or_default(),
        }
    }

    /// Runs it.
    pub fn run(&self, way: &Way) -> Outcome {
        let tick_s = way.every_s.map_or(self.tick_s, |every| every.min(self.tick_s));
        let scenario = Scenario { tick_s, ..self.clone() };
        let mut run = Run::new(&scenario, way);
        let n_ticks = (self.end_h * 3600.0) as i64 / tick_s;
        for tick in 0..n_ticks {
            run.tick(tick * tick_s);
        }
        run.outcome()
    }
}

/// A run in progress.
struct Run<'a> {
    scenario: &'a Scenario,
    way: &'a Way,
    rules: Rules,
    regulator: Regulator,
    vessel: Vessel,
    /// What the probe has not yet shown, oldest first.
    late: VecDeque<f64>,
    random: ChaCha8Rng,
    noise: Normal<f64>,
    frozen: Option<f64>,
    before: (bool, bool),
    was_cut: bool,
    hour: (i64, bool, bool),
    settled: bool,
    stopped: bool,
    squares: f64,
    outcome: Outcome,
}

impl<'a> Run<'a> {
    fn new(scenario: &'a Scenario, way: &'a Way) -> Self {
        Run {
            scenario,
            way,
            rules: scenario.rules(way),
            regulator: Regulator::new(Stamp::from_millis(0)),
            vessel: Vessel::new(scenario.parameters, scenario.beer, scenario.chamber),
            late: VecDeque::new(),
            random: ChaCha8Rng::seed_from_u64(way.seed),
            noise: Normal::new(0.0, scenario.noise).unwrap(),
            frozen: None,
            before: (false, false),
            was_cut: false,
            hour: (-1, false, false),
            settled: false,
            stopped: false,
            squares: 0.0,
            outcome: Outcome {
                chamber_low: f64::INFINITY,
                over: f64::NEG_INFINITY,
                under: f64::NEG_INFINITY,
                ..Outcome::default()
            },
        }
    }

    fn tick(&mut self, seconds: i64) {
        let hours = seconds as f64 / 3600.0;
        let now = Stamp::from_millis(seconds * 1000);
        let reading = self.reading(seconds, hours);
        let cut = (self.scenario.cut_h.0..self.scenario.cut_h.1).contains(&hours);
        let mut asked = (false, false);
        if !cut {
            if self.was_cut {
                self.regulator.restarted(now);
            }
            if let Some(reading) = reading {
                let surround =
                    self.way.envelope.map(|_| Temperature::clamped(self.vessel.chamber_celsius()));
                self.regulator.take(now, Temperature::clamped(reading), surround);
            }
            let decision = self.regulator.decide(now, &self.rules, &self.demand(hours));
            asked = (decision.heater, decision.chiller);
            self.watch_signs(hours);
        }
        self.was_cut = cut;
        self.score(hours, asked);
        let (heater, chiller) = self.wired(hours, asked);
        let inputs = Inputs {
            ambient_celsius: self.scenario.ambient(hours),
            fermentation_watts: self.scenario.fermentation(hours),
            chiller,
            heater,
        };
        self.vessel.advance(Span::from_secs(self.scenario.tick_s), inputs);
    }

    fn demand(&self, hours: f64) -> Demand {
        Demand {
            setpoint: Some(Temperature::clamped(self.scenario.setpoint(hours, self.way.gentle))),
            ahead: if self.way.ahead {
                self.scenario.ahead(hours, self.way.gentle)
            } else {
                Vec::new()
            },
            // As the engine does: a heater without effect is off, and a runaway stops both.
            heat: !self.stopped && self.outcome.heater_dead_h.is_none_or(|_| !self.has_fault()),
            cool: !self.stopped,
        }
    }

    /// What the probe shows now, if it shows something.
    fn reading(&mut self, seconds: i64, hours: f64) -> Option<f64> {
        let faulty = hours >= self.way.fault_from_h;
        let in_air = faulty && self.way.fault == Fault::ProbeInAir;
        self.late.push_back(if in_air {
            self.vessel.chamber_celsius()
        } else {
            self.vessel.beer_celsius()
        });
        if self.late.len() as i64 > self.scenario.dead_s / self.scenario.tick_s + 1 {
            self.late.pop_front();
        }
        let offset = if hours >= self.scenario.offset_from_h { self.scenario.offset } else { 0.0 };
        let seen = self.late.front()? + offset + self.noise.sample(&mut self.random);
        let step = self.way.step.unwrap_or(self.scenario.step);
        let mut shown = (seen / step).round() * step;
        if faulty && self.way.fault == Fault::FrozenProbe {
            shown = *self.frozen.get_or_insert(shown);
        }
        let arrives = !self.random.random_bool(self.way.missing);
        let due = self.way.every_s.is_none_or(|every| seconds % every == 0);
        (arrives && due).then_some(shown)
    }

    fn has_fault(&self) -> bool {
        self.way.fault != Fault::None
    }

    /// What heater and chiller really do.
    fn wired(&self, hours: f64, (heater, chiller): (bool, bool)) -> (bool, bool) {
        let stuck = (self.scenario.stuck_h.0..self.scenario.stuck_h.1).contains(&hours);
        let heater = heater && !stuck;
        if hours < self.way.fault_from_h {
            return (heater, chiller);
        }
        match self.way.fault {
            Fault::Swapped => (chiller, heater),
            Fault::DeadChiller => (heater, false),
            Fault::DeadHeater => (false, chiller),
            Fault::HeaterStuckOn => (true, chiller),
            Fault::None | Fault::FrozenProbe | Fault::ProbeInAir => (heater, chiller),
        }
    }

    fn watch_signs(&mut self, hours: f64) {
        for sign in self.regulator.signs() {
            let first = match sign {
                Sign::NoEffect { output: Output::Heater, .. } => &mut self.outcome.heater_dead_h,
                Sign::NoEffect { output: Output::Chiller, .. } => &mut self.outcome.chiller_dead_h,
                Sign::RunsAway { .. } => {
                    self.stopped = self.has_fault();
                    &mut self.outcome.stopped_h
                }
            };
            first.get_or_insert(hours);
        }
    }

    fn score(&mut self, hours: f64, now: (bool, bool)) {
        let before = std::mem::replace(&mut self.before, now);
        if hours < self.scenario.scored_from_h {
            return;
        }
        let tick_h = self.scenario.tick_s as f64 / 3600.0;
        let error = self.vessel.beer_celsius() - self.scenario.setpoint(hours, self.way.gentle);
        let outcome = &mut self.outcome;
        self.squares += error * error * tick_h;
        outcome.mean += error * tick_h / (self.scenario.end_h - self.scenario.scored_from_h);
        outcome.heater_starts += u32::from(now.0 && !before.0);
        outcome.chiller_starts += u32::from(now.1 && !before.1);
        outcome.heater_wh +=
            f64::from(u8::from(now.0)) * tick_h * self.scenario.parameters.heater_w;
        outcome.chiller_wh +=
            f64::from(u8::from(now.1)) * tick_h * self.scenario.parameters.chiller_w;
        outcome.chamber_low = outcome.chamber_low.min(self.vessel.chamber_celsius());
        outcome.worst = outcome.worst.max(error.abs());
        if self.hour.0 != hours as i64 {
            self.hour = (hours as i64, false, false);
        }
        let fought = self.hour.1 && self.hour.2;
        self.hour = (self.hour.0, self.hour.1 || now.0, self.hour.2 || now.1);
        outcome.fights += u32::from(!fought && self.hour.1 && self.hour.2);
        if self.counts_as_extreme(hours, error) {
            self.outcome.over = self.outcome.over.max(error);
            self.outcome.under = self.outcome.under.max(-error);
        }
    }

    /// Whether an error now is the law's: not a fault's, nor a step's own approach.
    fn counts_as_extreme(&mut self, hours: f64, error: f64) -> bool {
        let scenario = self.scenario;
        let is_step = scenario.ramp_k_per_h == 0.0 && scenario.first != scenario.second;
        if is_step && hours >= scenario.change_h - APPROACH_H && !self.settled {
            let arrived = hours >= scenario.change_h && error.abs() <= scenario.half_width;
            self.settled = arrived;
            return false;
        }
        !(scenario.stuck_h.0..scenario.stuck_h.1 + AFTER_STUCK_H).contains(&hours)
    }

    fn outcome(self) -> Outcome {
        let scored_h = self.scenario.end_h - self.scenario.scored_from_h;
        let starts = self.outcome.heater_starts + self.outcome.chiller_starts;
        Outcome {
            rms: (self.squares / scored_h).sqrt(),
            cost: self.squares + START_COST * f64::from(starts),
            ..self.outcome
        }
    }
}
