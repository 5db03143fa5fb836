//! A batch, and the run of its present stage.

use crate::forecast::Forecast;
use crate::milestone::Verdict;
use crate::nudge::Nudge;
use crate::packaging::Packaging;
use belief::{Belief, Expectation, Expected, Original};
use brewing::addition::{Added, Outcome};
use quantity::{Gravity, Share, Span, Stamp, Temperature, Volume};
use schedule::model::{ExpectedFinal, ExpectedOriginal, Schedule, Stage};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// How far an expected original gravity may be off, in points (one standard deviation).
const EXPECTED_ORIGINAL_SD: f64 = 3.0;
/// How far a hand sample at pitch may be off, in points, where nobody says.
pub(crate) const SAMPLE_SD: f64 = 1.0;
/// How far an expected final gravity may be off, in points: common practice, no source.
const EXPECTED_FINAL_SD: f64 = 3.0;
/// An attenuation's expectation is set anew when the original gravity moved this far, in SG.
const ORIGINAL_MOVED: f64 = 0.0002;

/// One batch with its own copy of its schedule, which no edit of a file reaches.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Batch {
    pub id: String,
    /// The batch that it was a part of.
    pub parent: Option<String>,
    pub name: Option<String>,
    /// The schedule's file, without its ending.
    pub file: String,
    pub schedule: Arc<Schedule>,
    pub pitched_at: Stamp,
    pub volume: Volume,
    pub yeast: Option<String>,
    /// A hand sample at pitch: SG and points.
    pub sampled_original: Option<(Gravity, f64)>,
    /// Nobody knows the original gravity, whatever the schedule expects.
    pub original_unknown: bool,
    /// As the schedule, the pitch or a person since has it.
    pub expected_final: ExpectedFinal,
    /// Whether the pitch had one of its own, which an edited schedule does not change.
    pub own_final: bool,
    /// All that was added to it.
    pub added: Added,
    /// What of that the expected final gravity was told with already.
    final_told_with: Added,
    /// When the last hand sample of this batch was taken.
    pub sampled_at: Option<Stamp>,
    /// When a sample was last called for.
    pub sample_called: Option<Stamp>,
    pub packaging: Packaging,
    pub belief: Belief,
    /// The original gravity that the belief's expectation of the final one was made with, in SG.
    expected_with: Option<f64>,
    pub stage: StageRun,
    pub done: Arc<Vec<StageDone>>,
    pub held_since: Option<Stamp>,
    /// Where a held setpoint goes; `None`: it stands.
    pub held_at: Option<Temperature>,
    pub ended_at: Option<Stamp>,
    pub forecast: Forecast,
    /// Whether it was told what became of an original gravity that was to be measured.
    pub original_told: bool,
}

/// The run of the present stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct StageRun {
    /// From 0.
    pub index: usize,
    pub entered_at: Stamp,
    /// Time held in this stage, ended holds only.
    pub held: Span,
    pub entry_setpoint: Temperature,
    /// For how long a path in time has been followed: neither held nor away.
    pub path: Span,
    /// The largest share shown yet, for a climb. Invariant: never falls.
    pub share: Option<f64>,
    /// Whether the share is known now: else the setpoint of a climb stands.
    pub share_known: bool,
    pub latches: BTreeMap<String, Verdict>,
    pub confirmed: BTreeSet<String>,
    /// Notices that were said, by their index.
    pub said: BTreeSet<usize>,
    /// When each sentence was last called for.
    pub called: BTreeMap<String, Stamp>,
    pub overdue: bool,
    pub at_target_since: Option<Stamp>,
    /// A person's correction of the setpoint.
    pub nudge: Option<Nudge>,
}

/// A stage that was entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct StageDone {
    pub name: String,
    pub entered_at: Stamp,
    pub left_at: Option<Stamp>,
    pub because: String,
}

/// What a batch is made of, besides its clock.
pub(crate) struct NewBatch {
    pub id: String,
    pub name: Option<String>,
    pub file: String,
    pub schedule: Schedule,
    pub volume: Volume,
    pub yeast: Option<String>,
    pub sampled_original: Option<(Gravity, f64)>,
    pub original_unknown: bool,
    /// The pitch's own; else the schedule's holds.
    pub expected_final: Option<ExpectedFinal>,
}

impl Batch {
    /// A batch that begins in its `stage`-th stage (from 0).
    pub fn new(new: NewBatch, pitched_at: Stamp, entry: Temperature, stage: usize) -> Self {
        let original = match new.original_unknown {
            true => Original::Unknown,
            false => original_of(&new.schedule, new.sampled_original),
        };
        let expected_with = foretold(original);
        let own_final = new.expected_final.is_some();
        let expected_final = new.expected_final.unwrap_or(new.schedule.expect.final_gravity);
        let final_sg = final_sg(expected_final, expected_with);
        Batch {
            id: new.id,
            parent: None,
            name: new.name,
            file: new.file,
            schedule: Arc::new(new.schedule),
            pitched_at,
            volume: new.volume,
            yeast: new.yeast,
            sampled_original: new.sampled_original,
            original_unknown: new.original_unknown,
            expected_final,
            own_final,
            added: Added::default(),
            final_told_with: Added::default(),
            sampled_at: new.sampled_original.map(|_| pitched_at),
            sample_called: None,
            packaging: Packaging::default(),
            belief: Belief::new(pitched_at, expectation(original, final_sg)),
            expected_with,
            stage: StageRun::new(stage, pitched_at, entry),
            done: Arc::default(),
            held_since: None,
            held_at: None,
            ended_at: None,
            forecast: Forecast::default(),
            original_told: false,
        }
    }

    /// The present stage as the schedule has it.
    pub fn stage(&self) -> &Stage {
        // Invariant: `stage.index` names a stage; a schedule has at least one.
        &self.schedule.stages[self.stage.index.min(self.schedule.stages.len() - 1)]
    }

    /// Time in this stage without what was held.
    pub fn elapsed(&self, now: Stamp) -> Span {
        let held_now = self.held_since.map_or(Span::ZERO, |since| now.since(since));
        now.since(self.stage.entered_at).less(self.stage.held).less(held_now)
    }

    /// How sure a milestone must be, 0.5 to 0.999.
    pub fn confidence(&self) -> f64 {
        self.schedule.confidence.fraction()
    }

    /// Where the final gravity is expected as an attenuation, it follows the original gravity as
    /// believed.
    pub fn refresh_expectation(&mut self) {
        let ExpectedFinal::Attenuation(_) = self.expected_final else { return };
        let Some(original) = self.belief.original_as_pitched() else { return };
        let moved = self.expected_with.is_none_or(|sg| (sg - original).abs() > ORIGINAL_MOVED);
        if moved {
            self.expected_with = Some(original);
            self.expect_anew();
        }
    }

    /// How the original gravity is known.
    fn original(&self) -> Original {
        match self.original_unknown {
            true => Original::Unknown,
            false => original_of(&self.schedule, self.sampled_original),
        }
    }

    /// Another original gravity, with its standard deviation in points, or another end.
    pub fn expect(&mut self, original: Option<(Gravity, f64)>, last: Option<ExpectedFinal>) {
        if original.is_some() {
            self.sampled_original = original;
            self.original_unknown = false;
            self.expected_with = foretold(self.original());
        }
        if let Some(last) = last {
            self.expected_final = last;
            self.own_final = true;
            // It is told of the beer as it is, with all that is in it.
            self.final_told_with = self.added;
        }
        self.expect_anew();
    }

    /// Puts another schedule under the batch; the pitch's own expectations stand.
    pub fn revise(&mut self, schedule: Schedule) {
        let before = self.original();
        self.schedule = Arc::new(schedule);
        if !self.own_final {
            self.expected_final = self.schedule.expect.final_gravity;
        }
        let after = self.original();
        if before != after {
            self.expected_with = foretold(after);
        }
        self.expect_anew();
    }

    /// Tells the belief what is expected now.
    fn expect_anew(&mut self) {
        let original = self.original();
        self.belief.expect(expectation(original, self.expected_final_sg()));
    }

    /// Whether it is time to tell the original gravity that was to be measured.
    pub fn is_original_due(&self) -> bool {
        self.original() == Original::Measured && !self.original_told && self.belief.has_begun()
    }

    /// How many standard deviations the confidence is, one-sided.
    pub fn sure(&self) -> f64 {
        belief::deviations(self.confidence())
    }

    /// The original gravity in SG as believed, else as expected: with all that was added.
    pub fn original_sg(&self) -> Option<f64> {
        let expected = || effective(self.added, self.foretold_sg()?);
        self.belief.original().map(|original| original.value).or_else(expected)
    }

    /// The expected final gravity in SG, where there is one: with all that was added.
    pub fn expected_final_sg(&self) -> Option<f64> {
        let pitched = self.expected_with.or_else(|| self.pitched_sg());
        let wort = pitched.and_then(|sg| effective(self.final_told_with, sg));
        let told = final_sg(self.expected_final, wort)?;
        let since = self.added.since(self.final_told_with);
        let mixed = || since.last(Gravity::from_sg(wort?)?, Gravity::from_sg(told)?);
        if since.is_nothing() { Some(told) } else { Some(mixed().map_or(told, Gravity::sg)) }
    }

    /// Something was added: the expectations follow, and the forecast is made anew.
    pub fn add(&mut self, outcome: &Outcome) {
        (self.added, self.volume) = (outcome.added, outcome.batch.volume);
        self.end_anew();
    }

    /// The end is to be shown anew.
    pub fn end_anew(&mut self) {
        self.packaging.forget();
        self.forecast.is_outdated();
    }

    /// The original gravity in SG as pitched: as believed, else as expected.
    fn pitched_sg(&self) -> Option<f64> {
        self.belief.original_as_pitched().or_else(|| self.foretold_sg())
    }

    fn foretold_sg(&self) -> Option<f64> {
        foretold(self.original())
    }

    /// Marks the present stage as entered.
    pub fn note_entry(&mut self) {
        let entered = StageDone {
            name: self.stage().name.clone(),
            entered_at: self.stage.entered_at,
            left_at: None,
            because: String::new(),
        };
        Arc::make_mut(&mut self.done).push(entered);
    }

    /// Marks the present stage as left.
    pub fn note_leave(&mut self, now: Stamp, because: &str) {
        if let Some(last) = Arc::make_mut(&mut self.done).last_mut() {
            last.left_at = Some(now);
            because.clone_into(&mut last.because);
        }
    }
}

impl StageRun {
    /// A stage that begins now.
    pub fn new(index: usize, now: Stamp, entry_setpoint: Temperature) -> Self {
        StageRun {
            index,
            entered_at: now,
            held: Span::ZERO,
            entry_setpoint,
            path: Span::ZERO,
            share: None,
            share_known: false,
            latches: BTreeMap::new(),
            confirmed: BTreeSet::new(),
            said: BTreeSet::new(),
            called: BTreeMap::new(),
            overdue: false,
            at_target_since: None,
            nudge: None,
        }
    }
}

fn original_of(schedule: &Schedule, sampled: Option<(Gravity, f64)>) -> Original {
    match (sampled, schedule.expect.original_gravity) {
        (Some((gravity, sd_points)), _) => Original::Sampled { sg: gravity.sg(), sd_points },
        (None, ExpectedOriginal::Gravity(gravity)) => {
            Original::Expected { sg: gravity.sg(), sd_points: EXPECTED_ORIGINAL_SD }
        }
        (None, ExpectedOriginal::Measured) => Original::Measured,
    }
}

/// The original gravity in SG, where it is told and not measured.
fn foretold(original: Original) -> Option<f64> {
    match original {
        Original::Sampled { sg, .. } | Original::Expected { sg, .. } => Some(sg),
        Original::Measured | Original::Unknown => None,
    }
}

fn expectation(original: Original, final_sg: Option<f64>) -> Expectation {
    Expectation { original, final_sg: final_sg.map(expected_end) }
}

/// A final gravity in SG, as sure as one is expected.
pub(crate) fn expected_end(sg: f64) -> Expected {
    Expected { sg, sd_points: EXPECTED_FINAL_SD }
}

/// The original gravity that counts for a wort that was pitched at this one, both in SG.
fn effective(added: Added, pitched_sg: f64) -> Option<f64> {
    if added.is_nothing() {
        return Some(pitched_sg);
    }
    Some(added.original(Gravity::from_sg(pitched_sg)?)?.sg())
}

fn final_sg(expected: ExpectedFinal, original_sg: Option<f64>) -> Option<f64> {
    match expected {
        ExpectedFinal::Gravity(gravity) => Some(gravity.sg()),
        ExpectedFinal::Attenuation(share) => original_sg.map(|sg| attenuated(sg, share)),
        ExpectedFinal::Unknown => None,
    }
}

/// The gravity that a wort has at this apparent attenuation of its extract in °P.
fn attenuated(original_sg: f64, share: Share) -> f64 {
    let extract = quantity::plato_from_sg(original_sg);
    quantity::sg_from_plato(extract * (1.0 - share.fraction()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_attenuation_is_half_the_extract_in_plato() {
        let original = quantity::sg_from_plato(12.0);
        let half = attenuated(original, Share::from_fraction(0.5).unwrap());
        assert!((quantity::plato_from_sg(half) - 6.0).abs() < 1e-9);
    }
}
