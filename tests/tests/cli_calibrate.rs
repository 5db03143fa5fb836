//! `calibrate` from outside: points in, a calibration out, and what the rest of the program makes
//! of it.

use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::{Said, barmkeep, barmkeep_reading};
use barmkeep_tests::vectors::{Row, checked, table};
use serde_json::Value;

/// Three points of an SG float that reads 2.1 points too high.
const WATER: &str = "gravity_sg,reference_sg,note\n1.0021,1.000,tap water\n";

/// An angle of a float that turns by 0.5 degrees a point, a little off.
const ANGLES: &str = "angle_deg,reference_sg\n25.0,1.000\n35.2,1.020\n44.9,1.040\n55.1,1.060\n\
                      64.8,1.080\n";

fn calibrate(cellar: &Cellar, points: &str, flags: &[&str]) -> Said {
    let file = cellar.write("points.csv", points).display().to_string();
    barmkeep(&[&["calibrate", &file], flags].concat())
}

/// The lines of one kind.
fn kind<'a>(lines: &'a [Value], kind: &'a str) -> impl Iterator<Item = &'a Value> {
    lines.iter().filter(move |line| line["kind"] == kind)
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

/// The cellar's configuration with these lines in the float's table.
fn configured(cellar: &Cellar, unit: &str, more: &str) -> String {
    let text = std::fs::read_to_string(cellar.config()).expect("it was written");
    let text = text.replace("unit = \"SG\"", &format!("unit = \"{unit}\""));
    let text = text.replace("every       = \"60 min\"", &format!("every = \"60 min\"\n{more}"));
    cellar.write("barmkeep.toml", &text).display().to_string()
}

#[test]
fn one_point_of_water_is_an_offset() {
    let cellar = Cellar::new(1);
    let said = calibrate(&cellar, WATER, &[]).with(0);
    assert!(said.out.contains("1 point of ") && said.out.contains("tap water"), "{}", said.out);
    assert!(said.out.contains("order 0, an offset: one point tells no more"), "{}", said.out);
    assert!(said.err.contains("nothing was written; `--output FILE.toml`"), "{}", said.err);
    let lines = calibrate(&cellar, WATER, &["--json"]).with(0).objects();
    let last = lines.last().expect("lines");
    assert_eq!((last["kind"].as_str(), last["order"].as_u64()), (Some("calibration"), Some(0)));
    assert!((number(&last["terms_sg"][0]) + 0.0021).abs() < 1e-12, "{last}");
    assert_eq!(last["leave_one_out_points"], Value::Null);
}

#[test]
fn two_points_are_a_line_and_one_angle_is_refused() {
    let cellar = Cellar::new(1);
    let two = "angle_deg,reference_plato\n25.0,0\n62.0,15\n";
    let lines = calibrate(&cellar, two, &["--json"]).with(0).objects();
    let last = lines.last().expect("lines");
    assert_eq!(last["order"], 1);
    // 15 °P is 1.061109 SG (ASBC polynomial).
    let terms: Vec<f64> = last["terms_sg"].as_array().expect("terms").iter().map(number).collect();
    assert!((terms[0] + terms[1] - 1.061_109_166).abs() < 1e-6, "{last}");
    let said = calibrate(&cellar, "angle_deg,reference_sg\n25.0,1.000\n", &[]).with(65);
    assert_eq!(said.out, "");
    assert!(said.err.contains("one angle tells no gravity but its own"), "{}", said.err);
    assert!(said.err.contains("hint: measure the float in water and in sugar"), "{}", said.err);
}

/// A set of the published points, as a file.
fn angle_set(set: &str) -> String {
    let rows = table("angle_inputs.csv");
    let points = rows.iter().filter(|row| row.text("set_id") == set);
    let lines = points.map(|row| format!("{},{}\n", row.text("angle_deg"), row.text("sg")));
    std::iter::once("angle_deg,reference_sg\n".to_owned()).chain(lines).collect()
}

/// The command gives the figures that numpy gave, and takes the order that they call for.
#[test]
fn vector_calibrate_chooses_by_the_published_errors() {
    let cellar = Cellar::new(1);
    let (mut count, expected) = (0, table("angle_expected.csv"));
    for (set, order) in [("T1", 3), ("T2", 2), ("T3", 2)] {
        let lines = calibrate(&cellar, &angle_set(set), &["--json"]).with(0).objects();
        let last = lines.last().expect("lines");
        assert_eq!(last["order"], order, "{set}");
        for score in kind(&lines, "order") {
            let of = |row: &&Row| row.text("set_id") == set && score["order"] == order_of(row);
            let row = expected.iter().find(of).expect("each order is in the table");
            for (ours, column) in
                [("leave_one_out_points", "loo_rmse"), ("residual_sd_points", "resid_sd")]
            {
                let error = number(&score[ours]) / 1e3 - row.number(column);
                assert!(error.abs() < 1e-9, "{set} {score}");
                count += 1;
            }
            assert_eq!(score["chosen"], score["order"] == order);
        }
        assert_eq!(kind(&lines, "order").count(), 4, "{set}");
    }
    checked("angle_expected.csv", count);
}

fn order_of(row: &Row) -> u64 {
    row.text("order").parse().expect("an order")
}

#[test]
fn vector_calibrate_leaves_out_as_published() {
    let cellar = Cellar::new(1);
    let expected = table("angle_loo_expected.csv");
    let mut count = 0;
    for set in ["T1", "T2", "T3"] {
        for order in 1..=4_u64 {
            let flags = ["--json", "--order", &order.to_string()];
            let lines = calibrate(&cellar, &angle_set(set), &flags).with(0).objects();
            assert_eq!(lines.last().expect("lines")["order"], order);
            let of = |row: &&Row| row.text("set_id") == set && order_of(row) == order;
            for (point, row) in kind(&lines, "point").zip(expected.iter().filter(of)) {
                assert_eq!(number(&point["reading"]), row.number("angle_deg"));
                let left_out = number(&point["left_out_points"]) / 1e3;
                assert!((left_out - row.number("loo_residual")).abs() < 1e-9, "{set} {point}");
                assert!((number(&point["fitted_sg"]) - row.number("fitted")).abs() < 1e-9);
                count += 2;
            }
        }
    }
    checked("angle_loo_expected.csv", count);
}

/// Floats without a fault, read warm and cold by the published corrections, need no calibration
/// once their expansion is said, and tell it themselves.
#[test]
fn vector_calibrate_corrects_for_temperature_as_published() {
    let cellar = Cellar::new(1);
    let rows = table("float_temperature_correction.csv");
    let mut count = 0;
    let mut bodies: Vec<&str> = rows.iter().map(|row| row.text("beta_per_K")).collect();
    bodies.dedup();
    assert!(bodies.len() >= 3, "{bodies:?}");
    for body in bodies {
        let ppm = body.parse::<f64>().expect("a number") * 1e6;
        let of = rows.iter().filter(|row| row.text("beta_per_K") == body);
        let lines = of.filter(|row| row.maybe("sg20_sucrose_expansion").is_some()).map(|row| {
            let (reading, celsius) = (row.text("reading_sg"), row.text("t_C"));
            format!("{reading},{},{celsius}\n", row.text("sg20_sucrose_expansion"))
        });
        let head = "gravity_sg,reference_sg,temperature_c\n".to_owned();
        let points: String = std::iter::once(head).chain(lines).collect();
        let known = ["--json", "--expansion", &format!("{ppm:.0} ppm/K")];
        let lines = calibrate(&cellar, &points, &known).with(0).objects();
        assert_eq!(lines.last().expect("lines")["order"], 0, "{body}");
        for point in kind(&lines, "point") {
            assert!(number(&point["residual_points"]).abs() < 1e-5, "{body} {point}");
            count += 1;
        }
        let fit = ["--json", "--expansion", "fit"];
        let lines = calibrate(&cellar, &points, &fit).with(0).objects();
        let found = &lines.last().expect("lines")["expansion"];
        assert_eq!(found["fitted"], true);
        assert!((number(&found["ppm_per_kelvin"]) - ppm).abs() < 0.5, "{body}: {found}");
        count += 1;
    }
    checked("float_temperature_correction.csv", count);
}

#[test]
fn an_expansion_that_the_points_do_not_tell_is_refused_with_the_reason() {
    let cellar = Cellar::new(1);
    let head = "gravity_sg,reference_sg,temperature_c\n";
    for (points, reason) in [
        ("1.002,1.000,18\n1.001,1.000,21\n", "no liquid was measured at two of them 5 K apart"),
        ("1.002,1.000,14\n1.001,1.000,21\n", "the points tell the expansion only to"),
        ("1.002,1.000,5\n1.001,1.000,\n", "points.csv:3: there is no temperature"),
        ("1.000,1.000,5\n0.990,1.000,30\n", "which no body does"),
    ] {
        let said = calibrate(&cellar, &format!("{head}{points}"), &["--expansion", "fit"]);
        let said = said.with(65);
        assert!(said.err.contains(reason) && said.err.contains("hint: "), "{}", said.err);
    }
    let said = calibrate(&cellar, WATER, &["--expansion", "200 ppm/K"]).with(65);
    assert!(said.err.contains("points.csv:2: there is no temperature"), "{}", said.err);
}

#[test]
fn a_bad_file_of_points_is_told_with_its_line() {
    let cellar = Cellar::new(1);
    for (points, expected) in [
        ("angle_deg,reference_sg\n25,1.0\n4x,1.02\n", "points.csv:3: `4x` in `angle_deg`"),
        ("angle_deg,reference_sg\r\n25,1.0\r\n44,48\r\n", "points.csv:3: 48 SG"),
        ("angle_deg,reference_sg\n25,1,0\n", "points.csv:2: the line has 3 fields"),
        ("time,gravity_sg\n", "points.csv: there is no column with the known gravity"),
        (
            "angle_deg,reference_sg\n25,1.02\n45,1.02\n60,1.02\n",
            "points.csv: the points contradict",
        ),
    ] {
        let said = calibrate(&cellar, points, &["--json"]).with(65);
        assert_eq!(said.out, "");
        assert!(said.err.contains(expected), "{}", said.err);
    }
    let said = calibrate(&cellar, ANGLES, &["--order", "0"]).with(65);
    assert!(said.err.contains("order 0 is not possible"), "{}", said.err);
    barmkeep(&["calibrate", &cellar.path("nowhere.csv")]).with(74);
    for flags in [
        &["--order", "5"][..],
        &["--force"],
        &["--expansion", "200"],
        &["--against", "a.toml", "--output", "b.toml"],
        &["--against", "a.toml", "--expansion", "fit"],
    ] {
        let said = calibrate(&cellar, ANGLES, flags).with(64);
        assert_eq!(said.out, "", "{flags:?}");
    }
}

#[test]
fn a_calibration_is_written_whole_and_never_over_another_unasked() {
    let cellar = Cellar::new(1);
    let (file, plot) = (cellar.path("float-1.toml"), cellar.path("float-1.svg"));
    let said = calibrate(&cellar, ANGLES, &["--output", &file, "--plot", &plot]).with(0);
    assert!(said.err.contains("write `calibration = \"float-1.toml\"`"), "{}", said.err);
    let first = std::fs::read_to_string(&file).expect("it was written");
    assert!(first.starts_with("# The calibration of a float that gives an angle"), "{first}");
    let drawn = std::fs::read_to_string(&plot).expect("it was drawn");
    assert!(drawn.starts_with("<svg") && drawn.trim_end().ends_with("</svg>"));
    // It is there: another is refused before anything is said, and it stays as it is.
    let other = ANGLES.replace("44.9", "45.9");
    let said = calibrate(&cellar, &other, &["--output", &file]).with(74);
    assert_eq!(said.out, "");
    assert!(said.err.contains("is there already") && said.err.contains("--force"), "{}", said.err);
    assert_eq!(std::fs::read_to_string(&file).expect("it is there"), first);
    calibrate(&cellar, &other, &["--output", &file, "--force"]).with(0);
    assert!(std::fs::read_to_string(&file).expect("it is there") != first);
    let nowhere = cellar.path("no/such/folder/float-1.toml");
    calibrate(&cellar, ANGLES, &["--output", &nowhere]).with(74);
    let parts = std::fs::read_dir(cellar.folder()).expect("a folder").filter(|entry| {
        let name = entry.as_ref().expect("an entry").file_name();
        name.to_string_lossy().contains(".part")
    });
    assert_eq!(parts.count(), 0, "nothing half written is left");
}

#[test]
fn a_written_calibration_is_checked_with_the_configuration_that_names_it() {
    let cellar = Cellar::new(1);
    let config = configured(&cellar, "deg", "calibration = \"float-1.toml\"");
    let said = barmkeep(&["check", &config]).with(78);
    assert!(said.err.contains("float-1.toml: cannot be read"), "{}", said.err);
    assert!(said.err.contains("barmkeep.toml:") && said.err.contains('^'), "{}", said.err);
    let said = barmkeep(&["check", "--json", &config]).with(78);
    assert_eq!(said.objects()[0]["code"], "bad-calibration");
    barmkeep(&["pipe", &config]).with(78);
    let file = cellar.path("float-1.toml");
    calibrate(&cellar, ANGLES, &["--output", &file]).with(0);
    let said = barmkeep(&["check", &config]).with(0);
    assert!(said.out.contains("nothing is wrong"), "{}{}", said.out, said.err);
    // One of a gravity is of no use to an angle.
    calibrate(&cellar, WATER, &["--output", &file, "--force"]).with(0);
    let said = barmkeep(&["check", &config]).with(78);
    assert!(said.err.contains("of a gravity, but the float gives an angle"), "{}", said.err);
    cellar.write("float-1.toml", "format = 1\n");
    barmkeep(&["check", &config]).with(78);
}

#[test]
fn a_calibration_made_with_an_expansion_asks_for_it_in_the_configuration() {
    let cellar = Cellar::new(1);
    let file = cellar.path("float-1.toml");
    // A float of PET (200 ppm/K) that reads 1.3 points too high at 20 °C.
    let reading = |sg: f64, celsius: f64| {
        brewing::floating::reading(sg, celsius, 2e-4).expect("a solution") + 0.0013
    };
    let water = |celsius| format!("{:.4},1.000,{celsius}\n", reading(1.000, celsius));
    let points: String = [5.0, 15.0, 25.0, 35.0].map(water).concat();
    let points = format!("gravity_sg,reference_sg,temperature_c\n{points}");
    let said = calibrate(&cellar, &points, &["--expansion", "fit", "--output", &file]).with(0);
    let line = said.out.lines().find_map(|line| line.split("configuration: ").nth(1));
    let line = line.expect("the line for the configuration");
    assert!(said.err.contains(line), "{}", said.err);
    let named = "calibration = \"float-1.toml\"";
    let config = configured(&cellar, "SG", named);
    let said = barmkeep(&["check", &config]).with(0);
    assert!(said.err.contains("warning") && said.err.contains(line), "{}", said.err);
    let text = std::fs::read_to_string(&config).expect("it was written");
    cellar.write("barmkeep.toml", &text.replace(named, &format!("{named}\n{line}")));
    assert_eq!(barmkeep(&["check", &config]).with(0).err, "");
    // Calibrated first, corrected for temperature after: a cold beer has its own gravity.
    let row = |hour: u32| format!("2026-03-01T{hour:02}:00:00Z,{:.4},5\n", reading(1.050, 5.0));
    let cold = format!("time,gravity_sg,temperature_c\n{}", (8..20).map(row).collect::<String>());
    let cold = cellar.write("cold.csv", &cold).display().to_string();
    let schedule = cellar.path("schedules/ale.toml");
    let text = std::fs::read_to_string(&schedule).expect("it was written");
    cellar.write("schedules/ale.toml", &text.replace("\"1.050 SG\"", "\"measured\""));
    let flags = ["--json", "--vessel", "north", "--config", &config];
    let lines = barmkeep(&[&["replay", &schedule, &cold], &flags[..]].concat()).with(0).objects();
    let sg = number(&lines.last().expect("a summary")["gravity"]["sg"]);
    assert!((sg - 1.050).abs() < 2e-4, "{sg}");
}

#[test]
fn pipe_uses_the_calibration_and_tells_where_it_ends() {
    let cellar = Cellar::new(1);
    let config = configured(&cellar, "deg", "calibration = \"float-1.toml\"");
    calibrate(&cellar, ANGLES, &["--output", &cellar.path("float-1.toml")]).with(0);
    let float = |hour: u32, angle: f64| {
        format!(
            "{{\"at\":\"2026-03-01T{hour:02}:00:00Z\",\"vessel\":\"north\",\"source\":\"float\",\
             \"angle_deg\":{angle}}}\n"
        )
    };
    let pitch = "{\"at\":\"2026-03-01T08:00:00Z\",\"vessel\":\"north\",\"do\":\"pitch\",\
                 \"schedule\":\"ale\",\"original_gravity\":\"1.090 SG\"}\n";
    let readings: String = [(9, 70.0), (10, 70.1), (11, 69.9)].map(|(h, a)| float(h, a)).concat();
    let said = barmkeep_reading(&["pipe", &config], &format!("{pitch}{readings}")).with(0);
    let lines = said.objects();
    let noted: Vec<&Value> = kind(&lines, "batch.noted").collect();
    assert_eq!(noted.len(), 1, "{}", said.out);
    assert_eq!(noted[0]["at"], "2026-03-01T09:00:00Z");
    let text = noted[0]["text"].as_str().expect("a text");
    for part in ["70.00 deg", "float-1.toml", "25.00 deg to 64.80 deg", "measure points there"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    // Half a degree a point, straight on.
    assert!((number(&noted[0]["data"]["sg"]) - 1.0903).abs() < 5e-4, "{text}");
    assert_eq!(kind(&lines, "reading.refused").count(), 0);
}

#[test]
fn later_points_tell_whether_the_float_has_moved() {
    let cellar = Cellar::new(1);
    let file = cellar.path("float-1.toml");
    calibrate(&cellar, ANGLES, &["--output", &file]).with(0);
    let check = |points: &str, flags: &[&str]| {
        let flags = [&["--against", &file], flags].concat();
        calibrate(&cellar, &format!("angle_deg,reference_sg\n{points}"), &flags)
    };
    let last = |said: Said| said.with(0).objects().pop().expect("lines");
    let same = "25.1,1.000\n44.9,1.040\n64.8,1.080\n";
    let still = last(check(same, &["--json"]));
    assert_eq!((still["kind"].as_str(), still["moved"].as_bool()), (Some("check"), Some(false)));
    assert_eq!((still["do"].as_str(), &still["points_needed"]), (Some("nothing"), &Value::Null));
    assert_eq!(still["tilt"]["tilted"], false);
    // Two degrees are four points.
    let moved = last(check("27.1,1.000\n46.9,1.040\n66.8,1.080\n", &["--json"]));
    assert!((number(&moved["shift_points"]) - 4.0).abs() < 0.3, "{moved}");
    assert!(number(&moved["confidence_percent"]) > 99.0, "{moved}");
    assert_eq!((moved["moved"].as_bool(), moved["do"].as_str()), (Some(true), Some("calibrate")));
    assert_eq!(moved["tilt"]["tilted"], false, "a plain shift");
    let tilted = last(check("23.0,1.000\n44.9,1.040\n66.8,1.080\n", &["--json"]));
    assert_eq!(tilted["tilt"]["tilted"], true, "{tilted}");
    let said = check("27.1,1.000\n", &[]).with(0);
    assert!(said.out.contains("it reads too high"), "{}", said.out);
    assert!(said.out.contains("do     calibrate again, on 4 points or more"), "{}", said.out);
    assert!(said.out.contains("tilt   not told"), "{}", said.out);
    let said = check("270,1.000\n", &[]).with(65);
    assert!(said.err.contains("points.csv:2: 270 deg"), "{}", said.err);
    let said = calibrate(&cellar, WATER, &["--against", &file]).with(65);
    assert!(said.err.contains("is of an angle"), "{}", said.err);
    calibrate(&cellar, ANGLES, &["--against", &cellar.path("nowhere.toml")]).with(74);
    cellar.write("float-1.toml", "format = 1\n");
    check(same, &[]).with(65);
}

#[test]
fn the_help_shows_a_file_of_points_that_works() {
    let help = barmkeep(&["calibrate", "--help"]).with(0).out;
    let lines = help.lines().map(str::trim);
    let example: Vec<&str> = lines
        .skip_while(|line| !line.starts_with("angle_deg,"))
        .take_while(|l| !l.is_empty())
        .collect();
    assert!(example.len() >= 3, "{help}");
    let cellar = Cellar::new(1);
    calibrate(&cellar, &example.join("\n"), &[]).with(0);
}
