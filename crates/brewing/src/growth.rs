//! Two curves that a falling gravity is compared with; the estimate of the engine uses neither.

/// The four-parameter logistic of ASBC Yeast-14: `final_sg` + `drop_sg`/(1 + exp(b·(t − m))), with
/// t and the middle m in h and the steepness b in 1/h.
///
/// Source: Speers, Rogers, Smith, J. Inst. Brew. 109 (2003) 229-235 (exact form from memory).
pub fn logistic4(hours: f64, final_sg: f64, drop_sg: f64, per_hour: f64, middle_hours: f64) -> f64 {
    final_sg + drop_sg / (1.0 + (per_hour * (hours - middle_hours)).exp())
}

/// The modified Gompertz curve, falling: `initial_sg` − `drop_sg`·exp(−exp(µ·e/drop·(λ − t) + 1)),
/// with the steepest fall µ in SG/h and the lag λ in h.
///
/// Source: the form of Zwietering and others, Appl. Environ. Microbiol. 56 (1990) (from memory).
pub fn gompertz(
    hours: f64,
    initial_sg: f64,
    drop_sg: f64,
    fall_sg_per_hour: f64,
    lag_hours: f64,
) -> f64 {
    let inner = fall_sg_per_hour * std::f64::consts::E / drop_sg * (lag_hours - hours) + 1.0;
    initial_sg - drop_sg * (-inner.exp()).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curves_run_from_the_first_gravity_to_the_last() {
        assert!((logistic4(0.0, 1.010, 0.040, 0.2, 60.0) - 1.050).abs() < 1e-5);
        assert!((logistic4(200.0, 1.010, 0.040, 0.2, 60.0) - 1.010).abs() < 1e-9);
        assert!((gompertz(0.0, 1.050, 0.040, 0.001, 30.0) - 1.050).abs() < 1e-4);
        assert!((gompertz(400.0, 1.050, 0.040, 0.001, 18.0) - 1.010).abs() < 1e-6);
    }
}
