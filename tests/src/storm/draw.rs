//! Chance for the simulation: one stream for each part, so that a fault less leaves the others be.

use plant::chance::Chance;
use quantity::Span;

/// A stream of choices.
pub struct Draw(Chance);

impl Draw {
    /// The stream of this number under this seed.
    pub fn new(seed: u64, stream: u64) -> Self {
        Draw(Chance::new(seed, stream))
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.0.happens(probability)
    }

    /// A number between these.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + self.0.share() * (high - low)
    }

    /// A whole number from `low`, below `high`.
    pub fn whole(&mut self, low: i64, high: i64) -> i64 {
        let width = (high - low).max(1);
        low + (self.0.share() * width as f64) as i64
    }

    /// One of these.
    ///
    /// # Panics
    /// Where there is none.
    pub fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.index(of.len())]
    }

    /// A place in a list of this length, 0 where it is empty.
    pub fn index(&mut self, length: usize) -> usize {
        usize::try_from(self.whole(0, length as i64)).unwrap_or(0)
    }

    /// A time span between these, in minutes.
    pub fn minutes(&mut self, low: f64, high: f64) -> Span {
        Span::from_hours_f64(self.between(low, high) / 60.0)
    }

    /// When the next of events comes that follow no clock and are this far apart in the mean.
    pub fn wait(&mut self, mean_h: f64) -> Span {
        // 1 - share is above 0, so the logarithm is finite.
        Span::from_hours_f64(-mean_h * (1.0 - self.0.share()).ln())
    }
}
