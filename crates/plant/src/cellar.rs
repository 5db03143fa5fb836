//! A whole simulated cellar place: beer, vessel, float and probes, driven by its outputs.
//!
//! [`Cellar::advance`] lets time pass with the outputs as they are and gives the readings that fell
//! due, as the devices would send them. It is what a rehearsal and the demonstration drive.

use crate::chance::Chance;
use crate::float::{Float, FloatReading, FloatSetup};
use crate::probe::{Probe, ProbeSetup};
use crate::vessel::{Inputs, Parameters, Vessel};
use crate::yeast::{Fermentation, FermentationSetup};
use quantity::{Gravity, Mass, Span, Temperature, Volume};

/// What stands in the cellar.
#[derive(Debug, Clone, PartialEq)]
pub struct CellarSetup {
    /// The beer's volume.
    pub volume: Volume,
    /// The vessel and its machines; [`Parameters::for_volume`] gives plausible ones.
    pub vessel: Parameters,
    /// How the beer is to ferment once it is pitched.
    pub fermentation: FermentationSetup,
    /// Temperature of beer and chamber at the start.
    pub start: Temperature,
    /// The surroundings.
    pub ambient: Ambient,
    /// The float, if there is one.
    pub float: Option<FloatSetup>,
    /// The probe in the beer, if there is one.
    pub beer_probe: Option<ProbeSetup>,
    /// The probe in the chamber or on the jacket, if there is one.
    pub surround_probe: Option<ProbeSetup>,
}

/// The temperature around the vessel: a mean and a daily wave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ambient {
    /// Mean of the day.
    pub mean: Temperature,
    /// How far the wave goes above and below it, K.
    pub swing_k: f64,
    /// At which time after the start it is first warmest.
    pub warmest_at: Span,
}

/// What an output is told.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Drive {
    /// A relay is open, or a thermostat has nothing to do.
    #[default]
    Off,
    /// A relay is closed.
    On,
    /// A thermostat of its own holds this temperature of the beer.
    Setpoint(Temperature),
}

/// What both outputs are told.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Drives {
    /// The heater.
    pub heater: Drive,
    /// The chiller.
    pub chiller: Drive,
}

/// A reading that fell due.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Time since the start.
    pub at: Span,
    /// What was read, by which device.
    pub what: Measured,
}

/// What a device measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measured {
    /// By the float.
    Float(FloatReading),
    /// By the probe in the beer.
    Beer(Temperature),
    /// By the probe in the chamber.
    Surround(Temperature),
}

/// What no device knows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Specific gravity at 20 °C.
    pub sg: f64,
    /// Apparent attenuation as a fraction.
    pub attenuation: f64,
    /// Temperature of the beer, °C.
    pub beer_celsius: f64,
    /// Temperature of the chamber or jacket, °C.
    pub chamber_celsius: f64,
    /// Temperature of the surroundings, °C.
    pub ambient_celsius: f64,
    /// Heat of fermentation, W.
    pub fermentation_watts: f64,
    /// Whether the heater is on.
    pub heater_on: bool,
    /// Whether the chiller runs.
    pub chiller_on: bool,
}

/// A simulated place in a cellar.
#[derive(Debug, Clone)]
pub struct Cellar {
    ambient: Ambient,
    volume: Volume,
    vessel: Vessel,
    fermentation_setup: FermentationSetup,
    /// From pitching on.
    fermentation: Option<Fermentation>,
    /// Heat of fermentation, W, as it was when the fermentation was last moved on.
    heat_watts: f64,
    /// Time that the fermentation has yet to catch up with.
    behind: Span,
    now: Span,
    heater: Thermostat,
    chiller: Thermostat,
    float: Option<Timed<Float>>,
    beer_probe: Option<Timed<Probe>>,
    surround_probe: Option<Timed<Probe>>,
}

/// The longest step of the vessel; thermostats judge as often.
const STEP: Span = Span::from_secs(10);
/// The fermentation is moved on as often: at 40 points a day this is 0.03 points.
const FERMENTATION_STEP: Span = Span::from_mins(1);

impl Cellar {
    /// A cellar with wort that is not yet pitched.
    pub fn new(seed: u64, setup: CellarSetup) -> Self {
        let start = setup.start.celsius();
        let probe = |probe: ProbeSetup, stream| {
            Timed::new(Probe::new(probe, Chance::new(seed, stream)), probe.every)
        };
        let float = |setup: FloatSetup| {
            let every = setup.every;
            Timed::new(Float::new(setup, Chance::new(seed, 1)), every)
        };
        Cellar {
            ambient: setup.ambient,
            volume: setup.volume,
            vessel: Vessel::new(setup.vessel, start, start),
            fermentation_setup: setup.fermentation,
            fermentation: None,
            heat_watts: 0.0,
            behind: Span::ZERO,
            now: Span::ZERO,
            heater: Thermostat::heater(),
            chiller: Thermostat::chiller(),
            float: setup.float.map(float),
            beer_probe: setup.beer_probe.map(|setup| probe(setup, 2)),
            surround_probe: setup.surround_probe.map(|setup| probe(setup, 3)),
        }
    }

    /// Pitches the yeast; a second time changes nothing.
    ///
    /// Answers whether it ferments: a wort of water does not.
    pub fn pitch(&mut self) -> bool {
        if self.fermentation.is_none() {
            self.fermentation = Fermentation::new(self.fermentation_setup);
        }
        self.fermentation.is_some()
    }

    /// Lets a span pass with these outputs, and gives the readings that fell due, in order.
    pub fn advance(&mut self, span: Span, drives: Drives) -> Vec<Reading> {
        let mut readings = Vec::new();
        let mut left = span;
        while !left.is_zero() {
            let step = left.min(STEP);
            left = left.less(step);
            self.step(step, drives);
            self.read(&mut readings);
        }
        readings
    }

    /// Time since the start.
    pub fn now(&self) -> Span {
        self.now
    }

    /// The beer's volume.
    pub fn volume(&self) -> Volume {
        self.volume
    }

    /// The fermentation, once pitched.
    pub fn fermentation(&self) -> Option<&Fermentation> {
        self.fermentation.as_ref()
    }

    /// Adds sugar that ferments wholly; answers whether the beer took it (it must be pitched).
    pub fn add_sugar(&mut self, extract: Mass) -> bool {
        let volume = self.volume;
        let added = self.fermentation.as_mut().and_then(|beer| beer.add_sugar(extract, volume));
        self.volume = added.unwrap_or(volume);
        added.is_some()
    }

    /// The beer's temperature, in °C, whatever the devices say.
    pub fn beer_celsius(&self) -> f64 {
        self.vessel.beer_celsius()
    }

    /// What is so, whatever the devices say.
    pub fn truth(&self) -> Truth {
        let fermentation = self.fermentation.as_ref();
        Truth {
            sg: fermentation.map_or(self.fermentation_setup.original.sg(), Fermentation::sg),
            attenuation: fermentation.map_or(0.0, Fermentation::attenuation),
            beer_celsius: self.vessel.beer_celsius(),
            chamber_celsius: self.vessel.chamber_celsius(),
            ambient_celsius: self.ambient.celsius(self.now),
            fermentation_watts: self.heat_watts,
            heater_on: self.heater.on,
            chiller_on: self.chiller.on,
        }
    }

    /// When after pitching the true gravity first was at or below this.
    pub fn first_at_or_below(&self, gravity: Gravity) -> Option<Span> {
        self.fermentation.as_ref()?.first_at_or_below(gravity)
    }

    fn step(&mut self, step: Span, drives: Drives) {
        let beer_celsius = self.vessel.beer_celsius();
        let inputs = Inputs {
            ambient_celsius: self.ambient.celsius(self.now),
            fermentation_watts: self.heat_watts,
            chiller: self.chiller.decide(drives.chiller, beer_celsius, self.now),
            heater: self.heater.decide(drives.heater, beer_celsius, self.now),
        };
        self.ferment(step, Temperature::clamped(beer_celsius));
        self.vessel.advance(step, inputs);
        self.now = self.now + step;
        for (probe, celsius) in [
            (&mut self.beer_probe, self.vessel.beer_celsius()),
            (&mut self.surround_probe, self.vessel.chamber_celsius()),
        ] {
            if let Some(probe) = probe {
                probe.device.feel(self.now, celsius);
            }
        }
    }

    fn read(&mut self, readings: &mut Vec<Reading>) {
        let at = self.now;
        let mut add = |what: Option<Measured>| {
            readings.extend(what.map(|what| Reading { at, what }));
        };
        if let Some(probe) = self.beer_probe.as_mut().filter(|probe| probe.next <= at) {
            add(probe.now(at).read().map(Measured::Beer));
        }
        if let Some(probe) = self.surround_probe.as_mut().filter(|probe| probe.next <= at) {
            add(probe.now(at).read().map(Measured::Surround));
        }
        if let Some(float) = self.float.as_mut().filter(|float| float.next <= at) {
            let sg = self
                .fermentation
                .as_ref()
                .map_or(self.fermentation_setup.original.sg(), Fermentation::sg);
            let beer = Temperature::clamped(self.vessel.beer_celsius());
            add(float.now(at).read(at, sg, beer).map(Measured::Float));
        }
    }

    fn ferment(&mut self, step: Span, beer: Temperature) {
        let Some(fermentation) = &mut self.fermentation else { return };
        self.behind = self.behind + step;
        if self.behind >= FERMENTATION_STEP {
            fermentation.advance(self.behind, beer);
            self.behind = Span::ZERO;
            self.heat_watts = fermentation.heat_watts(self.volume, beer);
        }
    }
}

impl Ambient {
    /// The same all day.
    pub fn steady(mean: Temperature) -> Self {
        Ambient { mean, swing_k: 0.0, warmest_at: Span::ZERO }
    }

    /// The temperature at a time after the start, °C.
    pub fn celsius(&self, now: Span) -> f64 {
        let turns = now.days() - self.warmest_at.days();
        self.mean.celsius() + self.swing_k * (std::f64::consts::TAU * turns).cos()
    }
}

/// A device and when it next reads.
#[derive(Debug, Clone)]
struct Timed<T> {
    device: T,
    every: Span,
    next: Span,
}

impl<T> Timed<T> {
    fn new(device: T, every: Span) -> Self {
        Timed { device, every, next: Span::ZERO }
    }

    /// The device, to be read now; it is due again an interval later, never in the past.
    fn now(&mut self, now: Span) -> &mut T {
        let planned = self.next + self.every;
        self.next = if planned > now { planned } else { now + self.every };
        &mut self.device
    }
}

/// A relay, or a device with a thermostat of its own: it switches 0.1 K about its setpoint and, as
/// a chiller, gives its compressor 5 min of rest.
#[derive(Debug, Clone)]
struct Thermostat {
    on: bool,
    off_since: Option<Span>,
    cools: bool,
    rest: Span,
}

impl Thermostat {
    const HALF_WIDTH_K: f64 = 0.1;

    fn heater() -> Self {
        Thermostat { on: false, off_since: None, cools: false, rest: Span::ZERO }
    }

    fn chiller() -> Self {
        Thermostat { on: false, off_since: None, cools: true, rest: Span::from_mins(5) }
    }

    fn decide(&mut self, drive: Drive, beer_celsius: f64, now: Span) -> bool {
        let wanted = match drive {
            Drive::Off => false,
            Drive::On => true,
            Drive::Setpoint(setpoint) => self.holds(setpoint, beer_celsius, now),
        };
        if self.on && !wanted {
            self.off_since = Some(now);
        }
        self.on = wanted;
        wanted
    }

    fn holds(&self, setpoint: Temperature, beer_celsius: f64, now: Span) -> bool {
        let sign = if self.cools { 1.0 } else { -1.0 };
        // How much there is to do: above 0 a chiller should run, or a heater heat.
        let need = sign * (beer_celsius - setpoint.celsius());
        let rested = self.off_since.is_none_or(|since| now.less(since) >= self.rest);
        if self.on { need > -Self::HALF_WIDTH_K } else { need > Self::HALF_WIDTH_K && rested }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::float::Noise;
    use quantity::{Quantity, Share};

    fn setup() -> CellarSetup {
        let volume = Volume::from_litres(23.0).unwrap();
        CellarSetup {
            volume,
            vessel: Parameters::for_volume(volume),
            fermentation: FermentationSetup {
                original: Gravity::from_plato(12.0).unwrap(),
                attenuation: Share::from_fraction(0.8).unwrap(),
                pace: 1.0,
                lag: Span::from_hours(12),
                stall: None,
            },
            start: Temperature::from_celsius(18.0).unwrap(),
            ambient: Ambient::steady(Temperature::from_celsius(20.0).unwrap()),
            float: Some(FloatSetup::plain(Span::from_mins(15), Noise::of_points(1.0))),
            beer_probe: Some(ProbeSetup::plain(Span::from_secs(10))),
            surround_probe: None,
        }
    }

    fn setpoints(celsius: f64) -> Drives {
        let setpoint =
            |off: f64| Drive::Setpoint(Temperature::from_celsius(celsius + off).unwrap());
        Drives { heater: setpoint(-0.3), chiller: setpoint(0.3) }
    }

    #[test]
    fn readings_come_at_their_intervals() {
        let mut cellar = Cellar::new(1, setup());
        let readings = cellar.advance(Span::from_hours(24), Drives::default());
        let times = |float: bool| -> Vec<i64> {
            readings
                .iter()
                .filter(|reading| matches!(reading.what, Measured::Float(_)) == float)
                .map(|reading| reading.at.millis() / 1000)
                .collect()
        };
        assert_eq!(times(false).len(), 8640);
        // At once, then every quarter of an hour.
        let quarters: Vec<i64> = std::iter::once(10).chain((1..=96).map(|k| k * 900)).collect();
        assert_eq!(times(true), quarters);
        assert!(readings.is_sorted_by_key(|reading| reading.at));
    }

    #[test]
    fn the_same_seed_gives_the_same_readings_however_time_is_cut() {
        let mut first = Cellar::new(9, setup());
        let mut second = Cellar::new(9, setup());
        first.pitch();
        second.pitch();
        let whole = first.advance(Span::from_hours(6), setpoints(17.0));
        let cut: Vec<Reading> =
            (0..360).flat_map(|_| second.advance(Span::from_mins(1), setpoints(17.0))).collect();
        assert_eq!(whole, cut);
        let mut other = Cellar::new(10, setup());
        other.pitch();
        assert_ne!(whole, other.advance(Span::from_hours(6), setpoints(17.0)));
    }

    #[test]
    fn thermostats_hold_a_fermenting_beer() {
        let mut cellar = Cellar::new(1, setup());
        assert!(cellar.pitch());
        cellar.advance(Span::from_hours(24), setpoints(18.0));
        for _ in 0..14 * 24 * 6 {
            cellar.advance(Span::from_mins(10), setpoints(18.0));
            let beer = cellar.truth().beer_celsius;
            assert!((beer - 18.0).abs() < 2.0, "{:?}: {beer}", cellar.now());
        }
        let end = cellar.truth();
        assert!((end.attenuation - 0.8).abs() < 1e-3, "{}", end.attenuation);
        assert!(end.fermentation_watts < 0.01);
    }

    #[test]
    fn unpitched_wort_does_not_ferment() {
        let mut cellar = Cellar::new(1, setup());
        cellar.advance(Span::from_hours(48), setpoints(18.0));
        assert_eq!(cellar.truth().sg, Gravity::from_plato(12.0).unwrap().sg());
        assert!(!cellar.add_sugar(Mass::parse("500 g").unwrap()));
    }

    #[test]
    fn relays_do_as_told() {
        let mut cellar = Cellar::new(1, setup());
        let cooling = Drives { heater: Drive::Off, chiller: Drive::On };
        cellar.advance(Span::from_hours(12), cooling);
        let cold = cellar.truth();
        assert!(cold.chiller_on && !cold.heater_on && cold.beer_celsius < 12.0);
        let heating = Drives { heater: Drive::On, chiller: Drive::Off };
        cellar.advance(Span::from_hours(12), heating);
        let warm = cellar.truth();
        assert!(warm.heater_on && !warm.chiller_on && warm.beer_celsius > cold.beer_celsius);
    }

    #[test]
    fn the_surroundings_have_a_day() {
        let ambient = Ambient {
            mean: Temperature::from_celsius(12.0).unwrap(),
            swing_k: 4.0,
            warmest_at: Span::from_hours(15),
        };
        assert!((ambient.celsius(Span::from_hours(15)) - 16.0).abs() < 1e-9);
        assert!((ambient.celsius(Span::from_hours(27)) - 8.0).abs() < 1e-9);
    }
}
