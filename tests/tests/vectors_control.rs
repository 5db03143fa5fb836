//! The regulator against closed loops and a trace that were computed outside the project.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use barmkeep_tests::vectors::{self, Row};
use control::{Demand, Envelope, Figures, Regulator, Rests, Rules, Thresholds};
use plant::vessel::{Inputs, Parameters, Vessel};
use quantity::{Span, Stamp, Temperature, TemperatureDelta};

/// The vessel of a row of parameters.
fn parameters(row: &Row) -> Parameters {
    Parameters {
        beer_j_per_k: row.number("Cf_J_K"),
        chamber_j_per_k: row.number("Cc_J_K"),
        beer_chamber_w_per_k: row.number("Ufc_W_K"),
        chamber_ambient_w_per_k: row.number("Uca_W_K"),
        beer_ambient_w_per_k: row.number("Ufa_W_K"),
        chiller_w: row.number("Pc_W"),
        heater_w: row.number("Ph_W"),
        heater_to_beer: row.number("heater_fraction_to_beer"),
    }
}

/// What the closed loops are disturbed by.
fn disturbances(plant: &str, case: &str, t_s: f64) -> [f64; 2] {
    let peak_w = match plant {
        "P1_20L_fridge" => 8.0,
        "P2_10L_fridge_wrap" => 4.0,
        _ => 110.0,
    };
    let heat_w = peak_w * (-((t_s / 3600.0 - 30.0) / 14.0).powi(2)).exp();
    match case {
        "C1_lager12" => [21.0, heat_w],
        "C2_ale19_coldroom" => {
            [12.0 + 4.0 * (2.0 * std::f64::consts::PI * t_s / 86_400.0).sin(), heat_w]
        }
        _ => [20.0, 0.0],
    }
}

#[derive(Debug, PartialEq)]
struct Event {
    t_s: i64,
    chiller: bool,
    heater: bool,
    beer: f64,
    chamber: f64,
}

struct Loop {
    events: Vec<Event>,
    every_4h: Vec<Event>,
    figures: Figures,
}

fn temperature(celsius: f64) -> Temperature {
    Temperature::from_celsius(celsius).unwrap()
}

/// Runs one case through the regulator with a perfect probe.
fn run(parameters: Parameters, case: &Row) -> Loop {
    let (plant, name) = (case.text("plant"), case.text("case"));
    let secs = |column: &str| Span::from_secs(case.number(column) as i64);
    let step_s = case.number("dt_s") as i64;
    let rules = Rules {
        heater: Some(Rests { min_on: Span::ZERO, min_off: Span::ZERO }),
        chiller: Some(Rests { min_on: secs("min_on_s"), min_off: secs("min_off_s") }),
        changeover: secs("changeover_s"),
        hysteresis: TemperatureDelta::from_kelvin(0.3).unwrap(),
        anticipate: false,
        max_on: Span::from_mins(20),
        envelope: Envelope::default(),
    };
    let thresholds = Thresholds {
        cool_on: case.number("hc_on"),
        cool_off: case.number("hc_off"),
        heat_on: case.number("hh_on"),
        heat_off: case.number("hh_off"),
        extremes: 0.0,
        level_over: None,
    };
    let demand = Demand {
        setpoint: Some(temperature(case.number("sp"))),
        ahead: Vec::new(),
        heat: true,
        cool: true,
    };
    // Both outputs have rested long before the loop begins.
    let mut regulator = Regulator::new(Stamp::from_millis(-86_400_000));
    let mut vessel = Vessel::new(parameters, case.number("Tf0"), case.number("Tc0"));
    let (mut events, mut every_4h) = (Vec::new(), Vec::new());
    let mut before = (false, false);
    for k in 0..=(case.number("t_end_s") as i64 / step_s) {
        let t_s = k * step_s;
        let now = Stamp::from_millis(t_s * 1000);
        regulator.take(now, temperature(vessel.beer_celsius()), None);
        let decision = regulator.decide_within(now, &rules, &demand, &thresholds);
        let event = || Event {
            t_s,
            chiller: decision.chiller,
            heater: decision.heater,
            beer: vessel.beer_celsius(),
            chamber: vessel.chamber_celsius(),
        };
        if (decision.chiller, decision.heater) != before {
            before = (decision.chiller, decision.heater);
            events.push(event());
        }
        if t_s % 14_400 == 0 {
            every_4h.push(event());
        }
        let [ambient_celsius, fermentation_watts] = disturbances(plant, name, t_s as f64);
        let (chiller, heater) = (decision.chiller, decision.heater);
        vessel.advance(
            Span::from_secs(step_s),
            Inputs { ambient_celsius, fermentation_watts, chiller, heater },
        );
    }
    Loop { events, every_4h, figures: regulator.figures() }
}

fn compare(found: &[Event], expected: &[Row], what: &str) -> usize {
    assert_eq!(found.len(), expected.len(), "{what}: number of rows");
    for (event, row) in found.iter().zip(expected) {
        assert_eq!(event.t_s, row.number("t_s") as i64, "{what}: {event:?}");
        assert_eq!(event.chiller, row.number("uc") == 1.0, "{what}: {event:?}");
        assert_eq!(event.heater, row.number("uh") == 1.0, "{what}: {event:?}");
        for (value, column) in [(event.beer, "Tf"), (event.chamber, "Tc")] {
            let wanted = row.number(column);
            assert!((value - wanted).abs() < 1e-6, "{what}: {column} {value}, not {wanted}");
        }
    }
    found.len() * 5
}

#[test]
fn vectors_of_the_plain_band_in_closed_loop() {
    let vessels = vectors::table("thermal_params.csv");
    let cases = vectors::table("thermal_closedloop_summary.csv");
    let events = vectors::table("thermal_closedloop_events.csv");
    let every_4h = vectors::table("thermal_closedloop_4h.csv");
    let (mut n_events, mut n_4h, mut n_counts) = (0, 0, 0);
    for case in &cases {
        let what = format!("{} {}", case.text("plant"), case.text("case"));
        let of_case = |row: &&Row| {
            row.text("plant") == case.text("plant") && row.text("case") == case.text("case")
        };
        let vessel = vessels.iter().find(|row| row.text("plant") == case.text("plant"));
        let found = run(parameters(vessel.unwrap()), case);
        let rows = |table: &[Row]| -> Vec<Row> { table.iter().filter(of_case).cloned().collect() };
        n_events += compare(&found.events, &rows(&events), &what);
        n_4h += compare(&found.every_4h, &rows(&every_4h), &what);
        let figures = found.figures;
        assert_eq!(figures.chiller.starts, case.number("n_cool_starts") as u64, "{what}");
        assert_eq!(figures.heater.starts, case.number("n_heat_starts") as u64, "{what}");
        assert_eq!(figures.chiller.on.secs(), case.number("cool_on_s"), "{what}");
        assert_eq!(figures.heater.on.secs(), case.number("heat_on_s"), "{what}");
        n_counts += 4;
    }
    vectors::checked("thermal_closedloop_events.csv", n_events);
    vectors::checked("thermal_closedloop_4h.csv", n_4h);
    vectors::checked("thermal_closedloop_summary.csv", n_counts);
}

/// The estimator, its foresight and the switching, tick by tick, from the same readings.
#[test]
fn vectors_of_the_anticipating_law() {
    let file = "trace_P1_hold12.csv";
    let rests =
        |min_on| Some(Rests { min_on: Span::from_secs(min_on), min_off: Span::from_secs(300) });
    let rules = Rules {
        heater: rests(120),
        chiller: rests(120),
        changeover: Span::from_secs(600),
        hysteresis: TemperatureDelta::from_kelvin(0.3).unwrap(),
        anticipate: true,
        max_on: Span::from_mins(20),
        envelope: Envelope::default(),
    };
    let setpoint = temperature(12.0);
    let demand = Demand { setpoint: Some(setpoint), ahead: Vec::new(), heat: true, cool: true };
    // The trace was computed with extremes at 0.6 of the hysteresis, and without levelling.
    let plain = Thresholds::around(rules.hysteresis);
    let thresholds = Thresholds { extremes: 0.6 * 0.3, level_over: None, ..plain };
    let mut regulator = Regulator::new(Stamp::from_millis(0));
    let mut n_values = 0;
    for row in vectors::table(file) {
        let now = Stamp::from_millis(row.number("t_s") as i64 * 1000);
        regulator.take(now, temperature(row.number("y_C")), None);
        let decision = regulator.decide_within(now, &rules, &demand, &thresholds);
        let (estimate, figures) = (regulator.estimate().unwrap(), regulator.figures());
        let flag = |on| f64::from(u8::from(on));
        let error = |end: Option<Temperature>| (end.unwrap() - setpoint).kelvin();
        for (column, value) in [
            ("T_hat_C", estimate.beer.celsius()),
            ("r_K_h", estimate.rate),
            ("d_K_h", estimate.drift),
            ("bc_K_h", estimate.cooling),
            ("bh_K_h", estimate.heating),
            ("gh_K_h", estimate.direct),
            ("tau_h", estimate.time_constant.hours()),
            ("e_off_min_K", error(figures.lowest)),
            ("e_off_max_K", error(figures.highest)),
            ("ok_c", flag(figures.chiller.identified)),
            ("ok_h", flag(figures.heater.identified)),
            ("uc", flag(decision.chiller)),
            ("uh", flag(decision.heater)),
        ] {
            let wanted = row.number(column);
            assert!((value - wanted).abs() < 1e-4, "{now}: {column} {value}, not {wanted}");
            n_values += 1;
        }
    }
    vectors::checked(file, n_values);
}
