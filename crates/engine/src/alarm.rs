//! Alarms after ISA-18.2 / IEC 62682: raised, acknowledged, returned, shelved, with delays both
//! ways so that none chatters.

use crate::record::Kind;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// How soon a person must act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Priority {
    Low,
    Medium,
    High,
    Critical,
}

impl Priority {
    pub fn as_str(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
            Priority::Critical => "critical",
        }
    }
}

/// A kind of alarm.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rule {
    pub id: &'static str,
    pub priority: Priority,
    /// The condition must hold this long before it is raised.
    pub on_delay: Span,
    /// It must be gone this long before it returns.
    pub off_delay: Span,
}

/// An alarm as a person reads of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AlarmKind {
    /// Its id; with a source's or cooler's name behind a point where it is of one.
    pub id: &'static str,
    /// `low`, `medium`, `high` or `critical`.
    pub priority: &'static str,
    /// It is raised once its condition has held for so long.
    pub on_delay: Span,
    /// It returns once that has been gone for so long.
    pub off_delay: Span,
    /// When it is raised.
    pub when: &'static str,
}

macro_rules! rules {
    ($($name:ident = $id:literal, $priority:ident, $on_s:literal, $off_s:literal,
        $when:literal;)*) => {
        /// The alarms: id, priority, delays in seconds, and when each is raised.
        pub(crate) mod rules {
            use super::{Priority, Rule};
            use quantity::Span;

            $(pub const $name: Rule = Rule {
                id: $id,
                priority: Priority::$priority,
                on_delay: Span::from_secs($on_s),
                off_delay: Span::from_secs($off_s),
            };)*
        }

        /// Every alarm, by id.
        pub fn alarms() -> Vec<AlarmKind> {
            let kind = |rule: Rule, when: &'static str| AlarmKind {
                id: rule.id,
                priority: rule.priority.as_str(),
                on_delay: rule.on_delay,
                off_delay: rule.off_delay,
                when,
            };
            vec![$(kind(rules::$name, $when),)*]
        }
    };
}

rules! {
    BATTERY_LOW = "battery-low", Low, 0, 3600,
        "a float is under 15 %, or has under 7 days left";
    BEER_DOUBTFUL = "beer-doubtful", High, 0, 600,
        "the beer's temperature jumped, froze or is impossible; the outputs return sooner";
    BEER_SILENT = "beer-silent", High, 0, 0,
        "no beer temperature for `silent_after`";
    BELOW_EXPECTED = "below-expected", Medium, 3600, 3600,
        "the gravity is credibly over 3 points below the expected final one";
    CHILLER_NO_EFFECT = "chiller-no-effect", High, 0, 600,
        "the chiller ran long and the beer does not answer, or goes the wrong way";
    CLOCK_DOUBTFUL = "clock-doubtful", High, 0, 0,
        "the clock is before the last record, or jumped back";
    GRAVITY_DOUBTFUL = "gravity-doubtful", Medium, 0, 3600,
        "a float sticks, steps, drifts or disagrees; one for each source";
    GRAVITY_SILENT = "gravity-silent", Medium, 0, 600,
        "no usable gravity for three intervals; one for each source";
    HEAT_BALANCE = "heat-balance", Medium, 3600, 3600,
        "the beer gains or loses heat that nothing explains";
    HEATER_NO_EFFECT = "heater-no-effect", High, 0, 600,
        "the heater ran long and the beer does not answer, or goes the wrong way";
    LINK_DOWN = "link-down", Medium, 30, 300,
        "the broker is away";
    NEAR_FREEZING = "near-freezing", High, 60, 600,
        "the beer is within 0.5 K of its freezing point";
    NOT_BEGUN = "not-begun", High, 0, 0,
        "no fall of gravity was shown within `begins_within`";
    OFF_TARGET = "off-target", Medium, 7200, 600,
        "the beer is beyond `off_target` with no ramp being followed";
    OUTPUT_DISAGREES = "output-disagrees", High, 30, 600,
        "an output is not seen to do what it was told";
    PROBE_MISPLACED = "probe-misplaced", High, 7200, 600,
        "the probe seems to hang in the air, or is far from what every float says";
    PROGRAM_FAULT = "program-fault", Critical, 0, 3600,
        "a fault of the program itself in this vessel's handling; its outputs go off";
    RESERVOIR_SILENT = "reservoir-silent", Medium, 0, 600,
        "the probe of a shared cooler's reservoir is silent";
    STAGE_OVERDUE = "stage-overdue", Medium, 0, 0,
        "a stage has lasted for its `at_most`";
    STALLED = "stalled", Medium, 3600, 3600,
        "the fall ended short of the expected final gravity";
    STORE_FAILING = "store-failing", Critical, 0, 1800,
        "a record cannot be written";
    TOO_COLD = "too-cold", Critical, 60, 600,
        "the beer is colder than the vessel's limit";
    TOO_WARM = "too-warm", Critical, 60, 600,
        "the beer is warmer than the vessel's limit";
}

/// What is wrong, where something is.
#[derive(Debug, Clone)]
pub(crate) struct Condition {
    pub text: String,
    pub data: Value,
}

impl Condition {
    pub fn new(text: impl Into<String>, data: Value) -> Self {
        Condition { text: text.into(), data }
    }
}

/// A standing alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Standing {
    pub priority: Priority,
    pub since: Stamp,
    pub text: String,
    pub acknowledged: bool,
    clear_since: Option<Stamp>,
}

/// Something that an alarm did, for the record.
#[derive(Debug, Clone)]
pub(crate) struct Change {
    pub kind: Kind,
    pub text: String,
    pub data: Value,
}

/// The alarms of a vessel, or of the daemon.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct AlarmBook {
    standing: BTreeMap<String, Standing>,
    /// Conditions that hold but have not held for their delay, since when.
    pending: BTreeMap<String, Stamp>,
    /// Alarms that a person silenced, until when; also while they do not stand.
    shelved: BTreeMap<String, Stamp>,
}

impl AlarmBook {
    /// Tells whether the condition of `rule` holds now, for one `source` where it is of a source.
    pub fn update(
        &mut self,
        rule: Rule,
        source: Option<&str>,
        condition: Option<Condition>,
        now: Stamp,
    ) -> Option<Change> {
        if condition.is_none() && self.is_quiet() {
            return None;
        }
        let id: Cow<'static, str> = match source {
            Some(source) => format!("{}.{source}", rule.id).into(),
            None => rule.id.into(),
        };
        match condition {
            Some(condition) => self.holds(rule, &id, &condition, now),
            None => self.is_gone(rule, &id, now),
        }
    }

    /// Whether nothing stands or is about to.
    pub fn is_quiet(&self) -> bool {
        self.standing.is_empty() && self.pending.is_empty()
    }

    fn holds(&mut self, rule: Rule, id: &str, what: &Condition, now: Stamp) -> Option<Change> {
        if let Some(standing) = self.standing.get_mut(id) {
            standing.clear_since = None;
            return None;
        }
        let since = match self.pending.get(id) {
            Some(since) => *since,
            None => *self.pending.entry(id.to_owned()).or_insert(now),
        };
        if now.since(since) < rule.on_delay {
            return None;
        }
        self.pending.remove(id);
        let standing = Standing {
            priority: rule.priority,
            since: now,
            text: what.text.clone(),
            acknowledged: false,
            clear_since: None,
        };
        self.standing.insert(id.to_owned(), standing);
        let data = json!({
            "alarm": id, "priority": rule.priority.as_str(), "evidence": what.data,
            "shelved": self.shelved.contains_key(id),
        });
        Some(Change {
            kind: Kind::AlarmRaised,
            text: format!("Alarm {id} ({}): {}.", rule.priority.as_str(), what.text),
            data,
        })
    }

    fn is_gone(&mut self, rule: Rule, id: &str, now: Stamp) -> Option<Change> {
        self.pending.remove(id);
        let standing = self.standing.get_mut(id)?;
        let clear_since = *standing.clear_since.get_or_insert(now);
        if now.since(clear_since) < rule.off_delay {
            return None;
        }
        let stood = now.since(standing.since);
        self.standing.remove(id);
        Some(Change {
            kind: Kind::AlarmReturned,
            text: format!("Alarm {id} is over: it stood for {stood}."),
            data: json!({ "alarm": id, "stood_s": stood.secs() }),
        })
    }

    /// Whether the alarm stands.
    pub fn stands(&self, id: &str) -> bool {
        self.standing.contains_key(id)
    }

    /// Whether the alarm `id` of `source` stands.
    pub fn is_raised(&self, id: &str, source: &str) -> bool {
        !self.standing.is_empty() && self.standing.contains_key(&format!("{id}.{source}"))
    }

    /// Whether the alarm stands and nobody has seen it.
    pub fn unseen(&self, id: &str) -> bool {
        self.standing.get(id).is_some_and(|standing| !standing.acknowledged)
    }

    /// All standing alarms by id.
    pub fn standing(&self) -> impl Iterator<Item = (&String, &Standing)> {
        self.standing.iter()
    }

    /// Marks `id`, or all, as seen; gives those that were not yet.
    pub fn acknowledge(&mut self, id: Option<&str>) -> Vec<String> {
        let mut seen = Vec::new();
        for (name, standing) in &mut self.standing {
            if id.is_none_or(|id| id == name) && !standing.acknowledged {
                standing.acknowledged = true;
                seen.push(name.clone());
            }
        }
        seen
    }

    /// Silences `id` until then.
    pub fn shelve(&mut self, id: &str, until: Stamp) {
        self.shelved.insert(id.to_owned(), until);
    }

    /// Until when `id` is silenced.
    pub fn shelved_until(&self, id: &str) -> Option<Stamp> {
        self.shelved.get(id).copied()
    }

    /// Ends every shelving that has run out.
    pub fn unshelve(&mut self, now: Stamp) {
        if !self.shelved.is_empty() {
            self.shelved.retain(|_, until| *until > now);
        }
    }

    /// Time away came to light: delays that have begun since `start` go on as before.
    pub fn slept(&mut self, start: Stamp, away: Span) {
        let clearing = self.standing.values_mut().filter_map(|alarm| alarm.clear_since.as_mut());
        for since in self.pending.values_mut().chain(clearing).filter(|since| **since >= start) {
            *since = *since + away;
        }
    }

    /// Forgets conditions and standing alarms whose id `keep` does not hold for.
    pub fn retain(&mut self, keep: impl Fn(&str) -> bool) -> Vec<String> {
        self.pending.retain(|id, _| keep(id));
        self.shelved.retain(|id, _| keep(id));
        let gone: Vec<String> = self.standing.keys().filter(|id| !keep(id)).cloned().collect();
        for id in &gone {
            self.standing.remove(id);
        }
        gone
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(secs: i64) -> Stamp {
        Stamp::from_millis(secs * 1000)
    }

    fn condition() -> Option<Condition> {
        Some(Condition::new("it is so", Value::Null))
    }

    #[test]
    fn delays_hold_both_ways() {
        let mut book = AlarmBook::default();
        let rule = rules::TOO_COLD;
        assert!(book.update(rule, None, condition(), at(0)).is_none());
        assert!(book.update(rule, None, condition(), at(59)).is_none());
        let raised = book.update(rule, None, condition(), at(60)).expect("raised");
        assert_eq!(raised.kind, Kind::AlarmRaised);
        assert!(book.update(rule, None, None, at(61)).is_none());
        assert!(book.update(rule, None, condition(), at(100)).is_none());
        assert!(book.update(rule, None, None, at(200)).is_none());
        assert!(book.update(rule, None, None, at(799)).is_none());
        let returned = book.update(rule, None, None, at(800)).expect("returned");
        assert_eq!(returned.kind, Kind::AlarmReturned);
        assert!(!book.stands("too-cold"));
    }

    #[test]
    fn a_condition_that_goes_in_time_was_none() {
        let mut book = AlarmBook::default();
        book.update(rules::TOO_COLD, None, condition(), at(0));
        book.update(rules::TOO_COLD, None, None, at(30));
        assert!(book.update(rules::TOO_COLD, None, condition(), at(61)).is_none());
    }

    #[test]
    fn sources_have_alarms_of_their_own() {
        let mut book = AlarmBook::default();
        book.update(rules::GRAVITY_SILENT, Some("float"), condition(), at(0));
        assert!(book.stands("gravity-silent.float"));
        assert_eq!(book.acknowledge(None), ["gravity-silent.float"]);
        assert!(book.acknowledge(None).is_empty());
    }
}
