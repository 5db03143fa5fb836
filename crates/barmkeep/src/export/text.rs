//! Tables as CSV (RFC 4180) and as JSON lines.

use super::tables::{Cell, Sheet};
use serde_json::{Map, Value, json};
use std::io::Write;

/// Writes a table with its header; lines end as RFC 4180 has it.
pub(super) fn csv(sheet: &Sheet, output: &mut impl Write, done: &dyn Fn()) -> std::io::Result<()> {
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(output);
    writer.write_record(&sheet.columns)?;
    for row in &sheet.rows {
        writer.write_record(row.iter().map(field))?;
        done();
    }
    writer.flush()
}

fn field(cell: &Cell) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Text(text) => text.clone(),
        Cell::Number(number) => number.to_string(),
        Cell::Time(at) => at.rfc3339(),
        Cell::Data(value) => value.to_string(),
    }
}

/// Writes an object a row: its `kind`, its batch, and its columns; what is not known is null. The
/// summary is one object.
pub(super) fn lines(
    sheet: &Sheet,
    batch: &str,
    output: &mut impl Write,
    done: &dyn Fn(),
) -> std::io::Result<()> {
    if sheet.columns == ["figure", "value"] {
        let mut object = begin("summary", batch);
        for row in &sheet.rows {
            if let [Cell::Text(name), cell] = row.as_slice() {
                object.insert(name.clone(), value(cell));
            }
        }
        return writeln!(output, "{}", Value::Object(object));
    }
    for row in &sheet.rows {
        let mut object = begin(sheet.what.row(), batch);
        for (column, cell) in sheet.columns.iter().zip(row) {
            // What kind of line it is stands there already.
            let column = if *column == "kind" { "what" } else { column };
            object.insert(column.to_owned(), value(cell));
        }
        writeln!(output, "{}", Value::Object(object))?;
        done();
    }
    Ok(())
}

fn begin(kind: &str, batch: &str) -> Map<String, Value> {
    let mut object = Map::new();
    object.insert("kind".to_owned(), json!(kind));
    object.insert("batch".to_owned(), json!(batch));
    object
}

fn value(cell: &Cell) -> Value {
    match cell {
        Cell::Empty => Value::Null,
        Cell::Text(text) => json!(text),
        Cell::Number(number) => json!(number),
        Cell::Time(at) => json!(at.rfc3339()),
        Cell::Data(value) => value.clone(),
    }
}
