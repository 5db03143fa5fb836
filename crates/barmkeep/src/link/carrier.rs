//! Keeps one connection up for as long as the program runs: the daemon's own, one for each switch,
//! or a visitor's. What must be said waits in its mailbox.

use super::access::Access;
use super::backoff::Backoff;
use super::client::{FromLink, Message, Pace, Presence, Response};
use super::fault::Fault;
use super::queue::{Class, Outgoing, PublishError, Queue, Waiting};
use super::session::{self, Identity, Incoming, Occurrence, Pen, Terms, Version, Wire};
use super::topics::{self, Topics};
use super::version::Versions;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::pin::pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{Notify, Semaphore, mpsc, watch};

/// How many messages are on their way without an acknowledgement at most.
const WINDOW: usize = 16;
/// The same on a switch's connection: one, so that orders cannot pass each other.
const WINDOW_OF_SWITCH: usize = 1;
/// A subscription names at most so many filters, of so many bytes: small packets pass everywhere.
const FILTERS_MAX: usize = 64;
const FILTER_BYTES_MAX: usize = 4096;

/// Where messages wait for their connection.
#[derive(Default)]
pub(super) struct Mailbox {
    queue: Mutex<Queue>,
    wake: Notify,
}

impl Mailbox {
    pub fn push(&self, message: Waiting) -> Result<(), PublishError> {
        self.queue().push(message)?;
        self.wake.notify_one();
        Ok(())
    }

    pub fn waiting(&self) -> usize {
        self.queue().len()
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        // The queue is whole between its methods, so a panic elsewhere does not spoil it.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a connection is for.
#[derive(Clone)]
pub(super) enum Role {
    /// The daemon's own: it says `online` when its subscriptions are acknowledged.
    Daemon { status: String, up: watch::Sender<Option<Version>> },
    /// One switch: its last will, and its last word, is `off`.
    Switch {
        topic: String,
        off: Vec<u8>,
        /// After a lost connection the will has been said: nothing but `off` for this long.
        rest: Duration,
        /// It follows the daemon's own connection, and speaks the same version.
        up: watch::Receiver<Option<Version>>,
        /// How many connect at once, or a restarted broker would meet them all together.
        turn: Arc<Semaphore>,
    },
    /// A topic that tells, retained, whether the daemon is there: a word while it is, another after
    /// an orderly end, and a last will.
    Presence { presence: Presence, up: watch::Receiver<Option<Version>>, turn: Arc<Semaphore> },
    /// A person's command line: it leaves no trace.
    Visitor,
}

/// All that keeps one connection up.
#[derive(Clone)]
pub(super) struct Carrier {
    pub access: Arc<Access>,
    pub identity: Identity,
    pub role: Role,
    pub pace: Pace,
    pub topics: Topics,
    pub filters: Arc<[String]>,
    /// Topics that no answer may go to: what is listened to, and what switches.
    pub guarded: Arc<BTreeSet<String>>,
    pub mailbox: Arc<Mailbox>,
    pub sink: mpsc::Sender<FromLink>,
    pub stop: watch::Receiver<bool>,
}

/// How a connection ended.
enum Ended {
    /// The broker, the network or a file failed.
    Failed { fault: Fault, was_up: bool },
    /// We were asked to; the last words are said, or there was no time for them.
    Stopped,
}

impl Carrier {
    /// Keeps the connection up until it is told to stop, whatever happens.
    pub async fn run(self) {
        let mut pace = Backoff::new(self.pace.backoff_least, self.pace.backoff, "panic");
        loop {
            // A library's panic must not leave the program without its link.
            let mut inner = tokio::task::JoinSet::new();
            inner.spawn(self.clone().keep_up());
            match inner.join_next().await {
                Some(Err(error)) if error.is_panic() => {
                    let hint = "please report this with the log around it".to_owned();
                    let reason = "the link's own code failed; it starts again".to_owned();
                    tracing::error!(client = self.identity.client_id, "{reason}");
                    self.tell_down(&reason, &hint).await;
                    let mut stop = self.stop.clone();
                    tokio::select! {
                        () = tokio::time::sleep(pace.wait()) => {}
                        () = stopped(&mut stop) => return,
                    }
                }
                _ => return,
            }
        }
    }

    async fn keep_up(mut self) {
        let mut backoff =
            Backoff::new(self.pace.backoff_least, self.pace.backoff, &self.identity.client_id);
        let mut versions = Versions::new();
        let mut told: Option<String> = None;
        let mut connected_before = false;
        while !*self.stop.borrow() {
            let Some(version) = self.version(&versions).await else { return };
            let began = Instant::now();
            let ended = self.connection(version, &mut versions, connected_before).await;
            let Ended::Failed { fault, was_up } = ended else { return };
            let fault = fault.named(self.access.login.as_ref());
            connected_before |= was_up;
            if was_up {
                told = None;
                if began.elapsed() >= self.pace.backoff {
                    backoff.reset();
                }
            } else if !self.follows() && versions.failed(version, fault.version) {
                continue;
            }
            if told.as_ref() != Some(&fault.reason) {
                let reason = format!("{}: {}", self.access.place(), fault.reason);
                self.tell_down(&reason, &fault.hint).await;
                told = Some(fault.reason);
            }
            tokio::select! {
                () = tokio::time::sleep(backoff.wait()) => {}
                () = stopped(&mut self.stop) => return,
            }
        }
    }

    /// The version to speak; a switch waits until the daemon's own connection is up. `None`: stop.
    async fn version(&mut self, versions: &Versions) -> Option<Version> {
        let (Role::Switch { up, .. } | Role::Presence { up, .. }) = &mut self.role else {
            return Some(versions.choose());
        };
        tokio::select! {
            up = up.wait_for(Option::is_some) => up.ok().and_then(|version| *version),
            () = stopped(&mut self.stop) => None,
        }
    }

    /// Makes one connection and serves it to its end.
    async fn connection(
        &mut self,
        version: Version,
        versions: &mut Versions,
        connected_before: bool,
    ) -> Ended {
        let failed = |fault| Ended::Failed { fault, was_up: false };
        let turn = match &self.role {
            Role::Switch { turn, .. } | Role::Presence { turn, .. } => {
                turn.clone().acquire_owned().await.ok()
            }
            _ => None,
        };
        let chunks = chunks(&self.filters);
        let capacity = self.window() + chunks.len() + 1;
        let opened = session::open(&self.access, &self.identity, version, self.pace, capacity);
        let (pen, mut wire) = match opened {
            Ok(halves) => halves,
            Err(fault) => return failed(fault),
        };
        let first = tokio::select! {
            first = wire.next() => first,
            () = stopped(&mut self.stop) => return Ended::Stopped,
        };
        drop(turn);
        let terms = match first {
            Ok(Occurrence::Connected(terms)) => terms,
            Ok(_) => return failed(Fault::deaf(0)),
            Err(fault) => return failed(fault),
        };
        versions.connected(version);
        let mut live = Live::new(terms, self.window());
        if let (Role::Switch { rest, .. }, true) = (&self.role, connected_before) {
            live.rest_until = Some(Instant::now() + *rest);
        }
        let served = self.serve(&pen, &mut wire, &mut live, version, chunks).await;
        self.mailbox.queue().give_back(live.unacknowledged());
        if let Role::Daemon { up, .. } = &self.role {
            up.send_replace(None);
        }
        match served {
            Ok(()) => Ended::Stopped,
            Err(fault) => Ended::Failed { fault, was_up: live.open },
        }
    }

    async fn serve(
        &mut self,
        pen: &Pen,
        wire: &mut Wire,
        live: &mut Live,
        version: Version,
        chunks: Vec<Vec<String>>,
    ) -> Result<(), Fault> {
        for chunk in chunks {
            // The capacity was chosen so that all of them fit.
            pen.subscribe(&chunk);
            live.subscribing.push_back(chunk);
        }
        if live.subscribing.is_empty() {
            self.open(live, version).await;
        }
        loop {
            let occurrence = {
                let mut next = pin!(wire.next());
                loop {
                    self.pump(pen, live);
                    let deadline = live.deadline(&self.pace);
                    let resting = live.rest_until.is_some();
                    let rest = live.rest_until.unwrap_or(deadline).max(Instant::now());
                    tokio::select! {
                        biased;
                        occurrence = &mut next => break occurrence?,
                        () = stopped(&mut self.stop), if live.drain_until.is_none() => {
                            live.drain_until = Some(Instant::now() + self.pace.drain);
                            self.last_word();
                        }
                        () = self.mailbox.wake.notified() => {}
                        () = tokio::time::sleep_until(rest.into()), if resting => {
                            live.rest_until = None;
                        }
                        () = tokio::time::sleep_until(deadline.into()) => return live.overdue(),
                    }
                }
            };
            live.note_heard(&occurrence);
            match occurrence {
                Occurrence::Disconnected => return Ok(()),
                Occurrence::Message(incoming) => {
                    self.deliver(incoming).await;
                    // The daemon may have let us wait; that is no fault of the broker's.
                    live.heard = Instant::now();
                }
                Occurrence::Acknowledged { number, refused } => {
                    if let Some(message) = live.flying.remove(&number) {
                        self.acknowledged(&message, refused).await;
                    }
                }
                Occurrence::Subscribed { number, granted }
                    if live.note_subscribed(number, &granted) =>
                {
                    self.open(live, version).await;
                }
                _ => {}
            }
        }
    }

    /// The connection is ready for use: nothing is published before.
    async fn open(&self, live: &mut Live, version: Version) {
        live.open = true;
        let refused = std::mem::take(&mut live.refused);
        match &self.role {
            Role::Daemon { status, up } => {
                let online = Waiting::new(retained(status, "online"), Instant::now());
                self.mailbox.queue().give_back(VecDeque::from([online]));
                up.send_replace(Some(version));
                tracing::info!(broker = self.access.place(), %version, "the link is up");
                self.tell(FromLink::Up { version, refused }).await;
            }
            Role::Switch { topic, .. } => {
                self.tell(FromLink::Switch { topic: topic.clone(), problem: None }).await;
            }
            Role::Presence { presence, .. } => {
                let here = Waiting::new(retained(&presence.topic, presence.here), Instant::now());
                self.mailbox.queue().give_back(VecDeque::from([here]));
                let topic = presence.topic.clone();
                self.tell(FromLink::Switch { topic, problem: None }).await;
            }
            Role::Visitor => self.tell(FromLink::Up { version, refused }).await,
        }
    }

    /// Hands over what waits, as far as the window is free. Never waits itself.
    fn pump(&self, pen: &Pen, live: &mut Live) {
        let now = Instant::now();
        while live.open && live.flying.len() + live.handed.len() < live.window {
            let off_only = live.rest_until.is_some_and(|until| now < until);
            let ready = |message: &Waiting| match &self.role {
                Role::Switch { off, .. } => !off_only || message.outgoing.payload == *off,
                _ => true,
            };
            let Some(message) = self.mailbox.queue().pop(now, ready) else { break };
            if message.packet_bytes() > live.terms.packet_bytes_max {
                self.refuse(&message, live.terms.packet_bytes_max);
            } else if pen.publish(&message, now) {
                self.note_switched(&message, live, now);
                live.handed.push_back(message);
            } else {
                // The channel holds a window, so it is never full; a topic that the library does
                // not take was refused when it was given.
                tracing::error!(topic = message.outgoing.topic, "the library refused a message");
            }
        }
        let idle = live.handed.is_empty() && live.flying.is_empty();
        if live.drain_until.is_some() && idle && self.mailbox.queue().is_empty() && !live.farewell {
            live.farewell = pen.disconnect();
        }
    }

    /// A relay that goes off rests by true time: a daemon that was held up for minutes gives the
    /// orders of all that time at once.
    fn note_switched(&self, message: &Waiting, live: &mut Live, now: Instant) {
        let Role::Switch { off, rest, .. } = &self.role else { return };
        let on = message.outgoing.payload != *off;
        if live.on && !on {
            live.rest_until = Some(now + *rest);
        }
        live.on = on;
    }

    /// What is said last before an orderly end.
    fn last_word(&self) {
        let word = match &self.role {
            Role::Daemon { status, .. } => retained(status, "offline"),
            Role::Switch { topic, off, .. } => switch_order(topic, off.clone()),
            Role::Presence { presence, .. } => retained(&presence.topic, presence.gone),
            Role::Visitor => return,
        };
        if let Err(error) = self.mailbox.push(Waiting::new(word, Instant::now())) {
            // Without the farewell the broker says our will, which is the same word.
            tracing::warn!(%error, "the last word could not be queued");
        }
    }

    async fn deliver(&self, incoming: Incoming) {
        let Incoming { topic, payload, retained, response } = incoming;
        if payload.len() > super::decode::PAYLOAD_BYTES_MAX {
            let size_bytes = payload.len();
            return self.tell(FromLink::Oversize { topic, size_bytes }).await;
        }
        let response = response
            .filter(|(topic, _)| {
                let allowed = self.may_answer_to(topic);
                if !allowed {
                    tracing::warn!(topic, "a command asks for its reply where none may go");
                }
                allowed
            })
            .map(|(topic, correlation)| Response { topic, correlation });
        self.tell(FromLink::Message(Message { topic, payload, retained, response })).await;
    }

    /// Whether a reply may go to `topic`: whoever may send commands must not have us switch a relay
    /// or pose as a device.
    fn may_answer_to(&self, topic: &str) -> bool {
        let below =
            topic.strip_prefix(self.topics.prefix()).and_then(|rest| rest.strip_prefix('/'));
        let reply = below.is_some_and(|rest| rest.split('/').nth(1) == Some("reply"));
        topics::problem(topic).is_none()
            && !self.guarded.contains(topic)
            && (reply || !self.topics.is_own(topic))
    }

    async fn acknowledged(&self, message: &Waiting, refused: Option<String>) {
        let topic = message.outgoing.topic.clone();
        if let Some(reason) = refused {
            let reason = format!("the broker does not take the message: {reason}");
            self.tell(FromLink::Refused { topic, reason }).await;
        } else if let Some(mark) = message.mark {
            self.tell(FromLink::Published { mark }).await;
        }
    }

    fn refuse(&self, message: &Waiting, most: usize) {
        let topic = message.outgoing.topic.clone();
        let reason = format!(
            "the message has about {} bytes with its head: the broker takes at most {most}",
            message.packet_bytes()
        );
        tracing::warn!(topic, "{reason}");
        // Where the daemon does not listen just now, the log has it.
        let _unheard = self.sink.try_send(FromLink::Refused { topic, reason });
    }

    async fn tell_down(&self, reason: &str, hint: &str) {
        tracing::debug!(client = self.identity.client_id, reason, "a connection is down");
        let (reason, hint) = (reason.to_owned(), hint.to_owned());
        self.tell(match &self.role {
            Role::Switch { topic, .. } => {
                FromLink::Switch { topic: topic.clone(), problem: Some(reason) }
            }
            Role::Presence { presence, .. } => {
                FromLink::Switch { topic: presence.topic.clone(), problem: Some(reason) }
            }
            _ => FromLink::Down { reason, hint },
        })
        .await;
    }

    /// Tells the daemon; waits while it is busy, but not while it waits for us to stop.
    async fn tell(&self, news: FromLink) {
        let mut stop = self.stop.clone();
        tokio::select! {
            biased;
            _ = self.sink.send(news) => {}
            () = stopped(&mut stop) => {}
        }
    }

    /// Whether it follows the daemon's own connection.
    fn follows(&self) -> bool {
        matches!(self.role, Role::Switch { .. } | Role::Presence { .. })
    }

    fn window(&self) -> usize {
        if self.follows() { WINDOW_OF_SWITCH } else { WINDOW }
    }
}

/// A connection that stands.
struct Live {
    terms: Terms,
    window: usize,
    /// Whether the subscriptions are acknowledged.
    open: bool,
    /// Given to the library, not yet numbered; in order.
    handed: VecDeque<Waiting>,
    /// Sent, not yet acknowledged, by number; with `order` to tell which came first.
    flying: BTreeMap<u16, Waiting>,
    order: Vec<u16>,
    /// Filters whose subscription is not yet numbered; in order.
    subscribing: VecDeque<Vec<String>>,
    /// Filters whose subscription is not yet acknowledged.
    subscribed: BTreeMap<u16, Vec<String>>,
    /// Filters that the broker does not grant.
    refused: Vec<String>,
    began: Instant,
    heard: Instant,
    rest_until: Option<Instant>,
    /// A switch may be on: the last order was not `off`, or nothing was said yet and it may still
    /// do what somebody told it before.
    on: bool,
    drain_until: Option<Instant>,
    farewell: bool,
}

impl Live {
    fn new(terms: Terms, window: usize) -> Self {
        let now = Instant::now();
        Live {
            terms,
            window,
            open: false,
            handed: VecDeque::new(),
            flying: BTreeMap::new(),
            order: Vec::new(),
            subscribing: VecDeque::new(),
            subscribed: BTreeMap::new(),
            refused: Vec::new(),
            began: now,
            heard: now,
            rest_until: None,
            on: true,
            drain_until: None,
            farewell: false,
        }
    }

    /// Keeps account of what went out and in.
    fn note_heard(&mut self, occurrence: &Occurrence) {
        match occurrence {
            Occurrence::Sent { number } => {
                if let Some(message) = self.handed.pop_front() {
                    self.order.retain(|known| self.flying.contains_key(known) && known != number);
                    self.order.push(*number);
                    self.flying.insert(*number, message);
                }
            }
            Occurrence::SentSubscription { number } => {
                if let Some(filters) = self.subscribing.pop_front() {
                    self.subscribed.insert(*number, filters);
                }
            }
            Occurrence::SentOther | Occurrence::Disconnected => {}
            _ => self.heard = Instant::now(),
        }
    }

    /// Notes which filters were granted; true when the last subscription is acknowledged.
    fn note_subscribed(&mut self, number: u16, granted: &[bool]) -> bool {
        let Some(filters) = self.subscribed.remove(&number) else { return false };
        let granted = granted.iter().copied().chain(std::iter::repeat(false));
        let refused = filters.into_iter().zip(granted).filter(|(_, granted)| !granted);
        self.refused.extend(refused.map(|(filter, _)| filter));
        !self.open && self.subscribed.is_empty() && self.subscribing.is_empty()
    }

    /// When this connection counts as lost if nothing happens. A half-open one shows by silence:
    /// the broker answers a ping at each keep-alive.
    fn deadline(&self, pace: &Pace) -> Instant {
        let silent = self.heard + self.terms.keep_alive.mul_f64(1.5);
        let deaf = if self.open { silent } else { self.began + pace.connect };
        self.drain_until.unwrap_or(silent).min(silent).min(deaf)
    }

    /// What it means that the deadline has passed.
    fn overdue(&self) -> Result<(), Fault> {
        if self.drain_until.is_some() {
            // No farewell: the broker shall say our will, since it has not heard our last word.
            Ok(())
        } else if self.open {
            Err(Fault::silent(self.heard.elapsed().as_secs()))
        } else {
            Err(Fault::deaf(self.began.elapsed().as_secs()))
        }
    }

    /// What was given to the library and not acknowledged, oldest first.
    fn unacknowledged(&mut self) -> VecDeque<Waiting> {
        let flying = &mut self.flying;
        let sent = self.order.drain(..).filter_map(|number| flying.remove(&number));
        sent.chain(self.handed.drain(..)).collect()
    }
}

/// An order for a switch, without an end.
pub(super) fn switch_order(topic: &str, payload: Vec<u8>) -> Outgoing {
    let topic = topic.to_owned();
    Outgoing { topic, payload, retained: false, expiry: None, class: Class::Replace }
}

fn retained(topic: &str, word: &str) -> Outgoing {
    Outgoing {
        topic: topic.to_owned(),
        payload: word.as_bytes().to_vec(),
        retained: true,
        expiry: None,
        class: Class::Replace,
    }
}

/// Filters in packets that are small enough.
fn chunks(filters: &[String]) -> Vec<Vec<String>> {
    let mut chunks: Vec<Vec<String>> = Vec::new();
    let mut bytes = 0;
    for filter in filters {
        let fits = chunks.last().is_some_and(|chunk| chunk.len() < FILTERS_MAX)
            && bytes + filter.len() <= FILTER_BYTES_MAX;
        if !fits {
            chunks.push(Vec::new());
            bytes = 0;
        }
        bytes += filter.len();
        if let Some(chunk) = chunks.last_mut() {
            chunk.push(filter.clone());
        }
    }
    chunks
}

/// Returns when the word to stop is given, or nobody is left to give it.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _gone = stop.wait_for(|stop| *stop).await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subscriptions_are_cut_into_small_packets() {
        let filters: Vec<String> = (0..1000).map(|number| format!("cellar/{number}")).collect();
        let cut = chunks(&filters);
        assert!(cut.iter().all(|chunk| chunk.len() <= FILTERS_MAX));
        assert_eq!(cut.concat(), filters);
        let long: Vec<String> = (0..9).map(|n| format!("{n}{}", "x".repeat(2000))).collect();
        assert_eq!(chunks(&long).len(), 5);
        assert!(chunks(&[]).is_empty());
    }
}
