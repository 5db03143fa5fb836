//! What a schedule's own expectation says of its beer: where each milestone lies on the way from
//! wort to beer, and what earlier stages guarantee.

use crate::draft::{Ask, DraftExpect, DraftStage};
use crate::model::{Along, ExpectedFinal, ExpectedOriginal, Milestone, Overdue};
use brewing::attenuation::alcohol_from_apparent;
use brewing::freezing::floor_celsius;
use quantity::{Gravity, Share, plato_from_sg, sg_from_plato};

/// `stable` is refused while gravity is more than this above the expected final one.
const STABLE_POINTS_ABOVE_FINAL: f64 = 4.0;
/// Within this of the expected final gravity, a beer is taken to have ended its work.
const ENDED_POINTS: f64 = 2.0;
/// The fall of a usual beer, for a share whose gravities are not known: 1.048 to 1.010 SG.
const USUAL_FALL_POINTS: f64 = 38.0;
/// The original extract of a usual beer in points, for the same.
const USUAL_ORIGINAL_POINTS: f64 = 48.0;

/// What this beer is expected to do. Extracts are apparent ones, in °P.
#[derive(Debug, Clone)]
pub(crate) struct Outlook {
    /// Unknown where it is measured.
    original_plato: Option<f64>,
    final_plato: Option<f64>,
    /// Apparent attenuation at the end, as a fraction.
    final_share: Option<f64>,
    /// Whether a final gravity is expected at all; true where its value is broken.
    pub has_final: bool,
    /// Whether the expectation could be read: rules that blame a missing one stay silent else.
    pub is_whole: bool,
}

/// Where a milestone lies on the way from wort to beer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mark {
    /// At this apparent extract.
    Plato(f64),
    /// At this apparent attenuation.
    Share(f64),
    /// At this part of the way to the final gravity.
    Way(f64),
}

impl Outlook {
    /// The outlook that `[expect]` gives.
    pub fn of(expect: &DraftExpect) -> Self {
        let original_plato = match expect.original {
            Some(ExpectedOriginal::Gravity(gravity)) if gravity.plato() > 0.0 => {
                Some(plato_from_sg(gravity.sg()))
            }
            _ => None,
        };
        let (final_plato, final_share) = match expect.final_gravity {
            Some(ExpectedFinal::Gravity(gravity)) => {
                let plato = plato_from_sg(gravity.sg());
                (Some(plato), original_plato.map(|original| (original - plato) / original))
            }
            Some(ExpectedFinal::Attenuation(share)) => {
                let plato = original_plato.map(|original| original * (1.0 - share.fraction()));
                (plato, Some(share.fraction()))
            }
            Some(ExpectedFinal::Unknown) | None => (None, None),
        };
        Outlook {
            original_plato,
            final_plato,
            final_share,
            has_final: expect.final_gravity != Some(ExpectedFinal::Unknown),
            is_whole: expect.original.is_some() && expect.final_gravity.is_some(),
        }
    }

    /// The expected final gravity in words.
    pub fn final_text(&self) -> String {
        let share = self.final_share.map(super::share_text);
        match (self.final_plato, share) {
            (Some(plato), Some(share)) => format!("{:.4} SG, {share}", sg_from_plato(plato)),
            (Some(plato), None) => format!("{:.4} SG", sg_from_plato(plato)),
            (None, Some(share)) => share,
            (None, None) => "unknown".to_owned(),
        }
    }

    /// The expected final attenuation, as a fraction.
    pub fn final_share(&self) -> Option<f64> {
        self.final_share
    }

    /// Where a milestone lies; `None` where that is not known, or it is not one on a level.
    pub fn mark(&self, milestone: &Milestone) -> Option<Mark> {
        match milestone {
            Milestone::Attenuation(share) => Some(Mark::Share(share.fraction())),
            Milestone::Progress(share) => Some(Mark::Way(share.fraction())),
            Milestone::Gravity(gravity) => Some(Mark::Plato(plato_from_sg(gravity.sg()))),
            Milestone::AboveFinal(delta) => {
                let sg = delta.above(gravity(self.final_plato?)?);
                Some(Mark::Plato(plato_from_sg(sg)))
            }
            Milestone::Drop(delta) => {
                let sg = delta.below(gravity(self.original_plato?)?);
                Some(Mark::Plato(plato_from_sg(sg)))
            }
            _ => None,
        }
    }

    /// Where a share that a climb follows lies.
    pub fn along(&self, along: Along, share: Share) -> Mark {
        match along {
            Along::Attenuation => Mark::Share(share.fraction()),
            Along::Progress => Mark::Way(share.fraction()),
        }
    }

    /// The apparent extract at a mark.
    pub fn plato(&self, mark: Mark) -> Option<f64> {
        match mark {
            Mark::Plato(plato) => Some(plato),
            Mark::Share(share) => Some(self.original_plato? * (1.0 - share)),
            Mark::Way(way) => {
                let (original, end) = (self.original_plato?, self.final_plato?);
                Some(original - way * (original - end))
            }
        }
    }

    /// The apparent attenuation at a mark, as a fraction.
    pub fn share(&self, mark: Mark) -> Option<f64> {
        match mark {
            Mark::Share(share) => Some(share),
            Mark::Way(way) => Some(way * self.final_share?),
            Mark::Plato(plato) => {
                let original = self.original_plato?;
                Some((original - plato) / original)
            }
        }
    }

    /// How far a mark lies beyond the expected end, in points; negative on the way to it.
    pub fn points_beyond_end(&self, mark: Mark) -> Option<f64> {
        if let (Some(plato), Some(end)) = (self.plato(mark), self.final_plato) {
            return Some((sg_from_plato(end) - sg_from_plato(plato)) * 1e3);
        }
        match mark {
            Mark::Share(share) => Some((share - self.final_share?) * USUAL_ORIGINAL_POINTS),
            Mark::Way(way) if self.has_final => Some((way - 1.0) * USUAL_FALL_POINTS),
            Mark::Way(_) | Mark::Plato(_) => None,
        }
    }

    /// Whether a milestone is true in wort that has not begun to ferment.
    pub fn is_true_of_wort(&self, milestone: &Milestone) -> bool {
        match milestone {
            Milestone::Attenuation(share) | Milestone::Progress(share) => share.fraction() <= 0.0,
            Milestone::Drop(delta) => delta.is_zero(),
            Milestone::Gravity(gravity) => {
                self.original_plato.is_some_and(|original| plato_from_sg(gravity.sg()) >= original)
            }
            _ => false,
        }
    }

    /// The apparent extract that the stages guarantee to be reached when the last of them is left.
    pub fn guaranteed_plato(&self, stages: &[DraftStage]) -> Option<f64> {
        let of_each = stages.iter().filter_map(asked).filter_map(|until| self.shown_plato(until));
        of_each.reduce(f64::min)
    }

    /// The apparent attenuation that the stages guarantee, as a fraction.
    pub fn guaranteed_share(&self, stages: &[DraftStage]) -> Option<f64> {
        let of_each = stages.iter().filter_map(asked).filter_map(|until| self.shown_share(until));
        of_each.reduce(f64::max)
    }

    /// The attenuation at which a milestone is true, where attenuation alone decides that.
    ///
    /// `All` is true at the latest of its parts, and unknown if one of them is; `Any` at the
    /// earliest that is known.
    pub fn true_at_share(&self, ask: &Ask) -> Option<f64> {
        match ask {
            Ask::Leaf(_, milestone) => self.share(self.mark(milestone)?),
            Ask::All(_, list) => {
                let shares: Option<Vec<f64>> =
                    list.iter().map(|ask| self.true_at_share(ask)).collect();
                shares?.into_iter().reduce(f64::max)
            }
            Ask::Any(_, list) => {
                list.iter().filter_map(|ask| self.true_at_share(ask)).reduce(f64::min)
            }
        }
    }

    /// Whether these stages guarantee that the beer has ended its work when the last is left.
    pub fn has_ended(&self, stages: &[DraftStage]) -> bool {
        stages.iter().filter_map(asked).any(|until| self.shows_end(until))
    }

    /// The freezing point in °C of the weakest beer that these stages guarantee, else of the
    /// expected one; 0 where nothing is known. With it, what beer that is.
    pub fn freezing_celsius(&self, stages: &[DraftStage]) -> (f64, String) {
        let guaranteed = self.guaranteed_plato(stages);
        let present = guaranteed.or(self.final_plato);
        let (Some(original), Some(present)) = (self.original_plato, present) else {
            return (0.0, "nothing is known of its alcohol".to_owned());
        };
        let alcohol = alcohol_from_apparent(original, present).max(0.0);
        let share = super::share_text((original - present) / original);
        let whence = match guaranteed {
            Some(_) => format!("the stages before guarantee no more than {share} attenuation"),
            None => format!("the expected beer has {share} attenuation"),
        };
        (floor_celsius(alcohol), format!("{whence}, {alcohol:.1} % alcohol by weight"))
    }

    /// The apparent extract that is shown once a milestone is true.
    fn shown_plato(&self, ask: &Ask) -> Option<f64> {
        match ask {
            Ask::Leaf(_, Milestone::Stable { .. }) => {
                let sg = sg_from_plato(self.final_plato?) + STABLE_POINTS_ABOVE_FINAL * 1e-3;
                Some(plato_from_sg(sg))
            }
            Ask::Leaf(_, milestone) => self.plato(self.mark(milestone)?),
            Ask::All(_, list) => {
                list.iter().filter_map(|ask| self.shown_plato(ask)).reduce(f64::min)
            }
            Ask::Any(_, list) => {
                let all: Option<Vec<f64>> = list.iter().map(|ask| self.shown_plato(ask)).collect();
                all?.into_iter().reduce(f64::max)
            }
        }
    }

    /// The apparent attenuation that is shown once a milestone is true.
    fn shown_share(&self, ask: &Ask) -> Option<f64> {
        match ask {
            Ask::Leaf(_, milestone) => self.share(self.mark(milestone)?),
            Ask::All(_, list) => {
                list.iter().filter_map(|ask| self.shown_share(ask)).reduce(f64::max)
            }
            Ask::Any(_, list) => {
                let all: Option<Vec<f64>> = list.iter().map(|ask| self.shown_share(ask)).collect();
                all?.into_iter().reduce(f64::min)
            }
        }
    }

    fn shows_end(&self, ask: &Ask) -> bool {
        match ask {
            Ask::Leaf(_, Milestone::Stable { .. }) => true,
            Ask::Leaf(_, milestone) => {
                let beyond = self.mark(milestone).and_then(|mark| self.points_beyond_end(mark));
                beyond.is_some_and(|points| points >= -ENDED_POINTS - 1e-9)
            }
            Ask::All(_, list) => list.iter().any(|ask| self.shows_end(ask)),
            Ask::Any(_, list) => list.iter().all(|ask| self.shows_end(ask)),
        }
    }
}

/// What a stage asks before it is left; nothing where it may be left without being asked.
fn asked(stage: &DraftStage) -> Option<&Ask> {
    let unasked = stage.at_most.is_some_and(|most| most.then == Overdue::Advance);
    stage.until.as_ref().filter(|_| !unasked)
}

fn gravity(plato: f64) -> Option<Gravity> {
    Gravity::from_sg(sg_from_plato(plato))
}
