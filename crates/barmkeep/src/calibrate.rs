//! `calibrate`: from points in liquids of known gravity to a float's calibration, and later points
//! against it.

mod against;
mod plot;
mod points;
mod report;

use crate::cli::{Body, CalibrateArgs};
use crate::failure::{Failure, Status};
use crate::{files, words};
use brewing::calibration::{
    self, CalibrationFile, ExpansionError, ExpansionFit, Fit, FitError, OrderScore, WarmPoint,
};
use points::Points;
use quantity::{Expansion, Temperature};
use report::Report;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Points measured farther apart than this, in K, are felt where nothing corrects for it.
const FELT_KELVIN: f64 = 5.0;

/// A calibration as it was made, with all that a person is told of it.
struct Made {
    points: Points,
    fit: Fit,
    /// How each order did, also those that were not chosen.
    orders: Vec<OrderScore>,
    /// The order that was asked for.
    forced: Option<usize>,
    /// With which readings are to be corrected.
    expansion: Option<Expansion>,
    /// Its standard error in ppm/K and whether a reading's own error was assumed, where it was
    /// found from the points.
    found: Option<(f64, bool)>,
}

/// Makes a calibration, or holds points against one, and prints it.
///
/// # Errors
/// Where the points cannot be used or a file cannot be written.
pub fn task(arguments: &CalibrateArgs) -> Result<(), Failure> {
    if let Some(output) = arguments.output.as_ref().filter(|path| !arguments.force && path.exists())
    {
        return Err(files::is_there(output));
    }
    let points = Points::read(&arguments.points)?;
    let mut output = BufWriter::new(std::io::stdout().lock());
    if let Some(file) = &arguments.against {
        return against::run(&points, file, arguments, &mut output);
    }
    let made = make(points, arguments)?;
    if let Some(path) = &arguments.output {
        let text = file_text(&made, path)?;
        files::write_whole(path, &text, arguments.force)?;
    }
    if let Some(path) = &arguments.plot {
        std::fs::write(path, plot::svg(&made))
            .map_err(|error| Failure::file(path, "written", &error))?;
    }
    let report = Report::new(&made);
    if arguments.json {
        report.print_json(&mut output)?;
    } else {
        report.print(&mut output)?;
    }
    output.flush()?;
    hints(&made, arguments);
    Ok(())
}

/// Makes a calibration and gives its file's text, printing and writing nothing.
///
/// # Errors
/// Where the points cannot be used.
pub fn text(points: &Path) -> Result<String, Failure> {
    let arguments = CalibrateArgs {
        points: points.to_owned(),
        order: None,
        expansion: None,
        output: None,
        force: false,
        plot: None,
        against: None,
        json: false,
    };
    let made = make(Points::read(points)?, &arguments)?;
    plot::svg(&made);
    file_text(&made, points)
}

fn make(points: Points, arguments: &CalibrateArgs) -> Result<Made, Failure> {
    let warm: Vec<WarmPoint> = points.list.iter().map(|measured| measured.point).collect();
    let forced = arguments.order.map(usize::from);
    let (expansion, found, fit) = match arguments.expansion {
        Some(Body::Fit) => {
            let ExpansionFit { expansion, standard_error_ppm_per_kelvin, error_assumed, fit } =
                calibration::fit_expansion(points.reads, &warm, forced)
                    .map_err(|error| no_expansion(&points, &error))?;
            (Some(expansion), Some((standard_error_ppm_per_kelvin, error_assumed)), fit)
        }
        known => {
            let body = match known {
                Some(Body::Known(body)) => Some(body),
                _ => None,
            };
            need_temperatures(&points, body)?;
            let mut fit = fit(&points, &warm, forced, body)?;
            fit.calibration = fit.calibration.made_with(body);
            (body, None, fit)
        }
    };
    let read =
        calibration::as_read(&warm, expansion).map_err(|index| no_density(&points, index))?;
    // A forced order may have been fitted to fewer points than the comparison needs.
    let mut orders = calibration::scores(points.reads, &read).unwrap_or_default();
    let own = fit.orders.iter().filter(|score| orders.iter().all(|one| one.order != score.order));
    orders.extend(own.copied().collect::<Vec<_>>());
    orders.sort_by_key(|score| score.order);
    Ok(Made { points, fit, orders, forced, expansion, found })
}

fn fit(
    points: &Points,
    warm: &[WarmPoint],
    forced: Option<usize>,
    body: Option<Expansion>,
) -> Result<Fit, Failure> {
    let read = calibration::as_read(warm, body).map_err(|index| no_density(points, index))?;
    let fitted = match forced {
        Some(order) => calibration::fit_order(points.reads, &read, order),
        None => calibration::fit(points.reads, &read),
    };
    fitted.map_err(|error| no_fit(points, &error))
}

fn no_fit(points: &Points, error: &FitError) -> Failure {
    let one_angle = matches!(error, FitError::TooFew { given: 1, needed: 2 });
    if one_angle && points.is_angle() {
        let problem = "one angle tells no gravity but its own: it takes two or more to know how \
                       the angle turns with the gravity";
        return points
            .fault(problem)
            .hint("measure the float in water and in sugar solutions of known gravity");
    }
    points.fault(&error.to_string()).hint(error.hint())
}

fn no_expansion(points: &Points, error: &ExpansionError) -> Failure {
    let failure = match error {
        ExpansionError::NoTemperature(index) => {
            points.fault_at(*index, "there is no temperature, and an expansion needs one")
        }
        ExpansionError::NoDensity(index) => return no_density(points, *index),
        other => points.fault(&other.to_string()),
    };
    failure.hint(error.hint())
}

fn no_density(points: &Points, index: usize) -> Failure {
    let error = ExpansionError::NoDensity(index);
    points.fault_at(index, "no solution has that gravity at that temperature").hint(error.hint())
}

fn need_temperatures(points: &Points, body: Option<Expansion>) -> Result<(), Failure> {
    let missing = points.list.iter().position(|measured| measured.point.liquid.is_none());
    match missing.filter(|_| body.is_some()) {
        None => Ok(()),
        Some(index) => Err(points
            .fault_at(index, "there is no temperature, and `--expansion` needs one of each point")
            .hint("fill in `temperature_c`, or leave `--expansion` out")),
    }
}

/// The file, opened by a few words on what it is.
fn file_text(made: &Made, path: &Path) -> Result<String, Failure> {
    let file = CalibrationFile::from(made.fit.calibration.clone());
    let body = toml::to_string(&file)
        .map_err(|error| Failure::new(Status::Failed, format!("no calibration: {error}")))?;
    // It stands in a comment, which must stay on its line.
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let name = name.replace(char::is_control, "?");
    let kind = if made.points.is_angle() { "an angle" } else { "a gravity" };
    let count = made.points.count();
    let mut text = format!(
        "# The calibration of a float that gives {kind}, made by `barmkeep calibrate` on {count}.\n\
         # A configuration names it in the float's table:\n#   calibration = \"{name}\"\n"
    );
    if let Some(body) = made.expansion {
        let body = words::expansion(body);
        text.push_str(&format!("#   expansion = \"{body}\"   # it was made with this\n"));
    }
    Ok(format!("{text}\n{body}"))
}

/// What a person should know besides, on standard error.
fn hints(made: &Made, arguments: &CalibrateArgs) {
    let liquids = made.points.list.iter().filter_map(|measured| measured.point.liquid);
    let celsius = |liquid: Temperature| liquid.celsius();
    let (low, high) = (
        liquids.clone().map(celsius).fold(f64::INFINITY, f64::min),
        liquids.map(celsius).fold(f64::NEG_INFINITY, f64::max),
    );
    if made.expansion.is_none() && high - low >= FELT_KELVIN {
        eprintln!(
            "warning: the points were measured at {low:.1} to {high:.1} °C and nothing corrects \
             for it\n\nhint: `--expansion fit` finds out how the float's body expands; \
             `--expansion \"200 ppm/K\"` says it\n"
        );
    }
    let (count, order) = (made.points.list.len(), made.fit.calibration.order());
    if made.forced.is_some() && order > 0 && count < order + 3 {
        eprintln!(
            "warning: {count} points are few for order {order}: the curve follows their errors\n"
        );
    }
    match &arguments.output {
        None => eprintln!("hint: nothing was written; `--output FILE.toml` keeps this calibration"),
        Some(path) => {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            let path = path.display();
            eprintln!(
                "{path} is written\n\nhint: write `calibration = \"{name}\"` into the float's \
                 table of the configuration{}",
                made.expansion.map_or_else(String::new, |body| format!(
                    ", and `expansion = \"{}\"`",
                    words::expansion(body)
                ))
            );
        }
    }
}
