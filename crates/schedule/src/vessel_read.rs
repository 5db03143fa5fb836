//! One vessel of a configuration: its sources, its outputs, its control.

use crate::config::{
    Control, Drive, Field, GravityRead, GravityReadUnit, GravitySource, Output, Place, Probe, Seen,
    Surround, TemperatureRead, TimeRead, Vessel,
};
use crate::config_keys::{
    BATTERY, BEER, CHILLER, CONTROL, FLOAT, GRAVITY_READ, HEATER, Percent, RESERVOIR, SEEN,
    SURROUND, TEMPERATURE_AT, TEMPERATURE_READ, TIME, VESSEL,
};
use crate::document::{Fields, Node, Walk};
use crate::keys::Table;
use crate::name::Name;
use crate::schedule_read::{above_zero, crossed};
use crate::survey::Survey;
use quantity::{Span, TemperatureDelta};
use std::collections::BTreeMap;
use toml::de::DeValue;

/// The shortest `silent_after`.
const SILENT_AFTER_MIN: Span = Span::from_mins(10);
/// The shortest default of `max_on`: with a probe every few seconds, one late reading must not end
/// a compressor's run.
const MAX_ON_DEFAULT_MIN: Span = Span::from_mins(5);
/// By default a reading may be late by this part of its interval before it ends a run: else each
/// one that comes a second late would end one.
const MAX_ON_LATE: i64 = 10;
/// The longest default of `max_on`.
const MAX_ON_DEFAULT_MAX: Span = Span::from_mins(20);
/// Names that gravity sources cannot have, as they mean the temperature probes.
const TAKEN: [&str; 2] = ["beer", "surround"];

/// Reads a vessel; `None` where any of it is broken.
pub(crate) fn vessel(
    walk: &mut Walk,
    name: &Name,
    node: &Node<'_>,
    survey: &mut Survey,
) -> Option<Vessel> {
    let fields = walk.open(node, &VESSEL)?;
    let volume = walk.quantity(&fields, "volume");
    let coldest = walk.quantity(&fields, "coldest");
    let warmest = walk.quantity(&fields, "warmest");
    if let (Some(coldest), Some(warmest)) = (coldest, warmest)
        && coldest >= warmest
    {
        crossed(walk, fields.place("coldest"), fields.place("warmest"));
    }
    let sample_every = above_zero(walk, &fields, "sample_every");
    let rides_with = rides_with(walk, name, &fields, survey);
    let gravity = floats(walk, name, &fields, survey);
    let beer = beer(walk, name, &fields, survey);
    let surround = surround(walk, name, &fields, survey);
    let every = controlled_every(beer.as_ref(), gravity.as_ref());
    let control = control(walk, &fields, every);
    let refresh = control.as_ref().map(|control| control.refresh);
    let heater = vessel_output(walk, name, &fields, "heater", &HEATER, refresh, survey);
    let chiller = vessel_output(walk, name, &fields, "chiller", &CHILLER, refresh, survey);
    without_probe(walk, name, &fields, every);
    let (beer, place) = beer?;
    Some(Vessel {
        volume: volume?,
        coldest: coldest?,
        warmest: warmest?,
        sample_every,
        rides_with,
        gravity: gravity?,
        beer,
        place,
        surround: surround?,
        heater: heater?,
        chiller: chiller?,
        control: control?,
    })
}

/// Reads what an output's table says: a heater's, a chiller's or a cooler's.
///
/// `refresh` is how often it is told again, where that is known.
pub(crate) fn output(
    walk: &mut Walk,
    fields: &Fields<'_>,
    what: &str,
    refresh: Option<Span>,
    survey: &mut Survey,
) -> Option<Output> {
    let drive = walk.choice::<Drive>(fields, "drive");
    let topic = walk.text(fields, "topic");
    let (on, off) = payloads(walk, fields);
    let min_on = walk.quantity(fields, "min_on");
    let min_off = walk.quantity(fields, "min_off");
    let power = walk.quantity(fields, "power");
    let runs_out = runs_out(walk, fields, refresh);
    let seen = seen(walk, fields, what, survey);
    let out_of_use = walk.boolean(fields, "out_of_use");
    if let Some(topic) = &topic {
        survey.output(topic, fields.place("topic"), what);
    }
    let by_switch = drive.is_some_and(|drive| drive != Drive::Setpoint);
    if by_switch && !fields.has("runs_out") && out_of_use == Some(false) {
        let message = format!(
            "nothing switches {what} off if the daemon, the broker or the network dies: it has no \
             `runs_out`"
        );
        walk.warn("no-runs-out", fields.span.clone(), message).hint(
            "let the relay open by its own timer when it hears nothing, and give that time, such \
             as `runs_out = \"5 min\"`",
        );
    }
    if drive == Some(Drive::Setpoint) {
        for key in ["topic", "on", "off", "power", "runs_out"].iter().filter(|key| fields.has(key))
        {
            let message = format!("`{key}` has no effect with `drive = \"setpoint\"`");
            walk.warn("no-effect", fields.key_place(key), message).hint("leave it out");
        }
    }
    Some(Output {
        drive: drive?,
        topic,
        on: on?,
        off: off?,
        min_on: min_on?,
        min_off: min_off?,
        power,
        runs_out,
        seen: seen?,
        out_of_use: out_of_use?,
        from: None,
    })
}

/// Reads the probe in a cooler's reservoir.
pub(crate) fn reservoir(
    walk: &mut Walk,
    cooler: &Name,
    node: &Node<'_>,
    survey: &mut Survey,
) -> Option<Probe> {
    let fields = walk.open(node, &RESERVOIR)?;
    probe(walk, &fields, &format!("the reservoir of `{cooler}`"), survey)
}

fn rides_with(
    walk: &mut Walk,
    name: &Name,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<Name> {
    let text = walk.text(fields, "rides_with");
    let host = text.and_then(|text| Name::parse(&text).ok());
    if let Some(host) = &host {
        for key in ["heater", "chiller"].iter().filter(|key| fields.has(key)) {
            let message = format!("`{key}` has no effect: the outputs follow `{host}`");
            walk.warn("no-effect", fields.key_place(key), message)
                .hint("leave out the output, or `rides_with`");
        }
    }
    survey.vessel(name, host.clone().map(|host| (host, fields.place("rides_with"))));
    host
}

fn floats(
    walk: &mut Walk,
    vessel: &Name,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<BTreeMap<Name, GravitySource>> {
    let nodes = walk.named(fields, "gravity");
    let floats: Vec<Option<(Name, GravitySource)>> = nodes
        .iter()
        .map(|(name, node)| {
            if TAKEN.contains(&name.as_str()) {
                let message = format!("a gravity source cannot be called `{name}`");
                walk.error("bad-name", node.span.clone(), message)
                    .hint("that name means the temperature probe: choose another");
            }
            Some((name.clone(), float(walk, vessel, name, node, survey)?))
        })
        .collect();
    floats.into_iter().collect()
}

fn float(
    walk: &mut Walk,
    vessel: &Name,
    name: &Name,
    node: &Node<'_>,
    survey: &mut Survey,
) -> Option<GravitySource> {
    let fields = walk.open(node, &FLOAT)?;
    let topic = walk.text(&fields, "topic");
    let read = gravity_read(walk, &fields);
    let calibration = walk.text(&fields, "calibration");
    let expansion = walk.quantity(&fields, "expansion");
    let temperature = optional(walk, &fields, "temperature", &TEMPERATURE_AT, temperature_read);
    let battery = optional(walk, &fields, "battery", &BATTERY, |walk, inner| {
        walk.choice::<Percent>(inner, "unit")?;
        walk.text(inner, "at").map(|at| Field(Some(at)))
    });
    let time = optional(walk, &fields, "time", &TIME, |walk, inner| {
        let form = walk.choice(inner, "form");
        let at = Field(Some(walk.text(inner, "at")?));
        Some(TimeRead { at, form: form? })
    });
    let every = above_zero(walk, &fields, "every");
    if let (Some(topic), Some(read)) = (&topic, &read) {
        let what = format!("the float `{name}` of `{vessel}`");
        survey.float(topic, &read.at, fields.place("topic"), &what);
    }
    if read.as_ref().is_some_and(|read| read.unit == GravityReadUnit::Degrees)
        && !fields.has("calibration")
    {
        let message = "an angle says nothing of gravity without a calibration".to_owned();
        walk.error("no-calibration", fields.place("read"), message)
            .hint("write one with `barmkeep calibrate`, and name its file in `calibration`");
    }
    Some(GravitySource {
        topic: topic?,
        read: read?,
        calibration,
        expansion,
        temperature: temperature?,
        battery: battery?,
        time: time?,
        every: every?,
    })
}

/// Reads an optional table; the outer `None` is a broken one.
fn optional<T>(
    walk: &mut Walk,
    fields: &Fields<'_>,
    key: &str,
    spec: &'static Table,
    read: impl FnOnce(&mut Walk, &Fields<'_>) -> Option<T>,
) -> Option<Option<T>> {
    let Some(node) = fields.node(key) else { return Some(None) };
    let inner = walk.open(node, spec)?;
    read(walk, &inner).map(Some)
}

fn gravity_read(walk: &mut Walk, fields: &Fields<'_>) -> Option<GravityRead> {
    let inner = walk.open(fields.node("read")?, &GRAVITY_READ)?;
    let at = field(walk, &inner);
    let unit = walk.choice(&inner, "unit");
    Some(GravityRead { at: at?, unit: unit? })
}

fn temperature_read(walk: &mut Walk, inner: &Fields<'_>) -> Option<TemperatureRead> {
    let at = field(walk, inner);
    let unit = walk.choice(inner, "unit");
    Some(TemperatureRead { at: at?, unit: unit? })
}

/// The place in a message; the outer `None` is a broken one.
fn field(walk: &mut Walk, fields: &Fields<'_>) -> Option<Field> {
    if !fields.has("at") {
        return Some(Field(None));
    }
    // The empty pointer is the whole message, as is none at all.
    walk.text(fields, "at").map(|at| Field(Some(at).filter(|at| !at.is_empty())))
}

fn probe(walk: &mut Walk, fields: &Fields<'_>, what: &str, survey: &mut Survey) -> Option<Probe> {
    let topic = walk.text(fields, "topic");
    let read = fields
        .node("read")
        .and_then(|node| walk.open(node, &TEMPERATURE_READ))
        .and_then(|inner| temperature_read(walk, &inner));
    let offset = walk.quantity(fields, "offset");
    let every = above_zero(walk, fields, "every");
    if let Some(topic) = &topic {
        survey.source(topic, fields.place("topic"), what);
    }
    Some(Probe { topic: topic?, read: read?, offset: offset?, every: every? })
}

fn beer(
    walk: &mut Walk,
    vessel: &Name,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<(Option<Probe>, Place)> {
    let Some(node) = fields.node("beer") else { return Some((None, Place::default())) };
    let inner = walk.open(node, &BEER)?;
    let place = place(walk, &inner);
    let probe = probe(walk, &inner, &format!("the beer's probe of `{vessel}`"), survey);
    Some((Some(probe?), place?))
}

fn place(walk: &mut Walk, fields: &Fields<'_>) -> Option<Place> {
    if let Some(Node { value: DeValue::String(text), span, .. }) = fields.node("place")
        && text == "air"
    {
        let message = "the air's temperature is not the beer's: it cannot be controlled on";
        walk.error("bad-value", span.clone(), message.to_owned()).hint(
            "put the probe in a thermowell or under insulation on the wall; air is `surround`",
        );
        return None;
    }
    let place = walk.choice::<Place>(fields, "place")?;
    if place == Place::Wall {
        let message = "a probe on the wall also feels the air around it".to_owned();
        walk.warn("wall-probe", fields.place("place"), message)
            .hint("insulate over it; a thermowell is better");
    }
    Some(place)
}

fn surround(
    walk: &mut Walk,
    vessel: &Name,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<Option<Surround>> {
    let what = format!("the surround of `{vessel}`");
    optional(walk, fields, "surround", &SURROUND, |walk, inner| {
        let probe = probe(walk, inner, &what, survey);
        let below_beer = positive(walk, inner, "below_beer");
        let above_beer = positive(walk, inner, "above_beer");
        let coldest = walk.quantity(inner, "coldest");
        Some(Surround {
            probe: probe?,
            below_beer: below_beer?,
            above_beer: above_beer?,
            coldest: coldest?,
        })
    })
}

/// How often the temperature comes that is controlled on: the beer's, else the first float's own.
fn controlled_every(
    beer: Option<&(Option<Probe>, Place)>,
    gravity: Option<&BTreeMap<Name, GravitySource>>,
) -> Option<Span> {
    if let Some((Some(probe), _)) = beer {
        return Some(probe.every);
    }
    let float = gravity?.values().find(|source| source.temperature.is_some())?;
    Some(float.every)
}

fn control(walk: &mut Walk, fields: &Fields<'_>, every: Option<Span>) -> Option<Control> {
    let inner = walk.open_in(fields, "control", &CONTROL)?;
    let hysteresis = positive(walk, &inner, "hysteresis");
    let changeover = walk.quantity(&inner, "changeover");
    let anticipate = walk.boolean(&inner, "anticipate");
    let refresh = above_zero(walk, &inner, "refresh");
    let silent_after = silent_after(walk, &inner, every);
    let max_on = if inner.has("max_on") {
        above_zero(walk, &inner, "max_on")
    } else {
        let every = every.unwrap_or(MAX_ON_DEFAULT_MAX);
        let late = Span::from_millis(every.millis() / MAX_ON_LATE);
        Some((every + late).clamp(MAX_ON_DEFAULT_MIN, MAX_ON_DEFAULT_MAX))
    };
    let off_target = positive(walk, &inner, "off_target");
    if let (Some(band), Some(off)) = (hysteresis, off_target)
        && off <= band
    {
        let message = "`off_target` lies within the band: the alarm would never rest".to_owned();
        walk.error("bad-value", inner.place("off_target"), message)
            .hint("it must be above `hysteresis`, such as `\"2 C\"`");
    }
    Some(Control {
        hysteresis: hysteresis?,
        changeover: changeover?,
        anticipate: anticipate?,
        refresh: refresh?,
        silent_after: silent_after?,
        max_on: max_on?,
        off_target: off_target?,
    })
}

fn silent_after(walk: &mut Walk, fields: &Fields<'_>, every: Option<Span>) -> Option<Span> {
    let least = every.map_or(SILENT_AFTER_MIN, |every| SILENT_AFTER_MIN.max(every * 3));
    if !fields.has("silent_after") {
        return Some(least);
    }
    let given = walk.quantity::<Span>(fields, "silent_after")?;
    if given < least {
        let message = format!("`silent_after` cannot be {given}: at least {least} here");
        walk.error("bad-value", fields.place("silent_after"), message).hint(
            "it is the longer of 10 min and three intervals of the source that is controlled on",
        );
        return None;
    }
    Some(given)
}

fn vessel_output(
    walk: &mut Walk,
    vessel: &Name,
    fields: &Fields<'_>,
    key: &str,
    spec: &'static Table,
    refresh: Option<Span>,
    survey: &mut Survey,
) -> Option<Option<Output>> {
    let what = format!("the {key} of `{vessel}`");
    optional(walk, fields, key, spec, |walk, inner| {
        let output = output(walk, inner, &what, refresh, survey);
        let mut from = None;
        if spec.key("from").is_some() {
            from = walk.text(inner, "from").and_then(|text| Name::parse(&text).ok());
        }
        if let Some(cooler) = &from {
            survey.valve(cooler, inner.place("from"), refresh);
        }
        Some(Output { from, ..output? })
    })
}

fn payloads(walk: &mut Walk, fields: &Fields<'_>) -> (Option<String>, Option<String>) {
    let (on, off) = (walk.text(fields, "on"), walk.text(fields, "off"));
    if on.is_some() && on == off {
        let message = "`on` and `off` are the same payload".to_owned();
        walk.error("bad-value", fields.place("off"), message)
            .hint("the relay could not tell them apart");
    }
    (on, off)
}

fn runs_out(walk: &mut Walk, fields: &Fields<'_>, refresh: Option<Span>) -> Option<Span> {
    let given = walk.quantity::<Span>(fields, "runs_out")?;
    let refresh = refresh?;
    if given <= refresh * 2 {
        let message = format!(
            "the relay would open by itself between two messages: `runs_out` ({given}) must be \
             more than twice `refresh` ({refresh})"
        );
        walk.error("bad-value", fields.place("runs_out"), message)
            .hint(format!("such as `\"{}\"`", refresh * 5));
        return None;
    }
    Some(given)
}

fn seen(
    walk: &mut Walk,
    fields: &Fields<'_>,
    what: &str,
    survey: &mut Survey,
) -> Option<Option<Seen>> {
    optional(walk, fields, "seen", &SEEN, |walk, inner| {
        let topic = walk.text(inner, "topic");
        let (on, off) = payloads(walk, inner);
        if let Some(topic) = &topic {
            survey.source(topic, inner.place("topic"), &format!("the report of {what}"));
        }
        Some(Seen { topic: topic?, on: on?, off: off? })
    })
}

/// Warns of a vessel that is controlled on a float's own temperature, or on nothing.
fn without_probe(walk: &mut Walk, vessel: &Name, fields: &Fields<'_>, every: Option<Span>) {
    if fields.has("beer") {
        return;
    }
    let (message, hint) = match every {
        Some(every) => (
            format!(
                "`{vessel}` has no `beer` probe: it is controlled on its float's own temperature, \
                 every {every}"
            ),
            "a probe in a thermowell keeps the temperature much closer",
        ),
        None => (
            format!("`{vessel}` has no source of temperature: its outputs stay off"),
            "add a `beer` probe, or `temperature` to its float",
        ),
    };
    walk.warn("no-beer-probe", fields.span.clone(), message).hint(hint);
}

/// A difference above nothing; its default where it was left out.
fn positive(walk: &mut Walk, fields: &Fields<'_>, key: &str) -> Option<TemperatureDelta> {
    let delta = walk.quantity::<TemperatureDelta>(fields, key)?;
    if delta.kelvin() <= 0.0 {
        let message = format!("`{key}` must be above nothing");
        walk.error("bad-value", fields.place(key), message)
            .hint(format!("such as `{}`", fields.example(key)));
        return None;
    }
    Some(delta)
}
