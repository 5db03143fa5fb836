//! A calibration as a picture: points and curve above, what is left of each point below.

use super::Made;
use crate::drawing::{GAP, LEFT, RIGHT, Scale, Sheet, TOP, WIDTH};
use brewing::calibration::{Point, Reads, as_read};

const CURVE: f64 = 300.0;
const RESIDUALS: f64 = 150.0;
/// The curve is drawn in so many pieces.
const PIECES: u32 = 200;
/// So much of the range is left free on each side.
const MARGIN: f64 = 0.08;

/// The whole picture.
pub fn svg(made: &Made) -> String {
    let calibration = &made.fit.calibration;
    let split = TOP + CURVE;
    let bottom = split + GAP + RESIDUALS;
    let points = drawn_points(made);
    let (lowest, highest) = calibration.range();
    let least = if calibration.reads() == Reads::Angle { 1.0 } else { 0.005 };
    let edge = ((highest - lowest) * MARGIN).max(least);
    let x = Scale { low: lowest - edge, high: highest + edge, from: LEFT, to: WIDTH - RIGHT };
    // An angle's curve is the gravity itself; a gravity's is what is added, else it hides in a
    // diagonal.
    let is_angle = calibration.reads() == Reads::Angle;
    let shown = |reading: f64, sg: f64| if is_angle { sg } else { (sg - reading) * 1e3 };
    let curve: Vec<(f64, f64)> = (0..=PIECES)
        .map(|piece| x.low + (x.high - x.low) * f64::from(piece) / f64::from(PIECES))
        .map(|reading| (reading, shown(reading, calibration.sg(reading))))
        .collect();
    let marks: Vec<(f64, f64)> =
        points.iter().map(|p| (p.reading, shown(p.reading, p.reference.sg()))).collect();
    let values = curve.iter().chain(&marks).map(|(_, value)| *value);
    let least = if is_angle { 0.001 } else { 1.0 };
    let y = Scale::of(values, 0.06, split, TOP).widened(least);
    let left = left_over(made, &points);
    let expected = calibration.leave_one_out_points();
    let far = left.iter().flat_map(|(_, own, left_out)| [Some(*own), *left_out]).flatten();
    let far = far.chain(expected).map(f64::abs).fold(0.5, f64::max) * 1.15;
    let below = Scale { low: -far, high: far, from: bottom, to: split + GAP };

    let mut sheet = Sheet::new(&title(made), &legend(made).join("; "), WIDTH, bottom + 72.0);
    sheet.heading(LEFT);
    range_band(&mut sheet, made, &x, bottom);
    if let Some(expected) = expected {
        let (top, foot) = (below.at(expected), below.at(-expected));
        sheet.rectangle((LEFT, top), (WIDTH - RIGHT - LEFT, foot - top), "reach");
    }
    let label = if is_angle { "gravity, SG" } else { "correction, points" };
    sheet.panel(&y, label, y.decimals());
    sheet.panel(&below, "residual, points", below.decimals());
    let everywhere = calibration.is_offset();
    let is_inside = |(reading, _): &&(f64, f64)| everywhere || (lowest..=highest).contains(reading);
    let inside: Vec<(f64, f64)> = curve.iter().filter(is_inside).copied().collect();
    let drawn = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().map(|(reading, value)| (x.at(*reading), y.at(*value))).collect()
    };
    sheet.line(&drawn(&curve), "faint");
    sheet.line(&drawn(&inside), "gravity");
    for at in drawn(&marks) {
        dot(&mut sheet, at, "dot");
    }
    sheet.rule((x.at(x.low), below.at(0.0)), (x.at(x.high), below.at(0.0)), "axis");
    for (reading, own, left_out) in &left {
        let (at, reach) = (x.at(*reading), left_out.unwrap_or(*own));
        sheet.rule((at, below.at(0.0)), (at, below.at(reach)), "beer");
        if let Some(left_out) = left_out {
            dot(&mut sheet, (at, below.at(*left_out)), "ring");
        }
        dot(&mut sheet, (at, below.at(*own)), "dot");
    }
    let unit = if is_angle { "reading, degrees" } else { "reading, SG" };
    let legend = legend(made);
    sheet.foot(&x, bottom, &[unit, &legend[0], &legend[1]]);
    sheet.file()
}

fn title(made: &Made) -> String {
    let order = match made.fit.calibration.order() {
        0 => "an offset".to_owned(),
        1 => "a line".to_owned(),
        order => format!("a curve of order {order}"),
    };
    format!("Calibration by {}: {order} through {}", made.points.file, made.points.count())
}

fn legend(made: &Made) -> [String; 2] {
    let brought = if made.expansion.is_some() { ", brought to their temperature" } else { "" };
    let expected = match made.fit.calibration.leave_one_out_points() {
        Some(points) => format!("; band: ± {points:.1} points, what to expect of a reading"),
        None => String::new(),
    };
    let is_offset = made.fit.calibration.is_offset();
    let ends = if is_offset { "" } else { ", dashed where no point bears it" };
    [
        format!("above, dots: points{brought}; line: the calibration{ends}"),
        format!(
            "below, full: known gravity less fitted; open: the same with that point left out\
             {expected}"
        ),
    ]
}

/// The points as the calibration has to give them.
fn drawn_points(made: &Made) -> Vec<Point> {
    let warm: Vec<_> = made.points.list.iter().map(|measured| measured.point).collect();
    // They were converted before, when they were fitted.
    as_read(&warm, made.expansion).unwrap_or_default()
}

/// Each reading, what is left of its point, and the same where it is left out, in points.
fn left_over(made: &Made, points: &[Point]) -> Vec<(f64, f64, Option<f64>)> {
    let residuals = made.fit.residuals.iter().zip(points);
    residuals
        .map(|(residual, point)| {
            let own = (residual.reference_sg - residual.fitted_sg) * 1e3;
            (point.reading, own, residual.left_out_sg.map(|sg| sg * 1e3))
        })
        .collect()
}

/// The range that points bear, through both panels.
fn range_band(sheet: &mut Sheet, made: &Made, x: &Scale, bottom: f64) {
    let calibration = &made.fit.calibration;
    let (lowest, highest) = calibration.range();
    if calibration.is_offset() || lowest >= highest {
        return;
    }
    let (from, to) = (x.at(lowest), x.at(highest));
    sheet.rectangle((from, TOP), (to - from, bottom - TOP), "soft");
    let decimals = if made.points.is_angle() { 2 } else { 4 };
    let unit = if made.points.is_angle() { "deg" } else { "SG" };
    let text = format!("range {lowest:.decimals$} to {highest:.decimals$} {unit}");
    sheet.text((from + 2.0, TOP - 5.0), "small", "start", &text);
}

fn dot(sheet: &mut Sheet, (x, y): (f64, f64), class: &str) {
    sheet.raw(&format!("<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>\n"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::{make, points::Points};
    use crate::cli::{CalibrateArgs, Task, Typed, parse};
    use crate::table::Table;

    fn arguments(flags: &[&str]) -> CalibrateArgs {
        let typed = ["barmkeep", "calibrate", "points.csv"].iter().chain(flags);
        let Ok(Typed::Task(Task::Calibrate(arguments))) = parse(typed.map(Into::into)) else {
            panic!("{flags:?} is no calibration");
        };
        *arguments
    }

    fn drawn(text: &str, flags: &[&str]) -> String {
        let points = Points::of(Table::of(text, "a <b>.csv").unwrap()).unwrap();
        svg(&make(points, &arguments(flags)).unwrap())
    }

    #[test]
    fn a_picture_has_title_axes_and_every_point_twice() {
        let line = "angle_deg,reference_sg\n25,1\n35,1.021\n45,1.039\n55,1.06\n";
        let picture = drawn(line, &[]);
        assert!(picture.starts_with("<svg") && picture.ends_with("</svg>\n"));
        for text in [
            "Calibration by a &lt;b&gt;.csv: a line through 4 points",
            "gravity, SG",
            "residual, points",
            "reading, degrees",
            "range 25.00 to 55.00 deg",
        ] {
            assert!(picture.contains(text), "{text}");
        }
        // Above, and below with and without that point.
        assert_eq!(picture.matches("<circle").count(), 3 * 4);
        assert!(!picture.contains("NaN") && !picture.contains("inf"));
    }

    #[test]
    fn one_point_and_points_on_one_level_are_pictures_too() {
        for text in [
            "gravity_sg,reference_sg\n1.002,1\n",
            "gravity_sg,reference_sg\n1.002,1\n1.002,1\n",
            "gravity_sg,reference_sg\n1.002,1\n1.052,1.05\n",
        ] {
            let picture = drawn(text, &[]);
            assert!(!picture.contains("NaN") && !picture.contains("inf"), "{text}");
            assert!(picture.contains("correction, points"));
        }
        let warm = "gravity_sg,reference_sg,temperature_c\n1.002,1,5\n1,1,25\n";
        assert!(drawn(warm, &["--expansion", "fit"]).contains("brought to their temperature"));
    }
}
