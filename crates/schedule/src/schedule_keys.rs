//! The keys of a schedule.

use crate::document::Word;
use crate::keys::{Choice, Key, Kind, Measure, Rule, Table};
use crate::model::{Along, Finish, Overdue};
use quantity::{Gravity, GravityDelta, GravityRate, Share, Span, Temperature, TemperatureRate};

const TEMPERATURE: Measure = Measure::of::<Temperature>();
const TEMPERATURE_RATE: Measure = Measure::of::<TemperatureRate>();
const GRAVITY: Measure = Measure::of::<Gravity>();
const GRAVITY_DELTA: Measure = Measure::of::<GravityDelta>();
const GRAVITY_RATE: Measure = Measure::of::<GravityRate>();
const SHARE: Measure = Measure::of::<Share>();
const SPAN: Measure = Measure::of::<Span>();

/// The most steps of a climb.
pub(crate) const STEPS_MAX: u32 = 1000;

/// The word for an original gravity that is read, not given.
pub(crate) const MEASURED: Choice = Choice {
    word: "measured",
    doc: "the settled readings of the first hours, before the gravity begins to fall",
};
/// The word for a final gravity that nobody knows.
pub(crate) const UNKNOWN: Choice =
    Choice { word: "unknown", doc: "nobody knows: `progress` and `above_final` are then refused" };

pub(crate) static SCHEDULE: Table = Table {
    id: "schedule",
    title: "a schedule",
    doc: "One style of beer: what is expected of it, its limits, and its stages in order",
    rules: &[],
    keys: &[
        Key::required(
            "format",
            Kind::Integer(1, 1),
            "format = 1",
            "The format of this file; always 1",
        ),
        Key::optional("name", Kind::Text, "The name for people; left out, the file's name"),
        Key::default(
            "confidence",
            Kind::Measure(SHARE),
            "95 %",
            "How sure a milestone on gravity must be; 50 % to 99.9 %",
        ),
        Key::default(
            "finish",
            Kind::Choice(Finish::CHOICES),
            "keep",
            "What happens after the last stage",
        ),
        Key::optional("expect", Kind::Table(&EXPECT), "What this beer should do"),
        Key::optional("limits", Kind::Table(&LIMITS), "What no stage can override"),
        Key::required(
            "stage",
            Kind::Tables(&STAGE),
            "[[stage]]",
            "The stages, in order; written `[[stage]]`",
        ),
    ],
};

pub(crate) static EXPECT: Table = Table {
    id: "expect",
    title: "`[expect]`",
    doc: "What this beer should do; a batch may override each when it is pitched",
    rules: &[Rule::AtMostOne(&["final_gravity", "attenuation"])],
    keys: &[
        Key::default(
            "original_gravity",
            Kind::OneOf(&[Kind::Measure(GRAVITY), Kind::Choice(&[MEASURED])]),
            "measured",
            "The gravity before fermentation, or `\"measured\"`: the settled readings of the first \
             hours",
        ),
        Key::default(
            "final_gravity",
            Kind::OneOf(&[Kind::Measure(GRAVITY), Kind::Choice(&[UNKNOWN])]),
            "unknown",
            "The gravity after fermentation, or `\"unknown\"`: `progress` and `above_final` are \
             then refused",
        ),
        Key::optional(
            "attenuation",
            Kind::Measure(SHARE),
            "The apparent attenuation after fermentation, in place of `final_gravity`",
        ),
        Key::default(
            "begins_within",
            Kind::Measure(SPAN),
            "36 h",
            "A fall must be shown within this time from pitching, else an alarm",
        ),
        Key::optional(
            "yeast_range",
            Kind::Pair(TEMPERATURE),
            "The yeast's coldest and warmest temperature, from its data sheet",
        ),
    ],
};

pub(crate) static LIMITS: Table = Table {
    id: "limits",
    title: "`[limits]`",
    doc: "What no stage can override",
    rules: &[],
    keys: &[
        Key::optional(
            "coldest",
            Kind::Measure(TEMPERATURE),
            "No setpoint is colder; left out, the vessel's own limit stands",
        ),
        Key::optional(
            "warmest",
            Kind::Measure(TEMPERATURE),
            "No setpoint is warmer; left out, the vessel's own limit stands",
        ),
        Key::default(
            "ramp_up",
            Kind::Measure(TEMPERATURE_RATE),
            "1 C/h",
            "How fast a setpoint may rise",
        ),
        Key::default(
            "ramp_down",
            Kind::Measure(TEMPERATURE_RATE),
            "0.5 C/h",
            "How fast a setpoint may fall",
        ),
    ],
};

/// The forms of a target.
pub(crate) const TARGET: Kind = Kind::OneOf(&[
    Kind::Measure(TEMPERATURE),
    Kind::Table(&TIMED),
    Kind::Table(&CLIMB),
    Kind::Table(&FREE_RISE),
]);

pub(crate) static STAGE: Table = Table {
    id: "stage",
    title: "a stage",
    doc: "One stage: where the temperature goes, and what ends it",
    rules: &[],
    keys: &[
        Key::required(
            "name",
            Kind::Text,
            "name = \"primary\"",
            "The stage's name; no other stage has it",
        ),
        Key::required("target", TARGET, "target = \"18 C\"", "Where the setpoint goes"),
        Key::required(
            "until",
            Kind::Table(&MILESTONE),
            "until = { attenuation = \"50 %\" }",
            "What ends the stage",
        ),
        Key::optional("at_least", Kind::Measure(SPAN), "The stage is kept for at least this time"),
        Key::optional("at_most", Kind::Table(&AT_MOST), "A bound on the stage's length"),
        Key::default(
            "remind",
            Kind::Measure(SPAN),
            "12 h",
            "How often a sentence that waits for a person calls again",
        ),
        Key::optional(
            "notice",
            Kind::Tables(&NOTICE),
            "Sentences that are said once; written `[[stage.notice]]`",
        ),
    ],
};

const STEPS: Key = Key::optional(
    "steps",
    Kind::Integer(1, STEPS_MAX),
    "This many equal jumps, the k-th when k/N of the way is done; left out, a smooth line",
);
const TO: Key = Key::required("to", Kind::Measure(TEMPERATURE), "to = \"16 C\"", "Where it ends");

pub(crate) static TIMED: Table = Table {
    id: "timed",
    title: "a climb in time",
    doc: "A climb or descent in time, from wherever the setpoint stands",
    rules: &[Rule::ExactlyOne(&["over", "rate"])],
    keys: &[
        TO,
        Key::optional("over", Kind::Measure(SPAN), "It takes this long"),
        Key::optional("rate", Kind::Measure(TEMPERATURE_RATE), "It goes this fast"),
        STEPS,
    ],
};

pub(crate) static CLIMB: Table = Table {
    id: "climb",
    title: "a climb along the beer",
    doc: "Follows the beer: from the setpoint at the stage's entry to `to`, one way only",
    rules: &[],
    keys: &[
        TO,
        Key::required(
            "along",
            Kind::Choice(Along::CHOICES),
            "along = \"attenuation\"",
            "The share that it follows",
        ),
        Key::required(
            "from",
            Kind::Measure(SHARE),
            "from = \"50 %\"",
            "The share at which it begins",
        ),
        Key::required(
            "until",
            Kind::Measure(SHARE),
            "until = \"68 %\"",
            "The share at which it ends",
        ),
        STEPS,
    ],
};

pub(crate) static FREE_RISE: Table = Table {
    id: "free_rise",
    title: "a free rise",
    doc: "The beer's own warmth decides, below a ceiling that the chiller holds",
    rules: &[],
    keys: &[
        Key::required(
            "free_rise",
            Kind::Measure(TEMPERATURE),
            "free_rise = \"24 C\"",
            "The ceiling that the chiller holds",
        ),
        Key::optional(
            "not_below",
            Kind::Measure(TEMPERATURE),
            "No heating above this; left out, no heating at all",
        ),
    ],
};

pub(crate) static AT_MOST: Table = Table {
    id: "at_most",
    title: "`at_most`",
    doc: "A bound on the stage's length, acting once",
    rules: &[],
    keys: &[
        Key::required("time", Kind::Measure(SPAN), "time = \"12 d\"", "Counted as `elapsed` is"),
        Key::default("then", Kind::Choice(Overdue::CHOICES), "alarm", "What happens then"),
    ],
};

pub(crate) static NOTICE: Table = Table {
    id: "notice",
    title: "a notice",
    doc: "A sentence that is said once",
    rules: &[],
    keys: &[
        Key::required("say", Kind::Text, "say = \"A good day for a taste\"", "The sentence"),
        Key::required(
            "when",
            Kind::Table(&MILESTONE),
            "when = { elapsed = \"14 d\" }",
            "When it is said",
        ),
    ],
};

pub(crate) static MILESTONE: Table = Table {
    id: "milestone",
    title: "a milestone",
    doc: "A question that is answered with yes, no or unknown; several keys mean all of them",
    rules: &[Rule::NotEmpty],
    keys: &[
        Key::optional(
            "attenuation",
            Kind::Measure(SHARE),
            "Apparent attenuation is at least this: 50 % is half the way to 0 °P",
        ),
        Key::optional(
            "progress",
            Kind::Measure(SHARE),
            "This share of the way from original to expected final gravity is done",
        ),
        Key::optional("gravity", Kind::Measure(GRAVITY), "Gravity is at or below this"),
        Key::optional(
            "above_final",
            Kind::Measure(GRAVITY_DELTA),
            "Gravity is within this of the expected final gravity",
        ),
        Key::optional(
            "drop",
            Kind::Measure(GRAVITY_DELTA),
            "Gravity has fallen by at least this since pitching",
        ),
        Key::optional(
            "slower_than",
            Kind::Measure(GRAVITY_RATE),
            "Gravity falls more slowly than this, and has begun to fall",
        ),
        Key::optional("stable", Kind::Table(&STABLE), "The final gravity is reached"),
        Key::optional(
            "at_target",
            Kind::Measure(SPAN),
            "The beer has been at the stage's final target for this long",
        ),
        Key::optional("elapsed", Kind::Measure(SPAN), "Time in this stage"),
        Key::optional("since_pitch", Kind::Measure(SPAN), "Time since pitching"),
        Key::optional("confirm", Kind::Text, "A person has confirmed this sentence"),
        Key::optional("all", Kind::Tables(&MILESTONE), "All of these milestones"),
        Key::optional("any", Kind::Tables(&MILESTONE), "Any of these milestones"),
    ],
};

pub(crate) static STABLE: Table = Table {
    id: "stable",
    title: "`stable`",
    doc: "Less than `within` is still to fall, and the present rate is below `within` per `over`",
    rules: &[],
    keys: &[
        Key::required(
            "within",
            Kind::Measure(GRAVITY_DELTA),
            "within = \"1 points\"",
            "How much may still be to fall",
        ),
        Key::required(
            "over",
            Kind::Measure(SPAN),
            "over = \"48 h\"",
            "The time to which the rate is compared",
        ),
    ],
};

impl Word for Finish {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "keep", doc: "the last setpoint is kept until a person stops the batch" },
        Choice { word: "off", doc: "the outputs go off" },
    ];
    const VALUES: &'static [Self] = &[Finish::Keep, Finish::Off];
}

impl Word for Along {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "attenuation", doc: "apparent attenuation of the original extract" },
        Choice { word: "progress", doc: "the way from original to expected final gravity" },
    ];
    const VALUES: &'static [Self] = &[Along::Attenuation, Along::Progress];
}

impl Word for Overdue {
    const CHOICES: &'static [Choice] = &[
        Choice { word: "alarm", doc: "only the alarm `stage-overdue`" },
        Choice { word: "advance", doc: "the next stage, without asking `until`" },
        Choice { word: "hold", doc: "the run is held" },
    ];
    const VALUES: &'static [Self] = &[Overdue::Alarm, Overdue::Advance, Overdue::Hold];
}
