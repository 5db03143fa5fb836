//! Stages: judging what they wait for, what is said in them, and leaving them.

use crate::alarm::{Condition, rules};
use crate::batch::{Batch, StageRun};
use crate::context::Context;
use crate::milestone::{Answer, AtTarget, Finding, Judge, latch_key};
use crate::record::Kind;
use crate::vessel::{Run, Vessel};
use belief::Care;
use quantity::{Span, Stamp, Temperature};
use schedule::model::{Finish, Milestone, Overdue, Stage, Target};
use serde_json::{Value, json};

/// A fall of more than this calls for a caution about vacuum, in K.
const VACUUM_FALL_K: f64 = 5.0;
/// A next stage colder by more than this counts as cooling that cannot be taken back, in K, where
/// the yeast's range is not given.
const COOLING_K: f64 = 2.0;

impl Vessel {
    /// Judges what the present stage waits for and does what follows: at most one stage is left.
    pub fn judge_stage(&mut self, cx: &mut Context<'_, '_>) {
        if self.run != Run::Running {
            return;
        }
        self.take_latches(cx);
        self.say_notices(cx);
        self.call_for_confirmations(cx);
        let Some(batch) = &self.batch else { return };
        let (now, stage) = (cx.now, batch.stage());
        let elapsed = batch.elapsed(now);
        let plausible = !cx.clock_doubtful();
        let Some(finding) = self.finding(cx, &stage.until) else { return };
        let long_enough = stage.at_least.is_none_or(|least| plausible && elapsed >= least);
        if cx.store_failing || now <= batch.stage.entered_at {
            return;
        }
        if finding.answer.is_yes() && long_enough {
            let because = sentence(&finding);
            self.leave_stage(cx, &because, &finding);
            return;
        }
        let overdue = stage.at_most.filter(|most| elapsed >= most.time && plausible);
        if let Some(most) = overdue
            && !batch.stage.overdue
        {
            self.overdue(cx, most.time, most.then, &finding);
        }
    }

    /// When something of the present stage will be due by time alone; may lie in the past.
    pub fn stage_due(&self, now: Stamp) -> impl Iterator<Item = Stamp> {
        let mut due = Vec::new();
        if let Some(batch) = self.batch.as_ref().filter(|_| self.run == Run::Running) {
            let stage = batch.stage();
            // The stage's clock stands still only while held.
            let began = now - batch.elapsed(now);
            let at_target = batch.stage.at_target_since;
            let mut by_time = |leaf: &Milestone| {
                match leaf {
                    Milestone::Elapsed(time) => due.push(began + *time),
                    Milestone::SincePitch(time) => due.push(batch.pitched_at + *time),
                    Milestone::AtTarget(time) => due.extend(at_target.map(|since| since + *time)),
                    _ => {}
                }
                false
            };
            stage.until.any_leaf(&mut by_time);
            for notice in &stage.notices {
                notice.when.any_leaf(&mut by_time);
            }
            due.extend(stage.at_least.map(|least| began + least));
            due.extend(stage.at_most.map(|most| began + most.time));
            due.extend(batch.stage.called.values().map(|called| *called + stage.remind));
            due.push(batch.pitched_at + batch.schedule.expect.begins_within);
        }
        due.into_iter()
    }

    /// How the milestones of the present stage stand; `None` without a batch.
    pub fn finding(&self, cx: &Context<'_, '_>, milestone: &Milestone) -> Option<Finding> {
        self.judge(cx).map(|judge| judge.find(milestone))
    }

    /// What the present stage's milestones are judged by.
    pub fn judge<'a>(&'a self, cx: &Context<'_, '_>) -> Option<Judge<'a>> {
        let batch = self.batch.as_ref()?;
        let doubtful = cx.clock_doubtful();
        Some(Judge {
            belief: &batch.belief,
            confidence: batch.confidence(),
            care: care_at(batch, batch.stage.index),
            elapsed: (!doubtful).then(|| batch.elapsed(cx.now)),
            since_pitch: (!doubtful).then(|| cx.now.since(batch.pitched_at)),
            at_target: self.at_target(cx),
            confirmed: &batch.stage.confirmed,
            latches: &batch.stage.latches,
            show: cx.show,
        })
    }

    fn at_target(&self, cx: &Context<'_, '_>) -> AtTarget {
        let config = &cx.setup.config;
        let Some(batch) = &self.batch else { return AtTarget::Blind };
        match (self.distance_to_target(cx.setup), batch.stage.at_target_since) {
            (None, _) => AtTarget::Blind,
            (Some((_, true)), Some(since)) => AtTarget::For(cx.now.since(since)),
            (Some((_, true)), None) => AtTarget::For(Span::ZERO),
            (Some((away, false)), _) if self.setpoint_arrived(config) => AtTarget::Away(away),
            (Some((_, false)), _) => AtTarget::Moving,
        }
    }

    /// Milestones that are yes now stay so within their stage.
    fn take_latches(&mut self, cx: &Context<'_, '_>) {
        let Some(batch) = &self.batch else { return };
        let stage = batch.stage();
        let mut leaves = Vec::new();
        let mut collect = |leaf: &Milestone| {
            if leaf.latches() {
                leaves.push(leaf.clone());
            }
            false
        };
        stage.until.any_leaf(&mut collect);
        for notice in &stage.notices {
            notice.when.any_leaf(&mut collect);
        }
        let mut taken = Vec::new();
        for leaf in leaves {
            let key = latch_key(&leaf);
            if batch.stage.latches.contains_key(&key) {
                continue;
            }
            let Some(finding) = self.finding(cx, &leaf) else { continue };
            taken.extend(
                finding
                    .verdicts
                    .into_iter()
                    .filter(|v| v.answer.is_yes())
                    .map(|v| (key.clone(), v)),
            );
        }
        if let Some(batch) = &mut self.batch {
            batch.stage.latches.extend(taken);
        }
    }

    fn say_notices(&mut self, cx: &mut Context<'_, '_>) {
        let Some(batch) = &self.batch else { return };
        let (stage, said) = (batch.stage(), &batch.stage.said);
        let mut due = Vec::new();
        for (index, notice) in stage.notices.iter().enumerate() {
            if said.contains(&index) {
                continue;
            }
            let Some(finding) = self.finding(cx, &notice.when) else { return };
            if !finding.answer.is_yes() {
                continue;
            }
            let text = format!("{} ({}: {}).", notice.say, stage.name, sentence(&finding));
            let data =
                json!({ "say": notice.say, "stage": stage.name, "milestones": told(&finding) });
            cx.record(Some(&batch.id), Kind::NoticeDue, text, data);
            due.push(index);
        }
        if let Some(batch) = &mut self.batch {
            batch.stage.said.extend(due);
        }
    }

    fn call_for_confirmations(&mut self, cx: &mut Context<'_, '_>) {
        let (Some(batch), Some(judge)) = (&self.batch, self.judge(cx)) else { return };
        let stage = batch.stage();
        let mut due = judge.due_confirmations(&stage.until);
        due.retain(|say| {
            let called = batch.stage.called.get(say);
            called.is_none_or(|at| cx.now.since(*at) >= stage.remind)
        });
        for say in &due {
            let again = batch.stage.called.contains_key(say);
            let how = if again { " (asked again)" } else { "" };
            let text = format!("Please confirm: {say}{how} ({}).", stage.name);
            let data = json!({ "say": say, "stage": stage.name, "again": again });
            cx.record(Some(&batch.id), Kind::ConfirmDue, text, data);
        }
        if let Some(batch) = &mut self.batch {
            batch.stage.called.extend(due.into_iter().map(|say| (say, cx.now)));
        }
    }

    fn overdue(&mut self, cx: &mut Context<'_, '_>, time: Span, then: Overdue, found: &Finding) {
        let Some(batch) = &mut self.batch else { return };
        batch.stage.overdue = true;
        let name = batch.stage().name.clone();
        let waits = sentence_of_open(found);
        let what = match then {
            Overdue::Alarm => "it stays in its stage; `advance` goes on without it",
            Overdue::Advance => "the next stage begins",
            Overdue::Hold => "the run is held until `resume` or `advance`",
        };
        let text =
            format!("{name} has lasted for {time}, its `at_most`; {what}. It waits for: {waits}");
        let condition = Condition::new(text, json!({ "stage": name, "at_most_s": time.secs() }));
        let change = self.alarms.update(rules::STAGE_OVERDUE, None, Some(condition), cx.now);
        self.note(cx, change);
        match then {
            Overdue::Alarm => {}
            Overdue::Advance => {
                self.leave_stage(cx, &format!("its `at_most` of {time} was reached"), found);
            }
            Overdue::Hold => {
                self.hold(cx, None, &format!("{name} reached its `at_most` of {time}"));
            }
        }
    }

    /// Freezes the stage's clock and keeps the setpoint.
    pub fn hold(&mut self, cx: &mut Context<'_, '_>, target: Option<Temperature>, because: &str) {
        self.run = Run::Held;
        if let Some(batch) = &mut self.batch {
            batch.held_since = Some(cx.now);
            batch.held_at = target;
            batch.stage.at_target_since = None;
        }
        self.moving_from = None;
        self.standing_since = Some(cx.now);
        let at = target
            .or(self.setpoint)
            .map_or_else(String::new, |setpoint| format!(" at {}", cx.show.temperature(setpoint)));
        let data = json!({
            "setpoint_c": self.setpoint.map(Temperature::celsius), "because": because,
            "target_c": target.map(Temperature::celsius),
        });
        let id = self.batch_id();
        cx.record(id.as_deref(), Kind::RunHeld, format!("Held{at}: {because}."), data);
        if let Some(target) = target {
            self.warn_of_fall(cx, target);
        }
    }

    /// Leaves the present stage for the next, or completes the batch.
    pub fn leave_stage(&mut self, cx: &mut Context<'_, '_>, because: &str, finding: &Finding) {
        let next = self.batch.as_ref().map_or(0, |batch| batch.stage.index + 1);
        self.leave_stage_for(cx, next, because, finding);
    }

    /// Leaves the present stage for another (from 0); there is none behind the last one.
    pub fn leave_stage_for(
        &mut self,
        cx: &mut Context<'_, '_>,
        next: usize,
        because: &str,
        finding: &Finding,
    ) {
        let Some(batch) = &mut self.batch else { return };
        let (now, id) = (cx.now, batch.id.clone());
        let name = batch.stage().name.clone();
        let (index, count) = (batch.stage.index, batch.schedule.stages.len());
        let took = now.since(batch.stage.entered_at);
        if finding.answer.is_yes() && !finding.verdicts.is_empty() {
            cx.journal.lessons.extend(batch.lesson(now));
        }
        batch.note_leave(now, because);
        let text =
            format!("Stage {} of {count}, {name}, ended: {because}. It took {took}.", index + 1);
        let data = json!({
            "stage": name, "index": index + 1, "milestones": told(finding),
            "because": because, "took_s": took.secs(),
        });
        cx.record(Some(&id), Kind::StageLeft, text, data);
        let change = self.alarms.update(rules::STAGE_OVERDUE, None, None, now);
        self.note(cx, change);
        if next < count {
            self.enter_stage(cx, next, Some((&name, took, because)), finding);
        } else {
            self.complete(cx);
        }
    }

    /// Begins a stage (from 0).
    pub fn enter_stage(
        &mut self,
        cx: &mut Context<'_, '_>,
        index: usize,
        before: Option<(&str, Span, &str)>,
        finding: &Finding,
    ) {
        let Some(batch) = &mut self.batch else { return };
        let entry = self.setpoint.unwrap_or(batch.schedule.stages[index].target.end());
        batch.stage = StageRun::new(index, cx.now, entry);
        batch.note_entry();
        if self.run == Run::Held {
            batch.held_since = Some(cx.now);
        }
        let batch = &*batch;
        let (stage, count) = (batch.stage(), batch.schedule.stages.len());
        let why = match before {
            Some((name, took, because)) => format!(": {because}. {} took {took}", capital(name)),
            None => String::new(),
        };
        let text = format!(
            "Stage {} of {count}, {}, began{why}. {}",
            index + 1,
            stage.name,
            sentence_about(stage, entry, cx)
        );
        let data = json!({
            "stage": stage.name, "index": index + 1, "milestones": told(finding),
            "setpoint_c": entry.celsius(), "target_c": stage.target.end().celsius(),
        });
        cx.record(Some(&batch.id), Kind::StageEntered, text, data);
        caution(cx, batch, entry);
        self.fresh = true;
    }

    fn complete(&mut self, cx: &mut Context<'_, '_>) {
        self.run = Run::Complete;
        self.moving_from = None;
        let Some(batch) = &mut self.batch else { return };
        batch.ended_at = Some(cx.now);
        let (id, finish) = (batch.id.clone(), batch.schedule.finish);
        let took = cx.now.since(batch.pitched_at);
        let setpoint = self.setpoint;
        let then = match (finish, setpoint) {
            (Finish::Keep, Some(setpoint)) => {
                format!("It is kept at {} until a person stops it", cx.show.temperature(setpoint))
            }
            _ => "The outputs go off".to_owned(),
        };
        if finish == Finish::Off {
            self.setpoint = None;
        }
        let figures = self.figures();
        let (wear, wear_data) = self.batch_wear(cx);
        let sentence = figures.sentence(cx.show);
        let text = format!("Batch complete after {took}{sentence}. {then}.{wear}");
        let mut data = figures.data();
        data["took_s"] = json!(took.secs());
        data["finish"] = json!(if finish == Finish::Keep { "keep" } else { "off" });
        data["outputs"] = wear_data;
        cx.record(Some(&id), Kind::BatchCompleted, text, data);
    }
}

/// What follows a stage (from 0) decides how careful its `stable` is.
pub(crate) fn care_at(batch: &Batch, index: usize) -> Care {
    let stages = &batch.schedule.stages;
    let (Some(stage), Some(next)) = (stages.get(index), stages.get(index + 1)) else {
        return Care::Safe;
    };
    let colder = match batch.schedule.expect.yeast_range {
        Some((coldest, _)) => next.target.end() < coldest,
        None => next.target.end().celsius() < stage.target.end().celsius() - COOLING_K,
    };
    if colder { Care::Safe } else { Care::Quick }
}

/// Before a fall of more than 5 °C: common practice, no source.
pub(crate) fn caution(cx: &mut Context<'_, '_>, batch: &Batch, from: Temperature) {
    let stage = batch.stage();
    let fall = from.celsius() - stage.target.end().celsius();
    vacuum_caution(cx, Some(&batch.id), Some(&stage.name), fall);
}

/// The caution before a fall by so much, in K, in a stage of a batch or without one.
pub(crate) fn vacuum_caution(
    cx: &mut Context<'_, '_>,
    batch: Option<&str>,
    stage: Option<&str>,
    fall: f64,
) {
    if fall <= VACUUM_FALL_K {
        return;
    }
    let say = "As the beer cools, an airlock draws in air and water: close it or feed CO2. Never \
               chill a sealed vessel that has no vacuum relief.";
    let text = format!("Caution before a fall of {}: {say}", cx.show.temperature_difference(fall));
    let data = json!({ "say": say, "stage": stage, "caution": "vacuum", "fall_k": fall });
    cx.record(batch, Kind::NoticeDue, text, data);
}

/// The evidence of all leaves, for the record.
pub(crate) fn told(finding: &Finding) -> Value {
    let verdicts: Vec<Value> = finding
        .verdicts
        .iter()
        .map(|verdict| {
            json!({
                "milestone": verdict.milestone, "answer": verdict.answer.as_str(),
                "now": verdict.now, "needs": verdict.needs, "evidence": verdict.data,
            })
        })
        .collect();
    Value::Array(verdicts)
}

/// What of a finding is so, in words: `apparent attenuation 50.6 ± 0.8 % passed 50 %`.
pub(crate) fn sentence(finding: &Finding) -> String {
    let met = finding.verdicts.iter().filter(|verdict| verdict.answer.is_yes());
    let parts: Vec<&str> = met.map(|verdict| verdict.met.as_str()).collect();
    if parts.is_empty() { "nothing".to_owned() } else { parts.join(", ") }
}

fn sentence_of_open(finding: &Finding) -> String {
    let parts: Vec<String> = finding
        .verdicts
        .iter()
        .filter(|verdict| !verdict.answer.is_yes())
        .map(|verdict| format!("{} ({})", verdict.milestone, verdict.now))
        .collect();
    if parts.is_empty() { "its `at_least`".to_owned() } else { parts.join(", ") }
}

fn sentence_about(stage: &Stage, entry: Temperature, cx: &Context<'_, '_>) -> String {
    let from = cx.show.temperature(entry);
    match &stage.target {
        Target::Fixed(to) if *to == entry => format!("Setpoint {from}."),
        target => format!("Setpoint {from}, then {}.", schedule::target_text(target, cx.show)),
    }
}

/// With a capital, as a sentence begins.
fn capital(name: &str) -> String {
    let mut letters = name.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).collect()
}

/// A finding of nothing, for stages that a person begins.
pub(crate) fn no_finding() -> Finding {
    Finding { answer: Answer::Yes, verdicts: Vec::new() }
}

/// Whether `at` lies in the past by at most `most`.
pub(crate) fn lately(now: Stamp, at: Stamp, most: Span) -> bool {
    at <= now && now.since(at) <= most
}
