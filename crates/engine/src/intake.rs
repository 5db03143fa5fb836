//! What comes in from devices: believed, shown, or refused with a reason.

use crate::context::Context;
use crate::effect::OutputKind;
use crate::float::Float;
use crate::input::{RawGravity, Reading};
use crate::record::Kind;
use crate::vessel::Vessel;
use crate::words;
use belief::{GravityReading, Taken};
use quantity::{Gravity, Span, Stamp, Temperature, sg_from_plato};
use schedule::Name;
use serde_json::json;

/// A device's time may be ahead of ours by this much.
const AHEAD: Span = Span::from_mins(5);
/// So many refusals of one source are recorded an hour; more are counted and told in the next.
const REFUSALS_AN_HOUR: u32 = 60;

impl Vessel {
    /// Takes a device's report.
    pub fn take_reading(&mut self, cx: &mut Context<'_, '_>, reading: &Reading) {
        if reading.retained && reading.taken.is_none() {
            self.show_retained(cx, reading);
            return;
        }
        let at = match reading.taken {
            Some(taken) => cx.clock.steady_of(taken),
            None => cx.now,
        };
        if at > cx.now + AHEAD {
            let ahead = at.since(cx.now);
            self.refuse(cx, &reading.source, format!("its time is {ahead} ahead of ours"));
            return;
        }
        if let Some(heard) = self.heard(&reading.source)
            && at <= heard
            && (reading.taken.is_some() || at < heard)
        {
            self.refuse(cx, &reading.source, "it is not newer than the last one".to_owned());
            return;
        }
        let at = at.min(cx.now);
        match reading.source.as_str() {
            "beer" => self.take_beer(cx, at, reading),
            "surround" => self.take_surround(cx, at, reading),
            _ => self.take_float(cx, at, reading),
        }
    }

    /// Takes a message that could not be read.
    pub fn take_unreadable(&mut self, cx: &mut Context<'_, '_>, source: &str, problem: &str) {
        self.refuse(cx, source, problem.to_owned());
    }

    /// Takes what a relay reports of itself.
    pub fn take_seen(&mut self, output: OutputKind, on: Option<bool>) {
        if let Some(told) = self.told.get_mut(&output) {
            told.seen = on;
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
        let text = "it was retained by the broker and has no time of its own: it is only shown";
        if let Some(raw) = reading.values.gravity
            && let Ok(sg) = self.corrected(cx, &reading.source, raw, None)
        {
            self.floats.entry(reading.source.clone()).or_default().last_sg = Some(sg.sg());
        }
        self.refuse(cx, &reading.source, text.to_owned());
    }

    fn take_beer(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(config) = &cx.setup.config.beer else {
            return self.refuse(cx, "beer", "this vessel has no beer probe".to_owned());
        };
        let Some(celsius) = reading.values.temperature_c else {
            return self.refuse(cx, "beer", "it has no temperature".to_owned());
        };
        let celsius = celsius + config.offset.kelvin();
        let doubt = self.beer.take(at, celsius);
        if let Some(doubt) = doubt {
            let text = doubt.text(cx.show);
            self.refuse(cx, "beer", text);
            return;
        }
        if let Some((_, believed)) = self.beer.last().filter(|_| self.beer.doubt().is_none()) {
            let surround = self.surround.last().map(|(_, temperature)| temperature);
            self.regulator.take(at, believed, surround);
            if let Some(batch) = &mut self.batch {
                batch.belief.take_temperature(at, believed);
            }
        }
    }

    fn take_surround(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(config) = &cx.setup.config.surround else {
            return self.refuse(cx, "surround", "this vessel has no surround probe".to_owned());
        };
        let Some(celsius) = reading.values.temperature_c else {
            return self.refuse(cx, "surround", "it has no temperature".to_owned());
        };
        if let Some(doubt) = self.surround.take(at, celsius + config.probe.offset.kelvin()) {
            let text = doubt.text(cx.show);
            self.refuse(cx, "surround", text);
        }
    }

    fn take_float(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let source = &reading.source;
        if !cx.setup.config.gravity.contains_key(source.as_str()) {
            return self.refuse(cx, source, "this vessel has no such source".to_owned());
        }
        let float = self.floats.entry(source.clone()).or_default();
        float.heard = Some(at);
        if let Some(percent) = reading.values.battery_percent.filter(|p| (0.0..=110.0).contains(p))
        {
            float.take_battery(at, percent);
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
            Ok(gravity) => self.take_gravity(cx, at, source, gravity, temperature),
            Err(problem) => self.refuse(cx, source, problem),
        }
    }

    fn take_float_temperature(&mut self, cx: &mut Context<'_, '_>, at: Stamp, reading: &Reading) {
        let Some(celsius) = reading.values.temperature_c else { return };
        let float = self.floats.entry(reading.source.clone()).or_default();
        if let Some(doubt) = float.temperature.take(at, celsius) {
            let text = doubt.text(cx.show);
            return self.refuse(cx, &reading.source, text);
        }
        let Some((_, believed)) = float.temperature.last() else { return };
        let config = &cx.setup.config;
        let controls = config.beer.is_none()
            && config
                .gravity
                .iter()
                .find(|(_, s)| s.temperature.is_some())
                .map(|(name, _)| name.as_str())
                == Some(reading.source.as_str());
        if controls {
            let surround = self.surround.last().map(|(_, temperature)| temperature);
            self.regulator.take(at, believed, surround);
        }
        if config.beer.is_none()
            && let Some(batch) = &mut self.batch
        {
            batch.belief.take_temperature(at, believed);
        }
    }

    fn take_gravity(
        &mut self,
        cx: &mut Context<'_, '_>,
        at: Stamp,
        source: &str,
        gravity: Gravity,
        temperature: Option<Temperature>,
    ) {
        self.floats.entry(source.to_owned()).or_insert_with(Float::default).last_sg =
            Some(gravity.sg());
        if !self.has_beer() {
            return;
        }
        let Some(batch) = &mut self.batch else { return };
        let taken = batch.belief.take(&GravityReading {
            at,
            source: source.to_owned(),
            kind: belief::Kind::Float,
            sg: gravity.sg(),
            temperature,
        });
        self.fresh = true;
        match taken {
            Taken::Believed => {}
            Taken::Outlying { foretold, .. } => {
                let text = format!(
                    "{} lies too far from the {} that was foretold: it counts for almost nothing",
                    cx.show.gravity(gravity),
                    cx.show.gravity_with_sd(foretold.value, foretold.sd)
                );
                self.refuse(cx, source, text);
            }
            Taken::Refused(refusal) => {
                let text = words::refusal(&refusal, cx.show);
                self.refuse(cx, source, text);
            }
        }
    }

    /// Takes a gravity that was kept since a pitch in the past; what does not fit is passed over.
    pub fn take_past_gravity(
        &mut self,
        cx: &Context<'_, '_>,
        at: Stamp,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) {
        let Ok(gravity) = self.corrected(cx, source, raw, temperature) else { return };
        let Some(batch) = &mut self.batch else { return };
        batch.belief.take(&GravityReading {
            at,
            source: source.to_owned(),
            kind: belief::Kind::Float,
            sg: gravity.sg(),
            temperature,
        });
    }

    /// A float's number as a gravity at 20 °C, calibrated and corrected for temperature where asked.
    fn corrected(
        &self,
        cx: &Context<'_, '_>,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) -> Result<Gravity, String> {
        let calibration =
            Name::parse(source).ok().and_then(|name| cx.setup.calibrations.get(&name));
        let plain = |raw| match raw {
            RawGravity::Sg(sg) => sg,
            RawGravity::Plato(plato) | RawGravity::Brix(plato) => {
                sg_from_plato(plato.clamp(-60.0, 60.0))
            }
            RawGravity::Degrees(degrees) => degrees,
        };
        let gravity = match (raw, calibration) {
            (RawGravity::Degrees(_), None) => {
                return Err("an angle needs a calibration: see `barmkeep calibrate`".to_owned());
            }
            (raw, Some(calibration)) => {
                calibration.apply(plain(raw)).map(|calibrated| calibrated.gravity)
            }
            (raw, None) => Gravity::from_sg(plain(raw)),
        };
        let Some(gravity) = gravity else {
            return Err(format!(
                "{:.4} is not a possible gravity, 0.970 to 1.200 SG is",
                plain(raw)
            ));
        };
        let expansion = cx.setup.config.gravity.get(source).and_then(|config| config.expansion);
        match (expansion, temperature) {
            (Some(body), Some(temperature)) => {
                brewing::floating::corrected(gravity, temperature, body)
                    .ok_or_else(|| "no wort gives this reading at this temperature".to_owned())
            }
            _ => Ok(gravity),
        }
    }

    /// Records that a reading was not believed; a flood of them is counted, not recorded.
    pub fn refuse(&mut self, cx: &mut Context<'_, '_>, source: &str, problem: String) {
        let hour = cx.now.millis().div_euclid(Span::from_hours(1).millis());
        let known = cx.setup.config.gravity.contains_key(source)
            || ["beer", "surround", "heater", "chiller"].contains(&source);
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
        let text = format!("A reading of {source} was refused: {problem}{more}.");
        let data = json!({ "source": source, "reason": problem, "untold": untold });
        let batch = self.batch_id().filter(|_| self.has_beer());
        cx.record(batch.as_deref(), Kind::ReadingRefused, text, data);
    }
}
