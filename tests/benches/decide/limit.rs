//! What no rule can do: how often a slow second sugar must be called too early by a rule that calls
//! plain tails in time, however it is made.
//!
//! By the delay's goal, half of all plain tails are called by some hour. Data from the slow sugar
//! up to that hour look like those of the plain tail that is most like it, shifted by `d` standard
//! deviations. By Neyman and Pearson (1933, Phil. Trans. A 231, 289-337) any rule that says yes to
//! half of the one says yes to at least Φ(−d) of the other. The rule may know the noise exactly.

use crate::beer::{Ending, TAIL};
use nalgebra::{Cholesky, DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, Normal};

/// Two readings are joined, in h.
const STEP: f64 = 0.5;
/// How well the final gravity is known beforehand in the float's frame, in points: the recipe's
/// error and the float's offset.
const FINAL_SD: f64 = 2.0;

/// A plain tail that looks like the slow sugar: points, time constant, squared distance.
struct Double {
    points: f64,
    tau: f64,
    squared: f64,
}

/// Prints, for a noise and the quicker mode's goal, the least share of slow sugars that are called
/// with more than one point left.
pub fn line(noise: f64, goal: f64) {
    let slow_one = Ending::SlowSugar.one_left() - Ending::SlowSugar.tail();
    let mut hour = 24.0 * TAIL.ln() + goal;
    let mut double = closest(noise, hour);
    for _ in 0..3 {
        hour = double.tau * double.points.ln() + goal;
        double = closest(noise, hour.min(slow_one));
    }
    let d = double.squared.sqrt();
    let standard = Normal::new(0.0, 1.0).expect("a standard normal");
    let least = 100.0 * standard.cdf(-d);
    let said = if hour < slow_one {
        format!("no rule has less than {least:.0} % with more than 1 point left")
    } else {
        "no limit: by then less than 1 point is left".to_owned()
    };
    println!(
        "noise {noise}, goal {goal} h: its double has {:.1} points and {:.1} h, half called by \
         {hour:.0} h; d = {d:.2}: {said}",
        double.points, double.tau
    );
}

/// The plain tail that is hardest to tell from the slow sugar with readings until `hour`.
fn closest(noise: f64, hour: f64) -> Double {
    let count = (hour / STEP) as usize;
    let time = |index: usize| index as f64 * STEP;
    let covariance = DMatrix::from_fn(count, count, |row, column| {
        let lasting = 0.5 * (-(time(row) - time(column)).abs() / 5.0).exp();
        noise * noise * (lasting + if row == column { 0.25 } else { 0.0 })
    });
    let root = Cholesky::new(covariance).expect("a covariance").unpack();
    let white = |values: DVector<f64>| {
        root.solve_lower_triangular(&values).expect("a root without zeros on its diagonal")
    };
    let start = Ending::SlowSugar.tail();
    let slow =
        white(DVector::from_fn(count, |index, _| Ending::SlowSugar.left(start + time(index))));
    let level = white(DVector::from_element(count, 1.0));
    let taus = (0..80).map(|index| 12.0 + 0.3 * f64::from(index));
    let doubles = taus.map(|tau| {
        let falling = white(DVector::from_fn(count, |index, _| (-time(index) / tau).exp()));
        // Least squares in two unknowns, the level with what is known of it beforehand.
        let (ll, lf) = (level.dot(&level) + FINAL_SD.powi(-2), level.dot(&falling));
        let ff = falling.dot(&falling);
        let (ls, fs) = (level.dot(&slow), falling.dot(&slow));
        let determinant = ll * ff - lf * lf;
        let higher = (ls * ff - fs * lf) / determinant;
        let points = (fs * ll - ls * lf) / determinant;
        let rest = &slow - &level * higher - &falling * points;
        Double { points, tau, squared: rest.dot(&rest) + (higher / FINAL_SD).powi(2) }
    });
    doubles.min_by(|a, b| a.squared.total_cmp(&b.squared)).expect("80 of them")
}
