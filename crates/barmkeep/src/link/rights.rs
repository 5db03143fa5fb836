//! Who may enter the embedded broker, and what each may say and hear there.
//!
//! The daemon enters by a secret of its own, made at each start. Everybody else comes by a door
//! ([`super::door`]), and only the daemon says what is its own: see [`Own`].

use super::door::Guests;
use super::error::LinkError;
use super::plan::Own;
use super::topics::covers;
use super::users::{Memory, Users};
use mqtt5::broker::{AuthProvider, AuthResult};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime};
use tokio::sync::Semaphore;

/// The name by which the daemon enters; a user's name cannot begin with `$`.
pub const OWN_NAME: &str = "$daemon";
/// How many different refusals are logged; a device that tries again for ever is logged once.
const REFUSALS_MAX: usize = 1000;
/// Under how many client ids a user may leave sessions behind that the broker keeps.
pub const SESSIONS_MAX: usize = 32;
/// The same for all without a name on this machine together.
pub const SESSIONS_WITHOUT_NAME_MAX: usize = 1024;
/// How often it is looked whether the `users_file` was changed.
const LOOK_EVERY: Duration = Duration::from_secs(1);

impl Own {
    /// Whether only the daemon may publish on this topic.
    fn has(&self, topic: &str) -> bool {
        let below = topic.strip_prefix(self.prefix.as_str());
        let is_below = below.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
        let is_command = covers("+/+/command", topic);
        let described = self.described.as_deref().and_then(|start| topic.strip_prefix(start));
        let is_described =
            described.is_some_and(|rest| rest.is_empty() || rest.starts_with(['/', '-']));
        (is_below && !is_command) || is_described || self.driven.contains(topic)
    }
}

/// Who may enter and do what.
pub(super) struct Rights {
    users: Option<UsersFile>,
    secret: String,
    reserved: String,
    own: Own,
    guests: Arc<Guests>,
    /// One password at a time is hashed: the memory is bounded, and the control loop's core is
    /// free.
    turn: Semaphore,
    memory: Arc<Mutex<Memory>>,
    /// By user: the client ids under which the broker keeps sessions.
    sessions: Mutex<BTreeMap<String, BTreeSet<String>>>,
    /// What was refused and logged.
    refusals: Mutex<BTreeSet<String>>,
}

/// The `users_file`, read again when it has changed.
struct UsersFile {
    path: PathBuf,
    known: Mutex<Known>,
}

struct Known {
    users: Arc<Users>,
    /// When the file that was read, or refused, had been written, and its length.
    written: Option<(SystemTime, u64)>,
    looked: Instant,
}

impl Rights {
    pub fn new(
        users_file: Option<&Path>,
        secret: String,
        reserved: &str,
        own: Own,
        guests: Arc<Guests>,
    ) -> Result<Self, LinkError> {
        Ok(Rights {
            users: users_file.map(UsersFile::open).transpose()?,
            secret,
            reserved: reserved.to_owned(),
            own,
            guests,
            turn: Semaphore::new(1),
            memory: Arc::default(),
            sessions: Mutex::default(),
            refusals: Mutex::default(),
        })
    }

    async fn enter(&self, connect: &ConnectPacket, seen: SocketAddr) -> AuthResult {
        let password = connect.password.as_deref().unwrap_or_default();
        let own =
            connect.username.as_deref() == Some(OWN_NAME) && same(password, self.secret.as_bytes());
        if own {
            return AuthResult::success_with_user(OWN_NAME);
        }
        let id = connect.client_id.as_str();
        let Some(from) = self.guests.who(seen) else {
            self.log(&format!("`{id}`: it does not come by the broker's door"));
            return AuthResult::fail(ReasonCode::NotAuthorized);
        };
        let from = from.ip();
        let user = match self.recognized(connect, from).await {
            Ok(user) => user,
            Err(code) => return AuthResult::fail(code),
        };
        if let Err(problem) = self.may_use(id, user.as_deref(), keeps_session(connect)) {
            self.log(&format!("`{id}` from {from}: {problem}"));
            return AuthResult::fail(ReasonCode::ClientIdentifierNotValid);
        }
        if !self.guests.enter(seen) {
            self.log(&format!("`{id}` from {from}: too many clients are in already"));
            return AuthResult::fail(ReasonCode::ServerBusy);
        }
        user.map_or_else(AuthResult::success, AuthResult::success_with_user)
    }

    /// Who it is; without a name where that is allowed.
    async fn recognized(
        &self,
        connect: &ConnectPacket,
        from: IpAddr,
    ) -> Result<Option<String>, ReasonCode> {
        let Some(users) = self.users() else { return Ok(None) };
        let id = connect.client_id.as_str();
        let Some(name) = connect.username.clone() else {
            if users.anonymous_here && is_here(from) {
                return Ok(None);
            }
            self.log(&format!("`{id}` from {from}: it gives no user name"));
            return Err(ReasonCode::NotAuthorized);
        };
        let (asked, password) = (name.clone(), connect.password.clone().unwrap_or_default());
        let _turn = self.turn.acquire().await;
        let memory = self.memory.clone();
        let check = move || users.is_password(&asked, &password, &mut lock(&memory));
        let right = tokio::task::spawn_blocking(check).await;
        if matches!(right, Ok(true)) {
            return Ok(Some(name));
        }
        self.log(&format!("user `{name}` from {from}: wrong name or password"));
        Err(ReasonCode::BadUsernameOrPassword)
    }

    /// Whether somebody may have this client id: it could push out whoever has it.
    fn may_use(&self, id: &str, user: Option<&str>, keeps: bool) -> Result<(), &'static str> {
        let rest = id.strip_prefix(self.reserved.as_str());
        if rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('-')) {
            return Err("the client id is the daemon's");
        }
        if user != Some(id) && self.users().is_some_and(|users| users.is_user(id)) {
            return Err("the client id is another user's name");
        }
        if !keeps {
            return Ok(());
        }
        let mut sessions = lock(&self.sessions);
        let most = if user.is_some() { SESSIONS_MAX } else { SESSIONS_WITHOUT_NAME_MAX };
        let ids = sessions.entry(user.unwrap_or_default().to_owned()).or_default();
        if ids.len() >= most && !ids.contains(id) {
            return Err("this user has left too many sessions behind");
        }
        ids.insert(id.to_owned());
        Ok(())
    }

    /// Whoever has no name came from this machine and may do all that is not the daemon's.
    fn may(&self, client: &str, user: Option<&str>, verb: Verb, topic: &str) -> bool {
        let daemon = user == Some(OWN_NAME);
        let reserved = !daemon && verb == Verb::Publish && self.own.has(topic);
        let allowed = match (user, self.users()) {
            (None, _) | (Some(OWN_NAME), _) => true,
            (Some(_), None) => false,
            (Some(name), Some(users)) if verb == Verb::Publish => users.may_publish(name, topic),
            (Some(name), Some(users)) => users.may_subscribe(name, topic),
        };
        if allowed && !reserved {
            return true;
        }
        let verb = if verb == Verb::Publish { "publish on" } else { "subscribe to" };
        let why = if reserved { ": only the daemon does" } else { "" };
        let user = user.unwrap_or_default();
        self.log(&format!("user `{user}` (client `{client}`) may not {verb} `{topic}`{why}"));
        false
    }

    fn users(&self) -> Option<Arc<Users>> {
        self.users.as_ref().map(UsersFile::now)
    }

    /// Says once what was refused: MQTT 3.1.1 cannot tell the client.
    fn log(&self, refusal: &str) {
        let mut known = lock(&self.refusals);
        if known.len() < REFUSALS_MAX && known.insert(refusal.to_owned()) {
            tracing::warn!("the embedded broker refuses {refusal}");
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Verb {
    Publish,
    Subscribe,
}

impl UsersFile {
    fn open(path: &Path) -> Result<Self, LinkError> {
        let written = written(path);
        let users = Arc::new(Users::load(path)?);
        let known = Mutex::new(Known { users, written, looked: Instant::now() });
        Ok(UsersFile { path: path.to_owned(), known })
    }

    /// The users as the file has them. Where a change of it cannot be used, those before.
    fn now(&self) -> Arc<Users> {
        let mut known = lock(&self.known);
        if known.looked.elapsed() >= LOOK_EVERY {
            known.looked = Instant::now();
            let written = written(&self.path);
            if written != known.written {
                known.written = written;
                match Users::load(&self.path) {
                    Ok(users) => {
                        known.users = Arc::new(users);
                        tracing::info!(file = %self.path.display(), "the users were read again");
                    }
                    Err(error) => tracing::error!(
                        "{error}; the users of the embedded broker stay as they were"
                    ),
                }
            }
        }
        known.users.clone()
    }
}

fn written(path: &Path) -> Option<(SystemTime, u64)> {
    let file = std::fs::metadata(path).ok()?;
    Some((file.modified().ok()?, file.len()))
}

/// What these hold is whole whatever panicked while they were held.
fn lock<T>(held: &Mutex<T>) -> MutexGuard<'_, T> {
    held.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Whether the broker shall keep something of this client when it has gone.
fn keeps_session(connect: &ConnectPacket) -> bool {
    let expiry = connect.properties.get_session_expiry_interval();
    !connect.clean_start || expiry.is_some_and(|expiry| expiry > 0)
}

impl AuthProvider for Rights {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        client: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = mqtt5::error::Result<AuthResult>> + Send + 'a>> {
        Box::pin(async move { Ok(self.enter(connect, client).await) })
    }

    fn authorize_publish<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        topic: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(std::future::ready(self.may(client_id, user_id, Verb::Publish, topic)))
    }

    fn authorize_subscribe<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        topic_filter: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(std::future::ready(self.may(client_id, user_id, Verb::Subscribe, topic_filter)))
    }
}

/// Whether an address is this machine's own.
pub(super) fn is_here(ip: IpAddr) -> bool {
    ip.to_canonical().is_loopback()
}

/// Compares in a time that does not tell how much of it is right.
fn same(one: &[u8], other: &[u8]) -> bool {
    one.len() == other.len() && one.iter().zip(other).fold(0, |all, (a, b)| all | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_the_daemon_s_own_is_known_by_its_topic() {
        let own = Own {
            prefix: "barmkeep".to_owned(),
            described: Some("homie/5/barmkeep".to_owned()),
            driven: BTreeSet::from(["cellar/plug/1/set".to_owned()]),
        };
        for topic in [
            "barmkeep",
            "barmkeep/status",
            "barmkeep/north/state",
            "barmkeep/north/event",
            "barmkeep/north/reply",
            "barmkeep/north/alarm/too-cold",
            "barmkeep/north/heater/switch",
            "barmkeep/north/heater/setpoint",
            "barmkeep/north/heater/command",
            "homie/5/barmkeep/$state",
            "homie/5/barmkeep-north/beer/temperature",
            "cellar/plug/1/set",
        ] {
            assert!(own.has(topic), "{topic}");
        }
        for topic in [
            "barmkeep/north/command",
            "barmkeeper/north/state",
            "cellar/plug/1/state",
            "cellar/float/1",
            "homie/5/barmkeeper/$state",
        ] {
            assert!(!own.has(topic), "{topic}");
        }
    }
}
