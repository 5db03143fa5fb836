//! The simulated fermentation and vessel against tables computed outside the project.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::vectors::{Row, checked, table};
use plant::vessel::{FRIDGE_20L, Inputs, JACKET_300L, Parameters, Vessel, WRAP_10L};
use plant::yeast::{Fermentation, FermentationSetup};
use quantity::{Gravity, Share, Span, Temperature, Volume, sg_from_plato};

/// Counts the values that were compared, and fails on the first that is off.
struct Check {
    file: &'static str,
    count: usize,
}

impl Check {
    #[track_caller]
    fn near(&mut self, what: &str, ours: f64, expected: f64, tolerance: f64) {
        self.count += 1;
        let error = (ours - expected).abs();
        assert!(error <= tolerance, "{}: {what}: {ours}, expected {expected}", self.file);
    }

    /// Relative to the expected value, with a floor below which there is nothing to compare.
    #[track_caller]
    fn relative(&mut self, what: &str, ours: f64, expected: f64, floor: f64) {
        self.near(what, ours, expected, 1e-6 * expected.abs() + floor);
    }

    fn done(self) {
        checked(self.file, self.count);
    }
}

fn fermentation(plato: f64, real_limit: f64, yeast: f64, pace: f64) -> Fermentation {
    let setup = FermentationSetup {
        original: Gravity::from_plato(plato).unwrap(),
        attenuation: Share::from_fraction(0.8).unwrap(),
        pace,
        lag: Span::ZERO,
        stall: None,
    };
    Fermentation::with_sugar(setup, real_limit * plato, yeast)
}

/// The temperature of a case in °C at a time in h.
fn course(case: &str, hours: f64) -> f64 {
    match case {
        "S1_const10" => 10.0,
        "S2_const18" => 18.0,
        "S3_ramp10to18" => 10.0 + 8.0 * ((hours - 72.0) / 48.0).clamp(0.0, 1.0),
        "S4_kveik30" => 30.0,
        other => panic!("no course for `{other}`"),
    }
}

/// The table does not print a case's limit, course or strain. Limit, yeast and course were read
/// from its first and last rows and its temperatures; the pace of 1.2 was found from one maltose
/// figure, so that the fourth case checks the shape of the curves and not their speed.
#[test]
fn vector_model_r_timeseries() {
    let mut check = Check { file: "model_r_timeseries.csv", count: 0 };
    let rows = table(check.file);
    for (case, plato, limit, yeast, pace) in [
        ("S1_const10", 12.0, 0.66, 125.0, 1.0),
        ("S2_const18", 12.0, 0.66, 125.0, 1.0),
        ("S3_ramp10to18", 13.5, 0.68, 140.0, 1.0),
        ("S4_kveik30", 14.0, 0.67, 90.0, 1.2),
    ] {
        let mut beer = fermentation(plato, limit, yeast, pace);
        for row in rows.iter().filter(|row| row.text("case") == case) {
            run_to(&mut beer, case, row.number("t_h"));
            compare(&mut check, &beer, row);
        }
    }
    check.done();
}

/// Steps of 9 s: a ramp is held at each step's middle.
fn run_to(beer: &mut Fermentation, case: &str, hours: f64) {
    let step = Span::from_secs(9);
    while beer.elapsed().hours() + 1e-9 < hours {
        let middle = beer.elapsed().hours() + step.hours() / 2.0;
        let celsius = course(case, middle);
        beer.advance(step, Temperature::from_celsius(celsius).unwrap());
    }
}

fn compare(check: &mut Check, beer: &Fermentation, row: &Row) {
    let [glucose, maltose, maltotriose] = beer.sugars_mol_per_m3();
    // The sugars' own tables end in their solver's noise, far below what could be tasted or
    // weighed.
    for (column, ours, floor) in [
        ("G", glucose, 1e-9),
        ("M", maltose, 1e-9),
        ("N", maltotriose, 1e-9),
        ("X", beer.yeast_mol_per_m3(), 0.0),
        ("ethanol_mol_m3", beer.ethanol_mol_per_m3(), 1e-9),
        ("co2_mol_m3", beer.ethanol_mol_per_m3(), 1e-9),
        ("vdk_mgL", beer.diketones_mg_per_l(), 1e-12),
        ("F_g_per_100g_wort", beer.fermented_per_100g(), 1e-9),
        ("abw_pct", beer.alcohol_weight_percent(), 1e-9),
        ("re_P", beer.real_plato(), 1e-9),
    ] {
        let what = format!("{column} at {row:?}");
        check.relative(&what, ours, row.number(column), floor);
    }
    check.near(&format!("sg at {row:?}"), beer.sg(), row.number("sg"), 1e-7);
}

#[test]
fn vector_model_r_summary() {
    let mut check = Check { file: "model_r_summary.csv", count: 0 };
    for row in table(check.file) {
        let course = Course::at(row.number("T_C"));
        let sugar = 0.66 * 12.0;
        for (column, share) in
            [("t25", 0.25), ("t50", 0.5), ("t75", 0.75), ("t90", 0.9), ("t95", 0.95), ("t99", 0.99)]
        {
            let ours = course.first(|point| point.fermented >= share * sugar);
            // The table's own grid is 0.005 h, and coarser at 4 °C.
            check.near(column, ours, row.number(column), 0.011);
        }
        let last = course.end.final_sg();
        check.near("SG_final", last, row.number("SG_final"), 1e-6);
        for (column, points) in [("t_within_5pts_of_final", 5.0), ("t_within_2pts_of_final", 2.0)] {
            let ours = course.first(|point| point.sg <= last + points * 1e-3);
            // The table has the first point of a grid of about an hour that is past the crossing.
            check.near(column, ours, row.number(column) - 0.6, 0.65);
        }
        course.compare_extremes(&mut check, &row);
    }
    check.done();
}

struct Course {
    points: Vec<CoursePoint>,
    end: Fermentation,
}

struct CoursePoint {
    hours: f64,
    fermented: f64,
    sg: f64,
    watts_per_hl: f64,
    yeast: f64,
    diketones: f64,
}

impl Course {
    /// 1000 h at one temperature, on a grid of 18 s.
    fn at(celsius: f64) -> Self {
        let mut beer = fermentation(12.0, 0.66, 125.0, 1.0);
        let temperature = Temperature::from_celsius(celsius).unwrap();
        let hectolitre = Volume::from_litres(100.0).unwrap();
        let points = (0..200_000)
            .map(|_| {
                let point = CoursePoint {
                    hours: beer.elapsed().hours(),
                    fermented: beer.fermented_per_100g(),
                    sg: beer.sg(),
                    watts_per_hl: beer.heat_watts(hectolitre, temperature),
                    yeast: beer.yeast_mol_per_m3(),
                    diketones: beer.diketones_mg_per_l(),
                };
                beer.advance(Span::from_secs(18), temperature);
                point
            })
            .collect();
        Course { points, end: beer }
    }

    fn first(&self, is_there: impl Fn(&CoursePoint) -> bool) -> f64 {
        self.points.iter().find(|point| is_there(point)).expect("it gets there").hours
    }

    fn highest(&self, of: impl Fn(&CoursePoint) -> f64) -> (f64, f64) {
        self.points.iter().fold((0.0, f64::NEG_INFINITY), |best, point| {
            let value = of(point);
            if value > best.1 { (point.hours, value) } else { best }
        })
    }

    fn compare_extremes(&self, check: &mut Check, row: &Row) {
        let (_, heat) = self.highest(|point| point.watts_per_hl);
        // The table's peak is the highest point of a coarser grid.
        let expected = row.number("max_heat_W_per_hL");
        check.near("max_heat_W_per_hL", heat, expected, 5e-5 * expected);
        let (_, yeast) = self.highest(|point| point.yeast);
        check.near("X_max", yeast, row.number("X_max"), 5.1e-3);
        let (peak_hours, peak) = self.highest(|point| point.diketones);
        check.near("t_vdk_peak", peak_hours, row.number("t_vdk_peak"), 0.06);
        check.near("vdk_peak_mgL", peak, row.number("vdk_peak_mgL"), 5.1e-5);
        let below = self.first(|point| point.hours > peak_hours && point.diketones < 0.1);
        check.near("t_vdk_below_0.1", below, row.number("t_vdk_below_0.1"), 0.06);
        let apparent = 12.0 * (1.0 - self.end.attenuation());
        check.near("AE_final_P", apparent, row.number("AE_final_P"), 5.1e-5);
        let alcohol = self.end.alcohol_weight_percent();
        check.near("ABW_final", alcohol, row.number("ABW_final"), 5.1e-5);
        // The table differentiates over two hours of an hourly grid, and coarser at 4 °C.
        let hourly: Vec<f64> = self.points.iter().step_by(200).map(|point| point.sg).collect();
        let per_day =
            hourly.windows(3).map(|three| (three[0] - three[2]) * 1e3 * 12.0).fold(0.0, f64::max);
        let expected = row.number("max_rate_mSG_per_day");
        let grid = if row.number("T_C") < 5.0 { 0.15 } else { 0.0 };
        check.near("max_rate_mSG_per_day", per_day, expected, 5.1e-3 + grid);
    }
}

fn preset(name: &str) -> Parameters {
    match name {
        "P1_20L_fridge" => FRIDGE_20L,
        "P2_10L_fridge_wrap" => WRAP_10L,
        "P3_300L_jacket" => JACKET_300L,
        other => panic!("no vessel `{other}`"),
    }
}

#[test]
fn vector_thermal_params() {
    let mut check = Check { file: "thermal_params.csv", count: 0 };
    for row in table(check.file) {
        let ours = preset(row.text("plant"));
        let (fast, slow) = ours.time_constants_s();
        for (column, value) in [
            ("Cf_J_K", ours.beer_j_per_k),
            ("Cc_J_K", ours.chamber_j_per_k),
            ("Ufc_W_K", ours.beer_chamber_w_per_k),
            ("Uca_W_K", ours.chamber_ambient_w_per_k),
            ("Ufa_W_K", ours.beer_ambient_w_per_k),
            ("Pc_W", ours.chiller_w),
            ("Ph_W", ours.heater_w),
            ("heater_fraction_to_beer", ours.heater_to_beer),
            ("tau_fast_s", fast),
            ("tau_slow_s", slow),
        ] {
            check.relative(column, value, row.number(column), 0.0);
        }
    }
    check.done();
}

#[test]
fn vector_thermal_openloop() {
    let mut check = Check { file: "thermal_openloop_expected.csv", count: 0 };
    for row in table(check.file) {
        let parameters = preset(row.text("plant"));
        let inputs = Inputs {
            ambient_celsius: row.number("Ta"),
            fermentation_watts: row.number("qf_W"),
            chiller: row.number("uc") > 0.0,
            heater: row.number("uh") > 0.0,
        };
        let mut vessel = Vessel::new(parameters, row.number("Tf0"), row.number("Tc0"));
        // In one step, and in steps of 10 s: both are exact.
        let seconds = row.number("t_s") as i64;
        let mut by_steps = vessel.clone();
        vessel.advance(Span::from_secs(seconds), inputs);
        for _ in 0..seconds / 10 {
            by_steps.advance(Span::from_secs(10), inputs);
        }
        for vessel in [vessel, by_steps] {
            check.near("Tf", vessel.beer_celsius(), row.number("Tf"), 1e-6);
            check.near("Tc", vessel.chamber_celsius(), row.number("Tc"), 1e-6);
        }
        let (beer, chamber) = parameters.steady(inputs);
        check.near("Tf_steady", beer, row.number("Tf_steady"), 1e-6);
        check.near("Tc_steady", chamber, row.number("Tc_steady"), 1e-6);
    }
    check.done();
}

/// The final gravity that is asked for is the one that comes out.
#[test]
fn vector_model_r_end() {
    let mut check = Check { file: "model_r_summary.csv", count: 0 };
    for row in table(check.file) {
        let apparent = row.number("AE_final_P");
        let setup = FermentationSetup {
            original: Gravity::from_plato(12.0).unwrap(),
            attenuation: Share::from_fraction(1.0 - apparent / 12.0).unwrap(),
            pace: 1.0,
            lag: Span::ZERO,
            stall: None,
        };
        let beer = Fermentation::new(setup).unwrap();
        check.near("final", beer.final_sg(), sg_from_plato(apparent), 1e-12);
    }
    check.done();
}
