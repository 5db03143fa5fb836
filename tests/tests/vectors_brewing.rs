//! The brewing formulas against tables computed outside the project, and against open data.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::vectors::{Row, checked, table};
use brewing::attenuation::{self, Composition};
use brewing::calibration::{self, Point, Reads};
use brewing::{carbonation, density, floating, freezing, growth, heat};
use nalgebra::{DMatrix, DVector};
use quantity::{Gravity, plato_from_sg, sg_from_plato};
use std::collections::BTreeMap;

/// Counts the values that were compared, and fails on the first that is off.
struct Check {
    file: &'static str,
    count: usize,
}

impl Check {
    fn new(file: &'static str) -> Self {
        Check { file, count: 0 }
    }

    #[track_caller]
    fn near(&mut self, what: &str, ours: f64, expected: f64, tolerance: f64) {
        self.count += 1;
        let error = (ours - expected).abs();
        assert!(error <= tolerance, "{}: {what}: {ours}, expected {expected}", self.file);
    }

    /// Relative to the expected value.
    #[track_caller]
    fn relative(&mut self, what: &str, ours: f64, expected: f64, tolerance: f64) {
        self.near(what, ours, expected, tolerance * expected.abs());
    }

    /// Compares each of these columns with its value, where the row has one.
    #[track_caller]
    fn columns(&mut self, row: &Row, tolerance: f64, values: &[(&str, f64)]) {
        for (column, ours) in values {
            if let Some(expected) = row.maybe(column) {
                self.near(&format!("{column} in {row:?}"), *ours, expected, tolerance);
            }
        }
    }

    fn done(self) {
        checked(self.file, self.count);
    }
}

#[test]
fn vector_formulas() {
    let mut check = Check::new("formula_vectors.csv");
    for row in table(check.file) {
        let inputs = Named::read(row.text("inputs"));
        let function = row.text("function");
        let ours = formula(function, &inputs);
        let tolerance = row.number("abs_tolerance");
        check.near(&format!("{function} {inputs:?}"), ours, row.number("expected"), tolerance);
    }
    check.done();
}

/// Named numbers, as `sg=1.05;t_C=10`.
#[derive(Debug)]
struct Named(BTreeMap<String, f64>);

impl Named {
    fn read(text: &str) -> Self {
        let pair = |part: &str| {
            let (name, number) = part.split_once('=').unwrap();
            (name.to_owned(), number.parse().unwrap())
        };
        Named(text.split(';').map(pair).collect())
    }

    fn at(&self, name: &str) -> f64 {
        *self.0.get(name).unwrap_or_else(|| panic!("no `{name}` in {self:?}"))
    }
}

fn formula(function: &str, of: &Named) -> f64 {
    let at = |name| of.at(name);
    match function {
        "sg_to_plato" => plato_from_sg(at("sg")),
        "plato_to_sg" => sg_from_plato(at("plato")),
        "water_density_tanaka" => density::water_kg_per_m3(at("t_C")),
        "sucrose_density" => density::sucrose_solution_kg_per_m3(at("mass_fraction"), at("t_C")),
        "ethanol_density_oiml" => density::ethanol_water_kg_per_m3(at("mass_fraction"), at("t_C")),
        "real_extract_const" => attenuation::real_extract_constant(at("oe"), at("ae")),
        "real_extract_q" => attenuation::real_extract(at("oe"), at("ae")),
        "abw_balling" => attenuation::alcohol_by_weight(at("oe"), at("re")),
        "abw_from_oe_ae_q" => attenuation::alcohol_from_apparent(at("oe"), at("ae")),
        "abv_from_abw" => attenuation::alcohol_by_volume(at("abw"), at("sg_beer")),
        "oe_balling" => attenuation::original_from_alcohol(at("abw"), at("re")),
        "float_correction_water" => {
            floating::like_water(at("reading_sg"), at("t_C"), at("beta_per_K"), at("t_ref_C"))
        }
        "float_correction_sucrose_20C" => {
            floating::like_sucrose(at("reading_sg"), at("t_C"), at("beta_per_K"), 20.0).unwrap()
        }
        "freezing_brewing" => freezing::brewers_rule_celsius(at("abw"), at("oe")),
        "freezing_ethanol_only" => freezing::ethanol_water_celsius(at("abw")),
        "co2_beer_gL" => carbonation::beer_g_per_l(at("t_C"), at("p_abs_bar")),
        "fermentation_heat_W" => {
            heat::watts(at("real_extract_drop_P_per_day"), at("litres"), at("oe"), at("kJ_per_kg"))
        }
        "logistic4" => growth::logistic4(at("t_h"), at("p_inf"), at("p_d"), at("b"), at("m")),
        other => panic!("no formula `{other}`"),
    }
}

/// The table takes real extract by the constant split, so that its alcohol is of that too.
#[test]
fn vector_attenuation_examples() {
    let mut check = Check::new("attenuation_examples.csv");
    for row in table(check.file) {
        let fg = row.number("fg");
        let (original, apparent) = (plato_from_sg(row.number("og")), plato_from_sg(fg));
        let real = attenuation::real_extract_constant(original, apparent);
        let alcohol = attenuation::alcohol_by_weight(original, real);
        check.columns(
            &row,
            1e-9,
            &[
                ("oe_P", original),
                ("ae_P", apparent),
                ("re_P", real),
                ("adf_pct", 100.0 * attenuation::apparent(original, apparent)),
                ("rdf_pct", 100.0 * (original - real) / original),
                ("rdf_asbc_pct", attenuation::real_degree_asbc_percent(original, real)),
                ("abw_pct", alcohol),
                ("abv_pct_SG_over_0.7907", attenuation::alcohol_by_volume_rounded(alcohol, fg)),
                ("abv_pct_density_over_0.78924", attenuation::alcohol_by_volume(alcohol, fg)),
            ],
        );
    }
    check.done();
}

/// Against 532 published brews: Cutaia, Reid, Speers, J. Inst. Brew. 115 (2009) 318-327, table III.
#[test]
fn vector_cutaia() {
    let mut check = Check::new("cutaia2009_table3_recomputed.csv");
    for row in table(check.file) {
        let (original, apparent) = (row.number("oe"), row.number("ae"));
        let real = attenuation::real_extract(original, apparent);
        let alcohol = attenuation::alcohol_by_weight(original, real);
        let constant = attenuation::real_extract_constant(original, apparent);
        // As printed: four decimals.
        check.columns(
            &row,
            5.1e-5,
            &[
                ("re_0.1808", constant),
                ("re_q(0.22+0.001OE)", real),
                ("abw_from_q", alcohol),
                ("abw_from_0.1808", attenuation::alcohol_by_weight(original, constant)),
                ("abw_from_RE_table", attenuation::alcohol_by_weight(original, row.number("re"))),
                (
                    "oe_balling(A,RE)",
                    attenuation::original_from_alcohol(row.number("abw"), row.number("re")),
                ),
            ],
        );
        // As measured, within what the formula claims.
        check.columns(&row, 0.12, &[("re", real)]);
        check.columns(&row, 0.10, &[("abw", alcohol)]);
    }
    check.done();
}

/// The constants of the ideal mixture were chosen to reproduce its four columns here: they check
/// the form of the law. The brewer's rule and the floor are independent of them.
#[test]
fn vector_freezing_point() {
    let mut check = Check::new("freezing_point.csv");
    for row in table(check.file) {
        let (original, real) = (row.number("oe_P"), row.number("re_P"));
        let alcohol = row.number("abw");
        let ideal = |molar| freezing::ideal_mixture_celsius(alcohol, real, molar);
        check.columns(
            &row,
            5.1e-5,
            &[
                ("eq_minus(0.42A+0.04E+0.2)", freezing::brewers_rule_celsius(alcohol, original)),
                ("ideal_Mx300", ideal(300.0)),
                ("ideal_Mx500", ideal(500.0)),
                ("ideal_Mx1000", ideal(1000.0)),
                ("ethanol_water_ideal", freezing::ideal_mixture_celsius(alcohol, 0.0, 500.0)),
            ],
        );
        // The floor is the dilute law: 0.15 K of the ideal one at the strength of any beer.
        let floor = freezing::floor_celsius(alcohol);
        check.near("floor", floor, row.number("ethanol_water_ideal"), 0.15);
    }
    check.done();
}

#[test]
fn vector_plato_sg_table() {
    let mut check = Check::new("plato_sg_table.csv");
    for row in table(check.file) {
        let plato = row.number("plato");
        let sg = sg_from_plato(plato);
        let sucrose = density::sucrose_solution_kg_per_m3(plato / 100.0, 20.0);
        check.columns(&row, 5.1e-10, &[("sg_asbc_newton", sg)]);
        check.columns(
            &row,
            5.1e-8,
            &[
                ("sucrose_density_20C_g_mL", sucrose / 1e3),
                ("density_simple_SGx0.9982071", sg * density::WATER_20C_G_PER_ML),
            ],
        );
    }
    check.done();
}

#[test]
fn vector_sg_to_plato_table() {
    let mut check = Check::new("sg_to_plato_table.csv");
    for row in table(check.file) {
        let sg = row.number("sg");
        check.columns(&row, 5.1e-10, &[("plato_asbc", plato_from_sg(sg))]);
        // °Brix is taken to be °P: within 0.03 up to 1.130.
        check.columns(&row, 0.03, &[("brix_nbs_poly", plato_from_sg(sg))]);
    }
    check.done();
}

#[test]
fn vector_water_density() {
    let mut check = Check::new("water_density.csv");
    for row in table(check.file) {
        let celsius = row.number("t_C");
        let water = density::water_kg_per_m3(celsius);
        check.columns(
            &row,
            5.1e-7,
            &[
                ("tanaka_CIPM2001", water),
                ("kell1975", density::water_kell_kg_per_m3(celsius)),
                ("bettin_spieweck1990", density::water_bettin_kg_per_m3(celsius)),
            ],
        );
        // Between formulas: 0.005 kg/m³.
        check.columns(&row, 5e-3, &[("iapws95_CoolProp", water)]);
    }
    check.done();
}

#[test]
fn vector_float_temperature_correction() {
    let mut check = Check::new("float_temperature_correction.csv");
    for row in table(check.file) {
        let (reading, celsius) = (row.number("reading_sg"), row.number("t_C"));
        let body = row.number("beta_per_K");
        let water = floating::like_water(reading, celsius, body, 20.0);
        let sucrose = floating::like_sucrose(reading, celsius, body, 20.0).unwrap();
        check.columns(
            &row,
            5.1e-10,
            &[("sg20_water_expansion", water), ("sg20_sucrose_expansion", sucrose)],
        );
        check.columns(
            &row,
            5.1e-5,
            &[
                ("corr_water_mSG", (water - reading) * 1e3),
                ("corr_sucrose_mSG", (sucrose - reading) * 1e3),
            ],
        );
    }
    check.done();
}

#[test]
fn vector_co2_equilibrium() {
    let mut check = Check::new("co2_equilibrium.csv");
    for row in table(check.file) {
        let (celsius, gauge) = (row.number("t_C"), row.number("gauge_bar"));
        let absolute = gauge + carbonation::ATMOSPHERE_BAR;
        let volumes = carbonation::beer_volumes(celsius, gauge);
        check.columns(
            &row,
            1e-6,
            &[
                ("beer_exp_gL", carbonation::beer_g_per_l(celsius, absolute)),
                ("beer_vols_exp_fit", volumes),
                ("water_Sander2023_vantHoff_gL", carbonation::water_g_per_l(celsius, absolute)),
            ],
        );
        let grams = volumes * carbonation::G_PER_L_PER_VOLUME;
        check.relative("fit", grams, row.number("beer_exp_fit_gL"), 1e-3);
    }
    check.done();
}

#[test]
fn vector_balling_roundtrip() {
    let mut check = Check::new("balling_roundtrip.csv");
    for row in table(check.file) {
        let (alcohol, real) = (row.number("abw"), row.number("re"));
        let original = attenuation::original_from_alcohol(alcohol, real);
        check.columns(&row, 5.1e-10, &[("oe", original)]);
        let back = attenuation::alcohol_by_weight(original, real);
        check.near("back", back, alcohol, 1e-12);
        check.columns(&row, 5.1e-10, &[("abw_back", back)]);
    }
    check.done();
}

fn angle_points(set: &str) -> Vec<Point> {
    table("angle_inputs.csv")
        .iter()
        .filter(|row| row.text("set_id") == set)
        .map(|row| Point {
            reading: row.number("angle_deg"),
            reference: Gravity::from_sg(row.number("sg")).unwrap(),
        })
        .collect()
}

fn angle_fit(row: &Row) -> calibration::Fit {
    let order = row.number("order") as usize;
    calibration::fit_order(Reads::Angle, &angle_points(row.text("set_id")), order).unwrap()
}

#[test]
fn vector_angle_fit() {
    let mut check = Check::new("angle_expected.csv");
    for row in table(check.file) {
        let fit = angle_fit(&row);
        let (centre, half_width) = fit.calibration.scale();
        let score = fit.orders[0];
        check.columns(
            &row,
            1e-9,
            &[
                ("scale_centre", centre),
                ("scale_halfwidth", half_width),
                ("resid_sd", score.residual_sd_points.unwrap() / 1e3),
                ("loo_rmse", score.leave_one_out_points.unwrap() / 1e3),
                ("monotone_on_range", f64::from(u8::from(score.monotone))),
                ("n", f64::from(fit.calibration.readings())),
            ],
        );
        let terms = fit.calibration.terms_sg();
        let raw = raw_powers(terms, centre, half_width);
        for power in 0..terms.len() {
            check.columns(&row, 1e-9, &[(&format!("s{power}"), terms[power])]);
            check.columns(&row, 1e-9, &[(&format!("c{power}"), raw[power])]);
        }
    }
    check.done();
}

/// The terms by powers of the angle itself, from those of (angle − centre)/half width.
fn raw_powers(terms: &[f64], centre: f64, half_width: f64) -> Vec<f64> {
    let mut raw = vec![0.0; terms.len()];
    // Horner: multiply what there is by (angle − centre)/half width, then add the next term.
    for term in terms.iter().rev() {
        let mut next = vec![0.0; terms.len()];
        for (power, coefficient) in raw.iter().enumerate() {
            next[power] -= coefficient * centre / half_width;
            if power + 1 < next.len() {
                next[power + 1] += coefficient / half_width;
            }
        }
        next[0] += term;
        raw = next;
    }
    raw
}

#[test]
fn vector_angle_leave_one_out() {
    let mut check = Check::new("angle_loo_expected.csv");
    for row in table(check.file) {
        let residual = angle_fit(&row).residuals[row.number("idx") as usize];
        check.columns(
            &row,
            1e-9,
            &[
                ("angle_deg", residual.reading),
                ("fitted", residual.fitted_sg),
                ("leverage", residual.leverage),
                ("loo_residual", residual.left_out_sg.unwrap()),
            ],
        );
    }
    check.done();
}

#[test]
fn vector_angle_query() {
    let mut check = Check::new("angle_query_expected.csv");
    for row in table(check.file) {
        let calibrated = angle_fit(&row).calibration.apply(row.number("angle_deg")).unwrap();
        assert!(calibrated.within_range);
        check.columns(&row, 1e-9, &[("sg", calibrated.gravity.sg())]);
    }
    check.done();
}

/// The lowest order within one standard error of the best, as the tables of errors have it.
#[test]
fn vector_angle_order() {
    let mut check = Check::new("angle_inputs.csv");
    for (set, order) in [("T1", 3.0), ("T2", 2.0), ("T3", 2.0)] {
        let fit = calibration::fit(Reads::Angle, &angle_points(set)).unwrap();
        check.near(set, fit.calibration.order() as f64, order, 0.0);
    }
    check.done();
}

#[test]
fn vector_curve_fit() {
    let mut check = Check::new("curvefit_expected.csv");
    let inputs = table("curvefit_inputs.csv");
    for row in table(check.file) {
        let series: Vec<(f64, f64)> = inputs
            .iter()
            .filter(|input| input.text("series_id") == row.text("series_id"))
            .map(|input| (input.number("t_h"), input.number("sg")))
            .collect();
        let gompertz = row.text("model") == "gompertz";
        let fit = if gompertz { fit_gompertz(&series) } else { fit_logistic(&series) };
        for k in 0..4 {
            let number = |name: &str| row.number(&format!("{name}{}", k + 1));
            check.relative("value", fit.values[k], number("p"), 1e-6);
            check.relative("standard error", fit.errors[k], number("se"), 1e-4);
        }
        check.relative("residual sd", fit.residual_sd, row.number("resid_sd"), 1e-6);
        let last = row.number("fg_ci95_lo_or_gompertz_fg");
        let half = row.number("t_0.975") * fit.errors[0];
        let ours = if gompertz { fit.values[0] - fit.values[1] } else { fit.values[0] - half };
        check.relative("final gravity", ours, last, 1e-6);
    }
    check.done();
}

struct CurveFit {
    values: DVector<f64>,
    errors: DVector<f64>,
    residual_sd: f64,
}

fn fit_logistic(series: &[(f64, f64)]) -> CurveFit {
    let curve = |t: f64, p: &DVector<f64>| growth::logistic4(t, p[0], p[1], p[2], p[3]);
    let (first, last) = ends(series);
    fit_curve(series, &[last, first - last, 0.08, middle_time(series)], curve)
}

fn fit_gompertz(series: &[(f64, f64)]) -> CurveFit {
    let curve = |t: f64, p: &DVector<f64>| growth::gompertz(t, p[0], p[1], p[2], p[3]);
    let (first, last) = ends(series);
    let drop = first - last;
    let middle = middle_time(series);
    fit_curve(series, &[first, drop, drop / middle, 0.3 * middle], curve)
}

fn ends(series: &[(f64, f64)]) -> (f64, f64) {
    (series[0].1, series[series.len() - 1].1)
}

/// When the gravity first is half-way between the first and the last.
fn middle_time(series: &[(f64, f64)]) -> f64 {
    let (first, last) = ends(series);
    let half = 0.5 * (first + last);
    series.iter().find(|(_, sg)| *sg < half).unwrap().0
}

/// Levenberg and Marquardt's least squares with derivatives by central differences.
fn fit_curve(
    series: &[(f64, f64)],
    start: &[f64],
    curve: impl Fn(f64, &DVector<f64>) -> f64,
) -> CurveFit {
    let residuals = |p: &DVector<f64>| {
        DVector::from_iterator(series.len(), series.iter().map(|(t, sg)| sg - curve(*t, p)))
    };
    let slopes = |p: &DVector<f64>| {
        DMatrix::from_fn(series.len(), p.len(), |row, column| {
            let step = 1e-6 * p[column].abs();
            let (mut up, mut down) = (p.clone(), p.clone());
            up[column] += step;
            down[column] -= step;
            let t = series[row].0;
            (curve(t, &up) - curve(t, &down)) / (2.0 * step)
        })
    };
    let mut values = DVector::from_row_slice(start);
    let mut damping = 1e-3;
    for _ in 0..500 {
        let error = residuals(&values);
        let jacobian = slopes(&values);
        let normal = jacobian.transpose() * &jacobian;
        let damped = &normal + DMatrix::from_diagonal(&normal.diagonal()) * damping;
        let step = damped.lu().solve(&(jacobian.transpose() * &error)).unwrap();
        let tried = &values + &step;
        if residuals(&tried).norm_squared() <= error.norm_squared() {
            values = tried;
            damping = f64::max(damping / 10.0, 1e-14);
        } else {
            damping *= 10.0;
        }
        if step.component_div(&values).amax() < 1e-13 || damping > 1e12 {
            break;
        }
    }
    let jacobian = slopes(&values);
    let freedom = (series.len() - start.len()) as f64;
    let variance = residuals(&values).norm_squared() / freedom;
    let inverse = (jacobian.transpose() * jacobian).try_inverse().unwrap();
    CurveFit {
        values,
        errors: inverse.diagonal().map(|entry| (entry * variance).sqrt()),
        residual_sd: variance.sqrt(),
    }
}

/// A beer made of types agrees with the bare formulas.
#[test]
fn vector_composition() {
    let mut check = Check::new("attenuation_examples.csv");
    for row in table(check.file) {
        let gravity = |column: &str| Gravity::from_sg(row.number(column)).unwrap();
        let beer = Composition::of(gravity("og"), gravity("fg")).unwrap();
        check.columns(
            &row,
            1e-7,
            &[
                ("oe_P", beer.original_plato),
                ("ae_P", beer.apparent_plato),
                ("adf_pct", beer.apparent_attenuation * 100.0),
            ],
        );
        // By the attenuation-dependent split alcohol is up to 3 % lower.
        let constant = row.number("abv_pct_density_over_0.78924");
        check.relative("alcohol", beer.alcohol_volume_percent, constant, 0.03);
    }
    check.done();
}

/// The rows of an open data file beside the checkout; `None`, said aloud, where there is no such
/// folder: the data are not ours to copy.
fn open_data(file: &str) -> Option<Vec<BTreeMap<String, f64>>> {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data").join(file);
    if !path.exists() {
        println!("skipped: no {}", path.display());
        return None;
    }
    let mut reader = csv::Reader::from_path(path).unwrap();
    Some(reader.deserialize().map(Result::unwrap).collect())
}

/// CRC Handbook of Chemistry and Physics, concentrative properties: sucrose in water at 20 °C.
#[test]
fn open_data_sucrose() {
    let Some(rows) = open_data("sucrose-water-crc.csv") else { return };
    let mut check = Check::new("sucrose-water-crc.csv");
    for row in rows.iter().filter(|row| row["sucrose_mass_percent"] <= 40.0) {
        let percent = row["sucrose_mass_percent"];
        let density = density::sucrose_solution_kg_per_m3(percent / 100.0, 20.0);
        check.near("density", density, row["density_20C_kg_m3"], 0.3);
        if percent <= 25.0 {
            check.near("plato", plato_from_sg(row["sg_20_20"]), percent, 0.03);
        }
    }
    check.done();
}

/// OIML R 22, International alcoholometric tables.
#[test]
fn open_data_ethanol() {
    let Some(rows) = open_data("ethanol-water-density.csv") else { return };
    let mut check = Check::new("ethanol-water-density.csv");
    for row in rows {
        let fraction = row["ethanol_mass_percent"] / 100.0;
        let density = density::ethanol_water_kg_per_m3(fraction, row["temp_c"]);
        check.near("density", density, row["density_kg_m3"], 1e-3);
    }
    check.done();
}
