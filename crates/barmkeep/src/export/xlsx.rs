//! A batch as a workbook: a sheet a table, and charts that the spreadsheet draws by itself.

use super::account::Account;
use super::tables::{Cell, Sheet, What};
use crate::failure::{Failure, Status};
use crate::zone::Zone;
use quantity::{GravityUnit, Show, Stamp, TemperatureUnit};
use rust_xlsxwriter::{
    Chart, ChartAxisLabelPosition, ChartLegendPosition, ChartLine, ChartLineDashType, ChartType,
    DocProperties, Format, Workbook, Worksheet, XlsxError,
};

/// How instants look; they are in the reader's time zone, as spreadsheets know none.
const TIME: &str = "yyyy-mm-dd hh:mm";
/// The day of 1970-01-01, as spreadsheets count days.
const EPOCH: f64 = 25_569.0;
/// A sheet's longest text, in characters: the format's own limit.
const TEXT_MAX: usize = 32_767;

/// A sheet's most rows below its head: the format's own limit.
const ROWS_MAX: usize = 1_048_575;

/// What a person reads in.
pub(super) struct Reader<'a> {
    pub show: Show,
    pub zone: &'a Zone,
}

/// A workbook with these tables.
///
/// # Errors
/// Where a table has more rows than a workbook can hold.
pub(super) fn workbook(
    account: &Account,
    sheets: &[Sheet],
    reader: &Reader<'_>,
    done: &dyn Fn(),
) -> Result<Vec<u8>, Failure> {
    let id = &account.batch.id;
    fits(id, sheets)?;
    try_workbook(account, sheets, reader, done)
        .map_err(|error| Failure::new(Status::Failed, format!("{id}: no workbook: {error}")))
}

/// Refuses what would be cut: a spreadsheet shows no rows beyond its last.
fn fits(id: &str, sheets: &[Sheet]) -> Result<(), Failure> {
    let Some(sheet) = sheets.iter().find(|sheet| sheet.rows.len() > ROWS_MAX) else {
        return Ok(());
    };
    let (name, rows) = (sheet.what.name(), sheet.rows.len());
    let text = format!("{id}: {rows} {name}, and a sheet of a workbook holds {ROWS_MAX}");
    Err(Failure::new(Status::Failed, text)
        .hint(format!("`--format csv --what {name}` has no such limit")))
}

fn try_workbook(
    account: &Account,
    sheets: &[Sheet],
    reader: &Reader<'_>,
    done: &dyn Fn(),
) -> Result<Vec<u8>, XlsxError> {
    let mut workbook = Workbook::new();
    let title = format!("Batch {}", account.batch.id);
    workbook.set_properties(&DocProperties::new().set_title(&title));
    for sheet in sheets {
        let worksheet = workbook.add_worksheet();
        worksheet.set_name(sheet.what.name())?;
        fill(worksheet, sheet, reader.zone, done)?;
        if sheet.what == What::Summary {
            let (row, column) = (sheet.rows.len() as u32 + 1, 0);
            let zone = reader.zone.name();
            worksheet.write_string(row, column, "times_are_in")?;
            worksheet.write_string(row, column + 1, zone)?;
            charts(worksheet, sheets, reader.show)?;
        }
    }
    workbook.save_to_buffer()
}

fn fill(
    worksheet: &mut Worksheet,
    sheet: &Sheet,
    zone: &Zone,
    done: &dyn Fn(),
) -> Result<(), XlsxError> {
    let (bold, time) = (Format::new().set_bold(), Format::new().set_num_format(TIME));
    for (column, name) in (0u16..).zip(&sheet.columns) {
        worksheet.write_string_with_format(0, column, *name, &bold)?;
        worksheet.set_column_width(column, width(sheet, usize::from(column)))?;
    }
    for (row, cells) in (1u32..).zip(&sheet.rows) {
        for (column, cell) in (0u16..).zip(cells) {
            match cell {
                Cell::Empty => continue,
                Cell::Text(text) => worksheet.write_string(row, column, cut(text))?,
                Cell::Number(number) => worksheet.write_number(row, column, *number)?,
                Cell::Time(at) => {
                    worksheet.write_number_with_format(row, column, serial(*at, zone), &time)?
                }
                Cell::Data(value) => {
                    worksheet.write_string(row, column, cut(&value.to_string()))?
                }
            };
        }
        done();
    }
    worksheet.set_freeze_panes(1, 0)?;
    worksheet.set_landscape();
    if !sheet.rows.is_empty() && sheet.what != What::Summary {
        let last = (sheet.rows.len() as u32, sheet.columns.len() as u16 - 1);
        worksheet.autofilter(0, 0, last.0, last.1)?;
    }
    Ok(())
}

/// A column's width, in characters.
fn width(sheet: &Sheet, column: usize) -> f64 {
    let cells = sheet.rows.iter().take(200).filter_map(|row| row.get(column));
    let longest = cells.map(|cell| match cell {
        Cell::Text(text) => text.chars().count(),
        Cell::Time(_) => TIME.len(),
        Cell::Data(_) => 30,
        Cell::Number(_) | Cell::Empty => 9,
    });
    let name = sheet.columns.get(column).map_or(0, |name| name.len());
    (longest.max().unwrap_or(0).max(name) + 2).min(90) as f64
}

fn cut(text: &str) -> String {
    text.chars().take(TEXT_MAX).collect()
}

/// An instant as a spreadsheet has it: days by the wall clock of a place.
fn serial(at: Stamp, zone: &Zone) -> f64 {
    (at.millis() as f64 / 1e3 + f64::from(zone.ahead_s(at))) / 86_400.0 + EPOCH
}

/// A line in a chart: its column, its name, and how it is drawn; two shades and dashes tell lines
/// apart also in grey.
struct Drawn {
    column: &'static str,
    name: &'static str,
    colour: u32,
    dash: Option<ChartLineDashType>,
}

fn charts(worksheet: &mut Worksheet, sheets: &[Sheet], show: Show) -> Result<(), XlsxError> {
    let Some(course) = sheets.iter().find(|sheet| sheet.what == What::Course) else {
        return Ok(());
    };
    if course.rows.is_empty() {
        return Ok(());
    }
    let line = |column, name, colour, dash| Drawn { column, name, colour, dash };
    let (gravity, unit, decimals) = match show.gravity {
        GravityUnit::Sg => ("gravity_sg", "gravity, SG", "0.000"),
        GravityUnit::Plato | GravityUnit::Brix => ("gravity_plato", "extract, °P", "0.0"),
    };
    let ([beer, setpoint], degrees) = match show.temperature {
        TemperatureUnit::Celsius => (["beer_c", "setpoint_c"], "°C"),
        TemperatureUnit::Fahrenheit => (["beer_f", "setpoint_f"], "°F"),
    };
    let gravities = [line(gravity, "gravity", 0x2b4c6f, None)];
    let percent = [line("attenuation_percent", "attenuation", 0x6b4e16, None)];
    let temperatures = [
        line(beer, "beer", 0x8a2f1d, None),
        line(setpoint, "setpoint", 0x555555, Some(ChartLineDashType::Dash)),
    ];
    let pictures = [
        chart(course, &gravities, unit, decimals),
        chart(course, &percent, "apparent attenuation, %", "0"),
        chart(course, &temperatures, degrees, "0"),
    ];
    for (index, picture) in (0u32..).zip(&pictures) {
        worksheet.insert_chart(1 + index * 16, 3, picture)?;
    }
    Ok(())
}

fn chart(course: &Sheet, lines: &[Drawn], unit: &str, decimals: &str) -> Chart {
    let (name, last) = (course.what.name(), course.rows.len() as u32);
    let mut chart = Chart::new(ChartType::ScatterStraight);
    for drawn in lines {
        let column = course.columns.iter().position(|column| *column == drawn.column);
        let Some(column) = column.and_then(|column| u16::try_from(column).ok()) else { continue };
        let mut pen = ChartLine::new();
        pen.set_color(drawn.colour).set_width(1.5);
        if let Some(dash) = drawn.dash {
            pen.set_dash_type(dash);
        }
        chart
            .add_series()
            .set_name(drawn.name)
            .set_categories((name, 1, 0, last, 0))
            .set_values((name, 1, column, last, column))
            .set_format(&mut pen);
    }
    let time = |row: Option<&Vec<Cell>>| row.and_then(|row| row.first()).cloned();
    if let (Some(Cell::Time(from)), Some(Cell::Time(until))) =
        (time(course.rows.first()), time(course.rows.last()))
    {
        let day = |at: Stamp| at.millis() as f64 / 86_400_000.0 + EPOCH;
        chart.x_axis().set_min(day(from).floor()).set_max(day(until).floor() + 1.0);
    }
    chart.x_axis().set_num_format("d mmm").set_label_position(ChartAxisLabelPosition::Low);
    chart.y_axis().set_name(unit).set_num_format(decimals);
    if lines.len() > 1 {
        chart.legend().set_position(ChartLegendPosition::Bottom);
    } else {
        chart.legend().set_hidden();
    }
    chart.set_width(760).set_height(300);
    chart
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_rows_than_a_sheet_holds_are_refused_and_not_cut() {
        let sheet = |rows| Sheet {
            what: What::Readings,
            columns: vec!["time"],
            rows: vec![Vec::new(); rows],
        };
        assert!(fits("north-1", &[sheet(ROWS_MAX)]).is_ok());
        let refused = fits("north-1", &[sheet(1), sheet(ROWS_MAX + 1)]).unwrap_err();
        assert!(refused.message.contains("1048576 readings"), "{}", refused.message);
    }
}
