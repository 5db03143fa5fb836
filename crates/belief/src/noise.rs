//! The kinds of noise that a float may have; a bank learns which one it is.

/// One kind of noise: a white part, and a part that lasts for hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Noise {
    /// Variance of the white part, in points².
    pub white: f64,
    /// Variance of the lasting part, in points².
    pub lasting: f64,
    /// Time constant of the lasting part, in h.
    pub hours: f64,
}

/// Total standard deviations, in points.
const SIZES: [f64; 7] = [0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8];
/// Shares of the variance that last.
const SHARES: [f64; 2] = [0.35, 0.65];
/// Time constants, in h.
const HOURS: [f64; 2] = [2.5, 9.0];

/// How many kinds there are.
pub(crate) const KINDS: usize = SIZES.len() * SHARES.len() * HOURS.len();

impl Noise {
    /// No float at all.
    pub const NONE: Noise = Noise { white: 0.0, lasting: 0.0, hours: 1.0 };

    /// Kind `index` of [`KINDS`]; [`Noise::NONE`] beyond.
    pub fn kind(index: usize) -> Noise {
        if index >= KINDS {
            return Noise::NONE;
        }
        let size = SIZES[index / (SHARES.len() * HOURS.len())];
        let share = SHARES[index / HOURS.len() % SHARES.len()];
        Noise {
            white: size * size * (1.0 - share),
            lasting: size * size * share,
            hours: HOURS[index % HOURS.len()],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_differs() {
        for one in 0..KINDS {
            for other in 0..one {
                assert_ne!(Noise::kind(one), Noise::kind(other));
            }
        }
        assert_eq!(Noise::kind(KINDS), Noise::NONE);
        let first = Noise::kind(0);
        assert!((first.white + first.lasting - 0.35f64.powi(2)).abs() < 1e-12);
    }
}
