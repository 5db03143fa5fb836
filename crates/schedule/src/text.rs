//! Milestones and targets in words, for people, in the units that they chose.

use crate::model::{Along, Milestone, Pace, Target};
use quantity::{Gravity, GravityDelta, GravityRate, GravityUnit, Share, Show, TemperatureRate};
use std::num::NonZeroU32;

/// Where a difference or rate has to be converted between points and °P, it is taken here: in SG,
/// near the end of most beers.
const NEAR_SG: f64 = 1.012;

/// A milestone in words: `apparent attenuation at least 50 %`.
pub fn milestone_text(milestone: &Milestone, show: Show) -> String {
    match milestone {
        Milestone::Attenuation(share) => {
            format!("apparent attenuation at least {}", percent(*share))
        }
        Milestone::Progress(share) => {
            format!("at least {} of the way to the final gravity", percent(*share))
        }
        Milestone::Gravity(gravity) => format!("gravity at or below {}", show.gravity(*gravity)),
        Milestone::AboveFinal(delta) => {
            format!("gravity within {} of the expected final one", difference(*delta, show))
        }
        Milestone::Drop(delta) => {
            format!("gravity fallen by at least {}", difference(*delta, show))
        }
        Milestone::SlowerThan(rate) => {
            format!("gravity falling more slowly than {}", gravity_rate(*rate, show))
        }
        Milestone::Stable { within, over } => {
            format!("stable: less than {} still to fall, over {over}", difference(*within, show))
        }
        Milestone::AtTarget(span) => format!("at the target for {span}"),
        Milestone::Elapsed(span) => format!("{span} in this stage"),
        Milestone::SincePitch(span) => format!("{span} since pitching"),
        Milestone::Confirm(sentence) => format!("a person confirms \"{sentence}\""),
        Milestone::All(list) => joined(list, " and ", show),
        Milestone::Any(list) => joined(list, " or ", show),
    }
}

/// A target in words: `to 16.0 °C as attenuation goes from 50 % to 68 %, in 6 steps`.
pub fn target_text(target: &Target, show: Show) -> String {
    match target {
        Target::Fixed(to) => show.temperature(*to),
        Target::Timed { to, pace, steps } => {
            let pace = match pace {
                Pace::Over(span) => format!("over {span}"),
                Pace::Rate(rate) => format!("at {}", temperature_rate(*rate, show)),
            };
            format!("to {} {pace}{}", show.temperature(*to), steps_text(*steps))
        }
        Target::Climb { to, along, from, until, steps } => format!(
            "to {} as {} goes from {} to {}{}",
            show.temperature(*to),
            match along {
                Along::Attenuation => "attenuation",
                Along::Progress => "progress",
            },
            percent(*from),
            percent(*until),
            steps_text(*steps)
        ),
        Target::FreeRise { ceiling, not_below } => {
            let floor = match not_below {
                Some(floor) => format!("heated only below {}", show.temperature(*floor)),
                None => "not heated".to_owned(),
            };
            format!("free to rise to {}, {floor}", show.temperature(*ceiling))
        }
    }
}

/// A share without needless decimals: `50 %`, `99.9 %`.
pub(crate) fn percent(share: Share) -> String {
    format!("{} %", short(share.percent(), 2))
}

/// A number with at most this many decimals, and no zeros at its end.
pub(crate) fn short(number: f64, decimals: usize) -> String {
    let text = format!("{number:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        text.as_str()
    };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn joined(list: &[Milestone], word: &str, show: Show) -> String {
    let texts: Vec<String> = list
        .iter()
        .map(|milestone| match milestone {
            Milestone::All(inner) | Milestone::Any(inner) if inner.len() > 1 => {
                format!("({})", milestone_text(milestone, show))
            }
            other => milestone_text(other, show),
        })
        .collect();
    texts.join(word)
}

fn steps_text(steps: Option<NonZeroU32>) -> String {
    match steps.map(NonZeroU32::get) {
        None => String::new(),
        Some(1) => ", in one step".to_owned(),
        Some(steps) => format!(", in {steps} steps"),
    }
}

fn difference(delta: GravityDelta, show: Show) -> String {
    match (delta, show.gravity) {
        (GravityDelta::Plato(plato), GravityUnit::Plato) => format!("{plato:.2} °P"),
        (GravityDelta::Plato(plato), GravityUnit::Brix) => format!("{plato:.2} °Bx"),
        (delta, _) => {
            let near = Gravity::from_sg(NEAR_SG);
            let points = near.map_or(0.0, |near| delta.points_near(near));
            show.gravity_difference(points, NEAR_SG)
        }
    }
}

fn gravity_rate(rate: GravityRate, show: Show) -> String {
    let delta = match rate {
        GravityRate::Points(points) => GravityDelta::Points(points),
        GravityRate::Plato(plato) => GravityDelta::Plato(plato),
    };
    format!("{} a day", difference(delta, show))
}

fn temperature_rate(rate: TemperatureRate, show: Show) -> String {
    let per_day = rate.kelvin_per_hour() * 24.0;
    format!("{} a day", show.temperature_difference(per_day))
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::{Quantity, Span, Temperature, TemperatureUnit};

    const METRIC: Show = Show { gravity: GravityUnit::Sg, temperature: TemperatureUnit::Celsius };
    const PLATO_AND_F: Show =
        Show { gravity: GravityUnit::Plato, temperature: TemperatureUnit::Fahrenheit };

    fn share(text: &str) -> Share {
        Share::parse(text).unwrap()
    }

    #[test]
    fn milestones_are_said_in_the_units_of_the_reader() {
        let stable =
            Milestone::Stable { within: GravityDelta::Points(1.0), over: Span::from_hours(48) };
        let drop = Milestone::Drop(GravityDelta::Plato(4.0));
        let slower = Milestone::SlowerThan(GravityRate::Points(2.0));
        for (milestone, show, expected) in [
            (&Milestone::Attenuation(share("50 %")), METRIC, "apparent attenuation at least 50 %"),
            (&stable, METRIC, "stable: less than 1.0 points still to fall, over 2 d"),
            (&stable, PLATO_AND_F, "stable: less than 0.25 °P still to fall, over 2 d"),
            (&drop, PLATO_AND_F, "gravity fallen by at least 4.00 °P"),
            (&slower, METRIC, "gravity falling more slowly than 2.0 points a day"),
        ] {
            assert_eq!(milestone_text(milestone, show), expected);
        }
    }

    #[test]
    fn lists_are_joined_and_nested_ones_bracketed() {
        let day = Milestone::Elapsed(Span::from_hours(24));
        let tasted = Milestone::Confirm("It is clean".to_owned());
        let any = Milestone::Any(vec![day.clone(), tasted]);
        let all = Milestone::All(vec![day, any]);
        assert_eq!(
            milestone_text(&all, METRIC),
            "1 d in this stage and (1 d in this stage or a person confirms \"It is clean\")"
        );
    }

    #[test]
    fn targets_are_said_in_the_units_of_the_reader() {
        let to = Temperature::parse("16 C").unwrap();
        let rate = TemperatureRate::parse("2 C/d").unwrap();
        let steps = NonZeroU32::new(6);
        let climb = Target::Climb {
            to,
            along: Along::Attenuation,
            from: share("50 %"),
            until: share("68 %"),
            steps,
        };
        let timed = Target::Timed { to, pace: Pace::Rate(rate), steps: None };
        let free = Target::FreeRise { ceiling: to, not_below: None };
        for (target, show, expected) in [
            (&climb, METRIC, "to 16.0 °C as attenuation goes from 50 % to 68 %, in 6 steps"),
            (&timed, METRIC, "to 16.0 °C at 2.0 °C a day"),
            (&timed, PLATO_AND_F, "to 60.8 °F at 3.6 °F a day"),
            (&free, METRIC, "free to rise to 16.0 °C, not heated"),
            (&Target::Fixed(to), PLATO_AND_F, "60.8 °F"),
        ] {
            assert_eq!(target_text(target, show), expected);
        }
    }

    #[test]
    fn numbers_lose_needless_zeros_only() {
        for (number, decimals, text) in
            [(50.0, 2, "50"), (100.0, 0, "100"), (99.9, 2, "99.9"), (-0.001, 1, "0")]
        {
            assert_eq!(short(number, decimals), text);
        }
    }
}
