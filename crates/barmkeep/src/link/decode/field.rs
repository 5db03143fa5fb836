//! Single values in a message: numbers, temperatures and times.

use quantity::Stamp;
use schedule::config::{Field, TemperatureReadUnit, TimeForm, TimeRead};
use serde_json::Value;
use std::cell::OnceCell;

/// 9999-12-31T23:59:59.999Z in milliseconds: later than this is no time of a device.
const LAST_MILLIS: f64 = 253_402_300_799_999.0;
/// How much of a wrong value is shown, in characters.
const EXCERPT: usize = 40;

/// A message's payload; read as JSON when the first pointer needs it, and once only.
pub(super) struct Body<'a> {
    payload: &'a [u8],
    json: OnceCell<Result<Value, String>>,
}

impl<'a> Body<'a> {
    pub fn new(payload: &'a [u8]) -> Self {
        Body { payload, json: OnceCell::new() }
    }

    pub fn payload(&self) -> &'a [u8] {
        self.payload
    }

    /// The number at `at`; `None` where the message leaves it out or says null.
    pub fn number(&self, at: &Field) -> Result<Option<f64>, String> {
        self.value(at)?.map(|value| number(&value, at)).transpose()
    }

    /// The number at `at`, which must be there.
    pub fn needed(&self, at: &Field) -> Result<f64, String> {
        self.number(at)?.ok_or_else(|| match &at.0 {
            Some(pointer) => format!("the message has no value at `{pointer}`"),
            None => "the message is empty".to_owned(),
        })
    }

    /// The device's own time; `None` where the message leaves it out or says null.
    pub fn time(&self, read: &TimeRead) -> Result<Option<Stamp>, String> {
        let Some(value) = self.value(&read.at)? else { return Ok(None) };
        let millis = match (read.form, &value) {
            (TimeForm::Rfc3339, Value::String(text)) => {
                return Stamp::parse_rfc3339(text)
                    .map(Some)
                    .map_err(|_| format!("`{}` is not a time as RFC 3339 has it", excerpt(text)));
            }
            (TimeForm::Rfc3339, other) => {
                let text = excerpt(&other.to_string());
                return Err(format!("`{text}` is not a time as RFC 3339 has it"));
            }
            (TimeForm::Unix, value) => number(value, &read.at)? * 1e3,
            (TimeForm::UnixMillis, value) => number(value, &read.at)?,
        };
        if (0.0..=LAST_MILLIS).contains(&millis) {
            Ok(Some(Stamp::from_millis(millis.round() as i64)))
        } else {
            Err(format!("`{}` is not a time since 1970", excerpt(&value.to_string())))
        }
    }

    /// What stands at `at`; `None` where nothing does, or null.
    fn value(&self, at: &Field) -> Result<Option<Value>, String> {
        let Some(pointer) = &at.0 else { return self.bare() };
        match self.json() {
            Ok(json) => Ok(json.pointer(pointer).filter(|value| !value.is_null()).cloned()),
            Err(problem) => Err(problem.clone()),
        }
    }

    /// The whole payload as one value: a number, or text.
    fn bare(&self) -> Result<Option<Value>, String> {
        let text = std::str::from_utf8(self.payload)
            .map_err(|_| "the message is not text (UTF-8)".to_owned())?
            .trim();
        if text.is_empty() {
            return Ok(None);
        }
        if text.starts_with(['"', '{', '[']) || text == "null" {
            return self.json().clone().map(|json| Some(json).filter(|value| !value.is_null()));
        }
        Ok(Some(Value::String(text.to_owned())))
    }

    fn json(&self) -> &Result<Value, String> {
        self.json.get_or_init(|| {
            if self.payload.is_empty() {
                return Err("the message is empty".to_owned());
            }
            serde_json::from_slice(self.payload)
                .map_err(|error| format!("the message is not JSON: {error}"))
        })
    }
}

/// A temperature in °C.
pub(super) fn celsius(number: f64, unit: TemperatureReadUnit) -> f64 {
    match unit {
        TemperatureReadUnit::Celsius => number,
        TemperatureReadUnit::Fahrenheit => (number - 32.0) / 1.8,
        TemperatureReadUnit::Kelvin => number - 273.15,
    }
}

/// A finite number; devices also send numbers as JSON strings.
fn number(value: &Value, at: &Field) -> Result<f64, String> {
    let found = match value {
        Value::Number(number) => number.as_f64(),
        Value::String(text) => text.trim().parse().ok(),
        _ => None,
    };
    found.filter(|number: &f64| number.is_finite()).ok_or_else(|| {
        let text = match value {
            Value::String(text) => text.clone(),
            other => other.to_string(),
        };
        let place = at.0.as_ref().map_or_else(String::new, |pointer| format!(" at `{pointer}`"));
        let hint = match (&at.0, value) {
            (None, Value::Object(_)) => "; say with `at` where in the message the number stands",
            _ if text.contains(',') && !text.contains(['{', '[']) => "; decimals use a point",
            _ => "",
        };
        format!("`{}`{place} is not a number{hint}", excerpt(&text))
    })
}

/// The beginning of a text, fit for a sentence.
pub(super) fn excerpt(text: &str) -> String {
    let visible = |c: char| if c.is_control() { ' ' } else { c };
    let mut shown: String = text.chars().take(EXCERPT).map(visible).collect();
    if text.chars().nth(EXCERPT).is_some() {
        shown.push('…');
    }
    shown
}
