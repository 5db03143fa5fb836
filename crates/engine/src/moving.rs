//! A batch goes to another vessel, whole or in part: it leaves the one and arrives in the other.
//!
//! Clock, latches and what is believed of the beer travel; what was learnt of floats, and the
//! setpoint, do not. A part that is kept is a twin: another batch with a past in common.

use crate::alarm::{Condition, rules};
use crate::batch::Batch;
use crate::command::{Keep, Move};
use crate::context::Context;
use crate::record::Kind;
use crate::setpoint::Bounds;
use crate::stages::caution;
use crate::vessel::{Run, Vessel};
use quantity::{Show, Temperature, Volume};
use schedule::Name;
use schedule::config;
use schedule::model::{Overdue, Target};
use serde_json::json;

/// What of a move concerns the other vessel, for the time of one input.
#[derive(Debug, Default)]
pub(crate) struct Crossing {
    /// Why the other vessel cannot take the batch.
    pub refused: Option<String>,
    /// The batch between the two.
    pub load: Option<Load>,
}

/// A batch between two vessels.
#[derive(Debug)]
pub(crate) struct Load {
    pub to: Name,
    from: Name,
    batch: Box<Batch>,
    run: Run,
    setpoint: Option<Temperature>,
    freezing_c: f64,
    /// The twin that stays.
    twin: Option<String>,
}

impl Vessel {
    /// Why a batch cannot come here; `coming` is the vessel that it comes from.
    pub fn refuse_arrival(
        &self,
        name: &Name,
        config: &config::Vessel,
        coming: &Vessel,
        show: Show,
    ) -> Option<String> {
        if !matches!(self.run, Run::Idle | Run::Stopped | Run::Aborted) {
            return Some(format!(
                "{name} is {}: a batch moves to a vessel that is idle, stopped or aborted",
                self.run.as_str()
            ));
        }
        let batch = coming.batch.as_ref()?;
        let outside = |to: &Temperature| *to < config.coldest || *to > config.warmest;
        let remaining = batch.schedule.stages.iter().skip(batch.stage.index);
        for stage in remaining {
            let floor = match stage.target {
                Target::FreeRise { not_below, .. } => not_below,
                _ => None,
            };
            let ends = [Some(stage.target.end()), floor];
            if let Some(to) = ends.into_iter().flatten().find(outside) {
                return Some(format!(
                    "stage `{}` goes to {}, outside the limits of {name}, {} to {}",
                    stage.name,
                    show.temperature(to),
                    show.temperature(config.coldest),
                    show.temperature(config.warmest)
                ));
            }
        }
        None
    }

    /// Why the batch cannot leave in this way.
    pub fn refuse_move(&self, cx: &Context<'_, '_>, asked: &Move) -> Option<String> {
        if let Some(problem) = &cx.journal.crossing.refused {
            return Some(problem.clone());
        }
        let batch = self.batch.as_ref()?;
        let parts = parts(asked, batch.volume);
        parts.is_none().then(|| {
            format!(
                "the batch has {:.1} L: a part of it can move, and a part stay, not more",
                batch.volume.litres()
            )
        })
    }

    /// The batch, or a part of it, is on its way.
    pub fn depart(&mut self, cx: &mut Context<'_, '_>, asked: &Move) -> String {
        let Some(mut batch) = self.batch.take() else { return "there is no batch".to_owned() };
        let Some(Parts { moves, stays }) = parts(asked, batch.volume) else {
            self.batch = Some(batch);
            return "there is not so much".to_owned();
        };
        let Ok(to) = Name::parse(&asked.to) else { return "there is no such vessel".to_owned() };
        let (id, whole) = (batch.id.clone(), batch.volume);
        let twin = stays.map(|stays| {
            self.batches += 1;
            let mut twin = batch.clone();
            twin.id = format!("{}-{}", cx.name, self.batches);
            (twin.parent, twin.volume) = (Some(batch.id.clone()), stays);
            twin
        });
        batch.volume = moves;
        let twin_id = twin.as_ref().map(|twin| twin.id.clone());
        let part = if moves == whole { String::new() } else { format!(" with {}", litres(moves)) };
        let then = match &twin {
            Some(twin) => format!("{} stays here", twin.id),
            None => "The outputs here go off".to_owned(),
        };
        let text = format!("Batch {id} goes from {} to {to}{part}. {then}.", cx.name);
        let data = json!({
            "from": cx.name, "to": to, "volume_l": moves.litres(), "parent": batch.parent,
            "twin": twin_id, "kept_l": stays.map(Volume::litres),
        });
        cx.record(Some(&id), Kind::BatchMoved, text, data);
        let (run, setpoint, freezing_c) = (self.run, self.setpoint, self.freezing_c);
        match twin {
            Some(twin) => self.stay(cx, twin, &id, moves),
            None => self.is_left(cx, &id),
        }
        let answer = match &twin_id {
            Some(twin) => format!("{id} is in {to}, {twin} stays in {}", cx.name),
            None => format!("{id} is in {to}"),
        };
        let (from, batch) = (cx.name.clone(), Box::new(batch));
        let load = Load { to, from, batch, run, setpoint, freezing_c, twin: twin_id };
        cx.journal.crossing.load = Some(load);
        answer
    }

    /// What is kept goes on here, as a batch of its own.
    fn stay(&mut self, cx: &mut Context<'_, '_>, twin: Batch, parent: &str, gone: Volume) {
        let text = format!(
            "Batch {} stays in {} with {}: the part of {parent} that did not move.",
            twin.id,
            cx.name,
            litres(twin.volume)
        );
        let data = json!({
            "from": cx.name, "to": cx.name, "volume_l": twin.volume.litres(), "parent": parent,
            "gone_l": gone.litres(),
        });
        cx.record(Some(&twin.id), Kind::BatchMoved, text, data);
        self.batch = Some(twin);
    }

    fn is_left(&mut self, cx: &mut Context<'_, '_>, id: &str) {
        self.run = Run::Idle;
        self.setpoint = None;
        self.moving_from = None;
        self.standing_since = None;
        self.freezing_c = 0.0;
        self.end_alarms(cx, Some(id), "the batch has moved");
    }

    /// The batch is here: the setpoint begins where its beer is, as at a pitch.
    pub fn arrive(&mut self, cx: &mut Context<'_, '_>, load: Load) {
        let Load { from, mut batch, run, setpoint, freezing_c, twin, .. } = load;
        let config = &cx.setup.config;
        batch.belief.leave_floats(from.as_str());
        batch.stage.at_target_since = None;
        let bounds = Bounds::of(config, &batch.schedule.limits);
        let kept = setpoint.unwrap_or(batch.stage().target.end());
        if run == Run::Held {
            // What a person holds is held here too: it is gone to under the ramps.
            batch.held_at = Some(bounds.clamp(batch.held_at.unwrap_or(kept)));
        }
        let entry = bounds.clamp(self.beer_now(config).unwrap_or(kept));
        self.end_park(cx, "a batch came");
        self.run = run;
        self.setpoint = Some(entry);
        self.moving_from = None;
        self.standing_since = Some(cx.now);
        self.freezing_c = freezing_c;
        self.floats.values_mut().for_each(crate::float::Float::begin_batch);
        self.end_alarms(cx, None, "a batch came");
        let text = format!(
            "Batch {} came from {from} to {}, {}, in {}. The setpoint begins at {}; the sources \
             here are learnt anew.",
            batch.id,
            cx.name,
            litres(batch.volume),
            batch.stage().name,
            cx.show.temperature(entry)
        );
        let data = json!({
            "from": from, "to": cx.name, "volume_l": batch.volume.litres(),
            "parent": batch.parent, "twin": twin, "setpoint_c": entry.celsius(),
            "stage": batch.stage().name,
        });
        let id = batch.id.clone();
        cx.record(Some(&id), Kind::BatchMoved, text, data);
        caution(cx, &batch, entry);
        self.batch = Some(*batch);
        self.carry_overdue(cx);
        self.fresh = true;
    }

    /// A stage that is overdue is so here too, and does not act for it once more.
    fn carry_overdue(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = self.batch.as_ref().filter(|batch| batch.stage.overdue) else { return };
        let stage = batch.stage();
        let Some(most) = stage.at_most.filter(|most| most.then == Overdue::Alarm) else { return };
        let text = format!("{} has lasted for over {}, its `at_most`", stage.name, most.time);
        let data = json!({ "stage": stage.name, "at_most_s": most.time.secs() });
        let condition = Some(Condition::new(text, data));
        let change = self.alarms.update(rules::STAGE_OVERDUE, None, condition, cx.now);
        self.note(cx, change);
    }
}

/// What moves, and what stays where anything is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Parts {
    moves: Volume,
    stays: Option<Volume>,
}

/// How a batch of this volume is divided; `None` where there is not so much. What moves of the
/// whole may be less than there was: the dregs stay behind and are no batch.
fn parts(asked: &Move, whole: Volume) -> Option<Parts> {
    let less = |part: Volume| Volume::from_litres(whole.litres() - part.litres());
    let half = Volume::clamped(whole.litres() * 0.5);
    let fits = |volume: &Volume| volume.litres() <= whole.litres() * (1.0 + 1e-9);
    let parts = match (asked.keep, asked.volume) {
        (Keep::Nothing, moves) => Parts { moves: moves.unwrap_or(whole), stays: None },
        (Keep::Rest, Some(moves)) => Parts { moves, stays: Some(less(moves)?) },
        (Keep::Rest, None) => Parts { moves: half, stays: Some(half) },
        (Keep::Volume(stays), Some(moves)) => Parts { moves, stays: Some(stays) },
        (Keep::Volume(stays), None) => Parts { moves: less(stays)?, stays: Some(stays) },
    };
    let together = parts.moves.litres() + parts.stays.map_or(0.0, Volume::litres);
    Volume::from_litres(together).filter(fits).map(|_| parts)
}

fn litres(volume: Volume) -> String {
    format!("{:.1} L", volume.litres())
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::Quantity;

    fn volume(text: &str) -> Volume {
        Volume::parse(text).unwrap()
    }

    #[test]
    fn what_moves_and_what_stays_is_no_more_than_there_was() {
        let asked = |keep, moves: Option<&str>| {
            let asked = Move { to: "south".to_owned(), keep, volume: moves.map(volume) };
            let parts = parts(&asked, volume("20 L"))?;
            Some((parts.moves.litres(), parts.stays.map(Volume::litres)))
        };
        let keep_8 = Keep::Volume(volume("8 L"));
        assert_eq!(asked(Keep::Nothing, None), Some((20.0, None)));
        assert_eq!(asked(Keep::Nothing, Some("18 L")), Some((18.0, None)));
        assert_eq!(asked(Keep::Nothing, Some("21 L")), None);
        assert_eq!(asked(Keep::Rest, Some("12 L")), Some((12.0, Some(8.0))));
        assert_eq!(asked(Keep::Rest, Some("20 L")), None);
        assert_eq!(asked(Keep::Rest, None), Some((10.0, Some(10.0))));
        assert_eq!(asked(keep_8, None), Some((12.0, Some(8.0))));
        assert_eq!(asked(keep_8, Some("11 L")), Some((11.0, Some(8.0))));
        assert_eq!(asked(keep_8, Some("13 L")), None);
    }
}
