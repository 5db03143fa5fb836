//! `pipe`: the same engine between standard input and output, for a simulator or another transport.
//!
//! JSON lines in, JSON lines out. For each line: the records up to its time, an `error` where the
//! line cannot be used, then exactly one `done`.

use crate::driver::Driver;
use crate::failure::Failure;
use crate::files::Cellar;
use crate::kept::Kept;
use crate::link::decode::command_input;
use engine::{Engine, Input, RawGravity, Reading, Values};
use quantity::{Stamp, Temperature};
use schedule::Name;
use serde::Serialize;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::io::{BufRead, Write};

/// A longer line is refused, in bytes.
const LONGEST_LINE: usize = 1 << 20;

/// Runs until the end of `input`.
///
/// # Errors
/// Where `input` or `output` fail.
pub fn run(cellar: &Cellar, input: impl BufRead, mut output: impl Write) -> Result<(), Failure> {
    let driver = Driver::new(Engine::new(cellar.setup()));
    let mut pipe = Pipe { cellar, driver, kept: Kept::default() };
    let mut input = input;
    let mut bytes = Vec::new();
    let mut line = 0_u64;
    while read_line(&mut input, &mut bytes)? {
        line += 1;
        let problem = pipe.take(&bytes).err();
        for record in pipe.driver.take_records() {
            write_line(&mut output, &record)?;
        }
        if let Some(text) = problem {
            write_line(&mut output, &Line::Error { line, text })?;
        }
        write_line(&mut output, &pipe.done())?;
        output.flush()?;
    }
    Ok(())
}

struct Pipe<'a> {
    cellar: &'a Cellar,
    driver: Driver,
    /// For a pitch in the past.
    kept: Kept,
}

impl Pipe<'_> {
    fn take(&mut self, bytes: &[u8]) -> Result<(), String> {
        if bytes.len() > LONGEST_LINE {
            return Err(format!("the line has over {LONGEST_LINE} bytes"));
        }
        let value: Value =
            serde_json::from_slice(bytes).map_err(|error| format!("this is no JSON: {error}"))?;
        let Value::Object(fields) = value else {
            return Err("the line is not a JSON object".to_owned());
        };
        let at = self.time(&fields)?;
        if let Some(problem) = self.driver.refuse_leap(at) {
            return Err(problem);
        }
        self.driver.pass(at);
        if let Some(input) = self.input(&fields)? {
            if let Input::Reading(reading) = &input {
                self.kept.keep(at, reading);
            }
            self.driver.give(input);
        }
        self.driver.take_effects();
        self.driver.take_points();
        Ok(())
    }

    fn time(&self, fields: &Map<String, Value>) -> Result<Stamp, String> {
        let text = fields.get("at").and_then(Value::as_str);
        let at = Stamp::parse_rfc3339(text.ok_or("`at` is missing or no text")?)?;
        match self.driver.now() {
            Some(now) if at < now => Err(format!("`at` falls: {at} comes after {now}")),
            _ => Ok(at),
        }
    }

    fn input(&self, fields: &Map<String, Value>) -> Result<Option<Input>, String> {
        let names = ["vessel", "source", "do"];
        if names.iter().all(|name| !fields.contains_key(*name)) {
            // Time alone; a number without a source would be lost without a word.
            return match fields.keys().find(|key| *key != "at") {
                None => Ok(None),
                Some(key) => Err(format!("`{key}` without `vessel`")),
            };
        }
        let named = fields.get("vessel").and_then(Value::as_str);
        let named = named.ok_or("`vessel` is missing or no text")?;
        if let Some((cooler, config)) = self.cellar.config.coolers.get_key_value(named) {
            return match fields.get("source").and_then(Value::as_str) {
                Some("reservoir") if config.reservoir.is_some() => {
                    reading(cooler, "reservoir", fields).map(Some)
                }
                _ => Err(format!("cooler {cooler} takes readings of its `reservoir` only")),
            };
        }
        let vessels = &self.cellar.config.vessels;
        let Some((vessel, config)) = vessels.get_key_value(named) else {
            return Err(format!("there is no vessel `{named}`"));
        };
        match (fields.get("source"), fields.get("do")) {
            (Some(Value::String(source)), None) => {
                let known = match source.as_str() {
                    "beer" => config.beer.is_some(),
                    "surround" => config.surround.is_some(),
                    name => config.gravity.contains_key(name),
                };
                if !known {
                    return Err(format!("vessel {vessel} has no source `{source}`"));
                }
                reading(vessel, source, fields).map(Some)
            }
            (None, Some(Value::String(_))) => Ok(Some(self.command(vessel, fields))),
            (Some(_), Some(_)) => Err("a line has `source` or `do`, not both".to_owned()),
            (None, None) => Err("a line with `vessel` needs `source` or `do`".to_owned()),
            _ => Err("`source` and `do` are texts".to_owned()),
        }
    }

    fn command(&self, vessel: &Name, fields: &Map<String, Value>) -> Input {
        let mut object = fields.clone();
        // The line's own time; a pitch in the past says `pitched_at`.
        object.remove("at");
        object.remove("vessel");
        let mut input = command_input(vessel, &object);
        self.cellar.load_files_of(&mut input, self.driver.engine.schedule_file(vessel));
        if let Ok(engine::Command::Pitch(pitch)) = &input.command
            && let Some(at) = pitch.at
        {
            input.history = self.kept.since(vessel, at);
        }
        input.into()
    }

    fn done(&self) -> Line {
        let vessels = self.cellar.config.vessels.keys();
        let vessels = vessels.map(|name| (name.to_string(), self.vessel_done(name))).collect();
        let word = |on: bool| if on { "on" } else { "off" };
        let engine = &self.driver.engine;
        let coolers = engine
            .coolers()
            .filter_map(|name| Some((name.to_string(), word(engine.cooler(name)?))))
            .collect();
        Line::Done { at: self.driver.now().map(Stamp::rfc3339), vessels, coolers }
    }

    fn vessel_done(&self, name: &Name) -> VesselDone {
        let word = |on: bool| if on { "on" } else { "off" };
        match self.driver.engine.glance(name) {
            Some(glance) => VesselDone {
                run: glance.run,
                stage: glance.stage,
                setpoint_c: glance.setpoint.map(Temperature::celsius),
                heater: word(glance.heater),
                chiller: word(glance.chiller),
            },
            None => VesselDone {
                run: "idle",
                stage: None,
                setpoint_c: None,
                heater: "off",
                chiller: "off",
            },
        }
    }
}

/// A line of output that is no record.
#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Line {
    /// A line of input that could not be used, counted from 1.
    Error { line: u64, text: String },
    /// All that a line of input did is told.
    Done {
        at: Option<String>,
        vessels: BTreeMap<String, VesselDone>,
        /// Only where the configuration has one.
        #[serde(skip_serializing_if = "BTreeMap::is_empty")]
        coolers: BTreeMap<String, &'static str>,
    },
}

/// How a vessel stands after a line.
#[derive(Serialize)]
struct VesselDone {
    run: &'static str,
    stage: Option<String>,
    setpoint_c: Option<f64>,
    heater: &'static str,
    chiller: &'static str,
}

fn reading(vessel: &Name, source: &str, fields: &Map<String, Value>) -> Result<Input, String> {
    let number = |key: &str| match fields.get(key) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::Number(number)) => Ok(number.as_f64()),
        Some(_) => Err(format!("`{key}` is no number")),
    };
    let mut gravity = None;
    type Unit = fn(f64) -> RawGravity;
    let units: [(&str, Unit); 4] = [
        ("gravity_sg", RawGravity::Sg),
        ("gravity_plato", RawGravity::Plato),
        ("gravity_brix", RawGravity::Brix),
        ("angle_deg", RawGravity::Degrees),
    ];
    for (key, unit) in units {
        if let Some(number) = number(key)?
            && gravity.replace(unit(number)).is_some()
        {
            return Err(format!("`{key}` beside another gravity: give one"));
        }
    }
    let values = Values {
        gravity,
        temperature_c: number("temperature_c")?,
        battery_percent: number("battery_percent")?,
    };
    let is_probe = matches!(source, "beer" | "reservoir" | "surround");
    if is_probe && values.temperature_c.is_none() {
        return Err(format!("a reading of `{source}` needs `temperature_c`"));
    }
    if values == Values::default() {
        return Err(
            "the reading has none of `gravity_sg`, `gravity_plato`, `angle_deg`, `temperature_c`, \
             `battery_percent`"
                .to_owned(),
        );
    }
    Ok(Input::Reading(Reading {
        vessel: vessel.clone(),
        source: source.to_owned(),
        taken: None,
        retained: false,
        values,
    }))
}

/// Reads a line, at most a little more of it than is allowed; the rest of a longer one is passed
/// over. `false` at the end of the input.
fn read_line(input: &mut impl BufRead, line: &mut Vec<u8>) -> std::io::Result<bool> {
    line.clear();
    loop {
        let buffer = input.fill_buf()?;
        if buffer.is_empty() {
            return Ok(!line.is_empty());
        }
        let end = buffer.iter().position(|byte| *byte == b'\n');
        let taken = end.map_or(buffer.len(), |end| end + 1);
        let room = (LONGEST_LINE + 1).saturating_sub(line.len());
        line.extend_from_slice(&buffer[..taken.min(room)]);
        input.consume(taken);
        if end.is_some() {
            return Ok(true);
        }
    }
}

fn write_line(output: &mut impl Write, value: &impl Serialize) -> std::io::Result<()> {
    serde_json::to_writer(&mut *output, value)?;
    output.write_all(b"\n")
}
