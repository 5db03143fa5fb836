//! What must hold whatever is read and asked: no output breaks a rest, none runs blind, never both.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use control::{Demand, Envelope, Regulator, Rests, Rules};
use proptest::prelude::*;
use quantity::{Span, Stamp, Temperature, TemperatureDelta};

/// One turn: time passes (also backwards), perhaps a reading or a new process, then a decision.
#[derive(Debug, Clone)]
struct Turn {
    seconds: i64,
    reading: Option<(f64, Option<f64>)>,
    restarts: bool,
    setpoint: Option<f64>,
    ahead: Vec<(i64, f64)>,
    heat: bool,
    cool: bool,
}

fn turn() -> impl Strategy<Value = Turn> {
    let seconds = prop_oneof![
        8 => 1..120i64,
        2 => Just(0i64),
        1 => -600..0i64,
        1 => 600..7200i64,
    ];
    let celsius = prop_oneof![8 => 10.0..14.0f64, 1 => -30.0..80.0f64];
    (
        seconds,
        prop::option::weighted(0.8, (celsius, prop::option::of(-30.0..80.0f64))),
        prop::bool::weighted(0.02),
        prop::option::weighted(0.95, 11.0..13.0f64),
        prop::collection::vec((0..100_000i64, -30.0..80.0f64), 0..3),
        prop::bool::weighted(0.9),
        prop::bool::weighted(0.9),
    )
        .prop_map(|(seconds, reading, restarts, setpoint, ahead, heat, cool)| Turn {
            seconds,
            reading,
            restarts,
            setpoint,
            ahead,
            heat,
            cool,
        })
}

fn rules() -> impl Strategy<Value = Rules> {
    let rests = || {
        prop::option::weighted(
            0.9,
            (0..300i64, 0..600i64).prop_map(|(min_on, min_off)| Rests {
                min_on: Span::from_secs(min_on),
                min_off: Span::from_secs(min_off),
            }),
        )
    };
    (rests(), rests(), 0..1200i64, 0.0..1.0f64, any::<bool>(), 0..1800i64, any::<bool>()).prop_map(
        |(heater, chiller, changeover, hysteresis, anticipate, max_on, envelope)| Rules {
            heater,
            chiller,
            changeover: Span::from_secs(changeover),
            hysteresis: TemperatureDelta::from_kelvin(hysteresis).unwrap(),
            anticipate,
            max_on: Span::from_secs(max_on),
            envelope: if envelope {
                Envelope {
                    below_beer: TemperatureDelta::from_kelvin(8.0),
                    above_beer: TemperatureDelta::from_kelvin(10.0),
                    coldest: Temperature::from_celsius(-2.0),
                }
            } else {
                Envelope::default()
            },
        },
    )
}

fn demand(turn: &Turn) -> Demand {
    Demand {
        setpoint: turn.setpoint.map(Temperature::clamped),
        ahead: turn
            .ahead
            .iter()
            .map(|(seconds, celsius)| (Span::from_secs(*seconds), Temperature::clamped(*celsius)))
            .collect(),
        heat: turn.heat,
        cool: turn.cool,
    }
}

/// What a watcher of one output sees from outside.
#[derive(Debug, Clone, Copy)]
struct Seen {
    rests: Option<Rests>,
    start: Stamp,
    on_since: Option<Stamp>,
    ran_until: Option<Stamp>,
}

impl Seen {
    fn new(rests: Option<Rests>, start: Stamp) -> Self {
        Seen { rests, start, on_since: None, ran_until: None }
    }

    /// Fails where what the output does now breaks a rule.
    fn watch(&mut self, on: bool, now: Stamp, allowed: bool, other: Seen, changeover: Span) {
        match (self.on_since, on) {
            (None, true) => {
                let rests = self.rests.unwrap();
                assert!(allowed, "started while not allowed");
                assert!(now >= self.ran_until.unwrap_or(self.start) + rests.min_off, "min_off");
                assert!(
                    other.ran_until.is_none_or(|until| now >= until + changeover),
                    "changeover"
                );
                assert!(other.ran_until.is_none_or(|until| now > until), "stopped and started");
                self.on_since = Some(now);
            }
            (Some(since), false) => {
                let served = now >= since + self.rests.unwrap().min_on;
                assert!(served || !allowed, "min_on");
                self.stopped(now);
            }
            (Some(_), true) => assert!(allowed, "runs while not allowed"),
            (None, false) => {}
        }
    }

    fn stopped(&mut self, now: Stamp) {
        if self.on_since.take().is_some() {
            self.ran_until = Some(now);
        }
    }
}

/// Whether every figure is a number.
fn finite(regulator: &Regulator) -> bool {
    let temperatures = [regulator.figures().lowest, regulator.figures().highest];
    let learnt = regulator.estimate().map_or(Vec::new(), |estimate| {
        let control::Estimate { rate, drift, cooling, heating, direct, .. } = estimate;
        vec![estimate.beer.celsius(), rate, drift, cooling, heating, direct]
    });
    temperatures.iter().flatten().map(|t| t.celsius()).chain(learnt).all(f64::is_finite)
}

/// Whether what surrounds the vessel is so far beyond a limit that a run ends at once, in °C.
fn far_too_cold(envelope: &Envelope, (beer, surround): (f64, Option<f64>)) -> bool {
    let below = envelope.below_beer.map_or(f64::NEG_INFINITY, |delta| beer - delta.kelvin());
    let coldest = envelope.coldest.map_or(f64::NEG_INFINITY, Temperature::celsius);
    surround.is_some_and(|surround| surround <= below.max(coldest) - 1.0)
}

fn far_too_warm(envelope: &Envelope, (beer, surround): (f64, Option<f64>)) -> bool {
    let above = envelope.above_beer.map_or(f64::INFINITY, |delta| beer + delta.kelvin());
    surround.is_some_and(|surround| surround >= above + 1.0)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn no_rule_is_broken(rules in rules(), turns in prop::collection::vec(turn(), 1..150)) {
        let start = Stamp::from_millis(1_700_000_000_000);
        let mut regulator = Regulator::new(start);
        let (mut clock, mut now, mut read) = (start, start, None);
        let mut heater = Seen::new(rules.heater, start);
        let mut chiller = Seen::new(rules.chiller, start);
        let mut blind_on = Span::ZERO;
        let mut known = None;
        for turn in &turns {
            clock = Stamp::from_millis(clock.millis() + turn.seconds * 1000);
            if clock > now {
                if heater.on_since.or(chiller.on_since).is_some() {
                    blind_on = blind_on + clock.since(now);
                }
                now = clock;
            }
            if turn.restarts {
                regulator.restarted(clock, true);
                heater.stopped(now);
                chiller.stopped(now);
            }
            if let Some((beer, surround)) = turn.reading {
                if read.is_none_or(|last| clock > last) {
                    read = Some(clock);
                    known = Some((beer, surround));
                    blind_on = Span::ZERO;
                }
                let surround = surround.map(Temperature::clamped);
                regulator.take(clock, Temperature::clamped(beer), surround);
            }
            let demand = demand(turn);
            let decision = regulator.decide(clock, &rules, &demand);
            prop_assert!(!(decision.heater && decision.chiller));
            let on = decision.heater || decision.chiller;
            prop_assert!(!on || read.is_some(), "runs before the first reading");
            let wanted = turn.setpoint.is_some();
            let may = |output: fn(&Envelope, (f64, Option<f64>)) -> bool| {
                wanted && !known.is_some_and(|reading| output(&rules.envelope, reading))
            };
            let (heats, cools) = (turn.heat && may(far_too_warm), turn.cool && may(far_too_cold));
            let before = (heater, chiller);
            heater.watch(decision.heater, now, heats, before.1, rules.changeover);
            chiller.watch(decision.chiller, now, cools, before.0, rules.changeover);
            if on {
                let rests = if decision.heater { rules.heater } else { rules.chiller };
                let longest = rules.max_on.max(rests.unwrap().min_on);
                prop_assert!(blind_on < longest, "on for {blind_on} without a reading");
            }
            let again = regulator.decide(clock, &rules, &demand);
            prop_assert_eq!((again.heater, again.chiller), (decision.heater, decision.chiller));
            prop_assert!(finite(&regulator));
        }
    }
}
