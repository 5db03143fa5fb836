//! What the banks make of a weighted sum some hours ahead: each filter by itself, and all together.

use crate::bank::{Member, WANDERS, stood};
use crate::filter::Filter;
use crate::normal::{Part, deviation};
use crate::trend::{OFFSET_WANDER, Weights};

/// A weighted sum (without the lasting noise) so many hours ahead, for filters of `N` numbers.
pub(crate) struct Ahead<const N: usize> {
    step: f64,
    gravity: f64,
    slope: f64,
    offset: f64,
    /// The weights that make the same sum of the numbers as they are now, but for what the beer's
    /// slope and the offset wander until then.
    now: [f64; N],
}

impl<const N: usize> Ahead<N> {
    /// With the offset that stands there.
    pub fn new(weights: Weights, step: f64, offset_place: usize) -> Self {
        let [gravity, slope, _, offset, original] = weights;
        let mut now = [0.0; N];
        (now[0], now[1], now[4]) = (gravity, slope + step * gravity, original);
        now[offset_place] = offset;
        Ahead { step, gravity, slope, offset, now }
    }

    /// As one filter has it.
    pub fn of(&self, member: &Member<N>) -> Part {
        let part = member.part(&self.now);
        let gained = self.gained(WANDERS[member.wander].powi(2));
        Part { variance: part.variance + gained, ..part }
    }

    /// Mean and standard deviation as all of them have it.
    pub fn of_all(&self, joined: &Joined<N>) -> (f64, f64) {
        let (mean, variance) = joined.filter.sum(&self.now);
        (mean, deviation(variance + self.gained(joined.wander)))
    }

    /// The variance that the sum gains on the way; the slope wanders by this variance an hour.
    fn gained(&self, wander: f64) -> f64 {
        let Ahead { step, gravity, slope, offset, .. } = self;
        let shape = gravity * gravity * step * step / 3.0 + gravity * slope * step + slope * slope;
        wander * step * shape + offset * offset * OFFSET_WANDER.powi(2) * step
    }
}

/// The one normal belief that has the moments of all filters which hold that nothing has moved, and
/// the mean of the variances by which their slopes wander.
#[derive(Debug, Clone)]
pub(crate) struct Joined<const N: usize> {
    filter: Filter<N>,
    wander: f64,
}

impl<const N: usize> Joined<N> {
    /// Of a bank; `None` of an empty one.
    pub fn of(members: &[Member<N>]) -> Option<Self> {
        let weighed = || stood(members).map(|member| (member.filter.log_weight.exp(), member));
        let total: f64 = weighed().map(|(weight, _)| weight).sum();
        if total <= 0.0 {
            return None;
        }
        let mut joined =
            Joined { filter: Filter::independent(total.ln(), [0.0; N], [0.0; N]), wander: 0.0 };
        for (weight, member) in weighed() {
            let share = weight / total;
            joined.wander += share * WANDERS[member.wander].powi(2);
            for (sum, mean) in joined.filter.mean.iter_mut().zip(&member.filter.mean) {
                *sum += share * mean;
            }
        }
        let mean = joined.filter.mean;
        for (weight, Member { filter, .. }) in weighed() {
            let share = weight / total;
            let off: [f64; N] = std::array::from_fn(|place| filter.mean[place] - mean[place]);
            for (row, cells) in joined.filter.covariance.iter_mut().enumerate() {
                for (column, cell) in cells.iter_mut().enumerate() {
                    *cell += share * (filter.covariance[row][column] + off[row] * off[column]);
                }
            }
        }
        Some(joined)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::normal::mixture_moments;
    use crate::trend::{FALLEN, FRAME, GRAVITY, OFFSET, ORIGINAL, SLOPE};

    fn member(log_weight: f64, wander: usize, moved: bool) -> Member<5> {
        let at = wander as f64;
        let mut filter = Filter::independent(
            log_weight,
            [40.0 - at, -0.3 * at, 0.1, 0.5 + at, 50.0 + 0.1 * at],
            [0.2 + at, 0.01, 0.1, 1.0, 0.4],
        );
        filter.exchange(0, &[3], 0.3);
        Member { noise: 0, wander, moved, filter }
    }

    #[test]
    fn all_together_have_the_moments_of_the_mixture() {
        let stays = [(0.0, 0), (-1.2, 2), (-0.3, 4)].map(|(weight, at)| member(weight, at, false));
        let members: Vec<_> = stays.into_iter().chain([member(0.0, 3, true)]).collect();
        let joined = Joined::of(&members).unwrap();
        let weights = [GRAVITY, SLOPE, OFFSET, ORIGINAL, FALLEN, FRAME, [0.3, 2.0, 0.0, -0.5, 1.0]];
        for weights in weights {
            for step in [0.0, 0.7, 30.0] {
                let ahead = Ahead::new(weights, step, 3);
                let parts = stood(&members).map(|member| ahead.of(member));
                let (mean, sd) = mixture_moments(parts).unwrap();
                let (all, all_sd) = ahead.of_all(&joined);
                assert!((mean - all).abs() < 1e-9, "{weights:?} {step}: {mean} {all}");
                assert!((sd - all_sd).abs() < 1e-9, "{weights:?} {step}: {sd} {all_sd}");
            }
        }
        assert!(Joined::of(&members[3..]).is_none(), "one that holds it has moved is left out");
    }
}
