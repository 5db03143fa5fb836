//! The link as the daemon holds it: a handle that never blocks, and a channel of what comes in.

use super::access::{Access, Login, Password};
use super::backoff;
use super::broker::Broker;
use super::carrier::{Carrier, Mailbox, Role};
use super::error::LinkError;
use super::plan::{Own, Plan};
use super::queue::{Class, Outgoing, PAYLOAD_OUT_BYTES_MAX, PublishError, Waiting};
use super::session::{Identity, Version, Will};
use super::topics::{self, Topics};
use quantity::Span;
use schedule::config;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{Semaphore, mpsc, watch};
use tokio::task::JoinSet;

/// How many things from the link wait for the daemon at most; then the link stops reading, and the
/// broker waits.
pub const FROM_LINK_MAX: usize = 256;
/// How many switches' connections are made at once.
const TURNS: usize = 32;
/// How long a reply is worth anything.
const REPLY_LIFE: Span = Span::from_secs(60);

/// What the link has to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FromLink {
    /// The broker cannot be reached, or is lost. Told again only when the reason changes.
    Down {
        /// Why, in a sentence.
        reason: String,
        /// The next step for a person; may be empty.
        hint: String,
    },
    /// A message.
    Message(Message),
    /// A message that is too large to be read.
    Oversize {
        /// Where it came in.
        topic: String,
        /// How large it is.
        size_bytes: usize,
    },
    /// The broker has the message that was published with this mark.
    Published {
        /// The mark.
        mark: u64,
    },
    /// The broker does not take a message; it is gone.
    Refused {
        /// Where it should have gone.
        topic: String,
        /// Why not, in a sentence.
        reason: String,
    },
    /// A switch's own connection came up, or cannot.
    Switch {
        /// The switch's topic.
        topic: String,
        /// Why it is down; `None`: it is up.
        problem: Option<String>,
    },
    /// The broker is there and has acknowledged the subscriptions. Everything that is retained,
    /// and every output, is to be published again: the broker may have forgotten it.
    Up {
        /// The version of MQTT that is spoken.
        version: Version,
        /// Topics that the broker does not let us hear.
        refused: Vec<String>,
    },
}

/// A message as it came in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Its topic.
    pub topic: String,
    /// Its content.
    pub payload: Vec<u8>,
    /// Whether the broker had kept it: it may be of any age.
    pub retained: bool,
    /// Where an answer is wanted (MQTT 5).
    pub response: Option<Response>,
}

/// Where an answer is wanted, and by what the asker will know it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Response {
    /// The topic of the answer.
    pub topic: String,
    /// Given back unchanged.
    pub correlation: Option<Vec<u8>>,
}

/// A relay's topic; it gets a connection of its own, whose last will is `off_payload`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SwitchTopic {
    /// Its topic.
    pub topic: String,
    /// What switches it off.
    pub off_payload: Vec<u8>,
    /// The output's `min_off`: after a lost connection, when the broker has said the will, nothing
    /// but `off_payload` is published for this long.
    pub rest: Span,
}

/// The link's timing.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pace {
    /// How often the broker hears from us; after one and a half of it without a word from us it
    /// says our will, and we give it up as well.
    pub keep_alive: Duration,
    /// How long a connection may take to be made.
    pub connect: Duration,
    /// The first wait after a failure.
    pub backoff_least: Duration,
    /// The longest wait after failures.
    pub backoff: Duration,
    /// How long the last words may take at an orderly end.
    pub drain: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Pace {
            keep_alive: Duration::from_secs(20),
            connect: Duration::from_secs(10),
            backoff_least: Duration::from_secs(1),
            backoff: Duration::from_secs(60),
            drain: Duration::from_secs(3),
        }
    }
}

/// The way to start a link.
pub struct Link;

/// Holds the link; when it is dropped without [`LinkHandle::stop`], the connections are cut and the
/// broker says the last wills.
pub struct LinkHandle {
    mailbox: Arc<Mailbox>,
    switches: BTreeMap<String, Arc<Mailbox>>,
    stop_switches: watch::Sender<bool>,
    stop_main: watch::Sender<bool>,
    switch_tasks: JoinSet<()>,
    main_task: JoinSet<()>,
    broker: Option<Broker>,
    drain: Duration,
}

/// A topic that says whether the daemon is there, retained; it gets a connection of its own, since
/// a connection has one last will.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Presence {
    /// Its topic.
    pub topic: String,
    /// Said while it is there.
    pub here: &'static str,
    /// Said at an orderly end.
    pub gone: &'static str,
    /// The last will.
    pub lost: &'static str,
}

impl Link {
    /// Starts the daemon's link: subscribes to `topics` at each connection, says `online` when that
    /// is acknowledged, and holds a connection for each switch. Starts the embedded broker where
    /// the configuration says so. Files of the configuration lie relative to `folder`.
    ///
    /// Returns at once: an absent broker shows as [`FromLink::Down`], and is tried for ever.
    ///
    /// # Errors
    /// Where a file of the configuration cannot be used, a topic is none, or the embedded broker
    /// cannot listen.
    pub async fn start(
        config: &config::Link,
        folder: &Path,
        topics: Vec<String>,
        switches: Vec<SwitchTopic>,
    ) -> Result<(LinkHandle, mpsc::Receiver<FromLink>), LinkError> {
        Self::start_at(config, folder, topics, switches, Pace::default()).await
    }

    /// The same, and says on a topic besides whether the daemon is there.
    ///
    /// # Errors
    /// As [`Link::start`].
    pub async fn start_present(
        config: &config::Link,
        folder: &Path,
        topics: Vec<String>,
        switches: Vec<SwitchTopic>,
        presence: Option<Presence>,
    ) -> Result<(LinkHandle, mpsc::Receiver<FromLink>), LinkError> {
        Self::start_with(config, folder, topics, switches, presence, Pace::default()).await
    }

    /// Starts a link for a person's command line: without a will, a status or switches, and
    /// without an embedded broker, which is the running daemon's. `name` tells it from others.
    ///
    /// # Errors
    /// As [`Link::start`].
    pub fn visit(
        config: &config::Link,
        folder: &Path,
        name: &str,
        topics: Vec<String>,
    ) -> Result<(LinkHandle, mpsc::Receiver<FromLink>), LinkError> {
        check(topics.iter())?;
        let access = Arc::new(Access::new(&config.broker, folder)?);
        let client_id = format!("barmkeep-{}-{}", id_part(&config.topics), id_part(name));
        let parts = Parts::new(config, access, topics, &[], Pace::default());
        let identity = Identity { client_id, will: None };
        Ok(parts.start(identity, Role::Visitor, Vec::new(), None, None))
    }

    pub(super) async fn start_at(
        config: &config::Link,
        folder: &Path,
        topics: Vec<String>,
        switches: Vec<SwitchTopic>,
        pace: Pace,
    ) -> Result<(LinkHandle, mpsc::Receiver<FromLink>), LinkError> {
        Self::start_with(config, folder, topics, switches, None, pace).await
    }

    async fn start_with(
        config: &config::Link,
        folder: &Path,
        topics: Vec<String>,
        switches: Vec<SwitchTopic>,
        presence: Option<Presence>,
        pace: Pace,
    ) -> Result<(LinkHandle, mpsc::Receiver<FromLink>), LinkError> {
        check(presence.iter().map(|presence| &presence.topic))?;
        check(topics.iter().chain(switches.iter().map(|switch| &switch.topic)))?;
        // Two connections under one client id would push each other out for ever.
        let mut driven = BTreeSet::new();
        if let Some(twice) = switches.iter().find(|switch| !driven.insert(&switch.topic)) {
            let problem = format!("`{}` drives two outputs: one topic drives one", twice.topic);
            return Err(LinkError::Topic(problem));
        }
        let mut access = Access::new(&config.broker, folder)?;
        let broker = match &config.broker {
            config::Broker::Embedded { listen, tls, users_file, .. } => {
                let users_file = users_file.as_ref().map(|file| folder.join(file));
                let broker = Broker::start(Plan {
                    listen,
                    tls: tls.as_ref(),
                    folder: folder.to_owned(),
                    users_file: users_file.as_deref(),
                    reserved: &daemon_id(&config.topics),
                    own: own(config, driven),
                })
                .await?;
                let inside = broker.inside();
                (access.host, access.port) = (inside.ip().to_string(), inside.port());
                let (username, password) = broker.own_login();
                access.login = Some(Login { username, password: Password::Known(password) });
                Some(broker)
            }
            config::Broker::Outside { .. } => None,
        };
        let own = Topics::new(config.topics.as_str());
        let will = Will { topic: own.status(), payload: b"offline".to_vec(), retained: true };
        let identity = Identity { client_id: daemon_id(&config.topics), will: Some(will) };
        let role = Role::Daemon { status: own.status(), up: watch::Sender::new(None) };
        let parts = Parts::new(config, Arc::new(access), topics, &switches, pace);
        Ok(parts.start(identity, role, switches, presence, broker))
    }
}

impl LinkHandle {
    /// How many messages wait for the broker.
    pub fn waiting(&self) -> usize {
        self.mailbox.waiting()
            + self.switches.values().map(|mailbox| mailbox.waiting()).sum::<usize>()
    }

    /// Where the embedded broker listens, if there is one.
    pub fn broker_address(&self) -> Option<std::net::SocketAddr> {
        self.broker.as_ref().map(Broker::address)
    }

    /// An orderly end: publishes what waits, then `off` on each switch, then `offline`, and takes
    /// leave; then stops the embedded broker. What cannot be said in a few seconds the broker says
    /// by itself, as our last will. The receiver need not be read meanwhile.
    pub async fn stop(mut self) {
        self.stop_switches.send_replace(true);
        finish(&mut self.switch_tasks, self.drain).await;
        self.stop_main.send_replace(true);
        finish(&mut self.main_task, self.drain).await;
        if let Some(broker) = self.broker.take() {
            broker.stop().await;
        }
    }
}

/// Who takes what is to be published: the link, or what stands for it in a simulation.
pub trait Post {
    /// Takes a message; never waits.
    ///
    /// # Errors
    /// Where the message is too large, its topic is none, or too many wait.
    fn give(&self, waiting: Waiting) -> Result<(), PublishError>;

    /// Gives a message to be published as soon as the broker is there. A message for a switch's
    /// topic goes over the switch's own connection, so that no order goes out unless the broker
    /// holds the will that takes it back.
    ///
    /// # Errors
    /// As [`Post::give`].
    fn publish(&self, outgoing: Outgoing) -> Result<(), PublishError> {
        self.give(Waiting::new(outgoing, Instant::now()))
    }

    /// As [`Post::publish`], and tells by [`FromLink::Published`] when the broker has it: after a
    /// crash, what was not yet published is published from the store.
    ///
    /// # Errors
    /// As [`Post::give`].
    fn publish_marked(&self, outgoing: Outgoing, mark: u64) -> Result<(), PublishError> {
        let waiting = Waiting::new(outgoing, Instant::now());
        self.give(Waiting { mark: Some(mark), ..waiting })
    }

    /// Answers where an answer is wanted.
    ///
    /// # Errors
    /// As [`Post::give`].
    fn respond(&self, response: &Response, payload: Vec<u8>) -> Result<(), PublishError> {
        let outgoing = Outgoing {
            topic: response.topic.clone(),
            payload,
            retained: false,
            expiry: Some(REPLY_LIFE),
            class: Class::Keep,
        };
        let waiting = Waiting::new(outgoing, Instant::now());
        self.give(Waiting { correlation: response.correlation.clone(), ..waiting })
    }
}

/// What keeps a message from being taken at all, whoever carries it.
///
/// # Errors
/// Where the topic is none, or the message is too large.
pub fn acceptable(outgoing: &Outgoing) -> Result<(), PublishError> {
    if let Some(problem) = topics::problem(&outgoing.topic) {
        return Err(PublishError::Topic(problem));
    }
    if outgoing.payload.len() > PAYLOAD_OUT_BYTES_MAX {
        return Err(PublishError::TooLarge {
            topic: outgoing.topic.clone(),
            size_bytes: outgoing.payload.len(),
        });
    }
    Ok(())
}

impl Post for LinkHandle {
    fn give(&self, waiting: Waiting) -> Result<(), PublishError> {
        acceptable(&waiting.outgoing)?;
        self.switches.get(&waiting.outgoing.topic).unwrap_or(&self.mailbox).push(waiting)
    }
}

/// What all connections of a link have in common.
struct Parts {
    access: Arc<Access>,
    topics: Topics,
    filters: Arc<[String]>,
    guarded: Arc<BTreeSet<String>>,
    pace: Pace,
}

impl Parts {
    fn new(
        config: &config::Link,
        access: Arc<Access>,
        filters: Vec<String>,
        switches: &[SwitchTopic],
        pace: Pace,
    ) -> Self {
        let filters: BTreeSet<String> = filters.into_iter().collect();
        let driven = switches.iter().map(|switch| switch.topic.clone());
        Parts {
            access,
            topics: Topics::new(config.topics.as_str()),
            guarded: Arc::new(filters.iter().cloned().chain(driven).collect()),
            filters: filters.into_iter().collect(),
            pace,
        }
    }

    fn start(
        self,
        identity: Identity,
        role: Role,
        switches: Vec<SwitchTopic>,
        presence: Option<Presence>,
        broker: Option<Broker>,
    ) -> (LinkHandle, mpsc::Receiver<FromLink>) {
        let (sink, receiver) = mpsc::channel(FROM_LINK_MAX);
        let up = match &role {
            Role::Daemon { up, .. } => up.subscribe(),
            _ => watch::Sender::new(None).subscribe(),
        };
        let stop_main = watch::Sender::new(false);
        let carrier = Carrier {
            access: self.access,
            identity,
            role,
            pace: self.pace,
            topics: self.topics,
            filters: self.filters,
            guarded: self.guarded,
            mailbox: Arc::default(),
            sink,
            stop: stop_main.subscribe(),
        };
        let mut handle = LinkHandle {
            mailbox: carrier.mailbox.clone(),
            switches: BTreeMap::new(),
            stop_switches: watch::Sender::new(false),
            stop_main,
            switch_tasks: JoinSet::new(),
            main_task: JoinSet::new(),
            broker,
            drain: self.pace.drain,
        };
        let turn = Arc::new(Semaphore::new(TURNS));
        for switch in switches {
            handle.start_switch(&carrier, switch, up.clone(), turn.clone());
        }
        if let Some(presence) = presence {
            handle.start_presence(&carrier, presence, up, turn);
        }
        handle.main_task.spawn(carrier.run());
        (handle, receiver)
    }
}

impl LinkHandle {
    fn start_switch(
        &mut self,
        main: &Carrier,
        switch: SwitchTopic,
        up: watch::Receiver<Option<Version>>,
        turn: Arc<Semaphore>,
    ) {
        let SwitchTopic { topic, off_payload: off, rest } = switch;
        let mailbox: Arc<Mailbox> = Arc::default();
        self.switches.insert(topic.clone(), mailbox.clone());
        let will = Will { topic: topic.clone(), payload: off.clone(), retained: false };
        let client_id = format!("{}-{:016x}", main.identity.client_id, backoff::hash(&topic));
        let rest = Duration::from_millis(rest.millis().unsigned_abs());
        let carrier = Carrier {
            identity: Identity { client_id, will: Some(will) },
            role: Role::Switch { topic, off, rest, up, turn },
            filters: Arc::from([]),
            mailbox,
            stop: self.stop_switches.subscribe(),
            ..main.clone()
        };
        self.switch_tasks.spawn(carrier.run());
    }
}

impl LinkHandle {
    fn start_presence(
        &mut self,
        main: &Carrier,
        presence: Presence,
        up: watch::Receiver<Option<Version>>,
        turn: Arc<Semaphore>,
    ) {
        let payload = presence.lost.as_bytes().to_vec();
        let will = Will { topic: presence.topic.clone(), payload, retained: true };
        let client_id = format!("{}-presence", main.identity.client_id);
        let carrier = Carrier {
            identity: Identity { client_id, will: Some(will) },
            role: Role::Presence { presence, up, turn },
            filters: Arc::from([]),
            mailbox: Arc::default(),
            stop: self.stop_switches.subscribe(),
            ..main.clone()
        };
        self.switch_tasks.spawn(carrier.run());
    }
}

/// What nobody but the daemon says at the embedded broker.
fn own(config: &config::Link, driven: BTreeSet<&String>) -> Own {
    Own {
        prefix: config.topics.clone(),
        described: config.describe_at.as_ref().map(|at| format!("{at}/5/{}", config.topics)),
        driven: driven.into_iter().cloned().collect(),
    }
}

/// The client id of the daemon's own connection, and how those of its switches begin; the embedded
/// broker keeps them for it.
fn daemon_id(prefix: &str) -> String {
    format!("barmkeep-daemon-{}", id_part(prefix))
}

/// A text as a part of a client id: some brokers take no other signs.
fn id_part(text: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    text.chars().map(plain).collect()
}

fn check<'a>(mut topics: impl Iterator<Item = &'a String>) -> Result<(), LinkError> {
    topics.find_map(|topic| topics::problem(topic)).map_or(Ok(()), |p| Err(LinkError::Topic(p)))
}

/// Waits for tasks to end by themselves; cuts what has not ended in time.
async fn finish(tasks: &mut JoinSet<()>, drain: Duration) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(drain + Duration::from_secs(1), all).await.is_err() {
        tasks.shutdown().await;
    }
}
