//! What a table of a file may contain, said once: the reader, its messages and the schemas for
//! editors all use these descriptions, so they cannot disagree.

use quantity::Quantity;

/// The description of one kind of table.
#[derive(Debug)]
pub(crate) struct Table {
    /// Its name in a schema.
    pub id: &'static str,
    /// Its name in a sentence, with an article where it needs one: `a stage`, `[limits]`.
    pub title: &'static str,
    /// What it is for.
    pub doc: &'static str,
    /// What its keys owe to each other.
    pub rules: &'static [Rule],
    /// Its keys, in the order in which a person would write them.
    pub keys: &'static [Key],
}

/// The description of one key.
#[derive(Debug)]
pub(crate) struct Key {
    /// As written.
    pub name: &'static str,
    /// What its value must be.
    pub kind: Kind,
    /// Whether it may be left out.
    pub need: Need,
    /// What it is for: one sentence without its full stop.
    pub doc: &'static str,
}

/// Whether a key may be left out.
#[derive(Debug)]
pub(crate) enum Need {
    /// It may not; the text is an example of it, in TOML.
    Required(&'static str),
    /// It then has this value: the text inside the quotes, or a bare number or word.
    Default(&'static str),
    /// It then has no value, or one that the key's `doc` explains.
    Optional,
}

/// What the keys of a table owe to each other.
#[derive(Debug)]
pub(crate) enum Rule {
    /// There must be at least one key.
    NotEmpty,
    /// One of these is needed, and only one.
    ExactlyOne(&'static [&'static str]),
    /// These exclude each other.
    AtMostOne(&'static [&'static str]),
    /// The first is of no use without the second.
    Needs(&'static str, &'static str),
}

/// What a value must be.
#[derive(Debug)]
pub(crate) enum Kind {
    /// A text on one line, not empty.
    Text,
    /// The name of a vessel, a source or a cooler.
    Name,
    /// A file or folder.
    File,
    /// An MQTT topic that can be published to.
    Topic,
    /// One level of an MQTT topic.
    TopicLevel,
    /// An RFC 6901 JSON Pointer.
    Pointer,
    /// `address:port`.
    Listen,
    /// `embedded`, or the address of a broker.
    Broker,
    /// The address of a web server.
    Url,
    /// The IANA name of a time zone.
    TimeZone,
    /// A whole number between these two.
    Integer(u32, u32),
    /// `true` or `false`.
    Bool,
    /// One of these words.
    Choice(&'static [Choice]),
    /// A number with a unit, as a text.
    Measure(Measure),
    /// The coldest and the warmest of a range.
    Pair(Measure),
    /// A table.
    Table(&'static Table),
    /// A list of at least one table.
    Tables(&'static Table),
    /// Tables under names of their own.
    Named(&'static Table),
    /// A list of at least one text.
    Texts,
    /// A list of at least one of these words.
    Choices(&'static [Choice]),
    /// Any one of these.
    OneOf(&'static [Kind]),
}

/// One of the words that a key may have.
#[derive(Debug)]
pub(crate) struct Choice {
    /// As written.
    pub word: &'static str,
    /// What it means.
    pub doc: &'static str,
}

/// A kind of quantity, without its type.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Measure {
    /// Its name in a sentence.
    pub name: &'static str,
    /// Its units.
    pub units: &'static [&'static str],
    /// A right example.
    pub example: &'static str,
}

impl Measure {
    /// The kind of `T`.
    pub const fn of<T: Quantity>() -> Self {
        Measure { name: T::KIND, units: T::UNITS, example: T::EXAMPLE }
    }
}

impl Key {
    /// A key that must be there; `example` is a line of TOML.
    pub const fn required(
        name: &'static str,
        kind: Kind,
        example: &'static str,
        doc: &'static str,
    ) -> Self {
        Key { name, kind, need: Need::Required(example), doc }
    }

    /// A key that has a value when it is left out.
    pub const fn default(
        name: &'static str,
        kind: Kind,
        default: &'static str,
        doc: &'static str,
    ) -> Self {
        Key { name, kind, need: Need::Default(default), doc }
    }

    /// A key that may be left out.
    pub const fn optional(name: &'static str, kind: Kind, doc: &'static str) -> Self {
        Key { name, kind, need: Need::Optional, doc }
    }

    /// What it is for, to follow a colon.
    pub fn doc_after_colon(&self) -> String {
        let mut letters = self.doc.chars();
        match (letters.next(), letters.as_str()) {
            (Some(first), rest) if rest.starts_with(|c: char| c.is_lowercase()) => {
                first.to_lowercase().chain(rest.chars()).collect()
            }
            _ => self.doc.to_owned(),
        }
    }

    /// The value that it has when it is left out.
    pub fn default_text(&self) -> Option<&'static str> {
        match self.need {
            Need::Default(text) => Some(text),
            Need::Required(_) | Need::Optional => None,
        }
    }
}

impl Table {
    /// The key of this name.
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }

    /// The known key that was most likely meant by `name`.
    pub fn nearest(&self, name: &str) -> Option<&'static str> {
        nearest(name, self.keys.iter().map(|key| key.name))
    }

    /// The title of a table in or below this one that has a key of this name.
    pub fn owner_of(&'static self, name: &str) -> Option<&'static str> {
        let mut seen = Vec::new();
        owner(self, name, &mut seen)
    }
}

impl Kind {
    /// What it is, with its article, for `it must be …`.
    pub fn describe(&self) -> String {
        match self {
            Kind::Text => "a text".to_owned(),
            Kind::Name => "a name of `a-z`, `0-9` and `-`".to_owned(),
            Kind::File => "the path of a file, as a text".to_owned(),
            Kind::Topic => "an MQTT topic, as a text".to_owned(),
            Kind::TopicLevel => "one level of an MQTT topic, as a text".to_owned(),
            Kind::Pointer => "a JSON Pointer such as `\"/value\"`".to_owned(),
            Kind::Listen => "an address and port such as `\"127.0.0.1:8460\"`".to_owned(),
            Kind::Broker => {
                "`\"embedded\"`, or an address such as `\"mqtt://broker.lan:1883\"`".to_owned()
            }
            Kind::Url => "an address such as `\"http://127.0.0.1:9000/cellar\"`".to_owned(),
            Kind::TimeZone => "the name of a time zone such as `\"Europe/London\"`".to_owned(),
            Kind::Integer(low, high) if low == high => format!("the number `{low}`"),
            Kind::Integer(low, high) => {
                format!("a whole number from {low} to {high}, without quotes")
            }
            Kind::Bool => "`true` or `false`, without quotes".to_owned(),
            Kind::Choice(choices) => word_list(choices),
            Kind::Measure(measure) => {
                format!("a {} such as `\"{}\"`", measure.name, measure.example)
            }
            Kind::Pair(measure) => {
                format!("two of a {} such as `[\"8 C\", \"18 C\"]`", measure.name)
            }
            Kind::Table(table) => match table.title.starts_with("a ") {
                true => format!("{}, as a table", table.title),
                false => "a table".to_owned(),
            },
            Kind::Tables(table) => format!("a list of tables, each {}", table.title),
            Kind::Named(table) => format!("tables, each {} under a name", table.title),
            Kind::Texts => "a list of texts".to_owned(),
            Kind::Choices(choices) => format!("a list of {}", word_list(choices)),
            Kind::OneOf(kinds) => {
                let kinds: Vec<String> = kinds.iter().map(Kind::describe).collect();
                kinds.join(", or ")
            }
        }
    }

    /// The only word that can stand in place of a quantity.
    pub fn only_word(&self) -> Option<&'static str> {
        match self {
            Kind::Choice([only]) => Some(only.word),
            Kind::OneOf(kinds) => kinds.iter().find_map(Kind::only_word),
            _ => None,
        }
    }

    /// The kind of quantity that a bare number here could have been.
    pub fn measure(&self) -> Option<Measure> {
        match self {
            Kind::Measure(measure) | Kind::Pair(measure) => Some(*measure),
            Kind::OneOf(kinds) => kinds.iter().find_map(Kind::measure),
            _ => None,
        }
    }
}

/// The candidate that was most likely meant by `name`, where one is near.
pub(crate) fn nearest<'c>(
    name: &str,
    candidates: impl Iterator<Item = &'c str>,
) -> Option<&'c str> {
    let plain = |text: &str| text.to_lowercase().replace(['-', ' '], "_");
    let given = plain(name);
    // A third of the letters may differ: more, and the guess confuses more than it helps.
    let most = (name.chars().count() / 3).max(1);
    candidates
        .map(|candidate| (strsim::damerau_levenshtein(&given, &plain(candidate)), candidate))
        .filter(|(distance, _)| *distance <= most)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// The keys of a table, for a hint.
pub(crate) fn key_list(table: &Table) -> String {
    let names: Vec<String> = table.keys.iter().map(|key| format!("`{}`", key.name)).collect();
    names.join(", ")
}

/// The words of a choice: `"keep"` or `"off"`.
pub(crate) fn word_list(choices: &[Choice]) -> String {
    let words: Vec<String> =
        choices.iter().map(|choice| format!("`\"{}\"`", choice.word)).collect();
    or_list(&words)
}

/// `a`, `a or b`, `a, b or c`.
pub(crate) fn or_list(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [only] => only.clone(),
        [rest @ .., last] => format!("{} or {last}", rest.join(", ")),
    }
}

fn owner(table: &'static Table, name: &str, seen: &mut Vec<&'static str>) -> Option<&'static str> {
    if seen.contains(&table.id) {
        return None;
    }
    seen.push(table.id);
    if table.key(name).is_some() {
        return Some(table.title);
    }
    table.keys.iter().find_map(|key| owner_in(&key.kind, name, seen))
}

fn owner_in(kind: &'static Kind, name: &str, seen: &mut Vec<&'static str>) -> Option<&'static str> {
    match kind {
        Kind::Table(table) | Kind::Tables(table) | Kind::Named(table) => owner(table, name, seen),
        Kind::OneOf(kinds) => kinds.iter().find_map(|kind| owner_in(kind, name, seen)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_near() {
        let known = ["target", "until", "at_most", "at_least", "name"];
        for (given, expected) in [
            ("taget", Some("target")),
            ("Target", Some("target")),
            ("at-most", Some("at_most")),
            ("atleast", Some("at_least")),
            ("nmae", Some("name")),
            ("temperature", None),
            ("x", None),
            ("", None),
        ] {
            assert_eq!(nearest(given, known.into_iter()), expected, "{given}");
        }
    }
}
