//! The daemon's configuration as the rest of the program sees it: parsed once, defaults filled in.
//!
//! Paths are as written; the program resolves them against the file's folder. Secrets are never
//! here, only the files that hold them.

use crate::name::Name;
use quantity::{Expansion, Power, Show, Span, Temperature, TemperatureDelta, Volume};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Everything that a configuration file says.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The folder of the schedules.
    pub schedules: String,
    /// The units that a person reads.
    pub show: Show,
    /// The IANA name of the time zone that a person reads; left out, the machine's.
    pub time_zone: Option<String>,
    /// How the daemon meets its devices.
    pub link: Link,
    /// Where it keeps what happened.
    pub store: Store,
    /// The page, where there is one.
    pub page: Option<Page>,
    /// Who is told of what.
    pub tell: Vec<Tell>,
    /// At least one; in order of their names.
    pub vessels: BTreeMap<Name, Vessel>,
    /// Cold sources that several vessels share.
    pub coolers: BTreeMap<Name, Cooler>,
}

/// How the daemon meets its devices.
#[derive(Debug, Clone, PartialEq)]
pub struct Link {
    /// Which broker.
    pub broker: Broker,
    /// First level of everything that the daemon publishes.
    pub topics: String,
    /// First level of the topics on which vessels describe themselves; `None`: they do not.
    pub describe_at: Option<String>,
}

/// The broker that carries everything.
#[derive(Debug, Clone, PartialEq)]
pub enum Broker {
    /// One inside the daemon.
    Embedded {
        /// Where it listens, `address:port`.
        listen: String,
        /// Where it listens by TLS besides, if it does.
        tls: Option<ListenTls>,
        /// Who may enter; required beyond loopback.
        users_file: Option<String>,
        /// Who a person's commands enter as, where there is a `users_file`.
        username: Option<String>,
        /// The file with that user's password.
        password_file: Option<String>,
    },
    /// One outside.
    Outside {
        /// Its host name or address.
        host: String,
        /// Its port; 1883 or, with TLS, 8883 where the file says nothing.
        port: u16,
        /// Whether the connection is by TLS (`mqtts`).
        tls: bool,
        /// Who we are, where the broker asks.
        username: Option<String>,
        /// The file with the password.
        password_file: Option<String>,
        /// The file with the authority's certificates; left out, the machine's own.
        ca_file: Option<String>,
        /// The file with our certificate.
        client_certificate: Option<String>,
        /// The file with its key.
        client_key: Option<String>,
    },
}

/// Where and as whom the embedded broker listens by TLS.
#[derive(Debug, Clone, PartialEq)]
pub struct ListenTls {
    /// `address:port`.
    pub listen: String,
    /// The file with its certificate, and those between it and the authority.
    pub certificate: String,
    /// The file with the certificate's key.
    pub key: String,
    /// The file with the authority's certificates that each client's must be signed by; left out,
    /// clients show none.
    pub client_ca_file: Option<String>,
}

/// Where the daemon keeps what happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Store {
    /// The database's file.
    pub file: String,
    /// Batches that ended longer ago are dropped.
    pub keep: Span,
}

/// The page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Where it listens, `address:port`.
    pub listen: String,
    /// The file with the password that the browser asks for, or its hash.
    pub password_file: Option<String>,
    /// Names under which a browser may ask for it, beside this machine's own.
    pub names: Vec<String>,
}

/// Events for a person.
#[derive(Debug, Clone, PartialEq)]
pub struct Tell {
    /// How they are told.
    pub way: TellWay,
    /// Which kinds of event.
    pub events: Vec<String>,
}

/// How a person is told.
#[derive(Debug, Clone, PartialEq)]
pub enum TellWay {
    /// HTTP POST of the record to this address.
    Url(String),
    /// A program that gets the record on its standard input: the program and its arguments.
    Run(Vec<String>),
}

/// One vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    /// How much it holds.
    pub volume: Volume,
    /// The vessel's own hard limit.
    pub coldest: Temperature,
    /// The vessel's own hard limit; above `coldest`.
    pub warmest: Temperature,
    /// How often a hand sample is asked for.
    pub sample_every: Option<Span>,
    /// The vessel whose fridge this one shares: it only advises and warns.
    pub rides_with: Option<Name>,
    /// The floats, by name.
    pub gravity: BTreeMap<Name, GravitySource>,
    /// The probe that is controlled on.
    pub beer: Option<Probe>,
    /// Where that probe is.
    pub place: Place,
    /// The air or jacket around the vessel.
    pub surround: Option<Surround>,
    /// What warms it.
    pub heater: Option<Output>,
    /// What cools it.
    pub chiller: Option<Output>,
    /// How its temperature is kept.
    pub control: Control,
}

/// Where the probe that is controlled on is; in the air is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Place {
    /// In a thermowell in the beer.
    #[default]
    Thermowell,
    /// On the vessel's wall.
    Wall,
}

/// A float that reports gravity.
#[derive(Debug, Clone, PartialEq)]
pub struct GravitySource {
    /// Where it speaks.
    pub topic: String,
    /// Where the gravity stands in its message.
    pub read: GravityRead,
    /// The file that corrects it, written by `calibrate`.
    pub calibration: Option<String>,
    /// Of the float's body; any value, also 0, turns the temperature correction on.
    pub expansion: Option<Expansion>,
    /// Where the float's own temperature stands.
    pub temperature: Option<TemperatureRead>,
    /// Where its battery's charge stands, in percent.
    pub battery: Option<Field>,
    /// Where its own time stands; left out, the time of arrival counts.
    pub time: Option<TimeRead>,
    /// Silence is judged against this.
    pub every: Span,
}

/// A temperature probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Where it speaks.
    pub topic: String,
    /// Where the temperature stands in its message.
    pub read: TemperatureRead,
    /// Added to each reading.
    pub offset: TemperatureDelta,
    /// Silence is judged against this.
    pub every: Span,
}

/// The air or jacket around the vessel, and the limits kept on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Surround {
    /// The probe.
    pub probe: Probe,
    /// Never cooled to more than this below the beer.
    pub below_beer: TemperatureDelta,
    /// Never heated to more than this above the beer.
    pub above_beer: TemperatureDelta,
    /// Never cooled below this.
    pub coldest: Temperature,
}

/// A place in a message: an RFC 6901 JSON Pointer, or the whole payload as a bare number or text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field(pub Option<String>);

/// Where a gravity stands in a message, and in what unit.
#[derive(Debug, Clone, PartialEq)]
pub struct GravityRead {
    /// Where.
    pub at: Field,
    /// In what unit.
    pub unit: GravityReadUnit,
}

/// The unit in which a float reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GravityReadUnit {
    /// Specific gravity, 20 °C/20 °C.
    Sg,
    /// °Plato.
    Plato,
    /// °Brix.
    Brix,
    /// An angle; needs a calibration.
    Degrees,
}

/// Where a temperature stands in a message, and in what unit.
#[derive(Debug, Clone, PartialEq)]
pub struct TemperatureRead {
    /// Where.
    pub at: Field,
    /// In what unit.
    pub unit: TemperatureReadUnit,
}

/// The unit in which a probe reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TemperatureReadUnit {
    /// °C.
    Celsius,
    /// °F.
    Fahrenheit,
    /// K.
    Kelvin,
}

/// Where a device's own time stands in its message, and in what form.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeRead {
    /// Where.
    pub at: Field,
    /// In what form.
    pub form: TimeForm,
}

/// The form of a device's own time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeForm {
    /// RFC 3339.
    Rfc3339,
    /// Seconds since 1970.
    Unix,
    /// Milliseconds since 1970.
    UnixMillis,
}

/// A heater or a chiller.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// How it is driven, or that it is a valve on a shared cooler.
    pub drive: Drive,
    /// The relay's topic; left out, the daemon's own.
    pub topic: Option<String>,
    /// The payload that switches it on.
    pub on: String,
    /// The payload that switches it off.
    pub off: String,
    /// Least time on.
    pub min_on: Span,
    /// Least time off.
    pub min_off: Span,
    /// What it takes while it is on; left out, its energy is not told.
    pub power: Option<Power>,
    /// The relay's own timer, where it has one.
    pub runs_out: Option<Span>,
    /// What the relay reports.
    pub seen: Option<Seen>,
    /// A season without it.
    pub out_of_use: bool,
    /// The shared cooler that this chiller is a valve of.
    pub from: Option<Name>,
}

/// How an output is driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drive {
    /// On and off, for a relay.
    Switch,
    /// A setpoint, for a thermostat.
    Setpoint,
    /// Both.
    Both,
}

/// What a relay reports of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Where it speaks.
    pub topic: String,
    /// What it says when it is on.
    pub on: String,
    /// What it says when it is off.
    pub off: String,
}

/// A cold source that several vessels' valves share.
#[derive(Debug, Clone, PartialEq)]
pub struct Cooler {
    /// The output that runs it.
    pub output: Output,
    /// How many valves may be open at once; left out, all.
    pub at_once: Option<u32>,
    /// The probe in its reservoir.
    pub reservoir: Option<Probe>,
    /// The temperature its reservoir is kept at.
    pub target: Option<Temperature>,
}

/// How a vessel's temperature is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Control {
    /// Half the width of the band around the setpoint.
    pub hysteresis: TemperatureDelta,
    /// Least time between heating and cooling.
    pub changeover: Span,
    /// Switch off early by what this vessel was seen to coast.
    pub anticipate: bool,
    /// Outputs are published again this often.
    pub refresh: Span,
    /// No beer temperature for this long: both outputs off, alarm. Default filled in.
    pub silent_after: Span,
    /// Longest run without a new beer reading. Default filled in.
    pub max_on: Span,
    /// Farther from the setpoint than this for 2 h: an alarm.
    pub off_target: TemperatureDelta,
}

impl Vessel {
    /// A vessel that nothing was configured for: 23 L, only its gravity sources, no outputs and no
    /// limits of its own to speak of.
    pub fn plain(gravity: BTreeMap<Name, GravitySource>) -> Self {
        let every = gravity.values().map(|source| source.every).max().unwrap_or(Span::ZERO);
        let shortest = Span::from_mins(10);
        Vessel {
            volume: Volume::clamped(23.0),
            coldest: Temperature::clamped(f64::NEG_INFINITY),
            warmest: Temperature::clamped(f64::INFINITY),
            sample_every: None,
            rides_with: None,
            gravity,
            beer: None,
            place: Place::default(),
            surround: None,
            heater: None,
            chiller: None,
            control: Control {
                hysteresis: TemperatureDelta::clamped(0.3),
                changeover: shortest,
                anticipate: true,
                refresh: Span::from_secs(60),
                silent_after: shortest.max(every * 3),
                max_on: Span::from_mins(20),
                off_target: TemperatureDelta::clamped(2.0),
            },
        }
    }
}

impl GravitySource {
    /// A source of a recorded run: its numbers come without a topic.
    pub fn plain(every: Span) -> Self {
        let whole = || Field(None);
        GravitySource {
            topic: String::new(),
            read: GravityRead { at: whole(), unit: GravityReadUnit::Sg },
            calibration: None,
            expansion: None,
            temperature: Some(TemperatureRead { at: whole(), unit: TemperatureReadUnit::Celsius }),
            battery: Some(whole()),
            time: None,
            every,
        }
    }
}

impl Probe {
    /// A probe of a simulated run: its numbers come without a topic.
    pub fn plain(every: Span) -> Self {
        Probe {
            topic: String::new(),
            read: TemperatureRead { at: Field(None), unit: TemperatureReadUnit::Celsius },
            offset: TemperatureDelta::clamped(0.0),
            every,
        }
    }
}

impl Output {
    /// A relay of a simulated run.
    pub fn plain(min_on: Span, min_off: Span) -> Self {
        Output {
            drive: Drive::Switch,
            topic: None,
            on: "ON".to_owned(),
            off: "OFF".to_owned(),
            min_on,
            min_off,
            power: None,
            runs_out: None,
            seen: None,
            out_of_use: false,
            from: None,
        }
    }
}
