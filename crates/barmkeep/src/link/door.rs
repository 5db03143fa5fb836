//! The door before the embedded broker: how many may stand in it and for how long, by TLS where
//! that is asked for.
//!
//! The library accepts whoever comes, and does its own TLS one client after the other: one who says
//! nothing would keep everybody out. So it listens on this machine alone, on a port that nobody is
//! told, and what comes in passes here: each from outside gets a connection to it, and
//! [`Guests`] knows who stands behind which.

use super::access::{certificates, content, private_key};
use super::error::LinkError;
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};
use schedule::config::ListenTls;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::{Notify, Semaphore, watch};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

/// How many from one address are asked who they are at a time; others of it stand in line.
pub const ASKED_MAX: usize = 16;
/// How many from one address may wait to be let in, with those who are asked.
pub const WAITING_MAX: usize = 128;
/// How many may wait in all.
pub const WAITING_IN_ALL_MAX: usize = 512;
/// How many from one address may be inside: a gateway speaks for all its devices.
pub const INSIDE_MAX: usize = 1024;
/// How long it may take to say who one is, TLS included; and to stand in line.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long a client that has said its last may be given what is still for it.
const LAST_WORDS: Duration = Duration::from_secs(5);
/// The wait after the system could not give us a connection: it has no more files, say.
const BREATH: Duration = Duration::from_millis(200);
/// Of how many addresses it is logged that they are too many.
const COMPLAINTS_MAX: usize = 1000;

/// A door that is open; it shuts when this is dropped.
pub(super) struct Door {
    /// Where it is.
    pub address: SocketAddr,
    shut: watch::Sender<bool>,
    task: JoinSet<()>,
}

impl Door {
    /// Opens a door at `listen`, which leads to the broker at `inside`.
    pub async fn open(
        listen: SocketAddr,
        inside: SocketAddr,
        tls: Option<TlsAcceptor>,
        guests: Arc<Guests>,
    ) -> io::Result<Self> {
        let listener = TcpListener::bind(listen).await?;
        let address = listener.local_addr()?;
        let shut = watch::Sender::new(false);
        let porter = Porter { listener, inside, tls, guests, shut: shut.subscribe() };
        let mut task = JoinSet::new();
        task.spawn(porter.stand());
        Ok(Door { address, shut, task })
    }

    /// Lets nobody in any more; waits until those who are in have gone, but not for long.
    pub async fn shut(mut self, long: Duration) {
        self.shut.send_replace(true);
        let gone = async { while self.task.join_next().await.is_some() {} };
        // Who stays nevertheless is cut when the tasks are dropped.
        let _late = tokio::time::timeout(long, gone).await;
    }

    /// Lets nobody in any more.
    pub fn close(&self) {
        self.shut.send_replace(true);
    }
}

/// Who stands at the door.
struct Porter {
    listener: TcpListener,
    inside: SocketAddr,
    tls: Option<TlsAcceptor>,
    guests: Arc<Guests>,
    shut: watch::Receiver<bool>,
}

impl Porter {
    async fn stand(mut self) {
        let mut visits = JoinSet::new();
        let mut complained = BTreeSet::new();
        let mut failing = false;
        loop {
            let came = tokio::select! {
                came = self.listener.accept() => came,
                _ = self.shut.wait_for(|shut| *shut) => break,
                Some(_) = visits.join_next() => continue,
            };
            let (stream, from) = match came {
                Ok(came) => came,
                Err(error) => {
                    if !std::mem::replace(&mut failing, true) {
                        tracing::error!(%error, "the embedded broker cannot let anybody in");
                    }
                    tokio::time::sleep(BREATH).await;
                    continue;
                }
            };
            failing = false;
            match self.guests.come(from) {
                Ok(visit) => {
                    let (inside, tls) = (self.inside, self.tls.clone());
                    visits.spawn(async move {
                        if let Err(error) = visit.go(stream, inside, tls).await {
                            tracing::debug!(%from, %error, "a client did not come in");
                        }
                    });
                }
                Err(crowd) => {
                    let ip = from.ip();
                    if complained.len() < COMPLAINTS_MAX && complained.insert(ip) {
                        tracing::warn!(%ip, "the embedded broker turns clients away: {crowd}");
                    }
                }
            }
        }
        drop(self.listener);
        while visits.join_next().await.is_some() {}
    }
}

/// Who is at the door and who is inside.
#[derive(Default)]
pub(super) struct Guests {
    book: Mutex<Book>,
}

#[derive(Default)]
struct Book {
    /// By the address of our own connection to the broker: who stands behind it.
    behind: BTreeMap<SocketAddr, Guest>,
    hosts: BTreeMap<IpAddr, Host>,
    waiting: usize,
    inside: usize,
    inside_max: usize,
}

struct Guest {
    from: SocketAddr,
    entered: Arc<Notify>,
    inside: bool,
}

#[derive(Clone)]
struct Host {
    waiting: usize,
    inside: usize,
    asked: Arc<Semaphore>,
}

impl Guests {
    /// Room for so many inside.
    pub fn new(inside_max: usize) -> Self {
        Guests { book: Mutex::new(Book { inside_max, ..Book::default() }) }
    }

    /// Who stands behind a connection that the broker sees as from `seen`; nobody where it did not
    /// come by a door.
    pub fn who(&self, seen: SocketAddr) -> Option<SocketAddr> {
        self.book().behind.get(&seen).map(|guest| guest.from)
    }

    /// The broker lets somebody in; false where too many are in already.
    pub fn enter(&self, seen: SocketAddr) -> bool {
        let mut book = self.book();
        let Book { behind, hosts, waiting, inside, inside_max } = &mut *book;
        let Some(guest) = behind.get_mut(&seen) else { return false };
        let Some(host) = hosts.get_mut(&host_of(guest.from.ip())) else { return false };
        if guest.inside {
            return true;
        }
        if host.inside >= INSIDE_MAX || *inside >= *inside_max {
            return false;
        }
        guest.inside = true;
        (host.waiting, host.inside) = (host.waiting - 1, host.inside + 1);
        (*waiting, *inside) = (*waiting - 1, *inside + 1);
        guest.entered.notify_one();
        true
    }

    /// Somebody comes to the door, or is turned away with the reason.
    fn come(self: &Arc<Self>, from: SocketAddr) -> Result<Visit, &'static str> {
        let mut book = self.book();
        if book.waiting >= WAITING_IN_ALL_MAX {
            return Err("too many wait to be let in");
        }
        let new = || Host { waiting: 0, inside: 0, asked: Arc::new(Semaphore::new(ASKED_MAX)) };
        let host = book.hosts.entry(host_of(from.ip())).or_insert_with(new);
        if host.waiting >= WAITING_MAX {
            return Err("too many from this address wait to be let in");
        }
        host.waiting += 1;
        let asked = host.asked.clone();
        book.waiting += 1;
        Ok(Visit { guests: self.clone(), from, asked, seen: None })
    }

    fn book(&self) -> MutexGuard<'_, Book> {
        // The book is whole between its methods, whatever panicked elsewhere.
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Somebody at the door or inside, until this is dropped.
struct Visit {
    guests: Arc<Guests>,
    from: SocketAddr,
    asked: Arc<Semaphore>,
    seen: Option<SocketAddr>,
}

impl Visit {
    async fn go(
        self,
        stream: TcpStream,
        inside: SocketAddr,
        tls: Option<TlsAcceptor>,
    ) -> io::Result<()> {
        stream.set_nodelay(true)?;
        let asked = self.asked.clone();
        let turn = in_time(async { Ok(asked.acquire_owned().await.ok()) }).await?;
        let by = tokio::time::Instant::now() + PATIENCE;
        match tls {
            None => self.pass(stream, inside, by, turn).await,
            Some(tls) => {
                let stream = in_time(tls.accept(stream)).await?;
                self.pass(stream, inside, by, turn).await
            }
        }
    }

    /// Carries both ways; who is not let in by then is sent away.
    async fn pass<T>(
        mut self,
        stream: impl AsyncRead + AsyncWrite + Send,
        inside: SocketAddr,
        by: tokio::time::Instant,
        turn: T,
    ) -> io::Result<()> {
        let socket = TcpSocket::new_v4()?;
        socket.bind(SocketAddr::from(([127, 0, 0, 1], 0)))?;
        let seen = socket.local_addr()?;
        let entered = Arc::new(Notify::new());
        let guest = Guest { from: self.from, entered: entered.clone(), inside: false };
        // Before the broker can ask who it is.
        self.guests.book().behind.insert(seen, guest);
        self.seen = Some(seen);
        let broker = socket.connect(inside).await?;
        broker.set_nodelay(true)?;
        let mut carried = std::pin::pin!(carry(stream, broker));
        tokio::select! {
            done = &mut carried => return done,
            () = entered.notified() => drop(turn),
            () = tokio::time::sleep_until(by) => return Err(io::ErrorKind::TimedOut.into()),
        }
        carried.await
    }
}

impl Drop for Visit {
    fn drop(&mut self) {
        let mut book = self.guests.book();
        let guest = self.seen.and_then(|seen| book.behind.remove(&seen));
        let was_inside = guest.is_some_and(|guest| guest.inside);
        let at = host_of(self.from.ip());
        let Some(host) = book.hosts.get_mut(&at) else { return };
        let count = if was_inside { &mut host.inside } else { &mut host.waiting };
        *count = count.saturating_sub(1);
        if host.waiting + host.inside == 0 {
            book.hosts.remove(&at);
        }
        let count = if was_inside { &mut book.inside } else { &mut book.waiting };
        *count = count.saturating_sub(1);
    }
}

/// Carries between a client and the broker until the broker has closed, or the client has and was
/// given what was still for it.
async fn carry(client: impl AsyncRead + AsyncWrite + Send, broker: TcpStream) -> io::Result<()> {
    let (mut from_client, mut to_client) = tokio::io::split(client);
    let (mut from_broker, mut to_broker) = broker.into_split();
    let up = async {
        let up = tokio::io::copy(&mut from_client, &mut to_broker).await;
        // The broker sees an end as the client made it: without a farewell it says the will.
        let _gone = to_broker.shutdown().await;
        up
    };
    let down = async {
        tokio::io::copy(&mut from_broker, &mut to_client).await?;
        to_client.shutdown().await
    };
    let mut down = std::pin::pin!(down);
    tokio::select! {
        done = &mut down => done,
        up = up => {
            up?;
            tokio::time::timeout(LAST_WORDS, down).await.unwrap_or(Ok(()))
        }
    }
}

async fn in_time<T>(work: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    let late = |_| io::Error::from(io::ErrorKind::TimedOut);
    tokio::time::timeout(PATIENCE, work).await.map_err(late)?
}

/// Whom an address counts for: with IPv6 a machine has a whole network of 64 bits to choose from.
fn host_of(ip: IpAddr) -> IpAddr {
    match ip.to_canonical() {
        IpAddr::V4(ip) => IpAddr::V4(ip),
        IpAddr::V6(ip) if ip.is_loopback() => IpAddr::V6(ip),
        IpAddr::V6(ip) => IpAddr::V6(Ipv6Addr::from(u128::from(ip) >> 64 << 64)),
    }
}

/// What a door by TLS shows of itself, and asks of clients.
pub(super) fn acceptor(tls: &ListenTls, folder: &Path) -> Result<TlsAcceptor, LinkError> {
    let unexpected = |error: &dyn std::fmt::Display| LinkError::Unexpected(format!("TLS: {error}"));
    // The provider is given here and not installed for the process: two could be compiled in.
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(provider.clone())
        .with_safe_default_protocol_versions()
        .map_err(|error| unexpected(&error))?;
    let builder = match &tls.client_ca_file {
        None => builder.with_no_client_auth(),
        Some(file) => {
            let mut roots = RootCertStore::empty();
            for certificate in certificates("client_ca_file", folder, file)? {
                roots.add(certificate).map_err(|error| {
                    content(&folder.join(file), "an authority's certificate", &error.to_string())
                })?;
            }
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider)
                .build()
                .map_err(|error| unexpected(&error))?;
            builder.with_client_cert_verifier(verifier)
        }
    };
    let chain = certificates("certificate", folder, &tls.certificate)?;
    let (file, key) = private_key("certificate_key", folder, &tls.key)?;
    let config = builder
        .with_single_cert(chain, key)
        .map_err(|error| content(&file, "the key of `certificate`", &error.to_string()))?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(ip: &str) -> SocketAddr {
        SocketAddr::new(ip.parse().unwrap(), 50_000)
    }

    #[test]
    fn one_address_is_turned_away_and_another_is_not() {
        let guests = Arc::new(Guests::new(9));
        let crowd: Vec<Visit> =
            (0..WAITING_MAX).map(|_| guests.come(from("192.0.2.1")).unwrap()).collect();
        assert!(guests.come(from("192.0.2.1")).is_err());
        assert!(guests.come(from("192.0.2.2")).is_ok());
        assert!(guests.come(from("::ffff:192.0.2.1")).is_err(), "the same in IPv6's clothes");
        drop(crowd);
        assert!(guests.come(from("192.0.2.1")).is_ok());
        assert!(guests.book().hosts.is_empty() && guests.book().waiting == 0);
        let network: Vec<Visit> = (0..WAITING_MAX)
            .map(|number| guests.come(from(&format!("2001:db8::{number:x}"))).unwrap())
            .collect();
        assert!(guests.come(from("2001:db8::ffff:1")).is_err(), "of the same network");
        assert!(guests.come(from("2001:db8:0:1::1")).is_ok());
        drop(network);
    }

    #[test]
    fn all_who_wait_are_bounded_and_those_inside_too() {
        let guests = Arc::new(Guests::new(2));
        let mut all = Vec::new();
        for host in 0..WAITING_IN_ALL_MAX / WAITING_MAX {
            all.extend(
                (0..WAITING_MAX).map(|_| guests.come(from(&format!("192.0.2.{host}"))).unwrap()),
            );
        }
        assert!(guests.come(from("198.51.100.1")).is_err());
        for (number, visit) in all.iter_mut().take(3).enumerate() {
            let seen = SocketAddr::from(([127, 0, 0, 1], 1000 + number as u16));
            let entered = Arc::new(Notify::new());
            let guest = Guest { from: visit.from, entered, inside: false };
            guests.book().behind.insert(seen, guest);
            visit.seen = Some(seen);
            assert_eq!(guests.who(seen), Some(visit.from));
            assert_eq!(guests.enter(seen), number < 2, "room for two inside");
        }
        assert!(guests.come(from("198.51.100.1")).is_ok(), "two went in: there is room to wait");
        assert!(!guests.enter(from("127.0.0.1")), "nobody comes but by the door");
        drop(all);
        let book = guests.book();
        assert_eq!((book.waiting, book.inside, book.behind.len()), (0, 0, 0));
        assert!(book.hosts.is_empty());
    }
}
