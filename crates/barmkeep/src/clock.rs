//! The daemon's two clocks, real or of an invented cellar.

use engine::Now;
use quantity::Stamp;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{Instant, SystemTime};

/// Where the daemon takes its time from.
#[derive(Debug, Clone)]
pub enum Clock {
    /// The machine's.
    Machine(Machine),
    /// The demonstration's: its devices move it.
    Invented(Arc<Invented>),
}

/// The machine's monotonic clock, from the start of the process, and its wall clock.
///
/// Each of the two is read for itself and cut to whole milliseconds, so that their difference
/// would flicker; it is kept until the wall clock was truly set.
#[derive(Debug, Clone)]
pub struct Machine {
    started: Instant,
    /// The wall clock at the start, in milliseconds, as it is set now.
    base: Arc<AtomicI64>,
}

/// Between reading the one clock and the other a busy machine may let this pass, in milliseconds;
/// what goes beyond is a wall clock that was set.
const APART: i64 = 100;

/// Time that goes on only when somebody lets it.
#[derive(Debug, Default)]
pub struct Invented {
    now: AtomicI64,
    /// How far the wall clock is ahead of it, in milliseconds.
    ahead: AtomicI64,
    /// How many messages the daemon has handled.
    handled: AtomicU64,
}

impl Clock {
    /// The machine's clocks.
    pub fn machine() -> Self {
        let machine =
            Machine { started: Instant::now(), base: Arc::new(AtomicI64::new(wall().millis())) };
        Clock::Machine(machine)
    }

    /// The present.
    pub fn now(&self) -> Now {
        match self {
            Clock::Machine(machine) => machine.now(),
            Clock::Invented(invented) => {
                let monotonic = invented.now();
                let ahead = invented.ahead.load(Ordering::Acquire);
                let wall = Stamp::from_millis(monotonic.millis() + ahead);
                Now { monotonic, wall }
            }
        }
    }

    /// Says that a message was handled.
    pub fn note_handled(&self) {
        if let Clock::Invented(invented) = self {
            invented.handled.fetch_add(1, Ordering::AcqRel);
        }
    }
}

impl Machine {
    fn now(&self) -> Now {
        let elapsed = whole(self.started.elapsed().as_millis());
        let measured = wall().millis() - elapsed;
        let base = steadied(self.base.load(Ordering::Acquire), measured);
        self.base.store(base, Ordering::Release);
        Now { monotonic: Stamp::from_millis(elapsed), wall: Stamp::from_millis(base + elapsed) }
    }
}

/// The difference of the clocks as it was, unless what is measured now says that one was set.
fn steadied(base: i64, measured: i64) -> i64 {
    if (measured - base).abs() <= APART { base } else { measured }
}

impl Invented {
    /// A clock that stands at `now`.
    pub fn at(now: Stamp) -> Self {
        Invented { now: AtomicI64::new(now.millis()), ..Invented::default() }
    }

    /// Where it stands.
    pub fn now(&self) -> Stamp {
        Stamp::from_millis(self.now.load(Ordering::Acquire))
    }

    /// Sets it.
    pub fn set(&self, now: Stamp) {
        self.now.store(now.millis(), Ordering::Release);
    }

    /// Sets both clocks, which need not agree.
    pub fn set_both(&self, now: Now) {
        self.set(now.monotonic);
        self.ahead.store(now.wall.millis_after(now.monotonic), Ordering::Release);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_invented_clock_has_two_hands() {
        let invented = Arc::new(Invented::at(Stamp::from_millis(5)));
        let clock = Clock::Invented(invented.clone());
        assert_eq!(clock.now(), Now::same(Stamp::from_millis(5)));
        let apart = Now { monotonic: Stamp::from_millis(7), wall: Stamp::from_millis(-2) };
        invented.set_both(apart);
        assert_eq!(clock.now(), apart);
    }

    #[test]
    fn the_difference_of_the_clocks_moves_only_with_a_step() {
        for (measured, expected) in [
            (5000, 5000),
            (5001, 5000),
            (4900, 5000),
            (5101, 5101),
            (4899, 4899),
            (-60_000, -60_000),
        ] {
            assert_eq!(steadied(5000, measured), expected, "{measured}");
        }
        let clock = Clock::machine();
        let apart = |now: Now| now.wall.millis_after(now.monotonic);
        let first = apart(clock.now());
        assert!((0..1000).all(|_| apart(clock.now()) == first));
    }
}
