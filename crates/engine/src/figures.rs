//! The figures of a batch as believed now: what texts, `state` and summaries share.

use crate::vessel::Vessel;
use belief::Measured;
use brewing::attenuation::Composition;
use quantity::{Gravity, Share, Show};
use schedule::model::ExpectedFinal;
use serde_json::{Value, json};

/// What two gravities tell, with their uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Figures {
    /// In SG.
    pub original: Option<Measured>,
    /// In SG.
    pub sg: Option<Measured>,
    /// A fraction.
    pub apparent: Option<f64>,
    /// A fraction; `None` where the last reading is too long ago to say.
    pub apparent_sd: Option<f64>,
    /// A fraction.
    pub progress: Option<f64>,
    /// A fraction.
    pub real: Option<f64>,
    pub abv_percent: Option<f64>,
}

impl Vessel {
    /// The figures of the present batch; null where the schedule says that nobody knows the final
    /// gravity and the original is not known either.
    pub fn figures(&self) -> Figures {
        let Some(batch) = &self.batch else { return Figures::default() };
        let belief = &batch.belief;
        let sg = belief.estimate().map(|estimate| estimate.sg);
        let original = belief.original();
        let mut figures = Figures { original, sg, ..Figures::default() };
        let known = original.and_then(|o| Gravity::from_sg(o.value));
        let present = sg.and_then(|sg| Gravity::from_sg(sg.value));
        if let (Some(original), Some(present)) = (known, present)
            && let Some(beer) = Composition::of(original, present)
        {
            figures.apparent = Some(beer.apparent_attenuation);
            figures.apparent_sd = belief.attenuated().map(|share| share.sd);
            figures.real = Some(beer.real_attenuation);
            figures.abv_percent = Some(beer.alcohol_volume_percent);
        }
        if batch.expected_final != ExpectedFinal::Unknown {
            figures.progress = belief.progressed().map(|share| share.value);
        }
        figures
    }

    /// The beer's freezing point in °C, from the lower confidence bound of its attenuation; 0 °C
    /// while that is unknown.
    pub fn freezing_point_c(&self) -> f64 {
        let strength = || {
            let batch = self.batch.as_ref()?;
            let original = Gravity::from_sg(batch.belief.original()?.value)?;
            let shown = batch.belief.share_shown(true, batch.confidence())?;
            let shown = Share::from_fraction(shown.clamp(0.0, 1.1))?;
            let present = brewing::attenuation::gravity_at(original, shown)?;
            Some(brewing::freezing::freezing_point_of(original, present).celsius())
        };
        strength().unwrap_or(0.0)
    }
}

impl Figures {
    /// For the record of a batch's end.
    pub fn data(&self) -> Value {
        let percent = |share: Option<f64>| share.map(|share| share * 100.0);
        json!({
            "original_sg": self.original.map(|sg| sg.value),
            "sg": self.sg.map(|sg| sg.value), "sd": self.sg.map(|sg| sg.sd),
            "apparent_percent": percent(self.apparent), "real_percent": percent(self.real),
            "abv_percent": self.abv_percent,
        })
    }

    /// `: gravity 1.0098 ± 0.0004 SG, apparent attenuation 80.1 %, alcohol 5.1 % by volume`.
    pub fn sentence(&self, show: Show) -> String {
        let mut parts = Vec::new();
        if let Some(sg) = self.sg {
            parts.push(format!("gravity {}", show.gravity_with_sd(sg.value, sg.sd)));
        }
        if let Some(apparent) = self.apparent {
            parts.push(format!("apparent attenuation {:.1} %", apparent * 100.0));
        }
        if let Some(abv) = self.abv_percent {
            parts.push(format!("alcohol {abv:.1} % by volume"));
        }
        if parts.is_empty() { String::new() } else { format!(": {}", parts.join(", ")) }
    }
}
