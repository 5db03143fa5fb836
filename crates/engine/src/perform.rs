//! Commands: which are accepted when, and what they do. Both answers are on record.

use crate::alarm::rules;
use crate::batch::{Batch, NewBatch, SAMPLE_SD};
use crate::command::{Command, Instrument, Pitch, Sample};
use crate::context::Context;
use crate::float::Float;
use crate::input::{CommandInput, LoadedSchedule};
use crate::record::Kind;
use crate::stages::{caution, lately, no_finding};
use crate::vessel::{Run, Vessel};
use crate::words;
use belief::{GravityReading, Taken};
use quantity::{Gravity, Span, Stamp, Temperature};
use schedule::model::{Along, ExpectedFinal, Milestone, Notice, Schedule, Stage, Target};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::Arc;

/// An `id` is remembered this long …
const REMEMBERED: Span = Span::from_hours(30 * 24);
/// … but no more than so many.
const REMEMBERED_MOST: usize = 4096;
/// A pitch or a sample may lie this far in the past.
const PAST: Span = Span::from_hours(60 * 24);
/// A free line has at most so many characters.
const LINE_LONGEST: usize = 4000;
/// A name and the like have at most so many characters.
pub(crate) const NAME_LONGEST: usize = 200;
/// Common practice, no source.
const DEGAS: &str = "; a density meter needs a degassed sample, for bubbles make it read too low";
/// Most hand instruments are made for this, in °C.
const CALIBRATED_AT_C: f64 = 20.0;

impl Vessel {
    /// Accepts or refuses a command, does it, and answers; gives whether it was done, which a
    /// second copy never is.
    pub fn perform(&mut self, cx: &mut Context<'_, '_>, input: &CommandInput) -> bool {
        self.forget_replies(cx.now);
        if let Some((_, ok, text)) = input.id.as_ref().and_then(|id| self.replies.get(id)) {
            let (ok, text) = (*ok, text.clone());
            cx.reply(input.id.clone(), ok, text);
            return false;
        }
        let refusal = match &input.command {
            _ if is_too_long(input) => {
                Some(format!("`id` and `by` have at most {NAME_LONGEST} characters"))
            }
            Err(problem) => Some(problem.clone()),
            Ok(command) => self.refusal(cx, command, input),
        };
        let name = input.command.as_ref().map_or("?", Command::name);
        let by = input.by.as_deref().map_or_else(String::new, |by| format!(" by {by}"));
        let data = json!({
            "do": name, "id": input.id, "by": input.by, "reason": refusal,
            "fields": input.command.as_ref().ok().map(fields),
        });
        let batch = self.batch_id();
        let (ok, text) = match (&refusal, &input.command) {
            (None, Ok(command)) => {
                let text = format!("Command {name}{by} accepted.");
                cx.record(batch.as_deref(), Kind::CommandAccepted, text, data);
                (true, self.do_command(cx, command, input))
            }
            (reason, _) => {
                let reason = reason.clone().unwrap_or_default();
                let text = format!("Command {name}{by} refused: {reason}.");
                cx.record(batch.as_deref(), Kind::CommandRefused, text, data);
                (false, reason)
            }
        };
        if let Some(id) = input.id.as_ref().filter(|_| !is_too_long(input)) {
            Arc::make_mut(&mut self.replies).insert(id.clone(), (cx.now, ok, text.clone()));
        }
        cx.reply(input.id.clone(), ok, text);
        self.fresh = true;
        ok
    }

    fn forget_replies(&mut self, now: Stamp) {
        let replies = Arc::make_mut(&mut self.replies);
        replies.retain(|_, (at, ..)| now.since(*at) < REMEMBERED);
        while replies.len() >= REMEMBERED_MOST {
            let oldest = replies.iter().min_by_key(|(_, (at, ..))| *at).map(|(id, _)| id.clone());
            let Some(oldest) = oldest else { return };
            replies.remove(&oldest);
        }
    }

    /// Why a command cannot be done now; `None` where it can.
    fn refusal(
        &self,
        cx: &Context<'_, '_>,
        command: &Command,
        input: &CommandInput,
    ) -> Option<String> {
        use Run::{Aborted, Complete, Held, Idle, Running, Stopped};
        let accepted: &[Run] = match command {
            Command::Pitch(_) | Command::Park { .. } | Command::Unpark => &[Idle, Stopped, Aborted],
            Command::Hold { .. } => &[Running],
            Command::Resume => &[Held],
            Command::Advance { .. }
            | Command::Confirm { .. }
            | Command::Expect(_)
            | Command::Move(_)
            | Command::Nudge(_)
            | Command::Addition(_)
            | Command::Revise { .. } => &[Running, Held],
            Command::Stop => &[Running, Held, Complete],
            Command::Sample(_)
            | Command::Source(_)
            | Command::Note { .. }
            | Command::Lock { .. }
            | Command::Unlock
            | Command::Acknowledge { .. }
            | Command::Shelve { .. }
            | Command::Abort => &[Idle, Running, Held, Stopped, Aborted, Complete],
        };
        if !accepted.contains(&self.run) {
            let list: Vec<&str> = accepted.iter().map(|run| run.as_str()).collect();
            return Some(format!(
                "{} is {}; `{}` is accepted while {}",
                cx.name,
                self.run.as_str(),
                command.name(),
                list.join(", ")
            ));
        }
        let steps = |command: &Command| {
            matches!(command, Command::Pitch(_) | Command::Advance { .. } | Command::Move(_))
        };
        if cx.store_failing && steps(command) {
            return Some("records cannot be written now: no stage changes".to_owned());
        }
        match command {
            Command::Pitch(pitch) => self.refuse_pitch(cx, pitch, input.schedule.as_ref()),
            Command::Revise { .. } => self.refuse_revise(cx, input.schedule.as_ref()),
            Command::Confirm { say } => self.refuse_confirm(say.as_deref()),
            Command::Sample(sample) => self.refuse_sample(cx, sample),
            Command::Addition(addition) => self.refuse_addition(addition),
            Command::Source(source) => self.refuse_source(cx, source, input.calibration.as_ref()),
            Command::Move(asked) => self.refuse_move(cx, asked),
            Command::Hold { target: Some(target) } => self.refuse_target(cx, *target),
            Command::Advance { to: Some(to) } => self.refuse_stage(to),
            Command::Nudge(nudge) => self.refuse_nudge(cx, nudge),
            Command::Expect(expect) if is_long(&expect.because) => Some(too_long("because")),
            Command::Expect(expect) => self.refuse_expect(cx, expect),
            Command::Park { target, time } => self.refuse_park(cx, *target, *time),
            Command::Lock { because } if is_long(because) => Some(too_long("because")),
            Command::Note { text } if is_long(text) => {
                Some(format!("a note has at most {LINE_LONGEST} characters"))
            }
            Command::Acknowledge { alarm: Some(alarm) } | Command::Shelve { alarm, .. } => {
                (!self.alarms.stands(alarm) && !cx.daemon_alarms.stands(alarm))
                    .then(|| format!("no alarm `{alarm}` stands; `status` lists those that do"))
            }
            _ => None,
        }
    }

    fn refuse_pitch(
        &self,
        cx: &Context<'_, '_>,
        pitch: &Pitch,
        loaded: Option<&LoadedSchedule>,
    ) -> Option<String> {
        let schedule = match loaded.map(|loaded| &loaded.schedule) {
            None => return Some(format!("the schedule `{}` was not read", pitch.schedule)),
            Some(Err(problem)) => return Some(problem.clone()),
            Some(Ok(schedule)) => schedule,
        };
        let lines = [pitch.name.as_deref(), pitch.yeast.as_deref()];
        if lines.iter().flatten().any(|line| line.chars().count() > NAME_LONGEST) {
            return Some(format!("`name` and `yeast` have at most {NAME_LONGEST} characters"));
        }
        let expected = own_final(pitch).unwrap_or(schedule.expect.final_gravity);
        if let Some(problem) = unfit(cx, schedule, expected, pitch.original_unknown) {
            return Some(problem);
        }
        if let Some(stage) = &pitch.stage
            && !schedule.stages.iter().any(|known| &known.name == stage)
        {
            return Some(format!("the schedule has no stage `{stage}`"));
        }
        if let Some(at) = pitch.at.map(|at| cx.clock.steady_of(at))
            && !lately(cx.now, at, PAST)
        {
            return Some(format!("`at` must lie in the past, by at most {PAST}"));
        }
        None
    }

    fn refuse_revise(
        &self,
        cx: &Context<'_, '_>,
        loaded: Option<&LoadedSchedule>,
    ) -> Option<String> {
        let schedule = match loaded.map(|loaded| &loaded.schedule) {
            None => return Some("the schedule was not read".to_owned()),
            Some(Err(problem)) => return Some(problem.clone()),
            Some(Ok(schedule)) => schedule,
        };
        let batch = self.batch.as_ref()?;
        let expected =
            if batch.own_final { batch.expected_final } else { schedule.expect.final_gravity };
        if let Some(problem) = unfit(cx, schedule, expected, batch.original_unknown) {
            return Some(problem);
        }
        let name = &batch.stage().name;
        (!schedule.stages.iter().any(|stage| &stage.name == name))
            .then(|| format!("the edited schedule has no stage `{name}`, in which the batch is"))
    }

    /// Why the batch cannot go to a stage.
    fn refuse_stage(&self, to: &str) -> Option<String> {
        let stages = &self.batch.as_ref()?.schedule.stages;
        (!stages.iter().any(|stage| stage.name == to)).then(|| {
            let names: Vec<&str> = stages.iter().map(|stage| stage.name.as_str()).collect();
            format!("the schedule has no stage `{to}`; it has `{}`", names.join("`, `"))
        })
    }

    fn refuse_confirm(&self, say: Option<&str>) -> Option<String> {
        let open = self.open_confirmations();
        match say {
            None if open.is_empty() => Some("nothing waits to be confirmed".to_owned()),
            Some(say) if !open.iter().any(|known| known == say) => Some(format!(
                "the stage does not ask to confirm `{say}`{}",
                if open.is_empty() {
                    String::new()
                } else {
                    format!("; it asks for `{}`", open.join("`, `"))
                }
            )),
            _ => None,
        }
    }

    fn refuse_sample(&self, cx: &Context<'_, '_>, sample: &Sample) -> Option<String> {
        if let Some(taken) = sample.taken.map(|taken| cx.clock.steady_of(taken))
            && !lately(cx.now, taken, PAST)
        {
            return Some(format!("`taken` must lie in the past, by at most {PAST}"));
        }
        self.corrected_sample(sample).err()
    }

    fn do_command(
        &mut self,
        cx: &mut Context<'_, '_>,
        command: &Command,
        input: &CommandInput,
    ) -> String {
        match command {
            Command::Pitch(pitch) => self.pitch(cx, pitch, input),
            Command::Hold { target } => {
                self.hold(cx, *target, "a person asked for it");
                self.held_reply(cx, *target)
            }
            Command::Resume => self.resume(cx),
            Command::Advance { to } => self.advance(cx, to.as_deref()),
            Command::Nudge(nudge) => self.nudge(cx, nudge, input.by.as_deref()),
            Command::Expect(expect) => self.expect(cx, expect, input.by.as_deref()),
            Command::Park { target, time } => self.park(cx, *target, *time, input.by.as_deref()),
            Command::Unpark => self.unpark(cx),
            Command::Lock { because } => self.lock(cx, because, input.by.as_deref()),
            Command::Unlock => self.unlock(cx, input.by.as_deref()),
            Command::Confirm { say } => self.confirm(cx, say.as_deref(), input.by.as_deref()),
            Command::Revise { .. } => self.revise(cx, input),
            Command::Sample(sample) => self.sample(cx, sample),
            Command::Addition(addition) => self.addition(cx, addition, input.by.as_deref()),
            Command::Source(source) => self.source(cx, source, input.calibration.as_ref()),
            Command::Note { text } => {
                let batch = self.batch_id();
                cx.record(
                    batch.as_deref(),
                    Kind::BatchNoted,
                    text.clone(),
                    json!({ "by": input.by }),
                );
                format!("noted for {}", batch.as_deref().unwrap_or(cx.name.as_str()))
            }
            Command::Move(asked) => self.depart(cx, asked),
            Command::Acknowledge { alarm } => self.acknowledge(cx, alarm.as_deref()),
            Command::Shelve { alarm, time } => self.shelve(cx, alarm, *time),
            Command::Stop => self.end(cx, Run::Stopped, Kind::BatchStopped, "stopped"),
            Command::Abort => self.end(cx, Run::Aborted, Kind::BatchAborted, "aborted"),
        }
    }

    fn advance(&mut self, cx: &mut Context<'_, '_>, to: Option<&str>) -> String {
        let Some(batch) = &self.batch else { return String::new() };
        let named = to.and_then(|to| batch.schedule.stages.iter().position(|s| s.name == to));
        let next = named.unwrap_or(batch.stage.index + 1);
        let finding = self.finding(cx, &batch.stage().until).unwrap_or_else(no_finding);
        self.leave_stage_for(cx, next, "a person advanced it", &finding);
        self.batch.as_ref().map_or_else(String::new, |batch| match self.run {
            Run::Complete => "the batch is complete".to_owned(),
            _ => format!(
                "now in stage {}, {} of {}",
                batch.stage().name,
                batch.stage.index + 1,
                batch.schedule.stages.len()
            ),
        })
    }

    fn pitch(&mut self, cx: &mut Context<'_, '_>, pitch: &Pitch, input: &CommandInput) -> String {
        // `refuse_pitch` has shown that there is one.
        let Some(Ok(schedule)) = input.schedule.as_ref().map(|loaded| &loaded.schedule) else {
            return "the schedule was not read".to_owned();
        };
        let stage = pitch
            .stage
            .as_ref()
            .and_then(|name| schedule.stages.iter().position(|stage| &stage.name == name))
            .unwrap_or(0);
        let pitched_at = pitch.at.map_or(cx.now, |at| cx.clock.steady_of(at));
        self.batches += 1;
        let uncertainty = pitch.uncertainty.zip(pitch.original_gravity);
        let sd = uncertainty.map_or(SAMPLE_SD, |(delta, gravity)| delta.points_near(gravity));
        let new = NewBatch {
            id: format!("{}-{}", cx.name, self.batches),
            name: pitch.name.clone(),
            file: pitch.schedule.clone(),
            schedule: schedule.as_ref().clone(),
            volume: pitch.volume.unwrap_or(cx.setup.config.volume),
            yeast: pitch.yeast.clone(),
            original_unknown: pitch.original_unknown,
            sampled_original: pitch.original_gravity.map(|gravity| (gravity, sd)),
            expected_final: own_final(pitch),
        };
        let first = schedule.stages[stage].target.end();
        let beer = self.beer_now(&cx.setup.config);
        let bounds = crate::setpoint::Bounds::of(&cx.setup.config, &schedule.limits);
        let entry = bounds.clamp(beer.unwrap_or(first));
        let batch = Batch::new(new, pitched_at, entry, stage);
        self.end_park(cx, "a batch begins");
        self.run = Run::Running;
        self.setpoint = Some(entry);
        self.moving_from = None;
        self.standing_since = Some(cx.now);
        self.freezing_c = 0.0;
        self.floats.values_mut().for_each(Float::begin_batch);
        self.begin_wear(cx.now);
        self.begin_day(cx.now);
        self.end_alarms(cx, None, "a new batch began");
        let (id, text, data) =
            (batch.id.clone(), pitched_text(cx, &batch), pitched_data(cx, &batch, entry));
        self.batch = Some(batch);
        cx.record(Some(&id), Kind::BatchPitched, text, data);
        self.enter_stage(cx, stage, None, &no_finding());
        if let Some(batch) = self.batch.as_mut().filter(|_| pitch.stage.is_none()) {
            // The first stage of a pitch in the past began then.
            batch.stage.entered_at = pitched_at;
        }
        self.take_history(cx, input);
        self.pitched_reply(cx, &id)
    }

    /// What became of a pitch: one in the past may have gone on to a later stage at once.
    fn pitched_reply(&self, cx: &Context<'_, '_>, id: &str) -> String {
        let Some(batch) = &self.batch else { return id.to_owned() };
        let setpoint = self.setpoint.map_or_else(String::new, |setpoint| {
            format!(", setpoint {}", cx.show.temperature(setpoint))
        });
        let (stage, all) = (batch.stage(), batch.schedule.stages.len());
        format!(
            "{id} is pitched on {}: stage {} of {all}, {}{setpoint}",
            batch.schedule.name,
            batch.stage.index + 1,
            stage.name
        )
    }

    fn held_reply(&self, cx: &Context<'_, '_>, target: Option<Temperature>) -> String {
        let at = target.or(self.setpoint);
        let at = at.map_or_else(String::new, |at| format!(" at {}", cx.show.temperature(at)));
        let stage = self.batch.as_ref();
        let stage = stage.map_or_else(String::new, |batch| {
            format!(", and the clock of stage {} stands", batch.stage().name)
        });
        format!("held{at}{stage}, until `resume`")
    }

    fn resume(&mut self, cx: &mut Context<'_, '_>) -> String {
        self.run = Run::Running;
        let mut held = Span::ZERO;
        if let Some(batch) = &mut self.batch {
            held = batch.held_since.take().map_or(Span::ZERO, |since| cx.now.since(since));
            batch.stage.held = batch.stage.held + held;
            batch.held_at = None;
        }
        let id = self.batch_id();
        let data = json!({ "held_s": held.secs() });
        cx.record(id.as_deref(), Kind::RunResumed, format!("Goes on after {held} held."), data);
        let stage = self.batch.as_ref();
        let stage =
            stage.map_or_else(String::new, |batch| format!(" in stage {}", batch.stage().name));
        format!("goes on{stage} after {held} held")
    }

    fn open_confirmations(&self) -> Vec<String> {
        let Some(batch) = &self.batch else { return Vec::new() };
        let mut open = Vec::new();
        let stage = batch.stage();
        stage.until.any_leaf(&mut |leaf| {
            if let Milestone::Confirm(say) = leaf
                && !batch.stage.confirmed.contains(say)
                && !open.contains(say)
            {
                open.push(say.clone());
            }
            false
        });
        open
    }

    fn confirm(&mut self, cx: &mut Context<'_, '_>, say: Option<&str>, by: Option<&str>) -> String {
        let open = self.open_confirmations();
        let given: Vec<String> = match say {
            Some(say) => vec![say.to_owned()],
            None => open,
        };
        let id = self.batch_id();
        for say in &given {
            if let Some(batch) = &mut self.batch {
                batch.stage.confirmed.insert(say.clone());
            }
            let who = by.map_or_else(String::new, |by| format!(" by {by}"));
            let data = json!({ "say": say, "by": by });
            cx.record(id.as_deref(), Kind::ConfirmGiven, format!("Confirmed{who}: {say}"), data);
        }
        format!("confirmed: {}", given.join("; "))
    }

    fn revise(&mut self, cx: &mut Context<'_, '_>, input: &CommandInput) -> String {
        let Some(loaded) = &input.schedule else { return "the schedule was not read".to_owned() };
        let (Ok(schedule), Some(batch)) = (&loaded.schedule, &mut self.batch) else {
            return "the schedule was not read".to_owned();
        };
        let old = batch.stage().clone();
        let name = old.name.clone();
        let index = schedule.stages.iter().position(|stage| stage.name == name).unwrap_or(0);
        batch.revise(schedule.as_ref().clone());
        batch.file.clone_from(&loaded.name);
        batch.stage.index = index;
        // Latches stand under what was asked: those of milestones that are gone are not looked at.
        let new = batch.stage().clone();
        batch.stage.said = said_already(&old, &new, &batch.stage.said);
        let bounded_anew = old.at_most != new.at_most;
        batch.stage.overdue &= !bounded_anew;
        if let (true, Some(setpoint)) = (old.target != new.target, self.setpoint) {
            if let Target::Timed { .. } = new.target {
                // Another way in time begins from wherever the setpoint stands.
                batch.stage.entry_setpoint = setpoint;
                batch.stage.path = Span::ZERO;
            }
            caution(cx, batch, setpoint);
        }
        let (id, stages) = (batch.id.clone(), batch.schedule.stages.len());
        let text = format!(
            "The edited schedule {} is under the batch; it stays in {name}, stage {} of {stages}.",
            loaded.name,
            index + 1
        );
        let data = json!({ "file": loaded.name, "stage": name, "index": index + 1, "of": stages });
        cx.record(Some(&id), Kind::BatchRevised, text, data);
        if bounded_anew {
            let change = self.alarms.update(rules::STAGE_OVERDUE, None, None, cx.now);
            self.note(cx, change);
        }
        format!("in stage {name} of the edited schedule")
    }

    /// A hand reading as a gravity at 20 °C, with its uncertainty in points.
    fn corrected_sample(&self, sample: &Sample) -> Result<(Gravity, f64), String> {
        let given = sample.uncertainty.map(|delta| delta.points_near(sample.gravity));
        match sample.instrument {
            Instrument::DensityMeter => Ok((sample.gravity, given.unwrap_or(0.2))),
            Instrument::Hydrometer => {
                let made_for =
                    sample.calibrated_at.unwrap_or(Temperature::clamped(CALIBRATED_AT_C));
                let at = sample.temperature.unwrap_or(made_for);
                let corrected = brewing::instrument::hydrometer(sample.gravity, at, made_for);
                let gravity = corrected.ok_or("no wort gives this reading at this temperature")?;
                Ok((gravity, given.unwrap_or(SAMPLE_SD)))
            }
            Instrument::Refractometer => self.refractometer(sample, given),
        }
    }

    fn refractometer(&self, sample: &Sample, given: Option<f64>) -> Result<(Gravity, f64), String> {
        let least = brewing::instrument::REFRACTOMETER_POINTS;
        let factor = brewing::instrument::WORT_FACTOR;
        if !self.has_beer() {
            let plato = sample.gravity.plato() / factor;
            let gravity = Gravity::from_plato(plato).ok_or("this is no gravity")?;
            return Ok((gravity, given.unwrap_or(SAMPLE_SD)));
        }
        let original = self.batch.as_ref().and_then(|batch| batch.belief.original());
        let original = original.and_then(|original| Gravity::from_sg(original.value)).ok_or(
            "a refractometer after pitching needs the original gravity, which is not known",
        )?;
        let gravity = brewing::instrument::refractometer_gravity(original, sample.gravity, factor)
            .ok_or("no fermentation of this wort gives this reading")?;
        Ok((gravity, given.unwrap_or(least).max(least)))
    }

    fn sample(&mut self, cx: &mut Context<'_, '_>, sample: &Sample) -> String {
        let Ok((gravity, sd_points)) = self.corrected_sample(sample) else {
            return "no gravity".to_owned();
        };
        let taken = sample.taken.map_or(cx.now, |taken| cx.clock.steady_of(taken)).min(cx.now);
        let mut outcome = String::new();
        let has_beer = self.has_beer();
        if let Some(batch) = self.batch.as_mut().filter(|_| has_beer) {
            let result = batch.belief.take(&GravityReading {
                at: taken,
                source: "hand".to_owned(),
                kind: belief::Kind::Hand { sd_points },
                sg: gravity.sg(),
                temperature: sample.temperature,
            });
            outcome = match result {
                Taken::Believed => String::new(),
                Taken::Outlying { .. } => "; it lies far from what was foretold".to_owned(),
                Taken::Refused(why) => {
                    format!("; {}: it does not count", words::refusal(&why, cx.show))
                }
            };
            if !outcome.ends_with("count") {
                batch.sampled_at = batch.sampled_at.max(Some(taken));
            }
        }
        if sample.instrument == Instrument::DensityMeter {
            outcome.push_str(DEGAS);
        }
        let (text, tool) = (cx.show.gravity(gravity), instrument_name(sample.instrument));
        let line = format!("Sample by {tool}: {text} ± {sd_points:.1} points{outcome}.");
        let data = json!({
            "sg": gravity.sg(), "plato": gravity.plato(), "sd_points": sd_points,
            "read_sg": sample.gravity.sg(), "instrument": tool, "taken": cx.wall(taken),
            "temperature_c": sample.temperature.map(Temperature::celsius),
        });
        let id = self.batch_id().filter(|_| has_beer);
        cx.record(id.as_deref(), Kind::SampleTaken, line, data);
        format!("taken as {text} ± {sd_points:.1} points{outcome}")
    }

    fn acknowledge(&mut self, cx: &mut Context<'_, '_>, alarm: Option<&str>) -> String {
        let mut seen = self.alarms.acknowledge(alarm);
        let id = self.batch_id();
        for alarm in &seen {
            let text = format!("Alarm {alarm} was seen.");
            cx.record(id.as_deref(), Kind::AlarmAcknowledged, text, json!({ "alarm": alarm }));
        }
        let daemons = cx.daemon_alarms.standing().map(|(id, _)| id);
        seen.extend(daemons.filter(|id| alarm.is_none_or(|alarm| alarm == *id)).cloned());
        match seen.is_empty() {
            true => "nothing was left to see".to_owned(),
            false => format!("seen: {}", seen.join(", ")),
        }
    }

    fn shelve(&mut self, cx: &mut Context<'_, '_>, alarm: &str, time: Span) -> String {
        if self.alarms.stands(alarm) {
            self.alarms.shelve(alarm, cx.now + time);
        }
        let id = self.batch_id();
        let data = json!({ "alarm": alarm, "for_s": time.secs() });
        let text = format!("Alarm {alarm} is silent for {time}.");
        cx.record(id.as_deref(), Kind::AlarmShelved, text, data);
        format!("{alarm} is silent for {time}")
    }

    fn end(&mut self, cx: &mut Context<'_, '_>, run: Run, kind: Kind, word: &str) -> String {
        self.end_park(cx, &format!("the vessel was {word}"));
        let (was, id) = (self.run, self.batch_id().filter(|_| self.has_beer()));
        self.run = run;
        self.setpoint = None;
        self.moving_from = None;
        self.standing_since = None;
        let figures = self.figures();
        let sentence = figures.sentence(cx.show);
        if let Some(batch) = &mut self.batch {
            (batch.held_since, batch.held_at, batch.stage.nudge) = (None, None, None);
            batch.ended_at = batch.ended_at.or(Some(cx.now));
        }
        let (wear, wear_data) = self.batch_wear(cx);
        let text = match &id {
            Some(id) => format!("Batch {id} was {word}{sentence}. Outputs off.{wear}"),
            None => format!("{} was {word}. Outputs off.", cx.name),
        };
        let mut data = if id.is_some() { figures.data() } else { json!({}) };
        data["was"] = json!(was.as_str());
        data["outputs"] = json!(id.as_ref().map(|_| wear_data));
        cx.record(id.as_deref(), kind, text, data);
        self.end_alarms(cx, id.as_deref(), &format!("the batch was {word}"));
        format!("{} is {word}, its outputs are off", id.as_deref().unwrap_or(cx.name.as_str()))
    }

    /// Ends the alarms of a batch; those of devices stand on.
    pub fn end_alarms(&mut self, cx: &mut Context<'_, '_>, id: Option<&str>, because: &str) {
        let of_devices = [
            rules::BATTERY_LOW,
            rules::CHILLER_NO_EFFECT,
            rules::HEATER_NO_EFFECT,
            rules::OUTPUT_DISAGREES,
            rules::PROBE_MISPLACED,
        ];
        let ended = self.alarms.retain(|alarm| of_devices.iter().any(|rule| rule.id == alarm));
        for alarm in ended {
            let data = json!({ "alarm": alarm, "because": because });
            let text = format!("Alarm {alarm} is over: {because}.");
            cx.record(id, Kind::AlarmReturned, text, data);
        }
    }
}

/// The final gravity that a pitch says itself.
fn own_final(pitch: &Pitch) -> Option<ExpectedFinal> {
    let gravity = pitch.final_gravity.map(ExpectedFinal::Gravity);
    gravity.or(pitch.attenuation.map(ExpectedFinal::Attenuation))
}

/// Whether a line that a person wrote is no line any more.
fn is_long(line: &str) -> bool {
    line.chars().count() > LINE_LONGEST
}

fn too_long(field: &str) -> String {
    format!("`{field}` has at most {LINE_LONGEST} characters")
}

fn is_too_long(input: &CommandInput) -> bool {
    let lines = [input.id.as_deref(), input.by.as_deref()];
    lines.iter().flatten().any(|line| line.chars().count() > NAME_LONGEST)
}

/// A command's fields for the record, without its name.
fn fields(command: &Command) -> Value {
    match serde_json::to_value(command) {
        Ok(Value::Object(map)) => map.into_iter().next().map_or(Value::Null, |(_, value)| value),
        _ => Value::Null,
    }
}

/// The notices of an edited stage that were said under the old one.
fn said_already(old: &Stage, new: &Stage, said: &BTreeSet<usize>) -> BTreeSet<usize> {
    let was_said = |notice: &Notice| {
        old.notices
            .iter()
            .enumerate()
            .any(|(index, known)| known == notice && said.contains(&index))
    };
    let new = new.notices.iter().enumerate();
    new.filter(|(_, notice)| was_said(notice)).map(|(index, _)| index).collect()
}

/// Why a schedule cannot run in this vessel with this expectation.
fn unfit(
    cx: &Context<'_, '_>,
    schedule: &Schedule,
    expected: ExpectedFinal,
    original_unknown: bool,
) -> Option<String> {
    let (coldest, warmest) = (cx.setup.config.coldest, cx.setup.config.warmest);
    for stage in &schedule.stages {
        let floor = match stage.target {
            Target::FreeRise { not_below, .. } => not_below,
            _ => None,
        };
        let outside = |to: &Temperature| *to < coldest || *to > warmest;
        if let Some(to) = [Some(stage.target.end()), floor].into_iter().flatten().find(outside) {
            return Some(format!(
                "stage `{}` goes to {}, outside the vessel's limits of {} to {}",
                stage.name,
                cx.show.temperature(to),
                cx.show.temperature(coldest),
                cx.show.temperature(warmest)
            ));
        }
        if expected == ExpectedFinal::Unknown && needs_final(stage) {
            return Some(format!("stage `{}` needs an expected final gravity", stage.name));
        }
        // An attenuation tells no final gravity where nobody knows what it is a share of.
        let of_original = matches!(expected, ExpectedFinal::Attenuation(_)) && needs_final(stage);
        if original_unknown && (needs_original(stage) || of_original) {
            return Some(format!("stage `{}` needs the original gravity", stage.name));
        }
    }
    None
}

/// Whether a stage cannot do without an expected final gravity.
fn needs_final(stage: &Stage) -> bool {
    let climbs = matches!(stage.target, Target::Climb { along: Along::Progress, .. });
    climbs || asks(stage, Milestone::needs_final)
}

/// Whether a stage cannot do without the original gravity.
fn needs_original(stage: &Stage) -> bool {
    matches!(stage.target, Target::Climb { .. }) || asks(stage, Milestone::needs_original)
}

/// Whether the stage's end or one of its notices asks for such a milestone.
fn asks(stage: &Stage, mut such: impl FnMut(&Milestone) -> bool) -> bool {
    let notices = stage.notices.iter().map(|notice| &notice.when);
    std::iter::once(&stage.until).chain(notices).any(|when| when.any_leaf(&mut such))
}

fn pitched_data(cx: &Context<'_, '_>, batch: &Batch, entry: Temperature) -> Value {
    json!({
        "schedule": batch.schedule.name, "file": batch.file, "name": batch.name,
        "yeast": batch.yeast, "volume_l": batch.volume.litres(),
        "pitched_at": cx.wall(batch.pitched_at),
        "original_unknown": batch.original_unknown,
        "original_sg": batch.sampled_original.map(|(gravity, _)| gravity.sg()),
        "original_sd_points": batch.sampled_original.map(|(_, sd)| sd),
        "original_plato": batch.sampled_original.map(|(gravity, _)| gravity.plato()),
        "expected_final_sg": batch.expected_final_sg(),
        "setpoint_c": entry.celsius(),
    })
}

fn pitched_text(cx: &Context<'_, '_>, batch: &Batch) -> String {
    let name = batch.name.as_deref().map_or_else(String::new, |name| format!(" ({name})"));
    let original = match batch.sampled_original {
        Some((gravity, sd)) => {
            format!("original gravity {} ± {sd:.1} points", cx.show.gravity(gravity))
        }
        None if batch.original_unknown => "original gravity unknown".to_owned(),
        None => match batch.schedule.expect.original_gravity {
            schedule::model::ExpectedOriginal::Gravity(gravity) => {
                format!("original gravity {} expected", cx.show.gravity(gravity))
            }
            schedule::model::ExpectedOriginal::Measured => {
                "original gravity to be measured".to_owned()
            }
        },
    };
    let last = batch.expected_final_sg().and_then(Gravity::from_sg);
    let last = last.map_or("unknown".to_owned(), |gravity| cx.show.gravity(gravity));
    format!(
        "Batch {}{name} was pitched on schedule {}: {original}, final gravity {last} expected, \
         {} L.",
        batch.id,
        batch.schedule.name,
        batch.volume.litres()
    )
}

fn instrument_name(instrument: Instrument) -> &'static str {
    match instrument {
        Instrument::Hydrometer => "hydrometer",
        Instrument::Refractometer => "refractometer",
        Instrument::DensityMeter => "density meter",
    }
}
