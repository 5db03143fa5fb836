//! What must hold at each step, whatever goes wrong: one named function each.

use super::grammar::{Form, Limits, Place};
use engine::{Glance, Kind, Record, State};
use schedule::Name;
use schedule::model::{Milestone, Overdue, Schedule, Stage};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// The rests of a heater and a chiller and between both, in ms: the defaults.
const MIN_OFF: [i64; 2] = [60_000, 300_000];
const CHANGEOVER: i64 = 600_000;
/// Outputs are told again this often, in ms, and some steps later at the latest.
const REFRESH: i64 = 60_000 + 30_000;
/// The limits of the vessels.
const VESSEL_LIMITS: (f64, f64) = (0.0, 26.0);
/// An alarm that is raised so often within a minute chatters (after ISA-18.2, from memory).
const CHATTERS: usize = 3;
/// No alarm is raised more often than this in an hour, whatever a probe does.
const RAISED_AN_HOUR: usize = 12;
/// An engine's state is smaller than this for each vessel, in bytes.
pub const STATE_BYTES_MAX: usize = 700_000;

/// What did not hold.
#[derive(Debug, Clone)]
pub struct Broken {
    /// The invariant's name.
    pub invariant: &'static str,
    /// What was seen.
    pub text: String,
}

type Checked = Result<(), Broken>;

fn broken(invariant: &'static str, text: String) -> Checked {
    Err(Broken { invariant, text })
}

/// What is known of a vessel's outputs and setpoint.
#[derive(Default)]
struct Known {
    on: [bool; 2],
    off_since: [Option<i64>; 2],
    told_at: [Option<i64>; 2],
    /// What its relays last heard, and when they last went off by it.
    hears_on: [bool; 2],
    went_off: [Option<i64>; 2],
    setpoint: Option<(i64, f64)>,
    stage: Option<String>,
    free: bool,
    locked: bool,
    /// A person has asked since to end that. While nothing can be written it is done before it is
    /// on record.
    unlock_asked: bool,
    schedule: Option<Schedule>,
    /// When the daemon last got a beer temperature.
    beer_at: Option<i64>,
}

/// The watch over a run.
pub struct Watch {
    places: Vec<Place>,
    limits: Limits,
    /// Schedules by the names of their files.
    pub schedules: BTreeMap<String, Schedule>,
    known: BTreeMap<Name, Known>,
    /// Events that were published, by their numbers; those on disk are compared and forgotten.
    published: BTreeMap<u64, Record>,
    newest: u64,
    /// Records up to here were compared with the disk.
    checked: u64,
    /// The last accepted command was this.
    last_do: BTreeMap<Name, (u64, String)>,
    decided: BTreeSet<(Name, String)>,
    raised: BTreeMap<(Option<Name>, String), VecDeque<i64>>,
    /// Since when the daemon runs without a break.
    pub runs_since: i64,
    /// When nothing could be written, by the wall clock, in ms.
    failing: Vec<(i64, i64)>,
    was_failing: bool,
    /// How often each invariant was looked at.
    pub looks: u64,
    /// The kinds of record that were seen, and how often.
    pub kinds: BTreeMap<Kind, u64>,
}

impl Watch {
    /// Nothing was seen yet.
    pub fn new(places: Vec<Place>, limits: Limits) -> Self {
        let known = places.iter().map(|place| (place.name.clone(), Known::default())).collect();
        Watch {
            places,
            limits,
            schedules: BTreeMap::new(),
            known,
            published: BTreeMap::new(),
            newest: 0,
            checked: 0,
            last_do: BTreeMap::new(),
            decided: BTreeSet::new(),
            raised: BTreeMap::new(),
            runs_since: 0,
            failing: Vec::new(),
            was_failing: false,
            looks: 0,
            kinds: BTreeMap::new(),
        }
    }

    /// The daemon got a temperature of this vessel's beer that can be read.
    pub fn beer_is_told(&mut self, vessel: &Name, now: i64) {
        self.known.entry(vessel.clone()).or_default().beer_at = Some(now);
    }

    /// A person asks to end a lock.
    pub fn unlock_is_asked(&mut self, vessel: &Name) {
        self.known.entry(vessel.clone()).or_default().unlock_asked = true;
    }

    /// The process is gone: outputs count as off from now.
    pub fn daemon_died(&mut self, now: i64) {
        for known in self.known.values_mut() {
            for output in 0..2 {
                if std::mem::take(&mut known.on[output]) {
                    known.off_since[output] = Some(now);
                }
            }
            (known.setpoint, known.told_at) = (None, [None; 2]);
        }
    }

    /// What a relay hears, by true time, whoever says it.
    pub fn heard(&mut self, place: usize, output: usize, on: bool, now: i64) -> Checked {
        let place = &self.places[place];
        let Some(known) = self.known.get_mut(&place.name) else { return Ok(()) };
        let was = std::mem::replace(&mut known.hears_on[output], on);
        match (was, on) {
            (true, false) => known.went_off[output] = Some(now),
            (false, true) => relays_rest_by_true_time(place, output, known, now)?,
            _ => {}
        }
        Ok(())
    }

    /// An order for an output; `on` as the device understands it.
    ///
    /// A daemon that was held up gives the orders of all that time at once: then it is the link
    /// that makes a relay rest.
    pub fn ordered(
        &mut self,
        place: usize,
        output: usize,
        on: bool,
        (now, held_up): (i64, bool),
    ) -> Checked {
        let relay = |form: Option<Form>| matches!(form, Some(Form::Switch | Form::Both));
        let place = &self.places[place];
        let relays = [relay(place.heater), relay(place.chiller)];
        let Some(known) = self.known.get_mut(&place.name) else { return Ok(()) };
        known.told_at[output] = Some(now);
        let was = std::mem::replace(&mut known.on[output], on);
        if was && !on {
            // When it was decided in the time that was made up for is not known out here.
            known.off_since[output] = (!held_up).then_some(now);
        }
        if !relays[output] {
            return Ok(());
        }
        never_both_outputs(place, relays, known)?;
        if on && !was && !held_up {
            rests_and_changeover(place, output, relays, known, now)?;
        }
        Ok(())
    }

    /// How a vessel stands after a step of a living daemon.
    pub fn stands(&mut self, place: usize, glance: &Glance, now: i64) -> Checked {
        self.looks += 1;
        let place = &self.places[place];
        let Some(known) = self.known.get_mut(&place.name) else { return Ok(()) };
        let free = std::mem::take(&mut known.free)
            || [&known.stage, &glance.stage].into_iter().flatten().any(|s| s.starts_with("free"));
        let setpoint = glance.setpoint.map(quantity::Temperature::celsius);
        setpoint_within_limits(place, &self.limits, glance, setpoint)?;
        if let (Some((then, before)), Some(setpoint), false) = (known.setpoint, setpoint, free) {
            setpoint_keeps_its_ramps(place, &self.limits, now - then, before, setpoint)?;
        }
        known.setpoint = setpoint.map(|setpoint| (now, setpoint));
        known.stage.clone_from(&glance.stage);
        locked_outputs_stay_off(place, known, glance)?;
        if now - self.runs_since > REFRESH {
            outputs_are_told_again(place, known, now)?;
        }
        Ok(())
    }

    /// The same where the silence of the probe counts: the daemon was not held up.
    pub fn blind(&self, place: usize, now: i64) -> Checked {
        let place = &self.places[place];
        let Some(known) = self.known.get(&place.name) else { return Ok(()) };
        blind_means_off(place, known, now)
    }

    /// Whether anything can be written after a step.
    pub fn disk(&mut self, wall: i64, failing: bool) {
        if failing && self.was_failing {
            if let Some((_, to)) = self.failing.last_mut() {
                *to = wall;
            }
        } else if failing {
            // What was decided by this very instant was decided before anybody knew.
            self.failing.push((wall + 1, wall));
        }
        self.was_failing = failing;
    }

    /// What the vessel says of itself.
    pub fn says(&self, place: usize, state: &engine::view::State) -> Checked {
        what_is_wrong_switches_off(&self.places[place], state)?;
        near_freezing_the_chiller_is_off(&self.places[place], state)
    }

    /// An event goes out.
    pub fn published(&mut self, record: Record, on_disk: u64) -> Result<Option<Record>, Broken> {
        never_published_before_it_is_on_disk(&record, on_disk)?;
        if record.seq <= self.newest {
            if let Some(before) = self.published.get(&record.seq) {
                published_twice_is_published_alike(before, &record)?;
            }
            return Ok(None);
        }
        published_in_order(self.newest, &record)?;
        self.newest = record.seq;
        self.published.insert(record.seq, record.clone());
        *self.kinds.entry(record.kind).or_default() += 1;
        self.learn(&record)?;
        Ok(Some(record))
    }

    /// What is on disk after what was compared already; none may be missing.
    pub fn on_disk(&mut self, records: &[Record]) -> Checked {
        every_record_once_and_in_order(self.checked, &self.published, self.newest, records)?;
        if let Some(last) = records.last() {
            self.checked = last.seq;
            self.published.retain(|seq, _| *seq > last.seq);
        }
        Ok(())
    }

    /// Records up to here were compared with the disk.
    pub fn compared(&self) -> u64 {
        self.checked
    }

    fn learn(&mut self, record: &Record) -> Checked {
        let text = |key: &str| record.data.get(key).and_then(Value::as_str).unwrap_or_default();
        if record.kind == Kind::ClockStepped {
            self.raised.clear();
            self.failing.clear();
        }
        if record.kind == Kind::AlarmRaised {
            let key = (record.vessel.clone(), text("alarm").to_owned());
            let raised = self.raised.entry(key).or_default();
            alarms_do_not_chatter(raised, record, text("alarm"))?;
        }
        let Some(vessel) = &record.vessel else { return Ok(()) };
        let known = self.known.entry(vessel.clone()).or_default();
        match record.kind {
            Kind::BatchPitched | Kind::BatchRevised => {
                known.schedule = self.schedules.get(text("file")).cloned();
                known.free = true;
            }
            Kind::RunParked | Kind::StageEntered => known.free = true,
            Kind::RunLocked => {
                known.locked = record.data.get("locked") == Some(&true.into());
                known.unlock_asked = false;
            }
            Kind::StageLeft => {
                known.free = true;
                let command = self.last_do.get(vessel).filter(|(seq, _)| *seq + 1 == record.seq);
                let advanced = command.is_some_and(|(_, name)| name == "advance");
                no_stage_is_left_without_its_evidence(known, record, advanced)?;
                if !advanced {
                    no_stage_changes_while_nothing_is_written(&self.failing, record)?;
                }
            }
            Kind::CommandAccepted | Kind::CommandRefused => {
                self.last_do.insert(vessel.clone(), (record.seq, text("do").to_owned()));
                if let Some(id) = record.data.get("id").and_then(Value::as_str) {
                    let new = self.decided.insert((vessel.clone(), id.to_owned()));
                    a_command_is_decided_once(new, record)?;
                }
            }
            _ => {}
        }
        Ok(())
    }
}

fn name_of(output: usize) -> &'static str {
    ["heater", "chiller"][output]
}

fn never_both_outputs(place: &Place, relays: [bool; 2], known: &Known) -> Checked {
    if relays == [true; 2] && known.on == [true; 2] {
        return broken("never_both_outputs", format!("{}: both relays are told on", place.name));
    }
    Ok(())
}

fn relays_rest_by_true_time(place: &Place, output: usize, known: &Known, now: i64) -> Checked {
    if let Some(off) = known.went_off[output].filter(|off| now - off < MIN_OFF[output]) {
        let (name, rested) = (name_of(output), now - off);
        let text = format!("{}: the {name}'s relay hears on {rested} ms after off", place.name);
        return broken("relays_rest_by_true_time", text);
    }
    Ok(())
}

fn rests_and_changeover(
    place: &Place,
    output: usize,
    relays: [bool; 2],
    known: &Known,
    now: i64,
) -> Checked {
    for other in 0..2 {
        let least = if other == output { MIN_OFF[other] } else { CHANGEOVER };
        let Some(since) = known.off_since[other].filter(|_| relays[other]) else { continue };
        if now - since < least {
            let (began, ended) = (name_of(output), name_of(other));
            let text = format!("{}: {began} on {} ms after {ended} off", place.name, now - since);
            return broken("rests_and_changeover", text);
        }
    }
    Ok(())
}

fn locked_outputs_stay_off(place: &Place, known: &Known, glance: &Glance) -> Checked {
    let ended = known.unlock_asked && !glance.locked;
    if known.locked && !ended && known.on.contains(&true) {
        return broken("locked_outputs_stay_off", format!("{}: {:?}", place.name, known.on));
    }
    Ok(())
}

fn setpoint_within_limits(
    place: &Place,
    limits: &Limits,
    glance: &Glance,
    setpoint: Option<f64>,
) -> Checked {
    let (low, high) = match glance.run {
        "running" | "held" | "complete" => (limits.coldest, limits.warmest),
        _ => VESSEL_LIMITS,
    };
    match setpoint {
        // The schedules write their limits with three decimals.
        Some(celsius) if !(low - 6e-4..=high + 6e-4).contains(&celsius) => {
            let text = format!("{}: {celsius} is outside {low} to {high}", place.name);
            broken("setpoint_within_limits", text)
        }
        _ => Ok(()),
    }
}

fn setpoint_keeps_its_ramps(
    place: &Place,
    limits: &Limits,
    passed: i64,
    before: f64,
    now: f64,
) -> Checked {
    let hours = passed as f64 / 3.6e6;
    let (up, down) = ((limits.up + 1e-3) * hours + 1e-6, (limits.down + 1e-3) * hours + 1e-6);
    if now > before + up || now < before - down {
        let text = format!("{}: from {before} to {now} in {passed} ms", place.name);
        return broken("setpoint_keeps_its_ramps", text);
    }
    Ok(())
}

/// A person may advance; the schedule may not.
fn no_stage_changes_while_nothing_is_written(failing: &[(i64, i64)], record: &Record) -> Checked {
    let at = record.at.millis();
    if failing.iter().any(|(from, to)| (*from..=*to).contains(&at)) {
        return broken("no_stage_changes_while_nothing_is_written", record.text.clone());
    }
    Ok(())
}

fn outputs_are_told_again(place: &Place, known: &Known, now: i64) -> Checked {
    let there = [place.heater.is_some(), place.chiller.is_some()];
    for (output, is_there) in there.into_iter().enumerate() {
        let late = known.told_at[output].is_none_or(|at| now - at > REFRESH);
        if is_there && late {
            let text = format!("{}: the {} hears nothing", place.name, name_of(output));
            return broken("outputs_are_told_again", text);
        }
    }
    Ok(())
}

fn blind_means_off(place: &Place, known: &Known, now: i64) -> Checked {
    let silent_after = (place.probe_every.millis() * 3).max(600_000) + 20_000;
    let silent = known.beer_at.is_none_or(|at| now - at > silent_after);
    if silent && known.on.contains(&true) {
        let ago = known.beer_at.map(|at| (now - at) / 1000);
        let text = format!("{}: {:?} though the probe spoke {ago:?} s ago", place.name, known.on);
        return broken("blind_means_off", text);
    }
    Ok(())
}

fn what_is_wrong_switches_off(place: &Place, state: &engine::view::State) -> Checked {
    let is_on = |output: &Option<String>| output.as_deref() == Some("on");
    let (heats, cools) = (is_on(&state.outputs.heater), is_on(&state.outputs.chiller));
    for alarm in &state.alarms {
        // Limits have an off-delay: what counts then is where the beer is.
        let beyond = |past: fn(f64) -> bool| state.beer_c.is_some_and(past);
        let wrong = match alarm.id.as_str() {
            // `beer-doubtful` has an off-delay: while it is doubted, `beer_c` is null, below.
            "beer-silent" => heats || cools,
            "too-cold" => cools && beyond(|celsius| celsius < VESSEL_LIMITS.0),
            "near-freezing" => cools && beyond(|celsius| celsius < -0.5),
            "too-warm" => heats && beyond(|celsius| celsius > VESSEL_LIMITS.1),
            _ => false,
        };
        if wrong {
            let text = format!("{}: {} stands, {:?}", place.name, alarm.id, state.outputs);
            return broken("what_is_wrong_switches_off", text);
        }
    }
    if state.beer_c.is_none() && (heats || cools) {
        let text = format!("{}: blind, {:?}", place.name, state.outputs);
        return broken("what_is_wrong_switches_off", text);
    }
    Ok(())
}

/// Freezing point = -40.33 A/(100-A) °C, A the alcohol by mass in percent (as `brewing` cites it):
/// the strongest of these beers, 1.050 SG and sugar, has at most 6 %, so -2.6 °C.
fn near_freezing_the_chiller_is_off(place: &Place, state: &engine::view::State) -> Checked {
    let cools = state.outputs.chiller.as_deref() == Some("on");
    if cools && state.beer_c.is_some_and(|celsius| celsius < -2.6) {
        let text = format!("{}: cooled at {:?} °C", place.name, state.beer_c);
        return broken("near_freezing_the_chiller_is_off", text);
    }
    Ok(())
}

fn never_published_before_it_is_on_disk(record: &Record, on_disk: u64) -> Checked {
    if record.seq > on_disk {
        let text = format!("{} of {on_disk}: {}", record.seq, record.text);
        return broken("never_published_before_it_is_on_disk", text);
    }
    Ok(())
}

fn published_twice_is_published_alike(before: &Record, again: &Record) -> Checked {
    if before != again {
        let text = format!("{} was `{}`, is `{}`", again.seq, before.text, again.text);
        return broken("published_twice_is_published_alike", text);
    }
    Ok(())
}

fn published_in_order(newest: u64, record: &Record) -> Checked {
    if record.seq != newest + 1 {
        let text = format!("{} follows {newest}", record.seq);
        return broken("published_in_order", text);
    }
    Ok(())
}

fn every_record_once_and_in_order(
    checked: u64,
    published: &BTreeMap<u64, Record>,
    newest: u64,
    records: &[Record],
) -> Checked {
    let invariant = "every_record_once_and_in_order";
    for (record, expected) in records.iter().zip(checked + 1..) {
        if record.seq != expected {
            return broken(invariant, format!("{expected} is missing before {}", record.seq));
        }
        if published.get(&record.seq).is_some_and(|published| published != record) {
            return broken(invariant, format!("{} is otherwise on disk", record.seq));
        }
    }
    let last = records.last().map_or(checked, |record| record.seq);
    if last < newest {
        return broken(invariant, format!("{newest} was published, the disk has up to {last}"));
    }
    Ok(())
}

/// A run that was brought back from the disk is as it was.
///
/// # Errors
/// Where it is another.
pub fn recovered_as_it_was(before: &State, after: &State) -> Checked {
    if before == after {
        return Ok(());
    }
    let text = |state| serde_json::to_value(state).unwrap_or_default();
    let mut ways = Vec::new();
    differences("", &text(before), &text(after), &mut ways);
    if ways.is_empty() {
        ways.push(apart(&format!("{before:?}"), &format!("{after:?}")));
    }
    broken("recovered_as_it_was", ways.join("; "))
}

/// Where two texts come apart.
fn apart(before: &str, after: &str) -> String {
    let (before, after): (Vec<char>, Vec<char>) =
        (before.chars().collect(), after.chars().collect());
    let same = before.iter().zip(&after).take_while(|(one, other)| one == other).count();
    let text = |chars: &[char]| {
        let from = same.saturating_sub(200);
        chars.iter().skip(from).take(260).collect::<String>()
    };
    format!("{} is {}", text(&before), text(&after))
}

/// Where two states differ.
fn differences(path: &str, before: &Value, after: &Value, ways: &mut Vec<String>) {
    if before == after || ways.len() > 7 {
        return;
    }
    match (before, after) {
        (Value::Object(before), Value::Object(after)) => {
            let keys: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
            for key in keys {
                let of = |map: &serde_json::Map<String, Value>| map.get(key).cloned();
                let (before, after) = (of(before), of(after));
                let path = format!("{path}/{key}");
                differences(&path, &before.unwrap_or_default(), &after.unwrap_or_default(), ways);
            }
        }
        (Value::Array(before), Value::Array(after)) if before.len() == after.len() => {
            for (index, (before, after)) in before.iter().zip(after).enumerate() {
                differences(&format!("{path}/{index}"), before, after, ways);
            }
        }
        _ => {
            let short = |value: &Value| value.to_string().chars().take(60).collect::<String>();
            ways.push(format!("{path}: {} is {}", short(before), short(after)));
        }
    }
}

fn alarms_do_not_chatter(raised: &mut VecDeque<i64>, record: &Record, id: &str) -> Checked {
    let now = record.at.millis();
    raised.push_back(now);
    // What seems to come after it was written before the clock went back.
    raised.retain(|at| (0..=3_600_000).contains(&(now - at)));
    let lately = raised.iter().filter(|at| now - **at < 60_000).count();
    if lately >= CHATTERS || raised.len() > RAISED_AN_HOUR {
        let (vessel, hourly) = (&record.vessel, raised.len());
        let text =
            format!("{vessel:?}: {id} was raised {lately} times in a minute, {hourly} an hour");
        return broken("alarms_do_not_chatter", text);
    }
    Ok(())
}

fn a_command_is_decided_once(new: bool, record: &Record) -> Checked {
    if new { Ok(()) } else { broken("a_command_is_decided_once", record.text.clone()) }
}

/// Only yes counts: the record's own evidence, judged here by Kleene's rules anew.
fn no_stage_is_left_without_its_evidence(
    known: &Known,
    record: &Record,
    advanced: bool,
) -> Checked {
    let invariant = "no_stage_is_left_without_its_evidence";
    if advanced {
        return Ok(());
    }
    let name = record.data.get("stage").and_then(Value::as_str).unwrap_or_default();
    let stage: Option<&Stage> = known
        .schedule
        .as_ref()
        .and_then(|schedule| schedule.stages.iter().find(|stage| stage.name == name));
    let Some(stage) = stage else {
        return broken(invariant, format!("no such stage: {}", record.text));
    };
    let because = record.data.get("because").and_then(Value::as_str).unwrap_or_default();
    if because.starts_with("its `at_most`") {
        let may = stage.at_most.is_some_and(|most| most.then == Overdue::Advance);
        return if may { Ok(()) } else { broken(invariant, record.text.clone()) };
    }
    let mut answers = record
        .data
        .get("milestones")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .map(|leaf| (leaf["answer"].as_str().unwrap_or_default(), !leaf["evidence"].is_null()));
    if kleene(&stage.until, &mut answers) == Some(true) {
        return Ok(());
    }
    broken(invariant, format!("{}: {:?}", record.text, record.data.get("milestones")))
}

/// `None` is unknown. A yes without its evidence is none.
fn kleene<'a>(
    milestone: &Milestone,
    answers: &mut impl Iterator<Item = (&'a str, bool)>,
) -> Option<bool> {
    match milestone {
        Milestone::All(list) => {
            let all: Vec<Option<bool>> = list.iter().map(|inner| kleene(inner, answers)).collect();
            let no = all.contains(&Some(false));
            if no { Some(false) } else { all.iter().all(|a| *a == Some(true)).then_some(true) }
        }
        Milestone::Any(list) => {
            let all: Vec<Option<bool>> = list.iter().map(|inner| kleene(inner, answers)).collect();
            let yes = all.contains(&Some(true));
            if yes { Some(true) } else { all.iter().all(|a| *a == Some(false)).then_some(false) }
        }
        _ => match answers.next() {
            Some(("yes", true)) => Some(true),
            Some(("no", _)) => Some(false),
            _ => None,
        },
    }
}
