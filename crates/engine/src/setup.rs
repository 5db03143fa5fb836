//! What an engine is told of its vessels; not part of its state, so that it may change at a start.

use brewing::calibration::Calibration;
use quantity::Show;
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
}
