//! How vessels describe themselves on MQTT, so that any dashboard of a home finds them: the Homie
//! convention, version 5.0 (an open specification: homieiot.github.io, 11 May 2025).
//!
//! The daemon is a device, each vessel a child of it; nothing can be set. A property whose value is
//! not known has no message, as the convention has no word for it.

use engine::OutputKind;
use engine::view::State;
use homie5::device_description::{
    DeviceDescriptionBuilder, HomieDeviceDescription, HomiePropertyDescription,
    NodeDescriptionBuilder, PropertyDescriptionBuilder,
};
use homie5::{HOMIE_UNIT_PERCENT, HomieID, homie_str_to_vecu8};
use quantity::{Show, TemperatureUnit};
use schedule::Name;
use schedule::config::Vessel;
use std::collections::BTreeMap;

/// What stands on a topic, retained; nothing: the topic is cleared.
pub type Said = (String, Vec<u8>);

/// The words for the states of a device.
pub const READY: &str = "ready";
/// The last will.
pub const LOST: &str = "lost";
/// The last word.
pub const GONE: &str = "disconnected";

/// How a cellar describes itself below a topic.
#[derive(Debug, Clone)]
pub struct Homie {
    base: String,
    daemon: HomieID,
    show: Show,
    /// What was said of each vessel's properties and alarms, so that only changes are sent.
    said: BTreeMap<String, Vec<u8>>,
}

/// A property: where it stands, what it is, and its value in a vessel's state.
struct Property {
    node: &'static str,
    id: &'static str,
    name: &'static str,
    is: Is,
    value: fn(&State, Show) -> Option<String>,
}

/// What kind of value.
#[derive(Clone, Copy, PartialEq)]
enum Is {
    Temperature,
    Number(Option<&'static str>),
    Text,
    Time,
    Run,
    Output(OutputKind),
}

/// The states of a vessel, as the contract has them.
const RUNS: [&str; 6] = ["idle", "running", "held", "stopped", "aborted", "complete"];

const NODES: [(&str, &str); 4] = [
    ("beer", "The beer's temperature"),
    ("fermentation", "What the beer does"),
    ("run", "What the vessel does"),
    ("outputs", "Heater and chiller"),
];

const PROPERTIES: &[Property] = &[
    Property {
        node: "beer",
        id: "temperature",
        name: "Beer",
        is: Is::Temperature,
        value: |state, show| degrees(state.beer_c, show),
    },
    Property {
        node: "beer",
        id: "setpoint",
        name: "Setpoint",
        is: Is::Temperature,
        value: |state, show| degrees(state.setpoint_c, show),
    },
    Property {
        node: "beer",
        id: "target",
        name: "Target of the stage",
        is: Is::Temperature,
        value: |state, show| degrees(state.target_c, show),
    },
    Property {
        node: "fermentation",
        id: "gravity",
        name: "Specific gravity",
        is: Is::Number(None),
        value: |state, _| state.gravity.as_ref().and_then(|gravity| number(gravity.sg, 5)),
    },
    Property {
        node: "fermentation",
        id: "extract",
        name: "Apparent extract",
        is: Is::Number(Some("°P")),
        value: |state, _| state.gravity.as_ref().and_then(|gravity| number(gravity.plato, 3)),
    },
    Property {
        node: "fermentation",
        id: "rate",
        name: "Change of gravity, points a day",
        is: Is::Number(None),
        value: |state, _| number(state.gravity.as_ref()?.rate_points_per_day?, 2),
    },
    Property {
        node: "fermentation",
        id: "attenuation",
        name: "Apparent attenuation",
        is: Is::Number(Some(HOMIE_UNIT_PERCENT)),
        value: |state, _| number(state.attenuation.as_ref()?.apparent_percent, 2),
    },
    Property {
        node: "fermentation",
        id: "alcohol",
        name: "Alcohol by volume",
        is: Is::Number(Some(HOMIE_UNIT_PERCENT)),
        value: |state, _| number(state.abv_percent?, 2),
    },
    Property {
        node: "run",
        id: "state",
        name: "State",
        is: Is::Run,
        value: |state, _| Some(state.run.clone()),
    },
    Property {
        node: "run",
        id: "batch",
        name: "Batch",
        is: Is::Text,
        value: |state, _| state.batch.clone(),
    },
    Property {
        node: "run",
        id: "stage",
        name: "Stage",
        is: Is::Text,
        value: |state, _| state.stage.as_ref().map(|stage| stage.name.clone()),
    },
    Property {
        node: "run",
        id: "stage-since",
        name: "Stage since",
        is: Is::Time,
        value: |state, _| state.stage.as_ref().map(|stage| stage.since.clone()),
    },
    Property {
        node: "outputs",
        id: "heater",
        name: "Heater",
        is: Is::Output(OutputKind::Heater),
        value: |state, _| on(state.outputs.heater.as_deref()),
    },
    Property {
        node: "outputs",
        id: "chiller",
        name: "Chiller",
        is: Is::Output(OutputKind::Chiller),
        value: |state, _| on(state.outputs.chiller.as_deref()),
    },
];

impl Homie {
    /// Below this topic, for the daemon with these topics; in the units of `show`.
    pub fn new(base: &str, topics: &str, show: Show) -> Self {
        let daemon = id(topics);
        Homie { base: base.to_owned(), daemon, show, said: BTreeMap::new() }
    }

    /// Where the daemon's state stands: it needs a last will of its own.
    pub fn daemon_state(&self) -> String {
        format!("{}/5/{}/$state", self.base, self.daemon)
    }

    /// What describes the cellar: for each device its description, and a vessel's state. What was
    /// said of values is forgotten, so that all are said again.
    pub fn describe(&mut self, vessels: &BTreeMap<Name, Vessel>) -> Vec<Said> {
        self.said.clear();
        let children = vessels.keys().map(|name| self.vessel(name)).collect();
        let daemon = DeviceDescriptionBuilder::new()
            .name("Fermentation cellar".to_owned())
            .r#type("barmkeep".to_owned())
            .replace_children(children)
            .build();
        let mut said = vec![self.description(&self.daemon, &daemon)];
        for (name, vessel) in vessels {
            let device = self.vessel(name);
            said.push(self.description(&device, &self.of_vessel(name, vessel)));
            said.push(self.state(&device, READY));
        }
        said
    }

    /// What is said at an orderly end of the vessels.
    pub fn farewell(&self, vessels: &BTreeMap<Name, Vessel>) -> Vec<Said> {
        vessels.keys().map(|name| self.state(&self.vessel(name), GONE)).collect()
    }

    /// What changed in a vessel since it was last said.
    pub fn news(&mut self, state: &State, vessel: &Vessel) -> Vec<Said> {
        let device = self.vessel(&state.vessel);
        let mut now: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        for property in PROPERTIES.iter().filter(|property| property.is_of(vessel)) {
            let topic = format!("{}/5/{device}/{}/{}", self.base, property.node, property.id);
            let value = (property.value)(state, self.show);
            // An empty text has a form of its own: an empty message clears the topic.
            now.insert(topic, value.map_or_else(Vec::new, homie_str_to_vecu8));
        }
        let alerts = format!("{}/5/{device}/$alert/", self.base);
        for alarm in &state.alarms {
            now.insert(format!("{alerts}{}", id(&alarm.id)), alarm.text.clone().into_bytes());
        }
        let over = self.said.keys().filter(|topic| topic.starts_with(&alerts));
        let over: Vec<String> = over.filter(|topic| !now.contains_key(*topic)).cloned().collect();
        now.extend(over.into_iter().map(|topic| (topic, Vec::new())));
        let mut news = Vec::new();
        for (topic, value) in now {
            if self.said.get(&topic) != Some(&value) {
                self.said.insert(topic.clone(), value.clone());
                news.push((topic, value));
            }
        }
        news
    }

    fn vessel(&self, name: &Name) -> HomieID {
        id(&format!("{}-{name}", self.daemon))
    }

    fn state(&self, device: &HomieID, word: &str) -> Said {
        (format!("{}/5/{device}/$state", self.base), word.as_bytes().to_vec())
    }

    fn description(&self, device: &HomieID, description: &HomieDeviceDescription) -> Said {
        // It has only texts for keys, and no value that JSON does not have.
        let text = serde_json::to_vec(description).unwrap_or_default();
        (format!("{}/5/{device}/$description", self.base), text)
    }

    fn of_vessel(&self, name: &Name, vessel: &Vessel) -> HomieDeviceDescription {
        let mut device = DeviceDescriptionBuilder::new()
            .name(format!("Vessel {name}"))
            .r#type("fermentation vessel".to_owned())
            .root(self.daemon.clone())
            .parent(self.daemon.clone());
        for (node, title) in NODES {
            let mut properties =
                PROPERTIES.iter().filter(|one| one.node == node && one.is_of(vessel)).peekable();
            if properties.peek().is_none() {
                continue;
            }
            let mut builder = NodeDescriptionBuilder::new().name(title.to_owned());
            for property in properties {
                builder = builder.add_property(id(property.id), property.description(self.show));
            }
            device = device.add_node(id(node), builder.build());
        }
        device.build()
    }
}

impl Property {
    fn is_of(&self, vessel: &Vessel) -> bool {
        match self.is {
            Is::Output(OutputKind::Heater) => vessel.heater.is_some(),
            Is::Output(OutputKind::Chiller) => vessel.chiller.is_some(),
            _ => true,
        }
    }

    fn description(&self, show: Show) -> HomiePropertyDescription {
        let name = self.name.to_owned();
        match self.is {
            Is::Temperature => {
                let unit = match show.temperature {
                    TemperatureUnit::Celsius => "°C",
                    TemperatureUnit::Fahrenheit => "°F",
                };
                PropertyDescriptionBuilder::float().name(name).unit(unit.to_owned()).build()
            }
            Is::Number(unit) => {
                let builder = PropertyDescriptionBuilder::float().name(name);
                builder.unit::<String>(unit.map(str::to_owned)).build()
            }
            Is::Text => PropertyDescriptionBuilder::string().name(name).build(),
            Is::Time => PropertyDescriptionBuilder::datetime().name(name).build(),
            Is::Output(_) => {
                PropertyDescriptionBuilder::boolean().boolean_labels("off", "on").name(name).build()
            }
            Is::Run => match PropertyDescriptionBuilder::enumeration(RUNS) {
                Ok(builder) => builder.name(name).build(),
                // Only an empty list, or a word twice, is refused.
                Err(_) => PropertyDescriptionBuilder::string().name(name).build(),
            },
        }
    }
}

/// An id as the convention has it: `a-z`, `0-9` and `-`.
fn id(text: &str) -> HomieID {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let text: String = text.chars().map(plain).collect();
    let trimmed = text.trim_matches('-').to_owned();
    HomieID::try_from(trimmed).unwrap_or(HomieID::new_const("barmkeep"))
}

fn degrees(celsius: Option<f64>, show: Show) -> Option<String> {
    let celsius = celsius?;
    match show.temperature {
        TemperatureUnit::Celsius => number(celsius, 2),
        TemperatureUnit::Fahrenheit => number(celsius * 1.8 + 32.0, 2),
    }
}

fn on(word: Option<&str>) -> Option<String> {
    word.map(|word| (word == "on").to_string())
}

/// Rounded, so that noise that nobody sees is no news.
fn number(value: f64, decimals: usize) -> Option<String> {
    value.is_finite().then(|| {
        let text = format!("{value:.decimals$}");
        // Nothing is never `-0.00`.
        text.parse::<f64>().map_or(text, |rounded| (rounded + 0.0).to_string())
    })
}
