//! What is asked of the figures in the tables, and whether they hold it.

use crate::beer::{Ending, Float, Wear};

/// What is asked of one rule in one cell; `None` where nothing is.
#[derive(Debug, Clone, Copy, Default)]
pub struct Goal {
    /// Median hours after the one-point time, at most.
    pub delay: Option<f64>,
    /// Share of batches with more than one point left, in %, at most.
    pub over_one: Option<f64>,
    /// The same with more than 1.5 points left.
    pub over_one_and_half: Option<f64>,
    /// 95 % have at most this left, in points.
    pub left95: Option<f64>,
    /// Root mean square error of the final gravity in the float's own frame, in points.
    pub error: Option<f64>,
    /// Share of batches that are called final, in %, at most.
    pub called: Option<f64>,
}

impl Goal {
    /// Of the safer (`quick` false) or the quicker rule.
    pub fn of(ending: Ending, float: &Float, quick: bool) -> Goal {
        let hourly = if float.minutes > 30.0 { 8.0 } else { 0.0 };
        let by_noise = |small: f64, middle: f64, large: f64| {
            if float.noise < 0.75 {
                small
            } else if float.noise < 1.5 {
                middle
            } else {
                large
            }
        };
        if float.wear != Wear::Study {
            let asked = (!quick && ending != Ending::SlowSugar).then_some(10.0);
            return Goal { over_one: asked, ..Goal::default() };
        }
        match ending {
            Ending::Plain(tau) => {
                let safe = by_noise(45.0, 56.0, 70.0);
                let delay = if quick { by_noise(38.0, 44.0, 70.0) } else { safe };
                let long = tau > 60.0;
                let over_one = by_noise(2.0, 5.0, if long { 14.0 } else { 2.0 });
                let error = by_noise(0.3, 0.6, 0.95);
                Goal {
                    delay: Some(delay + hourly),
                    over_one: Some(over_one),
                    error: (!long && hourly == 0.0).then_some(error),
                    ..Goal::default()
                }
            }
            Ending::SlowSugar if quick => Goal { over_one: Some(20.0), ..Goal::default() },
            Ending::SlowSugar => Goal {
                over_one: Some(30.0),
                over_one_and_half: Some(1.0),
                left95: Some(1.3),
                ..Goal::default()
            },
            Ending::Ramp | Ending::Drift(_) | Ending::Coarse => {
                Goal { over_one: Some(2.0), ..Goal::default() }
            }
            Ending::Stalls(_) => Goal { called: Some(0.0), ..Goal::default() },
            Ending::Surprise => Goal::default(),
        }
    }
}

/// The figures that goals are about.
#[derive(Debug, Clone, Copy)]
pub struct Figures {
    pub never: f64,
    pub delay: f64,
    pub over_one: f64,
    pub over_one_and_half: f64,
    pub left95: f64,
    pub error: f64,
    pub called: f64,
}

impl Goal {
    /// "holds", what is missed, or nothing where nothing is asked.
    pub fn verdict(&self, figures: &Figures) -> String {
        let asked = [
            ("delay", self.delay, figures.delay),
            (">1", self.over_one, figures.over_one),
            (">1.5", self.over_one_and_half, figures.over_one_and_half),
            ("left95", self.left95, figures.left95),
            ("error", self.error, figures.error),
            ("final", self.called, figures.called),
            // Whatever is to be called in time is to be called at all.
            ("never", self.delay.map(|_| 0.0), figures.never),
        ];
        let mut any = false;
        let mut missed = String::new();
        for (name, most, measured) in asked {
            let Some(most) = most else { continue };
            any = true;
            // As printed. A figure of nothing (no batch was declared) misses nothing.
            let measured = if name == "delay" { measured.round() } else { measured };
            if measured > most + 0.005 {
                missed += &format!(" {name} <= {most}");
            }
        }
        match (any, missed.is_empty()) {
            (false, _) => String::new(),
            (true, true) => "holds".to_owned(),
            (true, false) => format!("misses{missed}"),
        }
    }
}
