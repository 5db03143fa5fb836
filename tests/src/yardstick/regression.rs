//! Slopes with their uncertainty: least squares, Newey-West, equivalence, Theil-Sen.

use super::median;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// A straight line by ordinary least squares.
#[derive(Debug, Clone)]
pub struct Line {
    /// How many points.
    pub count: usize,
    /// In units of y per unit of x.
    pub slope: f64,
    /// At x = 0.
    pub intercept: f64,
    /// Standard error of the slope, errors taken as independent.
    pub slope_error: f64,
    /// Residual standard deviation, with n − 2 degrees of freedom.
    pub residual_sd: f64,
    /// Share of the variance that the line explains.
    pub r_squared: f64,
    x: Vec<f64>,
    residuals: Vec<f64>,
}

impl Line {
    /// Fits y to x.
    ///
    /// # Panics
    /// With fewer than three points, or with slices of two lengths.
    pub fn fit(x: &[f64], y: &[f64]) -> Line {
        assert!(x.len() == y.len() && x.len() > 2, "a line needs three points");
        let count = x.len();
        let (mean_x, mean_y) = (mean(x), mean(y));
        let sxx: f64 = x.iter().map(|x| (x - mean_x).powi(2)).sum();
        let sxy: f64 = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
        let syy: f64 = y.iter().map(|y| (y - mean_y).powi(2)).sum();
        let slope = sxy / sxx;
        let residuals: Vec<f64> =
            x.iter().zip(y).map(|(x, y)| y - mean_y - slope * (x - mean_x)).collect();
        let squares: f64 = residuals.iter().map(|residual| residual * residual).sum();
        let variance = squares / (count - 2) as f64;
        Line {
            count,
            slope,
            intercept: mean_y - slope * mean_x,
            slope_error: (variance / sxx).sqrt(),
            residual_sd: variance.sqrt(),
            r_squared: 1.0 - squares / syy,
            x: x.to_vec(),
            residuals,
        }
    }

    /// Student's t with this line's degrees of freedom, at this cumulated probability.
    pub fn quantile(&self, probability: f64) -> f64 {
        student(self.count).inverse_cdf(probability)
    }

    /// Lag-one autocorrelation of the residuals.
    pub fn autocorrelation(&self) -> f64 {
        let all: f64 = self.residuals.iter().map(|residual| residual * residual).sum();
        let lagged: f64 = self.residuals.windows(2).map(|pair| pair[0] * pair[1]).sum();
        lagged / all
    }

    /// Standard errors (slope, intercept) that hold under autocorrelation: Newey and West 1987,
    /// Bartlett weights, times n / (n − 2).
    pub fn newey_west(&self, lags: usize) -> (f64, f64) {
        // Centred, so that the cross product is diagonal; moved back at the end.
        let mean_x = mean(&self.x);
        let scores: Vec<[f64; 2]> = self
            .x
            .iter()
            .zip(&self.residuals)
            .map(|(x, residual)| [*residual, (x - mean_x) * residual])
            .collect();
        let mut middle = [[0.0; 2]; 2];
        for lag in 0..=lags.min(self.count - 1) {
            let weight = 1.0 - lag as f64 / (lags + 1) as f64;
            for (late, early) in scores[lag..].iter().zip(&scores) {
                for row in 0..2 {
                    for column in 0..2 {
                        let once = late[row] * early[column];
                        let twice = if lag == 0 { 0.0 } else { late[column] * early[row] };
                        middle[row][column] += weight * (once + twice);
                    }
                }
            }
        }
        let n = self.count as f64;
        let sxx: f64 = self.x.iter().map(|x| (x - mean_x).powi(2)).sum();
        let small = n / (n - 2.0);
        let slope = middle[1][1] / (sxx * sxx) * small;
        let centre = middle[0][0] / (n * n) * small;
        let cross = middle[0][1] / (n * sxx) * small;
        let intercept = centre - 2.0 * mean_x * cross + mean_x * mean_x * slope;
        (slope.sqrt(), intercept.sqrt())
    }
}

/// Two one-sided tests of |slope| < `bound` (Schuirmann 1987).
#[derive(Debug, Clone, Copy)]
pub struct Equivalence {
    /// t of the lower test.
    pub lower_t: f64,
    /// t of the upper test.
    pub upper_t: f64,
    /// p of the lower test.
    pub lower_p: f64,
    /// p of the upper test.
    pub upper_p: f64,
}

impl Equivalence {
    /// With a slope, its standard error and the number of points.
    pub fn test(slope: f64, error: f64, count: usize, bound: f64) -> Equivalence {
        let (lower_t, upper_t) = ((slope + bound) / error, (slope - bound) / error);
        let student = student(count);
        Equivalence {
            lower_t,
            upper_t,
            lower_p: student.sf(lower_t),
            upper_p: student.cdf(upper_t),
        }
    }

    /// The larger of the two p.
    pub fn p(&self) -> f64 {
        self.lower_p.max(self.upper_p)
    }
}

/// The median of all pairwise slopes, with its interval (Theil 1950, Sen 1968, eq. 2.6).
#[derive(Debug, Clone, Copy)]
pub struct TheilSen {
    /// The median slope.
    pub slope: f64,
    /// median(y) − slope · median(x).
    pub intercept_separate: f64,
    /// median(y − slope · x).
    pub intercept_joint: f64,
    /// Lower end of the interval of the slope.
    pub low: f64,
    /// Upper end of the interval of the slope.
    pub high: f64,
}

impl TheilSen {
    /// Fits y to x; `confidence` is that of the interval.
    ///
    /// # Panics
    /// Where no two x differ.
    pub fn fit(x: &[f64], y: &[f64], confidence: f64) -> TheilSen {
        let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
        for later in 0..x.len() {
            for earlier in 0..x.len() {
                if x[later] > x[earlier] {
                    slopes.push((y[later] - y[earlier]) / (x[later] - x[earlier]));
                }
            }
        }
        let slope = median(&mut slopes);
        let (low, high) = interval(&slopes, x, y, confidence);
        let mut rest: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
        TheilSen {
            slope,
            intercept_separate: median(&mut y.to_vec()) - slope * median(&mut x.to_vec()),
            intercept_joint: median(&mut rest),
            low,
            high,
        }
    }
}

fn interval(slopes: &[f64], x: &[f64], y: &[f64], confidence: f64) -> (f64, f64) {
    let z = Normal::standard().inverse_cdf((1.0 - confidence) / 2.0);
    let term = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(|a, b| a.partial_cmp(b).expect("no NaN"));
        sorted.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum()
    };
    let sigma = ((term(y.len() as f64) - ties(x) - ties(y)) / 18.0).sqrt();
    let pairs = slopes.len() as f64;
    let upper = ((pairs - z * sigma) / 2.0).round_ties_even().min(pairs - 1.0);
    let lower = (((pairs + z * sigma) / 2.0).round_ties_even() - 1.0).max(0.0);
    (slopes[lower as usize], slopes[upper as usize])
}

fn student(count: usize) -> StudentsT {
    StudentsT::new(0.0, 1.0, (count - 2) as f64).expect("at least three points")
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
