//! The yardstick of decisions on gravity, and the parts of `compare`, against vectors computed with
//! numpy, scipy and statsmodels.

use barmkeep_tests::vectors::{Row, checked, table};
use barmkeep_tests::yardstick::regression::{Equivalence, Line, TheilSen};
use barmkeep_tests::yardstick::trend::{States, Trend, continuous, discrete};
use barmkeep_tests::yardstick::windows::{WINDOWS, Window, hampel, run};
use belief::compare;
use std::collections::BTreeMap;

type Series = BTreeMap<String, (Vec<f64>, Vec<f64>)>;

/// Times and readings by series; a missing reading is NaN.
fn series(file: &str) -> Series {
    let mut all = Series::new();
    for row in table(file) {
        let (t, y) = all.entry(row.text("series_id").to_owned()).or_default();
        t.push(row.number("t_h"));
        y.push(row.maybe("sg").unwrap_or(f64::NAN));
    }
    all
}

/// Counts what it compares.
#[derive(Default)]
struct Check(usize);

impl Check {
    fn close(&mut self, row: &Row, column: &str, value: f64, relative: f64, absolute: f64) {
        let expected = row.number(column);
        let difference = (value - expected).abs();
        assert!(
            difference <= absolute + relative * expected.abs(),
            "{column}: {value} is not {expected} in {row:?}"
        );
        self.0 += 1;
    }

    fn same(&mut self, row: &Row, column: &str, value: bool) {
        assert_eq!(row.number(column) == 1.0, value, "{column} in {row:?}");
        self.0 += 1;
    }
}

#[test]
fn least_squares_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("ols_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let line = Line::fit(t, y);
        for (column, value) in [
            ("n", line.count as f64),
            ("slope", line.slope),
            ("intercept", line.intercept),
            ("se_slope", line.slope_error),
            ("resid_sd", line.residual_sd),
            ("r2", line.r_squared),
            ("t_0.975", line.quantile(0.975)),
            ("ci95_lo", line.slope - line.quantile(0.975) * line.slope_error),
            ("ci95_hi", line.slope + line.quantile(0.975) * line.slope_error),
            ("ci90_lo", line.slope - line.quantile(0.95) * line.slope_error),
            ("ci90_hi", line.slope + line.quantile(0.95) * line.slope_error),
        ] {
            check.close(&row, column, value, 1e-9, 1e-15);
        }
    }
    checked("ols_expected.csv", check.0);
}

#[test]
fn newey_west_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("hac_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let line = Line::fit(t, y);
        let (slope, intercept) = line.newey_west(row.number("maxlags") as usize);
        check.close(&row, "se_slope_hac", slope, 1e-9, 0.0);
        check.close(&row, "se_intercept_hac", intercept, 1e-9, 0.0);
        check.close(&row, "resid_lag1_autocorr", line.autocorrelation(), 1e-9, 1e-9);
    }
    checked("hac_expected.csv", check.0);
}

#[test]
fn equivalence_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    let lags: BTreeMap<String, usize> = table("hac_expected.csv")
        .iter()
        .map(|row| (row.text("series_id").to_owned(), row.number("maxlags") as usize))
        .collect();
    for row in table("tost_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let line = Line::fit(t, y);
        let error = match row.text("se_kind") {
            "ols" => line.slope_error,
            _ => line.newey_west(lags[row.text("series_id")]).0,
        };
        let test = Equivalence::test(line.slope, error, line.count, row.number("delta_per_h"));
        check.close(&row, "t_lower", test.lower_t, 1e-9, 0.0);
        check.close(&row, "t_upper", test.upper_t, 1e-9, 0.0);
        check.close(&row, "p_lower", test.lower_p, 1e-9, 1e-12);
        check.close(&row, "p_upper", test.upper_p, 1e-9, 1e-12);
        check.close(&row, "p_tost", test.p(), 1e-9, 1e-12);
        check.same(&row, "equivalent_alpha0.05", test.p() < 0.05);
    }
    checked("tost_expected.csv", check.0);
}

#[test]
fn theil_sen_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("theilsen_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let (wide, narrow) = (TheilSen::fit(t, y, 0.95), TheilSen::fit(t, y, 0.90));
        for (column, value) in [
            ("slope", wide.slope),
            ("intercept_separate", wide.intercept_separate),
            ("intercept_joint", wide.intercept_joint),
            ("ci95_lo", wide.low),
            ("ci95_hi", wide.high),
            ("ci90_lo", narrow.low),
            ("ci90_hi", narrow.high),
        ] {
            check.close(&row, column, value, 1e-9, 1e-15);
        }
    }
    checked("theilsen_expected.csv", check.0);
}

#[test]
fn hampel_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("hampel_expected.csv") {
        let (_, y) = &inputs[row.text("series_id")];
        let (index, k) = (row.number("idx") as usize, row.number("k") as usize);
        let (sigmas, floor) = (row.number("nsigma"), row.number("mad_floor"));
        let centred = index.saturating_sub(k)..(index + k + 1).min(y.len());
        let trailing = (index + 1).saturating_sub(2 * k + 1)..index + 1;
        for (name, window) in [("centred", centred), ("trailing", trailing)] {
            let seen = hampel(y, index, window, sigmas, floor);
            check.close(&row, &format!("{name}_median"), seen.median, 1e-9, 0.0);
            check.close(&row, &format!("{name}_mad"), seen.deviation, 1e-9, 1e-15);
            check.same(&row, &format!("{name}_flag"), seen.flagged);
        }
    }
    checked("hampel_expected.csv", check.0);
}

#[test]
fn trend_vectors() {
    let (inputs, mut check) = (series("kalman_inputs.csv"), Check::default());
    let mut runs: BTreeMap<String, States> = BTreeMap::new();
    for row in table("kalman_params.csv") {
        let name = row.text("series_id");
        let (t, y) = &inputs[name];
        let cross = row.number("P0_12");
        let trend = Trend {
            observation: row.number("obs_var"),
            process: continuous,
            level: row.number("level_var_per_h"),
            slope: row.number("slope_var_per_h"),
            start: [row.number("a0_level"), row.number("a0_slope")],
            start_covariance: [[row.number("P0_11"), cross], [cross, row.number("P0_22")]],
        };
        let observed: Vec<Option<f64>> = y.iter().map(|y| (!y.is_nan()).then_some(*y)).collect();
        let states = trend.run(t, &observed);
        let log_likelihood: f64 = states.log_likelihood.iter().sum();
        check.close(&row, "loglik", log_likelihood, 1e-9, 0.0);
        runs.insert(name.to_owned(), states);
    }
    for row in table("kalman_expected.csv") {
        let states = &runs[row.text("series_id")];
        let index = row.number("idx") as usize;
        for (name, (x, p)) in [("filt", states.filtered[index]), ("smooth", states.smoothed[index])]
        {
            for (part, value, absolute) in [
                ("level", x[0], 0.0),
                ("slope", x[1], 1e-14),
                ("P11", p[0][0], 0.0),
                ("P12", p[0][1], 1e-18),
                ("P22", p[1][1], 0.0),
            ] {
                check.close(&row, &format!("{name}_{part}"), value, 1e-9, absolute);
            }
        }
    }
    checked("kalman_expected.csv", check.0);
}

/// The table gives no parameters: its first steps imply them, all later ones check them.
#[test]
fn unit_step_trend_vectors() {
    let rows = table("kalman_discrete_uc_expected.csv");
    let t: Vec<f64> = rows.iter().map(|row| row.number("idx")).collect();
    let y: Vec<Option<f64>> = rows.iter().map(|row| row.maybe("sg")).collect();
    let trend = Trend {
        observation: 6.4e-7,
        process: discrete,
        level: 1e-8,
        slope: 4e-10,
        start: [1.03049, 0.0],
        start_covariance: [[1e-4, 0.0], [0.0, 1e-6]],
    };
    let (states, mut check) = (trend.run(&t, &y), Check::default());
    // statsmodels leaves out as many first steps as there are states.
    let log_likelihood: f64 = states.log_likelihood.iter().skip(2).sum();
    for (index, row) in rows.iter().enumerate() {
        check.close(row, "filt_level", states.filtered[index].0[0], 1e-9, 0.0);
        check.close(row, "filt_slope", states.filtered[index].0[1], 1e-9, 1e-14);
        check.close(row, "smooth_level", states.smoothed[index].0[0], 1e-9, 0.0);
        check.close(row, "smooth_slope", states.smoothed[index].0[1], 1e-9, 1e-14);
        check.close(row, "loglik_total", log_likelihood, 1e-9, 0.0);
    }
    checked("kalman_discrete_uc_expected.csv", check.0);
}

#[test]
fn two_windows_vectors() {
    let inputs = series("endtoend_inputs.csv");
    let runs: BTreeMap<&String, _> =
        inputs.iter().map(|(name, (t, y))| (name, run(t, y, false))).collect();
    let mut check = Check::default();
    for row in table("endtoend_inputs.csv") {
        let flags = &runs[&row.text("series_id").to_owned()].flags;
        check.same(&row, "hampel_flag_expected", flags[row.number("idx") as usize]);
    }
    for row in table("endtoend_hourly_expected.csv") {
        let run = &runs[&row.text("series_id").to_owned()];
        let hour = row.number("h") as usize;
        let said = &run.hours[hour - WINDOWS[0].0];
        assert_eq!(said.hour, hour);
        if let Some(last) = row.maybe("last_bin") {
            let bin = run.bins[hour - 1].expect("a bin where the table has one");
            check.close(&row, "last_bin", bin, 0.0, 1e-9);
            assert!((bin - last).abs() < 1e-9);
        }
        for (name, window) in ["w48", "w72"].into_iter().zip(&said.windows) {
            window_as_expected(&mut check, &row, name, window.as_ref());
        }
        check.close(&row, "streak", said.streak as f64, 0.0, 0.0);
    }
    for row in table("endtoend_summary_expected.csv") {
        let run = &runs[&row.text("series_id").to_owned()];
        let flagged = run.flags.iter().filter(|flag| **flag).count();
        check.close(&row, "n_flagged", flagged as f64, 0.0, 0.0);
        check.close(&row, "declared_h", run.declared.expect("declared") as f64, 0.0, 0.0);
        check.close(&row, "fg_median24", run.final_sg.expect("declared"), 1e-9, 0.0);
    }
    checked("endtoend_*.csv", check.0);
}

/// The program's own parts of `compare`, by the same tables.
#[test]
fn lines_of_compare_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("ols_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let line = compare::line::Line::fit(t, y).expect("a line");
        check.close(&row, "slope", line.slope, 1e-9, 1e-15);
        check.close(&row, "se_slope", line.slope_error, 1e-9, 0.0);
        let error = row.number("resid_sd") / row.number("n").sqrt();
        assert!((line.centre_error - error).abs() < 1e-9 * error, "{row:?}");
    }
    for row in table("hac_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let line = compare::line::Line::fit(t, y).expect("a line");
        let (slope, _) = line.newey_west(row.number("maxlags") as usize);
        check.close(&row, "se_slope_hac", slope, 1e-9, 0.0);
    }
    checked("ols_expected.csv, hac_expected.csv", check.0);
}

#[test]
fn medians_of_compare_vectors() {
    let (inputs, mut check) = (series("stability_inputs.csv"), Check::default());
    for row in table("theilsen_expected.csv") {
        let (t, y) = &inputs[row.text("series_id")];
        let fit = |confidence| compare::robust::TheilSen::fit(t, y, confidence).expect("a line");
        let (wide, narrow) = (fit(0.95), fit(0.90));
        for (column, value) in [
            ("slope", wide.slope),
            ("ci95_lo", wide.low),
            ("ci95_hi", wide.high),
            ("ci90_lo", narrow.low),
            ("ci90_hi", narrow.high),
        ] {
            check.close(&row, column, value, 1e-9, 1e-15);
        }
    }
    for row in table("hampel_expected.csv") {
        let (_, y) = &inputs[row.text("series_id")];
        let (index, k) = (row.number("idx") as usize, row.number("k") as usize);
        let (sigmas, floor) = (row.number("nsigma"), row.number("mad_floor"));
        let centred = index.saturating_sub(k)..(index + k + 1).min(y.len());
        let trailing = (index + 1).saturating_sub(2 * k + 1)..index + 1;
        for (name, window) in [("centred", centred), ("trailing", trailing)] {
            let seen = compare::robust::hampel(y, index, window, sigmas, floor).expect("values");
            check.close(&row, &format!("{name}_median"), seen.median, 1e-9, 0.0);
            check.close(&row, &format!("{name}_mad"), seen.deviation, 1e-9, 1e-15);
            check.same(&row, &format!("{name}_flag"), seen.is_outlying);
        }
    }
    checked("theilsen_expected.csv, hampel_expected.csv", check.0);
}

fn window_as_expected(check: &mut Check, row: &Row, name: &str, window: Option<&Window>) {
    let column = |part: &str| format!("{name}_{part}");
    let Some(window) = window else {
        assert!(row.maybe(&column("slope")).is_none(), "{name} has no answer in {row:?}");
        return;
    };
    for (part, value, absolute) in [
        ("n", window.count as f64, 0.0),
        ("slope", window.slope, 1e-15),
        ("se_ols", window.error_ols, 1e-15),
        ("se_hac", window.error_hac, 1e-15),
        ("p_tost", window.p, 1e-10),
        ("ts_slope", window.theil_sen.slope, 1e-13),
        ("ts_lo90", window.theil_sen.low, 1e-13),
        ("ts_hi90", window.theil_sen.high, 1e-13),
        ("level_diff", window.level_difference, 1e-12),
    ] {
        check.close(row, &column(part), value, 1e-9, absolute);
    }
    check.same(row, &column("pass"), window.passes);
}
