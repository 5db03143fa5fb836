//! One line a day: the beer's temperature, the fall of gravity, the outputs and the batteries.

use crate::context::Context;
use crate::record::Kind;
use crate::vessel::Vessel;
use crate::wear::Mark;
use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};
use serde_json::json;

const A_DAY: Span = Span::from_hours(24);

/// The day under way, counted from the pitch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Day {
    /// From 1.
    number: u32,
    since: Stamp,
    began: Mark,
    /// The gravity then, in SG.
    gravity: Option<f64>,
    /// The beer's temperature over the time in which it was known, in °C·s, and that time in s.
    sum: f64,
    known_s: f64,
    lowest: f64,
    highest: f64,
}

impl Day {
    fn new(number: u32, since: Stamp, began: Mark, gravity: Option<f64>) -> Self {
        Day {
            number,
            since,
            began,
            gravity,
            sum: 0.0,
            known_s: 0.0,
            lowest: f64::MAX,
            highest: f64::MIN,
        }
    }

    fn take(&mut self, beer: Temperature, passed: Span) {
        let (celsius, seconds) = (beer.celsius(), passed.hours() * 3600.0);
        self.sum += celsius * seconds;
        self.known_s += seconds;
        self.lowest = self.lowest.min(celsius);
        self.highest = self.highest.max(celsius);
    }
}

impl Vessel {
    /// A batch begins, and its first day with it.
    pub fn begin_day(&mut self, now: Stamp) {
        self.day = Some(Day::new(1, now, self.mark(now), None));
    }

    /// Keeps the day, and tells it when it is over.
    pub fn keep_day(&mut self, cx: &mut Context<'_, '_>, passed: Span) {
        let beer = self.beer_now(&cx.setup.config);
        if !self.has_beer() {
            self.day = None;
            return;
        }
        let Some(day) = &mut self.day else { return };
        if let Some(beer) = beer {
            day.take(beer, passed);
        }
        if cx.now.since(day.since) < A_DAY {
            return;
        }
        let day = day.clone();
        let gravity = self.figures().sg.map(|sg| sg.value);
        self.tell_day(cx, &day, gravity);
        self.day = Some(Day::new(day.number + 1, cx.now, self.mark(cx.now), gravity));
    }

    fn tell_day(&self, cx: &mut Context<'_, '_>, day: &Day, gravity: Option<f64>) {
        let known = day.known_s > 0.0;
        let celsius = |celsius: f64| cx.show.temperature(Temperature::clamped(celsius));
        let mean = day.sum / day.known_s;
        let beer = if known {
            format!("beer {} ({} to {})", celsius(mean), celsius(day.lowest), celsius(day.highest))
        } else {
            "no beer temperature".to_owned()
        };
        let fall = day.gravity.zip(gravity).map(|(from, to)| (from - to) * 1000.0);
        let gravity_text = match (gravity.and_then(quantity::Gravity::from_sg), fall) {
            (Some(now), Some(fall)) => {
                // Rounded first, so that nothing is never `-0.0`.
                let fall = (fall * 10.0).round() / 10.0 + 0.0;
                let way = if fall < 0.0 { "higher" } else { "lower" };
                let by = fall.abs();
                format!(", gravity {}, {by:.1} points {way}", cx.show.gravity(now))
            }
            (Some(now), None) => format!(", gravity {}", cx.show.gravity(now)),
            (None, _) => String::new(),
        };
        let batteries: Vec<(&str, f64)> = cx
            .setup
            .config
            .gravity
            .keys()
            .filter_map(|name| Some((name.as_str(), self.floats.get(name.as_str())?.battery?)))
            .collect();
        let charge: String = batteries
            .iter()
            .map(|(name, percent)| format!(" Battery of {name}: {percent:.0} %."))
            .collect();
        let wear = self.wear_text(cx, &day.began);
        let text = format!("Day {}: {beer}{gravity_text}.{wear}{charge}", day.number);
        let data = json!({
            "day": day.number,
            "beer_c": known.then_some(mean),
            "lowest_c": known.then_some(day.lowest),
            "highest_c": known.then_some(day.highest),
            "sg": gravity,
            "fall_points": fall,
            "outputs": self.wear_data(cx, &day.began),
            "battery_percent": batteries.into_iter().collect::<std::collections::BTreeMap<_, _>>(),
        });
        let batch = self.batch_id();
        cx.record(batch.as_deref(), Kind::BatchNoted, text, data);
    }
}
