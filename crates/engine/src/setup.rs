//! What an engine is told of its vessels; not part of its state, so that it may change at a start.

use crate::input::RawGravity;
use brewing::calibration::{Calibrated, Calibration, Reads};
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
    /// The coolers that vessels share, by name.
    pub coolers: BTreeMap<Name, config::Cooler>,
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

/// A float's number as the gravity that counts.
#[derive(Debug, Clone, Copy)]
pub struct Corrected {
    /// At 20 °C.
    pub gravity: Gravity,
    /// As the calibration takes it: degrees or SG.
    pub value: f64,
    /// Whether it lay where the calibration was made.
    pub within_range: bool,
}

impl VesselSetup {
    /// A vessel as configured, with the calibrations of its gravity sources.
    pub fn new(config: config::Vessel, calibrations: BTreeMap<Name, Calibration>) -> Self {
        VesselSetup { config, calibrations, beer_follows_setpoint: false }
    }

    /// The calibration of a gravity source, where it has one.
    pub fn calibration(&self, source: &str) -> Option<&Calibration> {
        Name::parse(source).ok().and_then(|name| self.calibrations.get(&name))
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
    ) -> Result<Corrected, String> {
        self.corrected_by(self.calibration(source), source, raw, temperature)
    }

    /// As [`VesselSetup::corrected`], with this calibration in place of the configured one.
    ///
    /// # Errors
    /// A sentence saying why this is no gravity.
    pub fn corrected_by(
        &self,
        calibration: Option<&Calibration>,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) -> Result<Corrected, String> {
        let plain = |raw| match raw {
            RawGravity::Sg(sg) => sg,
            RawGravity::Plato(plato) | RawGravity::Brix(plato) => {
                sg_from_plato(plato.clamp(-60.0, 60.0))
            }
            RawGravity::Degrees(degrees) => degrees,
        };
        let value = plain(raw);
        let is_angle = matches!(raw, RawGravity::Degrees(_));
        let calibrated = match calibration {
            None if is_angle => {
                return Err("an angle needs a calibration: see `barmkeep calibrate`".to_owned());
            }
            Some(calibration) if is_angle != (calibration.reads() == Reads::Angle) => {
                return Err("its calibration is of another kind: one of an angle takes degrees, \
                            one of a gravity takes SG, °P or °Bx"
                    .to_owned());
            }
            Some(calibration) => calibration.apply(value),
            None => {
                Gravity::from_sg(value).map(|gravity| Calibrated { gravity, within_range: true })
            }
        };
        let Some(Calibrated { gravity, within_range }) = calibrated else {
            return Err(format!("{value:.4} is not a possible gravity, 0.970 to 1.200 SG is"));
        };
        let expansion = self.config.gravity.get(source).and_then(|config| config.expansion);
        let gravity = match (expansion, temperature) {
            (Some(body), Some(temperature)) => {
                brewing::floating::corrected(gravity, temperature, body)
                    .ok_or_else(|| "no wort gives this reading at this temperature".to_owned())?
            }
            _ => gravity,
        };
        Ok(Corrected { gravity, value, within_range })
    }
}
