//! The keys of a configuration.

use crate::config::{Drive, GravityReadUnit, Place, TemperatureReadUnit, TimeForm};
use crate::document::Word;
use crate::keys::{Choice, Key, Kind, Measure, Rule, Table};
use quantity::{
    Expansion, GravityUnit, Power, Span, Temperature, TemperatureDelta, TemperatureUnit, Volume,
};

const TEMPERATURE: Kind = Kind::Measure(Measure::of::<Temperature>());
const TEMPERATURE_DELTA: Kind = Kind::Measure(Measure::of::<TemperatureDelta>());
const SPAN: Kind = Kind::Measure(Measure::of::<Span>());

/// The most valves of a cooler that may be open at once.
pub(crate) const AT_ONCE_MAX: u32 = 1000;

pub(crate) static CONFIG: Table = Table {
    id: "configuration",
    title: "a configuration",
    doc: "The daemon's configuration",
    rules: &[],
    keys: &[
        Key::required(
            "format",
            Kind::Integer(1, 1),
            "format = 1",
            "The format of this file; always 1",
        ),
        Key::default(
            "schedules",
            Kind::File,
            "schedules",
            "The folder of the schedules, relative to this file",
        ),
        Key::optional("show", Kind::Table(&SHOW), "The units that a person reads"),
        Key::optional("link", Kind::Table(&LINK), "How the daemon meets its devices"),
        Key::required(
            "store",
            Kind::Table(&STORE),
            "[store]",
            "Where the daemon keeps what happened",
        ),
        Key::optional("page", Kind::Table(&PAGE), "The page; left out, there is none"),
        Key::optional("tell", Kind::Tables(&TELL), "Who is told of what; written `[[tell]]`"),
        Key::required(
            "vessel",
            Kind::Named(&VESSEL),
            "[vessel.north]",
            "The vessels, each under its name: `[vessel.north]`",
        ),
        Key::optional(
            "cooler",
            Kind::Named(&COOLER),
            "Cold sources that several vessels share, each under its name: `[cooler.glycol]`",
        ),
    ],
};

pub(crate) static SHOW: Table = Table {
    id: "show",
    title: "`[show]`",
    doc: "The units that a person reads; records keep both",
    rules: &[],
    keys: &[
        Key::default("gravity", Kind::Choice(GravityUnit::CHOICES), "SG", "For gravities"),
        Key::default(
            "temperature",
            Kind::Choice(TemperatureUnit::CHOICES),
            "C",
            "For temperatures",
        ),
        Key::optional(
            "time_zone",
            Kind::TimeZone,
            "The IANA name of the time zone; left out, the machine's",
        ),
    ],
};

pub(crate) static LINK: Table = Table {
    id: "link",
    title: "`[link]`",
    doc: "How the daemon meets its devices, by MQTT",
    rules: &[
        Rule::Needs("client_certificate", "client_key"),
        Rule::Needs("client_key", "client_certificate"),
        Rule::Needs("password_file", "username"),
        Rule::Needs("listen_tls", "certificate"),
        Rule::Needs("certificate", "certificate_key"),
        Rule::Needs("certificate_key", "listen_tls"),
        Rule::Needs("client_ca_file", "listen_tls"),
    ],
    keys: &[
        Key::default(
            "broker",
            Kind::Broker,
            "embedded",
            "The broker: `\"embedded\"`, or one outside as `\"mqtt://broker.lan:1883\"` or, with \
             TLS, `\"mqtts://broker.lan:8883\"`",
        ),
        Key::default(
            "listen",
            Kind::Listen,
            "127.0.0.1:1883",
            "Where the embedded broker listens; beyond loopback it needs `users_file`",
        ),
        Key::optional(
            "listen_tls",
            Kind::Listen,
            "Where the embedded broker listens by TLS besides; beyond loopback it needs \
             `users_file`",
        ),
        Key::optional(
            "certificate",
            Kind::File,
            "The file with the embedded broker's certificate, for `listen_tls`",
        ),
        Key::optional("certificate_key", Kind::File, "The file with that certificate's key"),
        Key::optional(
            "client_ca_file",
            Kind::File,
            "The file with the authority's certificates by which each client at `listen_tls` must \
             show one of its own; left out, none",
        ),
        Key::default(
            "topics",
            Kind::TopicLevel,
            "barmkeep",
            "The first level of everything that the daemon publishes",
        ),
        Key::optional(
            "describe_at",
            Kind::TopicLevel,
            "The first level of topics on which vessels describe themselves to any dashboard, by \
             the Homie convention 5.0, whose own word is `\"homie\"`; left out, they do not",
        ),
        Key::optional(
            "users_file",
            Kind::File,
            "The file of those who may enter the embedded broker",
        ),
        Key::optional("username", Kind::Text, "Who we are, where the broker asks"),
        Key::optional("password_file", Kind::File, "The file with our password"),
        Key::optional(
            "ca_file",
            Kind::File,
            "The file with the authority's certificates; left out, the machine's own",
        ),
        Key::optional("client_certificate", Kind::File, "The file with our certificate"),
        Key::optional("client_key", Kind::File, "The file with our certificate's key"),
    ],
};

pub(crate) static STORE: Table = Table {
    id: "store",
    title: "`[store]`",
    doc: "Where the daemon keeps what happened",
    rules: &[],
    keys: &[
        Key::required("file", Kind::File, "file = \"barmkeep.db\"", "The database's file"),
        Key::default(
            "keep",
            SPAN,
            "730 d",
            "Batches that ended longer ago are dropped, oldest first; never a running one",
        ),
    ],
};

pub(crate) static PAGE: Table = Table {
    id: "page",
    title: "`[page]`",
    doc: "The page that shows all vessels, read only; `metrics` on the same port",
    rules: &[],
    keys: &[
        Key::default("listen", Kind::Listen, "127.0.0.1:8460", "Where the page is served"),
        Key::optional(
            "password_file",
            Kind::File,
            "The file with the password that the browser asks for, or its hash",
        ),
        Key::optional(
            "names",
            Kind::Texts,
            "Names under which a browser may ask for it, beside this machine's own: a router's or \
             a proxy's",
        ),
    ],
};

pub(crate) static TELL: Table = Table {
    id: "tell",
    title: "`[[tell]]`",
    doc: "Events for a person",
    rules: &[Rule::ExactlyOne(&["url", "run"])],
    keys: &[
        Key::optional("url", Kind::Url, "Each record is sent here by HTTP POST"),
        Key::optional(
            "run",
            Kind::Texts,
            "A program and its arguments; it gets each record on its standard input",
        ),
        Key::default(
            "events",
            Kind::Choices(EVENTS),
            "alarm.raised, notice.due, batch.completed",
            "The kinds of record that are told",
        ),
    ],
};

pub(crate) static VESSEL: Table = Table {
    id: "vessel",
    title: "a vessel",
    doc: "One vessel: its limits, its sources, its outputs",
    rules: &[],
    keys: &[
        Key::required(
            "volume",
            Kind::Measure(Measure::of::<Volume>()),
            "volume = \"23 L\"",
            "How much it holds",
        ),
        Key::required("coldest", TEMPERATURE, "coldest = \"0 C\"", "The vessel's own hard limit"),
        Key::required("warmest", TEMPERATURE, "warmest = \"26 C\"", "The vessel's own hard limit"),
        Key::optional("sample_every", SPAN, "How often a hand sample is asked for"),
        Key::optional(
            "rides_with",
            Kind::Name,
            "The vessel whose fridge this one shares: it only advises and warns",
        ),
        Key::optional("gravity", Kind::Named(&FLOAT), "The floats, each under its name"),
        Key::optional("beer", Kind::Table(&BEER), "The probe that is controlled on"),
        Key::optional("surround", Kind::Table(&SURROUND), "The air or jacket around the vessel"),
        Key::optional("heater", Kind::Table(&HEATER), "What warms it"),
        Key::optional("chiller", Kind::Table(&CHILLER), "What cools it"),
        Key::optional("control", Kind::Table(&CONTROL), "How its temperature is kept"),
    ],
};

const TOPIC: Key = Key::required(
    "topic",
    Kind::Topic,
    "topic = \"cellar/probe/1\"",
    "The topic that it speaks on",
);
const AT: Key = Key::optional(
    "at",
    Kind::Pointer,
    "The place in its JSON message, as a JSON Pointer; left out, the message is a bare number",
);
const AT_REQUIRED: Key =
    Key::required("at", Kind::Pointer, "at = \"/value\"", "The place in its JSON message");
const READ_TEMPERATURE: Key = Key::required(
    "read",
    Kind::Table(&TEMPERATURE_READ),
    "read = { unit = \"C\" }",
    "Where the temperature stands, and in what unit",
);
const EVERY_PROBE: Key = Key::required(
    "every",
    SPAN,
    "every = \"10 s\"",
    "How often it speaks: silence is judged against this",
);
const OFFSET: Key =
    Key::default("offset", TEMPERATURE_DELTA, "0.0 C", "Added to each of its readings");

pub(crate) static FLOAT: Table = Table {
    id: "float",
    title: "a gravity source",
    doc: "A float that reports gravity",
    rules: &[],
    keys: &[
        TOPIC,
        Key::required(
            "read",
            Kind::Table(&GRAVITY_READ),
            "read = { at = \"/sg\", unit = \"SG\" }",
            "Where the gravity stands, and in what unit",
        ),
        Key::optional(
            "calibration",
            Kind::File,
            "The file that corrects it, written by `barmkeep calibrate`",
        ),
        Key::optional(
            "expansion",
            Kind::Measure(Measure::of::<Expansion>()),
            "Of the float's body; any value, also 0, turns the temperature correction on",
        ),
        Key::optional(
            "temperature",
            Kind::Table(&TEMPERATURE_AT),
            "Where the float's own temperature stands",
        ),
        Key::optional("battery", Kind::Table(&BATTERY), "Where its battery's charge stands"),
        Key::optional(
            "time",
            Kind::Table(&TIME),
            "Where its own time stands; left out, the time of arrival counts",
        ),
        Key::required(
            "every",
            SPAN,
            "every = \"60 min\"",
            "How often it speaks: silence is judged against this",
        ),
    ],
};

pub(crate) static GRAVITY_READ: Table = Table {
    id: "gravity_read",
    title: "`read`",
    doc: "Where a gravity stands in a message, and in what unit",
    rules: &[],
    keys: &[
        AT,
        Key::required(
            "unit",
            Kind::Choice(GravityReadUnit::CHOICES),
            "unit = \"SG\"",
            "The unit of the number; `deg` needs a calibration",
        ),
    ],
};

pub(crate) static TEMPERATURE_READ: Table = Table {
    id: "temperature_read",
    title: "`read`",
    doc: "Where a temperature stands in a message, and in what unit",
    rules: &[],
    keys: &[AT, TEMPERATURE_UNIT],
};

pub(crate) static TEMPERATURE_AT: Table = Table {
    id: "temperature_at",
    title: "`temperature`",
    doc: "Where a float's own temperature stands in its message, and in what unit",
    rules: &[],
    keys: &[AT_REQUIRED, TEMPERATURE_UNIT],
};

const TEMPERATURE_UNIT: Key = Key::required(
    "unit",
    Kind::Choice(TemperatureReadUnit::CHOICES),
    "unit = \"C\"",
    "The unit of the number",
);

pub(crate) static BATTERY: Table = Table {
    id: "battery",
    title: "`battery`",
    doc: "Where a battery's charge stands in a message",
    rules: &[],
    keys: &[
        AT_REQUIRED,
        Key::default("unit", Kind::Choice(Percent::CHOICES), "%", "The unit of the number"),
    ],
};

pub(crate) static TIME: Table = Table {
    id: "time",
    title: "`time`",
    doc: "Where a device's own time stands in its message, and in what form",
    rules: &[],
    keys: &[
        AT_REQUIRED,
        Key::default("form", Kind::Choice(TimeForm::CHOICES), "rfc3339", "How the time is written"),
    ],
};

pub(crate) static BEER: Table = Table {
    id: "beer",
    title: "`beer`",
    doc: "The probe that is controlled on",
    rules: &[],
    keys: &[
        Key::default("place", Kind::Choice(Place::CHOICES), "thermowell", "Where the probe is"),
        TOPIC,
        READ_TEMPERATURE,
        OFFSET,
        EVERY_PROBE,
    ],
};

pub(crate) static SURROUND: Table = Table {
    id: "surround",
    title: "`surround`",
    doc: "The air or jacket around the vessel, and the limits kept on it",
    rules: &[],
    keys: &[
        TOPIC,
        READ_TEMPERATURE,
        OFFSET,
        EVERY_PROBE,
        Key::default(
            "below_beer",
            TEMPERATURE_DELTA,
            "8 C",
            "Never cooled to more than this below the beer",
        ),
        Key::default(
            "above_beer",
            TEMPERATURE_DELTA,
            "10 C",
            "Never heated to more than this above the beer",
        ),
        Key::default("coldest", TEMPERATURE, "-2 C", "Never cooled below this"),
    ],
};

const DRIVE: Key = Key::default(
    "drive",
    Kind::Choice(Drive::CHOICES),
    "switch",
    "How it is driven: on and off for a relay, a setpoint for a thermostat, or both",
);
const OUTPUT_TOPIC: Key = Key::optional(
    "topic",
    Kind::Topic,
    "The relay's topic; left out, the daemon's own. One topic drives one output",
);
const ON: Key = Key::default("on", Kind::Text, "ON", "The payload that switches it on");
const OFF: Key = Key::default("off", Kind::Text, "OFF", "The payload that switches it off");
const RUNS_OUT: Key = Key::optional(
    "runs_out",
    SPAN,
    "The relay's own timer: it opens when it hears nothing for this long; more than 2 × `refresh`",
);
const POWER: Key = Key::optional(
    "power",
    Kind::Measure(Measure::of::<Power>()),
    "What it takes while it is on, from its plate or a meter: its energy is then told",
);
const SEEN_KEY: Key =
    Key::optional("seen", Kind::Table(&SEEN), "What the relay reports; a disagreement is an alarm");
const OUT_OF_USE: Key =
    Key::default("out_of_use", Kind::Bool, "false", "`true` for a season without it");

pub(crate) static HEATER: Table = Table {
    id: "heater",
    title: "a heater",
    doc: "What warms a vessel",
    rules: &[],
    keys: &[
        DRIVE,
        OUTPUT_TOPIC,
        ON,
        OFF,
        Key::default("min_on", SPAN, "1 min", "Least time on"),
        Key::default("min_off", SPAN, "1 min", "Least time off"),
        POWER,
        RUNS_OUT,
        SEEN_KEY,
        OUT_OF_USE,
    ],
};

const COMPRESSOR_ON: Key = Key::default("min_on", SPAN, "2 min", "Least time on");
const COMPRESSOR_OFF: Key = Key::default(
    "min_off",
    SPAN,
    "5 min",
    "Least time off: the compressor's rest, also after a start that does not know when it last ran",
);

pub(crate) static CHILLER: Table = Table {
    id: "chiller",
    title: "a chiller",
    doc: "What cools a vessel",
    rules: &[],
    keys: &[
        DRIVE,
        OUTPUT_TOPIC,
        ON,
        OFF,
        COMPRESSOR_ON,
        COMPRESSOR_OFF,
        POWER,
        RUNS_OUT,
        SEEN_KEY,
        OUT_OF_USE,
        Key::optional(
            "from",
            Kind::Name,
            "The shared cooler that this chiller is a valve of; the rest is then the cooler's",
        ),
    ],
};

pub(crate) static SEEN: Table = Table {
    id: "seen",
    title: "`seen`",
    doc: "What a relay reports of itself",
    rules: &[],
    keys: &[
        Key::required(
            "topic",
            Kind::Topic,
            "topic = \"cellar/plug/7/state\"",
            "The topic it reports on",
        ),
        Key::default("on", Kind::Text, "ON", "What it says when it is on"),
        Key::default("off", Kind::Text, "OFF", "What it says when it is off"),
    ],
};

pub(crate) static COOLER: Table = Table {
    id: "cooler",
    title: "a cooler",
    doc: "A cold source that several vessels' valves share: any vessel's call runs it",
    rules: &[],
    keys: &[
        DRIVE,
        OUTPUT_TOPIC,
        ON,
        OFF,
        COMPRESSOR_ON,
        COMPRESSOR_OFF,
        POWER,
        RUNS_OUT,
        SEEN_KEY,
        OUT_OF_USE,
        Key::optional(
            "at_once",
            Kind::Integer(1, AT_ONCE_MAX),
            "How many valves may be open at once; left out, all",
        ),
        Key::optional("reservoir", Kind::Table(&RESERVOIR), "The probe in its reservoir"),
        Key::optional("target", TEMPERATURE, "The temperature its reservoir is kept at"),
    ],
};

pub(crate) static RESERVOIR: Table = Table {
    id: "reservoir",
    title: "`reservoir`",
    doc: "The probe in a cooler's reservoir",
    rules: &[],
    keys: &[TOPIC, READ_TEMPERATURE, OFFSET, EVERY_PROBE],
};

pub(crate) static CONTROL: Table = Table {
    id: "control",
    title: "`control`",
    doc: "How a vessel's temperature is kept",
    rules: &[],
    keys: &[
        Key::default(
            "hysteresis",
            TEMPERATURE_DELTA,
            "0.3 C",
            "Half the width of the band around the setpoint",
        ),
        Key::default("changeover", SPAN, "10 min", "Least time between heating and cooling"),
        Key::default(
            "anticipate",
            Kind::Bool,
            "true",
            "Switch off early by what this vessel was seen to coast; `false`: plain hysteresis",
        ),
        Key::default("refresh", SPAN, "60 s", "Outputs are published again this often"),
        Key::optional(
            "silent_after",
            SPAN,
            "No beer temperature for this long: both outputs off, and an alarm; left out, the \
             longer of 10 min and three intervals of the source controlled on; shorter is refused",
        ),
        Key::optional(
            "max_on",
            SPAN,
            "Longest run without a new beer reading; left out, one interval of the source \
             controlled on and a tenth of it, at least 5 min, at most 20 min",
        ),
        Key::default(
            "off_target",
            TEMPERATURE_DELTA,
            "2 C",
            "Farther from the setpoint than this for 2 h, no ramp being followed: an alarm",
        ),
    ],
};

/// The only unit of a battery's charge.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Percent;

impl Word for Percent {
    const CHOICES: &'static [Choice] = &[Choice { word: "%", doc: "percent" }];
    const VALUES: &'static [Self] = &[Percent];
}

macro_rules! events {
    ($($word:literal $doc:literal)*) => {
        /// The kinds of record that a `[[tell]]` can ask for.
        pub const EVENT_KINDS: &[&str] = &[$($word),*];
        pub(crate) const EVENTS: &[Choice] = &[$(Choice { word: $word, doc: $doc }),*];
    };
}

events! {
    "batch.pitched" "a batch began"
    "batch.completed" "the last stage was left"
    "batch.stopped" "a person ended the batch"
    "batch.aborted" "a batch was ended at once"
    "batch.revised" "an edited schedule was put under the batch"
    "batch.expected" "a new expectation in mid-batch"
    "batch.added" "something was added to the beer"
    "batch.moved" "a batch went to another vessel"
    "batch.noted" "a free line"
    "run.held" "the run was held"
    "run.resumed" "the run goes on"
    "run.parked" "a temperature is held without a batch, or no longer"
    "run.locked" "the outputs were locked off, or unlocked"
    "stage.entered" "a stage began"
    "stage.left" "a stage ended"
    "notice.due" "a notice of the schedule is due"
    "confirm.due" "a person is asked to confirm a sentence"
    "confirm.given" "a person confirmed a sentence"
    "sample.due" "a hand sample is asked for"
    "setpoint.moved" "the setpoint began to move, or arrived"
    "output.switched" "an output was switched"
    "reading.refused" "a reading was not believed"
    "sample.taken" "a hand sample was taken"
    "forecast.revised" "what is expected when has changed"
    "alarm.raised" "something is wrong"
    "alarm.acknowledged" "a person has seen an alarm"
    "alarm.returned" "it is right again"
    "alarm.shelved" "a person silenced an alarm for a time"
    "command.accepted" "a command was accepted"
    "command.refused" "a command was refused"
    "clock.stepped" "the wall clock jumped"
    "daemon.started" "the daemon began"
    "daemon.stopped" "the daemon ended in order"
}

impl Word for GravityUnit {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "SG", doc: "specific gravity, 20 °C/20 °C" },
        Choice { word: "P", doc: "°Plato" },
        Choice { word: "Bx", doc: "°Brix" },
    ];
    const VALUES: &'static [Self] = &[GravityUnit::Sg, GravityUnit::Plato, GravityUnit::Brix];
}

impl Word for TemperatureUnit {
    const CHOICES: &'static [Choice] =
        &[Choice { word: "C", doc: "°C" }, Choice { word: "F", doc: "°F" }];
    const VALUES: &'static [Self] = &[TemperatureUnit::Celsius, TemperatureUnit::Fahrenheit];
}

impl Word for GravityReadUnit {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "SG", doc: "specific gravity, 20 °C/20 °C" },
        Choice { word: "P", doc: "°Plato" },
        Choice { word: "Bx", doc: "°Brix" },
        Choice { word: "deg", doc: "an angle; needs a calibration" },
    ];
    const VALUES: &'static [Self] = &[
        GravityReadUnit::Sg,
        GravityReadUnit::Plato,
        GravityReadUnit::Brix,
        GravityReadUnit::Degrees,
    ];
}

impl Word for TemperatureReadUnit {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "C", doc: "°C" },
        Choice { word: "F", doc: "°F" },
        Choice { word: "K", doc: "K" },
    ];
    const VALUES: &'static [Self] = &[
        TemperatureReadUnit::Celsius,
        TemperatureReadUnit::Fahrenheit,
        TemperatureReadUnit::Kelvin,
    ];
}

impl Word for TimeForm {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "rfc3339", doc: "RFC 3339, such as 2026-03-01T18:00:00Z" },
        Choice { word: "unix", doc: "seconds since 1970" },
        Choice { word: "unix_ms", doc: "milliseconds since 1970" },
    ];
    const VALUES: &'static [Self] = &[TimeForm::Rfc3339, TimeForm::Unix, TimeForm::UnixMillis];
}

impl Word for Place {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "thermowell", doc: "in a thermowell in the beer" },
        Choice { word: "wall", doc: "on the vessel's wall: insulate over it" },
    ];
    const VALUES: &'static [Self] = &[Place::Thermowell, Place::Wall];
}

impl Word for Drive {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "switch", doc: "on and off, for a relay" },
        Choice { word: "setpoint", doc: "a setpoint, for a thermostat" },
        Choice { word: "both", doc: "both" },
    ];
    const VALUES: &'static [Self] = &[Drive::Switch, Drive::Setpoint, Drive::Both];
}
