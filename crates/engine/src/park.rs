//! A vessel without a batch that holds a temperature, and outputs that a person has locked.

use crate::context::Context;
use crate::record::Kind;
use crate::setpoint::Bounds;
use crate::stages::vacuum_caution;
use crate::vessel::Vessel;
use quantity::{Span, Stamp, Temperature, TemperatureRate};
use schedule::config;
use serde::{Deserialize, Serialize};
use serde_json::json;

/// Wort that was parked for longer than this goes bad where nothing is done: common practice, no
/// source.
const WORT_LASTS: Span = Span::from_hours(24);
/// It is said again after this.
const SAID_AGAIN: Span = Span::from_hours(12);
/// Above this a parked setpoint goes to its target at once, in °C: there is no schedule whose ramps
/// would bind it. Below, the cold that a fast descent needs could freeze wort at the wall.
const AT_ONCE_ABOVE: f64 = 5.0;
/// No ramp at all, in K/h.
const NO_RAMP: f64 = 60.0;
/// What is parked comes to its setpoint within this; only then it can be off it.
const COMES_WITHIN: Span = Span::from_hours(24);

/// A temperature that is held without a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Parked {
    pub target: Temperature,
    pub since: Stamp,
    /// `None`: until a person ends it.
    pub until: Option<Stamp>,
    /// When it was last said that wort does not keep.
    said: Option<Stamp>,
}

/// Outputs that a person keeps off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Locked {
    pub because: String,
    pub who: Option<String>,
    pub since: Stamp,
}

impl Parked {
    /// Time away came to light: what began since the start lasts as long as it was to.
    pub fn slept(&mut self, started: Stamp, away: Span) {
        if self.since >= started {
            self.since = self.since + away;
            self.until = self.until.map(|until| until + away);
            self.said = self.said.map(|said| said + away);
        }
    }
}

impl Vessel {
    /// The limits of a vessel without a schedule.
    pub fn own_bounds(config: &config::Vessel) -> Bounds {
        let rate = TemperatureRate::from_kelvin_per_hour(NO_RAMP);
        // The greatest rate that there is: 60 K/h.
        let rate = rate.unwrap_or_else(|| unreachable!("{NO_RAMP} K/h is a rate"));
        Bounds { coldest: config.coldest, warmest: config.warmest, up: rate, down: rate }
    }

    /// Why a vessel cannot hold this temperature.
    pub fn refuse_park(
        &self,
        cx: &Context<'_, '_>,
        target: Temperature,
        time: Option<Span>,
    ) -> Option<String> {
        let (config, show) = (&cx.setup.config, cx.show);
        if target < config.coldest || target > config.warmest {
            return Some(format!(
                "{} is outside the vessel's limits of {} to {}",
                show.temperature(target),
                show.temperature(config.coldest),
                show.temperature(config.warmest)
            ));
        }
        time.filter(|time| time.is_zero()).map(|_| "`for` is no time at all".to_owned())
    }

    /// Holds a temperature without a batch.
    pub fn park(
        &mut self,
        cx: &mut Context<'_, '_>,
        target: Temperature,
        time: Option<Span>,
        who: Option<&str>,
    ) -> String {
        let beer = self.beer_now(&cx.setup.config);
        let known = self.setpoint.filter(|_| self.parked.is_some()).or(beer).unwrap_or(target);
        let again = self.parked.is_some();
        let since = self.parked.as_ref().map_or(cx.now, |parked| parked.since);
        let said = self.parked.as_ref().and_then(|parked| parked.said);
        let until = time.map(|time| cx.now + time);
        self.parked = Some(Parked { target, since, until, said });
        self.setpoint = Some(Temperature::clamped(AT_ONCE_ABOVE).min(known).max(target));
        self.moving_from = Some(known);
        self.standing_since = None;
        // Nobody knows how strong it is what stands in it.
        self.freezing_c = 0.0;
        let lasts = time.map_or(String::new(), |time| format!(" for {time}"));
        let by = who.map_or_else(String::new, |who| format!(" by {who}"));
        let text = format!("Parked{by} at {}{lasts}.", cx.show.temperature(target));
        let data = json!({
            "parked": true, "target_c": target.celsius(), "by": who,
            "beer_c": beer.map(Temperature::celsius), "again": again,
            "until": until.map(|until| cx.wall(until)),
        });
        cx.record(None, Kind::RunParked, text, data);
        let from = beer.unwrap_or(target);
        vacuum_caution(cx, None, None, from.celsius() - target.celsius());
        format!("parked at {}", cx.show.temperature(target))
    }

    /// A person ends it.
    pub fn unpark(&mut self, cx: &mut Context<'_, '_>) -> String {
        if self.parked.is_none() {
            return "it was not parked".to_owned();
        }
        self.end_park(cx, "a person ended it");
        self.end_alarms(cx, None, "the vessel is no longer parked");
        "no longer parked; outputs off".to_owned()
    }

    /// The temperature is held no longer; the outputs go off, unless a batch begins.
    pub fn end_park(&mut self, cx: &mut Context<'_, '_>, because: &str) {
        let Some(parked) = self.parked.take() else { return };
        self.setpoint = None;
        self.moving_from = None;
        self.standing_since = None;
        let lasted = cx.now.since(parked.since);
        let text = format!(
            "No longer parked at {}, after {lasted}: {because}.",
            cx.show.temperature(parked.target)
        );
        let data = json!({
            "parked": false, "target_c": parked.target.celsius(), "lasted_s": lasted.secs(),
            "because": because,
        });
        cx.record(None, Kind::RunParked, text, data);
    }

    /// The parked setpoint, its end, and what must be said of wort that waits.
    pub fn watch_park(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let Some(parked) = &self.parked else { return };
        if parked.until.is_some_and(|until| cx.now >= until) {
            self.end_park(cx, "its time is over");
            return self.end_alarms(cx, None, "the vessel is no longer parked");
        }
        let config = &cx.setup.config;
        let (target, since) = (parked.target, parked.since);
        let bounds = Self::own_bounds(config);
        self.setpoint = self.setpoint.map(|from| bounds.ramped(from, target, passed));
        let near = config.control.off_target.kelvin();
        let is_near = |beer: Temperature| (beer.celsius() - target.celsius()).abs() < near;
        let late = cx.now.since(since) >= COMES_WITHIN;
        if late || self.beer_now(config).is_some_and(is_near) {
            self.moving_from = None;
            self.standing_since = self.standing_since.or(Some(cx.now));
        }
        self.say_wort_waits(cx);
    }

    fn say_wort_waits(&mut self, cx: &mut Context<'_, '_>) {
        let Some(parked) = &mut self.parked else { return };
        let waits = cx.now.since(parked.since);
        let due = match parked.said {
            None => waits > WORT_LASTS,
            Some(said) => cx.now.since(said) >= SAID_AGAIN,
        };
        if !due {
            return;
        }
        let again = parked.said.replace(cx.now).is_some();
        let say = "If it holds wort, pitch it now or cool it: wort without yeast goes bad.";
        let at = cx.show.temperature(parked.target);
        let text = format!("Parked at {at} for {waits}. {say}");
        let data = json!({
            "say": say, "parked_c": parked.target.celsius(), "parked_s": waits.secs(),
            "again": again,
        });
        cx.record(None, Kind::NoticeDue, text, data);
    }

    /// Keeps both outputs off until a person ends it.
    pub fn lock(&mut self, cx: &mut Context<'_, '_>, because: &str, who: Option<&str>) -> String {
        let since = self.locked.as_ref().map_or(cx.now, |locked| locked.since);
        self.locked =
            Some(Locked { because: because.to_owned(), who: who.map(str::to_owned), since });
        let by = who.map_or_else(String::new, |who| format!(" by {who}"));
        let text = format!("Outputs locked off{by} until `unlock`: {because}.");
        let data = json!({ "locked": true, "because": because, "by": who });
        self.record_lock(cx, text, data);
        "locked; both outputs stay off until `unlock`".to_owned()
    }

    /// Lets the outputs run again.
    pub fn unlock(&mut self, cx: &mut Context<'_, '_>, who: Option<&str>) -> String {
        let Some(locked) = self.locked.take() else { return "it was not locked".to_owned() };
        let lasted = cx.now.since(locked.since);
        let by = who.map_or_else(String::new, |who| format!(" by {who}"));
        let text = format!("Outputs unlocked{by} after {lasted}: {}.", locked.because);
        let data = json!({
            "locked": false, "because": locked.because, "by": who, "lasted_s": lasted.secs(),
        });
        self.record_lock(cx, text, data);
        "unlocked".to_owned()
    }

    fn record_lock(&self, cx: &mut Context<'_, '_>, text: String, data: serde_json::Value) {
        let id = self.batch_id().filter(|_| self.has_beer());
        cx.record(id.as_deref(), Kind::RunLocked, text, data);
    }
}
