//! What a vessel allows and what is wanted of it.

use crate::Output;
use quantity::{Span, Temperature, TemperatureDelta};
use serde::{Deserialize, Serialize};

/// Where predicted extremes are placed, as a share of the hysteresis.
const EXTREMES_SHARE: f64 = 0.55;
/// Over which time the mean error is brought to nothing.
const LEVEL_OVER: Span = Span::from_hours(12);

/// The rests of one output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rests {
    /// It runs at least this long, unless it is not allowed to run.
    pub min_on: Span,
    /// It rests at least this long after a run, and after a start that does not tell when it ran.
    pub min_off: Span,
}

/// How a vessel is to be regulated.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// The heater's rests; `None` where there is none, or none in use.
    pub heater: Option<Rests>,
    /// The chiller's rests; `None` where there is none, or none in use.
    pub chiller: Option<Rests>,
    /// Least time between the end of heating and the start of cooling, and the other way round.
    pub changeover: Span,
    /// Half the width of the band around the setpoint.
    pub hysteresis: TemperatureDelta,
    /// Whether to switch by where the beer will coast to; else by the plain band.
    pub anticipate: bool,
    /// Longest time that an output runs without a new beer reading.
    ///
    /// A shorter one than an output's `min_on` acts like that `min_on`. It should be at least three
    /// times the interval of the readings, else each missing reading ends a run.
    pub max_on: Span,
    /// Limits on what surrounds the vessel; they act only where a probe tells its temperature.
    pub envelope: Envelope,
}

impl Rules {
    /// Half the width of the band, in K.
    pub(crate) fn half_width(&self) -> f64 {
        self.hysteresis.kelvin().abs()
    }

    /// The rests of an output; `None` where there is none.
    pub(crate) fn rests(&self, output: Output) -> Option<Rests> {
        match output {
            Output::Chiller => self.chiller,
            Output::Heater => self.heater,
        }
    }

    /// The rests of an output that may run now; `None` where it must not.
    pub(crate) fn allowed(&self, output: Output, demand: &Demand) -> Option<Rests> {
        demand.setpoint?;
        let may = match output {
            Output::Chiller => demand.cool,
            Output::Heater => demand.heat,
        };
        self.rests(output).filter(|_| may)
    }
}

impl Envelope {
    /// How much room is left around the vessel until `output` must not run, in K, and the limit;
    /// `None` where there is no limit for it.
    pub fn room(
        &self,
        output: Output,
        beer: Temperature,
        surround: Temperature,
    ) -> Option<(f64, Temperature)> {
        match output {
            Output::Heater => {
                let limit = beer + self.above_beer?;
                Some(((limit - surround).kelvin(), limit))
            }
            Output::Chiller => {
                let below = self.below_beer.map(|delta| beer - delta);
                let limit = match (below, self.coldest) {
                    (Some(below), Some(coldest)) => below.max(coldest),
                    (below, coldest) => below.or(coldest)?,
                };
                Some(((surround - limit).kelvin(), limit))
            }
        }
    }
}

/// Limits on the air or the jacket around the vessel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Envelope {
    /// It is never cooled to more than this below the beer.
    pub below_beer: Option<TemperatureDelta>,
    /// It is never heated to more than this above the beer.
    pub above_beer: Option<TemperatureDelta>,
    /// It is never cooled below this.
    pub coldest: Option<Temperature>,
}

/// What is wanted now.
#[derive(Debug, Clone, PartialEq)]
pub struct Demand {
    /// Where the beer should be; `None`: outputs off.
    pub setpoint: Option<Temperature>,
    /// The setpoint's known future: how long from now, and what it will be then, in order of time.
    /// Between two points it moves in a straight line, after the last it stands; may be empty.
    pub ahead: Vec<(Span, Temperature)>,
    /// `false`: the heater must not run now. This overrides `min_on`.
    pub heat: bool,
    /// `false`: the chiller must not run now. This overrides `min_on`.
    pub cool: bool,
}

/// Where outputs are switched, each as a distance from the setpoint, in K.
///
/// The plain band is common practice, no source. The place of the extremes weighs a tight beer
/// against starts; 0.55 of the hysteresis was chosen with the benchmark `control`, where 0.6 takes
/// 6 % fewer starts and leaves 8 % more error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Cooling starts above setpoint + this.
    pub cool_on: f64,
    /// Cooling stops at or below setpoint + this.
    pub cool_off: f64,
    /// Heating starts below setpoint − this.
    pub heat_on: f64,
    /// Heating stops at or above setpoint − this.
    pub heat_off: f64,
    /// With foresight, the beer's predicted extremes are placed at setpoint ± this.
    pub extremes: f64,
    /// With foresight, the mean error is brought to nothing over about this time; `None`: not.
    pub level_over: Option<Span>,
}

impl Thresholds {
    /// On at the edges of the band, off at the setpoint; foreseen extremes well within the band.
    pub fn around(hysteresis: TemperatureDelta) -> Self {
        let half_width = hysteresis.kelvin().abs();
        Thresholds {
            cool_on: half_width,
            cool_off: 0.0,
            heat_on: half_width,
            heat_off: 0.0,
            extremes: EXTREMES_SHARE * half_width,
            level_over: Some(LEVEL_OVER),
        }
    }
}
