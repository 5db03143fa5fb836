//! Straight lines by least squares: through values whose errors last, and through few samples whose
//! errors are known in size.

use super::figure::Figure;
use super::robust::mean;

/// How much a stated standard deviation weighs beside what the samples themselves scatter, in
/// degrees of freedom: a choice.
const STATED_DEGREES: f64 = 4.0;

/// A straight line by ordinary least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// In units of y per unit of x.
    pub slope: f64,
    /// At the mean of x.
    pub centre: f64,
    /// Standard error of the slope, errors taken as independent.
    pub slope_error: f64,
    /// Standard error of `centre`, errors taken as independent.
    pub centre_error: f64,
    from_mean: Vec<f64>,
    residuals: Vec<f64>,
}

impl Line {
    /// Fits y to x; `None` with fewer than three points, or where all x are one.
    pub fn fit(x: &[f64], y: &[f64]) -> Option<Line> {
        if x.len() < 3 || x.len() != y.len() {
            return None;
        }
        let (mean_x, centre, n) = (mean(x), mean(y), x.len() as f64);
        let from_mean: Vec<f64> = x.iter().map(|x| x - mean_x).collect();
        let sxx: f64 = from_mean.iter().map(|x| x * x).sum();
        let slope = from_mean.iter().zip(y).map(|(x, y)| x * (y - centre)).sum::<f64>() / sxx;
        let residuals: Vec<f64> =
            from_mean.iter().zip(y).map(|(x, y)| y - centre - slope * x).collect();
        let variance = residuals.iter().map(|r| r * r).sum::<f64>() / (n - 2.0);
        let (slope_error, centre_error) = ((variance / sxx).sqrt(), (variance / n).sqrt());
        (sxx > 0.0 && slope.is_finite()).then_some(Line {
            slope,
            centre,
            slope_error,
            centre_error,
            from_mean,
            residuals,
        })
    }

    /// Standard errors of slope and centre that hold where errors last: Newey and West 1987,
    /// Bartlett's weights over `lags`, times n/(n − 2).
    pub fn newey_west(&self, lags: usize) -> (f64, f64) {
        let n = self.residuals.len() as f64;
        let sxx: f64 = self.from_mean.iter().map(|x| x * x).sum();
        let scores: Vec<f64> =
            self.from_mean.iter().zip(&self.residuals).map(|(x, r)| x * r).collect();
        let error = |scores: &[f64], scale: f64| {
            (lasting_square(scores, lags) * n / (n - 2.0)).sqrt() / scale
        };
        (error(&scores, sxx), error(&self.residuals, n))
    }

    /// Slope and centre, each with the larger of two standard errors: that of independent errors,
    /// `widened` by this factor, is too small where errors last longer than was thought; Newey and
    /// West's is too small on short rows.
    pub(super) fn figures(&self, widened: f64) -> (Option<Figure>, Option<Figure>) {
        let n = self.residuals.len() as f64;
        let (slope_error, centre_error) = self.newey_west(n.cbrt() as usize);
        let figure = |value, independent: f64, lasting| {
            Figure::student(value, (widened * independent).max(lasting), n - 2.0)
        };
        (
            figure(self.slope, self.slope_error, slope_error),
            figure(self.centre, self.centre_error, centre_error),
        )
    }
}

/// The variance of a sum whose terms have mean 0, by Bartlett's weights over `lags`; never below
/// nothing.
pub(super) fn lasting_square(terms: &[f64], lags: usize) -> f64 {
    let product = |lag: usize| -> f64 { terms[lag..].iter().zip(terms).map(|(a, b)| a * b).sum() };
    let lags = lags.min(terms.len().saturating_sub(1));
    let lasting: f64 =
        (1..=lags).map(|lag| 2.0 * (1.0 - lag as f64 / (lags + 1) as f64) * product(lag)).sum();
    (product(0) + lasting).max(0.0)
}

/// Mean and slope of few values whose errors are known in size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Weighed {
    /// The mean over the samples' times.
    pub mean: Option<Figure>,
    /// The slope, in units of the values per unit of time; `None` below two values or at one time.
    pub slope: Option<Figure>,
}

/// Weighs values at times, by generalised least squares with this covariance of their errors (as
/// stated, so many rows of so many numbers).
///
/// The errors may be larger than stated. Their common factor is learned from how far the values
/// scatter, the stated size counting as [`STATED_DEGREES`] degrees of freedom (the conjugate prior
/// of a normal variance: Gelman et al., Bayesian Data Analysis, section 3.3), and it is never taken
/// to be below 1: scatter that happens to be small makes nothing surer than was stated.
pub(super) fn weigh(times: &[f64], values: &[f64], covariance: &[Vec<f64>]) -> Option<Weighed> {
    let root = cholesky(covariance)?;
    let ones = solve(&root, &vec![1.0; times.len()]);
    let (times, values) = (solve(&root, times), solve(&root, values));
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let less = |a: &[f64], factor: f64, b: &[f64]| -> Vec<f64> {
        a.iter().zip(b).map(|(a, b)| a - factor * b).collect()
    };
    let weight = dot(&ones, &ones);
    let mean = dot(&ones, &values) / weight;
    let about_mean = less(&values, mean, &ones);
    // Orthogonal to the mean, so that both are found apart.
    let from_centre = less(&times, dot(&ones, &times) / weight, &ones);
    let stretch = dot(&from_centre, &from_centre);
    let slope = dot(&from_centre, &values) / stretch;
    let about_line = less(&about_mean, slope, &from_centre);
    let figure = |value: f64, residuals: &[f64], known: usize, weight: f64| {
        let degrees = STATED_DEGREES + values.len().checked_sub(known)? as f64;
        let factor = ((STATED_DEGREES + dot(residuals, residuals)) / degrees).max(1.0);
        Figure::student(value, (factor / weight).sqrt(), degrees)
    };
    let slope = (stretch > 0.0).then(|| figure(slope, &about_line, 2, stretch)).flatten();
    Some(Weighed { mean: figure(mean, &about_mean, 1, weight), slope })
}

/// The lower triangle whose square is the matrix; `None` where it has none.
fn cholesky(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let mut root: Vec<Vec<f64>> = Vec::with_capacity(matrix.len());
    for row in matrix {
        let mut ours: Vec<f64> = Vec::with_capacity(root.len() + 1);
        for (above, value) in root.iter().zip(row) {
            let known: f64 = ours.iter().zip(above).map(|(a, b)| a * b).sum();
            ours.push((value - known) / above[ours.len()]);
        }
        let known: f64 = ours.iter().map(|a| a * a).sum();
        let left = row.get(ours.len())? - known;
        if !(left > 0.0 && left.is_finite()) {
            return None;
        }
        ours.push(left.sqrt());
        root.push(ours);
    }
    Some(root)
}

/// Solves a lower triangle for a right side.
fn solve(root: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let mut found: Vec<f64> = Vec::with_capacity(right.len());
    for (row, value) in root.iter().zip(right) {
        let known: f64 = row.iter().zip(&found).map(|(a, b)| a * b).sum();
        found.push((value - known) / row[found.len()]);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn diagonal(variances: &[f64]) -> Vec<Vec<f64>> {
        let row = |at: usize| {
            (0..variances.len()).map(|to| if at == to { variances[at] } else { 0.0 }).collect()
        };
        (0..variances.len()).map(row).collect()
    }

    #[test]
    fn equal_errors_give_the_plain_mean_and_line() {
        let (times, values) = ([0.0, 1.0, 3.0, 4.0], [1.0, 3.0, 2.0, 6.0]);
        let weighed = weigh(&times, &values, &diagonal(&[1.0; 4])).unwrap();
        let line = Line::fit(&times, &values).unwrap();
        assert!((weighed.mean.unwrap().value - 3.0).abs() < 1e-12);
        assert!((weighed.slope.unwrap().value - line.slope).abs() < 1e-12);
    }

    /// One sample of 1 point: Student's t of 4 degrees.
    #[test]
    fn one_sample_is_as_good_as_it_says_and_no_better() {
        let weighed = weigh(&[2.0], &[1.5], &diagonal(&[1.0])).unwrap();
        let mean = weighed.mean.unwrap();
        assert!((mean.half() - 2.776).abs() < 1e-3, "{mean:?}");
        assert_eq!(weighed.slope, None);
    }

    #[test]
    fn a_sample_more_never_makes_it_less_sure_where_they_agree() {
        let half = |count: usize| {
            let times: Vec<f64> = (0..count).map(|at| at as f64).collect();
            weigh(&times, &vec![1.0; count], &diagonal(&vec![1.0; count])).unwrap().mean.unwrap()
        };
        for count in 1..12 {
            assert!(half(count + 1).sd < half(count).sd);
        }
    }

    #[test]
    fn errors_that_go_together_are_counted_once() {
        let apart = weigh(&[0.0, 1.0], &[1.0, 1.0], &diagonal(&[1.0; 2])).unwrap().mean.unwrap();
        let together = vec![vec![1.0, 0.99], vec![0.99, 1.0]];
        let together = weigh(&[0.0, 1.0], &[1.0, 1.0], &together).unwrap().mean.unwrap();
        assert!(together.sd > 1.35 * apart.sd, "{together:?} {apart:?}");
    }

    #[test]
    fn what_has_no_root_is_not_weighed() {
        assert_eq!(weigh(&[0.0, 1.0], &[1.0, 2.0], &[vec![1.0, 2.0], vec![2.0, 1.0]]), None);
        assert_eq!(weigh(&[0.0], &[1.0], &diagonal(&[0.0])), None);
    }
}
