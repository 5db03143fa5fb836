//! The broker inside: for a cellar that has none of its own. Speaks MQTT 3.1.1 and 5 on one port.
//!
//! It keeps nothing on disk: retained messages of devices are lost when the program ends, and the
//! daemon publishes its own again. Without a `users_file` it listens on this machine only, and lets
//! in whoever is there; with one, rights are per user ([`super::users`], `rights`). The
//! library's broker itself listens behind a door (`door`).

use super::access::listen_address;
use super::door::{self, Door, Guests};
use super::error::LinkError;
use super::plan::Plan;
use super::rights::{OWN_NAME, Rights, is_here};
use super::users::random;
use mqtt5::broker::config::{BrokerConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerShutdownHandle, MqttBroker};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// How many clients at most; the daemon takes one, and one for each switch.
pub const CLIENTS_MAX: usize = 4096;
/// The largest packet, in bytes.
pub const PACKET_BYTES_MAX: usize = 512 * 1024;
/// How many retained messages at most, and the largest of them in bytes.
pub const RETAINED_MAX: usize = 20_000;
/// The largest retained message, in bytes.
pub const RETAINED_BYTES_MAX: usize = 64 * 1024;
/// How many subscriptions a client may have.
pub const SUBSCRIPTIONS_MAX: usize = 20_000;
/// How much waits for a client that is away, in messages and in bytes.
pub const QUEUED_MAX: usize = 1000;
/// The same, in bytes.
pub const QUEUED_BYTES_MAX: usize = 256 * 1024;
/// How long the broker remembers a client that is away.
pub const SESSION_LIFE: Duration = Duration::from_secs(86_400);
/// How long the broker's end may take.
const STOP: Duration = Duration::from_secs(5);
/// So long it may hand on what it has acknowledged.
const HANDS_ON: Duration = Duration::from_millis(300);

/// So long clients may take to go once the broker has ended.
const GOING: Duration = Duration::from_secs(1);
/// Files that the rest of the program may need: the store, the page's readers, receivers of events.
const FILES_OF_OTHERS: u64 = 256;
/// Files that a client takes: its own connection, and both ends of the one inside.
const FILES_OF_A_CLIENT: u64 = 3;

/// A running broker; it ends when this is dropped, too.
pub struct Broker {
    address: SocketAddr,
    inside: SocketAddr,
    doors: Vec<Door>,
    secret: String,
    shutdown: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

impl Broker {
    /// Starts a broker; it is ready when this returns.
    ///
    /// # Errors
    /// Where `listen` is no address or is taken, where it lies beyond this machine and there is no
    /// `users_file`, or where a file is wrong.
    pub async fn start(plan: Plan<'_>) -> Result<Self, LinkError> {
        let mut places = vec![(plan.listen, None)];
        if let Some(tls) = plan.tls {
            places.push((tls.listen.as_str(), Some(door::acceptor(tls, &plan.folder)?)));
        }
        let guests = Arc::new(Guests::new(room()));
        let secret = random().map_err(LinkError::Unexpected)?;
        let secret: String = secret.iter().map(|byte| format!("{byte:02x}")).collect();
        let rights =
            Rights::new(plan.users_file, secret.clone(), plan.reserved, plan.own, guests.clone())?;
        let broker = MqttBroker::with_config(settings(SocketAddr::from(([127, 0, 0, 1], 0)))).await;
        let cannot =
            |said: &str| LinkError::Unexpected(format!("the embedded broker cannot start: {said}"));
        let broker = broker.map_err(|error| cannot(&error.to_string()))?;
        let mut broker = broker.with_auth_provider(Arc::new(rights));
        let inside = broker.local_addr().ok_or_else(|| cannot("it has no address"))?;
        let mut doors = Vec::new();
        for (listen, tls) in places {
            let wanted = listen_address(listen)?;
            if plan.users_file.is_none() && !is_here(wanted.ip()) {
                return Err(LinkError::UsersFileMissing { listen: listen.to_owned() });
            }
            let is_tls = tls.is_some();
            let door = Door::open(wanted, inside, tls, guests.clone()).await;
            let door =
                door.map_err(|error| LinkError::Bind { listen: listen.to_owned(), error })?;
            tracing::info!(address = %door.address, tls = is_tls, "the embedded broker listens");
            doors.push(door);
        }
        let address = doors[0].address;
        let shutdown = broker.shutdown_handle();
        let task = tokio::spawn(async move {
            if let Err(error) = broker.run().await {
                tracing::error!(%error, "the embedded broker ended");
            }
        });
        Ok(Broker { address, inside, doors, secret, shutdown, task })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Where it listens by TLS, if it does.
    pub fn tls_address(&self) -> Option<SocketAddr> {
        self.doors.get(1).map(|door| door.address)
    }

    /// Where the daemon itself reaches it, by no door.
    pub(super) fn inside(&self) -> SocketAddr {
        self.inside
    }

    /// Name and password by which the daemon itself enters, with all rights; new at each start.
    pub(super) fn own_login(&self) -> (String, String) {
        (OWN_NAME.to_owned(), self.secret.clone())
    }

    /// Ends the broker: clients are cut, and their wills said to those who are still there. What it
    /// has acknowledged, it is first given a moment to hand on: an output's last `off` is among it.
    pub async fn stop(mut self) {
        self.doors.iter().for_each(Door::close);
        tokio::time::sleep(HANDS_ON).await;
        self.shutdown.shutdown();
        if tokio::time::timeout(STOP, &mut self.task).await.is_err() {
            tracing::warn!("the embedded broker did not end in time; it is cut");
        }
        for door in self.doors.drain(..) {
            door.shut(GOING).await;
        }
    }
}

/// How many clients there is room for: each takes files of the process, of which the system allows
/// so many, and fewer at first than it would.
fn room() -> usize {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let allowed = getrlimit(Resource::Nofile);
    let wanted = FILES_OF_OTHERS + FILES_OF_A_CLIENT * CLIENTS_MAX as u64;
    let most = allowed.maximum.unwrap_or(wanted).min(wanted);
    let now = allowed.current.unwrap_or(wanted);
    let raised = Rlimit { current: Some(most), maximum: allowed.maximum };
    let files = if now < most && setrlimit(Resource::Nofile, raised).is_ok() { most } else { now };
    let room = files.saturating_sub(FILES_OF_OTHERS) / FILES_OF_A_CLIENT;
    usize::try_from(room).unwrap_or(CLIENTS_MAX).clamp(16, CLIENTS_MAX)
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
