//! A late pitch: the readings that were kept since, judged as they would have been then.

use crate::context::Context;
use crate::course::quarter_of;
use crate::input::{CommandInput, Reading};
use crate::probe::Probe;
use crate::vessel::{Controlled, Vessel, controlled_on};
use quantity::{Span, Stamp, Temperature};

impl Vessel {
    /// Takes the readings that were kept since a pitch in the past.
    pub fn take_history(&mut self, cx: &mut Context<'_, '_>, input: &CommandInput) {
        let Some(pitched_at) = self.batch.as_ref().map(|batch| batch.pitched_at) else { return };
        let mut probe = Probe::default();
        let mut told: Vec<(Stamp, &Reading)> = input
            .history
            .iter()
            .filter(|(_, reading)| reading.values.are_finite())
            .filter_map(|(arrived, reading)| Some((when(*arrived, reading)?, reading)))
            .map(|(wall, reading)| (cx.clock.steady_of(wall), reading))
            .filter(|(at, _)| (pitched_at..=cx.now).contains(at))
            .collect();
        told.sort_by_key(|(at, _)| *at);
        let silent_after = cx.setup.config.control.silent_after;
        let beer = |probe: &Probe, now: Stamp| {
            let last = probe.last().filter(|_| probe.is_trusted());
            last.filter(|(at, _)| now.since(*at) < silent_after).map(|(_, beer)| beer)
        };
        let mut quarter = quarter_of(cx.clock.wall_of(pitched_at));
        for (at, reading) in told {
            // A reading at the very quarter belongs to it.
            let before = at - Span::from_millis(1);
            self.keep_past_course(cx, &mut quarter, before, |now| beer(&probe, now));
            let celsius = reading.values.temperature_c;
            if let Some(celsius) = celsius.filter(|_| is_controlled_on(cx, &reading.source)) {
                self.believe_past(cx, &mut probe, at, celsius);
            }
            if let Some(raw) = reading.values.gravity {
                let temperature = celsius.and_then(Temperature::from_celsius);
                self.take_past_gravity(cx, at, &reading.source, raw, temperature);
            }
        }
        self.keep_past_course(cx, &mut quarter, cx.now, |now| beer(&probe, now));
    }

    /// A temperature of the beer, unless the probe was in doubt then.
    fn believe_past(&mut self, cx: &Context<'_, '_>, probe: &mut Probe, at: Stamp, celsius: f64) {
        let offset = match (controlled_on(&cx.setup.config), &cx.setup.config.beer) {
            (Some(Controlled::Beer), Some(config)) => config.offset.kelvin(),
            _ => 0.0,
        };
        if probe.take(at, celsius + offset).is_some() || !probe.is_trusted() {
            return;
        }
        if let (Some((_, beer)), Some(batch)) = (probe.last(), &mut self.batch) {
            batch.belief.take_temperature(at, beer);
        }
    }
}

/// When a reading was taken, by the wall clock; `None` where nobody knows: it was retained and has
/// no time of its own.
fn when(arrived: Stamp, reading: &Reading) -> Option<Stamp> {
    reading.taken.map(|taken| taken.min(arrived)).or((!reading.retained).then_some(arrived))
}

/// Whether this vessel is controlled on that source.
fn is_controlled_on(cx: &Context<'_, '_>, source: &str) -> bool {
    match controlled_on(&cx.setup.config) {
        Some(Controlled::Beer) => source == "beer",
        Some(Controlled::Float(name)) => source == name,
        None => false,
    }
}
