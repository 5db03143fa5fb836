//! What a vessel may touch while it handles one input: the time, its setup, the journal.

use crate::alarm::AlarmBook;
use crate::effect::{Effect, Reply};
use crate::moving::Crossing;
use crate::past::{Lesson, Past};
use crate::record::{Kind, Record};
use crate::setup::VesselSetup;
use crate::time::Clock;
use quantity::{Show, Span, Stamp};
use schedule::Name;
use serde_json::{Map, Value};

/// The journal of one call of the engine: numbers records and collects effects in order.
pub(crate) struct Journal<'a> {
    pub seq: &'a mut u64,
    pub effects: Vec<Effect>,
    /// What was learned from stages that were left.
    pub lessons: Vec<Lesson>,
    /// A batch that goes from one vessel to another.
    pub crossing: Crossing,
}

/// A place in a journal.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mark {
    seq: u64,
    effects: usize,
    lessons: usize,
}

impl<'a> Journal<'a> {
    /// An empty one that numbers records after `seq`.
    pub fn new(seq: &'a mut u64) -> Self {
        Journal { seq, effects: Vec::new(), lessons: Vec::new(), crossing: Crossing::default() }
    }

    /// Where it stands.
    pub fn mark(&self) -> Mark {
        Mark { seq: *self.seq, effects: self.effects.len(), lessons: self.lessons.len() }
    }

    /// What came after the mark has not been.
    pub fn back_to(&mut self, mark: Mark) {
        *self.seq = mark.seq;
        self.effects.truncate(mark.effects);
        self.lessons.truncate(mark.lessons);
        self.crossing = Crossing::default();
    }

    /// Adds a record.
    pub fn record(
        &mut self,
        at: Stamp,
        vessel: Option<&Name>,
        batch: Option<&str>,
        kind: Kind,
        text: String,
        data: Value,
    ) {
        *self.seq += 1;
        let data = match data {
            Value::Object(map) => map,
            Value::Null => Map::new(),
            other => Map::from_iter([("value".to_owned(), other)]),
        };
        self.effects.push(Effect::Record(Record {
            seq: *self.seq,
            at,
            vessel: vessel.cloned(),
            batch: batch.map(str::to_owned),
            kind,
            text,
            data,
        }));
    }
}

/// How the devices are heard: all through one broker.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    /// The broker is away.
    pub down: bool,
    /// When it came back last.
    pub back: Option<Stamp>,
}

impl Link {
    /// Whether the broker explains why a device that must speak within `span` was not heard: it is
    /// away, or has not been back for that long.
    pub fn explains_silence(self, now: Stamp, span: Span) -> bool {
        self.down || self.back.is_some_and(|back| now.since(back) < span)
    }
}

/// What a vessel may touch while it handles one input.
pub(crate) struct Context<'a, 'j> {
    /// Steady time; never falls.
    pub now: Stamp,
    pub clock: &'a Clock,
    pub show: Show,
    pub name: &'a Name,
    pub setup: &'a VesselSetup,
    /// Records cannot be written: no stage changes.
    pub store_failing: bool,
    /// Alarms that all vessels share.
    pub daemon_alarms: &'a AlarmBook,
    /// How its devices are heard.
    pub link: Link,
    /// What past batches did.
    pub past: &'a Past,
    pub journal: &'a mut Journal<'j>,
}

impl Context<'_, '_> {
    /// Adds a record of this vessel.
    pub fn record(&mut self, batch: Option<&str>, kind: Kind, text: String, data: Value) {
        let at = self.clock.wall_of(self.now);
        self.journal.record(at, Some(self.name), batch, kind, text, data);
    }

    /// Answers a command.
    pub fn reply(&mut self, id: Option<String>, ok: bool, text: String) {
        self.journal.effects.push(Effect::Reply(Reply { vessel: self.name.clone(), id, ok, text }));
    }

    /// An instant of steady time as RFC 3339 of the wall clock.
    pub fn wall(&self, steady: Stamp) -> String {
        self.clock.wall_of(steady).rfc3339()
    }

    /// Whether spans cannot be trusted, because the clock is behind what is on record.
    pub fn clock_doubtful(&self) -> bool {
        self.clock.doubtful_until.is_some()
    }
}
