//! `run`: the engine between the link and the store.
//!
//! One loop, one thread: an input is handled, kept with the records that it caused, and only then
//! published. Orders to outputs do not wait for a store that fails.

use crate::clock::Clock;
use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::homie::{self, Homie};
use crate::link::decode::Routes;
use crate::link::topics::Topics;
use crate::link::{
    Class, FromLink, Link, LinkHandle, Message, Outgoing, Post, Presence, Response, SwitchTopic,
};
use crate::page::{Page, Present};
use crate::store::{Filter, Limit, Store, StoreError};
use crate::tell::{FromTell, Tells};
use crate::throttle::{self, Throttle, Verdict};
use engine::view::State as View;
use engine::{
    Command, CoolerDrive, Drive, Effect, Engine, Input, Now, OutputKind, Record, Reply,
    STATE_VERSION, State,
};
use quantity::{Span, Stamp, Temperature};
use schedule::Name;
use schedule::config;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::net::SocketAddr;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::Receiver;

/// The engine is told the time this often; all of these ticks are kept for recovery.
const TICK: Duration = Duration::from_secs(10);
/// The same in the vessels' time.
const ENGINE_TICK: Span = Span::from_secs(10);
/// The engine's state is written this often.
const SNAPSHOT_EVERY: Span = Span::from_hours(1);
/// A vessel's state is published again at least this often.
const STATE_EVERY: Span = Span::from_secs(60);
/// So many events that were kept but perhaps not published before a crash are published at a start.
const REPUBLISHED: u32 = 1000;

/// What a snapshot holds.
#[derive(Serialize, Deserialize)]
struct Saved {
    engine: State,
    /// The last event that the broker had.
    published: u64,
}

/// A store that was opened, and the engine as it was.
pub struct Opened {
    store: Store,
    engine: Engine,
    published: u64,
    tells: Tells,
}

/// The daemon without its sockets: what it is told by [`Daemon::tick`] and [`Daemon::hear`] it
/// decides, keeps and gives to `P`, at once. So a simulation can drive it as the loop does.
pub struct Daemon<P> {
    cellar: Cellar,
    engine: Engine,
    store: Store,
    link: P,
    routes: Routes,
    topics: Topics,
    clock: Clock,
    /// The time of the last input.
    last: Now,
    /// What is to be kept and told, oldest first; empty whenever the daemon waits.
    handled: VecDeque<Handled>,
    /// Events that wait for the disk, oldest first.
    unpublished: VecDeque<Record>,
    published: u64,
    /// Who is told of events besides.
    tells: Tells,
    /// How the vessels describe themselves, where they do.
    homie: Option<Homie>,
    /// Alarms that the broker holds as retained messages.
    alarms: BTreeMap<Name, BTreeSet<String>>,
    states: BTreeMap<Name, Stamp>,
    store_problem: Option<String>,
    snapshot_at: Stamp,
    throttle: Throttle,
}

/// An input that the engine has handled: its orders are given, the rest is to follow.
struct Handled {
    now: Now,
    input: Input,
    records: Vec<Record>,
    replies: Vec<Reply>,
    response: Option<Response>,
}

/// Where a daemon can be reached, once it can.
#[derive(Debug, Clone, Copy)]
pub struct Listening {
    /// The embedded broker, where it is configured.
    pub broker: Option<SocketAddr>,
    /// The page, where it is configured.
    pub page: Option<SocketAddr>,
}

/// Runs the daemon until it is told to end.
///
/// # Errors
/// Where the store, the link or a file cannot be used at the start.
pub async fn run(cellar: Cellar) -> Result<(), Failure> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let told_to_end = async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    };
    run_until(cellar, Clock::machine(), |_| {}, told_to_end).await
}

/// Runs the daemon by a clock until `told_to_end` is over; `listening` is told where it can be
/// reached.
///
/// # Errors
/// As [`run`].
pub async fn run_until(
    cellar: Cellar,
    clock: Clock,
    listening: impl FnOnce(Listening),
    told_to_end: impl Future<Output = ()>,
) -> Result<(), Failure> {
    let mut opened = Opened::of(&cellar)?;
    let mut from_tells = opened.start_tells(&cellar);
    let topics = Routes::of(&cellar.config).topics();
    let mut relays = switches(&cellar);
    if matches!(clock, Clock::Invented(_)) {
        // Simulated relays rest by their own time, which the engine keeps; true time is far slower.
        relays.iter_mut().for_each(|relay| relay.rest = Span::ZERO);
    }
    let presence = homie(&cellar).map(|homie| Presence {
        topic: homie.daemon_state(),
        here: homie::READY,
        gone: homie::GONE,
        lost: homie::LOST,
    });
    let (link, mut from_link) =
        Link::start_present(&cellar.config.link, &cellar.folder, topics, relays, presence)
            .await
            .map_err(|error| crate::ask::link_failure(&error))?;
    let mut page = Page::start(&cellar).await?;
    listening(Listening { broker: link.broker_address(), page: page.as_ref().map(Page::address) });
    let mut daemon = Daemon::new(cellar, opened, link, clock);
    daemon.show_on(page.as_mut());
    tokio::select! {
        ended = daemon.turn(&mut from_link, &mut from_tells, page.as_mut()) => ended?,
        () = told_to_end => {}
    }
    daemon.give(Input::Stopping);
    // The outputs' off leaves first.
    tokio::task::yield_now().await;
    daemon.close();
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    let Daemon { link, tells, mut store, .. } = daemon;
    tokio::join!(link.stop(), tells.end(&mut from_tells, &mut store));
    Ok(())
}

impl Opened {
    /// Opens the store that the configuration names, and brings the engine to where it was.
    ///
    /// # Errors
    /// Where the store cannot be opened, or was written by another version.
    pub fn of(cellar: &Cellar) -> Result<Self, Failure> {
        let path = cellar.path(&cellar.config.store.file);
        // Before the tables are brought up: the program that can go on must still know them.
        if let Some(other) = crate::store::state_version(&path).filter(|it| *it != STATE_VERSION) {
            return Err(other_version(other));
        }
        let (mut store, recovered) =
            Store::open(&path, cellar.config.store.keep).map_err(|error| store_failure(&error))?;
        let (engine, published) =
            recover(cellar, &mut store, recovered.snapshot.as_ref(), recovered.next_seq)?;
        Ok(Opened { store, engine, published, tells: Tells::default() })
    }

    /// The engine as it was.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// Starts to tell of events whom the configuration names.
    fn start_tells(&mut self, cellar: &Cellar) -> Receiver<FromTell> {
        let newest = self.store.seq_on_disk();
        let (tell, folder) = (&cellar.config.tell, &cellar.folder);
        let (tells, news) = Tells::start(tell, folder, &mut self.store, newest);
        self.tells = tells;
        news
    }
}

/// How the vessels describe themselves, where they do.
fn homie(cellar: &Cellar) -> Option<Homie> {
    let config = &cellar.config;
    let base = config.link.describe_at.as_ref()?;
    Some(Homie::new(base, &config.link.topics, config.show))
}

impl Daemon<LinkHandle> {
    async fn turn(
        &mut self,
        from_link: &mut Receiver<FromLink>,
        from_tells: &mut Receiver<FromTell>,
        mut page: Option<&mut Page>,
    ) -> Result<(), Failure> {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let mut ticked = false;
            let behind = page.as_deref().and_then(Page::is_due).map(Into::into);
            tokio::select! {
                () = tokio::time::sleep_until(behind.unwrap_or_else(tokio::time::Instant::now)),
                    if behind.is_some() => {}
                _ = tick.tick() => {
                    self.give(Input::Tick);
                    ticked = true;
                    let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
                }
                Some(news) = from_tells.recv() => {
                    let wall = self.now().wall;
                    if self.tells.hear(&news, &mut self.store, wall) {
                        self.tell_tells();
                    }
                }
                news = from_link.recv() => match news {
                    Some(news) => {
                        // The daemon is up and safe without a broker, and says so by its alarm.
                        let ready = matches!(news, FromLink::Up { .. } | FromLink::Down { .. });
                        self.take(news);
                        if ready {
                            let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
                        }
                    }
                    None => {
                        let why = "the link ended by itself";
                        return Err(Failure::new(Status::Unavailable, why));
                    }
                },
            }
            // The link sends the orders first.
            tokio::task::yield_now().await;
            self.follow_up();
            if ticked {
                self.refresh();
            }
            self.show_on(page.as_deref_mut());
        }
    }

    /// Leaves how the vessels stand to the page, which nobody waits for.
    fn show_on(&self, page: Option<&mut Page>) {
        if let Some(page) = page {
            let seq = self.store.seq_on_disk();
            page.show(|| Present::of(&self.engine, self.store.points_waiting(), seq));
        }
    }
}

impl<P: Post> Daemon<P> {
    /// A daemon that begins: it says again what was perhaps not said, and keeps that it began.
    pub fn new(cellar: Cellar, opened: Opened, link: P, clock: Clock) -> Self {
        let Opened { store, engine, published, tells } = opened;
        let mut daemon = Daemon {
            alarms: engine.vessels().map(|name| (name.clone(), alarms(&engine, name))).collect(),
            routes: Routes::of(&cellar.config),
            topics: Topics::new(cellar.config.link.topics.as_str()),
            homie: homie(&cellar),
            cellar,
            engine,
            store,
            link,
            last: clock.now(),
            clock,
            handled: VecDeque::new(),
            unpublished: VecDeque::new(),
            published,
            tells,
            states: BTreeMap::new(),
            store_problem: None,
            snapshot_at: Stamp::from_millis(0),
            throttle: Throttle::default(),
        };
        daemon.republish();
        daemon.give(Input::Started { version: env!("CARGO_PKG_VERSION").to_owned() });
        daemon.follow_up();
        daemon.snapshot();
        daemon
    }

    /// The engine as it stands.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// The store.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Where it publishes.
    pub fn link(&self) -> &P {
        &self.link
    }

    /// Time passed; due every 10 s.
    pub fn tick(&mut self) {
        self.give(Input::Tick);
        self.follow_up();
        self.refresh();
    }

    fn now(&self) -> Now {
        self.clock.now()
    }

    /// Ticks that were missed, where time went on by more than one: the engine never leaps.
    fn catch_up(&mut self, now: Now) {
        let passed = now.monotonic.since(self.last.monotonic);
        let wall_passed = Span::from_millis(now.wall.millis_after(self.last.wall));
        if passed != wall_passed {
            // The wall clock was set meanwhile: the step is told with the input itself.
            return;
        }
        while now.monotonic.since(self.last.monotonic) > ENGINE_TICK {
            let next = Now {
                monotonic: self.last.monotonic + ENGINE_TICK,
                wall: self.last.wall + ENGINE_TICK,
            };
            self.handle(next, Input::Tick, None);
        }
    }

    /// The link has something to tell.
    pub fn hear(&mut self, news: FromLink) {
        self.take(news);
        self.follow_up();
    }

    fn take(&mut self, news: FromLink) {
        match news {
            FromLink::Up { version, refused } => {
                tracing::info!(?version, "connected to the broker");
                for topic in refused {
                    tracing::error!(%topic, "the broker does not let us hear this topic");
                }
                self.give(Input::Link { up: true });
                self.tell_everything();
            }
            FromLink::Down { reason, hint } => {
                tracing::warn!(%reason, %hint, "the broker is away");
                self.give(Input::Link { up: false });
            }
            FromLink::Message(message) => self.hear_message(&message),
            FromLink::Oversize { topic, size_bytes } => {
                for input in self.routes.oversize(&topic, size_bytes) {
                    if self.may_be_heard(&topic, &input) {
                        self.give(input);
                    }
                }
            }
            FromLink::Published { mark } => self.published = self.published.max(mark),
            FromLink::Refused { topic, reason } => {
                tracing::error!(%topic, %reason, "the broker does not take a message");
            }
            FromLink::Switch { topic, problem: Some(problem) } => {
                tracing::warn!(%topic, %problem, "a switch's connection is down");
            }
            FromLink::Switch { topic, problem: None } => {
                tracing::debug!(%topic, "a switch's connection is up");
            }
        }
    }

    /// Whether a topic has not brought too much already; told once an hour where it has.
    fn may_be_heard(&mut self, topic: &str, input: &Input) -> bool {
        let kind = match input {
            Input::Unreadable { .. } => throttle::Kind::Garbage,
            Input::Reading(_) | Input::Seen { .. } => throttle::Kind::Reading,
            _ => return true,
        };
        match self.throttle.lets(topic, kind, self.now().monotonic) {
            Verdict::Heard => true,
            Verdict::Dropped => false,
            Verdict::Told(before) => {
                tracing::error!(topic, ?kind, before, "a topic brings far too much: it is cut");
                false
            }
        }
    }

    fn hear_message(&mut self, message: &Message) {
        let decoded = catch_unwind(AssertUnwindSafe(|| {
            self.routes.decode(&message.topic, &message.payload, message.retained)
        }));
        let inputs = decoded.unwrap_or_else(|_| {
            // A fault of ours; one device's message must not take all outputs along.
            tracing::error!(topic = message.topic, "the program failed in reading a message");
            Vec::new()
        });
        for mut input in inputs {
            if !self.may_be_heard(&message.topic, &input) {
                continue;
            }
            if let Input::Command(command) = &mut input {
                let pitched = self.engine.schedule_file(&command.vessel).map(str::to_owned);
                self.cellar.load_files_of(command, pitched.as_deref());
                self.add_history(command);
            }
            self.give_from(input, message.response.clone());
        }
        self.clock.note_handled();
    }

    /// A pitch in the past gets the readings that were kept since.
    fn add_history(&mut self, input: &mut engine::CommandInput) {
        let Ok(Command::Pitch(pitch)) = &input.command else { return };
        let Some(at) = pitch.at else { return };
        let now = self.now();
        let readings = self
            .store
            .history(now)
            .and_then(|history| history.readings(&input.vessel, None, at, now.wall));
        match readings {
            Ok(readings) => input.history = readings,
            Err(error) => tracing::error!(%error, "the readings since the pitch cannot be read"),
        }
    }

    fn give(&mut self, input: Input) {
        self.give_from(input, None);
    }

    fn give_from(&mut self, input: Input, response: Option<Response>) {
        let now = self.now();
        if !matches!(input, Input::Started { .. }) {
            self.catch_up(now);
        }
        self.handle(now, input, response);
    }

    /// Lets the engine decide and gives the orders: an output waits for no disk, which may be slow,
    /// and for nothing that is only told.
    fn handle(&mut self, now: Now, input: Input, response: Option<Response>) {
        self.last = now;
        let (mut records, mut replies) = (Vec::new(), Vec::new());
        for effect in self.engine.handle(now, input.clone()) {
            match effect {
                Effect::Record(record) => records.push(record),
                Effect::Point(point) => self.store.take_points([point]),
                Effect::Cool(drive) => self.cool(&drive, now.wall),
                Effect::Drive(drive) => self.drive(&drive, now.wall),
                Effect::Reply(reply) => replies.push(reply),
            }
        }
        self.handled.push_back(Handled { now, input, records, replies, response });
    }

    /// Keeps what was handled, and tells of it.
    fn follow_up(&mut self) {
        while let Some(handled) = self.handled.pop_front() {
            let Handled { now, input, records, replies, response } = handled;
            let kept = self.store.take(now, &input, &records);
            if kept.is_err() {
                // While nothing can be written a person is to hear of it at once, not afterwards.
                records.iter().for_each(|record| self.tells.offer(record));
            }
            self.tell(records);
            for reply in &replies {
                self.reply(reply, response.as_ref());
            }
            self.note_store(kept.as_ref().err());
        }
    }

    /// Tells of records, where they are on disk, and how those stand of whom they are.
    fn tell(&mut self, records: Vec<Record>) {
        // Of whom there is news: all, where a record is the daemon's own.
        let news: Option<BTreeSet<Name>> =
            records.iter().map(|record| record.vessel.clone()).collect();
        for record in &records {
            let vessel = record.vessel.as_ref().map(Name::as_str);
            tracing::info!(kind = record.kind.as_str(), vessel, "{}", record.text);
        }
        self.unpublished.extend(records);
        self.publish_events();
        match news {
            Some(names) => self.tell_states_of(names),
            None => self.tell_states(),
        }
    }

    /// Tells the engine when the store begins or ceases to fail.
    fn note_store(&mut self, error: Option<&StoreError>) {
        let problem = match error {
            Some(error) => Some(error.to_string()),
            None if self.store.is_failing() => return,
            None => None,
        };
        if problem.is_some() == self.store_problem.is_some() {
            return;
        }
        if let Some(problem) = &problem {
            tracing::error!(%problem, "records cannot be written");
        }
        self.store_problem.clone_from(&problem);
        self.give(Input::Store { problem });
    }

    fn publish_events(&mut self) {
        let on_disk = self.store.seq_on_disk();
        while self.unpublished.front().is_some_and(|record| record.seq <= on_disk) {
            let Some(record) = self.unpublished.pop_front() else { return };
            self.publish_event(&record);
            self.tells.offer(&record);
        }
    }

    fn publish_event(&self, record: &Record) {
        let topic = match &record.vessel {
            Some(vessel) => self.topics.event(vessel),
            None => format!("{}/event", self.topics.prefix()),
        };
        let outgoing = Outgoing {
            topic,
            payload: text(record).into_bytes(),
            retained: false,
            expiry: None,
            class: Class::Keep,
        };
        let published = self.link.publish_marked(outgoing, record.seq);
        self.complain(published);
    }

    /// Events that were on disk and perhaps not published when the last process ended.
    fn republish(&mut self) {
        let filter = Filter {
            after_seq: Some(self.published),
            limit: Limit::Last(REPUBLISHED),
            ..Filter::default()
        };
        let now = self.now();
        let history = self.store.history(now);
        let records = history.and_then(|history| {
            self.tells.catch_up(&history)?;
            history.records(&filter)
        });
        match records {
            Ok(records) => records.iter().for_each(|record| self.publish_event(record)),
            Err(error) => {
                tracing::error!(%error, "events cannot be read for publishing them again");
            }
        }
    }

    fn drive(&self, drive: &Drive, wall: Stamp) {
        if let Some(on) = drive.switch
            && let Some(output) = self.output(&drive.vessel, drive.output)
        {
            let topic = switch_topic(output, &self.topics, &drive.vessel, drive.output);
            self.switch(topic, output, on, drive.valid_for);
        }
        if let Some(setpoint) = drive.setpoint {
            let topic = self.topics.setpoint(&drive.vessel, drive.output);
            self.set(topic, setpoint, wall, drive.valid_for);
        }
    }

    fn cool(&self, drive: &CoolerDrive, wall: Stamp) {
        let Some(cooler) = self.cellar.config.coolers.get(&drive.cooler) else { return };
        if let Some(on) = drive.switch {
            let topic = cooler_topic(&cooler.output, &self.topics, &drive.cooler);
            self.switch(topic, &cooler.output, on, drive.valid_for);
        }
        if let Some(setpoint) = drive.setpoint {
            let topic = self.topics.cooler_setpoint(&drive.cooler);
            self.set(topic, setpoint, wall, drive.valid_for);
        }
    }

    /// Publishes a relay's order.
    fn switch(&self, topic: String, output: &config::Output, on: bool, valid_for: Span) {
        let payload = if on { &output.on } else { &output.off };
        let published = self.link.publish(Outgoing {
            topic,
            payload: payload.clone().into_bytes(),
            retained: false,
            expiry: Some(valid_for),
            class: Class::Replace,
        });
        self.complain(published);
    }

    /// Publishes a thermostat's setpoint.
    fn set(&self, topic: String, setpoint: Option<Temperature>, wall: Stamp, valid_for: Span) {
        let payload = json!({
            "setpoint_c": setpoint.map(Temperature::celsius),
            "valid_until": (wall + valid_for).rfc3339(),
        });
        let published = self.link.publish(Outgoing {
            topic,
            payload: payload.to_string().into_bytes(),
            retained: true,
            expiry: Some(valid_for),
            class: Class::Replace,
        });
        self.complain(published);
    }

    fn output(&self, vessel: &Name, kind: OutputKind) -> Option<&config::Output> {
        let vessel = self.cellar.config.vessels.get(vessel)?;
        match kind {
            OutputKind::Heater => vessel.heater.as_ref(),
            OutputKind::Chiller => vessel.chiller.as_ref(),
        }
    }

    fn reply(&self, reply: &Reply, response: Option<&Response>) {
        let payload = json!({ "id": reply.id, "ok": reply.ok, "text": reply.text }).to_string();
        let published = self.link.publish(Outgoing {
            topic: self.topics.reply(&reply.vessel),
            payload: payload.clone().into_bytes(),
            retained: false,
            expiry: Some(Span::from_mins(1)),
            class: Class::Keep,
        });
        self.complain(published);
        if let Some(response) = response {
            self.complain(self.link.respond(response, payload.into_bytes()));
        }
    }

    /// The broker may have forgotten everything that was retained.
    fn tell_everything(&mut self) {
        self.tell_tells();
        if let Some(homie) = &mut self.homie {
            let said = homie.describe(&self.cellar.config.vessels);
            self.describe(said);
        }
        self.tell_states();
        for name in self.engine.vessels() {
            if let Some(state) = self.engine.view(name) {
                for alarm in &state.alarms {
                    self.tell_alarm(&state, name, &alarm.id);
                }
            }
        }
        let wall = self.now().wall;
        for drive in self.engine.orders() {
            self.drive(&drive, wall);
        }
        for drive in self.engine.cooler_orders() {
            self.cool(&drive, wall);
        }
    }

    fn tell_states(&mut self) {
        let names: Vec<Name> = self.engine.vessels().cloned().collect();
        self.tell_states_of(names);
        self.spread_states();
    }

    /// What was told all at once is told again one after the other, each sooner than it need be:
    /// a thousand at one instant would hold up what comes in.
    fn spread_states(&mut self) {
        let (now, count) = (self.now().monotonic, self.states.len() as i64);
        for (place, told) in (0..).zip(self.states.values_mut()) {
            *told = now - Span::from_millis(STATE_EVERY.millis() * place / count);
        }
    }

    /// Publishes how these vessels stand, and the alarms that are new or over.
    fn tell_states_of(&mut self, names: impl IntoIterator<Item = Name>) {
        for name in names {
            let Some(state) = self.tell_state(&name) else { continue };
            let standing: BTreeSet<String> =
                state.alarms.iter().map(|alarm| alarm.id.clone()).collect();
            let before = self.alarms.insert(name.clone(), standing.clone()).unwrap_or_default();
            for id in before.symmetric_difference(&standing) {
                self.tell_alarm(&state, &name, id);
            }
        }
    }

    fn tell_state(&mut self, name: &Name) -> Option<View> {
        let state = self.engine.view(name)?;
        let published = self.link.publish(Outgoing {
            topic: self.topics.state(name),
            payload: text(&state).into_bytes(),
            retained: true,
            expiry: None,
            class: Class::Replace,
        });
        self.complain(published);
        self.states.insert(name.clone(), self.now().monotonic);
        let vessel = self.cellar.config.vessels.get(name);
        if let (Some(homie), Some(vessel)) = (&mut self.homie, vessel) {
            let news = homie.news(&state, vessel);
            self.describe(news);
        }
        Some(state)
    }

    /// Publishes what vessels say of themselves.
    fn describe(&self, said: Vec<homie::Said>) {
        for (topic, payload) in said {
            let class = Class::Replace;
            let outgoing = Outgoing { topic, payload, retained: true, expiry: None, class };
            self.complain(self.link.publish(outgoing));
        }
    }

    /// Publishes how the receivers of events stand.
    fn tell_tells(&self) {
        let published = self.link.publish(Outgoing {
            topic: self.topics.tell(),
            payload: text(&self.tells.standings()).into_bytes(),
            retained: true,
            expiry: None,
            class: Class::Replace,
        });
        self.complain(published);
    }

    /// Publishes a standing alarm, or clears one that is over.
    fn tell_alarm(&self, state: &View, name: &Name, id: &str) {
        let alarm = state.alarms.iter().find(|alarm| alarm.id == id);
        let payload = alarm.map_or_else(String::new, text);
        let published = self.link.publish(Outgoing {
            topic: self.topics.alarm(name, id),
            payload: payload.into_bytes(),
            retained: true,
            expiry: None,
            class: Class::Replace,
        });
        self.complain(published);
    }

    /// What is due by time: states and the snapshot.
    fn refresh(&mut self) {
        let now = self.now();
        let due =
            |told: Option<&Stamp>| told.is_none_or(|at| now.monotonic.since(*at) >= STATE_EVERY);
        let names = self.engine.vessels().filter(|name| due(self.states.get(*name)));
        let names: Vec<Name> = names.cloned().collect();
        for name in &names {
            self.tell_state(name);
        }
        if names.len() == self.engine.vessels().count() {
            self.spread_states();
        }
        if now.monotonic.since(self.snapshot_at) >= SNAPSHOT_EVERY {
            self.snapshot();
        }
    }

    fn snapshot(&mut self) {
        let now = self.now();
        self.snapshot_at = now.monotonic;
        let saved = SavedRef { engine: self.engine.state(), published: self.published };
        let written = match serde_json::to_string(&saved) {
            Ok(body) => self.store.snapshot(now, STATE_VERSION, &body),
            Err(error) => return tracing::error!(%error, "the engine's state cannot be written"),
        };
        self.note_store(written.as_ref().err());
        self.publish_events();
    }

    /// An orderly end: outputs off, everything kept and published.
    pub fn end(&mut self) {
        self.give(Input::Stopping);
        self.close();
    }

    /// The last that is kept and told.
    fn close(&mut self) {
        self.follow_up();
        self.tell_states();
        if let Some(homie) = &self.homie {
            self.describe(homie.farewell(&self.cellar.config.vessels));
        }
        self.snapshot();
    }

    fn complain(&self, published: Result<(), crate::link::PublishError>) {
        if let Err(error) = published {
            tracing::error!(%error, "a message was not published");
        }
    }
}

/// As [`Saved`], borrowed.
#[derive(Serialize)]
struct SavedRef<'a> {
    engine: &'a State,
    published: u64,
}

/// As JSON, its fields in their own order.
fn text(value: &impl Serialize) -> String {
    // These types have only texts for keys, and no value that JSON does not have.
    serde_json::to_string(value).unwrap_or_default()
}

fn alarms(engine: &Engine, name: &Name) -> BTreeSet<String> {
    let state = engine.view(name);
    state.map(|state| state.alarms.into_iter().map(|alarm| alarm.id).collect()).unwrap_or_default()
}

/// The engine as a snapshot has it; an empty one without.
fn restored(
    cellar: &Cellar,
    snapshot: Option<&crate::store::Snapshot>,
) -> Result<(Engine, u64), Failure> {
    let Some(snapshot) = snapshot else {
        return Ok((Engine::new(cellar.setup()).guarded(), 0));
    };
    if snapshot.version != STATE_VERSION {
        return Err(other_version(snapshot.version));
    }
    let damaged = |problem: &str| {
        Failure::new(Status::Data, format!("the store's state cannot be read: {problem}"))
            .hint("restore the store from a backup")
    };
    let saved: Saved =
        serde_json::from_str(&snapshot.body).map_err(|error| damaged(&error.to_string()))?;
    let engine = Engine::restore(cellar.setup(), saved.engine).guarded();
    if !engine.is_sound() {
        return Err(damaged("it is a state in form only"));
    }
    Ok((engine, saved.published))
}

/// A batch that another version of the program has left off: nothing is guessed of it.
fn other_version(found: u32) -> Failure {
    let (age, hint) = if found > STATE_VERSION {
        ("a newer", "install the newer program again, or put back the backup from before it")
    } else {
        (
            "an older",
            "install the older program again and let its batch end, then upgrade; \
          CHANGELOG.md says more",
        )
    };
    let what = format!(
        "the store's state is of {age} version than this program reads: {found}, not \
         {STATE_VERSION}; nothing was changed, and the outputs stay off"
    );
    Failure::new(Status::Config, what).hint(hint)
}

/// The engine as it was: the newest snapshot that is whole and the inputs after it.
fn recover(
    cellar: &Cellar,
    store: &mut Store,
    snapshot: Option<&crate::store::Snapshot>,
    next_seq: u64,
) -> Result<(Engine, u64), Failure> {
    let older;
    let (mut engine, published, snapshot) = match restored(cellar, snapshot) {
        Ok((engine, published)) => (engine, published, snapshot),
        Err(failure) if failure.status == Status::Data => {
            // The one before it has all its inputs; where there is none, the empty start has.
            tracing::error!(problem = failure.message, "the newest state is damaged");
            older = store.older_snapshot().map_err(|error| store_failure(&error))?;
            let (engine, published) = restored(cellar, older.as_ref())?;
            (engine, published, older.as_ref())
        }
        Err(failure) => return Err(failure),
    };
    let mut points = Vec::new();
    let replayed = store.replay(snapshot, |now, input| {
        let effects = engine.handle(now, input).into_iter();
        points.extend(effects.filter_map(|effect| match effect {
            Effect::Point(point) => Some(point),
            _ => None,
        }));
    });
    let count = replayed.map_err(|error| store_failure(&error))?;
    store.take_points(points);
    if engine.last_seq() + 1 != next_seq {
        tracing::error!(
            engine = engine.last_seq(),
            store = next_seq - 1,
            inputs = count,
            "recovery came to another record than is on disk; numbers go on from the disk's"
        );
        engine.continue_after(next_seq - 1);
    }
    Ok((engine, published))
}

fn store_failure(error: &StoreError) -> Failure {
    Failure::new(Status::Io, error.to_string()).hint(error.hint())
}

/// The relays that the daemon drives.
pub fn switches(cellar: &Cellar) -> Vec<SwitchTopic> {
    let topics = &Topics::new(cellar.config.link.topics.as_str());
    let mut switches = Vec::new();
    for (name, vessel) in &cellar.config.vessels {
        if vessel.rides_with.is_some() {
            continue;
        }
        let outputs =
            [(OutputKind::Heater, &vessel.heater), (OutputKind::Chiller, &vessel.chiller)];
        for (kind, output) in outputs {
            let Some(output) = output.as_ref().filter(|output| !output.out_of_use) else {
                continue;
            };
            if output.drive != config::Drive::Setpoint {
                switches.push(SwitchTopic {
                    topic: switch_topic(output, topics, name, kind),
                    off_payload: output.off.clone().into_bytes(),
                    rest: output.min_off,
                });
            }
        }
    }
    for (name, cooler) in &cellar.config.coolers {
        let output = &cooler.output;
        if output.drive != config::Drive::Setpoint && !output.out_of_use {
            switches.push(SwitchTopic {
                topic: cooler_topic(output, topics, name),
                off_payload: output.off.clone().into_bytes(),
                rest: output.min_off,
            });
        }
    }
    switches
}

fn cooler_topic(output: &config::Output, topics: &Topics, name: &Name) -> String {
    output.topic.clone().unwrap_or_else(|| topics.cooler_switch(name))
}

fn switch_topic(output: &config::Output, topics: &Topics, name: &Name, kind: OutputKind) -> String {
    output.topic.clone().unwrap_or_else(|| topics.switch(name, kind))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A broker that nobody hears.
    struct Mute;

    impl Post for Mute {
        fn give(&self, _: crate::link::Waiting) -> Result<(), crate::link::PublishError> {
            Ok(())
        }
    }

    #[test]
    fn a_killed_daemon_goes_on_with_its_course() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("schedules")).unwrap();
        let schedule = "format = 1\nname = 'a'\n[expect]\noriginal_gravity = '12 P'\n\
                        final_gravity = '3 P'\n[[stage]]\nname = 'a'\ntarget = '18 C'\n\
                        until = { elapsed = '9 d' }\n";
        std::fs::write(folder.path().join("schedules/ale.toml"), schedule).unwrap();
        let file = folder.path().join("barmkeep.toml");
        let config = "format = 1\n[store]\nfile = 'a.db'\n[vessel.north]\nvolume = '23 L'\n\
                      coldest = '0 C'\nwarmest = '26 C'\n[vessel.north.beer]\ntopic = 'b'\n\
                      read = { unit = 'C' }\nevery = '10 s'\n";
        std::fs::write(&file, config).unwrap();
        let cellar = Cellar::read(&file).unwrap();
        let begin = 1_772_323_200_000;
        let clock = std::sync::Arc::new(crate::clock::Invented::at(Stamp::from_millis(begin)));
        let start = || {
            let opened = Opened::of(&cellar).unwrap();
            Daemon::new(cellar.clone(), opened, Mute, Clock::Invented(clock.clone()))
        };
        let mut daemon = start();
        let message = |topic: &str, payload: &str| {
            let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
            FromLink::Message(Message { topic, payload, retained: false, response: None })
        };
        daemon.hear(message("b", "18.0"));
        let pitch = r#"{"do": "pitch", "id": "1", "schedule": "ale"}"#;
        daemon.hear(message("barmkeep/north/command", pitch));
        // Six hours in steps of 10 s; killed every 37 min, and a snapshot each hour.
        for step in 1..=2160 {
            clock.set(Stamp::from_millis(begin + step * 10_000));
            if step % 222 == 0 {
                drop(daemon);
                daemon = start();
            }
            daemon.hear(message("b", if step % 2 == 0 { "18.0" } else { "18.1" }));
            daemon.tick();
        }
        daemon.snapshot();
        let now = daemon.now();
        let course = daemon.store.history(now).unwrap().course("north-1").unwrap();
        let quarters: Vec<i64> =
            course.iter().map(|point| (point.at.millis() - begin) / 900_000).collect();
        assert_eq!(quarters, (1..=24).collect::<Vec<i64>>());
        assert!(course.iter().all(|point| point.beer_c.is_some()), "{course:?}");
    }

    /// A broker that notes where something was said.
    #[derive(Default)]
    struct Noting(std::cell::RefCell<Vec<String>>);

    impl Post for Noting {
        fn give(&self, waiting: crate::link::Waiting) -> Result<(), crate::link::PublishError> {
            self.0.borrow_mut().push(waiting.outgoing.topic);
            Ok(())
        }
    }

    type Invented = std::sync::Arc<crate::clock::Invented>;

    /// A daemon of three vessels, its folder, and its clock.
    fn of_three(begin: Stamp) -> (Daemon<Noting>, tempfile::TempDir, Invented) {
        daemon_of(&["east", "north", "west"], "", begin)
    }

    /// A daemon of these vessels, each with more keys.
    fn daemon_of(
        vessels: &[&str],
        more: &str,
        begin: Stamp,
    ) -> (Daemon<Noting>, tempfile::TempDir, Invented) {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("barmkeep.toml");
        let mut config = "format = 1\n[store]\nfile = 'a.db'\n".to_owned();
        for name in vessels {
            config += &format!(
                "[vessel.{name}]\nvolume = '23 L'\ncoldest = '0 C'\nwarmest = '26 C'\n{more}"
            );
        }
        std::fs::write(&file, config).unwrap();
        let cellar = Cellar::read(&file).unwrap();
        let clock = std::sync::Arc::new(crate::clock::Invented::at(begin));
        let opened = Opened::of(&cellar).unwrap();
        let given = Clock::Invented(clock.clone());
        (Daemon::new(cellar, opened, Noting::default(), given), folder, clock)
    }

    /// The topics of the states that were told since the last time this was asked.
    fn states(daemon: &Daemon<Noting>) -> Vec<String> {
        let said = daemon.link().0.take();
        said.into_iter().filter(|topic| topic.ends_with("/state")).collect()
    }

    #[test]
    fn an_order_leaves_before_the_disk_and_all_that_is_told() {
        let begin = Stamp::from_millis(1_772_323_200_000);
        let more = "chiller.drive = 'setpoint'\nbeer = { topic = 'b', read = { unit = 'C' }, \
                    every = '10 s' }\n";
        let (mut daemon, _folder, clock) = daemon_of(&["north"], more, begin);
        let message = |topic: &str, payload: &str| {
            let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
            FromLink::Message(Message { topic, payload, retained: false, response: None })
        };
        daemon.hear(message("b", "18.0"));
        daemon.link().0.take();
        let on_disk = daemon.store().seq_on_disk();
        clock.set(begin + Span::from_secs(5));
        let park = r#"{"do": "park", "id": "1", "target": "18 C"}"#;
        daemon.take(message("barmkeep/north/command", park));
        assert_eq!(daemon.link().0.take(), ["barmkeep/north/chiller/setpoint"]);
        assert_eq!(daemon.store().seq_on_disk(), on_disk);
        daemon.follow_up();
        assert!(daemon.store().seq_on_disk() > on_disk);
        let said = daemon.link().0.take();
        let place = |what: &str| said.iter().position(|topic| topic == what);
        let (event, reply) = (place("barmkeep/north/event"), place("barmkeep/north/reply"));
        assert!(event.is_some() && event < reply, "{said:?}");
    }

    #[test]
    fn news_of_one_vessel_has_no_other_told_again() {
        let begin = Stamp::from_millis(1_772_323_200_000);
        let (mut daemon, _folder, clock) = of_three(begin);
        // A record of the daemon's own concerns all.
        let all = ["east", "north", "west"].map(|name| format!("barmkeep/{name}/state"));
        assert_eq!(states(&daemon), all);
        clock.set(begin + Span::from_secs(5));
        let note = br#"{"do": "note", "id": "1", "text": "cleaned"}"#.to_vec();
        let topic = "barmkeep/north/command".to_owned();
        let message = Message { topic, payload: note, retained: false, response: None };
        daemon.hear(FromLink::Message(message));
        assert_eq!(states(&daemon), ["barmkeep/north/state"]);
    }

    #[test]
    fn what_is_decided_on_a_failing_store_is_said_after_what_was_decided_before() {
        let begin = Stamp::from_millis(1_772_323_200_000);
        let (mut daemon, folder, clock) = of_three(begin);
        let store = rusqlite::Connection::open(folder.path().join("a.db")).unwrap();
        let full = "CREATE TRIGGER full BEFORE INSERT ON record BEGIN \
                    SELECT RAISE(ABORT, 'the disk is full'); END;";
        store.execute_batch(full).unwrap();
        daemon.link().0.take();
        clock.set(begin + Span::from_secs(5));
        let note = br#"{"do": "note", "id": "1", "text": "cleaned"}"#.to_vec();
        let topic = "barmkeep/north/command".to_owned();
        let message = Message { topic, payload: note, retained: false, response: None };
        daemon.hear(FromLink::Message(message));
        assert!(daemon.store().is_failing());
        let said = daemon.link().0.take();
        let place = |what: &str| said.iter().position(|topic| topic.ends_with(what));
        let (reply, alarm) = (place("north/reply"), place("north/alarm/store-failing"));
        assert!(reply.is_some() && reply < alarm, "{said:?}");
    }

    #[test]
    fn states_are_told_each_minute_and_not_all_at_once() {
        let begin = Stamp::from_millis(1_772_323_200_000);
        let (mut daemon, _folder, clock) = of_three(begin);
        daemon.tell_everything();
        states(&daemon);
        let mut told: BTreeMap<String, i64> = BTreeMap::new();
        for second in 1..=600 {
            clock.set(begin + Span::from_secs(second));
            daemon.tick();
            let now = states(&daemon);
            assert!(now.len() < 2, "after {second} s: {now:?}");
            for topic in now {
                let before = told.insert(topic, second).unwrap_or(0);
                assert!(second - before <= 60, "after {second} s and {before} s");
            }
        }
        assert!(told.len() == 3 && told.values().all(|second| *second > 540), "{told:?}");
    }
}
