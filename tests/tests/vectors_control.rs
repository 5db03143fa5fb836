//! The regulator against closed loops and a trace that were computed outside the project.

use barmkeep_tests::vectors::{self, Row};
use control::{Demand, Envelope, Figures, Regulator, Rests, Rules, Thresholds};
use quantity::{Span, Stamp, Temperature, TemperatureDelta};

/// Two stores of heat, the beer and what surrounds it, stepped exactly under constant inputs.
///
/// Cf dTf = Ufc(Tc−Tf) + Ufa(Ta−Tf) + qf + hf Ph uh; Cc dTc = Ufc(Tf−Tc) + Uca(Ta−Tc) − Pc uc
/// + (1−hf) Ph uh (`reference.md` item 9).
struct Vessel {
    heat_beer: f64,
    heat_chamber: f64,
    between: f64,
    chamber_ambient: f64,
    beer_ambient: f64,
    chiller_w: f64,
    heater_w: f64,
    heater_to_beer: f64,
}

impl Vessel {
    fn read(row: &Row) -> Self {
        Vessel {
            heat_beer: row.number("Cf_J_K"),
            heat_chamber: row.number("Cc_J_K"),
            between: row.number("Ufc_W_K"),
            chamber_ambient: row.number("Uca_W_K"),
            beer_ambient: row.number("Ufa_W_K"),
            chiller_w: row.number("Pc_W"),
            heater_w: row.number("Ph_W"),
            heater_to_beer: row.number("heater_fraction_to_beer"),
        }
    }

    /// The two temperatures `dt_s` later.
    fn step(&self, x: [f64; 2], inputs: [f64; 4], dt_s: f64) -> [f64; 2] {
        let [ambient, heat_w, chiller, heater] = inputs;
        let a = -(self.between + self.beer_ambient) / self.heat_beer;
        let b = self.between / self.heat_beer;
        let c = self.between / self.heat_chamber;
        let d = -(self.between + self.chamber_ambient) / self.heat_chamber;
        let warmed_w = self.heater_w * heater;
        let f = (self.beer_ambient * ambient + heat_w + self.heater_to_beer * warmed_w)
            / self.heat_beer;
        let g = (self.chamber_ambient * ambient - self.chiller_w * chiller
            + (1.0 - self.heater_to_beer) * warmed_w)
            / self.heat_chamber;
        // Where it would come to rest, and how far from it the two roots of the system leave it.
        let determinant = a * d - b * c;
        let rest = [(b * g - d * f) / determinant, (c * f - a * g) / determinant];
        let middle = (a + d) / 2.0;
        let half = (((a - d) / 2.0).powi(2) + b * c).sqrt();
        let (fast, slow) = (middle - half, middle + half);
        let (at_fast, at_slow) = ((fast * dt_s).exp(), (slow * dt_s).exp());
        let away = [x[0] - rest[0], x[1] - rest[1]];
        let rate = [a * away[0] + b * away[1], c * away[0] + d * away[1]];
        std::array::from_fn(|i| {
            let slow_part = (rate[i] - fast * away[i]) / (slow - fast);
            rest[i] + slow_part * at_slow + (away[i] - slow_part) * at_fast
        })
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
fn run(vessel: &Vessel, case: &Row) -> Loop {
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
    let mut x = [case.number("Tf0"), case.number("Tc0")];
    let (mut events, mut every_4h) = (Vec::new(), Vec::new());
    let mut before = (false, false);
    for k in 0..=(case.number("t_end_s") as i64 / step_s) {
        let t_s = k * step_s;
        let now = Stamp::from_millis(t_s * 1000);
        regulator.take(now, temperature(x[0]), None);
        let decision = regulator.decide_within(now, &rules, &demand, &thresholds);
        let event = || Event {
            t_s,
            chiller: decision.chiller,
            heater: decision.heater,
            beer: x[0],
            chamber: x[1],
        };
        if (decision.chiller, decision.heater) != before {
            before = (decision.chiller, decision.heater);
            events.push(event());
        }
        if t_s % 14_400 == 0 {
            every_4h.push(event());
        }
        let [ambient, heat_w] = disturbances(plant, name, t_s as f64);
        let inputs = [
            ambient,
            heat_w,
            f64::from(u8::from(decision.chiller)),
            f64::from(u8::from(decision.heater)),
        ];
        x = vessel.step(x, inputs, step_s as f64);
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
    let parameters = vectors::table("thermal_params.csv");
    let cases = vectors::table("thermal_closedloop_summary.csv");
    let events = vectors::table("thermal_closedloop_events.csv");
    let every_4h = vectors::table("thermal_closedloop_4h.csv");
    let (mut n_events, mut n_4h, mut n_counts) = (0, 0, 0);
    for case in &cases {
        let what = format!("{} {}", case.text("plant"), case.text("case"));
        let of_case = |row: &&Row| {
            row.text("plant") == case.text("plant") && row.text("case") == case.text("case")
        };
        let vessel = parameters
            .iter()
            .find(|row| row.text("plant") == case.text("plant"))
            .map(Vessel::read)
            .unwrap();
        let found = run(&vessel, case);
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
