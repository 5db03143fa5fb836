//! A local linear trend by Kalman filter, with the smoother of Rauch, Tung and Striebel (1965).

/// A 2-vector: level and slope.
pub type Vector = [f64; 2];
/// A symmetric 2 × 2 matrix.
pub type Matrix = [[f64; 2]; 2];

/// How the trend wanders and what is known at the start.
#[derive(Debug, Clone, Copy)]
pub struct Trend {
    /// Variance of one observation.
    pub observation: f64,
    /// Process noise over a step of this length.
    pub process: fn(&Trend, f64) -> Matrix,
    /// Variance that the level gains a unit of time.
    pub level: f64,
    /// Variance that the slope gains a unit of time.
    pub slope: f64,
    /// Level and slope before the first observation.
    pub start: Vector,
    /// Their covariance.
    pub start_covariance: Matrix,
}

/// Filtered and smoothed states at each observation.
#[derive(Debug, Clone, Default)]
pub struct States {
    /// Given the observations up to each.
    pub filtered: Vec<(Vector, Matrix)>,
    /// Given all observations.
    pub smoothed: Vec<(Vector, Matrix)>,
    /// Logarithm of the likelihood of each observation; 0 for a missing one.
    pub log_likelihood: Vec<f64>,
}

/// White noise on the slope in continuous time, integrated exactly.
pub fn continuous(trend: &Trend, step: f64) -> Matrix {
    let cross = trend.slope * step * step / 2.0;
    [[trend.level * step + trend.slope * step.powi(3) / 3.0, cross], [cross, trend.slope * step]]
}

/// Independent noise on level and slope at each unit step.
pub fn discrete(trend: &Trend, _step: f64) -> Matrix {
    [[trend.level, 0.0], [0.0, trend.slope]]
}

impl Trend {
    /// Runs filter and smoother; a missing observation is `None`.
    pub fn run(&self, t: &[f64], y: &[Option<f64>]) -> States {
        let mut states = States::default();
        let mut predicted = (self.start, self.start_covariance);
        let mut predictions = Vec::new();
        for index in 0..t.len() {
            if index > 0 {
                predicted = self.predict(states.filtered[index - 1], t[index] - t[index - 1]);
            }
            predictions.push(predicted);
            let (updated, log) = y[index].map_or((predicted, 0.0), |y| self.update(predicted, y));
            states.filtered.push(updated);
            states.log_likelihood.push(log);
        }
        states.smoothed = smooth(t, &states.filtered, &predictions);
        states
    }

    fn predict(&self, (x, p): (Vector, Matrix), step: f64) -> (Vector, Matrix) {
        let q = (self.process)(self, step);
        let cross = p[0][1] + step * p[1][1];
        let level = p[0][0] + 2.0 * step * p[0][1] + step * step * p[1][1];
        (
            [x[0] + step * x[1], x[1]],
            [[level + q[0][0], cross + q[0][1]], [cross + q[0][1], p[1][1] + q[1][1]]],
        )
    }

    fn update(&self, (x, p): (Vector, Matrix), y: f64) -> ((Vector, Matrix), f64) {
        let s = p[0][0] + self.observation;
        let gain = [p[0][0] / s, p[0][1] / s];
        let error = y - x[0];
        let cross = p[0][1] - gain[0] * p[0][1];
        let log = -0.5 * ((std::f64::consts::TAU * s).ln() + error * error / s);
        (
            (
                [x[0] + gain[0] * error, x[1] + gain[1] * error],
                [[p[0][0] - gain[0] * p[0][0], cross], [cross, p[1][1] - gain[1] * p[0][1]]],
            ),
            log,
        )
    }
}

fn smooth(
    t: &[f64],
    filtered: &[(Vector, Matrix)],
    predictions: &[(Vector, Matrix)],
) -> Vec<(Vector, Matrix)> {
    let mut smoothed = filtered.to_vec();
    for index in (0..filtered.len().saturating_sub(1)).rev() {
        let step = t[index + 1] - t[index];
        let (x, p) = filtered[index];
        let (ahead, ahead_p) = predictions[index + 1];
        let moved = [[p[0][0] + step * p[0][1], p[0][1]], [p[0][1] + step * p[1][1], p[1][1]]];
        let gain = product(moved, inverse(ahead_p));
        let (next, next_p) = smoothed[index + 1];
        let change = [next[0] - ahead[0], next[1] - ahead[1]];
        let mut x_new = x;
        for row in 0..2 {
            x_new[row] += gain[row][0] * change[0] + gain[row][1] * change[1];
        }
        let less = [
            [next_p[0][0] - ahead_p[0][0], next_p[0][1] - ahead_p[0][1]],
            [next_p[1][0] - ahead_p[1][0], next_p[1][1] - ahead_p[1][1]],
        ];
        let turned = product(product(gain, less), transposed(gain));
        let mut p_new = p;
        for row in 0..2 {
            for column in 0..2 {
                p_new[row][column] += turned[row][column];
            }
        }
        smoothed[index] = (x_new, p_new);
    }
    smoothed
}

fn product(a: Matrix, b: Matrix) -> Matrix {
    let mut out = [[0.0; 2]; 2];
    for (row, line) in out.iter_mut().enumerate() {
        for (column, cell) in line.iter_mut().enumerate() {
            *cell = a[row][0] * b[0][column] + a[row][1] * b[1][column];
        }
    }
    out
}

fn transposed(a: Matrix) -> Matrix {
    [[a[0][0], a[1][0]], [a[0][1], a[1][1]]]
}

fn inverse(a: Matrix) -> Matrix {
    let determinant = a[0][0] * a[1][1] - a[0][1] * a[1][0];
    [
        [a[1][1] / determinant, -a[0][1] / determinant],
        [-a[1][0] / determinant, a[0][0] / determinant],
    ]
}
