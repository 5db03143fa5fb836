//! Asking the running daemon, through the broker: commands, and how its vessels stand.

use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::link::topics::Topics;
use crate::link::{Class, FromLink, Link, LinkError, LinkHandle, Message, Outgoing, Post};
use crate::tell::Standing;
use engine::view::State;
use schedule::Name;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::time::{Duration, SystemTime};
use tokio::sync::mpsc::Receiver;

/// A broker on the same network answers within this time.
const CONNECT: Duration = Duration::from_secs(8);
/// A daemon answers a command within this time.
const ANSWER: Duration = Duration::from_secs(15);
/// Retained messages come within this time after a subscription.
const RETAINED: Duration = Duration::from_secs(3);

/// What the daemon answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Whether the command was accepted.
    pub ok: bool,
    /// What happened, or why not.
    pub text: String,
}

/// Sends a command and waits for its answer.
///
/// # Errors
/// [`Status::Unavailable`] where broker or daemon do not answer.
pub async fn command(
    cellar: &Cellar,
    vessel: &Name,
    name: &str,
    fields: &BTreeMap<String, String>,
) -> Result<Answer, Failure> {
    let topics = Topics::new(cellar.config.link.topics.as_str());
    let id = id();
    let wanted = vec![topics.reply(vessel), topics.status()];
    let (link, mut news) = visit(cellar, &id, wanted).await?;
    let by = std::env::var("USER").unwrap_or_else(|_| "command line".to_owned());
    let mut payload = json!(fields);
    // `do` names the command: what a command does besides stands in `action`.
    if let Some(action) = fields.get("do") {
        payload["action"] = json!(action);
    }
    payload["do"] = json!(name);
    payload["id"] = json!(id);
    // Not `by`: that is a nudge's amount.
    payload["sender"] = json!(by);
    let sent = link.publish(Outgoing {
        topic: topics.command(vessel),
        payload: payload.to_string().into_bytes(),
        retained: false,
        expiry: Some(quantity::Span::from_secs(30)),
        class: Class::Keep,
    });
    sent.map_err(|error| Failure::new(Status::Usage, error.to_string()))?;
    let reply = tokio::time::timeout(ANSWER, answer(&mut news, &topics, vessel, &id)).await;
    link.stop().await;
    reply.map_err(|_| no_daemon(cellar)).and_then(|answer| answer)
}

/// How vessels stand, as the daemon last told the broker.
#[derive(Debug, Clone, PartialEq)]
pub struct Stands {
    /// The vessels that were asked for.
    pub vessels: Vec<State>,
    /// The receivers of `[[tell]]`.
    pub tells: Vec<Standing>,
}

/// How the vessels stand, as the daemon last told the broker; all, or one.
///
/// # Errors
/// [`Status::Unavailable`] where broker or daemon do not answer.
pub async fn states(cellar: &Cellar, vessel: Option<&Name>) -> Result<Stands, Failure> {
    let topics = Topics::new(cellar.config.link.topics.as_str());
    let names: Vec<&Name> = match vessel {
        Some(name) => vec![name],
        None => cellar.config.vessels.keys().collect(),
    };
    let mut wanted: Vec<String> = names.iter().map(|name| topics.state(name)).collect();
    wanted.extend([topics.status(), topics.tell()]);
    let (link, mut news) = visit(cellar, &id(), wanted).await?;
    let mut gathered = Gathered { online: None, tells: None, states: BTreeMap::new() };
    let gathering = gather(&mut news, &topics, names.len(), &mut gathered);
    // What has not come by then is not there.
    let _ = tokio::time::timeout(RETAINED, gathering).await;
    link.stop().await;
    if gathered.online != Some(true) {
        return Err(no_daemon(cellar));
    }
    let vessels = gathered.states.into_values().collect();
    Ok(Stands { vessels, tells: gathered.tells.unwrap_or_default() })
}

/// A link that cannot even be tried.
pub fn link_failure(error: &LinkError) -> Failure {
    Failure::new(Status::Config, error.to_string()).hint(error.hint())
}

struct Gathered {
    online: Option<bool>,
    tells: Option<Vec<Standing>>,
    states: BTreeMap<String, State>,
}

async fn gather(
    news: &mut Receiver<FromLink>,
    topics: &Topics,
    count: usize,
    gathered: &mut Gathered,
) {
    let lacks = |gathered: &Gathered| gathered.states.len() < count || gathered.tells.is_none();
    while gathered.online.is_none() || (gathered.online == Some(true) && lacks(gathered)) {
        let Some(message) = next_message(news).await else { return };
        if message.topic == topics.status() {
            gathered.online = Some(message.payload == b"online");
        } else if message.topic == topics.tell() {
            gathered.tells = serde_json::from_slice(&message.payload).ok();
        } else if let Ok(state) = serde_json::from_slice::<State>(&message.payload) {
            gathered.states.insert(message.topic, state);
        }
    }
}

async fn answer(
    news: &mut Receiver<FromLink>,
    topics: &Topics,
    vessel: &Name,
    id: &str,
) -> Result<Answer, Failure> {
    let ended = || Failure::new(Status::Unavailable, "the link to the broker ended");
    loop {
        let message = next_message(news).await.ok_or_else(ended)?;
        if message.topic == topics.status() && message.payload == b"offline" {
            return Err(Failure::new(Status::Unavailable, "the daemon is offline")
                .hint("start it with `barmkeep run`"));
        }
        if message.topic != topics.reply(vessel) {
            continue;
        }
        let Ok(reply) = serde_json::from_slice::<Value>(&message.payload) else { continue };
        if reply["id"] == id {
            let text = reply["text"].as_str().unwrap_or_default().to_owned();
            return Ok(Answer { ok: reply["ok"] == true, text });
        }
    }
}

async fn next_message(news: &mut Receiver<FromLink>) -> Option<Message> {
    loop {
        if let FromLink::Message(message) = news.recv().await? {
            return Some(message);
        }
    }
}

/// Connects and waits until the subscriptions are acknowledged.
async fn visit(
    cellar: &Cellar,
    name: &str,
    topics: Vec<String>,
) -> Result<(LinkHandle, Receiver<FromLink>), Failure> {
    let (link, mut news) = Link::visit(&cellar.config.link, &cellar.folder, name, topics)
        .map_err(|error| link_failure(&error))?;
    let connected = tokio::time::timeout(CONNECT, async {
        loop {
            match news.recv().await {
                Some(FromLink::Up { .. }) => return Ok(()),
                Some(FromLink::Down { reason, hint }) => return Err((reason, hint)),
                Some(_) => {}
                None => return Err(("the link ended".to_owned(), String::new())),
            }
        }
    });
    match connected.await {
        Ok(Ok(())) => Ok((link, news)),
        Ok(Err((reason, hint))) => {
            let failure = Failure::new(Status::Unavailable, reason);
            Err(if hint.is_empty() { failure } else { failure.hint(hint) })
        }
        Err(_) => Err(Failure::new(Status::Unavailable, "the broker does not answer")
            .hint("check `[link].broker` and whether the broker runs")),
    }
}

fn no_daemon(cellar: &Cellar) -> Failure {
    let topics = &cellar.config.link.topics;
    Failure::new(Status::Unavailable, format!("no daemon answers below the topic `{topics}`"))
        .hint("start it with `barmkeep run`, with the same configuration")
}

/// An id that no other command has: the time and the process.
fn id() -> String {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    format!("{}-{}", since.as_nanos(), std::process::id())
}
