//! What an engine is told of its vessels; not part of its state, so that it may change at a start.

use crate::input::RawGravity;
use brewing::calibration::Calibration;
use quantity::{Gravity, Show, Temperature, sg_from_plato};
use schedule::Name;
use schedule::config;
use std::collections::BTreeMap;

/// All vessels and how a person reads quantities.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The units of texts.
    pub show: Show,
    /// The vessels, by name.
    pub vessels: BTreeMap<Name, VesselSetup>,
}

/// One vessel.
#[derive(Debug, Clone)]
pub struct VesselSetup {
    /// As configured.
    pub config: config::Vessel,
    /// The calibrations of its gravity sources, by the source's name.
    pub calibrations: BTreeMap<Name, Calibration>,
    /// A recorded run whose beer is taken to be at the setpoint for `at_target`.
    pub beer_follows_setpoint: bool,
}

impl VesselSetup {
    /// A vessel as configured, with the calibrations of its gravity sources.
    pub fn new(config: config::Vessel, calibrations: BTreeMap<Name, Calibration>) -> Self {
        VesselSetup { config, calibrations, beer_follows_setpoint: false }
    }
    /// A float's number as a gravity at 20 °C, calibrated and, where asked, corrected for
    /// temperature: what the engine believes of it, and what it is compared by.
    ///
    /// # Errors
    /// A sentence saying why this is no gravity.
    pub fn corrected(
        &self,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) -> Result<Gravity, String> {
        let calibration = Name::parse(source).ok().and_then(|name| self.calibrations.get(&name));
        let plain = |raw| match raw {
            RawGravity::Sg(sg) => sg,
            RawGravity::Plato(plato) | RawGravity::Brix(plato) => {
                sg_from_plato(plato.clamp(-60.0, 60.0))
            }
            RawGravity::Degrees(degrees) => degrees,
        };
        let gravity = match (raw, calibration) {
            (RawGravity::Degrees(_), None) => {
                return Err("an angle needs a calibration: see `barmkeep calibrate`".to_owned());
            }
            (raw, Some(calibration)) => {
                calibration.apply(plain(raw)).map(|calibrated| calibrated.gravity)
            }
            (raw, None) => Gravity::from_sg(plain(raw)),
        };
        let Some(gravity) = gravity else {
            return Err(format!(
                "{:.4} is not a possible gravity, 0.970 to 1.200 SG is",
                plain(raw)
            ));
        };
        let expansion = self.config.gravity.get(source).and_then(|config| config.expansion);
        match (expansion, temperature) {
            (Some(body), Some(temperature)) => {
                brewing::floating::corrected(gravity, temperature, body)
                    .ok_or_else(|| "no wort gives this reading at this temperature".to_owned())
            }
            _ => Ok(gravity),
        }
    }
}
