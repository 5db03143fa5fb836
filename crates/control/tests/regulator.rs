//! What a vessel's owner can rely on, through the public door: rests over a restart, snapshots,
//! limits around the vessel, the outputs that are not there.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use control::{Because, Decision, Demand, Envelope, Regulator, Rests, Rules, Sign};
use quantity::{Show, Span, Stamp, Temperature, TemperatureDelta};

fn at(seconds: i64) -> Stamp {
    Stamp::from_millis(seconds * 1000)
}

fn celsius(celsius: f64) -> Temperature {
    Temperature::from_celsius(celsius).unwrap()
}

fn rules() -> Rules {
    let rests = |min_on, min_off| {
        Some(Rests { min_on: Span::from_mins(min_on), min_off: Span::from_mins(min_off) })
    };
    Rules {
        heater: rests(1, 1),
        chiller: rests(2, 5),
        changeover: Span::from_mins(10),
        hysteresis: TemperatureDelta::from_kelvin(0.3).unwrap(),
        anticipate: false,
        max_on: Span::from_mins(20),
        envelope: Envelope::default(),
    }
}

fn demand(setpoint: f64) -> Demand {
    Demand { setpoint: Some(celsius(setpoint)), ahead: Vec::new(), heat: true, cool: true }
}

/// A vessel that was regulated plainly from 0 s on.
#[derive(Clone)]
struct Bench {
    regulator: Regulator,
    rules: Rules,
    demand: Demand,
}

impl Bench {
    fn new() -> Self {
        Bench { regulator: Regulator::new(at(0)), rules: rules(), demand: demand(12.0) }
    }

    /// A reading and a decision; `C` cools, `H` heats, `-` rests.
    fn step(&mut self, seconds: i64, beer: f64) -> (&'static str, Because) {
        self.regulator.take(at(seconds), celsius(beer), None);
        self.ask(seconds)
    }

    fn ask(&mut self, seconds: i64) -> (&'static str, Because) {
        let decision = self.regulator.decide(at(seconds), &self.rules, &self.demand);
        (letter(decision), decision.because)
    }
}

fn letter(decision: Decision) -> &'static str {
    match (decision.chiller, decision.heater) {
        (true, false) => "C",
        (false, true) => "H",
        (false, false) => "-",
        (true, true) => "both",
    }
}

#[test]
fn the_compressor_rests_after_a_start_that_does_not_tell_when_it_ran() {
    let mut bench = Bench::new();
    assert_eq!(bench.step(0, 13.0), ("-", Because::Resting { until: at(300) }));
    assert_eq!(bench.step(299, 13.0).0, "-");
    assert_eq!(bench.step(300, 13.0).0, "C");
}

#[test]
fn a_run_lasts_its_shortest_time_and_then_rests() {
    let mut bench = Bench::new();
    assert_eq!(bench.step(300, 13.0).0, "C");
    assert_eq!(bench.step(310, 11.9), ("C", Because::MinOn { until: at(420) }));
    assert_eq!(bench.step(420, 11.9).0, "-");
    assert_eq!(bench.step(500, 13.0), ("-", Because::Resting { until: at(720) }));
    assert_eq!(bench.step(600, 11.0), ("-", Because::Changeover { until: at(1020) }));
    assert_eq!(bench.step(1020, 11.0).0, "H");
}

#[test]
fn what_must_not_run_stops_at_once_and_still_rests() {
    let mut bench = Bench::new();
    assert_eq!(bench.step(300, 13.0).0, "C");
    bench.demand.cool = false;
    assert_eq!(bench.step(310, 13.0), ("-", Because::NotAllowed));
    bench.demand.cool = true;
    assert_eq!(bench.step(320, 13.0), ("-", Because::Resting { until: at(610) }));
    bench.demand.setpoint = None;
    assert_eq!(bench.step(620, 13.0), ("-", Because::NoSetpoint));
}

#[test]
fn a_new_process_finds_its_outputs_off_and_just_stopped() {
    let mut bench = Bench::new();
    assert_eq!(bench.step(300, 13.0).0, "C");
    bench.ask(360);
    bench.regulator.restarted(at(4000), true);
    assert_eq!(bench.regulator.figures().chiller.on, Span::from_secs(60));
    assert_eq!(bench.step(4010, 13.0), ("-", Because::Resting { until: at(4300) }));
    // One that had rested goes on resting from where it stopped.
    let mut rested = Bench::new();
    rested.step(300, 13.0);
    rested.step(500, 11.9);
    let mut unseen = rested.clone();
    rested.regulator.restarted(at(4000), true);
    assert_eq!(rested.step(4001, 13.0).0, "C");
    // Unless nobody saw how the process before ended: it may have run since, and neither it nor the
    // other starts at once.
    unseen.regulator.restarted(at(4000), false);
    let mut warming = unseen.clone();
    assert_eq!(unseen.step(4001, 13.0), ("-", Because::Resting { until: at(4300) }));
    assert_eq!(warming.step(4061, 11.0), ("-", Because::Changeover { until: at(4600) }));
}

#[test]
fn a_run_without_readings_ends() {
    let mut bench = Bench::new();
    assert_eq!(bench.ask(0).1, Because::Blind { last: None });
    assert_eq!(bench.step(300, 13.0).0, "C");
    assert_eq!(bench.ask(1499).0, "C");
    assert_eq!(bench.ask(1500), ("-", Because::Blind { last: Some(at(300)) }));
    assert_eq!(bench.ask(9000).0, "-");
    assert_eq!(bench.step(9001, 13.0).0, "C");
}

#[test]
fn an_output_that_is_not_there_is_never_asked_for() {
    let mut bench = Bench::new();
    bench.rules.chiller = None;
    assert_eq!(bench.step(600, 13.0), ("-", Because::NotAllowed));
    assert_eq!(bench.step(700, 11.0).0, "H");
}

#[test]
fn limits_around_the_vessel_hold() {
    let envelope = Envelope {
        below_beer: TemperatureDelta::from_kelvin(8.0),
        above_beer: TemperatureDelta::from_kelvin(10.0),
        coldest: Temperature::from_celsius(-2.0),
    };
    // Beer, setpoint, around: what a chiller or a heater that rests does, and one that runs.
    for (beer, setpoint, around, starts, goes_on) in [
        (13.0, 12.0, 10.0, "C", "C"),
        (13.0, 12.0, 5.5, "-", "C"),
        (13.0, 12.0, 4.9, "-", "C"),
        (13.0, 12.0, 3.9, "-", "-"),
        (4.0, 3.0, -0.5, "C", "C"),
        (4.0, 3.0, -1.5, "-", "C"),
        (4.0, 3.0, -3.1, "-", "-"),
        (11.0, 12.0, 19.5, "H", "H"),
        (11.0, 12.0, 20.5, "-", "H"),
        (11.0, 12.0, 22.1, "-", "-"),
    ] {
        let rules = Rules { envelope, ..rules() };
        let mut regulator = Regulator::new(at(0));
        let mut step = |seconds, around| {
            regulator.take(at(seconds), celsius(beer), Some(celsius(around)));
            letter(regulator.decide(at(seconds), &rules, &demand(setpoint)))
        };
        assert_eq!(step(1000, around), starts, "{beer} {setpoint} {around}");
        step(5000, 12.0_f64.min(beer));
        // Within its shortest run, then after it.
        assert_eq!(step(5010, around), goes_on, "{beer} {setpoint} {around}");
        let room =
            if beer > setpoint { around > (beer - 8.0).max(-2.0) } else { around < beer + 10.0 };
        assert_eq!(step(5300, around) != "-", room, "{beer} {setpoint} {around}");
    }
}

/// A vessel in small: the beer follows the outputs a while later.
fn simulate(regulator: &mut Regulator, from: i64, to: i64) -> Vec<(i64, &'static str)> {
    let rules = Rules { anticipate: true, ..rules() };
    let (mut beer, mut rate) = (12.0, 0.2);
    let mut seen = Vec::new();
    for tick in from..to {
        // A small, repeatable unrest stands for the probe's noise.
        let unrest = ((tick * 7919) % 13 - 6) as f64 / 100.0;
        let shown = ((beer + unrest) / 0.0625_f64).round() * 0.0625;
        regulator.take(at(tick * 30), celsius(shown), None);
        let now = letter(regulator.decide(at(tick * 30), &rules, &demand(12.0)));
        seen.push((tick, now));
        let drive = if now == "C" { -2.5 } else { 0.0 } + if now == "H" { 1.0 } else { 0.0 };
        rate += (0.2 + drive - rate) * (30.0 / 3600.0);
        beer += rate * 30.0 / 3600.0;
    }
    seen
}

#[test]
fn a_restored_snapshot_goes_on_bit_for_bit_alike() {
    let mut regulator = Regulator::new(at(-86_400));
    simulate(&mut regulator, 0, 1500);
    assert!(regulator.figures().chiller.identified, "{:?}", regulator.figures());
    let snapshot = serde_json::to_string(&regulator).unwrap();
    // It is part of every snapshot of the engine, once a vessel.
    assert!(snapshot.len() < 8000, "{} bytes", snapshot.len());
    let mut restored: Regulator = serde_json::from_str(&snapshot).unwrap();
    assert_eq!(restored, regulator);
    let (one, other) = (simulate(&mut regulator, 1500, 2500), simulate(&mut restored, 1500, 2500));
    assert!(one.iter().any(|(_, now)| *now == "C"));
    assert_eq!(one, other);
    assert_eq!(restored, regulator);
}

#[test]
fn a_beer_that_runs_away_is_told() {
    let mut bench = Bench::new();
    let mut told = None;
    for minute in 10..400 {
        let beer = 15.5 + minute as f64 * 0.01;
        bench.step(minute * 60, beer);
        if told.is_none() && !bench.regulator.signs().is_empty() {
            told = Some((minute, bench.regulator.signs()));
        }
    }
    let (minute, signs) = told.unwrap();
    // The chiller had worked for 2 h, and nothing had come of it.
    assert!((129..=132).contains(&minute), "{minute}");
    assert!(signs.iter().any(|sign| matches!(sign, Sign::RunsAway { .. })), "{signs:?}");
    bench.demand.setpoint = None;
    bench.ask(400 * 60);
    assert!(!bench.regulator.signs().iter().any(|sign| matches!(sign, Sign::RunsAway { .. })));
}

#[test]
fn every_reason_reads_as_a_sentence() {
    let mut bench = Bench::new();
    let text = |because: Because| because.text(Show::default());
    for (seconds, beer, expected) in [
        (0, 13.0, "the output rests until 1970-01-01T00:05:00Z"),
        (300, 13.0, "the beer, at 13.0 °C, is above the band around 12.0 °C"),
        (310, 12.5, "cooling from 12.5 °C towards 12.0 °C"),
        (320, 11.9, "its shortest run lasts until 1970-01-01T00:07:00Z"),
        (420, 11.9, "the beer, at 11.9 °C, is near enough to 12.0 °C"),
        (430, 11.0, "between heating and cooling there is a pause until 1970-01-01T00:17:00Z"),
    ] {
        let (_, because) = bench.step(seconds, beer);
        assert_eq!(text(because), expected);
    }
}
