//! The daemon's two clocks, real or of an invented cellar.

use engine::Now;
use quantity::Stamp;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{Instant, SystemTime};

/// Where the daemon takes its time from.
#[derive(Debug, Clone)]
pub enum Clock {
    /// The machine's monotonic clock, from the start of the process, and its wall clock.
    Machine(Instant),
    /// The demonstration's: its devices move it.
    Invented(Arc<Invented>),
}

/// Time that goes on only when somebody lets it.
#[derive(Debug, Default)]
pub struct Invented {
    now: AtomicI64,
    /// How many messages the daemon has handled.
    handled: AtomicU64,
}

impl Clock {
    /// The machine's clocks.
    pub fn machine() -> Self {
        Clock::Machine(Instant::now())
    }

    /// The present.
    pub fn now(&self) -> Now {
        match self {
            Clock::Machine(started) => Now {
                monotonic: Stamp::from_millis(whole(started.elapsed().as_millis())),
                wall: wall(),
            },
            Clock::Invented(invented) => Now::same(invented.now()),
        }
    }

    /// Says that a message was handled.
    pub fn note_handled(&self) {
        if let Clock::Invented(invented) = self {
            invented.handled.fetch_add(1, Ordering::AcqRel);
        }
    }
}

impl Invented {
    /// A clock that stands at `now`.
    pub fn at(now: Stamp) -> Self {
        Invented { now: AtomicI64::new(now.millis()), handled: AtomicU64::new(0) }
    }

    /// Where it stands.
    pub fn now(&self) -> Stamp {
        Stamp::from_millis(self.now.load(Ordering::Acquire))
    }

    /// Sets it.
    pub fn set(&self, now: Stamp) {
        self.now.store(now.millis(), Ordering::Release);
    }

    /// How many messages the daemon has handled.
    pub fn handled(&self) -> u64 {
        self.handled.load(Ordering::Acquire)
    }
}

/// The machine's wall clock.
pub fn wall() -> Stamp {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    Stamp::from_millis(since.map_or(0, |since| whole(since.as_millis())))
}

fn whole(millis: u128) -> i64 {
    i64::try_from(millis).unwrap_or(i64::MAX)
}
