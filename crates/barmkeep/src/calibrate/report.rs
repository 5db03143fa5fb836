//! What `calibrate` says of a calibration: a table for a person, lines of JSON for a program.

use super::Made;
use super::points::{Measured, Points};
use crate::words;
use brewing::calibration::{OrderScore, Residual};
use brewing::floating;
use quantity::Gravity;
use serde_json::{Value, json};
use std::io::Write;

/// A calibration with each point against it.
pub struct Report<'a> {
    made: &'a Made,
    rows: Vec<Row<'a>>,
}

struct Row<'a> {
    measured: &'a Measured,
    residual: Residual,
    /// As barmkeep shows it: calibrated, and corrected where readings are.
    fitted_sg: f64,
}

impl<'a> Report<'a> {
    /// Each point against its calibration.
    pub fn new(made: &'a Made) -> Self {
        let rows = made.points.list.iter().zip(&made.fit.residuals);
        let row = |(measured, residual): (&'a Measured, &Residual)| {
            let fitted = Gravity::from_sg(residual.fitted_sg);
            let corrected = made.expansion.zip(measured.point.liquid).and_then(|(body, liquid)| {
                floating::corrected(fitted?, liquid, body).map(Gravity::sg)
            });
            let fitted_sg = corrected.unwrap_or(residual.fitted_sg);
            Row { measured, residual: *residual, fitted_sg }
        };
        Report { made, rows: rows.map(row).collect() }
    }

    /// Prints it for a person.
    ///
    /// # Errors
    /// Where the output fails.
    pub fn print(&self, output: &mut impl Write) -> std::io::Result<()> {
        let made = self.made;
        writeln!(output, "{} of {}\n", made.points.count(), made.points.file)?;
        self.print_points(output)?;
        self.print_orders(output)?;
        writeln!(output, "chosen     {}", self.because())?;
        writeln!(output, "range      {}", self.range())?;
        writeln!(output, "a reading  {}", self.expected())?;
        if let (Some(body), Some((error, assumed))) = (made.expansion, made.found) {
            let why = if assumed { "; each reading taken to be ± 1 point" } else { "" };
            writeln!(
                output,
                "expansion  {} ± {error:.0} ppm/K (standard error{why})\n\
                 \x20          into the configuration: expansion = \"{}\"",
                ppm(body.per_kelvin()),
                words::expansion(body)
            )?;
        } else if let Some(body) = made.expansion {
            writeln!(output, "expansion  {}, as said", words::expansion(body))?;
        }
        Ok(())
    }

    fn print_points(&self, output: &mut impl Write) -> std::io::Result<()> {
        let points = &self.made.points;
        let head = Head::of(points);
        writeln!(
            output,
            "{}  {:>9}  {:>8}  {:>8}  {:>8}",
            head.first, "reference", "fitted", "residual", "left out"
        )?;
        writeln!(
            output,
            "{}  {:>9}  {:>8}  {:>8}  {:>8}",
            head.second, "SG", "SG", "points", "points"
        )?;
        for row in &self.rows {
            let left_out = row.residual.left_out_sg.map(|sg| sg * 1e3);
            let note = row.measured.note.as_ref().map_or_else(String::new, |n| format!("  {n}"));
            writeln!(
                output,
                "{}  {:>9.4}  {:>8.4}  {:>8}  {:>8}{note}",
                head.cells(row.measured),
                row.measured.point.reference.sg(),
                row.fitted_sg,
                signed(Some(row.residual_points())),
                signed(left_out)
            )?;
        }
        writeln!(output)
    }

    fn print_orders(&self, output: &mut impl Write) -> std::io::Result<()> {
        writeln!(output, "order  left out  residual sd")?;
        writeln!(output, "{:>15}  {:>11}", "± points", "± points")?;
        let number = |points: Option<f64>| {
            points.map_or_else(|| "-".to_owned(), |points| format!("{points:.2}"))
        };
        let chosen = self.made.fit.calibration.order();
        for score in &self.made.orders {
            let word = match score {
                OrderScore { order, .. } if *order == chosen => "  chosen",
                OrderScore { monotone: false, .. } => "  rises and falls: no use",
                _ => "",
            };
            writeln!(
                output,
                "{:>5}  {:>8}  {:>11}{word}",
                score.order,
                number(score.leave_one_out_points),
                number(score.residual_sd_points)
            )?;
        }
        writeln!(output)
    }

    /// Prints it for a program.
    ///
    /// # Errors
    /// Where the output fails.
    pub fn print_json(&self, output: &mut impl Write) -> std::io::Result<()> {
        let unit = if self.made.points.is_angle() { "deg" } else { "SG" };
        for row in &self.rows {
            let point = row.measured.point;
            let value = json!({
                "kind": "point", "line": row.measured.line, "reading": point.reading,
                "unit": unit, "temperature_c": point.liquid.map(quantity::Temperature::celsius),
                "reference_sg": point.reference.sg(), "fitted_sg": row.fitted_sg,
                "residual_points": row.residual_points(),
                "left_out_points": row.residual.left_out_sg.map(|sg| sg * 1e3),
                "leverage": row.residual.leverage, "note": row.measured.note,
            });
            writeln!(output, "{value}")?;
        }
        let calibration = &self.made.fit.calibration;
        for score in &self.made.orders {
            let value = json!({
                "kind": "order", "order": score.order,
                "leave_one_out_points": score.leave_one_out_points,
                "residual_sd_points": score.residual_sd_points,
                "monotone": score.monotone, "chosen": score.order == calibration.order(),
            });
            writeln!(output, "{value}")?;
        }
        let (centre, half_width) = calibration.scale();
        let (lowest, highest) = calibration.range();
        let value = json!({
            "kind": "calibration", "order": calibration.order(),
            "terms_sg": calibration.terms_sg(), "unit": unit,
            "scale": { "centre": centre, "half_width": half_width },
            "range": { "lowest": lowest, "highest": highest },
            "readings": calibration.readings(),
            "residual_sd_points": calibration.residual_sd_points(),
            "leave_one_out_points": calibration.leave_one_out_points(),
            "because": self.because(), "expansion": self.expansion_json(),
        });
        writeln!(output, "{value}")
    }

    fn expansion_json(&self) -> Value {
        let Some(body) = self.made.expansion else { return Value::Null };
        json!({
            "ppm_per_kelvin": ppm(body.per_kelvin()),
            "standard_error_ppm_per_kelvin": self.made.found.map(|(error, _)| error),
            "fitted": self.made.found.is_some(),
            "line": format!("expansion = \"{}\"", words::expansion(body)),
        })
    }

    /// Which order was taken, and why.
    fn because(&self) -> String {
        let order = self.made.fit.calibration.order();
        let name = match order {
            0 => "order 0, an offset".to_owned(),
            1 => "order 1, a line".to_owned(),
            order => format!("order {order}"),
        };
        if self.made.forced.is_some() {
            return format!("{name}: `--order` asks for it");
        }
        let judged = self.made.orders.iter().filter(|score| score.monotone);
        let judged = judged.filter_map(|score| Some((score.order, score.leave_one_out_points?)));
        let best = judged.min_by(|(_, one), (_, other)| one.total_cmp(other));
        match best {
            Some((best, _)) if best == order => {
                format!("{name}: the least error on points left out")
            }
            Some((best, _)) => format!(
                "{name}: its error on points left out is not shown to be above the least one, \
                 order {best}'s"
            ),
            None if self.rows.len() == 1 => format!("{name}: one point tells no more"),
            None if order == 0 => {
                format!("{name}: gravities so near to each other tell no slope")
            }
            None => format!("{name}: {} points leave none out to judge it by", self.rows.len()),
        }
    }

    fn range(&self) -> String {
        let calibration = &self.made.fit.calibration;
        if calibration.is_offset() {
            return "everywhere: an offset has no ends".to_owned();
        }
        let (lowest, highest) = calibration.range();
        let (from, to) = (calibration.sg(lowest), calibration.sg(highest));
        let ends = if self.made.points.is_angle() {
            format!("{lowest:.2} to {highest:.2} deg ({from:.4} to {to:.4} SG)")
        } else {
            format!("{lowest:.4} to {highest:.4} SG")
        };
        format!("{ends}; beyond, the curve goes straight on and a reading is noted")
    }

    fn expected(&self) -> String {
        match self.made.fit.calibration.leave_one_out_points() {
            Some(points) => {
                format!("± {points:.1} points is to be expected: how far points left out were off")
            }
            None => "± 1 point or more: no point could be left out to tell".to_owned(),
        }
    }
}

impl Row<'_> {
    /// The known gravity less the fitted one, both at 20 °C.
    fn residual_points(&self) -> f64 {
        (self.measured.point.reference.sg() - self.fitted_sg) * 1e3
    }
}

/// The first columns of a table of points: line, reading and, where one was measured, temperature.
pub struct Head {
    /// The names of the columns.
    pub first: String,
    /// Their units.
    pub second: String,
    decimals: usize,
    warm: bool,
}

impl Head {
    /// Of these points.
    pub fn of(points: &Points) -> Self {
        let warm = points.list.iter().any(|measured| measured.point.liquid.is_some());
        let (liquid, celsius) = if warm { ("  liquid", "      °C") } else { ("", "") };
        Head {
            first: format!("line  {:>8}{liquid}", "reading"),
            second: format!("{:>14}{celsius}", points.unit.name()),
            decimals: points.unit.decimals(),
            warm,
        }
    }

    /// Of one point.
    pub fn cells(&self, measured: &Measured) -> String {
        let liquid = match measured.point.liquid {
            _ if !self.warm => String::new(),
            Some(liquid) => format!("  {:>6.1}", liquid.celsius()),
            None => format!("  {:>6}", "-"),
        };
        let decimals = self.decimals;
        format!("{:>4}  {:>8.decimals$}{liquid}", measured.line, measured.written)
    }
}

/// `+0.3`, `-1.2`, `0.0`; a dash where there is none.
pub fn signed(points: Option<f64>) -> String {
    let Some(points) = points else { return "-".to_owned() };
    // Rounded first, so that nothing is never `-0.0`.
    let rounded = (points * 10.0).round() / 10.0 + 0.0;
    if rounded == 0.0 { "0.0".to_owned() } else { format!("{rounded:+.1}") }
}

fn ppm(per_kelvin: f64) -> f64 {
    (per_kelvin * 1e12).round() / 1e6
}
