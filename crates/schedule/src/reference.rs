//! The reference of both grammars as Markdown, from the descriptions that the reader uses: what the
//! program understands and what is written of it cannot disagree.

use crate::config_keys::CONFIG;
use crate::keys::{Kind, Need, Rule, Table};
use crate::schedule_keys::SCHEDULE;
use std::fmt::Write;

/// Every key of a schedule: its tables, forms, defaults and meanings.
pub fn schedule_reference() -> String {
    reference(&SCHEDULE)
}

/// Every key of a configuration.
pub fn config_reference() -> String {
    reference(&CONFIG)
}

/// Every key of both grammars, each with the table that it stands in.
pub fn all_keys() -> Vec<(&'static str, &'static str)> {
    let tables = [&SCHEDULE, &CONFIG].map(tables_below);
    let keys = |table: &'static Table| table.keys.iter().map(|key| (table.title, key.name));
    tables.into_iter().flatten().flat_map(keys).collect()
}

fn reference(root: &'static Table) -> String {
    let mut text = String::new();
    for table in tables_below(root) {
        // Writing to a string cannot fail.
        let _ = write_table(&mut text, table);
    }
    text
}

fn write_table(text: &mut String, table: &Table) -> std::fmt::Result {
    writeln!(text, "## {}\n\n{}.", capital(table.title), table.doc)?;
    for rule in table.rules {
        writeln!(text, "{}", rule_text(rule))?;
    }
    writeln!(text, "\n| key | it is | left out | what it is for |\n| --- | --- | --- | --- |")?;
    for key in table.keys {
        let left_out = match key.need {
            Need::Required(_) => "refused".to_owned(),
            Need::Default(value) => format!("`{value}`"),
            Need::Optional => "–".to_owned(),
        };
        let (name, is, doc) = (key.name, described(&key.kind), cell(key.doc));
        writeln!(text, "| `{name}` | {} | {left_out} | {doc} |", cell(&is))?;
    }
    writeln!(text)
}

/// What a value must be, and what each of its words means.
fn described(kind: &Kind) -> String {
    match kind {
        Kind::Choice(choices) | Kind::Choices(choices) => {
            let words: Vec<String> = choices
                .iter()
                .map(|choice| format!("`\"{}\"`: {}", choice.word, choice.doc))
                .collect();
            let list = if matches!(kind, Kind::Choices(_)) { "a list of " } else { "" };
            format!("{list}{}", words.join("; "))
        }
        Kind::Measure(measure) => {
            let units: Vec<String> = measure.units.iter().map(|unit| format!("`{unit}`")).collect();
            format!("a {} in {}, such as `\"{}\"`", measure.name, units.join(" "), measure.example)
        }
        other => other.describe(),
    }
}

fn rule_text(rule: &Rule) -> String {
    let list = |names: &[&str]| {
        let names: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
        names.join(", ")
    };
    match rule {
        Rule::NotEmpty => "At least one key is needed.".to_owned(),
        Rule::ExactlyOne(names) => format!("Exactly one of {} is needed.", list(names)),
        Rule::AtMostOne(names) => format!("{} exclude each other.", list(names)),
        Rule::Needs(one, other) => format!("`{one}` needs `{other}`."),
    }
}

/// A text within a cell of a table.
fn cell(text: &str) -> String {
    text.replace('|', "\\|").replace('\n', " ")
}

fn capital(title: &str) -> String {
    let mut letters = title.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A table and all that stand in it, each once, in the order in which a person meets them.
fn tables_below(root: &'static Table) -> Vec<&'static Table> {
    let mut tables: Vec<&'static Table> = vec![root];
    let mut next = 0;
    while let Some(table) = tables.get(next).copied() {
        next += 1;
        for key in table.keys {
            add_tables(&key.kind, &mut tables);
        }
    }
    tables
}

fn add_tables(kind: &'static Kind, tables: &mut Vec<&'static Table>) {
    match kind {
        Kind::Table(table) | Kind::Tables(table) | Kind::Named(table)
            if !tables.iter().any(|known| known.id == table.id) =>
        {
            tables.push(table);
        }
        Kind::OneOf(kinds) => kinds.iter().for_each(|kind| add_tables(kind, tables)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_of_every_table_has_a_row() {
        for (root, text) in [(&SCHEDULE, schedule_reference()), (&CONFIG, config_reference())] {
            for table in tables_below(root) {
                let section =
                    text.split("## ").find(|part| part.starts_with(&capital(table.title)));
                let section = section.unwrap_or_else(|| panic!("no {}", table.title));
                for key in table.keys {
                    let row = format!("| `{}` |", key.name);
                    assert!(section.contains(&row), "{} has no {}", table.title, key.name);
                }
            }
        }
        assert!(all_keys().len() > 100, "{}", all_keys().len());
    }

    #[test]
    fn every_row_has_four_cells() {
        for line in schedule_reference().lines().filter(|line| line.starts_with('|')) {
            let bars = line.replace("\\|", "").matches('|').count();
            assert_eq!(bars, 5, "{line}");
        }
    }
}
