//! Names of vessels, sources and coolers: safe as a level of a topic.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// A name of `a-z`, `0-9` and `-`; not empty, at most 32 characters.
///
/// Shared, since each reading carries its vessel's: a copy allocates nothing.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Name(Arc<str>);

impl Name {
    /// The longest name, in characters.
    pub const LONGEST: usize = 32;

    /// Reads a name.
    ///
    /// # Errors
    /// A sentence saying what a name may have.
    pub fn parse(text: &str) -> Result<Self, String> {
        let fits = !text.is_empty()
            && text.len() <= Self::LONGEST
            && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        if fits {
            Ok(Name(text.into()))
        } else {
            Err(format!(
                "`{text}` is not a name: `a-z`, `0-9` and `-`, at most {} characters",
                Self::LONGEST
            ))
        }
    }

    /// The name's text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl TryFrom<String> for Name {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Name::parse(&text)
    }
}

impl From<Name> for String {
    fn from(name: Name) -> String {
        name.0.as_ref().to_owned()
    }
}

impl std::borrow::Borrow<str> for Name {
    fn borrow(&self) -> &str {
        &self.0
    }
}
