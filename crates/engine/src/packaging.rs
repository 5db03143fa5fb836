//! Advice on packaging, and the calls for the samples that it needs: never a milestone, never a
//! deed.

use crate::alarm::{Condition, rules};
use crate::batch::Batch;
use crate::context::Context;
use crate::record::Kind;
use crate::vessel::Vessel;
use crate::view;
use crate::watch::SILENT_INTERVALS;
use crate::words;
use belief::{Care, Lacking, StableJudgement};
use brewing::carbonation::Package;
use quantity::{Gravity, GravityDelta, Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};
use serde_json::json;

/// What an end is, for packaging.
const WITHIN: GravityDelta = GravityDelta::Points(1.0);
const OVER: Span = Span::from_hours(48);
/// It is looked for this often.
const LOOK_EVERY: Span = Span::from_hours(1);
/// A sample that is older than this says nothing of the beer that is packaged.
const SAMPLE_LASTS: Span = Span::from_hours(72);
/// Without a yeast's range, a beer colder by more than this than it was at the end of its
/// fermentation may only sleep, in K. No source.
const SLEEPS_K: f64 = 2.0;
/// More than this is beyond ordinary beer bottles, in volumes: common practice, no source.
const BOTTLES_HOLD: f64 = 3.0;

/// What was seen of the end of a batch.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Packaging {
    /// When the safer `stable` was last shown in warm enough beer, and what was then left at most,
    /// in points.
    shown: Option<(Stamp, f64)>,
    /// The highest temperature since the fall slowed down: what left the beer then does not come
    /// back.
    warmest: Option<Temperature>,
    looked_at: Option<Stamp>,
}

impl Packaging {
    /// Something was added: the end is to be shown anew.
    pub fn forget(&mut self) {
        (self.shown, self.looked_at) = (None, None);
    }

    /// Takes what is judged of the end, in beer that is warm enough to show it.
    fn take(&mut self, judged: &StableJudgement, now: Stamp) {
        let against = |lacking: &Lacking| {
            !matches!(
                lacking,
                Lacking::TemperatureMoved { .. }
                    | Lacking::TemperatureUnknown
                    | Lacking::Hold { .. }
                    | Lacking::Missing(_)
            )
        };
        if judged.answer == Some(true) {
            self.shown = judged.left_upper.map(|left| (now, left));
        } else if judged.lacking.iter().any(against) {
            self.shown = None;
        }
    }
}

/// How one condition of packaging stands.
enum Reason {
    For(String),
    Against(String),
    Missing(String),
}

impl Vessel {
    /// Looks for what packaging depends on.
    pub fn watch_packaging(&mut self, cx: &Context<'_, '_>) {
        let (beer, has_beer) = (self.beer_now(&cx.setup.config), self.has_beer());
        let Some(batch) = self.batch.as_mut().filter(|_| has_beer) else { return };
        let in_tail = batch.belief.tail_for().is_some();
        let seen = &mut batch.packaging;
        seen.warmest = match (seen.warmest.filter(|_| in_tail), beer) {
            (Some(warmest), Some(beer)) => Some(warmest.max(beer)),
            (warmest, beer) => warmest.or(beer),
        };
        if seen.looked_at.is_some_and(|at| cx.now.since(at) < LOOK_EVERY) {
            return;
        }
        seen.looked_at = Some(cx.now);
        if batch.shows_its_end(beer) {
            let judged = batch.judge_end();
            batch.packaging.take(&judged, cx.now);
        }
    }

    /// Calls for the hand samples that the configuration asks for.
    pub fn call_for_samples(&mut self, cx: &mut Context<'_, '_>) {
        let Some(every) = cx.setup.config.sample_every.filter(|_| self.has_beer()) else { return };
        let due = cx.now >= self.sample_due(every);
        let since = cx.now.since(self.sampled_since());
        let floats = !cx.setup.config.gravity.is_empty();
        let Some(batch) = &mut self.batch else { return };
        batch.belief.ask_samples_every((!floats).then_some(every));
        if !due {
            return;
        }
        batch.sample_called = Some(cx.now);
        let (id, ever) = (batch.id.clone(), batch.sampled_at.is_some());
        let last = if ever { "the last one is" } else { "there was none in" };
        let ago = if ever { " old" } else { "" };
        let text = format!("Please take a hand sample: {last} {since}{ago}.");
        let data = json!({ "since_s": since.secs(), "every_s": every.secs() });
        cx.record(Some(&id), Kind::SampleDue, text, data);
    }

    /// Where there is no float, a person who samples no more is a silent source.
    pub fn watch_samples(&mut self, cx: &mut Context<'_, '_>) {
        let config = &cx.setup.config;
        let Some(every) = config.sample_every.filter(|_| config.gravity.is_empty()) else { return };
        let quiet = cx.now.since(self.sampled_since());
        let silent = (self.has_beer() && quiet >= every * SILENT_INTERVALS).then(|| {
            let text = format!(
                "no hand sample for {quiet}, three times `sample_every`, and there is no float. \
                 Take a sample"
            );
            Condition::new(text, json!({ "source": "hand", "silent_s": quiet.secs() }))
        });
        self.alarm(cx, rules::GRAVITY_SILENT, Some("hand"), silent);
    }

    /// Since when there is no hand sample; counted from the pitch at the earliest.
    pub fn sampled_since(&self) -> Stamp {
        let batch = self.batch.as_ref();
        batch.map_or(self.started_at, |batch| batch.sampled_at.unwrap_or(batch.pitched_at))
    }

    /// When a sample is to be called for next.
    pub fn sample_due(&self, every: Span) -> Stamp {
        let called = self.batch.as_ref().and_then(|batch| batch.sample_called);
        let since = self.sampled_since();
        called.map_or(since, |called| since.max(called)) + every
    }

    /// The advice for `state`.
    pub fn packaging_view(&self, cx: &Context<'_, '_>) -> Option<view::Packaging> {
        let batch = self.batch.as_ref().filter(|_| self.has_beer())?;
        let beer = self.beer_now(&cx.setup.config);
        let judged = batch.judge_end();
        let left = batch.left_upper(&judged, beer);
        let volumes = batch.volumes_if_closed(left, beer);
        let reasons = self.packaging_reasons(cx, batch, &judged);
        let is_against = |reason: &&Reason| matches!(reason, Reason::Against(_));
        let is_missing = |reason: &&Reason| matches!(reason, Reason::Missing(_));
        let (against, missing): (Vec<&Reason>, Vec<&Reason>) = (
            reasons.iter().filter(is_against).collect(),
            reasons.iter().filter(is_missing).collect(),
        );
        let (answer, told) = match (against.is_empty(), missing.is_empty()) {
            (false, _) => ("no", against.into_iter().chain(missing).collect()),
            (true, false) => ("unknown", missing),
            (true, true) => ("yes", reasons.iter().collect::<Vec<_>>()),
        };
        let mut because: Vec<String> = told.into_iter().map(Reason::text).collect();
        because.push(closed_text(left, volumes, cx));
        Some(view::Packaging {
            answer: answer.to_owned(),
            points_left_upper: left,
            co2_volumes_if_closed: volumes,
            because: because.join("; "),
        })
    }

    fn packaging_reasons(
        &self,
        cx: &Context<'_, '_>,
        batch: &Batch,
        judged: &StableJudgement,
    ) -> Vec<Reason> {
        let mut reasons = vec![match batch.packaging.shown {
            Some((at, _)) => Reason::For(format!(
                "the safer rule showed its end at {}, while the yeast could work",
                cx.wall(at)
            )),
            None => {
                let lacking: Vec<String> =
                    judged.lacking.iter().map(|lacking| words::lacking(lacking, cx.show)).collect();
                let lacking = if lacking.is_empty() {
                    "the beer is too cold for its yeast to show it".to_owned()
                } else {
                    lacking.join(", ")
                };
                let text = format!("its end is not shown by the safer rule ({lacking})");
                if judged.answer == Some(false) {
                    Reason::Against(text)
                } else {
                    Reason::Missing(text)
                }
            }
        }];
        let sampled = batch.sampled_at.map(|at| cx.now.since(at));
        reasons.push(match sampled.filter(|_| batch.sampled_at > Some(batch.pitched_at)) {
            Some(ago) if ago < SAMPLE_LASTS => Reason::For(format!("the last sample is {ago} old")),
            Some(ago) => {
                Reason::Missing(format!("the last hand sample is {ago} old: take one and taste it"))
            }
            None => Reason::Missing("there is no hand sample: take one and taste it".to_owned()),
        });
        let standing = self.alarms.standing().map(|(id, _)| id);
        reasons.extend(
            standing
                .filter(|id| speaks_against(id))
                .map(|id| Reason::Against(format!("the alarm {id} stands"))),
        );
        reasons
    }
}

impl Batch {
    fn judge_end(&self) -> StableJudgement {
        self.belief.stable(WITHIN, OVER, self.confidence(), Care::Safe)
    }

    /// Whether the yeast can work in beer of this temperature, so that an end is an end.
    fn shows_its_end(&self, beer: Option<Temperature>) -> bool {
        let Some(beer) = beer else {
            // Nobody measures it, and no range says that it matters.
            return self.schedule.expect.yeast_range.is_none();
        };
        match self.schedule.expect.yeast_range {
            Some((coldest, warmest)) => coldest <= beer && beer <= warmest,
            None => self
                .packaging
                .warmest
                .is_none_or(|warmest| beer.celsius() > warmest.celsius() - SLEEPS_K),
        }
    }

    /// What could still fall at most, in points: in cold beer, what could when it was warm; before
    /// the tail, down to the expected end, else all.
    fn left_upper(&self, judged: &StableJudgement, beer: Option<Temperature>) -> Option<f64> {
        let shown = self.packaging.shown.filter(|_| !self.shows_its_end(beer));
        if let Some(left) = shown.map(|(_, left)| left).or(judged.left_upper) {
            return Some(left);
        }
        let present = self.belief.estimate()?.sg;
        let end = self.expected_final_sg().unwrap_or(1.0);
        let sd = present.sd.hypot(expected_sd());
        Some((1e3 * (present.value - end + self.sure() * sd)).max(0.0))
    }

    fn volumes_if_closed(&self, left: Option<f64>, beer: Option<Temperature>) -> Option<f64> {
        let original = Gravity::from_sg(self.original_sg()?)?;
        let present = Gravity::from_sg(self.belief.estimate()?.sg.value)?;
        let warmest = self.packaging.warmest.or(beer)?;
        Package::closed_now(original, present, left?, warmest).map(Package::volumes)
    }
}

impl Reason {
    fn text(&self) -> String {
        let (Reason::For(text) | Reason::Against(text) | Reason::Missing(text)) = self;
        text.clone()
    }
}

/// An expected final gravity's standard deviation, in SG.
fn expected_sd() -> f64 {
    crate::batch::expected_end(1.0).sd_points * 1e-3
}

/// Alarms that say that the gravity is not what it should be, or not known.
fn speaks_against(id: &str) -> bool {
    let ids = [
        rules::STALLED.id,
        rules::BELOW_EXPECTED.id,
        rules::NOT_BEGUN.id,
        rules::CLOCK_DOUBTFUL.id,
    ];
    ids.contains(&id) || id.starts_with(rules::GRAVITY_DOUBTFUL.id)
}

fn closed_text(left: Option<f64>, volumes: Option<f64>, cx: &Context<'_, '_>) -> String {
    let (Some(left), Some(volumes)) = (left, volumes) else {
        return "how much a closed package could build up is not known".to_owned();
    };
    let left = words::points(left, cx.show);
    let caution = if volumes > BOTTLES_HOLD {
        "more than ordinary bottles stand: they may burst"
    } else {
        "sugar for the bottle comes on top, and beyond about 3 volumes ordinary bottles may burst"
    };
    format!(
        "closed now, up to {left} could still ferment and it would hold {volumes:.1} \
         volumes of CO2: {caution}"
    )
}
