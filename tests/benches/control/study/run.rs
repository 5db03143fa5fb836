//! A scenario in closed loop, and how it went.

use super::float::{self, Float};
use super::host::{Given, Host, Raised, Standing, TICK_S};
use super::inside::Inside;
use super::piped::Piped;
use super::scenario::{Fault, OPEN_H, Scenario, Way};
use plant::vessel::{Inputs, Parameters, Vessel};
use quantity::Span;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::collections::VecDeque;

/// How it went, from the scenario's scoring on.
#[derive(Debug, Clone, PartialEq, Default)]
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
    /// The mean error, in K.
    pub mean: f64,
    /// The largest error, in K.
    pub worst: f64,
    /// How far the published setpoint was from the study's, in K: root mean square, and most.
    pub apart_rms: f64,
    pub apart_most: f64,
    /// All alarms, from the pitch on.
    pub raised: Vec<Raised>,
    /// Since when both outputs are told to be off, in h from the pitch.
    pub off_since_h: f64,
}

/// What one start costs, in K²h.
const START_COST: f64 = 0.1;
/// Before and after a step this long, in h, its approach is not scored as over- or undershoot.
const APPROACH_H: f64 = 6.0;
/// After a stuck heater extremes are not scored for this long, in h.
const AFTER_STUCK_H: f64 = 12.0;
const TICK_H: f64 = TICK_S as f64 / 3600.0;

impl Outcome {
    /// Of both outputs.
    pub fn starts(&self) -> f64 {
        f64::from(self.heater_starts + self.chiller_starts)
    }

    /// Of both outputs.
    pub fn watt_hours(&self) -> f64 {
        self.heater_wh + self.chiller_wh
    }

    /// When this alarm was first raised at or after `from`, in h after `from`.
    pub fn told(&self, id: &str, from: f64) -> Option<f64> {
        let first = self.raised.iter().find(|alarm| alarm.id == id && alarm.hours >= from);
        first.map(|alarm| alarm.hours - from)
    }
}

impl Scenario {
    /// Runs it with the engine in this process.
    pub fn run(&self, way: &Way) -> Outcome {
        self.run_by(way, &mut Inside::new(self, way))
    }

    /// Runs it with the real program behind its `pipe`.
    pub fn run_piped(&self, way: &Way) -> Outcome {
        self.run_by(way, &mut Piped::new(self, way))
    }

    fn run_by(&self, way: &Way, host: &mut dyn Host) -> Outcome {
        let mut run = Run::new(self, way);
        let every_s = self.every_s(way);
        let mut was_cut = false;
        for at_s in (0..(self.end_h * 3600.0) as i64).step_by(every_s as usize) {
            let cut = (self.cut_h.0..self.cut_h.1).contains(&hours(at_s));
            let given = run.given(at_s, every_s);
            let n_ticks = (every_s / TICK_S) as usize;
            let standings = if cut {
                vec![Standing { setpoint: run.published, ..Standing::default() }; n_ticks]
            } else {
                if was_cut {
                    host.restart(at_s);
                }
                host.pass(at_s, &given, at_s + every_s)
            };
            was_cut = cut;
            assert_eq!(standings.len(), n_ticks);
            for (i, standing) in standings.into_iter().enumerate() {
                run.tick(at_s + i as i64 * TICK_S, standing);
            }
        }
        run.outcome.raised = host.raised().to_vec();
        run.outcome()
    }
}

/// A run in progress.
struct Run<'a> {
    scenario: &'a Scenario,
    way: &'a Way,
    vessel: Vessel,
    float: Float,
    /// What the probe has not yet shown, oldest first.
    late: VecDeque<f64>,
    random: ChaCha8Rng,
    noise: Normal<f64>,
    frozen: Option<f64>,
    published: Option<f64>,
    before: Standing,
    hour: (i64, bool, bool),
    settled: bool,
    squares: f64,
    squares_apart: f64,
    outcome: Outcome,
}

impl<'a> Run<'a> {
    fn new(scenario: &'a Scenario, way: &'a Way) -> Self {
        let vessel = Vessel::new(scenario.parameters, scenario.beer, scenario.chamber);
        let mut run = Run {
            scenario,
            way,
            vessel,
            float: Float::new(scenario, way.seed),
            late: VecDeque::new(),
            random: ChaCha8Rng::seed_from_u64(way.seed),
            noise: Normal::new(0.0, scenario.noise).unwrap(),
            frozen: None,
            published: None,
            before: Standing::default(),
            hour: (-1, false, false),
            settled: false,
            squares: 0.0,
            squares_apart: 0.0,
            outcome: Outcome {
                chamber_low: f64::INFINITY,
                over: f64::NEG_INFINITY,
                under: f64::NEG_INFINITY,
                ..Outcome::default()
            },
        };
        run.feel(0);
        run
    }

    /// What arrives now.
    fn given(&mut self, at_s: i64, every_s: i64) -> Vec<Given> {
        let mut given = Vec::new();
        if self.way.surround {
            let seen = self.vessel.chamber_celsius();
            given.push(Given::Surround((seen / 0.0625).round() * 0.0625));
        }
        if self.way.float && at_s % float::EVERY_S == 0 {
            let (sg, celsius) = self.float.read(self.vessel.beer_celsius());
            given.push(Given::Float(sg, celsius));
        }
        if let Some(celsius) = self.reading(at_s) {
            given.push(Given::Beer(celsius));
        }
        if at_s == 0 {
            given.push(Given::Pitch);
        }
        // A stuck heater is mended by a person, who then looks at the alarms.
        let mended_s = (self.scenario.stuck_h.1 * 3600.0) as i64;
        if (mended_s..mended_s + every_s).contains(&at_s) {
            given.push(Given::Acknowledge);
        }
        given
    }

    /// What the probe shows now, if it shows something.
    fn reading(&mut self, at_s: i64) -> Option<f64> {
        let offset =
            if hours(at_s) >= self.scenario.offset_from_h { self.scenario.offset } else { 0.0 };
        let seen = self.late.front()? + offset + self.noise.sample(&mut self.random);
        let step = self.way.step.unwrap_or(self.scenario.step);
        let mut shown = (seen / step).round() * step;
        if self.is_faulty(hours(at_s)) && self.way.fault == Fault::FrozenProbe {
            shown = *self.frozen.get_or_insert(shown);
        }
        let arrives = !self.random.random_bool(self.way.missing);
        arrives.then_some(shown)
    }

    /// The probe takes the temperature that it will show later.
    fn feel(&mut self, at_s: i64) {
        let in_air = self.is_faulty(hours(at_s)) && self.way.fault == Fault::ProbeInAir;
        self.late.push_back(if in_air {
            self.vessel.chamber_celsius()
        } else {
            self.vessel.beer_celsius()
        });
        if self.late.len() as i64 > self.scenario.dead_s / TICK_S + 1 {
            self.late.pop_front();
        }
    }

    /// One tick's time under these orders.
    fn tick(&mut self, at_s: i64, standing: Standing) {
        let hours = hours(at_s);
        self.published = standing.setpoint;
        self.score(hours, standing);
        self.open_or_close(hours);
        let (heater, chiller) = self.wired(hours, standing);
        let warm = self.is_faulty(hours) && self.way.fault == Fault::WarmRoom;
        let inputs = Inputs {
            ambient_celsius: self.scenario.ambient(hours) + if warm { 8.0 } else { 0.0 },
            fermentation_watts: self.scenario.fermentation(hours),
            chiller,
            heater,
        };
        self.vessel.advance(Span::from_secs(TICK_S), inputs);
        self.float.ferment(inputs.fermentation_watts, TICK_S as f64);
        self.feel(at_s + TICK_S);
    }

    /// Whether the fault acts; a door is closed again after a while.
    fn is_faulty(&self, hours: f64) -> bool {
        let lasts = match self.way.fault {
            Fault::None => 0.0,
            Fault::DoorOpen | Fault::WarmRoom => OPEN_H,
            _ => f64::INFINITY,
        };
        let since = hours - self.way.fault_from_h;
        since >= 0.0 && since < lasts
    }

    /// Opens the door, or closes it.
    fn open_or_close(&mut self, hours: f64) {
        if self.way.fault != Fault::DoorOpen {
            return;
        }
        let closed = self.scenario.parameters;
        let open = self.is_faulty(hours);
        let losses = closed.chamber_ambient_w_per_k * if open { 5.0 } else { 1.0 };
        if self.vessel.parameters().chamber_ambient_w_per_k != losses {
            let parameters = Parameters { chamber_ambient_w_per_k: losses, ..closed };
            let (beer, chamber) = (self.vessel.beer_celsius(), self.vessel.chamber_celsius());
            self.vessel = Vessel::new(parameters, beer, chamber);
        }
    }

    /// What heater and chiller really do.
    fn wired(&self, hours: f64, Standing { heater, chiller, .. }: Standing) -> (bool, bool) {
        let stuck = (self.scenario.stuck_h.0..self.scenario.stuck_h.1).contains(&hours);
        let heater = heater && !stuck;
        if !self.is_faulty(hours) {
            return (heater, chiller);
        }
        match self.way.fault {
            Fault::Swapped => (chiller, heater),
            Fault::DeadChiller => (heater, false),
            Fault::DeadHeater => (false, chiller),
            Fault::HeaterStuckOn => (true, chiller),
            Fault::ChillerStuckOn => (heater, true),
            Fault::None
            | Fault::FrozenProbe
            | Fault::ProbeInAir
            | Fault::DoorOpen
            | Fault::WarmRoom => (heater, chiller),
        }
    }

    fn score(&mut self, hours: f64, now: Standing) {
        let before = std::mem::replace(&mut self.before, now);
        if now.heater || now.chiller {
            self.outcome.off_since_h = hours + TICK_H;
        }
        if hours < self.scenario.scored_from_h {
            return;
        }
        let path = self.scenario.setpoint(hours);
        let published = now.setpoint.unwrap_or(path);
        let wanted = if self.scenario.descends() { published } else { path };
        let error = self.vessel.beer_celsius() - wanted;
        let parameters = &self.scenario.parameters;
        let outcome = &mut self.outcome;
        self.squares += error * error * TICK_H;
        self.squares_apart += (published - path).powi(2) * TICK_H;
        outcome.apart_most = outcome.apart_most.max((published - path).abs());
        outcome.mean += error * TICK_H / (self.scenario.end_h - self.scenario.scored_from_h);
        outcome.heater_starts += u32::from(now.heater && !before.heater);
        outcome.chiller_starts += u32::from(now.chiller && !before.chiller);
        outcome.heater_wh += f64::from(u8::from(now.heater)) * TICK_H * parameters.heater_w;
        outcome.chiller_wh += f64::from(u8::from(now.chiller)) * TICK_H * parameters.chiller_w;
        outcome.chamber_low = outcome.chamber_low.min(self.vessel.chamber_celsius());
        outcome.worst = outcome.worst.max(error.abs());
        if self.hour.0 != hours as i64 {
            self.hour = (hours as i64, false, false);
        }
        let fought = self.hour.1 && self.hour.2;
        self.hour = (self.hour.0, self.hour.1 || now.heater, self.hour.2 || now.chiller);
        outcome.fights += u32::from(!fought && self.hour.1 && self.hour.2);
        if self.counts_as_extreme(hours, error) {
            self.outcome.over = self.outcome.over.max(error);
            self.outcome.under = self.outcome.under.max(-error);
        }
    }

    /// Whether an error now is the law's: not a fault's, nor a step's own approach.
    fn counts_as_extreme(&mut self, hours: f64, error: f64) -> bool {
        let scenario = self.scenario;
        let is_step = scenario.ramp_k_per_h == 0.0 && scenario.moves();
        if is_step && hours >= scenario.change_h - APPROACH_H && !self.settled {
            let arrived = hours >= scenario.change_h && error.abs() <= scenario.half_width;
            self.settled = arrived;
            return false;
        }
        !(scenario.stuck_h.0..scenario.stuck_h.1 + AFTER_STUCK_H).contains(&hours)
    }

    fn outcome(self) -> Outcome {
        let scored_h = self.scenario.end_h - self.scenario.scored_from_h;
        let starts = self.outcome.starts();
        Outcome {
            rms: (self.squares / scored_h).sqrt(),
            apart_rms: (self.squares_apart / scored_h).sqrt(),
            cost: self.squares + START_COST * starts,
            ..self.outcome
        }
    }
}

fn hours(seconds: i64) -> f64 {
    seconds as f64 / 3600.0
}
