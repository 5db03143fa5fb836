//! JSON Schemas (draft 7, which most editors speak), from the descriptions that the reader uses.
//!
//! A schema is wider than the check: it knows each key and the form of its value, not what values
//! owe to each other across tables.

use crate::config_keys::CONFIG;
use crate::forms::{TEXT_MAX, TOPIC_LEVEL_MAX, TOPIC_MAX};
use crate::keys::{Choice, Key, Kind, Measure, Need, Rule, Table};
use crate::name::Name;
use crate::schedule_keys::SCHEDULE;
use quantity::{Quantity, Span};
use serde_json::{Map, Value, json};

/// The schema of a schedule file.
pub fn schedule_schema() -> Value {
    schema(&SCHEDULE)
}

/// The schema of a configuration file.
pub fn config_schema() -> Value {
    schema(&CONFIG)
}

fn schema(root: &'static Table) -> Value {
    let mut definitions = Map::new();
    let mut schema = table(root, &mut definitions);
    schema.insert("$schema".to_owned(), json!("http://json-schema.org/draft-07/schema#"));
    schema.insert("title".to_owned(), json!(format!("barmkeep {}", root.id)));
    schema.insert("definitions".to_owned(), Value::Object(definitions));
    Value::Object(schema)
}

fn table(table: &'static Table, definitions: &mut Map<String, Value>) -> Map<String, Value> {
    let properties: Map<String, Value> =
        table.keys.iter().map(|key| (key.name.to_owned(), property(key, definitions))).collect();
    let required: Vec<&str> = table
        .keys
        .iter()
        .filter(|key| matches!(key.need, Need::Required(_)))
        .map(|key| key.name)
        .collect();
    let mut schema = object(json!({
        "type": "object",
        "description": table.doc,
        "additionalProperties": false,
        "properties": properties,
    }));
    if !required.is_empty() {
        schema.insert("required".to_owned(), json!(required));
    }
    let rules: Vec<Value> = table.rules.iter().map(rule).collect();
    if !rules.is_empty() {
        schema.insert("allOf".to_owned(), Value::Array(rules));
    }
    schema
}

fn property(key: &'static Key, definitions: &mut Map<String, Value>) -> Value {
    let mut schema = object(kind(&key.kind, definitions));
    if let Some(reference) = schema.remove("$ref") {
        // Draft 7 ignores whatever stands beside a reference.
        schema.insert("allOf".to_owned(), json!([{ "$ref": reference }]));
    }
    schema.insert("description".to_owned(), json!(description(key)));
    if let Some(default) = key.default_text() {
        schema.insert("default".to_owned(), default_value(&key.kind, default));
    }
    Value::Object(schema)
}

fn description(key: &Key) -> String {
    let meanings = choices(&key.kind);
    if meanings.is_empty() {
        return key.doc.to_owned();
    }
    let meanings: Vec<String> =
        meanings.iter().map(|choice| format!("\"{}\": {}", choice.word, choice.doc)).collect();
    format!("{} ({})", key.doc, meanings.join("; "))
}

fn choices(kind: &Kind) -> &'static [Choice] {
    match kind {
        Kind::Choice(choices) => choices,
        _ => &[],
    }
}

fn default_value(kind: &Kind, text: &str) -> Value {
    match kind {
        Kind::Bool => json!(text == "true"),
        Kind::Choices(_) => json!(text.split(", ").collect::<Vec<_>>()),
        _ => json!(text),
    }
}

fn rule(rule: &Rule) -> Value {
    match rule {
        Rule::NotEmpty => json!({ "minProperties": 1 }),
        Rule::ExactlyOne(names) => {
            let each: Vec<Value> = names.iter().map(|name| json!({ "required": [name] })).collect();
            json!({ "oneOf": each })
        }
        Rule::AtMostOne(names) => json!({ "not": { "required": names } }),
        Rule::Needs(one, other) => {
            let mut needs = Map::new();
            needs.insert((*one).to_owned(), json!([other]));
            json!({ "dependencies": needs })
        }
    }
}

fn kind(kind: &'static Kind, definitions: &mut Map<String, Value>) -> Value {
    match kind {
        Kind::Text | Kind::File | Kind::TimeZone => text("\\S", TEXT_MAX),
        Kind::Name => text(&format!("^[a-z0-9-]{{1,{}}}$", Name::LONGEST), Name::LONGEST),
        Kind::Topic => text("^[^+#$][^+#]*$", TOPIC_MAX),
        Kind::TopicLevel => text("^[^+#$/][^+#/]*$", TOPIC_LEVEL_MAX),
        Kind::Pointer => text("^(/([^~/]|~[01])*)*$", TEXT_MAX),
        Kind::Listen => text("^.+:[0-9]{1,5}$", TEXT_MAX),
        Kind::Broker => text("^(embedded|mqtts?://[^/@]+)$", TEXT_MAX),
        Kind::Url => text("^https?://[^/@]+", TEXT_MAX),
        Kind::Integer(low, high) => {
            json!({ "type": "integer", "minimum": low, "maximum": high })
        }
        Kind::Bool => json!({ "type": "boolean" }),
        Kind::Choice(choices) => word(choices),
        Kind::Choices(choices) => {
            json!({ "type": "array", "minItems": 1, "items": word(choices) })
        }
        Kind::Measure(measure) => quantity(measure),
        Kind::Pair(measure) => json!({
            "type": "array", "minItems": 2, "maxItems": 2, "items": quantity(measure),
        }),
        Kind::Table(spec) => reference(spec, definitions),
        Kind::Tables(spec) => json!({
            "type": "array", "minItems": 1, "items": reference(spec, definitions),
        }),
        Kind::Named(spec) => json!({
            "type": "object",
            "minProperties": 1,
            "propertyNames": { "pattern": format!("^[a-z0-9-]{{1,{}}}$", Name::LONGEST) },
            "additionalProperties": reference(spec, definitions),
        }),
        Kind::Texts => json!({
            "type": "array", "minItems": 1, "items": text("\\S", TEXT_MAX),
        }),
        Kind::OneOf(kinds) => {
            let kinds: Vec<Value> = kinds.iter().map(|one| self::kind(one, definitions)).collect();
            json!({ "oneOf": kinds })
        }
    }
}

fn reference(spec: &'static Table, definitions: &mut Map<String, Value>) -> Value {
    if !definitions.contains_key(spec.id) {
        // Its place is taken first, as a milestone holds milestones.
        definitions.insert(spec.id.to_owned(), Value::Null);
        let schema = table(spec, definitions);
        definitions.insert(spec.id.to_owned(), Value::Object(schema));
    }
    json!({ "$ref": format!("#/definitions/{}", spec.id) })
}

fn text(pattern: &str, longest: usize) -> Value {
    json!({ "type": "string", "pattern": pattern, "maxLength": longest })
}

fn word(choices: &[Choice]) -> Value {
    let words: Vec<&str> = choices.iter().map(|choice| choice.word).collect();
    json!({ "type": "string", "enum": words })
}

/// A number and a unit, as [`Quantity::parse`] reads them, but for their range.
fn quantity(measure: &Measure) -> Value {
    const NUMBER: &str = r"[-+−]?\s*(\d+\.?\d*|\.\d+)\s*";
    let units: Vec<String> = measure.units.iter().map(|unit| spaced(unit)).collect();
    let units = units.join("|");
    let pattern = if measure.name == Span::KIND {
        format!(r"^\s*({NUMBER}({units})\s*)+$")
    } else {
        format!(r"^\s*{NUMBER}(°\s*)?({units})\s*$")
    };
    json!({
        "type": "string",
        "pattern": pattern,
        "examples": [measure.example],
        "description": format!("a {} in {}", measure.name, measure.units.join(", ")),
    })
}

/// A unit in which blanks are free around its stroke, and `point` is as good as `points`.
fn spaced(unit: &str) -> String {
    unit.replace('/', r"\s*/\s*").replace("points", "points?")
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(object) => object,
        other => Map::from_iter([("const".to_owned(), other)]),
    }
}
