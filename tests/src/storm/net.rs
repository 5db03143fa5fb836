//! The network: the daemon's side of the link with its real queues, and a broker.
//!
//! It keeps to what `barmkeep::link` promises: nothing goes out before the connection stands, an
//! order for a relay goes over the connection whose last will is its `off`, after a lost connection
//! a relay hears nothing but `off` until its rest is over, nor after it went off; what was not
//! acknowledged goes again.

use barmkeep::link::queue::Queue;
use barmkeep::link::{
    FromLink, Message, Outgoing, Post, PublishError, SwitchTopic, Version, Waiting, acceptable,
};
use std::cell::RefCell;
use std::collections::{BTreeMap, VecDeque};
use std::rc::Rc;
use std::time::{Duration, Instant};

/// How many messages are on their way at most, as the link has it.
const WINDOW: usize = 64;

/// What ends a daemon between two effects; unwinds through it as nothing else does.
pub struct Killed;

/// A message that left the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// When, in ms of true time.
    pub at: i64,
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether it is a last will.
    pub will: bool,
}

/// A relay's own connection.
struct Switch {
    queue: Queue,
    off: Vec<u8>,
    rest_ms: i64,
    /// Nothing but `off` before this.
    rest_until: i64,
    connected_before: bool,
    /// It may be on.
    on: bool,
}

/// Both ends of the link.
pub struct Net {
    /// True time, in ms.
    pub now: i64,
    base: Instant,
    main: Queue,
    switches: BTreeMap<String, Switch>,
    /// Whether the daemon's connections stand.
    pub up: bool,
    /// Sent, not yet acknowledged.
    flying: VecDeque<Waiting>,
    /// What the broker keeps.
    pub retained: BTreeMap<String, Vec<u8>>,
    /// What is on its way to the daemon, by the time it comes in.
    inbox: BTreeMap<(i64, u64), FromLink>,
    arrivals: u64,
    /// What left the broker and nobody has looked at yet.
    pub said: Vec<Said>,
    /// What the daemon gave, with the time; nobody has looked at it yet.
    pub given: Vec<(i64, Outgoing)>,
    /// The daemon dies when it has given so many more messages.
    pub dies_after: Option<u32>,
    /// The most that waited at a time.
    pub waited_most: usize,
    /// Messages that the queue did not take.
    pub not_taken: u64,
}

/// The daemon's end.
#[derive(Clone)]
pub struct Pen(pub Rc<RefCell<Net>>);

impl Post for Pen {
    fn give(&self, mut waiting: Waiting) -> Result<(), PublishError> {
        acceptable(&waiting.outgoing)?;
        let mut net = self.0.borrow_mut();
        match &mut net.dies_after {
            Some(0) => {
                drop(net);
                std::panic::resume_unwind(Box::new(Killed));
            }
            Some(left) => *left -= 1,
            None => {}
        }
        let now = net.now;
        waiting.since = net.instant();
        net.given.push((now, waiting.outgoing.clone()));
        let net = &mut *net;
        let queue = net
            .switches
            .get_mut(&waiting.outgoing.topic)
            .map_or(&mut net.main, |switch| &mut switch.queue);
        let taken = queue.push(waiting);
        net.not_taken += u64::from(taken.is_err());
        net.waited_most = net.waited_most.max(net.main.len());
        taken
    }
}

impl Net {
    /// A broker, and nobody connected.
    pub fn new() -> Self {
        Net {
            now: 0,
            base: Instant::now(),
            main: Queue::default(),
            switches: BTreeMap::new(),
            up: false,
            flying: VecDeque::new(),
            retained: BTreeMap::new(),
            inbox: BTreeMap::new(),
            arrivals: 0,
            said: Vec::new(),
            given: Vec::new(),
            dies_after: None,
            waited_most: 0,
            not_taken: 0,
        }
    }

    /// A daemon begins, with these relays.
    pub fn begin(&mut self, switches: Vec<SwitchTopic>) {
        self.main = Queue::default();
        self.flying.clear();
        self.inbox.clear();
        self.dies_after = None;
        let switch = |switch: SwitchTopic| Switch {
            queue: Queue::default(),
            off: switch.off_payload,
            rest_ms: switch.rest.millis(),
            rest_until: 0,
            connected_before: false,
            on: true,
        };
        let named = switches.into_iter().map(|given| (given.topic.clone(), switch(given)));
        self.switches = named.collect();
    }

    /// The connections come to stand; what the broker keeps on `topics` comes first.
    pub fn connect(&mut self, topics: &[String]) {
        self.up = true;
        for switch in self.switches.values_mut() {
            if switch.connected_before {
                switch.rest_until = self.now + switch.rest_ms;
            }
            (switch.connected_before, switch.on) = (true, true);
        }
        self.retained.insert("barmkeep/status".to_owned(), b"online".to_vec());
        self.tell(0, FromLink::Up { version: Version::Five, refused: Vec::new() });
        for topic in topics {
            if let Some(payload) = self.retained.get(topic).cloned() {
                self.arrives(0, topic, payload, true);
            }
        }
    }

    /// The connections are gone. Where the broker lives, it says the wills; a living daemon notices
    /// after `noticed` ms.
    pub fn cut(&mut self, broker_lives: bool, noticed: Option<i64>) {
        if !self.up {
            return;
        }
        self.up = false;
        let flying = std::mem::take(&mut self.flying);
        self.give_back(flying);
        // What was on its way does not come any more.
        self.inbox.retain(|_, news| !matches!(news, FromLink::Message(_)));
        if broker_lives {
            let (now, off) = (self.now, self.switches.iter());
            let wills: Vec<Said> = off
                .map(|(topic, switch)| Said {
                    at: now,
                    topic: topic.clone(),
                    payload: switch.off.clone(),
                    will: true,
                })
                .collect();
            self.said.extend(wills);
            self.retained.insert("barmkeep/status".to_owned(), b"offline".to_vec());
        }
        if let Some(after) = noticed {
            let (reason, hint) = ("the connection is lost".to_owned(), String::new());
            self.tell(after, FromLink::Down { reason, hint });
        }
    }

    /// The daemon's process is gone, and what it had in memory.
    pub fn daemon_died(&mut self) {
        self.cut(true, None);
        self.begin(Vec::new());
    }

    /// A message reaches the daemon's subscription; it comes in after `delay` ms.
    pub fn arrives(&mut self, delay: i64, topic: &str, payload: Vec<u8>, retained: bool) {
        if self.up {
            let topic = topic.to_owned();
            self.tell(
                delay,
                FromLink::Message(Message { topic, payload, retained, response: None }),
            );
        }
    }

    /// The next news for the daemon that is due.
    pub fn next_news(&mut self) -> Option<(i64, FromLink)> {
        let (&(at, _), _) = self.inbox.first_key_value()?;
        if at > self.now {
            return None;
        }
        self.inbox.pop_first().map(|((at, _), news)| (at, news))
    }

    /// Hands over what waits, as the link does; what was sent before is acknowledged.
    pub fn pump(&mut self) {
        if !self.up {
            return;
        }
        for message in std::mem::take(&mut self.flying) {
            if let Some(mark) = message.mark {
                self.tell(0, FromLink::Published { mark });
            }
        }
        let (instant, now) = (self.instant(), self.now);
        let mut sent = Vec::new();
        while sent.len() < WINDOW
            && let Some(message) = self.main.pop(instant, |_| true)
        {
            sent.push(message);
        }
        for switch in self.switches.values_mut() {
            let (resting, off) = (now < switch.rest_until, &switch.off);
            let ready = |message: &Waiting| !resting || message.outgoing.payload == *off;
            let message = switch.queue.pop(instant, ready);
            if let Some(message) = &message {
                let on = message.outgoing.payload != switch.off;
                if switch.on && !on {
                    switch.rest_until = now + switch.rest_ms;
                }
                switch.on = on;
            }
            sent.extend(message);
        }
        for message in sent {
            let outgoing = &message.outgoing;
            if outgoing.retained {
                self.retained.insert(outgoing.topic.clone(), outgoing.payload.clone());
            }
            self.said.push(Said {
                at: now,
                topic: outgoing.topic.clone(),
                payload: outgoing.payload.clone(),
                will: false,
            });
            self.flying.push_back(message);
        }
    }

    /// How many messages wait on the daemon's own connection.
    pub fn waiting(&self) -> usize {
        self.main.len() + self.flying.len()
    }

    fn give_back(&mut self, flying: VecDeque<Waiting>) {
        let mut main = VecDeque::new();
        for message in flying {
            match self.switches.get_mut(&message.outgoing.topic) {
                Some(switch) => switch.queue.give_back(VecDeque::from([message])),
                None => main.push_back(message),
            }
        }
        self.main.give_back(main);
    }

    fn tell(&mut self, delay: i64, news: FromLink) {
        self.arrivals += 1;
        self.inbox.insert((self.now + delay, self.arrivals), news);
    }

    fn instant(&self) -> Instant {
        self.base + Duration::from_millis(self.now.unsigned_abs())
    }
}

impl Default for Net {
    fn default() -> Self {
        Self::new()
    }
}
