//! What can be wrong with a quantity, said so that the next try succeeds.

use std::fmt;

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct QuantityError {
    /// The kind that was wanted, such as `temperature`.
    pub kind: &'static str,
    /// The text as it was given.
    pub text: String,
    /// What is wrong with it.
    pub reason: Reason,
    /// The units this kind can have.
    pub units: &'static [&'static str],
    /// A right example.
    pub example: &'static str,
}

/// The ways in which a text can fail to be a quantity.
#[derive(Debug, Clone, PartialEq)]
pub enum Reason {
    /// Nothing but blanks.
    Empty,
    /// It does not begin with a number.
    NoNumber,
    /// A number without a unit.
    NoUnit,
    /// A comma where a point should be.
    Comma,
    /// A unit that this kind does not have.
    UnknownUnit(String),
    /// Beyond what is possible for this kind; the bounds are in words, with units.
    OutOfRange {
        /// The least possible value.
        low: &'static str,
        /// The largest possible value.
        high: &'static str,
    },
}

impl QuantityError {
    /// The next step for whoever wrote the text.
    pub fn hint(&self) -> String {
        match &self.reason {
            Reason::Comma => "decimals use a point".to_owned(),
            Reason::NoUnit => {
                format!("add a unit ({}), such as `\"{}\"`", self.unit_list(), self.example)
            }
            Reason::OutOfRange { low, high } => format!("possible is {low} to {high}"),
            Reason::Empty | Reason::NoNumber | Reason::UnknownUnit(_) => {
                format!(
                    "write a number and a unit ({}), such as `\"{}\"`",
                    self.unit_list(),
                    self.example
                )
            }
        }
    }

    fn unit_list(&self) -> String {
        let quoted: Vec<String> = self.units.iter().map(|unit| format!("`{unit}`")).collect();
        match quoted.as_slice() {
            [] => String::new(),
            [only] => only.clone(),
            [rest @ .., last] => format!("{} or {last}", rest.join(", ")),
        }
    }
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let QuantityError { kind, text, .. } = self;
        match &self.reason {
            Reason::Empty => write!(f, "the {kind} is empty"),
            Reason::NoNumber => write!(f, "the {kind} `{text}` does not begin with a number"),
            Reason::NoUnit => {
                write!(f, "the {kind} `{text}` has no unit: it could be {}", self.unit_list())
            }
            Reason::Comma => write!(f, "the {kind} `{text}` has a comma in its number"),
            Reason::UnknownUnit(unit) => {
                write!(f, "`{unit}` is not a unit of a {kind}: it could be {}", self.unit_list())
            }
            Reason::OutOfRange { low, high } => {
                write!(f, "the {kind} `{text}` is not possible: {low} to {high} is")
            }
        }
    }
}

impl std::error::Error for QuantityError {}
