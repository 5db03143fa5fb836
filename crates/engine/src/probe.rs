//! A temperature probe: what it last said, whether that can be believed, and its recent mean.

use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Beer beyond these is impossible: a probe that says so is broken or lies in something else.
const COLDEST_BEER_C: f64 = -10.0;
const WARMEST_BEER_C: f64 = 60.0;
/// No beer moves this far …
const JUMP_K: f64 = 3.0;
/// … within this time.
const JUMP_TIME: Span = Span::from_mins(1);
/// Readings that come faster need not all be kept to see that.
const RECENT_APART: Span = Span::from_secs(5);
/// A probe that repeats itself this long …
const FROZEN_FOR: Span = Span::from_hours(6);
/// … while an output was on this long is frozen …
const FROZEN_ON: Span = Span::from_hours(1);
/// … if it has said so this often: a float that speaks once an hour may say the same six times.
const FROZEN_TIMES: u32 = 20;
/// No output need be on where the probe turned round so often in the day before: a beer that is
/// kept does not make such a one silent.
const FLICKERS: u32 = 200;
/// Only turns of this size show that the probe would tell of less than a beer's own stirrings: one
/// of coarse steps may turn often at an edge between two of them, and then rest in the middle.
const FINE_K: f64 = 0.2;
const A_DAY: Span = Span::from_hours(24);
/// So many readings that agree end a doubt …
const AGREEING: usize = 3;
/// … where they lie within this of each other.
const AGREEING_K: f64 = 1.0;
/// The mean for `at_target` is over this many whole minutes.
const MEAN_MINUTES: i64 = 15;

/// Why a probe is doubted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) enum ProbeDoubt {
    Impossible {
        celsius: f64,
    },
    Jumped {
        from_c: f64,
        to_c: f64,
    },
    /// Since then; an output ran meanwhile, or else the probe had never stood still before.
    Frozen {
        celsius: f64,
        since: Stamp,
        while_on: bool,
    },
}

/// What a probe says and how it stands.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Probe {
    /// The last believed reading.
    last: Option<(Stamp, Temperature)>,
    /// The last reading's time, believed or not.
    heard: Option<Stamp>,
    doubt: Option<ProbeDoubt>,
    /// It was silent for too long: as with a doubt, readings must agree before one is believed.
    silent: bool,
    /// What the broker had kept of it, of any age: only shown, until it speaks.
    retained: Option<Temperature>,
    /// Readings since the doubt that agree with each other; at most [`AGREEING`].
    agreeing: Vec<f64>,
    same_since: Option<Stamp>,
    same_times: u32,
    /// Whether the last change was upwards.
    rose: bool,
    /// How often it turned round since then, and in the day before.
    turns: (u32, u32),
    turns_since: Option<Stamp>,
    on_while_same: Span,
    /// Believed readings of the last minute, at least [`RECENT_APART`] apart.
    recent: VecDeque<(Stamp, f64)>,
    /// Sum and number of readings by whole minutes; at most [`MEAN_MINUTES`] + 1.
    minutes: VecDeque<(i64, f64, u32)>,
}

impl Probe {
    /// Takes a reading; gives why it cannot be believed, where that is news.
    pub fn take(&mut self, at: Stamp, celsius: f64) -> Option<ProbeDoubt> {
        self.heard = Some(at);
        self.retained = None;
        if !self.is_trusted() {
            return self.weigh_doubt(at, celsius);
        }
        let doubt = self.doubts(at, celsius);
        match (&doubt, Temperature::from_celsius(celsius)) {
            (None, Some(temperature)) => self.believe(at, temperature),
            _ => self.begin_doubt(doubt.clone(), celsius),
        }
        doubt
    }

    /// Lets time pass in which an output was on or off: a frozen probe shows only by that.
    pub fn pass(&mut self, now: Stamp, output_on: Span) -> Option<ProbeDoubt> {
        self.on_while_same = self.on_while_same + output_on;
        let since = self.same_since?;
        let (_, last) = self.last?;
        let flickered = self.turns.0.max(self.turns.1) >= FLICKERS;
        let while_on = self.on_while_same >= FROZEN_ON;
        let frozen = now.since(since) >= FROZEN_FOR
            && (while_on || flickered)
            && self.same_times >= FROZEN_TIMES;
        if !frozen || self.doubt.is_some() {
            return None;
        }
        let doubt = ProbeDoubt::Frozen { celsius: last.celsius(), since, while_on };
        self.begin_doubt(Some(doubt.clone()), last.celsius());
        Some(doubt)
    }

    /// What it said is of unknown age; that it spoke, and a doubt, stay.
    pub fn forget(&mut self) {
        self.last = None;
        self.same_since = None;
        self.agreeing.clear();
        self.recent.clear();
        self.minutes.clear();
    }

    /// It has been silent for too long.
    pub fn fall_silent(&mut self) {
        if !self.silent {
            self.silent = true;
            self.agreeing.clear();
        }
    }

    /// Whether it is silent, or was and has not said three things that agree since.
    pub fn is_silent(&self) -> bool {
        self.silent
    }

    /// Whether its readings are believed.
    pub fn is_trusted(&self) -> bool {
        self.doubt.is_none() && !self.silent
    }

    /// Keeps what the broker had retained, to be shown.
    pub fn show(&mut self, celsius: f64) {
        self.retained = Temperature::from_celsius(celsius);
    }

    /// What was retained, while nothing was heard since.
    pub fn retained(&self) -> Option<Temperature> {
        self.retained
    }

    /// Time away came to light: what was heard since `start` was heard just as long ago as before.
    pub fn slept(&mut self, start: Stamp, away: Span) {
        let shift = |at: &mut Stamp| {
            if *at >= start {
                *at = *at + away;
            }
        };
        self.heard.iter_mut().for_each(shift);
        self.same_since.iter_mut().for_each(shift);
        if let Some((at, _)) = &mut self.last {
            shift(at);
        }
        self.minutes.clear();
        self.recent.clear();
    }

    /// Why it is doubted now.
    pub fn doubt(&self) -> Option<&ProbeDoubt> {
        self.doubt.as_ref()
    }

    /// The last believed reading.
    pub fn last(&self) -> Option<(Stamp, Temperature)> {
        self.last
    }

    /// When it was last heard, believed or not.
    pub fn heard(&self) -> Option<Stamp> {
        self.heard
    }

    /// The mean of the last 15 minutes; the last reading where they come more seldom.
    pub fn mean(&self, now: Stamp) -> Option<Temperature> {
        let first = minute(now) - MEAN_MINUTES;
        let over = self.minutes.iter().take_while(|(minute, _, _)| *minute <= first).count();
        let recent = self.minutes.range(over..);
        let (sum, count) = recent.fold((0.0, 0), |(sum, count), (_, s, n)| (sum + s, count + n));
        if count == 0 {
            return self.last.map(|(_, temperature)| temperature);
        }
        Temperature::from_celsius(sum / f64::from(count))
    }

    fn doubts(&self, at: Stamp, celsius: f64) -> Option<ProbeDoubt> {
        if !is_possible(celsius) {
            return Some(ProbeDoubt::Impossible { celsius });
        }
        self.recent
            .iter()
            .find(|(before, from_c)| {
                (celsius - from_c).abs() > JUMP_K && at.since(*before) <= JUMP_TIME
            })
            .map(|(_, from_c)| ProbeDoubt::Jumped { from_c: *from_c, to_c: celsius })
    }

    fn believe(&mut self, at: Stamp, temperature: Temperature) {
        self.count_turn(at, temperature);
        if self.last.is_none_or(|(_, last)| last != temperature) {
            self.same_since = Some(at);
            self.on_while_same = Span::ZERO;
            self.same_times = 0;
        }
        self.same_times = self.same_times.saturating_add(1);
        self.last = Some((at, temperature));
        self.keep_recent(at, temperature.celsius());
        let minute = minute(at);
        match self.minutes.back_mut() {
            Some((last, sum, count)) if *last == minute => {
                *sum += temperature.celsius();
                *count += 1;
            }
            _ => self.minutes.push_back((minute, temperature.celsius(), 1)),
        }
        while self.minutes.front().is_some_and(|(first, _, _)| *first <= minute - MEAN_MINUTES) {
            self.minutes.pop_front();
        }
    }

    /// Counts how often what it says turns round.
    fn count_turn(&mut self, at: Stamp, temperature: Temperature) {
        let since = *self.turns_since.get_or_insert(at);
        if at.since(since) >= A_DAY {
            self.turns = (0, self.turns.0);
            self.turns_since = Some(at);
        }
        let Some((_, last)) = self.last.filter(|(_, last)| *last != temperature) else { return };
        let rises = temperature > last;
        let fine = (temperature.celsius() - last.celsius()).abs() <= FINE_K;
        if rises != self.rose && fine {
            self.turns.0 = self.turns.0.saturating_add(1);
        }
        self.rose = rises;
    }

    fn keep_recent(&mut self, at: Stamp, celsius: f64) {
        while self.recent.front().is_some_and(|(before, _)| at.since(*before) > JUMP_TIME) {
            self.recent.pop_front();
        }
        if self.recent.back().is_none_or(|(before, _)| at.since(*before) >= RECENT_APART) {
            self.recent.push_back((at, celsius));
        }
    }

    fn begin_doubt(&mut self, doubt: Option<ProbeDoubt>, celsius: f64) {
        self.agreeing.clear();
        if matches!(doubt, Some(ProbeDoubt::Jumped { .. })) {
            self.agreeing.push(celsius);
        }
        self.doubt = doubt;
    }

    fn weigh_doubt(&mut self, at: Stamp, celsius: f64) -> Option<ProbeDoubt> {
        let frozen_at = match self.doubt {
            Some(ProbeDoubt::Frozen { celsius, .. }) => Some(celsius),
            _ => None,
        };
        if !is_possible(celsius) {
            self.agreeing.clear();
            return Some(ProbeDoubt::Impossible { celsius });
        }
        if frozen_at == Some(celsius) && self.agreeing.is_empty() {
            return None;
        }
        if self.agreeing.iter().any(|other| (other - celsius).abs() > AGREEING_K) {
            self.agreeing.clear();
        }
        self.agreeing.push(celsius);
        if self.agreeing.len() < AGREEING {
            return None;
        }
        self.agreeing.clear();
        self.doubt = None;
        self.silent = false;
        self.minutes.clear();
        self.recent.clear();
        self.same_since = None;
        self.last = None;
        if let Some(temperature) = Temperature::from_celsius(celsius) {
            self.believe(at, temperature);
        }
        None
    }
}

impl ProbeDoubt {
    /// What is wrong, in one word.
    pub fn kind(&self) -> &'static str {
        match self {
            ProbeDoubt::Impossible { .. } => "impossible",
            ProbeDoubt::Jumped { .. } => "jumped",
            ProbeDoubt::Frozen { .. } => "frozen",
        }
    }

    /// What is wrong, in a sentence without its end.
    pub fn text(&self, show: quantity::Show) -> String {
        let say = |celsius: f64| match Temperature::from_celsius(celsius) {
            Some(temperature) => show.temperature(temperature),
            None => format!("{celsius:.1} °C"),
        };
        match self {
            ProbeDoubt::Impossible { celsius } => {
                format!("the probe says {}, which no beer is", say(*celsius))
            }
            ProbeDoubt::Jumped { from_c, to_c } => format!(
                "the probe went from {} to {} within a minute, which no beer does",
                say(*from_c),
                say(*to_c)
            ),
            ProbeDoubt::Frozen { celsius, while_on, .. } => {
                let though = if *while_on { "while an output ran" } else { "and stirred before" };
                let said = say(*celsius);
                format!("the probe has said nothing but {said} for over 6 h {though}: it hangs")
            }
        }
    }
}

fn is_possible(celsius: f64) -> bool {
    (COLDEST_BEER_C..=WARMEST_BEER_C).contains(&celsius)
}

fn minute(at: Stamp) -> i64 {
    at.millis().div_euclid(60_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(secs: i64) -> Stamp {
        Stamp::from_millis(secs * 1000)
    }

    #[test]
    fn a_jump_is_doubted_until_three_readings_agree() {
        let mut probe = Probe::default();
        assert!(probe.take(at(0), 18.0).is_none());
        assert!(matches!(probe.take(at(10), 22.0), Some(ProbeDoubt::Jumped { .. })));
        assert_eq!(probe.last().map(|(_, t)| t.celsius()), Some(18.0));
        probe.take(at(20), 22.1);
        assert!(probe.doubt().is_some());
        probe.take(at(30), 22.2);
        assert!(probe.doubt().is_none());
        assert_eq!(probe.last().map(|(_, t)| t.celsius()), Some(22.2));
    }

    #[test]
    fn three_kelvin_are_no_jump_and_neither_is_an_hour() {
        let mut probe = Probe::default();
        probe.take(at(0), 18.0);
        assert!(probe.take(at(10), 21.0).is_none());
        assert!(probe.take(at(3610), 12.0).is_none());
    }

    #[test]
    fn three_kelvin_in_small_steps_within_a_minute_are_a_jump_too() {
        let mut probe = Probe::default();
        for (secs, celsius) in [(0, 18.0), (20, 19.1), (40, 20.2)] {
            assert!(probe.take(at(secs), celsius).is_none());
        }
        let doubt = probe.take(at(60), 21.3);
        assert_eq!(doubt, Some(ProbeDoubt::Jumped { from_c: 18.0, to_c: 21.3 }));
        let mut slow = Probe::default();
        for (secs, celsius) in [(0, 18.0), (20, 19.1), (40, 20.2), (61, 21.3)] {
            assert!(slow.take(at(secs), celsius).is_none());
        }
    }

    #[test]
    fn after_silence_three_readings_must_agree() {
        let mut probe = Probe::default();
        probe.take(at(0), 18.0);
        probe.fall_silent();
        for (secs, celsius, trusted) in
            [(600, 30.0, false), (610, 18.1, false), (620, 18.2, false), (630, 18.1, true)]
        {
            probe.take(at(secs), celsius);
            assert_eq!(probe.is_trusted(), trusted, "after {secs} s");
        }
    }

    #[test]
    fn impossible_values_never_agree() {
        let mut probe = Probe::default();
        assert!(probe.take(at(0), 85.0).is_some());
        for k in 1..10 {
            probe.take(at(k * 10), 85.0);
        }
        assert!(probe.doubt().is_some());
        assert!(probe.last().is_none());
    }

    #[test]
    fn a_probe_that_repeats_itself_is_frozen_only_while_an_output_ran() {
        let mut probe = Probe::default();
        for k in 0..=18 {
            probe.take(at(k * 1200), 18.0);
        }
        assert!(probe.pass(at(6 * 3600), Span::from_hours(1)).is_none(), "not often enough");
        probe.on_while_same = Span::ZERO;
        probe.take(at(7 * 3600), 18.0);
        assert!(probe.pass(at(7 * 3600), Span::from_mins(59)).is_none());
        assert!(matches!(
            probe.pass(at(7 * 3600 + 60), Span::from_mins(1)),
            Some(ProbeDoubt::Frozen { .. })
        ));
        for k in 0..3 {
            probe.take(at(8 * 3600 + k * 10), 17.9);
        }
        assert!(probe.doubt().is_none());
    }

    #[test]
    fn a_probe_that_flickered_is_frozen_also_while_nothing_runs() {
        let frozen_after = |readings: &dyn Fn(i64) -> f64| {
            let mut probe = Probe::default();
            (0..4000).find(|minute| {
                probe.take(at(minute * 60), readings(*minute));
                probe.pass(at(minute * 60), Span::ZERO).is_some()
            })
        };
        let still = |minute: i64, before: f64| if minute < 600 { before } else { 18.0 };
        assert_eq!(
            frozen_after(&|minute| still(minute, 18.0 + 0.1 * (minute % 2) as f64)),
            Some(960)
        );
        // Coarse steps turn at their edges, and rest for long between them.
        assert_eq!(frozen_after(&|minute| still(minute, 18.0 + 0.5 * (minute % 2) as f64)), None);
        // A beer that only fell before may well stand.
        assert_eq!(frozen_after(&|minute| still(minute, 24.0 - 0.01 * minute as f64)), None);
    }

    #[test]
    fn the_mean_is_of_fifteen_minutes_or_the_last_reading() {
        let mut probe = Probe::default();
        for k in 0..60 {
            probe.take(at(k * 60), if k < 45 { 10.0 } else { 12.0 });
        }
        assert_eq!(probe.mean(at(59 * 60)).map(Temperature::celsius), Some(12.0));
        assert_eq!(probe.mean(at(3 * 3600)).map(Temperature::celsius), Some(12.0));
    }
}
