//! One way in which a batch may go on: its stages, each left when its milestones would be yes.

use crate::batch::{Batch, StageRun};
use crate::past::Past;
use crate::setpoint::{self, Bounds};
use belief::{Care, Course};
use quantity::{Gravity, Span, Stamp, Temperature, plato_from_sg};
use schedule::model::{Along, Milestone, Overdue, Schedule, Stage, Target};

/// Nothing is foretold beyond this, in h.
const HORIZON: f64 = 200.0 * 24.0;
/// A way is followed in steps of this, in h; later in longer ones.
const STEP: f64 = 2.0;
/// The same while the setpoint comes near its target, where that is waited for.
const STEP_ARRIVING: f64 = 0.25;
const NEAR_K: f64 = 1.0;
/// The same where nothing but time is waited for.
const STEP_KNOWN: f64 = 24.0;
/// The beer's temperature must have rested this long before `stable` counts, in h.
const RESTED: f64 = 12.5;
/// A gravity this far above the expected final one is a stop, not an end, in points.
const STALLED: f64 = 4.0;
/// From less than `within` left to its declaration, in h: median at no noise, for each point of
/// noise, for each hour between readings; and the spread of the logarithm. As measured with the
/// bench of decisions.
const SHOWN_SAFE: f64 = 20.0;
const SHOWN_QUICK: f64 = 16.0;
const SHOWN_PER_POINT: f64 = 14.0;
const SHOWN_PER_GAP: f64 = 2.0;
const SHOWN_SPREAD: f64 = 0.4;
/// From the beginning of the tail it takes longer by this, in h.
const TAIL_SEEN: f64 = 40.0;
/// The tail begins when the fall has become slower than this share of its fastest.
const TAIL_RATE: f64 = 0.5;
/// How fast a beer can be cooled and warmed, in K/h, and how long it takes to settle, in h; and the
/// spreads of their logarithms. Of vessels in refrigerators: common practice, no source.
const COOLS: (f64, f64) = (1.8, 0.5);
const WARMS: (f64, f64) = (1.5, 0.5);
const SETTLES: (f64, f64) = (0.2, 1.3);
/// A beer in free rise warms this fast, in K/h: common practice, no source.
const RISES: f64 = 0.15;

/// What all ways of a batch share.
pub(crate) struct Ahead<'a> {
    pub batch: &'a Batch,
    pub bounds: Bounds,
    pub past: &'a Past,
    pub now: Stamp,
    pub setpoint: Temperature,
    /// For how long the setpoint has stood, in h.
    pub standing: f64,
    /// In °C.
    pub beer: f64,
    /// Whether each leaf of the running stage is yes already, in order.
    pub yes: Vec<bool>,
    /// In points above 1.000.
    pub original: Option<f64>,
    pub expected_final: Option<f64>,
    /// The fall is larger by this than the way from the original gravity.
    pub raised: f64,
    /// Of the estimate: in points, and in points a day.
    pub sd: f64,
    pub rate_sd: f64,
    /// Of a float's readings, in points.
    pub noise: f64,
    /// How near the beer must be to its target, in K.
    pub near: f64,
    /// Hours between readings.
    pub interval: f64,
    /// How many standard deviations `confidence` is.
    pub sure: f64,
    /// How careful each stage's `stable` is.
    pub care: Vec<Care>,
}

/// When a way leaves its stages.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Leaves {
    /// In h from now, for the running stage and each behind it; infinite: never.
    pub hours: Vec<f64>,
    /// For the running stage, before what past batches say of it.
    pub plain: f64,
}

struct Way<'a> {
    ahead: &'a Ahead<'a>,
    course: Course,
    /// Hours from now.
    time: f64,
    setpoint: Temperature,
    beer: f64,
    /// How much faster it ferments at `beer` than at present.
    warmth: f64,
    /// How fast this beer can be cooled and warmed, in K/h, and how long it takes to settle, in h.
    cools: f64,
    warms: f64,
    settles: f64,
    /// When the beer's temperature last moved.
    moved: f64,
    /// When the tail began.
    tail: Option<f64>,
    /// The fastest fall, in points an hour.
    fastest: f64,
}

/// The run of one stage along a way.
struct Run<'a> {
    stage: &'a Stage,
    care: Care,
    /// In h from now; the running stage was entered before.
    entered: f64,
    path: StageRun,
    leaves: Vec<Leaf<'a>>,
    at_target: Option<f64>,
}

/// A milestone that is waited for.
struct Leaf<'a> {
    milestone: &'a Milestone,
    /// The gravity that it needs, in points above 1.000; `None` where it is of something else.
    needs: Option<f64>,
    /// When it is yes, in h from now; infinite while that is not known.
    at: f64,
}

impl Ahead<'_> {
    /// Whether nothing but time is waited for: then all ways leave at the same times.
    pub fn is_by_time_alone(&self) -> bool {
        let mut stages = self.batch.schedule.stages.iter().enumerate().skip(self.batch.stage.index);
        stages.all(|(index, stage)| {
            let mut leaves = Vec::new();
            collect(&stage.until, false, &mut leaves);
            leaves.into_iter().enumerate().all(|(place, (milestone, in_any))| match milestone {
                Milestone::Elapsed(_) | Milestone::SincePitch(_) => true,
                Milestone::Confirm(_) => !in_any,
                _ => self.is_yes(index, place),
            })
        })
    }

    /// Whether a leaf of a stage, both by their places, is yes already.
    fn is_yes(&self, stage: usize, leaf: usize) -> bool {
        stage == self.batch.stage.index && self.yes.get(leaf).copied().unwrap_or_default()
    }

    /// Follows one way through all stages that are left.
    pub fn follow(&self, course: Course) -> Leaves {
        let [_, _, machine, settling] = course.luck();
        let drawn = |(median, spread): (f64, f64), luck: f64| median * (spread * luck).exp();
        let mut way = Way {
            ahead: self,
            course,
            time: 0.0,
            setpoint: self.setpoint,
            beer: self.beer,
            warmth: 1.0,
            cools: drawn(COOLS, machine),
            warms: drawn(WARMS, machine),
            settles: drawn(SETTLES, settling),
            moved: -self.standing,
            tail: self.batch.belief.tail_for().map(|span| -span.hours()),
            fastest: 0.0,
        };
        let schedule: &Schedule = &self.batch.schedule;
        let mut leaves = Leaves { hours: Vec::new(), plain: 0.0 };
        let mut told = 0.0;
        for index in self.batch.stage.index..schedule.stages.len() {
            let first = index == self.batch.stage.index;
            let entered = way.time;
            way.time = if entered.is_finite() { way.leave(index, first) } else { entered };
            let lasts = if entered.is_finite() { way.time - entered } else { f64::INFINITY };
            if first {
                leaves.plain = lasts;
            }
            let before = if first { self.batch.elapsed(self.now).hours() } else { 0.0 };
            let to_come = if lasts > 0.0 { lasts / (lasts + before) } else { 0.0 };
            let pace = self.past.pace(&self.batch.file, &schedule.stages[index].name);
            told += if lasts.is_finite() { lasts * (pace * to_come).exp() } else { lasts };
            leaves.hours.push(told);
        }
        leaves
    }
}

impl<'a> Way<'a> {
    /// When a stage is left, in h from now; the way stands there then.
    fn leave(&mut self, index: usize, first: bool) -> f64 {
        let mut run = self.enter(index, first);
        loop {
            self.look(&mut run);
            let leave = run.leave(&mut run.leaves.iter().map(|leaf| leaf.at));
            if leave <= self.time {
                return self.time;
            }
            if self.time >= HORIZON {
                return f64::INFINITY;
            }
            let all_known = run.leaves.iter().all(|leaf| leaf.at.is_finite());
            let step = if all_known && self.stands(&run) {
                HORIZON
            } else if all_known {
                STEP_KNOWN
            } else if self.arrives(&run) {
                STEP_ARRIVING
            } else {
                STEP * (1.0 + self.time / 200.0)
            };
            self.step(&mut run, step.min(leave - self.time));
        }
    }

    fn enter(&self, index: usize, first: bool) -> Run<'a> {
        let batch = self.ahead.batch;
        let stage = &batch.schedule.stages[index];
        let elapsed = if first { batch.elapsed(self.ahead.now).hours() } else { 0.0 };
        let mut path = StageRun::new(index, self.ahead.now, self.setpoint);
        if first {
            path.entry_setpoint = batch.stage.entry_setpoint;
            (path.path, path.share) = (batch.stage.path, batch.stage.share);
        }
        let mut leaves = Vec::new();
        collect(&stage.until, false, &mut leaves);
        let entered = self.time - elapsed;
        let pitched = -self.ahead.now.since(batch.pitched_at).hours();
        let leaves = leaves.into_iter().enumerate().map(|(place, (milestone, in_any))| {
            let at = match milestone {
                _ if self.ahead.is_yes(index, place) => self.time,
                Milestone::Elapsed(time) => entered + time.hours(),
                Milestone::SincePitch(time) => pitched + time.hours(),
                // A person is taken to answer at once, where nothing goes on without them.
                Milestone::Confirm(_) if !in_any => self.time,
                _ => f64::INFINITY,
            };
            Leaf { milestone, needs: self.ahead.needs(milestone), at }
        });
        let since = batch.stage.at_target_since.filter(|_| first);
        let at_target = since.map(|since| -self.ahead.now.since(since).hours());
        let (leaves, care) = (leaves.collect(), self.ahead.care[index]);
        Run { stage, care, entered, path, leaves, at_target }
    }

    /// Looks which milestones are yes by now.
    fn look(&self, run: &mut Run<'a>) {
        let at_target = run.at_target;
        for leaf in run.leaves.iter_mut().filter(|leaf| leaf.at.is_infinite()) {
            leaf.at = match leaf.milestone {
                Milestone::AtTarget(time) => {
                    at_target.map_or(f64::INFINITY, |since| since + time.hours())
                }
                Milestone::Stable { within, .. } => self.shown_stable(*within, run.care),
                Milestone::SlowerThan(rate) => {
                    let near = self.gravity();
                    let bound = near.map_or(0.0, |near| rate.points_per_day_near(near));
                    let upper =
                        24.0 * self.course.rate(self.warmth) + self.ahead.sure * self.ahead.rate_sd;
                    if self.course.has_begun() && upper < bound { self.time } else { f64::INFINITY }
                }
                _ => match leaf.needs {
                    Some(points) if self.shown(1.0) <= points => self.time,
                    _ => f64::INFINITY,
                },
            };
        }
    }

    /// The gravity that could be shown now: what is true, with the estimate's error, less surely
    /// by as much as confidence asks.
    fn shown(&self, error: f64) -> f64 {
        let [own, ..] = self.course.luck();
        self.course.points() + self.ahead.sd * (self.ahead.sure + error * own)
    }

    /// When the end would be declared.
    fn shown_stable(&self, within: quantity::GravityDelta, care: Care) -> f64 {
        let within = self.gravity().map_or(1.0, |near| within.points_near(near)).max(0.05);
        let height = self.ahead.expected_final.map_or(0.0, |end| self.course.end_points() - end);
        if self.course.left() >= within || height + self.ahead.sd > STALLED {
            return f64::INFINITY;
        }
        let safe = care == Care::Safe;
        let median = if safe { SHOWN_SAFE } else { SHOWN_QUICK }
            + SHOWN_PER_POINT * self.ahead.noise / within.max(0.3)
            + SHOWN_PER_GAP * self.ahead.interval;
        let [_, chance, ..] = self.course.luck();
        let after = |since: f64, median: f64| {
            since + belief::later_than(self.time - since, median, SHOWN_SPREAD, chance)
        };
        let reached = self.time - self.course.within_for(within);
        // A tail must also have been seen for long enough.
        let seen = self.tail.map_or(0.0, |tail| after(tail, median + TAIL_SEEN));
        after(reached, median).max(seen).max(self.moved + RESTED)
    }

    fn step(&mut self, run: &mut Run<'a>, hours: f64) {
        let span = Span::from_hours_f64(hours);
        run.path.path = run.path.path + span;
        if let Target::Climb { along, .. } = &run.stage.target {
            let shown = self.ahead.share(*along, self.shown(0.0));
            run.path.share = run.path.share.into_iter().chain(shown).reduce(f64::max);
        }
        let bounds = &self.ahead.bounds;
        let goal = setpoint::goal(&run.stage.target, &run.path);
        self.setpoint = match goal {
            Some(goal) => bounds.ramped(self.setpoint, goal, span),
            None => {
                let ceiling = bounds.clamp(run.stage.target.end()).celsius();
                Temperature::clamped((self.beer + RISES * hours).min(ceiling))
            }
        };
        let way = self.setpoint.celsius() - self.beer;
        let moved = way.clamp(-self.cools * hours, self.warms * hours);
        self.course.advance(hours, self.warmth);
        let rate = self.course.rate(self.warmth);
        self.fastest = self.fastest.max(rate);
        if self.tail.is_none() && rate < TAIL_RATE * self.fastest {
            self.tail = Some(self.time);
        }
        if moved != 0.0 {
            self.beer += moved;
            self.warmth = belief::warmth(self.beer - self.ahead.beer);
        }
        self.time += hours;
        if moved.abs() > 0.05 * hours {
            self.moved = self.time;
        }
        let end = bounds.clamp(run.stage.target.end()).celsius();
        let arrived = (self.setpoint.celsius() - end).abs() < 1e-6;
        if run.at_target.is_none() && arrived && (self.beer - end).abs() <= self.ahead.near {
            // It came there within this step.
            run.at_target = Some(self.time - hours + self.settles);
        }
    }

    /// Whether nothing moves any more but the tail, of which any time is one step.
    fn stands(&self, run: &Run<'_>) -> bool {
        let Target::Fixed(to) = run.stage.target else { return false };
        let to = self.ahead.bounds.clamp(to);
        let arrived = self.setpoint == to && self.beer == to.celsius();
        arrived && self.course.is_in_tail()
    }

    /// Whether the setpoint is about to arrive, where that is waited for.
    fn arrives(&self, run: &Run<'a>) -> bool {
        let end = self.ahead.bounds.clamp(run.stage.target.end()).celsius();
        run.at_target.is_none()
            && (self.setpoint.celsius() - end).abs() < NEAR_K
            && run.leaves.iter().any(|leaf| matches!(leaf.milestone, Milestone::AtTarget(_)))
    }

    fn gravity(&self) -> Option<Gravity> {
        Gravity::from_sg(1.0 + self.course.points() * 1e-3)
    }
}

impl Run<'_> {
    /// When the stage would be left, by the times of its leaves.
    fn leave(&self, times: &mut impl Iterator<Item = f64>) -> f64 {
        let mut leave = combine(&self.stage.until, times);
        if let Some(least) = self.stage.at_least {
            leave = leave.max(self.entered + least.hours());
        }
        match self.stage.at_most {
            Some(most) if self.entered + most.time.hours() < leave => match most.then {
                Overdue::Alarm => leave,
                Overdue::Advance => self.entered + most.time.hours(),
                Overdue::Hold => f64::INFINITY,
            },
            _ => leave,
        }
    }
}

impl Ahead<'_> {
    /// The gravity at which a milestone on gravity is reached, in points above 1.000.
    fn needs(&self, leaf: &Milestone) -> Option<f64> {
        let points = |sg: f64| (sg - 1.0) * 1e3;
        let near = |points: f64| Gravity::from_sg(1.0 + points * 1e-3);
        match leaf {
            Milestone::Attenuation(share) => {
                let gravity = brewing::attenuation::gravity_at(near(self.original?)?, *share)?;
                Some(points(gravity.sg()))
            }
            Milestone::Progress(share) => {
                let (original, end) = (self.original?, self.expected_final?);
                Some(original - share.fraction() * (original - end))
            }
            Milestone::Gravity(gravity) => Some(points(gravity.sg())),
            Milestone::AboveFinal(delta) => Some(points(delta.above(near(self.expected_final?)?))),
            Milestone::Drop(delta) => {
                Some(points(delta.below(near(self.original?)?)) + self.raised)
            }
            _ => None,
        }
    }

    /// The share that a gravity in points would show.
    fn share(&self, along: Along, shown: f64) -> Option<f64> {
        let original = self.original?;
        match along {
            Along::Attenuation => {
                let plato = |points: f64| plato_from_sg(1.0 + points * 1e-3);
                let start = plato(original);
                (start > 1.0).then(|| 1.0 - plato(shown) / start)
            }
            Along::Progress => {
                let way = original - self.expected_final?;
                (way > 1.0).then(|| (original - shown) / way)
            }
        }
    }
}

/// The leaves in order, each with whether another may stand in for it.
fn collect<'m>(milestone: &'m Milestone, in_any: bool, leaves: &mut Vec<(&'m Milestone, bool)>) {
    match milestone {
        Milestone::All(list) => list.iter().for_each(|inner| collect(inner, in_any, leaves)),
        Milestone::Any(list) => list.iter().for_each(|inner| collect(inner, true, leaves)),
        leaf => leaves.push((leaf, in_any)),
    }
}

/// When a tree of milestones is yes, by the times of its leaves in order.
fn combine(milestone: &Milestone, times: &mut impl Iterator<Item = f64>) -> f64 {
    match milestone {
        Milestone::All(list) => {
            list.iter().map(|inner| combine(inner, times)).fold(f64::NEG_INFINITY, f64::max)
        }
        Milestone::Any(list) => {
            list.iter().map(|inner| combine(inner, times)).fold(f64::INFINITY, f64::min)
        }
        _ => times.next().unwrap_or(f64::INFINITY),
    }
}
