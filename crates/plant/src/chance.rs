//! A seeded stream of chance, one for each device, so that a device more does not change the
//! others.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream of this number under this seed.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Chance(generator)
    }

    /// A standard normal number.
    pub fn normal(&mut self) -> f64 {
        self.0.sample(StandardNormal)
    }

    /// A number from 0 to 1, 1 left out.
    pub fn share(&mut self) -> f64 {
        self.0.random()
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.share() < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_and_a_stream_fix_what_comes() {
        let draw = |seed, stream| {
            let mut chance = Chance::new(seed, stream);
            [chance.normal(), chance.share(), chance.normal()]
        };
        assert_eq!(draw(1, 1), draw(1, 1));
        assert_ne!(draw(1, 1), draw(2, 1));
        assert_ne!(draw(1, 1), draw(1, 2));
    }

    #[test]
    fn what_is_sure_happens_and_what_is_impossible_does_not() {
        let mut chance = Chance::new(3, 0);
        assert!((0..1000).all(|_| chance.happens(1.0)));
        assert!((0..1000).all(|_| !chance.happens(0.0)));
    }
}
