//! A schedule as far as its file could be read: the rules run on this, so that one broken value
//! hides no other problem.

use crate::model::{
    AtMost, Expect, ExpectedFinal, ExpectedOriginal, Finish, Limits, Milestone, Notice, Schedule,
    Stage, Target,
};
use quantity::{Share, Span, Temperature, TemperatureRate};

/// A schedule, each part there as far as it could be read.
///
/// Invariant: where everything is there, [`Draft::into_schedule`] gives a schedule.
#[derive(Debug, Clone)]
pub(crate) struct Draft {
    pub name: Option<String>,
    pub confidence: Option<Share>,
    pub finish: Option<Finish>,
    pub expect: DraftExpect,
    pub limits: DraftLimits,
    pub stages: Vec<DraftStage>,
}

/// What this beer should do; `None` is broken, but for `yeast_range`, which may be left out.
#[derive(Debug, Clone)]
pub(crate) struct DraftExpect {
    pub original: Option<ExpectedOriginal>,
    pub final_gravity: Option<ExpectedFinal>,
    pub begins_within: Option<Span>,
    pub yeast_range: Option<(Temperature, Temperature)>,
}

/// The limits; `coldest` and `warmest` may be left out.
#[derive(Debug, Clone)]
pub(crate) struct DraftLimits {
    pub coldest: Option<Temperature>,
    pub warmest: Option<Temperature>,
    pub ramp_up: Option<TemperatureRate>,
    pub ramp_down: Option<TemperatureRate>,
}

/// One stage.
#[derive(Debug, Clone)]
pub(crate) struct DraftStage {
    pub path: String,
    pub name: Option<String>,
    pub target: Option<Target>,
    pub until: Option<Ask>,
    pub at_least: Option<Span>,
    pub at_most: Option<AtMost>,
    pub remind: Option<Span>,
    pub notices: Vec<DraftNotice>,
}

/// One notice.
#[derive(Debug, Clone)]
pub(crate) struct DraftNotice {
    pub say: Option<String>,
    pub when: Option<Ask>,
}

/// A milestone whose parts know their paths.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Ask {
    Leaf(String, Milestone),
    All(String, Vec<Ask>),
    Any(String, Vec<Ask>),
}

impl Draft {
    /// The schedule, where everything is there.
    pub fn into_schedule(self) -> Option<Schedule> {
        Some(Schedule {
            name: self.name?,
            confidence: self.confidence?,
            finish: self.finish?,
            expect: Expect {
                original_gravity: self.expect.original?,
                final_gravity: self.expect.final_gravity?,
                begins_within: self.expect.begins_within?,
                yeast_range: self.expect.yeast_range,
            },
            limits: Limits {
                coldest: self.limits.coldest,
                warmest: self.limits.warmest,
                ramp_up: self.limits.ramp_up?,
                ramp_down: self.limits.ramp_down?,
            },
            stages: self.stages.into_iter().map(DraftStage::into_stage).collect::<Option<_>>()?,
        })
    }

    /// The draft of a schedule that was read before.
    pub fn of(schedule: &Schedule) -> Self {
        let Schedule { name, confidence, finish, expect, limits, stages } = schedule;
        Draft {
            name: Some(name.clone()),
            confidence: Some(*confidence),
            finish: Some(*finish),
            expect: DraftExpect {
                original: Some(expect.original_gravity),
                final_gravity: Some(expect.final_gravity),
                begins_within: Some(expect.begins_within),
                yeast_range: expect.yeast_range,
            },
            limits: DraftLimits {
                coldest: limits.coldest,
                warmest: limits.warmest,
                ramp_up: Some(limits.ramp_up),
                ramp_down: Some(limits.ramp_down),
            },
            stages: stages
                .iter()
                .enumerate()
                .map(|(index, stage)| DraftStage::of(stage, format!("stage.{index}")))
                .collect(),
        }
    }
}

impl DraftStage {
    /// The stage's name in quotes, for a sentence.
    pub fn title(&self) -> String {
        match &self.name {
            Some(name) => format!("`{name}`"),
            None => "this stage".to_owned(),
        }
    }

    /// The path of one of its keys.
    pub fn path_of(&self, key: &str) -> String {
        format!("{}.{key}", self.path)
    }

    fn into_stage(self) -> Option<Stage> {
        let notice = |notice: DraftNotice| {
            Some(Notice { say: notice.say?, when: notice.when?.into_milestone() })
        };
        Some(Stage {
            name: self.name?,
            target: self.target?,
            until: self.until?.into_milestone(),
            at_least: self.at_least,
            at_most: self.at_most,
            remind: self.remind?,
            notices: self.notices.into_iter().map(notice).collect::<Option<_>>()?,
        })
    }

    fn of(stage: &Stage, path: String) -> Self {
        let notices = stage.notices.iter().enumerate().map(|(index, notice)| DraftNotice {
            say: Some(notice.say.clone()),
            when: Some(Ask::of(&notice.when, format!("{path}.notice.{index}.when"))),
        });
        DraftStage {
            name: Some(stage.name.clone()),
            target: Some(stage.target.clone()),
            until: Some(Ask::of(&stage.until, format!("{path}.until"))),
            at_least: stage.at_least,
            at_most: stage.at_most,
            remind: Some(stage.remind),
            notices: notices.collect(),
            path,
        }
    }
}

impl Ask {
    /// Where it stands.
    pub fn path(&self) -> &str {
        match self {
            Ask::Leaf(path, _) | Ask::All(path, _) | Ask::Any(path, _) => path,
        }
    }

    /// Its leaves, with their paths.
    pub fn leaves(&self) -> Vec<(&str, &Milestone)> {
        match self {
            Ask::Leaf(path, milestone) => vec![(path, milestone)],
            Ask::All(_, list) | Ask::Any(_, list) => list.iter().flat_map(Ask::leaves).collect(),
        }
    }

    /// The milestone without its paths.
    pub fn into_milestone(self) -> Milestone {
        let all = |list: Vec<Ask>| list.into_iter().map(Ask::into_milestone).collect();
        match self {
            Ask::Leaf(_, milestone) => milestone,
            Ask::All(_, list) => Milestone::All(all(list)),
            Ask::Any(_, list) => Milestone::Any(all(list)),
        }
    }

    /// The milestone with the paths that it would have in a file.
    fn of(milestone: &Milestone, path: String) -> Self {
        let all = |list: &[Milestone], word: &str| -> Vec<Ask> {
            let path = |index: usize| format!("{path}.{word}.{index}");
            list.iter().enumerate().map(|(index, one)| Ask::of(one, path(index))).collect()
        };
        match milestone {
            Milestone::All(list) => Ask::All(path.clone(), all(list, "all")),
            Milestone::Any(list) => Ask::Any(path.clone(), all(list, "any")),
            leaf => Ask::Leaf(path, leaf.clone()),
        }
    }
}
