//! What comes in from devices: believed, shown, or refused with a reason.

use crate::advice::is_driven;
use crate::context::Context;
use crate::effect::OutputKind;
use crate::input::{RawGravity, Reading, Values};
use crate::record::Kind;
use crate::setup::Corrected;
use crate::vessel::{Controlled, Vessel, controlled_on};
use crate::words;
use belief::{GravityReading, Taken};
use brewing::calibration::Reads;
use quantity::{Span, Stamp, Temperature};
use serde_json::json;

/// A device's time may be ahead of ours by this much.
const AHEAD: Span = Span::from_mins(5);
/// So many refusals of one source are recorded an hour; more are counted and told in the next.
const REFUSALS_AN_HOUR: u32 = 60;
/// So much of a source's name is told, in characters: a stranger may send any.
const SOURCE_SHOWN: usize = 64;

impl Vessel {
    /// Takes a device's report.
    pub fn take_reading(&mut self, cx: &mut Context<'_, '_>, reading: &Reading) {
        if !reading.values.are_finite() {
            return self.refuse(cx, &reading.source, "it is not a number");
        }
        if reading.retained && reading.taken.is_none() {
            return self.show_retained(cx, reading);
        }
        let at = reading.taken.map_or(cx.now, |taken| cx.clock.steady_of(taken));
        if at > cx.now + AHEAD {
            let ahead = at.since(cx.now);
            let problem = format!("its time is {ahead} ahead of ours");
            return self.refuse(cx, &reading.source, &problem);
        }
        let at = at.min(cx.now);
        if !self.is_newer(reading, at) {
            return self.refuse(cx, &reading.source, "it is not newer than the last one");
        }
        if let Some(taken) = reading.taken.filter(|_| is_source(cx, &reading.source)) {
            self.own_times.insert(reading.source.clone(), taken);
        }
        match reading.source.as_str() {
            "beer" => self.take_beer(cx, at, reading),
            "surround" => self.take_surround(cx, at, reading),
            _ => self.take_float(cx, at, reading),
        }
    }

    /// Newer than the last one by our clock and, where the device has one, by its own.
    fn is_newer(&self, reading: &Reading, at: Stamp) -> bool {
        let own = self.own_times.get(&reading.source).zip(reading.taken);
        own.is_none_or(|(before, taken)| taken > *before)
            && self.heard(&reading.source).is_none_or(|heard| at > heard)
    }

    /// Takes a message that could not be read.
    pub fn take_unreadable(&mut self, cx: &mut Context<'_, '_>, source: &str, problem: &str) {
        self.refuse(cx, source, problem);
    }

    /// Takes what a relay reports of itself; `None`: neither of its two words, which says nothing.
    pub fn take_seen(&mut self, cx: &mut Context<'_, '_>, output: OutputKind, on: Option<bool>) {
        let Some(on) = on else {
            let problem = "it is neither of the two words that its `seen` has";
            return self.refuse(cx, output.as_str(), problem);
        };
        if let Some(told) = self.told.get_mut(&output) {
            told.seen = Some((on, cx.now));
        }
    }

    fn heard(&self, source: &str) -> Option<Stamp> {
        match source {
            "beer" => self.beer.heard(),
            "surround" => self.surround.heard(),
            float => self.floats.get(float).and_then(|float| float.heard),
        }
    }

    /// A retained reading without a time of its own may be of any age: it is only shown.
    fn show_retained(&mut self, cx: &mut Context<'_, '_>, reading: &Reading) {
        let config = &cx.setup.config;
        let celsius = reading.values.temperature_c;
        match reading.source.as_str() {
            "beer" => {
                if let (Some(probe), Some(celsius), None) =
                    (&config.beer, celsius, self.beer.heard())
                {
                    self.beer.show(celsius + probe.offset.kelvin());
                }
            }
            "surround" => {
                if let (Some(surround), Some(celsius), None) =
                    (&config.surround, celsius, self.surround.heard())
                {
                    self.surround.show(celsius + surround.probe.offset.kelvin());
                }
            }
            float => {
                if let Some(raw) = reading.values.gravity.filter(|_| is_source(cx, float))
                    && let Ok(corrected) = self.corrected(cx, float, raw, None)
                {
                    let shown = self.floats.entry(float.to_owned()).or_default();
                    shown.last_sg = shown.last_sg.or(Some(corrected.gravity.sg()));
                }
            }
        }
        let text = "it was retained by the broker and has no time of its own: it is only shown";
        self.refuse(cx, &reading.source, text);
    }

    fn take_beer(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(config) = &cx.setup.config.beer else {
            return self.refuse(cx, "beer", "this vessel has no beer probe");
        };
        let Some(celsius) = reading.values.temperature_c else {
            return self.refuse(cx, "beer", "it has no temperature");
        };
        let celsius = celsius + config.offset.kelvin();
        if let Some(doubt) = self.beer.take(at, celsius) {
            let text = doubt.text(cx.show);
            return self.refuse(cx, "beer", &text);
        }
        if let Some((_, beer)) = self.beer.last().filter(|_| self.beer.is_trusted()) {
            self.control_on(cx, at, beer);
            self.believe_temperature(at, beer);
        }
    }

    /// Tells the regulator of the beer that it controls; where nothing is driven there is nothing
    /// that it could learn.
    fn control_on(&mut self, cx: &Context<'_, '_>, at: Stamp, beer: Temperature) {
        if !is_driven(&cx.setup.config) {
            return;
        }
        let surround = self.surround_now(&cx.setup.config);
        self.regulator.take(at - self.regulator_lag, beer, surround);
    }

    fn believe_temperature(&mut self, at: Stamp, beer: Temperature) {
        let has_beer = self.has_beer();
        if let Some(batch) = self.batch.as_mut().filter(|_| has_beer) {
            batch.belief.take_temperature(at, beer);
        }
    }

    fn take_surround(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(config) = &cx.setup.config.surround else {
            return self.refuse(cx, "surround", "this vessel has no surround probe");
        };
        let Some(celsius) = reading.values.temperature_c else {
            return self.refuse(cx, "surround", "it has no temperature");
        };
        if let Some(doubt) = self.surround.take(at, celsius + config.probe.offset.kelvin()) {
            let text = doubt.text(cx.show);
            self.refuse(cx, "surround", &text);
        }
    }

    fn take_float(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let source = &reading.source;
        if !is_source(cx, source) {
            return self.refuse(cx, source, "this vessel has no such source");
        }
        if reading.values == Values::default() {
            return self.refuse(cx, source, "it says nothing");
        }
        // A report with an impossible gravity is not this float's word: nothing of it counts, not
        // even that it was heard, so that a later one with a time of its own is not too old.
        let impossible = reading.values.gravity.map(|raw| self.corrected(cx, source, raw, None));
        if let Some(Err(problem)) = impossible {
            return self.refuse(cx, source, &problem);
        }
        let float = self.floats.entry(source.clone()).or_default();
        float.heard = Some(at);
        if let Some(percent) = reading.values.battery_percent.filter(|p| (0.0..=110.0).contains(p))
        {
            float.take_battery(at, percent);
            self.fresh = true;
        }
        if self.is_aside(source) {
            // It is kept by the driver, as all inputs are.
            return;
        }
        self.take_float_temperature(cx, at, reading);
        let temperature = self
            .floats
            .get(source)
            .and_then(|float| float.temperature.last())
            .filter(|(taken, _)| *taken == at)
            .map(|(_, temperature)| temperature);
        let Some(raw) = reading.values.gravity else { return };
        match self.corrected(cx, source, raw, temperature) {
            Ok(corrected) => self.take_gravity(cx, at, source, corrected, temperature),
            Err(problem) => self.refuse(cx, source, &problem),
        }
    }

    fn take_float_temperature(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(celsius) = reading.values.temperature_c else { return };
        let float = self.floats.entry(reading.source.clone()).or_default();
        if let Some(doubt) = float.temperature.take(at, celsius) {
            let text = doubt.text(cx.show);
            return self.refuse(cx, &reading.source, &text);
        }
        let trusted = float.temperature.is_trusted();
        let Some((_, beer)) = float.temperature.last().filter(|_| trusted) else { return };
        if controlled_on(&cx.setup.config) == Some(Controlled::Float(&reading.source)) {
            self.control_on(cx, at, beer);
            self.believe_temperature(at, beer);
        }
    }

    fn take_gravity(
        &mut self,
        cx: &mut Context<'_, '_>,
        at: Stamp,
        source: &str,
        corrected: Corrected,
        temperature: Option<Temperature>,
    ) {
        let gravity = corrected.gravity;
        let has_beer = self.has_beer();
        let float = self.floats.entry(source.to_owned()).or_default();
        float.last_sg = Some(gravity.sg());
        float.beyond = !corrected.within_range;
        let Some(batch) = self.batch.as_mut().filter(|_| has_beer) else {
            float.used = Some(at);
            return;
        };
        let taken = batch.belief.take(&GravityReading {
            at,
            source: source.to_owned(),
            kind: belief::Kind::Float,
            sg: gravity.sg(),
            temperature,
        });
        if !matches!(taken, Taken::Refused(_)) {
            float.used = Some(at);
        }
        self.fresh = true;
        match taken {
            Taken::Believed => self.note_range(cx, at, source, corrected),
            Taken::Outlying { foretold, .. } => {
                let text = format!(
                    "{} lies too far from the {} that was foretold: it counts for almost nothing",
                    cx.show.gravity(gravity),
                    cx.show.gravity_with_sd(foretold.value, foretold.sd)
                );
                self.refuse(cx, source, &text);
            }
            Taken::Refused(refusal) => {
                let text = words::refusal(&refusal, cx.show);
                self.refuse(cx, source, &text);
            }
        }
    }

    /// Takes a gravity that was kept since a pitch in the past; what does not fit is passed over.
    pub fn take_past_gravity(
        &mut self,
        cx: &mut Context<'_, '_>,
        at: Stamp,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) {
        let Ok(corrected) = self.corrected(cx, source, raw, temperature) else { return };
        let Some(batch) = &mut self.batch else { return };
        let taken = batch.belief.take(&GravityReading {
            at,
            source: source.to_owned(),
            kind: belief::Kind::Float,
            sg: corrected.gravity.sg(),
            temperature,
        });
        if taken == Taken::Believed {
            self.note_range(cx, at, source, corrected);
        }
    }

    /// A gravity that counts but lies beyond the calibration's points is told, now and then.
    fn note_range(
        &mut self,
        cx: &mut Context<'_, '_>,
        at: Stamp,
        source: &str,
        corrected: Corrected,
    ) {
        let float = self.floats.entry(source.to_owned()).or_default();
        if !float.take_range(at, corrected.within_range) {
            return;
        }
        let Some(calibration) = self.calibration_of(cx.setup, source) else { return };
        let (lowest, highest) = calibration.range();
        let file = self.calibration_file(cx.setup, source).unwrap_or_default().to_owned();
        let text = format!(
            "A reading of {source}, {}, lies beyond its calibration {file} ({}): its {} is read \
             off the straight line on which the curve goes on. It counts; measure points there \
             and make the calibration again.",
            words::as_read(corrected.value, calibration.reads(), cx.show),
            words::range(calibration, cx.show),
            cx.show.gravity(corrected.gravity),
        );
        let unit = match calibration.reads() {
            Reads::Angle => "deg",
            Reads::Gravity => "SG",
        };
        let data = json!({
            "source": source, "reading": corrected.value, "unit": unit, "lowest": lowest,
            "highest": highest, "calibration": file, "sg": corrected.gravity.sg(),
        });
        let batch = self.batch_id();
        cx.record(batch.as_deref(), Kind::BatchNoted, text, data);
    }

    /// Records that a reading was not believed; a flood of them is counted, not recorded.
    pub fn refuse(&mut self, cx: &mut Context<'_, '_>, source: &str, problem: &str) {
        let hour = cx.now.millis().div_euclid(Span::from_hours(1).millis());
        let known = is_source(cx, source) || ["heater", "chiller"].contains(&source);
        // Unknown names share one count, so that a stranger cannot make the table grow.
        let counted = if known { source } else { "" };
        let (last, count) = self.refused.entry(counted.to_owned()).or_insert((hour, 0));
        let untold = if *last == hour { 0 } else { count.saturating_sub(REFUSALS_AN_HOUR) };
        if *last != hour {
            (*last, *count) = (hour, 0);
        }
        *count += 1;
        if *count > REFUSALS_AN_HOUR {
            return;
        }
        let more =
            if untold > 0 { format!(" ({untold} more in the hour before)") } else { String::new() };
        let source: String = source.chars().take(SOURCE_SHOWN).collect();
        let text = format!("A reading of {source} was refused: {problem}{more}.");
        let data = json!({ "source": source, "reason": problem, "untold": untold });
        let batch = self.batch_id().filter(|_| self.has_beer());
        cx.record(batch.as_deref(), Kind::ReadingRefused, text, data);
    }
}

/// Whether this vessel has a gravity source of this name.
fn is_source(cx: &Context<'_, '_>, name: &str) -> bool {
    cx.setup.config.gravity.contains_key(name) || ["beer", "surround"].contains(&name)
}
