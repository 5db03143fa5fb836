//! Sentences that several records share.

use belief::{Doubt, Lacking, Missing, Refusal};
use quantity::{Show, plato_from_sg};

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
                                    readings settled; take it from the recipe or a sample with \
                                    `expect`"
            .to_owned(),
        Missing::NotBegun => "no fall has been shown yet".to_owned(),
    }
}

/// What keeps a final gravity from being stable.
pub(crate) fn lacking(lacking: &Lacking) -> String {
    match lacking {
        Lacking::Missing(what) => missing(what),
        Lacking::StillFalling => "the fall has not slowed down yet".to_owned(),
        Lacking::Span { spans, needed, readings } => {
            format!("{readings} readings span {spans} of the tail, {needed} are needed")
        }
        Lacking::Left { upper } => format!("up to {upper:.1} points may still be to fall"),
        Lacking::Rate { upper, bound } => {
            format!("it may still fall by {upper:.1} points a day, under {bound:.1} is needed")
        }
        Lacking::Hold { needed } => format!("it must hold for {needed}"),
        Lacking::TemperatureMoved { kelvin } => {
            format!("the beer's temperature moved by {kelvin:.1} K in 12 h")
        }
        Lacking::TemperatureUnknown => "the beer's temperature is not known".to_owned(),
        Lacking::Stalled { above } => format!(
            "it ended {above:.1} points above the expected final gravity: stalled, or the \
             expectation is wrong"
        ),
    }
}

/// Why a gravity reading does not count.
pub(crate) fn refusal(refusal: &Refusal, show: Show) -> String {
    let gravity = |sg: f64| match show.gravity {
        quantity::GravityUnit::Sg => format!("{sg:.4} SG"),
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
pub(crate) fn doubt(doubt: &Doubt) -> String {
    match doubt {
        Doubt::Stuck { .. } => "it repeats itself while the beer moves".to_owned(),
        Doubt::Stepped { points, .. } => {
            format!("it moved by {points:+.1} points at once, which no beer does")
        }
        Doubt::Drifts { points_per_day } => {
            format!("it parts from the others by {points_per_day:+.2} points a day")
        }
        Doubt::Disagrees { points } => {
            format!("it reads {points:+.1} points against the other sources or a sample")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_says_what_to_do() {
        assert!(missing(&Missing::NoTrustedSource).contains("take a sample"));
        assert!(lacking(&Lacking::Left { upper: 1.44 }).contains("1.4 points"));
    }
}
