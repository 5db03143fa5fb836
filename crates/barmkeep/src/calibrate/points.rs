//! Points as a person measured them, from CSV.

use crate::failure::Failure;
use crate::table::{self, Column, Table, TemperatureColumns};
use brewing::calibration::{Reads, WarmPoint};
use quantity::{Angle, Gravity, Temperature, sg_from_plato};
use std::path::Path;

/// No person measures more points than this.
const POINTS_MOST: usize = 10_000;

/// The columns that a reading can stand in.
const READINGS: [(&str, Unit); 4] = [
    ("angle_deg", Unit::Degrees),
    ("gravity_sg", Unit::Sg),
    ("gravity_plato", Unit::Plato),
    ("gravity_brix", Unit::Brix),
];

/// The columns that a known gravity can stand in.
const REFERENCES: [(&str, Unit); 3] =
    [("reference_sg", Unit::Sg), ("reference_plato", Unit::Plato), ("reference_brix", Unit::Brix)];

/// The unit of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Degrees of an angle.
    Degrees,
    /// Specific gravity.
    Sg,
    /// °Plato.
    Plato,
    /// °Brix.
    Brix,
}

/// A file of points.
#[derive(Debug, Clone, PartialEq)]
pub struct Points {
    /// The file's name as it was given.
    pub file: String,
    /// What the float gives.
    pub reads: Reads,
    /// In what unit it stands in the file.
    pub unit: Unit,
    /// The points; at least one.
    pub list: Vec<Measured>,
}

/// One point and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Its line in the file.
    pub line: u64,
    /// The reading as it stands in the file.
    pub written: f64,
    /// The point.
    pub point: WarmPoint,
    /// What the person noted.
    pub note: Option<String>,
}

impl Unit {
    /// As a person reads it in the head of a table.
    pub fn name(self) -> &'static str {
        match self {
            Unit::Degrees => "deg",
            Unit::Sg => "SG",
            Unit::Plato => "°P",
            Unit::Brix => "°Bx",
        }
    }

    /// So many decimals are shown.
    pub fn decimals(self) -> usize {
        if self == Unit::Sg { 4 } else { 2 }
    }
}

impl Points {
    /// Reads a file of points.
    ///
    /// # Errors
    /// Where it cannot be read, or a line of it cannot be used.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        Self::of(Table::read(path)?)
    }

    /// Reads the points of a table.
    ///
    /// # Errors
    /// Where a line of it cannot be used.
    pub fn of(mut table: Table) -> Result<Self, Failure> {
        let (reading, unit) = column(&table, &READINGS, "what the float gave")?;
        let columns = Columns {
            reading: (reading, unit),
            reference: column(&table, &REFERENCES, "the known gravity")?,
            liquid: table.temperature_columns(),
            note: table.column("note"),
        };
        let mut list = Vec::new();
        while let Some(row) = table.next_row()? {
            list.push(measured(&row, &columns).map_err(|problem| row.fault(&problem))?);
            if list.len() > POINTS_MOST {
                return Err(table.fault(&format!("there are over {POINTS_MOST} points")));
            }
        }
        if list.is_empty() {
            return Err(table.fault("there is no point").hint(
                "a point is a line: what the float gave, and the known gravity of the liquid",
            ));
        }
        let reads = if unit == Unit::Degrees { Reads::Angle } else { Reads::Gravity };
        Ok(Points { file: table.name().to_owned(), reads, unit, list })
    }

    /// Whether the float gives an angle.
    pub fn is_angle(&self) -> bool {
        self.reads == Reads::Angle
    }

    /// `1 point`, `7 points`.
    pub fn count(&self) -> String {
        let count = self.list.len();
        if count == 1 { "1 point".to_owned() } else { format!("{count} points") }
    }

    /// A fault of the whole file.
    pub fn fault(&self, problem: &str) -> Failure {
        table::fault(&self.file, problem)
    }

    /// A fault of a point, by its index.
    pub fn fault_at(&self, index: usize, problem: &str) -> Failure {
        let line = self.list.get(index).map_or(0, |measured| measured.line);
        table::fault(&format!("{}:{line}", self.file), problem)
    }
}

/// The columns of a file of points.
struct Columns {
    /// What the float gave.
    reading: (Column, Unit),
    /// The known gravity.
    reference: (Column, Unit),
    /// The liquid's temperature.
    liquid: TemperatureColumns,
    note: Column,
}

/// The one of these columns that the table has.
fn column(
    table: &Table,
    known: &[(&'static str, Unit)],
    what: &str,
) -> Result<(Column, Unit), Failure> {
    let columns = known.iter().map(|(name, unit)| (table.column(name), *unit));
    let mut found = columns.filter(|(column, _)| column.is_there());
    let names: Vec<String> = known.iter().map(|(name, _)| format!("`{name}`")).collect();
    match (found.next(), found.next()) {
        (Some(one), None) => Ok(one),
        (Some((one, _)), Some((other, _))) => Err(table
            .fault(&format!(
                "{what} stands in two columns, `{}` and `{}`",
                one.name(),
                other.name()
            ))
            .hint("leave one of them out")),
        (None, _) => Err(table.fault(&format!("there is no column with {what}")).hint(format!(
            "the first line names the columns, parted by commas; {what} is one of {}",
            names.join(", ")
        ))),
    }
}

fn measured(row: &table::Row<'_>, columns: &Columns) -> Result<Measured, String> {
    let Columns { reading: (reading, unit), reference: (reference, known), liquid, note } =
        *columns;
    let empty = |column: Column| format!("`{}` is empty", column.name());
    let written = row.number(reading)?.ok_or_else(|| empty(reading))?;
    let given = row.number(reference)?.ok_or_else(|| empty(reference))?;
    let gravity = match known {
        Unit::Sg | Unit::Degrees => Gravity::from_sg(given),
        Unit::Plato | Unit::Brix => Gravity::from_plato(given),
    };
    let gravity = gravity.ok_or_else(|| {
        format!(
            "{given} {} in `{}` is not possible, 0.970 to 1.200 SG (-8.2 to 43.9 °P) is",
            known.name(),
            reference.name()
        )
    })?;
    let liquid = row.celsius(liquid)?.map(|celsius| {
        Temperature::from_celsius(celsius)
            .ok_or_else(|| format!("{celsius:.1} °C is no temperature of a liquid like this"))
    });
    Ok(Measured {
        line: row.line(),
        written,
        point: WarmPoint {
            reading: reading_of(written, unit, reading.name())?,
            reference: gravity,
            liquid: liquid.transpose()?,
        },
        note: row.text(note).map(str::to_owned),
    })
}

/// What a calibration takes: degrees, or SG. A float may well be off by what no beer is.
fn reading_of(written: f64, unit: Unit, column: &str) -> Result<f64, String> {
    let refused = |possible: &str| {
        format!("{written} {} in `{column}` is not possible, {possible} is", unit.name())
    };
    match unit {
        Unit::Degrees => Angle::from_degrees(written)
            .map(Angle::degrees)
            .ok_or_else(|| refused("-180 to 180 deg")),
        Unit::Sg => Some(written)
            .filter(|sg| (0.8..=1.4).contains(sg))
            .ok_or_else(|| refused("0.800 to 1.400 SG")),
        Unit::Plato | Unit::Brix => Some(written)
            .filter(|plato| plato.abs() <= 60.0)
            .map(sg_from_plato)
            .ok_or_else(|| refused("-60 to 60 °P")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::failure::Status;

    fn read(text: &str) -> Result<Points, Failure> {
        Points::of(Table::of(text, "a.csv")?)
    }

    #[test]
    fn points_are_read_in_each_unit() {
        let text = "\u{feff}when,gravity_plato,reference_brix,temperature_f,note\n\
                    monday, 10.2 ,10,68,\"sugar, white\"\n\n,,,,\ntuesday,0.1,0,,\n";
        let points = read(text).unwrap();
        assert_eq!((points.reads, points.unit), (Reads::Gravity, Unit::Plato));
        let lines: Vec<u64> = points.list.iter().map(|measured| measured.line).collect();
        assert_eq!(lines, [2, 5]);
        let first = &points.list[0];
        assert_eq!((first.written, first.note.as_deref()), (10.2, Some("sugar, white")));
        assert!((first.point.reading - sg_from_plato(10.2)).abs() < 1e-12);
        assert!((first.point.reference.sg() - 1.040).abs() < 1e-4);
        assert!((first.point.liquid.unwrap().celsius() - 20.0).abs() < 1e-9);
        assert_eq!(points.list[1].point.liquid, None);
        let angles = read("angle_deg,reference_sg\n25,1\n").unwrap();
        assert_eq!((angles.reads, angles.count().as_str()), (Reads::Angle, "1 point"));
    }

    #[test]
    fn faults_are_told_with_file_and_line() {
        for (text, expected) in [
            ("", "a.csv: there is no column with what the float gave"),
            ("reference_sg\n1\n", "a.csv: there is no column with what the float gave"),
            ("angle_deg\n25\n", "a.csv: there is no column with the known gravity"),
            ("angle_deg;reference_sg\n25;1\n", "a.csv: there is no column"),
            ("angle_deg,gravity_sg,reference_sg\n", "a.csv: what the float gave stands in two"),
            ("angle_deg,reference_sg\n\n", "a.csv: there is no point"),
            ("angle_deg,reference_sg\n25,1\nx,1\n", "a.csv:3: `x` in `angle_deg` is no number"),
            ("angle_deg,reference_sg\n25,1\n\n26,inf\n", "a.csv:4: `inf` in `reference_sg`"),
            ("angle_deg,reference_sg\n25,48\n", "a.csv:2: 48 SG in `reference_sg` is not possible"),
            ("angle_deg,reference_sg\n,1\n", "a.csv:2: `angle_deg` is empty"),
            ("angle_deg,reference_sg\n25,\n", "a.csv:2: `reference_sg` is empty"),
            ("angle_deg,reference_sg\n25,1,050\n", "a.csv:2: the line has 3 fields"),
            ("angle_deg,reference_sg\n190,1\n", "a.csv:2: 190 deg in `angle_deg`"),
            ("gravity_sg,reference_sg\n1048,1\n", "a.csv:2: 1048 SG in `gravity_sg`"),
            ("gravity_brix,reference_sg\n100,1\n", "a.csv:2: 100 °Bx in `gravity_brix`"),
            (
                "gravity_sg,reference_sg,temperature_c\n1.0,1,293\n",
                "a.csv:2: 293.0 °C is no temperature",
            ),
        ] {
            let failure = read(text).unwrap_err();
            assert!(failure.message.starts_with(expected), "{}", failure.message);
            assert_eq!(failure.status, Status::Data);
        }
    }
}
