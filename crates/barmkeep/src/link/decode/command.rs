//! Commands as they come in: JSON with `do`, `id`, the sender and the command's own fields, all
//! texts.
//!
//! The sender is `sender`, or `by` for short. `nudge` has a `by` of its own, its amount: there `by`
//! names a sender only beside a `target`, and only where it does not begin like a number.

use super::field::excerpt;
use engine::{Command, CommandInput, Input};
use schedule::Name;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// The largest command, in bytes.
pub const COMMAND_BYTES_MAX: usize = 16 * 1024;
/// The longest `id` and `by`, in bytes; an `id` is remembered for long.
const NAME_BYTES_MAX: usize = 128;

/// The command in a payload. Nothing where there is none: an empty payload clears a retained
/// message and wants nothing.
pub(super) fn decode(vessel: &Name, payload: &[u8], retained: bool) -> Option<Input> {
    if payload.is_empty() {
        return None;
    }
    let object = match object(payload) {
        Ok(object) => object,
        Err(problem) => return Some(refused(vessel, problem)),
    };
    let mut input = command_input(vessel, &object);
    if retained {
        input.command = Err(RETAINED.to_owned());
    }
    Some(input.into())
}

/// The command that an object of `do`, `id`, a sender and fields makes; its `command` says what is
/// wrong where it makes none. The schedule that it names is for the driver to read.
pub fn command_input(vessel: &Name, object: &Map<String, Value>) -> CommandInput {
    let id = named(object, "id");
    let by = sender(object);
    let command = match (&id, &by) {
        (Err(problem), _) | (_, Err(problem)) => Err(problem.clone()),
        _ => command(object),
    };
    CommandInput {
        vessel: vessel.clone(),
        id: id.ok().flatten(),
        by: by.ok().flatten(),
        command,
        schedule: None,
        calibration: None,
        history: Vec::new(),
    }
}

/// A command that could not be read at all.
pub(super) fn refused(vessel: &Name, problem: String) -> Input {
    Input::from(CommandInput {
        vessel: vessel.clone(),
        id: None,
        by: None,
        command: Err(problem),
        schedule: None,
        calibration: None,
        history: Vec::new(),
    })
}

const RETAINED: &str = "the command is retained: it may be of any age, and would come again after \
                        each reconnect; send commands without the retain flag";

fn object(payload: &[u8]) -> Result<Map<String, Value>, String> {
    if payload.len() > COMMAND_BYTES_MAX {
        let size_bytes = payload.len();
        return Err(format!(
            "the command has {size_bytes} bytes: at most {COMMAND_BYTES_MAX} are read"
        ));
    }
    match serde_json::from_slice(payload) {
        Ok(Value::Object(object)) => Ok(object),
        Ok(_) => Err("a command is a JSON object such as {\"do\": \"hold\"}".to_owned()),
        Err(error) => Err(format!("the command is not JSON: {error}")),
    }
}

fn named(object: &Map<String, Value>, field: &str) -> Result<Option<String>, String> {
    match object.get(field) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(text)) if text.is_empty() => Ok(None),
        Some(Value::String(text)) if text.len() <= NAME_BYTES_MAX => Ok(Some(text.clone())),
        Some(Value::String(_)) => Err(format!("`{field}` has at most {NAME_BYTES_MAX} bytes")),
        Some(other) => Err(format!("`{field}` is {}: write it as text, in quotes", shown(other))),
    }
}

/// Who sent it, as they say.
fn sender(object: &Map<String, Value>) -> Result<Option<String>, String> {
    let sender = named(object, "sender")?;
    let by = if by_is_amount(object) { None } else { named(object, "by")? };
    match (&sender, &by) {
        (Some(sender), Some(by)) if sender != by => {
            Err("`sender` and `by` both say who sends it: give one".to_owned())
        }
        _ => Ok(sender.or(by)),
    }
}

/// Whether `by` is the amount of a `nudge`: always where it has no `target`, and beside one where
/// it begins like a number, so that an amount is never taken for a name.
fn by_is_amount(object: &Map<String, Value>) -> bool {
    let text = |field: &str| object.get(field).and_then(Value::as_str).map_or("", str::trim);
    let like_a_number = |c: char| c.is_ascii_digit() || ['+', '-', '\u{2212}', '.'].contains(&c);
    let has_target = !matches!(object.get("target"), None | Some(Value::Null));
    text("do") == "nudge" && (!has_target || text("by").starts_with(like_a_number))
}

fn command(object: &Map<String, Value>) -> Result<Command, String> {
    let name = match object.get("do") {
        Some(Value::String(name)) => named_with_action(name.trim()),
        Some(other) => {
            return Err(format!("`do` is {}: it names the command, as text", shown(other)));
        }
        None => return Err("the command has no `do`: it names the command".to_owned()),
    };
    let (name, action) = name;
    let mut fields = BTreeMap::new();
    fields.extend(action.map(|action| ("do".to_owned(), action.to_owned())));
    for (field, value) in object {
        let of_command = match field.as_str() {
            "do" | "id" | "sender" => false,
            "by" => by_is_amount(object),
            _ => true,
        };
        if of_command && let Some(text) = text(field, value)? {
            // An object has one `do`, and that is the command's name.
            let field = if field == "action" { "do" } else { field };
            fields.insert(field.to_owned(), text);
        }
    }
    Command::from_fields(name, &fields).map_err(|error| error.to_string())
}

/// What is done with a source may stand beside the command's name, as `source aside`, or alone: an
/// object that was written with two `do` has only the last.
fn named_with_action(name: &str) -> (&str, Option<&str>) {
    const ACTIONS: [&str; 3] = ["aside", "return", "exchanged"];
    match name.split_once(' ') {
        Some(("source", action)) => ("source", Some(action.trim())),
        None if ACTIONS.contains(&name) => ("source", Some(name)),
        _ => (name, None),
    }
}

/// A field's text; `None` where it is null, as good as left out.
fn text(field: &str, value: &Value) -> Result<Option<String>, String> {
    if let Value::Bool(truth) = value
        && engine::command::SWITCHES.contains(&field)
    {
        return Ok(Some(if *truth { "yes" } else { "no" }.to_owned()));
    }
    let field = excerpt(field);
    match value {
        Value::Null => Ok(None),
        Value::String(text) => Ok(Some(text.clone())),
        Value::Number(number) => Err(format!(
            "`{field}` is the bare number {number}: quantities are texts with their unit, such as \
             \"1.048 SG\" or \"18 C\""
        )),
        other => Err(format!("`{field}` is {}: fields are texts, in quotes", shown(other))),
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::Array(_) => "a list".to_owned(),
        Value::Bool(truth) => format!("the truth value {truth}"),
        Value::Null => "null".to_owned(),
        Value::Number(number) => format!("the number {number}"),
        Value::Object(_) => "an object".to_owned(),
        Value::String(text) => format!("`{}`", excerpt(text)),
    }
}
