//! A place in the cellar of a story: the beer, its vessel and its devices, simulated.

use plant::cellar::Ambient;
use plant::chance::Chance;
use plant::float::{Float, FloatSetup, Noise};
use plant::probe::{Probe, ProbeSetup};
use plant::vessel::{Inputs, Parameters, Vessel};
use plant::yeast::{Fermentation, FermentationSetup, Stall};
use quantity::{Gravity, Mass, Quantity, Share, Span, Temperature, Volume};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// The vessel is moved on in steps of this.
const STEP: Span = Span::from_secs(10);
/// Freed dextrins come with this time constant, in days: enzymes of hops are slow. No source.
const CREEP_DAYS: f64 = 4.0;

/// What stands in a place at the beginning of a story.
#[derive(Debug, Clone)]
pub struct Place {
    /// The beer; `None`: the vessel is empty.
    pub wort: Option<FermentationSetup>,
    /// Its volume.
    pub volume: Volume,
    /// The vessel and its machines.
    pub vessel: Parameters,
    /// Temperature of beer and chamber at the start, °C.
    pub start_celsius: f64,
    /// What is around it.
    pub ambient: Ambient,
    /// Its floats, by source.
    pub floats: BTreeMap<String, FloatSetup>,
    /// The probe in the beer (`beer`); `None`: there is none.
    pub probe: Option<ProbeSetup>,
    /// The probe around it (`surround`); `None`: there is none.
    pub surround: Option<ProbeSetup>,
    /// The vessel in whose fridge it stands.
    pub rides_with: Option<String>,
    /// The cooler whose cold its chiller is a valve for.
    pub cooler: Option<String>,
}

impl Place {
    /// 23 L of wort of 18 °C in a fridge in a room of 20 °C, with a usual float that speaks every
    /// 15 min and a probe.
    ///
    /// # Panics
    /// Where a quantity cannot be read.
    pub fn new(original: &str, attenuation: &str) -> Self {
        let volume: Volume = parsed("23 L");
        Place {
            wort: Some(FermentationSetup {
                original: parsed(original),
                attenuation: parsed(attenuation),
                pace: 1.0,
                lag: Span::from_hours(10),
                stall: None,
            }),
            volume,
            vessel: Parameters::for_volume(volume),
            start_celsius: 18.0,
            ambient: Ambient { swing_k: 1.5, ..Ambient::steady(parsed("20 C")) },
            floats: [("float".to_owned(), float(15, 1.0))].into(),
            probe: Some(ProbeSetup::plain(Span::from_mins(1))),
            surround: None,
            rides_with: None,
            cooler: None,
        }
    }

    /// An empty vessel: beer comes by [`Story::moves`](super::Story::moves).
    pub fn empty() -> Self {
        Place { wort: None, ..Place::new("12 P", "75 %") }
    }

    /// Another volume, and a vessel that fits it.
    pub fn volume(mut self, volume: &str) -> Self {
        self.volume = parsed(volume);
        self.vessel = Parameters::for_volume(self.volume);
        self
    }

    /// The temperature of beer and chamber at the start, °C.
    pub fn starts_at(mut self, celsius: f64) -> Self {
        self.start_celsius = celsius;
        self
    }

    /// What is around it: the day's mean, and how far it goes above and below, in °C.
    pub fn around(mut self, mean_celsius: f64, swing_k: f64) -> Self {
        let warmest_at = Span::from_hours(7);
        let mean = Temperature::clamped(mean_celsius);
        self.ambient = Ambient { mean, swing_k, warmest_at };
        self
    }

    /// It stands free in the room, without a fridge: no machine acts.
    pub fn free_standing(mut self) -> Self {
        // A bare vessel of 23 L, wind-still: an engineering estimate, no source.
        self.vessel.beer_ambient_w_per_k = 2.0;
        (self.vessel.chiller_w, self.vessel.heater_w) = (0.0, 0.0);
        self
    }

    /// How fast the strain is (1: lager yeast), and how long it rests at first.
    pub fn yeast(mut self, pace: f64, lag_hours: i64) -> Self {
        if let Some(wort) = &mut self.wort {
            (wort.pace, wort.lag) = (pace, Span::from_hours(lag_hours));
        }
        self
    }

    /// It stops at this attenuation until the beer is so warm, °C.
    pub fn sticks_at(mut self, attenuation: &str, until_celsius: f64) -> Self {
        if let Some(wort) = &mut self.wort {
            let wakes_at = Some(Temperature::clamped(until_celsius));
            wort.stall = Some(Stall { at: parsed(attenuation), lasts: None, wakes_at });
        }
        self
    }

    /// The float of this source, instead of or beside the usual one (`float`).
    pub fn float(mut self, source: &str, float: FloatSetup) -> Self {
        self.floats.insert(source.to_owned(), float);
        self
    }

    /// Without any float.
    pub fn without_float(mut self) -> Self {
        self.floats.clear();
        self
    }

    /// Without a probe in the beer.
    pub fn without_probe(mut self) -> Self {
        self.probe = None;
        self
    }

    /// It stands in the fridge of another place.
    pub fn rides_with(mut self, host: &str) -> Self {
        self.rides_with = Some(host.to_owned());
        self
    }

    /// Its chiller is a valve on a shared cooler.
    pub fn on_cooler(mut self, cooler: &str) -> Self {
        self.cooler = Some(cooler.to_owned());
        self
    }
}

/// A float that speaks every so many minutes and is so noisy.
pub fn float(every_minutes: i64, noise_points: f64) -> FloatSetup {
    FloatSetup::plain(Span::from_mins(every_minutes), Noise::of_points(noise_points))
}

/// A quantity as files write it.
///
/// # Panics
/// Where it cannot be read.
pub fn parsed<Q: Quantity>(text: &str) -> Q {
    Q::parse(text).unwrap_or_else(|error| panic!("`{text}`: {error}"))
}

/// How a device fares.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fares {
    /// As it should.
    Well,
    /// It sends nothing.
    Silent,
    /// It lies on the bench and says this gravity, at the temperature of the room.
    OnBench { sg: f64 },
}

struct Device<T> {
    device: T,
    fares: Fares,
    /// In minutes of the story.
    every: i64,
}

/// The beer in a place.
#[derive(Clone)]
struct Beer {
    setup: FermentationSetup,
    fermentation: Option<Fermentation>,
    volume: Volume,
    /// Fermentable extract that enzymes will yet free, g in 100 g.
    to_free_per_100g: f64,
}

/// A place while the story goes on.
pub(super) struct Live {
    pub rides_with: Option<String>,
    pub cooler: Option<String>,
    pub heater: bool,
    pub chiller: bool,
    beer: Option<Beer>,
    vessel: Vessel,
    ambient: Ambient,
    floats: BTreeMap<String, Device<Float>>,
    probe: Option<Device<Probe>>,
    surround: Option<Device<Probe>>,
    seed: u64,
    devices: u64,
}

impl Live {
    pub fn new(seed: u64, place: Place) -> Self {
        let start = place.start_celsius;
        let mut live = Live {
            rides_with: place.rides_with,
            cooler: place.cooler,
            heater: false,
            chiller: false,
            beer: place.wort.map(|setup| Beer {
                setup,
                fermentation: None,
                volume: place.volume,
                to_free_per_100g: 0.0,
            }),
            vessel: Vessel::new(place.vessel, start, start),
            ambient: place.ambient,
            floats: BTreeMap::new(),
            probe: None,
            surround: None,
            seed,
            devices: 0,
        };
        let probe = |live: &mut Live, setup: ProbeSetup| {
            let every = minutes(setup.every);
            Device { device: Probe::new(setup, live.chance()), fares: Fares::Well, every }
        };
        live.probe = place.probe.map(|setup| probe(&mut live, setup));
        live.surround = place.surround.map(|setup| probe(&mut live, setup));
        for (source, setup) in place.floats {
            live.put_float(&source, setup);
        }
        live
    }

    fn chance(&mut self) -> Chance {
        self.devices += 1;
        Chance::new(self.seed, self.devices)
    }

    /// A float comes into the beer, instead of the one that had its name.
    pub fn put_float(&mut self, source: &str, setup: FloatSetup) {
        let every = minutes(setup.every);
        let device = Float::new(setup, self.chance());
        self.floats.insert(source.to_owned(), Device { device, fares: Fares::Well, every });
    }

    pub fn pitch(&mut self) -> bool {
        let Some(beer) = &mut self.beer else { return false };
        if beer.fermentation.is_none() {
            beer.fermentation = Fermentation::new(beer.setup);
        }
        beer.fermentation.is_some()
    }

    pub fn feed(&mut self, extract: Mass) -> bool {
        let Some(beer) = &mut self.beer else { return false };
        let Some(fermentation) = &mut beer.fermentation else { return false };
        let volume = fermentation.add_sugar(extract, beer.volume);
        beer.volume = volume.unwrap_or(beer.volume);
        volume.is_some()
    }

    pub fn creep(&mut self, per_100g: f64) -> bool {
        let Some(beer) = &mut self.beer else { return false };
        beer.to_free_per_100g += per_100g;
        true
    }

    /// Sets how a device fares; `false` where there is none of this name.
    fn set(&mut self, source: &str, fares: Fares) -> bool {
        let device = match source {
            "beer" => self.probe.as_mut().map(|probe| &mut probe.fares),
            "surround" => self.surround.as_mut().map(|probe| &mut probe.fares),
            float => self.floats.get_mut(float).map(|float| &mut float.fares),
        };
        device.map(|now| *now = fares).is_some()
    }

    pub fn silence(&mut self, source: &str) -> bool {
        self.set(source, Fares::Silent)
    }

    pub fn lift(&mut self, source: &str, sg: f64) -> bool {
        self.set(source, Fares::OnBench { sg })
    }

    pub fn put_back(&mut self, source: &str) -> bool {
        self.set(source, Fares::Well)
    }

    /// Takes the beer out, but for `keep`.
    pub fn pour(&mut self, keep: Option<Volume>) -> Option<Poured> {
        let celsius = self.vessel.beer_celsius();
        let beer = self.beer.take()?;
        let left = keep.map_or(0.0, Volume::litres);
        let poured =
            Beer { volume: Volume::from_litres(beer.volume.litres() - left)?, ..beer.clone() };
        if let Some(keep) = keep {
            self.beer = Some(Beer { volume: keep, ..beer });
        }
        Some(Poured { beer: poured, celsius })
    }

    pub fn fill(&mut self, poured: Poured) {
        self.vessel.refill(poured.celsius);
        self.beer = Some(poured.beer);
    }

    /// Lets a minute pass that begins at `now`; a guest stands in its host's chamber.
    pub fn minute(&mut self, now: Span, chamber: Option<f64>, cold: bool) {
        let minute = Span::from_mins(1);
        let mut passed = Span::ZERO;
        while passed < minute {
            passed = passed + STEP;
            let at = now + passed;
            let inputs = Inputs {
                ambient_celsius: self.ambient.celsius(at),
                fermentation_watts: self.heat_watts(),
                chiller: self.chiller && cold,
                heater: self.heater,
            };
            match chamber {
                Some(chamber) => self.vessel.advance_in(STEP, chamber, inputs),
                None => self.vessel.advance(STEP, inputs),
            }
            let (beer, around) = (self.vessel.beer_celsius(), self.vessel.chamber_celsius());
            for (probe, celsius) in [(&mut self.probe, beer), (&mut self.surround, around)] {
                probe.iter_mut().for_each(|probe| probe.device.feel(at, celsius));
            }
        }
        let celsius = Temperature::clamped(self.vessel.beer_celsius());
        let Some(beer) = &mut self.beer else { return };
        let Some(fermentation) = &mut beer.fermentation else { return };
        let freed = beer.to_free_per_100g * (1.0 - (-minute.days() / CREEP_DAYS).exp());
        if freed > 0.0 {
            beer.to_free_per_100g -= freed;
            fermentation.free_extract(freed);
        }
        fermentation.advance(minute, celsius);
    }

    fn heat_watts(&self) -> f64 {
        let Some(beer) = &self.beer else { return 0.0 };
        let celsius = Temperature::clamped(self.vessel.beer_celsius());
        let fermentation = beer.fermentation.as_ref();
        fermentation.map_or(0.0, |fermentation| fermentation.heat_watts(beer.volume, celsius))
    }

    /// What the devices say at a minute of the story: source, and fields of `pipe`.
    pub fn readings(&mut self, now: Span) -> Vec<(String, Map<String, Value>)> {
        let minute = minutes(now);
        let room = self.ambient.celsius(now);
        let mut said = Vec::new();
        for (source, probe) in [("beer", &mut self.probe), ("surround", &mut self.surround)] {
            let Some(probe) = probe.as_mut().filter(|probe| minute % probe.every == 0) else {
                continue;
            };
            let read = probe.device.read().map(Temperature::celsius);
            let read = match probe.fares {
                Fares::Well => read,
                Fares::Silent => None,
                Fares::OnBench { .. } => read.map(|_| room),
            };
            said.extend(read.map(|c| (source.to_owned(), fields(json!({ "temperature_c": c })))));
        }
        let beer = Temperature::clamped(self.vessel.beer_celsius());
        let sg = self.true_sg();
        for (source, float) in &mut self.floats {
            if minute % float.every != 0 {
                continue;
            }
            // An empty vessel's float lies dry and sleeps.
            let Some(sg) = sg else { continue };
            let Some(read) = float.device.read(now, sg, beer) else { continue };
            let (sg, celsius) = match float.fares {
                Fares::Well => (read.sg, read.temperature.celsius()),
                Fares::Silent => continue,
                Fares::OnBench { sg } => (sg, room),
            };
            let report = json!({ "gravity_sg": sg, "temperature_c": celsius,
                "battery_percent": read.battery_percent });
            said.push((source.clone(), fields(report)));
        }
        said
    }

    /// The true specific gravity at 20 °C, where there is beer.
    pub fn true_sg(&self) -> Option<f64> {
        let beer = self.beer.as_ref()?;
        let fermentation = beer.fermentation.as_ref();
        Some(fermentation.map_or(beer.setup.original.sg(), Fermentation::sg))
    }

    pub fn true_original(&self) -> Option<Gravity> {
        let beer = self.beer.as_ref()?;
        Some(beer.fermentation.as_ref().map_or(beer.setup.original, Fermentation::original))
    }

    pub fn true_attenuation(&self) -> Option<Share> {
        let fermentation = self.beer.as_ref()?.fermentation.as_ref()?;
        Share::from_fraction(fermentation.attenuation().max(0.0))
    }

    pub fn beer_celsius(&self) -> f64 {
        self.vessel.beer_celsius()
    }

    pub fn chamber_celsius(&self) -> f64 {
        self.vessel.chamber_celsius()
    }

    pub fn litres(&self) -> f64 {
        self.beer.as_ref().map_or(0.0, |beer| beer.volume.litres())
    }

    /// Heat that the chiller takes while it runs, W.
    pub fn chiller_watts(&self) -> f64 {
        self.vessel.parameters().chiller_w
    }
}

/// Beer on its way from one vessel into another.
pub(super) struct Poured {
    beer: Beer,
    celsius: f64,
}

fn fields(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

fn minutes(span: Span) -> i64 {
    (span.millis() / 60_000).max(1)
}
