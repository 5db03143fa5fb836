//! Sentences that several records share.

use belief::{Doubt, Lacking, Missing, Refusal};
use brewing::calibration::{Calibration, Reads};
use quantity::{Gravity, GravityUnit, Show, plato_from_sg};

/// Where differences are told in °P they are taken here, in SG: near the end of most beers.
const NEAR_SG: f64 = 1.012;

/// A difference given in points, with its standard deviation: `3.1 ± 0.4 points`.
pub(crate) fn points_with_sd(points: f64, sd: f64, show: Show) -> String {
    let (scale, unit) = difference_unit(show);
    let decimals = if show.gravity == GravityUnit::Sg { 1 } else { 2 };
    format!("{:.decimals$} ± {:.decimals$} {unit}", points * scale, sd * scale)
}

/// A difference given in points: `3.1 points`.
pub(crate) fn points(points: f64, show: Show) -> String {
    show.gravity_difference(points, NEAR_SG)
}

/// A rate given in points a day, negative while gravity falls: `falling by 1.2 ± 0.3 points a day`.
pub(crate) fn rate(points_per_day: f64, sd: f64, show: Show) -> String {
    let way = if points_per_day > 0.0 { "rising" } else { "falling" };
    format!("{way} by {} a day", points_with_sd(points_per_day.abs(), sd, show))
}

/// What a float gives, before its calibration: `41.50 deg` or `1.0480 SG`.
pub(crate) fn as_read(value: f64, reads: Reads, show: Show) -> String {
    match (reads, Gravity::from_sg(value)) {
        (Reads::Angle, _) => format!("{value:.2} deg"),
        (Reads::Gravity, Some(gravity)) => show.gravity(gravity),
        (Reads::Gravity, None) => format!("{value:.4} SG"),
    }
}

/// Where a calibration was made: `22.80 deg to 66.90 deg`.
pub(crate) fn range(calibration: &Calibration, show: Show) -> String {
    let (lowest, highest) = calibration.range();
    let end = |value| as_read(value, calibration.reads(), show);
    format!("{} to {}", end(lowest), end(highest))
}

/// How many of the reader's units are a point, and what that unit is called.
fn difference_unit(show: Show) -> (f64, &'static str) {
    let plato = plato_from_sg(NEAR_SG + 1e-3) - plato_from_sg(NEAR_SG);
    match show.gravity {
        GravityUnit::Sg => (1.0, "points"),
        GravityUnit::Plato => (plato, "°P"),
        GravityUnit::Brix => (plato, "°Bx"),
    }
}

/// What is missing for an answer.
pub(crate) fn missing(missing: &Missing) -> String {
    match missing {
        Missing::NoReading => "no usable gravity reading yet".to_owned(),
        Missing::Gap { bound, .. } => format!("no usable gravity reading for over {bound}"),
        Missing::NoTrustedSource => {
            "no gravity source is trusted now: take a sample by hand".to_owned()
        }
        Missing::NoExpectedFinal => "no final gravity is expected".to_owned(),
        Missing::OriginalNotSettled => {
            "the original gravity is not known: readings have not settled yet".to_owned()
        }
        Missing::OriginalMissed => "the original gravity is not known: the fall began before \
                                    readings settled. Give it with the next pitch"
            .to_owned(),
        Missing::OriginalUnknown => "the original gravity is not known".to_owned(),
        Missing::NotBegun => "no fall has been shown yet".to_owned(),
    }
}

/// What keeps a final gravity from being stable.
pub(crate) fn lacking(lacking: &Lacking, show: Show) -> String {
    match lacking {
        Lacking::Missing(what) => missing(what),
        Lacking::StillFalling => "the fall has not slowed down yet".to_owned(),
        Lacking::Span { spans, needed, readings } => {
            format!("{readings} readings span {spans} of the tail, {needed} are needed")
        }
        Lacking::Left { upper } => format!("up to {} may still be to fall", points(*upper, show)),
        Lacking::Rate { upper, bound } => format!(
            "it may still fall by {} a day, under {} is needed",
            points(*upper, show),
            points(*bound, show)
        ),
        Lacking::Hold { needed } => format!("it must hold for {needed}"),
        Lacking::TemperatureMoved { kelvin } => {
            let moved = show.temperature_difference(*kelvin);
            format!("the beer's temperature moved by {moved} in 12 h")
        }
        Lacking::TemperatureUnknown => "the beer's temperature is not known".to_owned(),
        Lacking::Stalled { above } => format!(
            "it ended {} above the expected final gravity: stalled, or the expectation is wrong",
            points(*above, show)
        ),
    }
}

/// Why a gravity reading does not count.
pub(crate) fn refusal(refusal: &Refusal, show: Show) -> String {
    let gravity = |sg: f64| match show.gravity {
        GravityUnit::Sg => format!("{sg:.4} SG"),
        _ => format!("{:.2} °P", plato_from_sg(sg)),
    };
    match refusal {
        Refusal::Implausible { sg, low, high } => format!(
            "{} is not plausible for this beer, {} to {} is",
            gravity(*sg),
            gravity(*low),
            gravity(*high)
        ),
        Refusal::BeforePitch { .. } => "it was taken before the batch was pitched".to_owned(),
        Refusal::NotNewer { .. } => "it is not newer than the last one of its source".to_owned(),
    }
}

/// What is wrong with a gravity source.
pub(crate) fn doubt(doubt: &Doubt, show: Show) -> String {
    match doubt {
        Doubt::Stuck { .. } => "it repeats itself while the beer moves".to_owned(),
        Doubt::Stepped { points: by, .. } => {
            let way = if *by > 0.0 { "up" } else { "down" };
            format!("it went {way} by {} at once, which no beer does", points(by.abs(), show))
        }
        Doubt::Drifts { points_per_day } => {
            format!("it parts from the others by {} a day", points(points_per_day.abs(), show))
        }
        Doubt::Disagrees { points: by } => {
            let way = if *by > 0.0 { "more" } else { "less" };
            format!("it reads {} {way} than the other sources or a sample", points(by.abs(), show))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_says_what_to_do() {
        assert!(missing(&Missing::NoTrustedSource).contains("take a sample"));
        let left = Lacking::Left { upper: 1.44 };
        assert!(lacking(&left, Show::default()).contains("1.4 points"));
        let plato = Show { gravity: GravityUnit::Plato, ..Show::default() };
        assert!(lacking(&left, plato).contains("0.36 °P"));
    }
}
