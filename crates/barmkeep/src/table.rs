//! Tables that a person hands over: CSV with a header, each fault with its line.

use crate::failure::{Failure, Status};
use bytes::Bytes;
use std::cell::Cell;
use std::io::Cursor;
use std::path::Path;

/// Rows that are fewer bytes than this are not worth a thread of their own.
const PART_LEAST: usize = 1 << 17;

/// A table with named columns, in a file of this name.
pub struct Table {
    name: String,
    columns: Vec<String>,
    reader: csv::Reader<Cursor<Bytes>>,
    /// The row that was read last; its memory is used again for the next.
    record: csv::StringRecord,
    /// How far lines were counted: a byte, and its line.
    counted: Cell<(usize, u64)>,
}

/// One row of it.
pub struct Row<'a> {
    table: &'a Table,
}

/// A column by its name, which a table may have or not.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    name: &'static str,
    place: Option<usize>,
}

/// The two columns that a temperature may stand in.
#[derive(Debug, Clone, Copy)]
pub struct TemperatureColumns {
    celsius: Column,
    fahrenheit: Column,
}

impl Table {
    /// Reads a file and its header.
    ///
    /// # Errors
    /// Where it cannot be read, or is no CSV.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let bytes = std::fs::read(path).map_err(|error| Failure::file(path, "read", &error))?;
        Self::of(bytes, &path.display().to_string())
    }

    /// Reads the header of what stands in a file of this name.
    ///
    /// # Errors
    /// Where it is no CSV.
    pub fn of(bytes: impl Into<Vec<u8>>, name: &str) -> Result<Self, Failure> {
        let mut reader = reader(Bytes::from(bytes.into()), true);
        let headers = reader.headers().map_err(|error| fault(name, &error.to_string()))?;
        let header = |header: &str| header.trim_start_matches('\u{feff}').trim().to_owned();
        let columns: Vec<_> = headers.iter().map(header).collect();
        Ok(Self::with(name.to_owned(), columns, reader))
    }

    fn with(name: String, columns: Vec<String>, reader: csv::Reader<Cursor<Bytes>>) -> Self {
        let record = csv::StringRecord::new();
        Table { name, columns, reader, record, counted: Cell::new((0, 1)) }
    }

    /// The rows that were not read yet as tables of about the same size, in order, at most so many;
    /// none where one would be small, or where a row may have more than one line. A part knows only
    /// its own lines: what it finds wrong is told by reading the whole.
    pub fn parts(&self, most: usize) -> Vec<Self> {
        let text = self.reader.get_ref().get_ref();
        let begins = usize::try_from(self.reader.position().byte()).unwrap_or(usize::MAX);
        let rows = text.slice(begins.min(text.len())..);
        let count = most.min(rows.len() / PART_LEAST);
        if count < 2 || rows.contains(&b'"') {
            return Vec::new();
        }
        let line_end = |from: usize| {
            let rest = rows[from..].iter().position(|byte| *byte == b'\n');
            rest.map_or(rows.len(), |length| from + length + 1)
        };
        let ends = (1..count).map(|part| line_end(rows.len() / count * part)).chain([rows.len()]);
        let mut begin = 0;
        let part = |end| {
            let text = rows.slice(std::mem::replace(&mut begin, end)..end);
            Self::with(self.name.clone(), self.columns.clone(), reader(text, false))
        };
        ends.map(part).collect()
    }

    /// The file's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The column of this name; the last one where there are several.
    pub fn column(&self, name: &'static str) -> Column {
        Column { name, place: self.columns.iter().rposition(|known| known == name) }
    }

    /// The columns `temperature_c` and `temperature_f`.
    pub fn temperature_columns(&self) -> TemperatureColumns {
        TemperatureColumns {
            celsius: self.column("temperature_c"),
            fahrenheit: self.column("temperature_f"),
        }
    }

    /// The next row that is not empty.
    ///
    /// # Errors
    /// Where it is not text, or has not as many fields as the header.
    pub fn next_row(&mut self) -> Result<Option<Row<'_>>, Failure> {
        loop {
            match self.reader.read_record(&mut self.record) {
                Ok(false) => return Ok(None),
                Ok(true) => {}
                Err(error) => return Err(self.fault_at(error.position(), &error.to_string())),
            }
            if self.record.as_slice().trim().is_empty() {
                continue;
            }
            let (has, needs) = (self.record.len(), self.columns.len());
            if has != needs {
                let problem = format!("the line has {has} fields, the first one has {needs}");
                return Err(self
                    .fault_at(self.record.position(), &problem)
                    .hint("decimals use a point; a text with a comma stands in quotation marks"));
            }
            return Ok(Some(Row { table: self }));
        }
    }

    /// The line of a row that begins at this byte, or at the first one after it that ends no line:
    /// the reader stops within the end of a line that has two characters.
    fn line_at(&self, byte: u64) -> u64 {
        let text = self.reader.get_ref().get_ref();
        let byte = usize::try_from(byte).unwrap_or(usize::MAX);
        let (mut at, mut line) = self.counted.get();
        while at < text.len() && (at < byte || matches!(text[at], b'\n' | b'\r')) {
            let lone = text[at] == b'\r' && text.get(at + 1) != Some(&b'\n');
            line += u64::from(lone || text[at] == b'\n');
            at += 1;
        }
        self.counted.set((at, line));
        line
    }

    fn fault_at(&self, position: Option<&csv::Position>, problem: &str) -> Failure {
        let line = self.line_at(position.map_or(0, csv::Position::byte));
        fault(&format!("{}:{line}", self.name), problem)
    }

    /// A fault of the file.
    pub fn fault(&self, problem: &str) -> Failure {
        fault(&self.name, problem)
    }
}

impl Column {
    /// Its name in the header.
    pub fn name(self) -> &'static str {
        self.name
    }

    /// Whether the table has it.
    pub fn is_there(self) -> bool {
        self.place.is_some()
    }
}

impl Row<'_> {
    /// Its line in the file, from 1; counted only where somebody asks.
    pub fn line(&self) -> u64 {
        self.table.line_at(self.table.record.position().map_or(0, csv::Position::byte))
    }

    /// A fault of this row.
    pub fn fault(&self, problem: &str) -> Failure {
        self.table.fault_at(self.table.record.position(), problem)
    }

    /// What stands in a column; `None` where there is none, or nothing in it.
    pub fn text(&self, column: Column) -> Option<&str> {
        let field = self.table.record.get(column.place?)?;
        // Most fields have nothing to trim, which their ends show.
        let bare = |end: Option<&u8>| end.is_some_and(u8::is_ascii_graphic);
        if bare(field.as_bytes().first()) && bare(field.as_bytes().last()) {
            return Some(field);
        }
        Some(field.trim()).filter(|text| !text.is_empty())
    }

    /// The number in a column; `None` as with [`Row::text`].
    ///
    /// # Errors
    /// Where something else stands there, or no finite number.
    pub fn number(&self, column: Column) -> Result<Option<f64>, String> {
        let Some(text) = self.text(column) else { return Ok(None) };
        let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
        number.map(Some).ok_or_else(|| format!("`{text}` in `{}` is no number", column.name))
    }

    /// The temperature in `temperature_c`, else in `temperature_f`, in °C.
    ///
    /// # Errors
    /// As [`Row::number`].
    pub fn celsius(&self, columns: TemperatureColumns) -> Result<Option<f64>, String> {
        let fahrenheit = self.number(columns.fahrenheit)?.map(|f| (f - 32.0) / 1.8);
        Ok(self.number(columns.celsius)?.or(fahrenheit))
    }
}

fn reader(text: Bytes, has_headers: bool) -> csv::Reader<Cursor<Bytes>> {
    let mut builder = csv::ReaderBuilder::new();
    builder.flexible(true).has_headers(has_headers).from_reader(Cursor::new(text))
}

/// A fault of a data file, at a place.
pub fn fault(place: &str, problem: &str) -> Failure {
    Failure::new(Status::Data, format!("{place}: {problem}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_have_the_lines_that_an_editor_shows() {
        for end in ["\n", "\r\n"] {
            let text = ["\u{feff}a,b", "1,2", "", " , ", "3,4", "\"5", "6\",7", "8,9"].join(end);
            let mut table = Table::of(text, "a.csv").unwrap();
            let a = table.column("a");
            let mut lines = Vec::new();
            while let Some(row) = table.next_row().unwrap() {
                lines.push((row.line(), row.text(a).unwrap().replace('\r', "")));
            }
            let expected = [(2, "1"), (5, "3"), (6, "5\n6"), (8, "8")];
            assert_eq!(lines, expected.map(|(line, a)| (line, a.to_owned())));
        }
        let mut table = Table::of(b"a\r\n1\r\n\xff\r\n".as_slice(), "a.csv").unwrap();
        assert!(table.next_row().unwrap().is_some());
        let failure = table.next_row().err().unwrap();
        assert!(failure.message.starts_with("a.csv:3: "), "{}", failure.message);
    }
}
