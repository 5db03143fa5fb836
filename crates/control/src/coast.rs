//! The anticipating law: it switches so that the beer's coast ends near the edge of a band.
//!
//! Both outputs follow the same rules with the signs turned round, so each rule is written once,
//! for cooling: an error is how much too warm the beer is for the chiller, and how much too cold it
//! is for the heater.

use crate::outlook::Outlook;
use crate::plain::Wish;
use crate::{Because, Output};
use quantity::{Span, Temperature};
use serde::{Deserialize, Serialize};

/// After the other output ran, only a need that is sure starts this one for so long.
pub(crate) const QUIET: Span = Span::from_hours(2);
/// Between two trial runs of an output that is not known yet.
const BETWEEN_TRIALS: Span = Span::from_mins(18);
/// The first trial run of each output; at its cap each later one may be longer by a factor.
const FIRST_TRIAL_CHILLER: Span = Span::from_mins(4);
const FIRST_TRIAL_HEATER: Span = Span::from_mins(8);
const TRIAL_GROWS: f64 = 1.6;
/// So long at least may a trial run be while the beer is farther off than this, in K.
const FAR: f64 = 2.0;
const FAR_TRIAL_CHILLER: Span = Span::from_mins(20);
const FAR_TRIAL_HEATER: Span = Span::from_mins(40);

/// How long the next trial run of each output may be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Trials {
    chiller: Span,
    heater: Span,
}

/// All that the law looks at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moment {
    pub outlook: Outlook,
    pub beer: Temperature,
    pub setpoint: Temperature,
    /// Where the beer should be now so that it is on time later, in °C.
    pub aim: f64,
    /// Half the width of the band, in K.
    pub half_width: f64,
    /// Where the predicted extremes are placed, as a distance from the setpoint in K.
    pub extremes: f64,
    pub running: Option<Output>,
    /// For how long the running output has been on.
    pub run: Span,
    pub chiller: Standing,
    pub heater: Standing,
}

/// How one output stands.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Standing {
    /// Whether its effect is known.
    pub known: bool,
    /// For how long it has been off; `None` where it is not known ever to have run.
    pub rested: Option<Span>,
    /// Whether it has been idle for [`QUIET`].
    pub quiet: bool,
}

/// The moment as one output sees it, signs turned so that its action lowers the error.
struct Side {
    error: f64,
    reading: f64,
    /// The lowest error to come with both outputs off, in all and soon.
    low: f64,
    soon_low: f64,
    /// The highest error to come with this output on from now.
    driven_high: f64,
    own: Standing,
    other: Standing,
}

impl Default for Trials {
    fn default() -> Self {
        Trials { chiller: FIRST_TRIAL_CHILLER, heater: FIRST_TRIAL_HEATER }
    }
}

impl Trials {
    /// A trial run ended at its cap: the next one may be longer.
    pub fn grow(&mut self, output: Output) {
        let trial = match output {
            Output::Chiller => &mut self.chiller,
            Output::Heater => &mut self.heater,
        };
        *trial = Span::from_hours_f64((trial.hours() * TRIAL_GROWS).min(24.0));
    }

    fn longest(self, output: Output, error: f64) -> Span {
        let (trial, far) = match output {
            Output::Chiller => (self.chiller, FAR_TRIAL_CHILLER),
            Output::Heater => (self.heater, FAR_TRIAL_HEATER),
        };
        if error.abs() > FAR { trial.max(far) } else { trial }
    }
}

/// Which output the law wants.
pub(crate) fn wish(moment: &Moment, trials: Trials) -> Wish {
    match moment.running {
        Some(output) => go_on(moment, output, trials),
        None => [Output::Chiller, Output::Heater]
            .into_iter()
            .find_map(|output| begin(moment, output))
            .unwrap_or_else(|| Wish { output: None, because: idle(moment) }),
    }
}

/// Whether a run goes on.
fn go_on(moment: &Moment, output: Output, trials: Trials) -> Wish {
    let side = moment.side(output);
    let (beer, setpoint) = (moment.beer, moment.setpoint);
    let off = |because| Wish { output: None, because };
    if side.own.known {
        if side.soon_low <= -moment.extremes || side.error <= -moment.half_width {
            return off(moment.coasts(output));
        }
    } else if side.reading <= 0.0 {
        return off(Because::WithinBand { beer, setpoint });
    } else if moment.run >= trials.longest(output, side.error) {
        return off(Because::TrialEnds { ran: moment.run });
    }
    let because = match output {
        Output::Chiller => Because::CoolsTo { beer, setpoint },
        Output::Heater => Because::HeatsTo { beer, setpoint },
    };
    Wish { output: Some(output), because }
}

/// Whether a run begins, and why.
fn begin(moment: &Moment, output: Output) -> Option<Wish> {
    let side = moment.side(output);
    let h = moment.half_width;
    let (beer, setpoint) = (moment.beer, moment.setpoint);
    let because = if side.own.known {
        let needed = side.driven_high >= moment.extremes;
        let alone = if side.other.quiet {
            side.low > -moment.extremes / 2.0
        } else {
            side.error > 1.3 * h && side.low > 0.7 * h
        };
        (needed && alone).then(|| {
            let to = moment.temperature(output, side.driven_high);
            match output {
                Output::Chiller => Because::WillRise { to, setpoint },
                Output::Heater => Because::WillFall { to, setpoint },
            }
        })
    } else {
        let needed = side.reading > h && side.error > 0.7 * h;
        let alone = side.own.rested.is_none_or(|rested| rested >= BETWEEN_TRIALS)
            && (side.other.quiet || side.error > 2.0 * h)
            && (!side.other.known || side.low > 0.0);
        (needed && alone).then_some(match output {
            Output::Chiller => Because::AboveBand { beer, setpoint },
            Output::Heater => Because::BelowBand { beer, setpoint },
        })
    };
    because.map(|because| Wish { output: Some(output), because })
}

/// Why nothing runs.
fn idle(moment: &Moment) -> Because {
    let error = moment.beer.celsius() - moment.aim;
    if error > moment.half_width && moment.outlook.off.low < error {
        moment.coasts(Output::Chiller)
    } else if error < -moment.half_width && moment.outlook.off.high > error {
        moment.coasts(Output::Heater)
    } else if (moment.beer.celsius() - moment.aim).abs() > moment.half_width {
        Because::Awaits { beer: moment.beer, setpoint: moment.setpoint }
    } else {
        Because::WithinBand { beer: moment.beer, setpoint: moment.setpoint }
    }
}

impl Moment {
    fn side(&self, output: Output) -> Side {
        let outlook = &self.outlook;
        let reading = self.beer.celsius() - self.aim;
        match output {
            Output::Chiller => Side {
                error: outlook.error,
                reading,
                low: outlook.off.low,
                soon_low: outlook.soon.low,
                driven_high: outlook.cooled_high,
                own: self.chiller,
                other: self.heater,
            },
            Output::Heater => Side {
                error: -outlook.error,
                reading: -reading,
                low: -outlook.off.high,
                soon_low: -outlook.soon.high,
                driven_high: -outlook.heated_low,
                own: self.heater,
                other: self.chiller,
            },
        }
    }

    /// The temperature at an error as this output sees it.
    fn temperature(&self, output: Output, error: f64) -> Temperature {
        Temperature::clamped(self.aim + output.sign() * error)
    }

    fn coasts(&self, after: Output) -> Because {
        let setpoint = self.setpoint;
        match after {
            Output::Chiller => {
                Because::CoastsDown { to: Temperature::clamped(self.outlook.beer.low), setpoint }
            }
            Output::Heater => {
                Because::CoastsUp { to: Temperature::clamped(self.outlook.beer.high), setpoint }
            }
        }
    }
}
