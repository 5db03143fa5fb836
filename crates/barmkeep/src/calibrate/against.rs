//! Later points against a calibration: whether the float has moved, and what to do.

use super::points::{Measured, Points};
use super::report::{Head, signed};
use crate::cli::{Body, CalibrateArgs};
use crate::failure::{Failure, Status};
use crate::files;
use brewing::calibration::{Advice, Calibration, Difference, Moved, Tilt, WarmPoint, moved};
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// Says how the points stand to the calibration in `file`.
///
/// # Errors
/// Where the calibration or the points cannot be used, or the output fails.
pub fn run(
    points: &Points,
    file: &Path,
    arguments: &CalibrateArgs,
    output: &mut impl Write,
) -> Result<(), Failure> {
    let body = match arguments.expansion {
        Some(Body::Fit) => {
            return Err(Failure::new(
                Status::Usage,
                "`--expansion fit` makes a calibration, `--against` asks of one that is made",
            )
            .hint("leave one of them out"));
        }
        Some(Body::Known(body)) => Some(body),
        None => None,
    };
    let calibration = files::read_calibration(file).map_err(|failure| match failure.status {
        Status::Config => Failure { status: Status::Data, ..failure },
        _ => failure,
    })?;
    if calibration.reads() != points.reads {
        let kind = |is_angle: bool| if is_angle { "an angle" } else { "a gravity" };
        let problem = format!(
            "the points are of {}, the calibration in {} is of {}",
            kind(points.is_angle()),
            file.display(),
            kind(!points.is_angle())
        );
        return Err(points.fault(&problem).hint("name the calibration of the same float"));
    }
    let body = body.or(calibration.expansion());
    let untold = points.list.iter().find(|measured| measured.point.liquid.is_none());
    if let Some(measured) = untold.filter(|_| body.is_some()) {
        eprintln!(
            "warning: {}:{}: there is no temperature, so that nothing corrects for it\n",
            points.file, measured.line
        );
    }
    let warm: Vec<WarmPoint> = points.list.iter().map(|measured| measured.point).collect();
    let moved = moved(&calibration, &warm, body).map_err(|index| {
        points
            .fault_at(index, "by the calibration this reading is no gravity, 0.970 to 1.200 SG is")
            .hint("look for a reading that is mistyped, or of another float")
    })?;
    let check = Check { points, file, calibration: &calibration, moved: &moved };
    if arguments.json {
        check.print_json(output)?;
    } else {
        check.print(output)?;
    }
    Ok(output.flush()?)
}

/// Points against a calibration.
struct Check<'a> {
    points: &'a Points,
    file: &'a Path,
    calibration: &'a Calibration,
    moved: &'a Moved,
}

impl Check<'_> {
    fn rows(&self) -> impl Iterator<Item = (&Measured, &Difference)> {
        self.points.list.iter().zip(&self.moved.differences)
    }

    fn print(&self, output: &mut impl Write) -> std::io::Result<()> {
        let made_on = match self.calibration.readings() {
            1 => "1 point".to_owned(),
            count => format!("{count} points"),
        };
        let (points, file) = (self.points, self.file.display());
        writeln!(output, "{} of {} against {file} ({made_on})\n", points.count(), points.file)?;
        let head = Head::of(self.points);
        let (calibrated, difference) = ("calibrated", "difference");
        writeln!(output, "{}  {:>9}  {calibrated}  {difference}", head.first, "reference")?;
        writeln!(output, "{}  {:>9}  {:>10}  {:>10}", head.second, "SG", "SG", "points")?;
        for (measured, difference) in self.rows() {
            let beyond = if difference.within_range { "" } else { "  beyond the calibration" };
            let note = measured.note.as_ref().map_or_else(String::new, |n| format!("  {n}"));
            writeln!(
                output,
                "{}  {:>9.4}  {:>10.4}  {:>10}{beyond}{note}",
                head.cells(measured),
                measured.point.reference.sg(),
                difference.calibrated_sg,
                signed(Some(difference.points))
            )?;
        }
        writeln!(output, "\nmoved  {}", self.shift_text())?;
        writeln!(output, "tilt   {}", self.tilt_text())?;
        writeln!(output, "do     {}", self.advice_text())
    }

    fn print_json(&self, output: &mut impl Write) -> std::io::Result<()> {
        let unit = if self.points.is_angle() { "deg" } else { "SG" };
        for (measured, difference) in self.rows() {
            let point = measured.point;
            let value = json!({
                "kind": "point", "line": measured.line, "reading": point.reading, "unit": unit,
                "temperature_c": point.liquid.map(quantity::Temperature::celsius),
                "reference_sg": point.reference.sg(), "calibrated_sg": difference.calibrated_sg,
                "difference_points": difference.points,
                "within_range": difference.within_range, "note": measured.note,
            });
            writeln!(output, "{value}")?;
        }
        let moved = self.moved;
        let (word, points_needed) = match moved.advice {
            Advice::Nothing => ("nothing", None),
            Advice::MeasureMore(points) => ("measure", Some(points)),
            Advice::CalibrateAgain(points) | Advice::TooWeak(points) => ("calibrate", Some(points)),
        };
        let value = json!({
            "kind": "check", "against": self.file.display().to_string(),
            "points": moved.differences.len(), "shift_points": moved.shift_points,
            "standard_error_points": moved.standard_error_points,
            "calibration_error_points": moved.calibration_error_points,
            "error_assumed": moved.error_assumed,
            "confidence_percent": moved.confidence * 100.0, "moved": moved.moved,
            "tilt": moved.tilt.as_ref().map(tilt_json), "do": word,
            "points_needed": points_needed, "text": self.advice_text(),
        });
        writeln!(output, "{value}")
    }

    fn shift_text(&self) -> String {
        let moved = self.moved;
        let by = format!(
            "{} ± {:.1} points",
            signed(Some(moved.shift_points)),
            moved.standard_error_points
        );
        let sure = sure(moved.confidence);
        let assumed =
            if moved.error_assumed { "; each reading taken to be ± 1 point" } else { "" };
        if moved.moved {
            let way = if moved.shift_points > 0.0 { "high" } else { "low" };
            format!("{by}: it reads too {way}, {sure} sure that this is more than chance{assumed}")
        } else {
            format!("{by}: no more than chance would do ({sure} sure{assumed})")
        }
    }

    fn tilt_text(&self) -> String {
        let Some(tilt) = self.moved.tilt else {
            return "not told: it takes 3 points or more, over 20 points of gravity or more"
                .to_owned();
        };
        let by = format!(
            "{} ± {:.1} points from {:.4} to {:.4} SG",
            signed(Some(tilt.points)),
            tilt.standard_error_points,
            tilt.lowest_sg,
            tilt.highest_sg
        );
        let sure = sure(tilt.confidence);
        if tilt.tilted {
            format!("{by}: it turns with the gravity, {sure} sure")
        } else {
            format!("{by}: no more than chance, or too little to matter ({sure} sure)")
        }
    }

    fn advice_text(&self) -> String {
        let moved = self.moved;
        let tilted = moved.tilt.is_some_and(|tilt| tilt.tilted);
        match moved.advice {
            Advice::Nothing if moved.moved => {
                "nothing: the shift is less than a hand sample is sure of".to_owned()
            }
            Advice::Nothing => "nothing: a shift of 2 points would have been seen".to_owned(),
            Advice::MeasureMore(more) => {
                let s = if more == 1 { "" } else { "s" };
                format!(
                    "measure {more} more point{s} like these: a shift of up to {:.1} points would \
                     not have been seen",
                    moved.half_interval_points
                )
            }
            Advice::CalibrateAgain(points) if tilted => format!(
                "calibrate again, on {points} points or more over the range of your beers; an \
                 original gravity at pitch takes up a shift, no tilt"
            ),
            Advice::CalibrateAgain(points) => format!(
                "calibrate again, on {points} points or more; until then an original gravity at \
                 pitch takes up a plain shift"
            ),
            Advice::TooWeak(points) => format!(
                "nothing is shown; calibrate again on {points} points or more to see a shift of 2 \
                 points: the calibration itself may be off by ± {:.1} points here",
                moved.calibration_error_points
            ),
        }
    }
}

fn tilt_json(tilt: &Tilt) -> Value {
    json!({
        "points": tilt.points, "standard_error_points": tilt.standard_error_points,
        "from_sg": tilt.lowest_sg, "to_sg": tilt.highest_sg,
        "confidence_percent": tilt.confidence * 100.0, "tilted": tilt.tilted,
    })
}

/// `97 %`; never quite sure.
fn sure(confidence: f64) -> String {
    let percent = confidence * 100.0;
    if percent > 99.9 { "over 99.9 %".to_owned() } else { format!("{percent:.0} %") }
}
