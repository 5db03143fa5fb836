//! The devices of a vessel: beer, probe, float, relays and thermostats.

use super::draw::Draw;
use super::grammar::{Form, Place};
use plant::cellar::{Ambient, Cellar, CellarSetup, Drive, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, Share, Span, Stamp, Temperature, Volume};
use serde_json::{Value, json};

/// The relays' own timer, in ms, as the configuration says.
pub const RUNS_OUT: i64 = 5 * 60_000;

/// A report on its way to the broker.
#[derive(Debug, Clone)]
pub struct Report {
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub payload: Vec<u8>,
    /// Whether it is the probe's.
    pub of_probe: bool,
}

/// A relay or a thermostat.
#[derive(Debug, Clone, Default)]
pub struct Actor {
    form: Option<Form>,
    on: bool,
    setpoint: Option<f64>,
    heard_at: i64,
    valid_ms: i64,
}

impl Actor {
    /// One of this form.
    pub fn new(form: Option<Form>) -> Self {
        Actor { form, ..Actor::default() }
    }

    /// A message on its switch's topic.
    pub fn hear_switch(&mut self, payload: &[u8], now: i64) {
        self.on = payload == b"ON";
        self.heard_at = now;
    }

    /// A message on its setpoint's topic.
    pub fn hear_setpoint(&mut self, payload: &[u8], now: i64) {
        let value: Value = serde_json::from_slice(payload).unwrap_or_default();
        self.setpoint = value["setpoint_c"].as_f64();
        (self.heard_at, self.valid_ms) = (now, 180_000);
    }

    /// Whether its relay is closed. A relay that hears nothing opens by itself.
    pub fn is_on(&mut self, now: i64) -> bool {
        self.on &= now - self.heard_at < RUNS_OUT;
        self.on
    }

    fn drive(&mut self, now: i64) -> Drive {
        match self.form {
            None => Drive::Off,
            Some(Form::Switch | Form::Both) => {
                if self.is_on(now) {
                    Drive::On
                } else {
                    Drive::Off
                }
            }
            Some(Form::Setpoint) if now - self.heard_at > self.valid_ms => Drive::Off,
            Some(Form::Setpoint) => self
                .setpoint
                .map_or(Drive::Off, |celsius| Drive::Setpoint(Temperature::clamped(celsius))),
        }
    }
}

/// All that stands at a vessel.
pub struct Stand {
    /// As it was drawn.
    pub place: Place,
    /// The beer and its probes.
    pub beer: Cellar,
    /// Whose batch the beer is.
    pub batch: Option<String>,
    /// What heats.
    pub heater: Actor,
    /// What cools, or the valve that lets cold in.
    pub chiller: Actor,
}

impl Stand {
    /// A vessel full of wort.
    pub fn new(place: Place, draw: &mut Draw) -> Self {
        let celsius = draw.between(12.0, 20.0);
        Stand {
            beer: wort(&place, celsius, draw),
            batch: None,
            heater: Actor::new(place.heater),
            chiller: Actor::new(place.chiller),
            place,
        }
    }

    /// Another wort is pitched; it is as warm as what was in the vessel.
    pub fn pitch(&mut self, batch: &str, draw: &mut Draw) {
        let celsius = self.beer.truth().beer_celsius;
        self.beer = wort(&self.place, celsius, draw);
        self.beer.pitch();
        self.batch = Some(batch.to_owned());
    }

    /// Lets a step pass. Without `cold` the valve has nothing to let in.
    pub fn advance(&mut self, step: Span, now: i64, wall: Stamp, cold: bool) -> Vec<Report> {
        let mut drives =
            Drives { heater: self.heater.drive(now), chiller: self.chiller.drive(now) };
        if !cold {
            drives.chiller = Drive::Off;
        }
        let readings = self.beer.advance(step, drives);
        readings.iter().filter_map(|reading| self.report(reading.what, wall)).collect()
    }

    /// What its relays say of themselves.
    pub fn seen(&mut self, now: i64, lies: bool) -> Vec<Report> {
        let mut reports = Vec::new();
        for (kind, form) in [("heater", self.place.heater), ("chiller", self.place.chiller)] {
            if !self.place.seen || !matches!(form, Some(Form::Switch | Form::Both)) {
                continue;
            }
            let actor = if kind == "heater" { &mut self.heater } else { &mut self.chiller };
            let word: &[u8] = if actor.is_on(now) != lies { b"ON" } else { b"OFF" };
            reports.push(Report {
                topic: format!("cellar/{}/{kind}/seen", self.place.name),
                payload: word.to_vec(),
                of_probe: false,
            });
        }
        reports
    }

    /// Both relays are closed.
    pub fn fights(&mut self, now: i64) -> bool {
        self.heater.is_on(now) && self.chiller.is_on(now)
    }

    fn report(&self, what: Measured, wall: Stamp) -> Option<Report> {
        let name = &self.place.name;
        Some(match what {
            Measured::Float(float) => {
                let mut report = json!({
                    "sg": (float.sg * 1e5).round() / 1e5,
                    "temp": (float.temperature.celsius() * 100.0).round() / 100.0,
                    "battery": float.battery_percent.round(),
                });
                if self.place.own_time {
                    report["time"] = wall.rfc3339().into();
                }
                Report {
                    topic: format!("cellar/{name}/float"),
                    payload: report.to_string().into_bytes(),
                    of_probe: false,
                }
            }
            Measured::Beer(beer) => Report {
                topic: format!("cellar/{name}/probe"),
                payload: format!("{:.4}", beer.celsius()).into_bytes(),
                of_probe: true,
            },
            Measured::Surround(_) => return None,
        })
    }
}

fn wort(place: &Place, celsius: f64, draw: &mut Draw) -> Cellar {
    let known = |proof: &str| -> ! { unreachable!("{proof}") };
    let volume = Volume::from_litres(23.0).unwrap_or_else(|| known("a volume"));
    let original = Gravity::from_sg(draw.between(1.046, 1.050));
    let attenuation = Share::from_fraction(draw.between(0.74, 0.80));
    let setup = CellarSetup {
        volume,
        vessel: Parameters::for_volume(volume),
        fermentation: FermentationSetup {
            original: original.unwrap_or_else(|| known("a gravity")),
            attenuation: attenuation.unwrap_or_else(|| known("a share")),
            pace: draw.between(1.0, 2.5),
            lag: draw.minutes(240.0, 1200.0),
            stall: None,
        },
        start: Temperature::clamped(celsius),
        ambient: Ambient {
            swing_k: draw.between(0.0, 4.0),
            ..Ambient::steady(Temperature::clamped(draw.between(8.0, 24.0)))
        },
        float: Some(FloatSetup::plain(place.float_every, Noise::of_points(draw.between(0.3, 2.0)))),
        beer_probe: Some(ProbeSetup::plain(place.probe_every)),
        surround_probe: None,
    };
    Cellar::new(draw.whole(0, 1 << 40).unsigned_abs(), setup)
}
