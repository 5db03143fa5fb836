//! A front before a broker, on loopback: it may freeze as a half-open connection does, shut its
//! door, and counts who came.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicUsize, Ordering};
use std::time::Duration;

const OPEN: u8 = 0;
const FROZEN: u8 = 1;
const SHUT: u8 = 2;

/// A front; its threads end with the test's process.
pub struct Front {
    /// Where it listens.
    pub port: u16,
    shared: Arc<Shared>,
}

struct Shared {
    upstream: u16,
    mode: AtomicU8,
    came: AtomicUsize,
}

impl Front {
    /// A front before the broker on this port.
    ///
    /// # Panics
    /// Where it cannot listen.
    pub fn start(upstream: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("there is a free port");
        let port = listener.local_addr().expect("a listener has an address").port();
        let mode = AtomicU8::new(OPEN);
        let shared = Arc::new(Shared { upstream, mode, came: AtomicUsize::new(0) });
        let own = shared.clone();
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let shared = own.clone();
                shared.came.fetch_add(1, Ordering::SeqCst);
                std::thread::spawn(move || serve(client, &shared));
            }
        });
        Front { port, shared }
    }

    /// From now on it takes what comes, says nothing and closes nothing.
    pub fn freeze(&self) {
        self.shared.mode.store(FROZEN, Ordering::SeqCst);
    }

    /// Cuts all connections, and each new one at once.
    pub fn shut(&self) {
        self.shared.mode.store(SHUT, Ordering::SeqCst);
    }

    /// Lets new connections through; those that were frozen stay dead.
    pub fn open(&self) {
        self.shared.mode.store(OPEN, Ordering::SeqCst);
    }

    /// How many connections came since it began.
    pub fn came(&self) -> usize {
        self.shared.came.load(Ordering::SeqCst)
    }
}

fn serve(client: TcpStream, shared: &Arc<Shared>) {
    if shared.mode.load(Ordering::SeqCst) == FROZEN {
        return swallow(client, shared);
    }
    let Ok(server) = TcpStream::connect(("127.0.0.1", shared.upstream)) else { return };
    if shared.mode.load(Ordering::SeqCst) == SHUT {
        return;
    }
    let pair = client.try_clone().and_then(|back| Ok((back, server.try_clone()?)));
    let Ok((back, forth)) = pair else { return };
    let other = shared.clone();
    std::thread::spawn(move || copy(server, back, &other));
    copy(client, forth, shared);
}

/// Hands on what comes until an end closes or the front does.
fn copy(mut from: TcpStream, mut to: TcpStream, shared: &Arc<Shared>) {
    let tick = from.set_read_timeout(Some(Duration::from_millis(100)));
    if tick.is_ok() {
        let mut bytes = [0; 16 * 1024];
        loop {
            let read = from.read(&mut bytes);
            match shared.mode.load(Ordering::SeqCst) {
                FROZEN => return swallow(from, shared),
                SHUT => break,
                _ => {}
            }
            match read {
                Ok(0) => break,
                Ok(length) if to.write_all(&bytes[..length]).is_err() => break,
                Err(error) if !is_late(&error) => break,
                _ => {}
            }
        }
    }
    // Either may be closed already.
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}

/// A connection that nobody answers any more.
fn swallow(mut from: TcpStream, shared: &Shared) {
    let _ = from.set_read_timeout(Some(Duration::from_millis(100)));
    let mut bytes = [0; 16 * 1024];
    loop {
        match from.read(&mut bytes) {
            Ok(0) => break,
            Err(error) if !is_late(&error) => break,
            _ if shared.mode.load(Ordering::SeqCst) == SHUT => break,
            _ => {}
        }
    }
    let _ = from.shutdown(Shutdown::Both);
}

fn is_late(error: &std::io::Error) -> bool {
    matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut)
}
