//! What waits to be published: bounded, never blocking, newer orders in the place of older ones.

use quantity::Span;
use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::time::{Duration, Instant};

/// The largest payload that is published, in bytes.
pub const PAYLOAD_OUT_BYTES_MAX: usize = 256 * 1024;
/// How many messages of class [`Class::Keep`] wait at most.
pub const KEPT_MAX: usize = 4096;
/// How many bytes these have together at most.
pub const KEPT_BYTES_MAX: usize = 16 * 1024 * 1024;
/// On how many topics messages of class [`Class::Replace`] wait at most.
pub const REPLACED_MAX: usize = 65_536;

/// A message for the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Where to.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for late subscribers.
    pub retained: bool,
    /// After this time it is worth nothing: neither sent late, nor (MQTT 5) delivered late.
    pub expiry: Option<Span>,
    /// What happens while it waits.
    pub class: Class,
}

/// What happens to a message while it waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// Each one counts: an event, a reply.
    Keep,
    /// Only the newest on its topic counts: state, setpoints, switches.
    Replace,
}

/// Why a message is not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PublishError {
    /// Too many messages wait: the broker has been away for long.
    Full {
        /// How many wait.
        waiting: usize,
    },
    /// The payload has more than [`PAYLOAD_OUT_BYTES_MAX`] bytes.
    TooLarge {
        /// Where it should have gone.
        topic: String,
        /// How large it is.
        size_bytes: usize,
    },
    /// It is not the name of one topic.
    Topic(String),
}

impl fmt::Display for PublishError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PublishError::Full { waiting } => {
                write!(f, "{waiting} messages wait for the broker already: no more are taken")
            }
            PublishError::TooLarge { topic, size_bytes } => write!(
                f,
                "the message for `{topic}` has {size_bytes} bytes: at most \
                 {PAYLOAD_OUT_BYTES_MAX} are published"
            ),
            PublishError::Topic(problem) => f.write_str(problem),
        }
    }
}

impl std::error::Error for PublishError {}

/// A message in the queue.
#[derive(Debug, Clone)]
pub struct Waiting {
    /// The message.
    pub outgoing: Outgoing,
    /// Told to the daemon once the broker has acknowledged the message.
    pub mark: Option<u64>,
    /// With a reply: what the asker gave to know it by.
    pub correlation: Option<Vec<u8>>,
    /// When it was given.
    pub since: Instant,
}

impl Waiting {
    /// A message that was given at `since`.
    pub fn new(outgoing: Outgoing, since: Instant) -> Self {
        Waiting { outgoing, mark: None, correlation: None, since }
    }

    /// What is left of its life: `None` for no end, zero where it is over.
    pub fn left(&self, now: Instant) -> Option<Duration> {
        let whole = Duration::from_millis(self.outgoing.expiry?.millis().unsigned_abs());
        Some(whole.saturating_sub(now.saturating_duration_since(self.since)))
    }

    /// Whether its time is over.
    pub fn is_over(&self, now: Instant) -> bool {
        self.left(now).is_some_and(|left| left.is_zero())
    }

    /// An upper bound of the packet's size, in bytes: the largest headers are below 64 bytes.
    pub fn packet_bytes(&self) -> usize {
        let correlation = self.correlation.as_ref().map_or(0, Vec::len);
        self.outgoing.topic.len() + self.outgoing.payload.len() + correlation + 64
    }
}

/// The queue, in order of arrival; a replacing message takes the place of the older one.
#[derive(Debug, Default)]
pub struct Queue {
    /// By number; the numbers rise with the arrival, and fall for what comes back to the front.
    waiting: BTreeMap<i64, Waiting>,
    /// Where on each topic the replaceable message stands.
    /// Invariant: each value is a key of `waiting`, of class `Replace` and of this topic.
    replaceable: BTreeMap<String, i64>,
    /// How many messages are of class `Keep`, and their bytes.
    kept: usize,
    kept_bytes: usize,
}

impl Queue {
    /// Takes a message at the end, or in the place of an older one.
    ///
    /// # Errors
    /// Where too many wait.
    pub fn push(&mut self, message: Waiting) -> Result<(), PublishError> {
        if message.outgoing.class == Class::Replace {
            if let Some(number) = self.replaceable.get(&message.outgoing.topic) {
                self.waiting.insert(*number, message);
                return Ok(());
            }
            if self.replaceable.len() >= REPLACED_MAX {
                return Err(PublishError::Full { waiting: self.waiting.len() });
            }
        } else if self.kept >= KEPT_MAX
            || self.kept_bytes + message.outgoing.payload.len() > KEPT_BYTES_MAX
        {
            return Err(PublishError::Full { waiting: self.waiting.len() });
        }
        let number = self.waiting.last_key_value().map_or(0, |(number, _)| number + 1);
        self.insert(number, message);
        Ok(())
    }

    /// Gives back what was sent and not acknowledged, oldest first: it goes to the front. A message
    /// is dropped where a newer one on its topic waits already.
    pub fn give_back(&mut self, messages: VecDeque<Waiting>) {
        for message in messages.into_iter().rev() {
            let replaced = message.outgoing.class == Class::Replace
                && self.replaceable.contains_key(&message.outgoing.topic);
            if !replaced {
                let number = self.waiting.first_key_value().map_or(0, |(number, _)| number - 1);
                self.insert(number, message);
            }
        }
    }

    /// The next message that `ready` lets pass; those whose time is over are dropped on the way.
    pub fn pop(&mut self, now: Instant, ready: impl Fn(&Waiting) -> bool) -> Option<Waiting> {
        loop {
            let (&number, first) = self.waiting.first_key_value()?;
            let over = first.is_over(now);
            if !over && !ready(first) {
                return None;
            }
            let message = self.remove(number)?;
            if !over {
                return Some(message);
            }
            tracing::debug!(topic = message.outgoing.topic, "dropped: it waited for too long");
        }
    }

    /// Whether none waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// How many wait.
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    fn insert(&mut self, number: i64, message: Waiting) {
        match message.outgoing.class {
            Class::Keep => {
                self.kept += 1;
                self.kept_bytes += message.outgoing.payload.len();
            }
            Class::Replace => {
                self.replaceable.insert(message.outgoing.topic.clone(), number);
            }
        }
        self.waiting.insert(number, message);
    }

    fn remove(&mut self, number: i64) -> Option<Waiting> {
        let message = self.waiting.remove(&number)?;
        match message.outgoing.class {
            Class::Keep => {
                self.kept -= 1;
                self.kept_bytes -= message.outgoing.payload.len();
            }
            Class::Replace => {
                self.replaceable.remove(&message.outgoing.topic);
            }
        }
        Some(message)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn message(topic: &str, payload: &str, class: Class, now: Instant) -> Waiting {
        let outgoing = Outgoing {
            topic: topic.to_owned(),
            payload: payload.as_bytes().to_vec(),
            retained: false,
            expiry: None,
            class,
        };
        Waiting::new(outgoing, now)
    }

    fn all(queue: &mut Queue, now: Instant) -> Vec<String> {
        std::iter::from_fn(|| queue.pop(now, |_| true))
            .map(|m| {
                format!("{}={}", m.outgoing.topic, String::from_utf8_lossy(&m.outgoing.payload))
            })
            .collect()
    }

    #[test]
    fn newer_orders_replace_older_ones_and_events_do_not() {
        let now = Instant::now();
        let mut queue = Queue::default();
        for (topic, payload, class) in [
            ("state", "1", Class::Replace),
            ("event", "a", Class::Keep),
            ("state", "2", Class::Replace),
            ("event", "b", Class::Keep),
            ("switch", "ON", Class::Replace),
        ] {
            queue.push(message(topic, payload, class, now)).unwrap();
        }
        assert_eq!(all(&mut queue, now), ["state=2", "event=a", "event=b", "switch=ON"]);
        assert!(queue.is_empty());
    }

    #[test]
    fn what_comes_back_goes_first_unless_it_is_out_of_date() {
        let now = Instant::now();
        let mut queue = Queue::default();
        queue.push(message("state", "3", Class::Replace, now)).unwrap();
        queue.push(message("event", "c", Class::Keep, now)).unwrap();
        queue.give_back(VecDeque::from([
            message("event", "a", Class::Keep, now),
            message("state", "2", Class::Replace, now),
            message("event", "b", Class::Keep, now),
        ]));
        assert_eq!(all(&mut queue, now), ["event=a", "event=b", "state=3", "event=c"]);
    }

    #[test]
    fn a_message_whose_time_is_over_is_not_sent() {
        let now = Instant::now();
        let mut queue = Queue::default();
        let mut short = message("switch", "ON", Class::Replace, now);
        short.outgoing.expiry = Some(Span::from_secs(180));
        queue.push(short).unwrap();
        queue.push(message("event", "a", Class::Keep, now)).unwrap();
        assert_eq!(all(&mut queue, now + Duration::from_secs(180)), ["event=a"]);
        let mut short = message("switch", "ON", Class::Replace, now);
        short.outgoing.expiry = Some(Span::from_secs(180));
        assert_eq!(short.left(now + Duration::from_secs(100)), Some(Duration::from_secs(80)));
        queue.push(short).unwrap();
        assert_eq!(all(&mut queue, now + Duration::from_secs(179)), ["switch=ON"]);
    }

    #[test]
    fn the_queue_is_bounded_on_both_classes() {
        let now = Instant::now();
        let mut queue = Queue::default();
        for _ in 0..KEPT_MAX {
            queue.push(message("event", "", Class::Keep, now)).unwrap();
        }
        let full = queue.push(message("event", "", Class::Keep, now));
        assert_eq!(full, Err(PublishError::Full { waiting: KEPT_MAX }));
        queue.push(message("state", "", Class::Replace, now)).unwrap();
        let mut queue = Queue::default();
        let large = "x".repeat(KEPT_BYTES_MAX / 2);
        queue.push(message("event", &large, Class::Keep, now)).unwrap();
        queue.push(message("event", &large, Class::Keep, now)).unwrap();
        assert!(queue.push(message("event", "x", Class::Keep, now)).is_err());
        let mut queue = Queue::default();
        for number in 0..REPLACED_MAX {
            queue.push(message(&number.to_string(), "", Class::Replace, now)).unwrap();
        }
        assert!(queue.push(message("one more", "", Class::Replace, now)).is_err());
        queue.push(message("7", "newer", Class::Replace, now)).unwrap();
    }

    proptest! {
        #[test]
        fn events_come_out_once_in_order_and_the_last_state_wins(
            steps in prop::collection::vec((0usize..4, any::<bool>(), any::<bool>()), 0..60)
        ) {
            let now = Instant::now();
            let mut queue = Queue::default();
            let mut events = Vec::new();
            let mut newest = BTreeMap::new();
            let mut sent_events = Vec::new();
            let mut sent_states = BTreeMap::new();
            for (number, (topic, keep, pop)) in steps.into_iter().enumerate() {
                let class = if keep { Class::Keep } else { Class::Replace };
                let name = format!("{topic}");
                queue.push(message(&name, &number.to_string(), class, now)).unwrap();
                if keep { events.push(number.to_string()); } else {
                    newest.insert(name, number.to_string());
                }
                if pop && let Some(first) = queue.pop(now, |_| true) {
                    if number % 3 == 0 {
                        queue.give_back(VecDeque::from([first]));
                    } else {
                        note(first, &mut sent_events, &mut sent_states);
                    }
                }
            }
            while let Some(next) = queue.pop(now, |_| true) {
                note(next, &mut sent_events, &mut sent_states);
            }
            prop_assert_eq!(sent_events, events);
            prop_assert_eq!(sent_states, newest);
        }
    }

    fn note(message: Waiting, events: &mut Vec<String>, states: &mut BTreeMap<String, String>) {
        let text = String::from_utf8(message.outgoing.payload).unwrap();
        match message.outgoing.class {
            Class::Keep => events.push(text),
            Class::Replace => {
                states.insert(message.outgoing.topic, text);
            }
        }
    }
}
