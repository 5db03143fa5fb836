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

const fn rule(id: &'static str, priority: Priority, on_s: i64, off_s: i64) -> Rule {
    Rule { id, priority, on_delay: Span::from_secs(on_s), off_delay: Span::from_secs(off_s) }
}

/// The alarms, as the README's table has them.
pub(crate) mod rules {
    use super::{Priority, Rule, rule};

    pub const BATTERY_LOW: Rule = rule("battery-low", Priority::Low, 0, 3600);
    pub const BEER_DOUBTFUL: Rule = rule("beer-doubtful", Priority::High, 0, 0);
    pub const BEER_SILENT: Rule = rule("beer-silent", Priority::High, 0, 0);
    pub const BELOW_EXPECTED: Rule = rule("below-expected", Priority::Medium, 3600, 3600);
    pub const CHILLER_NO_EFFECT: Rule = rule("chiller-no-effect", Priority::High, 0, 600);
    pub const CLOCK_DOUBTFUL: Rule = rule("clock-doubtful", Priority::High, 0, 0);
    pub const GRAVITY_DOUBTFUL: Rule = rule("gravity-doubtful", Priority::Medium, 0, 3600);
    pub const GRAVITY_SILENT: Rule = rule("gravity-silent", Priority::Medium, 0, 0);
    pub const HEAT_BALANCE: Rule = rule("heat-balance", Priority::Medium, 3600, 3600);
    pub const HEATER_NO_EFFECT: Rule = rule("heater-no-effect", Priority::High, 0, 600);
    pub const LINK_DOWN: Rule = rule("link-down", Priority::Medium, 30, 10);
    pub const NEAR_FREEZING: Rule = rule("near-freezing", Priority::High, 60, 600);
    pub const NOT_BEGUN: Rule = rule("not-begun", Priority::High, 0, 0);
    pub const OFF_TARGET: Rule = rule("off-target", Priority::Medium, 7200, 600);
    pub const OUTPUT_DISAGREES: Rule = rule("output-disagrees", Priority::High, 30, 30);
    pub const PROBE_MISPLACED: Rule = rule("probe-misplaced", Priority::High, 7200, 600);
    pub const PROGRAM_FAULT: Rule = rule("program-fault", Priority::Critical, 0, 3600);
    pub const RESERVOIR_SILENT: Rule = rule("reservoir-silent", Priority::Medium, 0, 0);
    pub const STAGE_OVERDUE: Rule = rule("stage-overdue", Priority::Medium, 0, 0);
    pub const STALLED: Rule = rule("stalled", Priority::Medium, 3600, 3600);
    pub const STORE_FAILING: Rule = rule("store-failing", Priority::Critical, 0, 0);
    pub const TOO_COLD: Rule = rule("too-cold", Priority::Critical, 60, 600);
    pub const TOO_WARM: Rule = rule("too-warm", Priority::Critical, 60, 600);
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
        if condition.is_none() && self.standing.is_empty() && self.pending.is_empty() {
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
