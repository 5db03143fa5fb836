//! How long to wait before the next try: longer each time, and not in step with others.

use std::time::Duration;

/// Waits between tries, from `least` doubling to `most`; each shortened by up to a half.
#[derive(Debug, Clone)]
pub struct Backoff {
    least: Duration,
    most: Duration,
    tries: u32,
    /// Rises with each wait and never falls, so that the jitter differs from wait to wait.
    counter: u64,
}

impl Backoff {
    /// Waits within `least ..= most`; `salt` differs between connections that start together.
    pub fn new(least: Duration, most: Duration, salt: &str) -> Self {
        Backoff { least, most: most.max(least), tries: 0, counter: hash(salt) }
    }

    /// The next wait.
    pub fn wait(&mut self) -> Duration {
        let whole = self.least.saturating_mul(1 << self.tries.min(16)).min(self.most);
        self.tries = self.tries.saturating_add(1);
        self.counter = self.counter.wrapping_add(1);
        // Multiples of the golden ratio spread evenly (Weyl's sequence); the upper bits count.
        let share = (self.counter.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40) as f64 / 2f64.powi(24);
        whole.mul_f64(0.5 + 0.5 * share).max(self.least)
    }

    /// The connection held for long enough: the next wait is the shortest again.
    pub fn reset(&mut self) {
        self.tries = 0;
    }
}

/// FNV-1a, 64 bits: the same on every machine and in every version, unlike the standard hasher.
pub fn hash(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEAST: Duration = Duration::from_secs(1);
    const MOST: Duration = Duration::from_secs(60);

    #[test]
    fn waits_grow_within_their_bounds() {
        let mut backoff = Backoff::new(LEAST, MOST, "a");
        let waits: Vec<Duration> = (0..1000).map(|_| backoff.wait()).collect();
        assert!(waits.iter().all(|wait| (LEAST..=MOST).contains(wait)));
        assert!(waits[0] < Duration::from_millis(1001));
        assert!(waits[3] >= Duration::from_secs(4) && waits[3] <= Duration::from_secs(8));
        assert!(waits[10..].iter().all(|wait| *wait >= MOST / 2));
        backoff.reset();
        assert!(backoff.wait() < Duration::from_millis(1001));
    }

    #[test]
    fn jitter_spreads_over_the_half() {
        let mut backoff = Backoff::new(LEAST, MOST, "b");
        let late: Vec<f64> = (0..1000).map(|_| backoff.wait().as_secs_f64()).skip(10).collect();
        let mean = late.iter().sum::<f64>() / late.len() as f64;
        assert!((mean - 45.0).abs() < 1.0, "{mean}");
        let mut other = Backoff::new(LEAST, MOST, "c");
        let others: Vec<f64> = (0..1000).map(|_| other.wait().as_secs_f64()).skip(10).collect();
        assert!(late.iter().zip(&others).all(|(one, two)| (one - two).abs() > 1e-3));
    }
}
