//! Which vessels share a fridge or a cooler: read from the setup once, so that an input of one
//! vessel costs the same however many there are.

use crate::effect::OutputKind;
use crate::outputs::output;
use crate::setup::Setup;
use quantity::Span;
use schedule::Name;
use std::collections::{BTreeMap, BTreeSet};

/// A cooler that nobody draws on is told again this often.
const REFRESH: Span = Span::from_secs(60);

/// What ties vessels together.
#[derive(Debug, Clone, Default)]
pub(crate) struct Bonds {
    /// Each vessel that shares another's fridge, and the other.
    pub riders: Vec<(Name, Name)>,
    /// The vessels whose fridge is shared.
    pub hosts: BTreeSet<Name>,
    /// Who draws on each cooler.
    drawing: BTreeMap<Name, Drawing>,
}

#[derive(Debug, Clone)]
struct Drawing {
    vessels: Vec<Name>,
    refresh: Span,
}

impl Bonds {
    pub fn of(setup: &Setup) -> Self {
        let mut bonds = Bonds::default();
        for (name, vessel) in &setup.vessels {
            if let Some(host) = &vessel.config.rides_with {
                bonds.riders.push((name.clone(), host.clone()));
                bonds.hosts.insert(host.clone());
            }
            let valve = output(&vessel.config, OutputKind::Chiller);
            if let Some(cooler) = valve.and_then(|valve| valve.from.as_ref()) {
                let refresh = vessel.config.control.refresh;
                let drawing = bonds
                    .drawing
                    .entry(cooler.clone())
                    .or_insert_with(|| Drawing { vessels: Vec::new(), refresh });
                drawing.vessels.push(name.clone());
                drawing.refresh = drawing.refresh.max(refresh);
            }
        }
        bonds
    }

    /// The vessels whose valves are on this cooler, and in use.
    pub fn drawing(&self, cooler: &Name) -> &[Name] {
        self.drawing.get(cooler).map_or(&[], |drawing| &drawing.vessels)
    }

    /// A cooler is told again as often as the slowest of the vessels that draw on it, as `check`
    /// reckons.
    pub fn refresh_of(&self, cooler: &Name) -> Span {
        self.drawing.get(cooler).map_or(REFRESH, |drawing| drawing.refresh)
    }
}
