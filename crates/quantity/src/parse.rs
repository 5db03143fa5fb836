//! The one grammar of a quantity: a number, free blanks, a unit.

use crate::{QuantityError, Reason};

/// A kind of quantity that can be read from a text with a unit.
///
/// The associated constants describe the kind for messages and for the schema.
pub trait Quantity: Sized {
    /// The kind's name in a sentence.
    const KIND: &'static str;
    /// The units a text can have.
    const UNITS: &'static [&'static str];
    /// A right example.
    const EXAMPLE: &'static str;

    /// Makes the value from a number in one of [`Self::UNITS`] (by index).
    ///
    /// # Errors
    /// [`Reason::OutOfRange`] where the kind cannot have this value.
    fn from_unit(number: f64, unit: usize) -> Result<Self, Reason>;

    /// Reads `number unit`; `°` before the unit is optional, blanks are free.
    ///
    /// # Errors
    /// Says which units the kind has where there is none or a wrong one, and the range where the
    /// value is impossible.
    fn parse(text: &str) -> Result<Self, QuantityError> {
        let parsed = split(text).and_then(|(number, unit)| {
            let unit = find_unit(unit, Self::UNITS)?;
            Self::from_unit(number, unit)
        });
        parsed.map_err(|reason| Self::error(text, reason))
    }

    /// An error of this kind about `text`.
    fn error(text: &str, reason: Reason) -> QuantityError {
        QuantityError {
            kind: Self::KIND,
            text: text.trim().to_owned(),
            reason,
            units: Self::UNITS,
            example: Self::EXAMPLE,
        }
    }
}

/// Splits a text into its number and what follows it, trimmed.
pub(crate) fn split(text: &str) -> Result<(f64, &str), Reason> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Reason::Empty);
    }
    let (number, rest) = split_number(text)?;
    Ok((number, rest.trim()))
}

/// Reads the number at the start of `text`: sign, digits, at most one point. No exponent.
pub(crate) fn split_number(text: &str) -> Result<(f64, &str), Reason> {
    let unsigned = text.strip_prefix(['-', '+', '\u{2212}']);
    let negative = unsigned.is_some() && !text.starts_with('+');
    let body = unsigned.unwrap_or(text).trim_start();
    let end = body.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(body.len());
    let (digits, rest) = body.split_at(end);
    if rest.starts_with(',') && rest[1..].starts_with(|c: char| c.is_ascii_digit()) {
        return Err(Reason::Comma);
    }
    // `parse` still refuses an empty text, a lone point and a second point.
    let magnitude: f64 = digits.parse().map_err(|_| Reason::NoNumber)?;
    Ok((if negative { -magnitude } else { magnitude }, rest))
}

fn find_unit(unit: &str, units: &[&str]) -> Result<usize, Reason> {
    let bare = unit.strip_prefix('°').unwrap_or(unit).trim_start();
    if bare.is_empty() {
        return Err(Reason::NoUnit);
    }
    units
        .iter()
        .position(|known| same_unit(known, bare))
        .ok_or_else(|| Reason::UnknownUnit(bare.to_owned()))
}

/// Units are compared without regard to blanks, and `points` also reads `point`.
fn same_unit(known: &str, given: &str) -> bool {
    let squeezed: String = given.chars().filter(|c| !c.is_whitespace()).collect();
    squeezed == known || known.replacen("points", "point", 1) == squeezed
}
