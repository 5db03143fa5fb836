//! Reads the check vectors: tables of inputs and expected values, computed outside the project.
//!
//! The folder is the one that the environment variable `VECTORS` names, else `tests/data/vectors`.
//! The tables were computed for this project with numpy, scipy, statsmodels and mpmath.

use std::collections::BTreeMap;
use std::path::PathBuf;

/// One line of a table, by column.
#[derive(Debug, Clone)]
pub struct Row(BTreeMap<String, String>);

impl Row {
    /// The text in a column.
    ///
    /// # Panics
    /// Where the table has no such column: the test and its table disagree.
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column `{column}` in {:?}", self.0))
    }

    /// The number in a column; `None` where it is empty.
    ///
    /// # Panics
    /// Where it is neither empty nor a number.
    pub fn maybe(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        let number =
            || text.parse().unwrap_or_else(|_| panic!("`{text}` in `{column}` is no number"));
        (!text.is_empty()).then(number)
    }

    /// The number in a column.
    ///
    /// # Panics
    /// Where there is none.
    pub fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("no number in `{column}` of {:?}", self.0))
    }
}

/// Reads a table.
///
/// # Panics
/// Where the file is missing or has no row: a check without values checks nothing.
pub fn table(file: &str) -> Vec<Row> {
    let path = folder().join(file);
    let mut reader = csv::Reader::from_path(&path)
        .unwrap_or_else(|error| panic!("cannot read {}: {error}", path.display()));
    let rows: Vec<Row> = reader
        .deserialize()
        .map(|row| Row(row.unwrap_or_else(|error| panic!("{}: {error}", path.display()))))
        .collect();
    assert!(!rows.is_empty(), "{} has no row", path.display());
    rows
}

/// Says how many values were checked, and fails where none were.
///
/// # Panics
/// Where `count` is 0.
pub fn checked(file: &str, count: usize) {
    assert!(count > 0, "{file}: no value was checked");
    println!("{file}: {count} values");
}

fn folder() -> PathBuf {
    match std::env::var_os("VECTORS") {
        Some(folder) => PathBuf::from(folder),
        None => PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data/vectors"),
    }
}
