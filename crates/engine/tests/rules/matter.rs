//! What a person does to the beer and to its floats: additions, samples, floats aside and
//! exchanged, and the advice on packaging.

use crate::kit::{Bench, NORTH, check, check_in, north};
use brewing::calibration::{Point, Reads, fit};
use quantity::{Gravity, Show};

const LONG: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '60 d' }\n";

/// 20 L of 12 °P, as the worked example has it: 20.93 kg with 2.511 kg of extract, and 0.5 kg more
/// of it in 21.43 kg.
#[test]
fn half_a_kilogram_of_sugar_makes_14_05_plato_of_12() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="12 P" volume="20 L" | ok
        0:10 float 1.0484 |
        1:10 float 1.0483 |
        2:00 #a addition what="candi sugar" extract="500 g" | ok "14.05 °P"
             | batch.added "Added: candi sugar (500 g of extract). Gravity rises by 8."
        2:01 #a addition what="candi sugar" extract="500 g" | ok "14.05 °P"; nothing"#,
    );
    let added = bench.log.iter().find(|record| record.kind.as_str() == "batch.added").unwrap();
    let number = |key: &str| added.data[key].as_f64().unwrap();
    assert!((number("original_plato") - 14.05).abs() < 0.02, "{}", number("original_plato"));
    assert!((number("volume_l") - 20.3).abs() < 0.05);
    let view = bench.engine.view(&north()).unwrap();
    assert!((view.gravity.unwrap().plato - 14.05).abs() < 0.2);
    assert!(view.attenuation.unwrap().apparent_percent.abs() < 1.0);
}

#[test]
fn an_addition_says_what_it_cannot_be() {
    check(
        LONG,
        r#"
        0:05 addition what="sugar" extract="500 g" | refused "accepted while running, held"
        0:05 pitch schedule="beer" original_gravity="12 P" | ok
        0:06 addition what="sugar" extract="500" | refused "extract"
        0:06 addition extract="500 g" | refused "needs `what`"
        0:06 addition what="water" volume="2 L" | refused "`volume` and `gravity` belong together"
        0:06 addition what="sugar" extract="500 g" raises="4 points" | refused "give one of"
        0:06 addition what="sugar" extract="900 kg" | refused "no gravity or volume"
        0:06 addition what="dry hops" | ok; batch.added "Nothing that counts as extract"
        0:07 addition what="dry hops" disturbs="1 d" | ok; batch.added "may be wild for 1 d"
        0:08 addition what="water" volume="2 L" gravity="1.000 SG" | ok "falls by"
        0:09 addition what="plums" raises="4 points" | ok "rises by 4.0 points""#,
    );
}

#[test]
fn drop_counts_what_fermented_and_climbs_do_not_walk_back() {
    let stages = "[[stage]]\nname = 'climb'\n\
         target = { to = '24 C', along = 'attenuation', from = '20 %', until = '70 %' }\n\
         until = { drop = '36 points' }\nat_most = { time = '40 d', then = 'alarm' }\n";
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", stages);
    bench.run(
        r#"
        0:00 beer follows |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 60 h |
        2+20:00 tick | stage climb"#,
    );
    let before = bench.setpoint().unwrap();
    assert!(before > 21.0, "{before}");
    // What is there then counts: the sugar raises 1.020 by 8.1 points.
    bench.run(
        r#"
        2+20:01 addition what="sugar" extract="500 g" | ok "rises by 8."
        2+20:02 fall 1.0281 to 1.022 in 48 h |
        3+12:00 tick | alarm gravity-doubtful.float gone; stage climb"#,
    );
    assert!(bench.setpoint().unwrap() >= before, "the climb stands");
    // 28 points and 6 more have fermented: 34. The last three come now.
    bench.run(
        r#"
        5+00:00 tick | stage climb; alarm gravity-doubtful.float gone
        5+00:01 fall 1.022 to 1.015 in 40 h |
        9+00:00 tick | run complete; stage.left "36""#,
    );
}

#[test]
fn a_rise_that_nobody_told_asks_for_an_addition() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 60 h |
        2+20:00 fall 1.0284 to 1.026 in 48 h |
        3+12:00 tick | alarm.raised "If something was added to the beer, record it with `addition`"
        3+12:01 addition what="sugar" extract="500 g" | ok
        3+14:00 tick | alarm.returned "gravity-doubtful.float""#,
    );
    let gravity = bench.engine.view(&north()).unwrap().gravity.unwrap();
    assert!((gravity.sg - 1.0278).abs() < 2e-3, "{gravity:?}");
}

#[test]
fn an_addition_outlives_a_crash() {
    let script = |crash: &str| {
        let mut bench = Bench::new(NORTH, Show::default());
        bench.put("beer", LONG);
        bench.run(&format!(
            r#"
            0:00 beer at 18.0 |
            0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
            0:10 fall 1.048 to 1.020 in 60 h |
            2+20:00 addition what="sugar" extract="500 g" disturbs="3 h" | ok
            2+20:01 {crash} |
            2+20:02 fall 1.0284 to 1.026 in 48 h |
            4+00:00 tick | alarm gravity-doubtful.float gone"#
        ));
        serde_json::to_string(bench.engine.state()).unwrap()
    };
    assert_eq!(script("crash"), script("tick"));
}

#[test]
fn a_float_that_is_aside_raises_no_alarm_and_is_not_believed() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 60 h |
        1+06:00 source name="oak" do="aside" | refused "has no gravity source `oak`: float"
        1+06:00 source name="float" do="return" | refused "float is not aside"
        1+06:00 source name="float" do="away" | refused "could be `aside`"
        1+06:00 source name="float" do="return" for="2 h" | refused "`for` goes with `aside` only"
        1+06:01 #a source name="float" do="aside" | ok; batch.noted "float is out of the beer"
        1+06:02 source name="float" do="aside" | refused "aside already"
        1+06:03 #a source name="float" do="aside" | ok; nothing
        1+06:10 float silent |
        1+07:00 float 0.9985 | nothing
        1+08:00 float 0.9990 | nothing
        1+08:01 restart after 1:00 | daemon.started
        1+15:00 tick | !alarm.raised"#,
    );
    let view = bench.engine.view(&north()).unwrap();
    assert!(view.sources[0].caution.as_ref().unwrap().starts_with("aside since 2026-03-03"));
    let gravity = view.gravity.unwrap().sg;
    // As it was when the float last was in the beer.
    assert!((gravity - 1.0341).abs() < 1.5e-3, "{gravity}");
    bench.run(
        r#"
        1+15:01 source name="float" do="return" | ok; batch.noted "float is back in the beer after"
        1+15:02 fall 1.0300 to 1.020 in 34 h |
        3+12:00 tick | !alarm.raised; alarm gravity-doubtful.float gone"#,
    );
}

#[test]
fn a_float_aside_comes_back_by_itself_when_its_time_is_over() {
    check(
        LONG,
        r#"
        0:00 beer at 18.0 |
        0:05 source name="float" do="aside" for="4 h" | ok "at the latest until"
        0:06 pitch schedule="beer" original_gravity="1.048 SG" | ok
        4:04 tick | !batch.noted
        4:06 tick | batch.noted "float is back in the beer after 4 h: its time is over"
        6:00 tick | alarm gravity-silent.float gone
        7:10 tick | alarm gravity-silent.float stands"#,
    );
}

#[test]
fn a_float_that_moved_while_it_was_out_asks_for_a_sample() {
    check(
        LONG,
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 60 h |
        1+06:01 source name="float" do="aside" for="3 h" | ok
        1+06:02 float silent |
        1+09:02 fall 1.040 to 1.026 in 30 h |
        1+23:00 tick | sample.due "float reads "; !alarm.raised
        1+23:01 sample gravity="1.0262 SG" uncertainty="0.5 points" | ok
        3+00:00 tick | !sample.due; alarm gravity-doubtful.float gone"#,
    );
}

#[test]
fn another_float_is_read_by_its_own_calibration_for_this_batch() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    // The new one reads 12 points too high, and its calibration knows.
    let point = |(reading, sg)| Point { reading, reference: Gravity::from_sg(sg).unwrap() };
    let points = [(1.012, 1.000), (1.062, 1.050)].map(point);
    bench
        .calibrations
        .insert("new.toml".to_owned(), fit(Reads::Gravity, &points).unwrap().calibration);
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:01 source name="float" do="exchanged" calibration="new.toml" | refused "there is no batch"
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.020 in 60 h |
        1+06:00 source name="float" do="exchanged" calibration="old.toml" | refused "is not there"
        1+06:01 source name="float" do="exchanged" calibration="new.toml" | ok "offset is unknown"
                | batch.noted "read by new.toml for the rest of this batch"
        1+06:02 fall 1.046 to 1.032 in 30 h |
        3+00:00 tick | !alarm.raised"#,
    );
    let exchanged = "exchanged: its offset is unknown until a sample";
    let caution = |bench: &Bench| bench.engine.view(&north()).unwrap().sources[0].caution.clone();
    assert_eq!(caution(&bench).as_deref(), Some(exchanged));
    let gravity = bench.engine.view(&north()).unwrap().gravity.unwrap().sg;
    assert!((gravity - 1.020).abs() < 3e-3, "{gravity}");
    bench.run(
        r#"
        3+00:01 crash |
        3+00:02 sample gravity="1.021 SG" uncertainty="0.3 points" | ok
        3+04:00 tick | run running"#,
    );
    assert_eq!(caution(&bench), None);
    // The next batch is read as configured.
    bench.run(
        r#"
        3+05:00 stop | ok
        3+05:01 pitch schedule="beer" original_gravity="1.048 SG" | ok
        3+05:02 float 1.048 |"#,
    );
    let offset = bench.engine.view(&north()).unwrap().sources[0].offset_points.unwrap();
    assert!(offset.abs() < 2.0, "{offset}");
}

#[test]
fn samples_are_called_for_and_their_silence_is_told() {
    let by_hand = NORTH
        .replace("volume = \"23 L\"", "volume = \"23 L\"\nsample_every = \"1 d\"")
        .split_once("[vessel.north.gravity.float]")
        .map(|(head, tail)| format!("{head}{}", tail.split_once("[vessel.north.beer]").unwrap().1))
        .unwrap()
        .replace("topic = \"cellar/probe\"", "[vessel.north.beer]\ntopic = \"cellar/probe\"");
    check_in(
        &by_hand,
        LONG,
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        1+00:04 tick | !sample.due
        1+00:06 tick | sample.due "Please take a hand sample: the last one is 1 d old"
        1+12:00 sample gravity="1.030 SG" | ok
        2+11:00 tick | !sample.due
        2+12:01 tick | sample.due
        4+11:00 tick | sample.due; !alarm.raised
        4+12:01 tick | alarm.raised "gravity-silent.hand"
        4+12:02 sample gravity="1.014 SG" | ok
        4+12:18 tick | alarm.returned "gravity-silent.hand""#,
    );
}

#[test]
fn packaging_is_yes_only_with_an_end_a_sample_and_no_alarm() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", LONG);
    let advice = |bench: &Bench| bench.engine.view(&north()).unwrap().packaging.unwrap();
    bench.run(
        r#"
        0:00 beer at 18.0 |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h |
        2+00:00 tick | run running"#,
    );
    let early = advice(&bench);
    assert_eq!(early.answer, "no", "{early:?}");
    assert!(early.points_left_upper.unwrap() > 10.0 && early.co2_volumes_if_closed.unwrap() > 6.0);
    assert!(early.because.contains("bottles stand: they may burst"), "{}", early.because);
    bench.run("9+00:00 tick | alarm gravity-doubtful.float gone");
    let unsampled = advice(&bench);
    assert_eq!(unsampled.answer, "unknown", "{unsampled:?}");
    assert!(unsampled.because.contains("there is no hand sample"), "{unsampled:?}");
    bench.run(r#"9+00:01 sample gravity="1.012 SG" | ok"#);
    let ready = advice(&bench);
    assert_eq!(ready.answer, "yes", "{ready:?}");
    assert!(ready.points_left_upper.unwrap() < 1.0, "{ready:?}");
    let volumes = ready.co2_volumes_if_closed.unwrap();
    assert!((0.85..1.5).contains(&volumes), "{volumes}");
    bench.run("13+00:00 tick | run running");
    assert_eq!(advice(&bench).answer, "unknown", "the sample is old");
    bench.run(
        r#"
        13+00:01 sample gravity="1.012 SG" | ok
        13+00:02 addition what="candi sugar" extract="300 g" | ok"#,
    );
    let fed = advice(&bench);
    assert_eq!(fed.answer, "no", "{fed:?}");
    assert!(fed.co2_volumes_if_closed.unwrap() > 2.5, "{fed:?}");
}

#[test]
fn a_density_meter_reminds_of_degassing_and_a_refractometer_needs_the_original_gravity() {
    let measured = "format = 1\nname = 'X'\n[expect]\noriginal_gravity = 'measured'\n\
         final_gravity = '1.010 SG'\n[[stage]]\nname = 'a'\ntarget = '18 C'\n\
         until = { elapsed = '20 d' }\n";
    check(
        measured,
        r#"
        0:01 pitch schedule="beer" | ok
        0:02 sample gravity="6 Bx" instrument="refractometer" | refused "needs the original gravity"
        0:03 sample gravity="1.040 SG" instrument="density meter" | ok "degassed"
             | sample.taken "Sample by density meter: 1.0400 SG ± 0.2 points; a density meter needs"
        0:04 sample gravity="1.050 SG" temperature="10 C" | ok "1.0481"
        0:05 sample gravity="1.050 SG" temperature="60 F" calibrated_at="60 F" | ok "1.0498""#,
    );
}
