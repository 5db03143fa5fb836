//! What a person adds to the beer: sugar, fruit, speise, water, hops; by mass balance, on record.

use crate::batch::{Batch, expected_end};
use crate::command::{Addition, Brings};
use crate::context::Context;
use crate::perform::NAME_LONGEST;
use crate::record::Kind;
use crate::vessel::Vessel;
use belief::Measured;
use brewing::addition::{self, Outcome};
use quantity::{Gravity, Show, Span, plato_from_sg};
use serde_json::json;

/// For how long readings are wild where nobody says. No source.
const DISTURBS: Span = Span::from_hours(6);
/// A rise is uncertain by this share, for volume and scales are, and by this many points at least;
/// one that was seen by this many. No source.
const RISE_SHARE: f64 = 0.1;
const RISE_POINTS: f64 = 0.3;
const SEEN_POINTS: f64 = 1.0;

/// What an addition does to the two gravities.
struct Balance {
    outcome: Outcome,
    /// In points, negative where gravity falls.
    rise: Measured,
    /// In points.
    original_points: f64,
}

impl Vessel {
    /// Why something cannot be added; `None` where it can.
    pub fn refuse_addition(&self, addition: &Addition) -> Option<String> {
        if addition.what.chars().count() > NAME_LONGEST {
            return Some(format!("`what` has at most {NAME_LONGEST} characters"));
        }
        let batch = self.batch.as_ref()?;
        addition.brings.and_then(|brings| balance(batch, brings).err())
    }

    /// Adds it; `refuse_addition` has shown that it can be.
    pub fn addition(
        &mut self,
        cx: &mut Context<'_, '_>,
        addition: &Addition,
        by: Option<&str>,
    ) -> String {
        let Some(batch) = &mut self.batch else { return "there is no batch".to_owned() };
        let disturbs = addition.disturbs.unwrap_or(DISTURBS);
        let balance = addition.brings.and_then(|brings| balance(batch, brings).ok());
        match &balance {
            Some(balance) => batch.add(&balance.outcome),
            None => batch.end_anew(),
        }
        let last = batch.expected_final_sg();
        batch.belief.add(&belief::Addition {
            at: cx.now,
            rise: balance.as_ref().map_or(Measured { value: 0.0, sd: 0.0 }, |b| b.rise),
            original_points: balance.as_ref().map_or(0.0, |b| b.original_points),
            final_sg: last.map(expected_end),
            disturbs,
        });
        let (id, original) = (batch.id.clone(), batch.original_sg());
        let litres = batch.volume.litres();
        if let Some(balance) = &balance {
            // Alcohol is thinned by whatever comes to it.
            self.freezing_c *= balance.outcome.thinned;
        }
        let amount = addition.brings.map(|brings| brings_text(brings, cx.show));
        let effect = balance.as_ref().map(|balance| balance.sentence(last, litres, cx.show));
        let text = format!(
            "Added: {}{}. {} The end is to be shown anew; readings may be wild for {disturbs}.",
            addition.what,
            amount.map_or_else(String::new, |amount| format!(" ({amount})")),
            effect.clone().unwrap_or_else(|| "Nothing that counts as extract.".to_owned()),
        );
        let data = json!({
            "what": addition.what, "by": by, "rise_points": balance.as_ref().map(|b| b.rise.value),
            "original_sg": original, "original_plato": original.map(plato_from_sg),
            "expected_final_sg": last, "volume_l": litres, "disturbs_s": disturbs.secs(),
        });
        cx.record(Some(&id), Kind::BatchAdded, text, data);
        effect.unwrap_or_else(|| "added; nothing that counts as extract".to_owned())
    }
}

impl Balance {
    fn sentence(&self, last: Option<f64>, litres: f64, show: Show) -> String {
        let (points, present) = (self.rise.value, self.outcome.present);
        let last = last.and_then(Gravity::from_sg);
        let ends = last.map_or_else(String::new, |last| {
            format!(", {} expected at the end", show.gravity(last))
        });
        format!(
            "Gravity {} by {} to about {}; the original gravity counts as {} ({:.2} °P) now{ends}, \
             {litres:.1} L.",
            if points < 0.0 { "falls" } else { "rises" },
            show.gravity_difference(points.abs(), present.sg()),
            show.gravity(present),
            show.gravity(self.outcome.batch.original),
            self.outcome.batch.original.plato(),
        )
    }
}

/// The balance of what is added with the batch as it is believed.
///
/// # Errors
/// A sentence saying why there is none.
fn balance(batch: &Batch, brings: Brings) -> Result<Balance, String> {
    let estimate = batch.belief.estimate().map(|estimate| estimate.sg.value);
    let original = batch.original_sg().or(estimate).and_then(Gravity::from_sg);
    let original =
        original.ok_or("no gravity of this batch is known yet: take a `sample` first")?;
    let present = estimate.and_then(Gravity::from_sg).unwrap_or(original);
    let before = addition::Batch { original, volume: batch.volume };
    let outcome = batch
        .added
        .with(before, present, brings.portion())
        .ok_or("what this would come to is no gravity or volume that a beer can have")?;
    let points = |from: Gravity, to: Gravity| (to.sg() - from.sg()) * 1e3;
    let rise = points(present, outcome.present);
    let least = if matches!(brings, Brings::Rise(_)) { SEEN_POINTS } else { RISE_POINTS };
    Ok(Balance {
        outcome,
        rise: Measured { value: rise, sd: (RISE_SHARE * rise.abs()).max(least) },
        original_points: points(original, outcome.batch.original),
    })
}

fn brings_text(brings: Brings, show: Show) -> String {
    match brings {
        Brings::Extract(mass) => format!("{:.0} g of extract", mass.kilograms() * 1e3),
        Brings::Liquid(volume, gravity) => {
            format!("{} L of {}", volume.litres(), show.gravity(gravity))
        }
        Brings::Rise(_) => "by the rise that was seen".to_owned(),
    }
}
