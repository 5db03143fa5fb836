//! One Kalman filter of a bank: a Gaussian belief over `N` numbers, and how well it foretold.

use crate::normal::{log_add, log_density};
use serde::{Deserialize, Serialize};

/// How large a share of readings is taken as outliers (foam, bubbles, yeast on the float).
/// Common experience has 1 to 5 %; no source.
const OUTLIERS: f64 = 0.03;
/// Variance that an outlier adds, in points².
const OUTLIER_VARIANCE: f64 = 64.0;

/// A Gaussian belief with a weight.
///
/// Invariant: the covariance is exactly symmetric, so that its upper half is all there is to store.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub(crate) struct Filter<const N: usize> {
    /// Logarithm of its weight within the bank.
    pub log_weight: f64,
    pub mean: [f64; N],
    pub covariance: [[f64; N]; N],
}

/// What one reading told one filter.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Told {
    /// Logarithm of the probability density that the filter gave it.
    pub log_likelihood: f64,
    /// How probable it is that it was no outlier.
    pub ordinary: f64,
}

impl<const N: usize> Filter<N> {
    /// With independent numbers of these means and variances.
    pub fn independent(log_weight: f64, mean: [f64; N], variance: [f64; N]) -> Self {
        let mut covariance = [[0.0; N]; N];
        for index in 0..N {
            covariance[index][index] = variance[index];
        }
        Filter { log_weight, mean, covariance }
    }

    /// The value and variance of a weighted sum of the numbers.
    pub fn sum(&self, weights: &[f64; N]) -> (f64, f64) {
        let (mut mean, mut variance) = (0.0, 0.0);
        for row in 0..N {
            if weights[row] == 0.0 {
                continue;
            }
            mean += weights[row] * self.mean[row];
            for column in 0..N {
                variance += weights[row] * weights[column] * self.covariance[row][column];
            }
        }
        (mean, variance)
    }

    /// A reading of a weighted sum, with this variance of its own, which may be an outlier.
    pub fn observe(&mut self, weights: &[f64; N], reading: f64, variance: f64) -> Told {
        let (shared, foretold, own) = self.seen(weights);
        let spread = own + variance;
        let error = reading - foretold;
        let good = (1.0 - OUTLIERS).ln() + log_density(error, spread);
        let bad = OUTLIERS.ln() + log_density(error, spread + OUTLIER_VARIANCE);
        let log_likelihood = log_add(good, bad);
        let ordinary = (good - log_likelihood).exp();
        let gain = ordinary / spread;
        let shrink = gain - ordinary * (1.0 - ordinary) * error * error / (spread * spread);
        self.correct(&shared, gain * error, shrink);
        Told { log_likelihood, ordinary }
    }

    /// A piece of knowledge of a weighted sum, believed wholly; a negative variance takes back one
    /// that was believed before, unless so much has been forgotten since that it is gone.
    pub fn learn(&mut self, weights: &[f64; N], value: f64, variance: f64) {
        let (shared, foretold, own) = self.seen(weights);
        let spread = own + variance;
        let is_gone = variance < 0.0 && spread > 0.0;
        if spread.abs() > 1e-6 * own && !is_gone {
            self.correct(&shared, (value - foretold) / spread, 1.0 / spread);
        }
    }

    /// Begins a number anew: its value is known to be this, and has to do with no other.
    pub fn forget(&mut self, place: usize, value: f64) {
        self.mean[place] = value;
        for other in 0..N {
            self.covariance[place][other] = 0.0;
            self.covariance[other][place] = 0.0;
        }
    }

    /// What was believed of `here` may be too much or too little by some points of this variance,
    /// and then each of `there` is too little or too much by just as many.
    pub fn exchange(&mut self, here: usize, there: &[usize], variance: f64) {
        let mut way = [0.0; N];
        way[here] = 1.0;
        for place in there {
            way[*place] = -1.0;
        }
        for row in 0..N {
            for column in 0..N {
                self.covariance[row][column] += variance * way[row] * way[column];
            }
        }
    }

    /// These numbers go on by as much as is said with each, but for one common factor that is known
    /// with this relative standard deviation.
    pub fn jump(&mut self, way: &[(usize, f64)], spread: f64) {
        for (row, by) in way {
            self.mean[*row] += by;
            for (column, other) in way {
                self.covariance[*row][*column] += spread * spread * (by * other);
            }
        }
    }

    /// Becomes the one normal belief that has the moments of both.
    pub fn join(&mut self, other: &Self) {
        let total = log_add(self.log_weight, other.log_weight);
        let (one, two) = ((self.log_weight - total).exp(), (other.log_weight - total).exp());
        let mean: [f64; N] =
            std::array::from_fn(|row| one * self.mean[row] + two * other.mean[row]);
        for row in 0..N {
            for column in row..N {
                let spread = |filter: &Self| {
                    filter.covariance[row][column]
                        + (filter.mean[row] - mean[row]) * (filter.mean[column] - mean[column])
                };
                let cell = one * spread(self) + two * spread(other);
                self.covariance[row][column] = cell;
                self.covariance[column][row] = cell;
            }
        }
        (self.mean, self.log_weight) = (mean, total);
    }

    /// Covariance of each number with the sum, the sum's mean, and its variance.
    fn seen(&self, weights: &[f64; N]) -> ([f64; N], f64, f64) {
        let mut shared = [0.0; N];
        let (mut mean, mut variance) = (0.0, 0.0);
        for column in 0..N {
            let weight = weights[column];
            if weight != 0.0 {
                mean += weight * self.mean[column];
                for (row, cell) in shared.iter_mut().enumerate() {
                    *cell += weight * self.covariance[row][column];
                }
            }
        }
        for row in 0..N {
            variance += weights[row] * shared[row];
        }
        (shared, mean, variance)
    }

    fn correct(&mut self, shared: &[f64; N], push: f64, shrink: f64) {
        for row in 0..N {
            self.mean[row] += push * shared[row];
            for column in row..N {
                let cell = self.covariance[row][column] - shrink * shared[row] * shared[column];
                self.covariance[row][column] = cell;
                self.covariance[column][row] = cell;
            }
        }
    }
}

/// A number is stored by its 64 bits, six a letter: half as long as its decimals, and exact.
const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
const LETTERS_A_NUMBER: usize = 11;

fn write_number(text: &mut String, number: f64) {
    for letter in 0..LETTERS_A_NUMBER {
        let six = (number.to_bits() >> (6 * letter)) & 63;
        text.push(char::from(LETTERS[six as usize]));
    }
}

/// `None` where a letter is none, or the bits are too many.
fn read_number(letters: &[u8]) -> Option<f64> {
    let mut bits = 0u128;
    for (place, letter) in letters.iter().enumerate() {
        let six = LETTERS.iter().position(|known| known == letter)?;
        bits |= (six as u128) << (6 * place);
    }
    u64::try_from(bits).ok().map(f64::from_bits)
}

impl<const N: usize> From<Filter<N>> for String {
    fn from(filter: Filter<N>) -> String {
        let mut text = String::with_capacity(LETTERS_A_NUMBER * (1 + N + N * (N + 1) / 2));
        write_number(&mut text, filter.log_weight);
        filter.mean.iter().for_each(|number| write_number(&mut text, *number));
        for row in 0..N {
            let upper = &filter.covariance[row][row..];
            upper.iter().for_each(|number| write_number(&mut text, *number));
        }
        text
    }
}

impl<const N: usize> TryFrom<String> for Filter<N> {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let wanted = 1 + N + N * (N + 1) / 2;
        if text.len() != wanted * LETTERS_A_NUMBER {
            return Err(format!("a filter of {} letters, not {wanted} numbers", text.len()));
        }
        let numbers: Option<Vec<f64>> =
            text.as_bytes().chunks(LETTERS_A_NUMBER).map(read_number).collect();
        let mut numbers = numbers.ok_or("a filter with a letter that is none")?.into_iter();
        let mut next = || numbers.next().unwrap_or_default();
        let log_weight = next();
        let mean = std::array::from_fn(|_| next());
        let mut covariance = [[0.0; N]; N];
        for row in 0..N {
            for column in row..N {
                let cell = next();
                covariance[row][column] = cell;
                covariance[column][row] = cell;
            }
        }
        Ok(Filter { log_weight, mean, covariance })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn knowledge_can_be_taken_back() {
        let mut filter = Filter::independent(0.0, [1.0, 2.0], [4.0, 9.0]);
        let before = filter.clone();
        filter.learn(&[1.0, 1.0], 5.0, 2.0);
        assert!(filter.sum(&[1.0, 1.0]).1 < 2.0);
        filter.learn(&[1.0, 1.0], 5.0, -2.0);
        for row in 0..2 {
            assert!((filter.mean[row] - before.mean[row]).abs() < 1e-12);
            for column in 0..2 {
                let difference = filter.covariance[row][column] - before.covariance[row][column];
                assert!(difference.abs() < 1e-12);
            }
        }
    }

    #[test]
    fn what_was_forgotten_is_not_taken_back() {
        let mut filter = Filter::independent(0.0, [1.0], [4.0]);
        filter.learn(&[1.0], 5.0, 2.0);
        filter.covariance[0][0] += 9.0;
        let before = filter.clone();
        filter.learn(&[1.0], 5.0, -2.0);
        assert_eq!(filter, before);
    }

    #[test]
    fn an_outlier_moves_little() {
        let mut filter = Filter::independent(0.0, [10.0], [1.0]);
        let told = filter.observe(&[1.0], 30.0, 1.0);
        assert!(told.ordinary < 1e-6);
        assert!((filter.mean[0] - 10.0).abs() < 1e-3);
        let told = filter.observe(&[1.0], 11.0, 1.0);
        assert!(told.ordinary > 0.98);
        assert!((filter.mean[0] - 10.5).abs() < 0.02);
    }

    #[test]
    fn two_beliefs_joined_have_the_moments_of_their_mixture() {
        let mut one = Filter::independent(0.0, [0.0, 1.0], [1.0, 0.5]);
        one.join(&Filter::independent(3f64.ln(), [4.0, 1.0], [2.0, 0.5]));
        assert!((one.log_weight - 4f64.ln()).abs() < 1e-12);
        assert!((one.mean[0] - 3.0).abs() < 1e-12 && (one.mean[1] - 1.0).abs() < 1e-12);
        let variance = 0.25 * (1.0 + 9.0) + 0.75 * (2.0 + 1.0);
        assert!((one.covariance[0][0] - variance).abs() < 1e-12);
        assert!((one.covariance[1][1] - 0.5).abs() < 1e-12 && one.covariance[0][1].abs() < 1e-12);
    }

    #[test]
    fn a_jump_is_known_but_for_one_factor() {
        let mut filter = Filter::independent(0.0, [10.0, 50.0], [0.04, 1.0]);
        filter.jump(&[(0, 8.0), (1, 6.0)], 0.1);
        assert_eq!(filter.mean, [18.0, 56.0]);
        assert!((filter.covariance[0][0] - 0.68).abs() < 1e-12);
        // A reading tells that there was a tenth more of it: so the other number has more too.
        filter.learn(&[1.0, 0.0], 18.8, 1e-4);
        assert!((filter.mean[1] - 56.564).abs() < 0.01, "{}", filter.mean[1]);
    }

    #[test]
    fn what_is_exchanged_leaves_the_sum_as_it_was() {
        let mut filter = Filter::independent(0.0, [10.0, 2.0], [1.0, 1.0]);
        filter.exchange(0, &[1], 9.0);
        assert_eq!(filter.sum(&[1.0, 1.0]).1, 2.0);
        assert_eq!(filter.sum(&[1.0, 0.0]).1, 10.0);
        filter.learn(&[1.0, 0.0], 13.0, 0.001);
        let (gravity, offset) = (filter.mean[0], filter.mean[1]);
        assert!((gravity - 13.0).abs() < 0.01 && (offset + 0.7).abs() < 0.01, "{offset}");
        filter.forget(1, 0.0);
        assert_eq!(filter.covariance[0][1], 0.0);
    }

    #[test]
    fn a_stored_filter_is_the_same() {
        let mut filter = Filter::independent(-0.1, [1.0, 2.0, 0.3], [4.0, 9.0, 0.1]);
        filter.observe(&[1.0, 0.7, -1.0], 3.0, 0.1);
        filter.jump(&[(0, 4.7), (1, 3.1), (2, 1.9)], 0.3);
        let stored: String = filter.clone().into();
        assert_eq!(stored.len(), 110);
        assert_eq!(Filter::<3>::try_from(stored.clone()).unwrap(), filter);
        assert!(Filter::<3>::try_from(stored[1..].to_owned()).is_err());
        for letter in ["_", "+", "é"] {
            let changed = format!("{}{letter}", &stored[..110 - letter.len()]);
            assert!(Filter::<3>::try_from(changed).is_err(), "{letter}");
        }
    }
}
