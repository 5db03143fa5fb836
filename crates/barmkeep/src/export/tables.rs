//! A batch as tables: every form of export but the page is made of these.
//!
//! Instants are RFC 3339 in UTC, units stand in the columns' names, and what is not known is empty.
//! Where people read other units than °C, columns in theirs come beside.

use super::account::{Account, Wear, plato, raw};
use engine::{Kind, RawGravity};
use quantity::{Show, Stamp, TemperatureUnit};
use schedule::Name;
use serde_json::Value;

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum What {
    /// Figures of the whole batch.
    Summary,
    /// The stages that were entered.
    Stages,
    /// Every reading and hand sample; `replay` reads it.
    Readings,
    /// What was believed and kept, each quarter of an hour.
    Course,
    /// Everything that happened.
    Events,
    /// The hand samples, with how they were read.
    Samples,
}

impl What {
    /// All, in the order in which a person reads them.
    pub const ALL: [What; 6] =
        [What::Summary, What::Stages, What::Course, What::Readings, What::Samples, What::Events];

    /// Its name, in small letters.
    pub fn name(self) -> &'static str {
        match self {
            What::Summary => "summary",
            What::Stages => "stages",
            What::Readings => "readings",
            What::Course => "course",
            What::Events => "events",
            What::Samples => "samples",
        }
    }

    /// What one of its rows is: the `kind` of its JSON line.
    pub fn row(self) -> &'static str {
        match self {
            What::Summary => "figure",
            What::Stages => "stage",
            What::Readings => "reading",
            What::Course => "point",
            What::Events => "event",
            What::Samples => "sample",
        }
    }
}

/// What stands in a field.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    Empty,
    Text(String),
    Number(f64),
    Time(Stamp),
    /// JSON, as the store has it.
    Data(Value),
}

/// A table; each row has as many cells as there are columns.
pub(super) struct Sheet {
    pub what: What,
    pub columns: Vec<&'static str>,
    pub rows: Vec<Vec<Cell>>,
}

impl From<Option<f64>> for Cell {
    fn from(number: Option<f64>) -> Self {
        number.filter(|number| number.is_finite()).map_or(Cell::Empty, Cell::Number)
    }
}

impl From<Option<Stamp>> for Cell {
    fn from(stamp: Option<Stamp>) -> Self {
        stamp.map_or(Cell::Empty, Cell::Time)
    }
}

impl From<Option<&str>> for Cell {
    fn from(text: Option<&str>) -> Self {
        text.map_or(Cell::Empty, said)
    }
}

impl From<Option<&String>> for Cell {
    fn from(text: Option<&String>) -> Self {
        Cell::from(text.map(String::as_str))
    }
}

fn said(text: &str) -> Cell {
    Cell::Text(text.to_owned())
}

/// The table of this kind.
pub(super) fn sheet(account: &Account, what: What, show: Show) -> Sheet {
    let (columns, rows) = match what {
        What::Summary => summary(account),
        What::Stages => stages(account),
        What::Readings => readings(account, show),
        What::Course => course(account, show),
        What::Events => events(account),
        What::Samples => samples(account, show),
    };
    debug_assert!(rows.iter().all(|row| row.len() == columns.len()));
    Sheet { what, columns, rows }
}

type Content = (Vec<&'static str>, Vec<Vec<Cell>>);

/// A figure a row: its name with its unit.
fn summary(account: &Account) -> Content {
    let figures = &account.figures;
    let alarms = account.of(&[Kind::AlarmRaised]).count();
    let hours = account.took().hours();
    let wear = |name: [&'static str; 3], wear: Wear| {
        [(name[0], wear.starts), (name[1], wear.on_h), (name[2], wear.kwh)]
            .map(|(name, number)| (name, Cell::from(number)))
    };
    let mut rows = vec![
        ("batch", said(&account.batch.id)),
        ("name", Cell::from(figures.name.as_ref())),
        ("vessel", said(account.vessel.as_str())),
        ("schedule", Cell::from(figures.schedule.as_ref())),
        ("yeast", Cell::from(figures.yeast.as_ref())),
        ("volume_l", Cell::from(figures.volume_l)),
        ("pitched", Cell::Time(account.from)),
        ("completed", Cell::from(account.batch.completed)),
        ("ended", Cell::from(account.batch.ended)),
        ("known_until", Cell::Time(account.until)),
        ("days", Cell::Number(hours / 24.0)),
        ("run", said(&figures.run)),
        ("original_gravity_sg", Cell::from(figures.original_sg)),
        ("original_gravity_plato", Cell::from(plato(figures.original_sg))),
        ("expected_final_gravity_sg", Cell::from(figures.expected_final_sg)),
        ("gravity_sg", Cell::from(figures.sg)),
        ("gravity_sg_sd", Cell::from(figures.sd)),
        ("gravity_plato", Cell::from(plato(figures.sg))),
        ("apparent_attenuation_percent", Cell::from(figures.apparent_percent)),
        ("real_attenuation_percent", Cell::from(figures.real_percent)),
        ("alcohol_by_volume_percent", Cell::from(figures.abv_percent)),
        ("alarms_raised", Cell::Number(alarms as f64)),
    ];
    rows.extend(wear(["heater_starts", "heater_on_h", "heater_kwh"], figures.heater));
    rows.extend(wear(["chiller_starts", "chiller_on_h", "chiller_kwh"], figures.chiller));
    let rows = rows.into_iter().map(|(name, cell)| vec![said(name), cell]).collect();
    (vec!["figure", "value"], rows)
}

fn stages(account: &Account) -> Content {
    let row = |stage: &super::account::StageRun| {
        let took = stage.left.map(|left| left.since(stage.entered).hours());
        vec![
            Cell::Number(stage.index as f64),
            said(&stage.name),
            Cell::Time(stage.entered),
            Cell::from(stage.left),
            Cell::from(took),
            Cell::from(stage.because.as_ref()),
        ]
    };
    let columns = vec!["index", "stage", "entered", "left", "took_h", "because"];
    (columns, account.stages.iter().map(row).collect())
}

/// The columns that `replay` reads, and what a person may want to know besides.
fn readings(account: &Account, show: Show) -> Content {
    let mut columns = vec!["time", "source", "kind"];
    let gravities = ["gravity_sg", "gravity_plato", "gravity_brix", "angle_deg"];
    columns.extend(gravities);
    columns.extend(["temperature_c", "battery_percent", "corrected_sg", "corrected_plato"]);
    columns.extend(["arrived", "vessel"]);
    let raw_cells = |gravity: Option<RawGravity>| {
        let found = gravity.map(raw);
        gravities.map(|name| Cell::from(found.filter(|(n, _)| *n == name).map(|(_, v)| v)))
    };
    let mut rows: Vec<(Stamp, Option<f64>, Vec<Cell>)> = Vec::new();
    for heard in &account.readings {
        let (reading, values) = (&heard.reading, heard.reading.values);
        let probe = ["beer", "surround"].contains(&reading.source.as_str());
        let kind = if probe { "probe" } else { "float" };
        let mut row = vec![Cell::Time(heard.at), said(&reading.source), said(kind)];
        row.extend(raw_cells(values.gravity));
        row.extend([Cell::from(values.temperature_c), Cell::from(values.battery_percent)]);
        row.extend([Cell::from(heard.corrected_sg), Cell::from(plato(heard.corrected_sg))]);
        row.extend([Cell::Time(heard.arrived), said(reading.vessel.as_str())]);
        rows.push((heard.at, values.temperature_c, row));
    }
    for sample in &account.samples {
        let mut row = vec![Cell::Time(sample.taken), said("hand"), said("hand")];
        row.extend(raw_cells(Some(RawGravity::Sg(sample.sg))));
        // Of the sample's glass, not of the beer.
        row.extend([Cell::Empty, Cell::Empty]);
        row.extend([Cell::Number(sample.sg), Cell::from(plato(Some(sample.sg)))]);
        row.extend([Cell::Time(sample.told), said(account.vessel.as_str())]);
        rows.push((sample.taken, None, row));
    }
    rows.sort_by_key(|(at, ..)| *at);
    let fahrenheit = rows.iter().map(|(_, celsius, _)| in_fahrenheit(*celsius)).collect();
    let rows = rows.into_iter().map(|(.., row)| row).collect();
    beside(show, &["temperature_f"], vec![fahrenheit], columns, rows)
}

fn course(account: &Account, show: Show) -> Content {
    let columns = vec![
        "time",
        "gravity_sg",
        "gravity_sg_sd",
        "gravity_plato",
        "attenuation_percent",
        "attenuation_percent_sd",
        "beer_c",
        "setpoint_c",
        "surround_c",
        "heater_share",
        "chiller_share",
        "vessel",
    ];
    let row = |point: &engine::Point| {
        vec![
            Cell::Time(point.at),
            Cell::from(point.sg),
            Cell::from(point.sg_sd),
            Cell::from(plato(point.sg)),
            Cell::from(point.attenuation_percent),
            Cell::from(point.attenuation_sd),
            Cell::from(point.beer_c),
            Cell::from(point.setpoint_c),
            Cell::from(point.surround_c),
            Cell::from(point.heater_share),
            Cell::from(point.chiller_share),
            said(point.vessel.as_str()),
        ]
    };
    let points = &account.course;
    let of = |celsius: fn(&engine::Point) -> Option<f64>| {
        points.iter().map(|point| in_fahrenheit(celsius(point))).collect()
    };
    let fahrenheit =
        vec![of(|point| point.beer_c), of(|point| point.setpoint_c), of(|point| point.surround_c)];
    let rows = points.iter().map(row).collect();
    beside(show, &["beer_f", "setpoint_f", "surround_f"], fahrenheit, columns, rows)
}

fn events(account: &Account) -> Content {
    let row = |record: &engine::Record| {
        vec![
            Cell::Time(record.at),
            Cell::Number(record.seq as f64),
            Cell::from(record.vessel.as_ref().map(Name::as_str)),
            said(record.kind.as_str()),
            said(&record.text),
            Cell::Data(Value::Object(record.data.clone())),
        ]
    };
    let columns = vec!["time", "seq", "vessel", "kind", "text", "data"];
    (columns, account.records.iter().map(row).collect())
}

fn samples(account: &Account, show: Show) -> Content {
    let columns = vec![
        "time",
        "gravity_sg",
        "gravity_plato",
        "sd_points",
        "instrument",
        "read_sg",
        "temperature_c",
        "told",
        "text",
    ];
    let row = |sample: &super::account::Sample| {
        vec![
            Cell::Time(sample.taken),
            Cell::Number(sample.sg),
            Cell::from(plato(Some(sample.sg))),
            Cell::from(sample.sd_points),
            Cell::from(sample.instrument.as_ref()),
            Cell::from(sample.read_sg),
            Cell::from(sample.temperature_c),
            Cell::Time(sample.told),
            said(&sample.text),
        ]
    };
    let samples = &account.samples;
    let fahrenheit = samples.iter().map(|sample| in_fahrenheit(sample.temperature_c)).collect();
    let rows = samples.iter().map(row).collect();
    beside(show, &["temperature_f"], vec![fahrenheit], columns, rows)
}

fn in_fahrenheit(celsius: Option<f64>) -> Cell {
    Cell::from(celsius.map(|celsius| celsius * 1.8 + 32.0))
}

/// Adds columns in °F at the end, where people read °F.
fn beside(
    show: Show,
    names: &[&'static str],
    fahrenheit: Vec<Vec<Cell>>,
    mut columns: Vec<&'static str>,
    mut rows: Vec<Vec<Cell>>,
) -> Content {
    if show.temperature == TemperatureUnit::Fahrenheit {
        columns.extend(names);
        for column in fahrenheit {
            for (row, cell) in rows.iter_mut().zip(column) {
                row.push(cell);
            }
        }
    }
    (columns, rows)
}
