//! `[[tell]]`: events for a person, by HTTP POST or by a program.
//!
//! Each receiver has a queue and a task of its own, so that neither a slow one nor a dead one holds
//! up the engine or another receiver. A message is tried until it is taken, with longer and longer
//! waits; the store remembers how far each receiver has been told, and a start goes on from there.
//! So an event is told at least once; after a crash perhaps twice, with the same `seq`.

mod queue;
mod way;

use crate::link::backoff::{self, Backoff};
use crate::store::{Filter, History, Limit, StoreError};
use engine::{Kind, Record};
use quantity::Stamp;
use queue::Queue;
use schedule::config::{Tell, TellWay};
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinSet;
use tokio::time::Instant;
use way::{Undelivered, Way};

/// At a start, at most so many events that were not yet told are read from the store.
const CATCH_UP_MAX: u32 = 5000;
/// At an orderly end, receivers that answer are given this long.
const FAREWELL: Duration = Duration::from_secs(3);

/// How fast one receiver is told.
#[derive(Debug, Clone, Copy)]
struct Pace {
    /// So many messages at once …
    burst: usize,
    /// … and one more each time this has passed; what waits meanwhile goes into one.
    refill: Duration,
    /// What cannot wait is not sooner than this after the last message.
    urgent: Duration,
    /// Waits after a failure, from the first to the longest.
    retry: (Duration, Duration),
}

impl Default for Pace {
    fn default() -> Self {
        Pace {
            burst: 10,
            refill: Duration::from_secs(120),
            urgent: Duration::from_secs(10),
            retry: (Duration::from_secs(2), Duration::from_secs(900)),
        }
    }
}

/// All receivers.
#[derive(Debug, Default)]
pub struct Tells {
    receivers: Vec<Receiver>,
    tasks: JoinSet<()>,
}

#[derive(Debug)]
struct Receiver {
    kinds: Vec<Kind>,
    shared: Arc<Shared>,
    standing: Standing,
}

#[derive(Debug)]
struct Shared {
    queue: Mutex<Queue>,
    wake: Notify,
}

/// What a receiver's task found out, for the daemon.
#[derive(Debug)]
pub struct FromTell {
    /// Which receiver, as they stand in the configuration.
    number: usize,
    /// What is known of it in the store.
    key: String,
    news: News,
}

#[derive(Debug)]
enum News {
    /// It has everything up to this number.
    Told(u64),
    /// It cannot be told.
    Failing(String),
}

/// How a receiver stands, on `P/tell`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// Which it is; without path or arguments, which may hold a secret.
    pub to: String,
    /// Since when it cannot be told; null while it can.
    pub failing_since: Option<String>,
    /// Why.
    pub problem: Option<String>,
}

/// How far each receiver was told: read at a start, kept while running.
pub trait Ledger {
    /// The number of the last record that the receiver of this key was told.
    ///
    /// # Errors
    /// Where it cannot be read.
    fn told(&self, key: &str) -> Result<Option<u64>, StoreError>;

    /// Keeps that number.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn note_told(&mut self, key: &str, seq: u64) -> Result<(), StoreError>;

    /// Forgets all receivers but these.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn keep_told(&mut self, keys: &[String]) -> Result<(), StoreError>;
}

impl Tells {
    /// Starts a task for each receiver. What it was not told before the last end is to be given by
    /// [`Tells::catch_up`]; one that is new begins after the record `newest`.
    pub fn start(
        tells: &[Tell],
        folder: &Path,
        ledger: &mut impl Ledger,
        newest: u64,
    ) -> (Tells, mpsc::Receiver<FromTell>) {
        Self::start_at(tells, folder, ledger, newest, Pace::default())
    }

    fn start_at(
        tells: &[Tell],
        folder: &Path,
        ledger: &mut impl Ledger,
        newest: u64,
        pace: Pace,
    ) -> (Tells, mpsc::Receiver<FromTell>) {
        let (sink, news) = mpsc::channel(64);
        let mut all = Tells::default();
        let keys = keys(tells);
        for (number, (tell, key)) in tells.iter().zip(&keys).enumerate() {
            let told = ledger.told(key).unwrap_or_else(|error| {
                tracing::error!(%error, "how far a receiver was told cannot be read");
                None
            });
            if told.is_none() {
                note(ledger, key, newest);
            }
            let way = Way::new(&tell.way, folder);
            let shared = Arc::new(Shared {
                queue: Mutex::new(Queue::after(told.unwrap_or(newest))),
                wake: Notify::new(),
            });
            all.receivers.push(Receiver {
                kinds: kinds(tell),
                shared: shared.clone(),
                standing: Standing { to: way.name.clone(), failing_since: None, problem: None },
            });
            let teller = Teller { number, key: key.clone(), way, shared, pace, sink: sink.clone() };
            all.tasks.spawn(teller.run());
        }
        if let Err(error) = ledger.keep_told(&keys) {
            tracing::error!(%error, "former receivers of events cannot be forgotten");
        }
        (all, news)
    }

    /// Gives each receiver what it was not told before the last end.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub fn catch_up(&self, history: &History<'_>) -> Result<(), StoreError> {
        for receiver in &self.receivers {
            let filter = Filter {
                after_seq: Some(receiver.shared.queue().newest()),
                kinds: receiver.kinds.clone(),
                limit: Limit::Last(CATCH_UP_MAX),
                ..Filter::default()
            };
            for record in history.records(&filter)? {
                receiver.offer(&record);
            }
        }
        Ok(())
    }

    /// Gives a record to all who want to be told of its kind. Never waits; a second time changes
    /// nothing.
    pub fn offer(&self, record: &Record) {
        self.receivers.iter().for_each(|receiver| receiver.offer(record));
    }

    /// Takes what a receiver's task found out; true where a receiver stands otherwise now.
    pub fn hear(&mut self, news: &FromTell, ledger: &mut impl Ledger, wall: Stamp) -> bool {
        let Some(receiver) = self.receivers.get_mut(news.number) else { return false };
        let before = receiver.standing.clone();
        match &news.news {
            News::Told(seq) => {
                note(ledger, &news.key, *seq);
                receiver.standing.failing_since = None;
                receiver.standing.problem = None;
            }
            News::Failing(problem) => {
                receiver.standing.failing_since.get_or_insert_with(|| wall.rfc3339());
                receiver.standing.problem = Some(problem.clone());
            }
        }
        receiver.standing != before
    }

    /// How all receivers stand, in the order of the configuration.
    pub fn standings(&self) -> Vec<&Standing> {
        self.receivers.iter().map(|receiver| &receiver.standing).collect()
    }

    /// An orderly end: receivers that answer get what waits, for a short while.
    pub async fn end(mut self, news: &mut mpsc::Receiver<FromTell>, ledger: &mut impl Ledger) {
        let until = Instant::now() + FAREWELL;
        while self.receivers.iter().any(Receiver::is_owed) {
            let Ok(Some(heard)) = tokio::time::timeout_at(until, news.recv()).await else { break };
            // The time of a failure is of no more interest.
            self.hear(&heard, ledger, Stamp::from_millis(0));
        }
        self.tasks.shutdown().await;
        // What was told while the tasks were cut.
        while let Ok(heard) = news.try_recv() {
            self.hear(&heard, ledger, Stamp::from_millis(0));
        }
    }
}

impl Receiver {
    fn offer(&self, record: &Record) {
        if self.kinds.contains(&record.kind) {
            self.shared.queue().push(record.clone());
            self.shared.wake.notify_one();
        }
    }

    /// Whether something waits for it that it would take.
    fn is_owed(&self) -> bool {
        self.standing.problem.is_none() && !self.shared.queue().is_empty()
    }
}

impl Shared {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        // A queue has no state between two of its own that a panic could leave.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The task of one receiver.
struct Teller {
    number: usize,
    key: String,
    way: Way,
    shared: Arc<Shared>,
    pace: Pace,
    sink: mpsc::Sender<FromTell>,
}

impl Teller {
    async fn run(self) {
        let mut budget = Budget::new(self.pace);
        let (least, most) = self.pace.retry;
        let mut retry = Backoff::new(least, most, &self.key);
        let mut failing: Option<Instant> = None;
        loop {
            let message = self.message(&mut budget).await;
            let (name, why, wait) = match self.way.deliver(&message.body).await {
                Ok(()) => {
                    if let Some(since) = failing.take() {
                        let for_s = since.elapsed().as_secs();
                        tracing::info!(to = %self.way.name, for_s, "can be told of events again");
                    }
                    retry.reset();
                    self.taken(message.last_seq, &mut budget).await;
                    continue;
                }
                Err(Undelivered::Never { why }) => {
                    let to = &self.way.name;
                    tracing::error!(%to, seq = message.last_seq, %why, "does not want an event");
                    self.taken(message.last_seq, &mut budget).await;
                    continue;
                }
                Err(Undelivered::Later { why, wait }) => (&self.way.name, why, wait),
            };
            if failing.is_none() {
                failing = Some(Instant::now());
                tracing::error!(
                    to = %name, problem = %why,
                    "cannot be told of events; they are kept, and it is tried for as long as it \
                     takes. Look at `[[tell]]` in the configuration and at the receiver"
                );
            }
            self.say(News::Failing(why)).await;
            tokio::time::sleep(retry.wait().max(wait.unwrap_or_default())).await;
        }
    }

    /// Waits until there is a message that may be sent.
    async fn message(&self, budget: &mut Budget) -> queue::Message {
        loop {
            let woken = self.shared.wake.notified();
            let now = Instant::now();
            let (message, urgent) = {
                let queue = self.shared.queue();
                let allowed = budget.allowed(now, queue.is_urgent());
                let message = if allowed == 0 { None } else { queue.next(allowed) };
                (message, queue.is_urgent())
            };
            if let Some(message) = message {
                return message;
            }
            let until = budget.next(urgent);
            tokio::select! {
                () = woken => {}
                () = tokio::time::sleep_until(until), if !self.shared.queue().is_empty() => {}
            }
        }
    }

    async fn taken(&self, seq: u64, budget: &mut Budget) {
        budget.spend(Instant::now());
        self.shared.queue().told(seq);
        self.say(News::Told(seq)).await;
    }

    async fn say(&self, news: News) {
        let heard = FromTell { number: self.number, key: self.key.clone(), news };
        // Nobody hears it where the daemon ends.
        let _ = self.sink.send(heard).await;
    }
}

/// How many messages may be sent: a bucket that fills with time.
#[derive(Debug)]
struct Budget {
    pace: Pace,
    left: usize,
    /// Since when the bucket fills.
    since: Instant,
    last: Option<Instant>,
}

impl Budget {
    fn new(pace: Pace) -> Self {
        Budget { pace, left: pace.burst, since: Instant::now(), last: None }
    }

    /// How many may be sent now; what is urgent may borrow.
    fn allowed(&mut self, now: Instant, urgent: bool) -> usize {
        while self.left < self.pace.burst && now >= self.since + self.pace.refill {
            self.left += 1;
            self.since += self.pace.refill;
        }
        let rested = self.last.is_none_or(|last| now >= last + self.pace.urgent);
        self.left.max(usize::from(urgent && rested))
    }

    fn spend(&mut self, now: Instant) {
        if self.left == self.pace.burst {
            self.since = now;
        }
        self.left = self.left.saturating_sub(1);
        self.last = Some(now);
    }

    /// When the next may be sent at the latest, where none may now.
    fn next(&self, urgent: bool) -> Instant {
        let filled = self.since + self.pace.refill;
        match self.last {
            Some(last) if urgent => filled.min(last + self.pace.urgent),
            _ => filled,
        }
    }
}

fn note(ledger: &mut impl Ledger, key: &str, seq: u64) {
    if let Err(error) = ledger.note_told(key, seq) {
        tracing::error!(%error, "how far a receiver was told cannot be kept: it may hear twice");
    }
}

fn kinds(tell: &Tell) -> Vec<Kind> {
    let wanted = |kind: &&Kind| tell.events.iter().any(|name| name == kind.as_str());
    Kind::ALL.iter().filter(wanted).copied().collect()
}

/// What each receiver is known by in the store: nothing that could be read back, as its address may
/// hold a secret. Another address or other events are another receiver.
fn keys(tells: &[Tell]) -> Vec<String> {
    let mut keys: Vec<String> = Vec::new();
    for tell in tells {
        let words = match &tell.way {
            TellWay::Url(url) => vec!["url", url],
            TellWay::Run(words) => {
                [vec!["run"], words.iter().map(String::as_str).collect()].concat()
            }
        };
        let mut text = words.join("\u{1f}");
        let mut events: Vec<&str> = tell.events.iter().map(String::as_str).collect();
        events.sort_unstable();
        text.push_str(&events.join(" "));
        let key =
            (0..).map(|twin| format!("told {:016x}", backoff::hash(&format!("{text}{twin}"))));
        // Two that are alike are told apart by their order.
        keys.extend(key.into_iter().find(|key| !keys.contains(key)));
    }
    keys
}

#[cfg(test)]
mod tests;
