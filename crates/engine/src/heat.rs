//! How much of what the chiller works against is the yeast's.

use crate::context::Context;
use crate::vessel::Vessel;
use crate::view;
use quantity::Gravity;

/// Heat capacity of beer in kJ/(kg·K) and its density in kg/L: Gee and Ramirez, A flavour model for
/// beer fermentation, Journal of the Institute of Brewing 100 (1994) 321–329.
const HEAT_CAPACITY: f64 = 4.016;
const DENSITY: f64 = 1.040;
/// A fall of gravity that is not so many times its uncertainty is none.
const SURE: f64 = 2.0;
/// A beer that warms more slowly by itself than this, in K/h, is not worked against.
const WARMS: f64 = 0.02;

impl Vessel {
    /// The yeast's heat in W, from the fall of gravity; `None` while that is not shown.
    fn yeast_watts(&self) -> Option<f64> {
        let batch = self.batch.as_ref().filter(|_| self.has_beer())?;
        let estimate = batch.belief.estimate()?;
        let rate = estimate.rate_points_per_day;
        if -rate.value < SURE * rate.sd {
            return None;
        }
        let original = Gravity::from_sg(batch.original_sg()?)?;
        let present = Gravity::from_sg(estimate.sg.value)?;
        Some(brewing::heat::of_gravity_fall(original, present, -rate.value, batch.volume))
    }

    /// By how much the yeast warms the beer, in K/h.
    pub fn yeast_k_per_h(&self) -> Option<f64> {
        let litres = self.batch.as_ref()?.volume.litres();
        let kilojoule_per_kelvin = litres * DENSITY * HEAT_CAPACITY;
        Some(self.yeast_watts()? * 3.6 / kilojoule_per_kelvin)
    }

    /// What warms the beer, for `state` and `why`; `None` while the vessel is not known.
    pub fn warmth_view(&self, cx: &Context<'_, '_>) -> Option<view::Warmth> {
        let known = self.regulator.figures();
        let identified = known.chiller.identified || known.heater.identified;
        let estimate = self.regulator.estimate().filter(|_| identified)?;
        let (watts, yeast) = (self.yeast_watts(), self.yeast_k_per_h());
        let alone = estimate.drift;
        let share = yeast.filter(|_| alone > WARMS).map(|yeast| (yeast / alone).min(1.0));
        let rate = |by: f64| {
            let sign = if by < 0.0 { "-" } else { "" };
            format!("{sign}{} an hour", cx.show.temperature_difference(by.abs()))
        };
        let text = match (watts, yeast, share) {
            (Some(watts), Some(_), Some(share)) => format!(
                "without chiller and heater the beer would warm by {}; the yeast, with about \
                 {watts:.0} W, makes about {:.0} % of that",
                rate(alone),
                (share * 20.0).round() * 5.0
            ),
            (Some(watts), Some(yeast), None) => format!(
                "without chiller and heater the beer would change by {}, and the yeast warms it \
                 with about {watts:.0} W, {}",
                rate(alone),
                rate(yeast)
            ),
            _ => format!("without chiller and heater the beer would change by {}", rate(alone)),
        };
        Some(view::Warmth {
            alone_k_per_h: alone,
            yeast_w: watts,
            yeast_k_per_h: yeast,
            yeast_share_percent: share.map(|share| share * 100.0),
            text,
        })
    }
}
