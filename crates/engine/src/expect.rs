//! Another expectation in mid-batch: from a forced fermentation test, or a measurement put right.

use crate::batch::SAMPLE_SD;
use crate::command::Expect;
use crate::context::Context;
use crate::record::Kind;
use crate::vessel::Vessel;
use quantity::{Gravity, Show};
use schedule::model::ExpectedFinal;
use serde_json::json;

impl Expect {
    fn end(&self) -> Option<ExpectedFinal> {
        let gravity = self.final_gravity.map(ExpectedFinal::Gravity);
        gravity.or(self.attenuation.map(ExpectedFinal::Attenuation))
    }
}

impl Vessel {
    /// Why the beer cannot be expected to do this.
    pub fn refuse_expect(&self, cx: &Context<'_, '_>, expect: &Expect) -> Option<String> {
        let batch = self.batch.as_ref()?;
        let original = expect.original_gravity.map(Gravity::sg).or(batch.original_sg());
        let last = match expect.end().unwrap_or(batch.expected_final) {
            ExpectedFinal::Gravity(gravity) => gravity,
            ExpectedFinal::Attenuation(_) | ExpectedFinal::Unknown => return None,
        };
        let original = original.filter(|original| last.sg() >= *original)?;
        let original = Gravity::from_sg(original)?;
        Some(format!(
            "a final gravity of {} is not below the original gravity of {}",
            cx.show.gravity(last),
            cx.show.gravity(original)
        ))
    }

    /// Expects something else from now on: what was passed stays passed.
    pub fn expect(
        &mut self,
        cx: &mut Context<'_, '_>,
        expect: &Expect,
        who: Option<&str>,
    ) -> String {
        let Some(batch) = &mut self.batch else { return String::new() };
        let before = (batch.original_sg(), batch.expected_final_sg());
        let sd = expect.uncertainty.zip(expect.original_gravity);
        let sd = sd.map_or(SAMPLE_SD, |(delta, gravity)| delta.points_near(gravity));
        batch.expect(expect.original_gravity.map(|gravity| (gravity, sd)), expect.end());
        let after = (batch.original_sg(), batch.expected_final_sg());
        let mut parts = Vec::new();
        if expect.original_gravity.is_some() {
            parts.push(change("original gravity", before.0, after.0, cx.show));
        }
        if expect.end().is_some() || before.1 != after.1 {
            parts.push(change("final gravity", before.1, after.1, cx.show));
        }
        let words = parts.join(", ");
        let by = who.map_or_else(String::new, |who| format!(" by {who}"));
        let text = format!("Expected anew{by}: {words}. {}", sentence(&expect.because));
        let data = json!({
            "original_sg": after.0, "original_sd_points": expect.original_gravity.map(|_| sd),
            "final_sg": after.1, "before_original_sg": before.0, "before_final_sg": before.1,
            "attenuation_percent": expect.attenuation.map(|share| share.fraction() * 100.0),
            "because": expect.because, "by": who,
        });
        cx.record(Some(&batch.id), Kind::BatchExpected, text, data);
        self.fresh = true;
        words
    }
}

/// `final gravity 1.0080 SG (was 1.0100 SG)`.
fn change(what: &str, before: Option<f64>, after: Option<f64>, show: Show) -> String {
    let gravity = |sg: Option<f64>| {
        let gravity = sg.and_then(Gravity::from_sg);
        gravity.map_or("unknown".to_owned(), |gravity| show.gravity(gravity))
    };
    let (before, after) = (gravity(before), gravity(after));
    if before == after {
        format!("{what} {after}")
    } else {
        format!("{what} {after} (was {before})")
    }
}

/// What a person wrote, with a full stop.
fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.ends_with(['.', '!', '?']) { text.to_owned() } else { format!("{text}.") }
}
