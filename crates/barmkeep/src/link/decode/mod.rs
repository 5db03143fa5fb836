//! From a message to the engine's inputs, by what the configuration says of its topic.
//!
//! Pure functions. Whether a value is possible is the engine's question; here it is only whether
//! the message says it: a number where the pointer leads, finite, in the configured unit.

mod command;
mod field;

pub use command::{COMMAND_BYTES_MAX, command_input};

use super::topics::Topics;
use engine::{Input, OutputKind, RawGravity, Reading, Values};
use field::Body;
use schedule::Name;
use schedule::config::{Config, GravityReadUnit, GravitySource, Probe, Seen, Vessel};
use std::collections::BTreeMap;

/// The largest message that is read, in bytes; a device's report has a few hundred.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;

/// Who is meant by a message on each topic; several may be.
#[derive(Debug, Clone, Default)]
pub struct Routes {
    by_topic: BTreeMap<String, Vec<Route>>,
}

/// One whom a message is for, and how he reads it.
#[derive(Debug, Clone, PartialEq)]
pub struct Route {
    /// Whose message it is.
    pub vessel: Name,
    /// What it is.
    pub what: What,
}

/// What a message is.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// The temperature that is controlled on.
    Beer(Probe),
    /// A command.
    Command,
    /// A float's report.
    Gravity(Name, Box<GravitySource>),
    /// The temperature of a shared cooler's reservoir; the vessel is the cooler.
    Reservoir(Probe),
    /// What a relay reports of itself; of a shared cooler it is the chiller of that name.
    Seen(OutputKind, Seen),
    /// The temperature around the vessel.
    Surround(Probe),
}

impl Routes {
    /// All that the configuration expects to hear.
    pub fn of(config: &Config) -> Self {
        let mut routes = Routes::default();
        let topics = Topics::new(config.link.topics.as_str());
        for (name, vessel) in &config.vessels {
            routes.add(topics.command(name), name, What::Command);
            routes.add_sources(name, vessel);
            for (kind, output) in
                [(OutputKind::Heater, &vessel.heater), (OutputKind::Chiller, &vessel.chiller)]
            {
                if let Some(seen) = output.as_ref().and_then(|output| output.seen.as_ref()) {
                    routes.add(seen.topic.clone(), name, What::Seen(kind, seen.clone()));
                }
            }
        }
        for (name, cooler) in &config.coolers {
            if let Some(probe) = &cooler.reservoir {
                routes.add(probe.topic.clone(), name, What::Reservoir(probe.clone()));
            }
            if let Some(seen) = &cooler.output.seen {
                let what = What::Seen(OutputKind::Chiller, seen.clone());
                routes.add(seen.topic.clone(), name, what);
            }
        }
        routes
    }

    /// Adds one whom messages on `topic` are for.
    pub fn add(&mut self, topic: String, vessel: &Name, what: What) {
        self.by_topic.entry(topic).or_default().push(Route { vessel: vessel.clone(), what });
    }

    /// The topics to subscribe to, each once.
    pub fn topics(&self) -> Vec<String> {
        self.by_topic.keys().cloned().collect()
    }

    /// Whom messages on `topic` are for.
    pub fn of_topic(&self, topic: &str) -> &[Route] {
        self.by_topic.get(topic).map_or(&[], Vec::as_slice)
    }

    /// The inputs that a message makes, in the order of the configuration; none where nobody
    /// waits for its topic.
    pub fn decode(&self, topic: &str, payload: &[u8], retained: bool) -> Vec<Input> {
        if payload.len() > PAYLOAD_BYTES_MAX {
            return self.oversize(topic, payload.len());
        }
        let body = Body::new(payload);
        let routes = self.of_topic(topic).iter();
        routes.filter_map(|route| route.decode(&body, retained)).collect()
    }

    /// The inputs that a message makes which was too large to be read at all.
    pub fn oversize(&self, topic: &str, size_bytes: usize) -> Vec<Input> {
        let problem =
            format!("the message has {size_bytes} bytes: at most {PAYLOAD_BYTES_MAX} are read");
        self.of_topic(topic).iter().map(|route| route.unreadable(problem.clone())).collect()
    }

    fn add_sources(&mut self, name: &Name, vessel: &Vessel) {
        for (source, float) in &vessel.gravity {
            let what = What::Gravity(source.clone(), Box::new(float.clone()));
            self.add(float.topic.clone(), name, what);
        }
        if let Some(probe) = &vessel.beer {
            self.add(probe.topic.clone(), name, What::Beer(probe.clone()));
        }
        if let Some(surround) = &vessel.surround {
            let probe = surround.probe.clone();
            self.add(probe.topic.clone(), name, What::Surround(probe));
        }
    }
}

impl Route {
    fn decode(&self, body: &Body, retained: bool) -> Option<Input> {
        let report = match &self.what {
            What::Command => return command::decode(&self.vessel, body.payload(), retained),
            What::Seen(output, seen) => {
                return Some(Input::Seen {
                    vessel: self.vessel.clone(),
                    output: *output,
                    on: seen_on(seen, body.payload()),
                });
            }
            What::Beer(probe) | What::Reservoir(probe) | What::Surround(probe) => body
                .needed(&probe.read.at)
                .map(|number| field::celsius(number, probe.read.unit))
                .map(|celsius| Values { temperature_c: Some(celsius), ..Values::default() })
                .map(|values| (values, None)),
            What::Gravity(_, float) => gravity(float, body),
        };
        Some(match report {
            Err(problem) => self.unreadable(problem),
            Ok((values, taken)) => Input::Reading(Reading {
                vessel: self.vessel.clone(),
                source: self.source(),
                taken,
                retained,
                values,
            }),
        })
    }

    fn unreadable(&self, problem: String) -> Input {
        match &self.what {
            What::Command => command::refused(&self.vessel, problem),
            What::Seen(output, _) => {
                Input::Seen { vessel: self.vessel.clone(), output: *output, on: None }
            }
            _ => Input::Unreadable { vessel: self.vessel.clone(), source: self.source(), problem },
        }
    }

    fn source(&self) -> String {
        match &self.what {
            What::Beer(_) => "beer".to_owned(),
            What::Command => "command".to_owned(),
            What::Gravity(name, _) => name.to_string(),
            What::Reservoir(_) => "reservoir".to_owned(),
            What::Seen(output, _) => output.as_str().to_owned(),
            What::Surround(_) => "surround".to_owned(),
        }
    }
}

/// A float's report. It may leave out any of its values, but not all: a float that has lost its
/// gravity may still tell the temperature that the beer is controlled on.
fn gravity(
    float: &GravitySource,
    body: &Body,
) -> Result<(Values, Option<quantity::Stamp>), String> {
    let number = body.number(&float.read.at)?;
    let temperature = match &float.temperature {
        Some(read) => body.number(&read.at)?.map(|number| field::celsius(number, read.unit)),
        None => None,
    };
    let battery = float.battery.as_ref().map(|at| body.number(at)).transpose()?.flatten();
    let taken = match &float.time {
        Some(read) => body.time(read)?,
        None => None,
    };
    if number.is_none() && temperature.is_none() && battery.is_none() {
        body.needed(&float.read.at)?;
    }
    let gravity = number.map(|number| match float.read.unit {
        GravityReadUnit::Sg => RawGravity::Sg(number),
        GravityReadUnit::Plato => RawGravity::Plato(number),
        GravityReadUnit::Brix => RawGravity::Brix(number),
        GravityReadUnit::Degrees => RawGravity::Degrees(number),
    });
    Ok((Values { gravity, temperature_c: temperature, battery_percent: battery }, taken))
}

/// On or off where the payload is one of the relay's two words.
fn seen_on(seen: &Seen, payload: &[u8]) -> Option<bool> {
    let text = std::str::from_utf8(payload).ok()?.trim();
    if text == seen.on.trim() {
        Some(true)
    } else if text == seen.off.trim() {
        Some(false)
    } else {
        None
    }
}

#[cfg(test)]
mod tests;
