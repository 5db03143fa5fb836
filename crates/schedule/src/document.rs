//! The walk through a TOML document: each value with its place, each problem kept, none the last.
//!
//! [`Walk::open`] holds a table against its description; the getters then read its values. They
//! answer `None` where a value is left out or broken; what is broken has then been reported.

use crate::forms;
use crate::keys::{Choice, Key, Kind, Measure, Need, Rule, Table, nearest, or_list, word_list};
use crate::name::Name;
use crate::problem::{Place, Problem, Related, Severity, Source};
use quantity::{Quantity, QuantityError, Reason};
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// More problems than this are counted, not shown.
pub(crate) const PROBLEMS_MAX: usize = 100;

/// A value of a document and its path, such as `stage.0.target`.
#[derive(Debug, Clone)]
pub(crate) struct Node<'d> {
    pub value: &'d DeValue<'d>,
    pub span: Range<usize>,
    pub path: String,
}

/// A table that was held against its description.
#[derive(Debug)]
pub(crate) struct Fields<'d> {
    spec: &'static Table,
    entries: Vec<(&'d str, Range<usize>, Node<'d>)>,
    /// Known keys that misspelt ones were likely meant to be.
    meant: Vec<&'static str>,
    /// Whether nothing at all was written in it.
    empty: bool,
    /// The table's own place: its header, or all of an inline table.
    pub span: Range<usize>,
    pub path: String,
}

/// Something wrong, before its line and column are counted.
#[derive(Debug)]
pub(crate) struct Fault {
    severity: Severity,
    code: &'static str,
    span: Range<usize>,
    message: String,
    hint: Option<String>,
    related: Vec<(Range<usize>, String)>,
}

/// Something wrong, found by a rule that knows only the path of the value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// How bad it is.
    pub severity: Severity,
    /// As in [`Problem::code`].
    pub code: &'static str,
    /// What is wrong and why, without a full stop.
    pub message: String,
    /// The next step.
    pub hint: Option<String>,
    /// The path of the value in its file, such as `stage.0.target`.
    pub path: String,
    /// Paths of other values that belong to it, and what stands there.
    pub related: Vec<(String, String)>,
}

/// A closed set of values that a file names by words.
pub(crate) trait Word: Copy + 'static {
    /// The words.
    const CHOICES: &'static [Choice];
    /// Their values, in the same order.
    const VALUES: &'static [Self];
}

/// The walk's memory: what was wrong, and where each value stands.
#[derive(Debug)]
pub(crate) struct Walk {
    root: &'static Table,
    faults: Vec<Fault>,
    places: BTreeMap<String, Range<usize>>,
}

impl<'d> Fields<'d> {
    /// The value of a key, where it was written.
    pub fn node(&self, key: &str) -> Option<&Node<'d>> {
        self.entries.iter().find(|(name, ..)| *name == key).map(|(.., node)| node)
    }

    /// Whether a key was written, right or wrong.
    pub fn has(&self, key: &str) -> bool {
        self.node(key).is_some()
    }

    /// The place of a key's value; the table's own where it was left out.
    pub fn place(&self, key: &str) -> Range<usize> {
        self.node(key).map_or_else(|| self.span.clone(), |node| node.span.clone())
    }

    /// The place of a key's name; the table's own where it was left out.
    pub fn key_place(&self, key: &str) -> Range<usize> {
        let entry = self.entries.iter().find(|(name, ..)| *name == key);
        entry.map_or_else(|| self.span.clone(), |(_, span, _)| span.clone())
    }

    /// The keys and their values, in the order in which they were written.
    pub fn written(&self) -> impl Iterator<Item = (&'d str, &Node<'d>)> {
        self.entries.iter().map(|(name, _, node)| (*name, node))
    }

    /// A right line for a key.
    pub fn example(&self, key: &str) -> String {
        let spec = self.spec_of(key);
        match (&spec.need, spec.kind.measure()) {
            (Need::Required(line), _) => (*line).to_owned(),
            (Need::Default(text), _) => format!("{key} = \"{text}\""),
            (Need::Optional, Some(measure)) => format!("{key} = \"{}\"", measure.example),
            (Need::Optional, None) => format!("{key} = …"),
        }
    }

    fn spec_of(&self, key: &str) -> &'static Key {
        match self.spec.key(key) {
            Some(spec) => spec,
            // A typing error of ours: every getter is run by the tests of the whole grammar.
            None => unreachable!("`{key}` is not described in {}", self.spec.id),
        }
    }
}

impl Fault {
    /// Adds the next step.
    pub fn hint(&mut self, hint: impl Into<String>) -> &mut Self {
        self.hint = Some(hint.into());
        self
    }

    /// Adds a place that belongs to it.
    pub fn related(&mut self, span: Range<usize>, message: impl Into<String>) -> &mut Self {
        self.related.push((span, message.into()));
        self
    }
}

impl Finding {
    /// An error at a path.
    pub fn error(code: &'static str, path: &str, message: String) -> Self {
        Self::new(Severity::Error, code, path, message)
    }

    /// A warning at a path.
    pub fn warning(code: &'static str, path: &str, message: String) -> Self {
        Self::new(Severity::Warning, code, path, message)
    }

    /// With the next step.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// With a path that belongs to it.
    pub(crate) fn related(mut self, path: impl Into<String>, message: impl Into<String>) -> Self {
        self.related.push((path.into(), message.into()));
        self
    }

    fn new(severity: Severity, code: &'static str, path: &str, message: String) -> Self {
        let path = path.to_owned();
        Finding { severity, code, message, hint: None, path, related: Vec::new() }
    }
}

impl Walk {
    /// A walk through a file that `root` describes.
    pub fn new(root: &'static Table) -> Self {
        Walk { root, faults: Vec::new(), places: BTreeMap::new() }
    }

    /// Takes a document's outermost table; `None` where the text is not TOML.
    pub fn root<'d>(&mut self, source: &Source, document: &'d Document<'d>) -> Option<Node<'d>> {
        let whole = self.syntax(source, document);
        let start = source.text.find(|c: char| !c.is_whitespace() && c != '\u{feff}').unwrap_or(0);
        let root = Node { value: &document.root, span: start..start, path: String::new() };
        whole.then_some(root)
    }

    /// Reports something that is wrong.
    pub fn error(&mut self, code: &'static str, span: Range<usize>, message: String) -> &mut Fault {
        self.report(Severity::Error, code, span, message)
    }

    /// Reports something that somebody should look at.
    pub fn warn(&mut self, code: &'static str, span: Range<usize>, message: String) -> &mut Fault {
        self.report(Severity::Warning, code, span, message)
    }

    /// Reports what a rule found, at the place of its path or of the nearest table around it.
    pub fn locate(&mut self, finding: Finding) {
        let span = self.span_of(&finding.path);
        let related: Vec<_> = finding
            .related
            .into_iter()
            .filter_map(|(path, message)| Some((self.places.get(&path)?.clone(), message)))
            .collect();
        let fault = self.report(finding.severity, finding.code, span, finding.message);
        fault.hint = finding.hint;
        fault.related = related;
    }

    /// Whether an error was reported.
    pub fn has_errors(&self) -> bool {
        self.faults.iter().any(|fault| fault.severity == Severity::Error)
    }

    /// All that was reported, in the order of the places; errors first where there are too many.
    pub fn into_problems(mut self, source: &Source) -> Vec<Problem> {
        let all = self.faults.len();
        if all > PROBLEMS_MAX {
            self.faults.sort_by_key(|fault| (fault.severity, fault.span.start));
            self.faults.truncate(PROBLEMS_MAX);
            let end = source.text.len();
            let message = format!("{} more problems are not shown", all - PROBLEMS_MAX);
            self.warn("more-problems", end..end, message).hint("mend these first");
        }
        self.faults.sort_by_key(|fault| (fault.span.start, fault.severity));
        self.faults.into_iter().map(|fault| fault.into_problem(source)).collect()
    }

    /// Holds a table against its description; `None` where the value is no table.
    pub fn open<'d>(&mut self, node: &Node<'d>, spec: &'static Table) -> Option<Fields<'d>> {
        let DeValue::Table(table) = node.value else {
            self.wrong_type(node, &Kind::Table(spec));
            return None;
        };
        let mut entries = self.entries(table, &node.path);
        let mut meant = Vec::new();
        entries.retain(|(name, span, _)| {
            let known = spec.key(name).is_some();
            if !known {
                meant.extend(self.unknown_key(name, span.clone(), spec));
            }
            known
        });
        let empty = table.is_empty();
        let (span, path) = (node.span.clone(), node.path.clone());
        let fields = Fields { spec, entries, meant, empty, span, path };
        self.missing(&fields);
        for rule in spec.rules {
            self.obey(rule, &fields);
        }
        Some(fields)
    }

    /// Opens the table under a key; where it was left out, all of its keys are.
    pub fn open_in<'d>(
        &mut self,
        fields: &Fields<'d>,
        key: &str,
        spec: &'static Table,
    ) -> Option<Fields<'d>> {
        match fields.node(key) {
            Some(node) => self.open(node, spec),
            None => Some(Fields {
                spec,
                entries: Vec::new(),
                meant: Vec::new(),
                empty: true,
                span: fields.span.clone(),
                path: join(&fields.path, key),
            }),
        }
    }

    /// A quantity; its default where it was left out and has one.
    pub fn quantity<T: Quantity>(&mut self, fields: &Fields<'_>, key: &str) -> Option<T> {
        let spec = fields.spec_of(key);
        debug_assert_eq!(spec.kind.measure().map(|measure| measure.name), Some(T::KIND));
        match fields.node(key) {
            Some(node) => self.as_quantity(node, &spec.kind),
            None => spec.default_text().and_then(|text| T::parse(text).ok()),
        }
    }

    /// A quantity in a value of its own.
    pub fn as_quantity<T: Quantity>(&mut self, node: &Node<'_>, kind: &Kind) -> Option<T> {
        let error = match node.value {
            DeValue::String(text) => match T::parse(text) {
                Ok(quantity) => return Some(quantity),
                Err(error) => error,
            },
            _ => {
                self.wrong_type(node, kind);
                return None;
            }
        };
        self.bad_quantity(node.span.clone(), &error);
        None
    }

    /// A quantity, or nothing where the word stands that the key may have in its place.
    pub fn quantity_or_word<T: Quantity>(
        &mut self,
        fields: &Fields<'_>,
        key: &str,
    ) -> Option<Option<T>> {
        let spec = fields.spec_of(key);
        let word = spec.kind.only_word().unwrap_or_default();
        let Some(node) = fields.node(key) else {
            let text = spec.default_text()?;
            return if text == word { Some(None) } else { T::parse(text).ok().map(Some) };
        };
        let DeValue::String(text) = node.value else {
            self.wrong_type(node, &spec.kind);
            return None;
        };
        if text == word {
            return Some(None);
        }
        T::parse(text)
            .map(Some)
            .map_err(|error| {
                let hint = match nearest(text, std::iter::once(word)) {
                    Some(word) => format!("did you mean `\"{word}\"`?"),
                    None => format!("{}; or write `\"{word}\"`", error.hint()),
                };
                self.error(quantity_code(&error), node.span.clone(), error.to_string()).hint(hint);
            })
            .ok()
    }

    /// The two quantities of a range.
    pub fn pair<T: Quantity>(&mut self, fields: &Fields<'_>, key: &str) -> Option<(T, T)> {
        let spec = fields.spec_of(key);
        let node = fields.node(key)?;
        let items = self.items(node);
        let one = Kind::Measure(Measure::of::<T>());
        let [low, high] = items.as_slice() else {
            self.wrong_type(node, &spec.kind);
            return None;
        };
        let (low, high) = (self.as_quantity(low, &one), self.as_quantity(high, &one));
        low.zip(high)
    }

    /// One of a closed set of values.
    pub fn choice<T: Word>(&mut self, fields: &Fields<'_>, key: &str) -> Option<T> {
        let spec = fields.spec_of(key);
        let word = match fields.node(key) {
            Some(node) => {
                let word = self.as_text(node, &spec.kind)?;
                self.known_word(&word, node, T::CHOICES)?
            }
            None => spec.default_text()?,
        };
        let index = T::CHOICES.iter().position(|choice| choice.word == word)?;
        T::VALUES.get(index).copied()
    }

    /// A text of the form that its description asks for.
    pub fn text(&mut self, fields: &Fields<'_>, key: &str) -> Option<String> {
        let spec = fields.spec_of(key);
        debug_assert!(!matches!(spec.kind, Kind::Choice(_)), "`{key}` is a choice");
        let Some(node) = fields.node(key) else {
            return spec.default_text().map(str::to_owned);
        };
        let text = self.as_text(node, &spec.kind)?;
        self.well_formed(node, &spec.kind, text)
    }

    /// A whole number within the bounds of its description.
    pub fn integer(&mut self, fields: &Fields<'_>, key: &str) -> Option<u32> {
        let spec = fields.spec_of(key);
        let node = fields.node(key)?;
        let (DeValue::Integer(given), &Kind::Integer(low, high)) = (node.value, &spec.kind) else {
            self.wrong_type(node, &spec.kind);
            return None;
        };
        let number = i64::from_str_radix(&given.as_str().replace('_', ""), given.radix()).ok();
        let number = number.and_then(|number| u32::try_from(number).ok());
        let found = number.filter(|number| (low..=high).contains(number));
        if found.is_none() {
            let message = format!("`{key}` cannot be `{given}`");
            let hint = format!("it must be {}", spec.kind.describe());
            self.error("bad-value", node.span.clone(), message).hint(hint);
        }
        found
    }

    /// Yes or no.
    pub fn boolean(&mut self, fields: &Fields<'_>, key: &str) -> Option<bool> {
        let spec = fields.spec_of(key);
        match fields.node(key) {
            None => spec.default_text().map(|text| text == "true"),
            Some(Node { value: DeValue::Boolean(given), .. }) => Some(*given),
            Some(node) => {
                self.wrong_type(node, &spec.kind);
                None
            }
        }
    }

    /// The texts of a list, each with its place; empty where there is none.
    pub fn texts(&mut self, fields: &Fields<'_>, key: &str) -> Vec<String> {
        let Some(nodes) = self.list(fields, key) else { return Vec::new() };
        nodes
            .iter()
            .filter_map(|node| {
                let text = self.as_text(node, &Kind::Text)?;
                self.well_formed(node, &Kind::Text, text)
            })
            .collect()
    }

    /// The words of a list, each one of `choices`; empty where there is none.
    pub fn words(
        &mut self,
        fields: &Fields<'_>,
        key: &str,
        choices: &'static [Choice],
    ) -> Vec<&'static str> {
        let spec = fields.spec_of(key);
        if !fields.has(key) {
            let default = spec.default_text().unwrap_or_default().split(", ");
            let known = |word| choices.iter().map(|choice| choice.word).find(|one| *one == word);
            return default.filter_map(known).collect();
        }
        let Some(nodes) = self.list(fields, key) else { return Vec::new() };
        nodes
            .iter()
            .filter_map(|node| {
                let word = self.as_text(node, &Kind::Choice(choices))?;
                self.known_word(&word, node, choices)
            })
            .collect()
    }

    /// The values of a list that has at least one; `None` where it was left out or is no list.
    pub fn list<'d>(&mut self, fields: &Fields<'d>, key: &str) -> Option<Vec<Node<'d>>> {
        let spec = fields.spec_of(key);
        let node = fields.node(key)?;
        if !matches!(node.value, DeValue::Array(_)) {
            self.wrong_type(node, &spec.kind);
            return None;
        }
        let items = self.items(node);
        if items.is_empty() {
            let message = format!("`{key}` is empty: it must be {}", spec.kind.describe());
            self.error("empty", node.span.clone(), message);
            return None;
        }
        Some(items)
    }

    /// The tables under names of their own, in the order of the names.
    pub fn named<'d>(&mut self, fields: &Fields<'d>, key: &str) -> Vec<(Name, Node<'d>)> {
        let spec = fields.spec_of(key);
        let Some(node) = fields.node(key) else { return Vec::new() };
        let DeValue::Table(table) = node.value else {
            self.wrong_type(node, &spec.kind);
            return Vec::new();
        };
        if table.is_empty() {
            let message = format!("`{key}` is empty: it must be {}", spec.kind.describe());
            self.error("empty", node.span.clone(), message);
        }
        let mut found = Vec::new();
        for (name, key_span, node) in self.entries(table, &node.path) {
            match Name::parse(name) {
                Ok(name) => found.push((name, node)),
                Err(message) => {
                    let fault = self.error("bad-name", key_span, message);
                    let near = name.to_lowercase().replace([' ', '_', '.'], "-");
                    if Name::parse(&near).is_ok() {
                        fault.hint(format!("write `{near}`"));
                    }
                }
            }
        }
        found.sort_by(|(one, _), (other, _)| one.cmp(other));
        found
    }

    /// A text of any form; an error where the value is none.
    pub fn as_text(&mut self, node: &Node<'_>, kind: &Kind) -> Option<String> {
        match node.value {
            DeValue::String(text) => Some(text.clone().into_owned()),
            _ => {
                self.wrong_type(node, kind);
                None
            }
        }
    }

    /// Says that a value has the wrong type; a bare number is told of its units.
    pub fn wrong_type(&mut self, node: &Node<'_>, kind: &Kind) {
        let number = match node.value {
            DeValue::Integer(number) => Some(number.to_string()),
            DeValue::Float(number) => Some(number.to_string()),
            _ => None,
        };
        if let (Some(text), Some(measure)) = (number, kind.measure()) {
            let error = QuantityError {
                kind: measure.name,
                text: text.clone(),
                reason: Reason::NoUnit,
                units: measure.units,
                example: measure.example,
            };
            self.bad_quantity(node.span.clone(), &error);
            return;
        }
        let key = node.path.rsplit('.').find(|part| part.parse::<usize>().is_err()).unwrap_or("");
        let given = type_name(node.value);
        let message = format!("`{key}` cannot be {given}: it must be {}", kind.describe());
        let fault = self.error("wrong-type", node.span.clone(), message);
        if let Kind::Table(table) = kind {
            fault.hint(format!("its keys are {}", crate::keys::key_list(table)));
        }
    }

    /// A text that [`forms::check`] accepts.
    pub fn well_formed(&mut self, node: &Node<'_>, kind: &Kind, text: String) -> Option<String> {
        match forms::check(kind, &text) {
            Ok(()) => Some(text),
            Err(fault) => {
                self.error(fault.code, node.span.clone(), fault.message).hint = fault.hint;
                None
            }
        }
    }

    fn report(
        &mut self,
        severity: Severity,
        code: &'static str,
        span: Range<usize>,
        message: String,
    ) -> &mut Fault {
        let fault = Fault { severity, code, span, message, hint: None, related: Vec::new() };
        let index = self.faults.len();
        self.faults.push(fault);
        &mut self.faults[index]
    }

    fn span_of(&self, path: &str) -> Range<usize> {
        let mut path = path;
        loop {
            if let Some(span) = self.places.get(path) {
                return span.clone();
            }
            match path.rfind('.') {
                Some(dot) => path = &path[..dot],
                None => return 0..0,
            }
        }
    }

    /// Reports what is wrong with the text as TOML; whether the document can be read all the same.
    fn syntax(&mut self, source: &Source, document: &Document<'_>) -> bool {
        let mut whole = true;
        let mut lines = Vec::new();
        for (message, span) in &document.errors {
            if message == "duplicate key" {
                let key = source.text.get(span.clone()).unwrap_or_default();
                self.error("duplicate-key", span.clone(), format!("`{key}` is written twice"))
                    .hint("keep one of the two");
                continue;
            }
            whole = false;
            // One broken value makes the parser stumble again and again: the first says it.
            let line = source.text.get(..span.start).unwrap_or_default().matches('\n').count();
            if lines.len() < PROBLEMS_MAX && !lines.contains(&line) {
                lines.push(line);
                self.not_toml(source, message, span.clone());
            }
        }
        whole
    }

    fn not_toml(&mut self, source: &Source, message: &str, span: Range<usize>) {
        let given = source.text.get(span.clone()).unwrap_or_default().trim();
        if message.starts_with("string values must be quoted") && !given.is_empty() {
            let bare = given.trim_matches(['"', '\'', '“', '”', '„']);
            self.error("toml-syntax", span, format!("`{given}` is not in quotes"))
                .hint(format!("write `\"{bare}\"`"));
        } else {
            self.error("toml-syntax", span, format!("this is not TOML: {message}"));
        }
    }

    fn entries<'d>(
        &mut self,
        table: &'d DeTable<'d>,
        path: &str,
    ) -> Vec<(&'d str, Range<usize>, Node<'d>)> {
        let mut entries: Vec<_> = table
            .iter()
            .map(|(key, value)| {
                let name: &str = key.get_ref();
                let path = join(path, name);
                (name, key.span(), self.visit(value, path))
            })
            .collect();
        entries.sort_by_key(|(_, span, _)| span.start);
        entries
    }

    fn items<'d>(&mut self, node: &Node<'d>) -> Vec<Node<'d>> {
        let DeValue::Array(array) = node.value else { return Vec::new() };
        let path = |index: usize| join(&node.path, &index.to_string());
        array.iter().enumerate().map(|(index, value)| self.visit(value, path(index))).collect()
    }

    /// Keeps the place of a value for the rules that run later.
    fn visit<'d>(&mut self, value: &'d Spanned<DeValue<'d>>, path: String) -> Node<'d> {
        self.places.insert(path.clone(), value.span());
        Node { value: value.get_ref(), span: value.span(), path }
    }

    /// Reports an unknown key; answers with the one that was likely meant.
    fn unknown_key(
        &mut self,
        name: &str,
        span: Range<usize>,
        spec: &'static Table,
    ) -> Option<&'static str> {
        let message = format!("`{name}` is not a key of {}", spec.title);
        let near = spec.nearest(name);
        let hint = match (near, self.root.owner_of(name)) {
            (Some(near), _) => format!("did you mean `{near}`?"),
            (None, Some(owner)) => format!("`{name}` is a key of {owner}"),
            (None, None) => format!("its keys are {}", crate::keys::key_list(spec)),
        };
        self.error("unknown-key", span, message).hint(hint);
        near
    }

    fn missing(&mut self, fields: &Fields<'_>) {
        for key in fields.spec.keys {
            // A misspelt key is one problem, not also a missing one.
            let there = fields.has(key.name) || fields.meant.contains(&key.name);
            if let (Need::Required(example), false) = (&key.need, there) {
                let doc = key.doc_after_colon();
                let message = format!("{} needs `{}`: {doc}", fields.spec.title, key.name);
                self.error("missing-key", fields.span.clone(), message)
                    .hint(format!("add it, such as `{example}`"));
            }
        }
    }

    fn obey(&mut self, rule: &Rule, fields: &Fields<'_>) {
        let title = fields.spec.title;
        let given = |names: &[&'static str]| -> Vec<&'static str> {
            names.iter().copied().filter(|name| fields.has(name)).collect()
        };
        let meant = |names: &[&'static str]| names.iter().any(|name| fields.meant.contains(name));
        match rule {
            Rule::NotEmpty if fields.empty => {
                let message = format!("{title} is empty");
                let hint = format!("its keys are {}", crate::keys::key_list(fields.spec));
                self.error("empty", fields.span.clone(), message).hint(hint);
            }
            Rule::ExactlyOne(names) if given(names).is_empty() && !meant(names) => {
                let names: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
                let message = format!("{title} needs {}", or_list(&names));
                self.error("missing-key", fields.span.clone(), message);
            }
            Rule::ExactlyOne(names) | Rule::AtMostOne(names) => {
                if let [first, second, ..] = given(names).as_slice() {
                    let message = format!("{title} has `{first}` and `{second}`: only one can be");
                    self.error("conflict", fields.key_place(second), message)
                        .hint(format!("leave out `{first}` or `{second}`"))
                        .related(fields.key_place(first), "the other one");
                }
            }
            Rule::Needs(one, other) if fields.has(one) && !fields.has(other) => {
                let message = format!("`{one}` is of no use without `{other}`");
                self.error("missing-key", fields.key_place(one), message)
                    .hint(format!("add `{other}`, or leave out `{one}`"));
            }
            Rule::NotEmpty | Rule::Needs(..) => {}
        }
    }

    fn known_word(
        &mut self,
        word: &str,
        node: &Node<'_>,
        choices: &'static [Choice],
    ) -> Option<&'static str> {
        let known = choices.iter().find(|choice| choice.word == word).map(|choice| choice.word);
        if known.is_none() {
            let key = node.path.rsplit('.').find(|part| part.parse::<usize>().is_err());
            let message = format!("`{}` cannot be `\"{word}\"`", key.unwrap_or_default());
            let near = nearest(word, choices.iter().map(|choice| choice.word));
            let hint = match near {
                Some(near) => format!("did you mean `\"{near}\"`?"),
                None => format!("it can be {}", word_list(choices)),
            };
            self.error("bad-value", node.span.clone(), message).hint(hint);
        }
        known
    }

    fn bad_quantity(&mut self, span: Range<usize>, error: &QuantityError) {
        self.error(quantity_code(error), span, error.to_string()).hint(error.hint());
    }
}

impl Fault {
    fn into_problem(self, source: &Source) -> Problem {
        let place = |span: Range<usize>| -> Place { source.place(span) };
        Problem {
            severity: self.severity,
            code: self.code,
            message: self.message,
            hint: self.hint,
            place: place(self.span),
            related: self
                .related
                .into_iter()
                .map(|(span, message)| Related { place: place(span), message })
                .collect(),
        }
    }
}

/// A parsed text: what could be read of it, and what is wrong with it as TOML.
#[derive(Debug)]
pub(crate) struct Document<'d> {
    root: DeValue<'d>,
    errors: Vec<(String, Range<usize>)>,
}

impl<'d> Document<'d> {
    /// Reads a text.
    pub fn parse(text: &'d str) -> Self {
        let (root, errors) = DeTable::parse_recoverable(text);
        let errors = errors
            .into_iter()
            .map(|error| (error.message().to_owned(), error.span().unwrap_or(0..0)))
            .collect();
        Document { root: DeValue::Table(root.into_inner()), errors }
    }

    /// Whether the outermost table has this key.
    pub fn has(&self, key: &str) -> bool {
        self.root.get(key).is_some()
    }
}

fn quantity_code(error: &QuantityError) -> &'static str {
    match error.reason {
        Reason::NoUnit => "bare-number",
        _ => "bad-quantity",
    }
}

fn join(path: &str, part: &str) -> String {
    if path.is_empty() { part.to_owned() } else { format!("{path}.{part}") }
}

fn type_name(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text `\"{text}\"`"),
        DeValue::Integer(number) => format!("the number `{number}`"),
        DeValue::Float(number) => format!("the number `{number}`"),
        DeValue::Boolean(given) => format!("`{given}`"),
        DeValue::Datetime(time) => format!("the date or time `{time}`"),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
