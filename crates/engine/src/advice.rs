//! Vessels that drive no output of their own: what a person is told to do instead.
//!
//! A vessel that rides with another shares its fridge: the outputs follow the other's beer. One
//! that is only watched has none at all.

use crate::context::{Context, Journal};
use crate::effect::OutputKind;
use crate::engine::Engine;
use crate::outputs::{Why, output};
use crate::vessel::Vessel;
use quantity::Temperature;
use schedule::{Name, config};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The vessel whose fridge this one shares, as it was last seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Host {
    /// Where it keeps its own beer; `None` while its outputs are off.
    setpoint: Option<Temperature>,
}

/// Whether any output is in use and this vessel's own.
pub(crate) fn is_driven(config: &config::Vessel) -> bool {
    [OutputKind::Heater, OutputKind::Chiller].iter().any(|kind| output(config, *kind).is_some())
}

impl Vessel {
    /// Why nothing is driven here at all.
    pub fn why_undriven(&self, config: &config::Vessel) -> Why {
        if config.rides_with.is_some() {
            let setpoint = self.host.and_then(|host| host.setpoint);
            return Why::Rides { setpoint };
        }
        Why::Watched { beer: self.beer_now(config), setpoint: self.setpoint }
    }

    /// What to do about a beer that has been `away` K above its setpoint for long, where nothing is
    /// driven here that could.
    pub fn off_target_advice(&self, cx: &Context<'_, '_>, away: f64) -> Option<String> {
        let config = &cx.setup.config;
        let by_hand = if away > 0.0 { "cool it" } else { "warm it" };
        if let Some(host) = &config.rides_with {
            let kept = match self.host.and_then(|host| host.setpoint) {
                Some(setpoint) => format!("{host}'s fridge is kept at {}", show(cx, setpoint)),
                None => format!("{host} keeps no temperature now"),
            };
            return Some(format!(
                "{kept}: {by_hand} by other means, move one of the two batches, or nudge {host} \
                 towards it"
            ));
        }
        let kind = if away > 0.0 { OutputKind::Chiller } else { OutputKind::Heater };
        let name = kind.as_str();
        output(config, kind)
            .is_none()
            .then(|| format!("There is no {name} in use here: {by_hand} by hand"))
    }
}

/// In words, for a vessel that rides with another.
pub(crate) fn rides_text(cx: &Context<'_, '_>, setpoint: Option<Temperature>) -> String {
    let host = cx.setup.config.rides_with.as_ref().map_or("another", Name::as_str);
    match setpoint {
        Some(setpoint) => {
            format!("it rides with {host}, whose fridge is kept at {}", show(cx, setpoint))
        }
        None => format!("it rides with {host}, which keeps no temperature now"),
    }
}

/// In words, for a vessel that is only watched.
pub(crate) fn watched_text(
    cx: &Context<'_, '_>,
    beer: Option<Temperature>,
    setpoint: Option<Temperature>,
) -> String {
    let near = 2.0 * cx.setup.config.control.hysteresis.kelvin();
    let advice = match (beer, setpoint) {
        (Some(beer), Some(setpoint)) => {
            let above = (beer - setpoint).kelvin();
            let (beer, setpoint) = (show(cx, beer), show(cx, setpoint));
            if above.abs() <= near {
                format!("the beer, at {beer}, is near enough to {setpoint}")
            } else {
                let way = if above > 0.0 { "cooled" } else { "warmed" };
                format!("the beer, at {beer}, should be {way} to {setpoint} by hand")
            }
        }
        (None, Some(setpoint)) => {
            format!("the beer should be at {}; its temperature is not known", show(cx, setpoint))
        }
        (_, None) => "there is no setpoint".to_owned(),
    };
    format!("nothing is driven here; {advice}")
}

fn show(cx: &Context<'_, '_>, temperature: Temperature) -> String {
    cx.show.temperature(temperature)
}

impl Engine {
    /// Tells each rider how the vessel stands whose fridge it shares, and each such vessel whether
    /// a rider is locked: who has a hand in the fridge may have named either.
    pub(crate) fn look_at_fridges(&mut self, journal: &mut Journal<'_>) {
        if self.bonds.hosts.is_empty() {
            return;
        }
        let mut locked: BTreeMap<Name, String> = BTreeMap::new();
        for (name, host) in &self.bonds.riders {
            if let Some(lock) = self.state.vessels.get(name).and_then(|rider| rider.locked.as_ref())
            {
                locked
                    .entry(host.clone())
                    .or_insert_with(|| format!("{name} shares the fridge: {}", lock.because));
            }
            let seen = self.state.vessels.get(host).map(|host| Host {
                setpoint: host.setpoint.filter(|_| host.is_regulating() && host.locked.is_none()),
            });
            if let Some(rider) = self.state.vessels.get_mut(name) {
                rider.host = seen;
            }
        }
        let is_news = |name: &&Name| {
            let vessel = self.state.vessels.get(*name);
            vessel.is_some_and(|vessel| vessel.locked_with.as_ref() != locked.get(*name))
        };
        let changed: Vec<Name> = self.bonds.hosts.iter().filter(is_news).cloned().collect();
        for name in changed {
            self.with(&name, journal, |vessel, cx| {
                vessel.locked_with = locked.get(&name).cloned();
                vessel.settle(cx);
            });
        }
    }
}
