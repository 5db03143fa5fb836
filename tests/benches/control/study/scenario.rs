//! What a scenario wants, what disturbs it, and the files that say so to the program.

use barmkeep_tests::vectors::Row;
use plant::vessel::{FRIDGE_20L, JACKET_300L, Parameters, WRAP_10L};

/// The vessel's name in every scenario.
pub const VESSEL: &str = "study";
/// The gravity before fermentation, in °P; it matters only to a float.
pub const ORIGINAL_PLATO: f64 = 13.0;

/// A scenario: what is wanted, what disturbs, how the probe is, in °C, K, W, h and s.
#[derive(Debug, Clone)]
pub struct Scenario {
    pub name: String,
    pub plant: String,
    pub parameters: Parameters,
    pub litres: f64,
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

/// How a scenario is run.
#[derive(Debug, Clone, Copy)]
pub struct Way {
    /// `anticipate` of the vessel's configuration.
    pub anticipate: bool,
    /// Another resolution of the probe, in K.
    pub step: Option<f64>,
    /// A reading each so many seconds, else as the scenario has it.
    pub every_s: Option<i64>,
    /// The share of readings that never arrive.
    pub missing: f64,
    /// A probe in the chamber, with the default limits.
    pub surround: bool,
    /// A float whose gravity falls by what the fermentation's heat says.
    pub float: bool,
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
    /// The chiller never goes off.
    ChillerStuckOn,
    /// The probe shows one value for ever.
    FrozenProbe,
    /// The probe hangs in the chamber's air.
    ProbeInAir,
    /// For 8 h the chamber loses five times as much to the room.
    DoorOpen,
    /// For 8 h it is 8 K warmer around the vessel.
    WarmRoom,
}

/// How long a door stays open, or a room warm, in h.
pub const OPEN_H: f64 = 8.0;

impl Way {
    /// As a daemon runs by default.
    pub fn anticipating(seed: u64) -> Self {
        Way {
            anticipate: true,
            step: None,
            every_s: None,
            missing: 0.0,
            surround: false,
            float: false,
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
        let (parameters, litres) = match plant.as_str() {
            "P1_20L_fridge" => (FRIDGE_20L, 20.0),
            "P2_10L_fridge_wrap" => (WRAP_10L, 10.0),
            _ => (JACKET_300L, 300.0),
        };
        Scenario {
            name: row.text("scenario").to_owned(),
            parameters,
            litres,
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

    /// Whether its setpoint changes.
    pub fn moves(&self) -> bool {
        self.first != self.second
    }

    /// Whether it goes down a ramp: below 5 °C that is published slower than the study has it.
    pub fn descends(&self) -> bool {
        self.second < self.first && self.ramp_k_per_h > 0.0
    }

    /// Where the study has the setpoint.
    pub fn setpoint(&self, hours: f64) -> f64 {
        if hours < self.change_h || !self.moves() {
            return self.first;
        }
        if self.ramp_k_per_h == 0.0 {
            return self.second;
        }
        let moved = self.ramp_k_per_h * (hours - self.change_h);
        let way = self.second - self.first;
        if moved >= way.abs() { self.second } else { self.first + moved.copysign(way) }
    }

    /// How warm it is around the vessel.
    pub fn ambient(&self, hours: f64) -> f64 {
        let day = (hours - self.ambient_phase_h) / 24.0 * std::f64::consts::TAU;
        let opened = hours >= self.door_every_h
            && (hours % self.door_every_h) * 3600.0 < self.door_s
            && self.door_k != 0.0;
        self.ambient + self.ambient_swing * day.sin() + if opened { self.door_k } else { 0.0 }
    }

    /// The fermentation's heat.
    pub fn fermentation(&self, hours: f64) -> f64 {
        self.peak_w * (-((hours - self.peak_h) / self.peak_width_h).powi(2)).exp()
    }

    /// How often the probe reads, in s.
    pub fn every_s(&self, way: &Way) -> i64 {
        way.every_s.unwrap_or(self.tick_s)
    }

    /// The configuration's file.
    pub fn config(&self, way: &Way) -> String {
        let probe = |topic: &str| {
            let every = self.every_s(way);
            format!("topic = \"{topic}\"\nread = {{ unit = \"C\" }}\nevery = \"{every} s\"\n")
        };
        let output = |name: &str, topic: &str| {
            format!(
                "[vessel.{VESSEL}.{name}]\ntopic = \"{topic}\"\nmin_on = \"{} s\"\n\
                 min_off = \"{} s\"\nruns_out = \"5 min\"\n",
                self.min_on_s, self.min_off_s
            )
        };
        let mut text = format!(
            "format = 1\nstore.file = \"unused.db\"\n[vessel.{VESSEL}]\nvolume = \"{:.1} L\"\n\
             coldest = \"-5 C\"\nwarmest = \"45 C\"\n[vessel.{VESSEL}.beer]\n{}",
            self.litres,
            probe("cellar/probe/1")
        );
        if way.float {
            text += &format!(
                "[vessel.{VESSEL}.gravity.float]\ntopic = \"cellar/float/1\"\n\
                 read = {{ at = \"/sg\", unit = \"SG\" }}\nevery = \"15 min\"\n\
                 temperature = {{ at = \"/temperature\", unit = \"C\" }}\n"
            );
        }
        if way.surround {
            text += &format!("[vessel.{VESSEL}.surround]\n{}", probe("cellar/probe/2"));
            text += "below_beer = \"8 C\"\ncoldest = \"-2 C\"\n";
        }
        text += &output("heater", "cellar/plug/1/set");
        text += &output("chiller", "cellar/plug/2/set");
        text += &format!(
            "[vessel.{VESSEL}.control]\nhysteresis = \"{} C\"\nchangeover = \"{} s\"\n\
             anticipate = {}\n",
            self.half_width, self.changeover_s, way.anticipate
        );
        text
    }

    /// The schedule's file. A setpoint jumps as fast as a file can ask for.
    pub fn schedule(&self, way: &Way) -> String {
        let stage = |name: &str, target: &str, until: &str| {
            format!(
                "[[stage]]\nname = \"{name}\"\ntarget = {target}\nuntil = {{ elapsed = \
                 \"{until}\" }}\n"
            )
        };
        let mut text = "format = 1\n".to_owned();
        if way.float {
            text += &format!("[expect]\noriginal_gravity = \"{ORIGINAL_PLATO} P\"\n");
        }
        let down = if self.descends() { self.ramp_k_per_h } else { 60.0 };
        text += &format!("[limits]\nramp_up = \"60 C/h\"\nramp_down = \"{down} C/h\"\n");
        if !self.moves() {
            return text + &stage("hold", &format!("\"{} C\"", self.first), "30 d");
        }
        let hours = format!("{} h", self.change_h);
        text += &stage("before", &format!("\"{} C\"", self.first), &hours);
        let target = if self.ramp_k_per_h == 0.0 || self.descends() {
            format!("\"{} C\"", self.second)
        } else {
            format!(
                "{{ to = \"{} C\", rate = \"{:.6} C/d\" }}",
                self.second,
                self.ramp_k_per_h * 24.0
            )
        };
        text + &stage("after", &target, "30 d")
    }
}
