//! An output that regulates itself: it is given a setpoint, and only the beer shows what it does.

use crate::{Output, Sign};
use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};

/// It is expected to work while the beer is beyond what it was told by more than this, in K: its
/// own band is not known. Common practice, no source.
const OWN_BAND: f64 = 1.0;
/// Within this much work the beer must move by [`MOVES`], in K: any that can be of use moves it so.
const WITHIN: Span = Span::from_hours(3);
const MOVES: f64 = 0.2;
/// The hard stop: so far from the vessel's setpoint, in K …
const AWAY: f64 = 3.0;
/// … while the beer went the wrong way by so much, in K …
const AWAY_BY: f64 = 0.3;
/// … for so long.
const AWAY_FOR: Span = Span::from_hours(2);

/// The watch over one thermostat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Thermostat {
    output: Output,
    /// Since when it should work, and the beer then.
    work: Option<(Stamp, Temperature)>,
    sign: Option<Found>,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
enum Found {
    NoEffect { worked: Span },
    RunsAway { since: Stamp, beer: Temperature },
}

impl Thermostat {
    /// The watch over a thermostat of which nothing is known.
    pub fn new(output: Output) -> Self {
        Thermostat { output, work: None, sign: None }
    }

    /// Looks at the beer, at what the thermostat is told (`None`: to be off), and at the vessel's
    /// own setpoint.
    pub fn look(
        &mut self,
        now: Stamp,
        beer: Option<Temperature>,
        told: Option<Temperature>,
        setpoint: Option<Temperature>,
    ) {
        let (Some(beer), Some(told), Some(setpoint)) = (beer, told, setpoint) else {
            // What is not known says nothing; what is told to be off ends the matter.
            if told.is_none() {
                (self.work, self.sign) = (None, None);
            }
            return;
        };
        let sign = self.output.sign();
        if (beer - told).kelvin() * sign <= OWN_BAND {
            (self.work, self.sign) = (None, None);
            return;
        }
        let (since, first) = *self.work.get_or_insert((now, beer));
        let (worked, came) = (now.since(since), (first - beer).kelvin() * sign);
        if came >= MOVES {
            // It works: the next stretch is judged anew.
            (self.work, self.sign) = (Some((now, beer)), None);
        } else if (beer - setpoint).kelvin() * sign > AWAY && came <= -AWAY_BY && worked >= AWAY_FOR
        {
            self.sign = Some(Found::RunsAway { since, beer });
        } else if worked >= WITHIN {
            self.sign.get_or_insert(Found::NoEffect { worked });
        }
    }

    /// What speaks against it.
    pub fn sign(&self) -> Option<Sign> {
        let output = self.output;
        self.sign.map(|found| match found {
            Found::NoEffect { worked } => {
                Sign::NoEffect { output, on: worked, expected: MOVES / WITHIN.hours() }
            }
            Found::RunsAway { since, beer } => Sign::RunsAway { output, since, beer },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(beers: impl Fn(f64) -> f64, told: Option<f64>, hours: i64) -> Option<(i64, Sign)> {
        let c = |celsius: f64| Temperature::from_celsius(celsius).unwrap();
        let mut watch = Thermostat::new(Output::Chiller);
        (0..hours * 60).find_map(|minute| {
            let now = Stamp::from_millis(minute * 60_000);
            let beer = beers(minute as f64 / 60.0);
            watch.look(now, Some(c(beer)), told.map(c), Some(c(12.0)));
            watch.sign().map(|sign| (minute, sign))
        })
    }

    #[test]
    fn a_thermostat_that_does_nothing_or_worse_is_told() {
        let (minute, sign) = run(|_| 14.0, Some(12.3), 9).unwrap();
        assert_eq!(minute, 180);
        assert!(matches!(sign, Sign::NoEffect { output: Output::Chiller, .. }), "{sign:?}");
        let (minute, sign) = run(|hours| 14.0 + hours, Some(12.3), 9).unwrap();
        assert_eq!(minute, 120);
        assert!(matches!(sign, Sign::RunsAway { .. }), "{sign:?}");
    }

    #[test]
    fn one_that_works_or_rests_or_was_not_asked_is_not() {
        assert_eq!(run(|hours| 20.0 - 0.3 * hours, Some(12.3), 24), None);
        assert_eq!(run(|_| 13.2, Some(12.3), 24), None);
        assert_eq!(run(|_| 20.0, None, 24), None);
    }
}
