//! The broker inside: for a cellar that has none of its own. Speaks MQTT 3.1.1 and 5 on one port.
//!
//! It keeps nothing on disk: retained messages of devices are lost when the program ends, and the
//! daemon publishes its own again. Without a `users_file` it listens on this machine only, and lets
//! in whoever is there; with one, rights are per user ([`super::users`]).

use super::access::listen_address;
use super::error::LinkError;
use super::users::{Users, random};
use mqtt5::broker::config::{BrokerConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{AuthProvider, AuthResult, BrokerShutdownHandle, MqttBroker};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use std::collections::BTreeSet;
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio::task::JoinHandle;

/// How many clients at most; the daemon takes one, and one for each switch.
pub const CLIENTS_MAX: usize = 4096;
/// The largest packet, in bytes.
pub const PACKET_BYTES_MAX: usize = 512 * 1024;
/// How many retained messages at most, and the largest of them in bytes.
pub const RETAINED_MAX: usize = 20_000;
/// The largest retained message, in bytes.
pub const RETAINED_BYTES_MAX: usize = 256 * 1024;
/// How many subscriptions a client may have.
pub const SUBSCRIPTIONS_MAX: usize = 20_000;
/// How much waits for a client that is away, in messages and in bytes.
pub const QUEUED_MAX: usize = 1000;
/// The same, in bytes.
pub const QUEUED_BYTES_MAX: usize = 256 * 1024;
/// How long the broker remembers a client that is away.
pub const SESSION_LIFE: Duration = Duration::from_secs(86_400);
/// How many different refusals are logged; a device that tries again for ever is logged once.
const REFUSALS_MAX: usize = 1000;
/// The name by which the daemon enters; a user's name cannot begin with `$`.
const OWN_NAME: &str = "$daemon";
/// How long the broker's end may take.
const STOP: Duration = Duration::from_secs(5);
/// So long it may hand on what it has acknowledged.
const HANDS_ON: Duration = Duration::from_millis(300);

/// A running broker; it ends when this is dropped, too.
pub struct Broker {
    address: SocketAddr,
    secret: String,
    shutdown: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

impl Broker {
    /// Starts a broker on exactly `listen`; it is ready when this returns. Only the daemon may use
    /// the client id `reserved` and those that follow it with a `-`.
    ///
    /// # Errors
    /// Where `listen` is no address or is taken, where it lies beyond this machine and there is no
    /// `users_file`, or where that file is wrong.
    pub async fn start(
        listen: &str,
        users_file: Option<&Path>,
        reserved: &str,
    ) -> Result<Self, LinkError> {
        let wanted = listen_address(listen)?;
        let users = users_file.map(Users::load).transpose()?;
        if users.is_none() && !is_here(wanted.ip()) {
            return Err(LinkError::UsersFileMissing { listen: listen.to_owned() });
        }
        let secret = random().map_err(LinkError::Unexpected)?;
        let secret: String = secret.iter().map(|byte| format!("{byte:02x}")).collect();
        let rights = Rights {
            users: users.map(Arc::new),
            secret: secret.clone(),
            reserved: reserved.to_owned(),
            turn: Semaphore::new(1),
            refusals: Mutex::default(),
        };
        let broker = MqttBroker::with_config(settings(wanted)).await;
        let broker = broker.map_err(|error| bind_error(wanted, listen, &error.to_string()))?;
        let mut broker = broker.with_auth_provider(Arc::new(rights));
        let address = broker.local_addr().unwrap_or(wanted);
        let shutdown = broker.shutdown_handle();
        let task = tokio::spawn(async move {
            if let Err(error) = broker.run().await {
                tracing::error!(%error, "the embedded broker ended");
            }
        });
        tracing::info!(%address, "the embedded broker listens");
        Ok(Broker { address, secret, shutdown, task })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Name and password by which the daemon itself enters, with all rights; new at each start.
    pub(super) fn own_login(&self) -> (String, String) {
        (OWN_NAME.to_owned(), self.secret.clone())
    }

    /// Ends the broker: clients are cut, and their wills said to those who are still there. What it
    /// has acknowledged, it is first given a moment to hand on: an output's last `off` is among it.
    pub async fn stop(mut self) {
        tokio::time::sleep(HANDS_ON).await;
        self.shutdown.shutdown();
        if tokio::time::timeout(STOP, &mut self.task).await.is_err() {
            tracing::warn!("the embedded broker did not end in time; it is cut");
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.shutdown.shutdown();
        self.task.abort();
    }
}

/// Every limit is set here: the library's defaults listen everywhere, take packets of 256 MB and
/// write into the current folder.
fn settings(address: SocketAddr) -> BrokerConfig {
    BrokerConfig {
        bind_addresses: vec![address],
        max_clients: CLIENTS_MAX,
        session_expiry_interval: SESSION_LIFE,
        max_packet_size: PACKET_BYTES_MAX,
        topic_alias_maximum: 10,
        shared_subscription_available: false,
        max_subscriptions_per_client: SUBSCRIPTIONS_MAX,
        max_retained_messages: RETAINED_MAX,
        max_retained_message_size: RETAINED_BYTES_MAX,
        client_channel_capacity: QUEUED_MAX,
        sys_topics_enabled: false,
        storage_config: StorageConfig {
            backend: StorageBackend::Memory,
            base_dir: PathBuf::new(),
            max_queued_messages_per_client: QUEUED_MAX,
            max_queued_bytes_per_client: QUEUED_BYTES_MAX,
            ..StorageConfig::default()
        },
        ..BrokerConfig::default()
    }
}

/// The library tells why it cannot listen in a paragraph of its own; the system says it in a word.
fn bind_error(address: SocketAddr, listen: &str, said: &str) -> LinkError {
    match std::net::TcpListener::bind(address) {
        Err(error) => LinkError::Bind { listen: listen.to_owned(), error },
        Ok(_) => LinkError::Unexpected(format!("the embedded broker cannot start: {said}")),
    }
}

/// Whether an address is this machine's own.
fn is_here(ip: IpAddr) -> bool {
    ip.to_canonical().is_loopback()
}

/// Who may enter and do what.
struct Rights {
    users: Option<Arc<Users>>,
    secret: String,
    reserved: String,
    /// One password at a time is hashed: the memory is bounded, and the control loop's core is
    /// free.
    turn: Semaphore,
    /// What was refused and logged.
    refusals: Mutex<BTreeSet<String>>,
}

impl Rights {
    async fn enter(&self, connect: &ConnectPacket, client: SocketAddr) -> AuthResult {
        let password = connect.password.as_deref().unwrap_or_default();
        let own =
            connect.username.as_deref() == Some(OWN_NAME) && same(password, self.secret.as_bytes());
        let id = connect.client_id.as_str();
        let is_reserved = id
            .strip_prefix(self.reserved.as_str())
            .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'));
        if own {
            return AuthResult::success_with_user(OWN_NAME);
        }
        if is_reserved {
            self.log(&format!("`{id}` from {}: the client id is the daemon's", client.ip()));
            return AuthResult::fail(ReasonCode::ClientIdentifierNotValid);
        }
        let Some(users) = &self.users else { return AuthResult::success() };
        let Some(name) = connect.username.clone() else {
            if users.anonymous_here && is_here(client.ip()) {
                return AuthResult::success();
            }
            self.log(&format!("`{id}` from {}: it gives no user name", client.ip()));
            return AuthResult::fail(ReasonCode::NotAuthorized);
        };
        let (users, asked, password) = (users.clone(), name.clone(), password.to_vec());
        let _turn = self.turn.acquire().await;
        let right = tokio::task::spawn_blocking(move || users.is_password(&asked, &password)).await;
        if matches!(right, Ok(true)) {
            return AuthResult::success_with_user(name);
        }
        self.log(&format!("user `{name}` from {}: wrong name or password", client.ip()));
        AuthResult::fail(ReasonCode::BadUsernameOrPassword)
    }

    /// Whoever has no name came from this machine and may do all.
    fn may(&self, client: &str, user: Option<&str>, verb: &str, topic: &str) -> bool {
        let allowed = match (user, &self.users) {
            (None, _) | (Some(OWN_NAME), _) => true,
            (Some(_), None) => false,
            (Some(name), Some(users)) if verb == "publish on" => users.may_publish(name, topic),
            (Some(name), Some(users)) => users.may_subscribe(name, topic),
        };
        if !allowed {
            let user = user.unwrap_or_default();
            self.log(&format!("user `{user}` (client `{client}`) may not {verb} `{topic}`"));
        }
        allowed
    }

    /// Says once what was refused: MQTT 3.1.1 cannot tell the client.
    fn log(&self, refusal: &str) {
        // A set of texts is whole whatever panicked while it was held.
        let mut known = self.refusals.lock().unwrap_or_else(PoisonError::into_inner);
        if known.len() < REFUSALS_MAX && known.insert(refusal.to_owned()) {
            tracing::warn!("the embedded broker refuses {refusal}");
        }
    }
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
        let may = self.may(client_id, user_id, "publish on", topic);
        Box::pin(std::future::ready(may))
    }

    fn authorize_subscribe<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        topic_filter: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        let may = self.may(client_id, user_id, "subscribe to", topic_filter);
        Box::pin(std::future::ready(may))
    }
}

/// Compares in a time that does not tell how much of it is right.
fn same(one: &[u8], other: &[u8]) -> bool {
    one.len() == other.len() && one.iter().zip(other).fold(0, |all, (a, b)| all | (a ^ b)) == 0
}
