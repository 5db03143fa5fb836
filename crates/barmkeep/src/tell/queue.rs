//! What waits to be told to one receiver: in order, bounded, and gathered where it comes in floods.

use engine::{Kind, Record};
use quantity::{Span, Stamp};
use serde_json::{Value, json};
use std::collections::{BTreeMap, VecDeque};

/// At most this many records wait for a receiver that is away; of older ones the number is told.
pub const WAITING_MAX: usize = 500;

/// A gathered message has the texts of so many records, the most urgent first.
const TEXTS_MAX: usize = 5;

/// Its `data` has the texts of so many, the newest last.
const LINES_MAX: usize = 50;

/// The records that wait, oldest first.
#[derive(Debug, Default)]
pub struct Queue {
    waiting: VecDeque<Record>,
    /// Those that found no room.
    dropped: Option<Dropped>,
    /// The number of the newest that was ever taken.
    newest: u64,
}

/// Records of which only the number is left.
#[derive(Debug, Clone)]
struct Dropped {
    count: usize,
    kinds: BTreeMap<&'static str, usize>,
    since: Stamp,
    first_seq: u64,
}

/// What is sent: one record, or several in one.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// JSON.
    pub body: String,
    /// The number of the last record in it.
    pub last_seq: u64,
}

impl Queue {
    /// A queue whose receiver has had everything up to this number.
    pub fn after(seq: u64) -> Self {
        Queue { newest: seq, ..Queue::default() }
    }

    /// Takes a record, unless it was taken already; the oldest goes where there is no room.
    pub fn push(&mut self, record: Record) {
        if record.seq <= self.newest {
            return;
        }
        self.newest = record.seq;
        self.waiting.push_back(record);
        if self.waiting.len() <= WAITING_MAX {
            return;
        }
        let Some(oldest) = self.waiting.pop_front() else { return };
        let dropped = self.dropped.get_or_insert_with(|| Dropped {
            count: 0,
            kinds: BTreeMap::new(),
            since: oldest.at,
            first_seq: oldest.seq,
        });
        dropped.count += 1;
        *dropped.kinds.entry(oldest.kind.as_str()).or_default() += 1;
    }

    /// The number of the newest record that was ever taken.
    pub fn newest(&self) -> u64 {
        self.newest
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Whether something waits that cannot wait.
    pub fn is_urgent(&self) -> bool {
        self.waiting.iter().any(|record| priority(record) == Some("critical"))
    }

    /// The next message where so many may be sent now: the oldest record, or all in one where more
    /// wait than may be sent. It waits on until [`Queue::told`].
    pub fn next(&self, allowed: usize) -> Option<Message> {
        let (first, last) = (self.waiting.front()?, self.waiting.back()?);
        if self.dropped.is_none() && (self.waiting.len() == 1 || self.waiting.len() <= allowed) {
            let body = serde_json::to_string(first).unwrap_or_default();
            return Some(Message { body, last_seq: first.seq });
        }
        Some(Message { body: self.gathered().to_string(), last_seq: last.seq })
    }

    /// Forgets what is told: everything up to this number.
    pub fn told(&mut self, seq: u64) {
        while self.waiting.front().is_some_and(|record| record.seq <= seq) {
            self.waiting.pop_front();
            self.dropped = None;
        }
    }

    /// All that waits as one message, in the shape of a record.
    fn gathered(&self) -> Value {
        let dropped = self.dropped.as_ref();
        let count = self.waiting.len() + dropped.map_or(0, |dropped| dropped.count);
        let mut kinds = dropped.map_or_else(BTreeMap::new, |dropped| dropped.kinds.clone());
        for record in &self.waiting {
            *kinds.entry(record.kind.as_str()).or_default() += 1;
        }
        let counts: Vec<String> =
            kinds.iter().map(|(kind, count)| format!("{count} {kind}")).collect();
        let first_at = self.waiting.front().map_or(Stamp::from_millis(0), |first| first.at);
        let since = dropped.map_or(first_at, |dropped| dropped.since);
        let last = self.waiting.back();
        let until = last.map_or(since, |last| last.at);
        let within = Span::from_secs((until.since(since).millis() / 1000).max(1));
        let mut urgent: Vec<&Record> = self.waiting.iter().collect();
        urgent.sort_by_key(|record| (rank(record), std::cmp::Reverse(record.seq)));
        let texts: Vec<String> = urgent.iter().take(TEXTS_MAX).map(|record| line(record)).collect();
        let first_seq = self.waiting.front().map_or(0, |first| first.seq);
        let older = self.waiting.len().saturating_sub(LINES_MAX);
        let text = format!(
            "{count} events within {within} are told in one message: {}. {} All of them: \
             `barmkeep log`.",
            counts.join(", "),
            texts.join(" ")
        );
        json!({
            "seq": last.map(|last| last.seq),
            "at": until.rfc3339(),
            "vessel": self.common(|record| record.vessel.as_ref().map(ToString::to_string)),
            "batch": self.common(|record| record.batch.clone()),
            "kind": "tell.gathered",
            "text": text,
            "data": {
                "count": count,
                "first_seq": dropped.map_or(first_seq, |dropped| dropped.first_seq),
                "since": since.rfc3339(),
                "kinds": kinds,
                "texts": self.waiting.iter().skip(older).map(line).collect::<Vec<_>>(),
            },
        })
    }

    /// What all that wait have in common; `None` where they have not.
    fn common(&self, of: impl Fn(&Record) -> Option<String>) -> Option<String> {
        let first = of(self.waiting.front()?);
        let same = self.waiting.iter().all(|record| of(record) == first);
        first.filter(|_| same)
    }
}

fn line(record: &Record) -> String {
    match &record.vessel {
        Some(vessel) => format!("{vessel}: {}", record.text),
        None => record.text.clone(),
    }
}

fn priority(record: &Record) -> Option<&str> {
    let raised = record.kind == Kind::AlarmRaised;
    record.data.get("priority").and_then(Value::as_str).filter(|_| raised)
}

/// What a person wants to know first: alarms by their priority, then what is asked of them.
fn rank(record: &Record) -> u8 {
    match (priority(record), record.kind) {
        (Some("critical"), _) => 0,
        (Some("high"), _) => 1,
        (Some(_), _) => 2,
        (None, Kind::NoticeDue | Kind::ConfirmDue | Kind::SampleDue | Kind::BatchCompleted) => 3,
        _ => 4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use schedule::Name;

    fn record(seq: u64, kind: Kind, data: Value) -> Record {
        let Value::Object(data) = data else { panic!("an object") };
        Record {
            seq,
            at: Stamp::from_millis(1_772_000_000_000) + Span::from_mins(seq as i64),
            vessel: Name::parse("north").ok(),
            batch: Some("north-1".to_owned()),
            kind,
            text: format!("Text {seq}."),
            data,
        }
    }

    fn notice(seq: u64) -> Record {
        record(seq, Kind::NoticeDue, json!({}))
    }

    fn json(message: &Message) -> Value {
        serde_json::from_str(&message.body).unwrap()
    }

    #[test]
    fn records_go_one_by_one_in_order_and_once() {
        let mut queue = Queue::after(3);
        for seq in [2, 3, 4, 5, 5, 4] {
            queue.push(notice(seq));
        }
        let first = queue.next(10).unwrap();
        assert_eq!(first.last_seq, 4);
        assert_eq!(json(&first), serde_json::to_value(notice(4)).unwrap());
        assert_eq!(queue.next(10).unwrap(), first, "it waits until it is told");
        queue.told(4);
        assert_eq!(queue.next(1).unwrap().last_seq, 5, "one alone is never gathered");
        queue.told(5);
        assert!(queue.is_empty() && queue.next(10).is_none());
    }

    #[test]
    fn a_flood_is_one_message_that_says_how_many_and_the_most_urgent_first() {
        let mut queue = Queue::default();
        for seq in 1..=20 {
            queue.push(notice(seq));
        }
        assert!(!queue.is_urgent());
        queue.push(record(21, Kind::AlarmRaised, json!({ "priority": "critical" })));
        queue.push(record(22, Kind::AlarmRaised, json!({ "priority": "low" })));
        assert!(queue.is_urgent());
        assert_eq!(queue.next(22).unwrap().last_seq, 1);
        let gathered = queue.next(21).unwrap();
        let message = json(&gathered);
        assert_eq!((gathered.last_seq, &message["seq"]), (22, &json!(22)));
        assert_eq!(
            message["text"],
            "22 events within 21 min are told in one message: 2 alarm.raised, 20 notice.due. \
             north: Text 21. north: Text 22. north: Text 20. north: Text 19. north: Text 18. All \
             of them: `barmkeep log`."
        );
        assert_eq!((&message["vessel"], &message["batch"]), (&json!("north"), &json!("north-1")));
        assert_eq!(message["data"]["texts"].as_array().map(Vec::len), Some(22));
        queue.told(22);
        assert!(queue.is_empty() && !queue.is_urgent());
    }

    #[test]
    fn what_finds_no_room_is_counted() {
        let mut queue = Queue::default();
        for seq in 1..=WAITING_MAX as u64 + 40 {
            queue.push(notice(seq));
        }
        assert_eq!(queue.waiting.len(), WAITING_MAX);
        let message = json(&queue.next(1000).unwrap());
        assert_eq!(message["data"]["count"], WAITING_MAX + 40);
        assert_eq!(message["data"]["kinds"]["notice.due"], WAITING_MAX + 40);
        assert_eq!(message["data"]["first_seq"], 1);
        queue.told(WAITING_MAX as u64 + 40);
        queue.push(notice(1000));
        assert_eq!(json(&queue.next(10).unwrap())["kind"], "notice.due", "all is told");
    }
}
