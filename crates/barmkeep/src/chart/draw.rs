//! A batch's panels, one above the other.

use super::{Ahead, Chart, Sign, Size, Stage};
use crate::drawing::{Scale, Sheet, escaped, short};
use engine::Point;
use quantity::{Gravity, GravityUnit, Span, Stamp, Temperature, TemperatureUnit};
use std::fmt::Write;

/// Points farther apart than this have a gap between them.
const GAP: Span = Span::from_mins(40);
/// A normal distribution lies within so many standard deviations with 95 %.
const WITHIN_95: f64 = 1.96;
/// Of a picture at least this share is the past.
const PAST_LEAST: f64 = 0.55;
/// A line of a panel's legend.
const LINE: f64 = 17.0;

/// Where everything stands.
struct Place {
    left: f64,
    right: f64,
    /// The letters of a text are about so wide.
    letter: f64,
    narrow: bool,
    /// The stages' names.
    strip: f64,
    gravity: (f64, f64),
    attenuation: (f64, f64),
    warmth: (f64, f64),
    outputs: f64,
    events: f64,
    bottom: f64,
    height: f64,
}

/// A line of a legend: the class of its sign, how it is drawn, and its text.
type Entry = (&'static str, Swatch, &'static str);

/// What is known of an output.
type Share = fn(&Point) -> Option<f64>;

#[derive(Clone, Copy)]
enum Swatch {
    Line,
    Area,
    Dot,
    Diamond,
}

const STRIP: f64 = 22.0;
const OUTPUT: f64 = 16.0;

impl Place {
    fn new(size: Size, heading: bool) -> Self {
        let narrow = size == Size::Narrow;
        let (width, left, right) = if narrow { (400.0, 46.0, 6.0) } else { (960.0, 62.0, 16.0) };
        let heights = if narrow { [170.0, 90.0, 150.0] } else { [210.0, 100.0, 180.0] };
        // A narrow panel has its legend in a line of its own.
        let legend = if narrow { 2.0 * LINE } else { LINE };
        let strip = if heading { 34.0 } else { 6.0 };
        let mut y = strip + STRIP;
        let mut panel = |height: f64| {
            let top = y + legend + 6.0;
            y = top + height;
            (top, y)
        };
        let (gravity, attenuation) = (panel(heights[0]), panel(heights[1]));
        let warmth = panel(heights[2]);
        let outputs = y + 14.0;
        let events = outputs + 2.0 * (OUTPUT + 6.0) + 4.0;
        let bottom = events + 2.0 * 20.0;
        Place {
            left,
            right: width - right,
            letter: 6.3,
            narrow,
            strip,
            gravity,
            attenuation,
            warmth,
            outputs,
            events,
            bottom,
            height: bottom + 40.0,
        }
    }
}

/// The whole picture.
pub fn sheet(chart: &Chart, size: Size, heading: bool) -> Sheet {
    let place = Place::new(size, heading);
    let width = if place.narrow { 400.0 } else { 960.0 };
    let sheet = Sheet::new(&chart.title, &chart.describes(), width, place.height);
    let end = end(chart);
    let time = Scale { low: 0.0, high: hours(chart.from, end), from: place.left, to: place.right };
    let mut drawing = Drawing { chart, place, sheet, time, end };
    if heading {
        drawing.sheet.heading(drawing.place.left);
    }
    drawing.stages();
    drawing.axis();
    drawing.gravity();
    drawing.attenuation();
    drawing.warmth();
    drawing.outputs();
    drawing.events();
    drawing.now();
    drawing.sheet
}

/// Where the axis of time ends: with the last stage's end as foretold, but never so far that the
/// past has no room.
fn end(chart: &Chart) -> Stamp {
    let past = hours(chart.from, chart.until).max(1.0);
    let latest = chart.ahead.iter().filter_map(|a| a.latest.or(a.leaves)).max();
    let ahead = latest.map_or(0.0, |latest| hours(chart.until, latest));
    let most = past.max(12.0) * (1.0 - PAST_LEAST) / PAST_LEAST;
    chart.from + Span::from_hours_f64(past + ahead.clamp(0.0, most))
}

fn hours(from: Stamp, to: Stamp) -> f64 {
    to.millis_after(from) as f64 / 3_600_000.0
}

struct Drawing<'a> {
    chart: &'a Chart,
    place: Place,
    sheet: Sheet,
    time: Scale,
    end: Stamp,
}

impl Drawing<'_> {
    fn x(&self, at: Stamp) -> f64 {
        let hours = hours(self.chart.from, at).clamp(self.time.low, self.time.high);
        self.time.at(hours)
    }

    fn when(&self, at: Stamp) -> String {
        self.chart.calendar.told(at, self.chart.from)
    }

    /// Bands through all panels with the stages' names above, and those that are foretold.
    fn stages(&mut self) {
        let top = self.place.strip;
        for (index, stage) in self.chart.stages.iter().enumerate() {
            let until = stage.until.unwrap_or(self.chart.until);
            let (from, to) = (self.x(stage.from), self.x(until));
            if index % 2 == 0 {
                let size = (to - from, self.place.bottom - top);
                self.sheet.rectangle((from, top), size, "soft");
            }
            self.sheet.rule((from, top), (from, self.place.bottom), "edge");
            self.name(index, stage, from, to);
        }
        if self.chart.runs {
            self.foretold();
        }
    }

    fn name(&mut self, index: usize, stage: &Stage, from: f64, to: f64) {
        let fits = |text: &str| text.chars().count() as f64 * self.place.letter + 6.0 <= to - from;
        let number = (index + 1).to_string();
        let shown = [stage.name.as_str(), number.as_str()].into_iter().find(|text| fits(text));
        let until = stage.until.map_or_else(|| "now".to_owned(), |until| self.when(until));
        let told = format!("{}: {} to {until}", stage.name, self.when(stage.from));
        let shown = shown.unwrap_or_default();
        // Writing to a string cannot fail.
        let mut svg = String::new();
        let _ = writeln!(
            svg,
            "<g><title>{}</title><rect x=\"{from:.1}\" y=\"{:.1}\" width=\"{:.1}\" \
             height=\"{STRIP}\" fill-opacity=\"0\"/><text class=\"small label\" x=\"{:.1}\" \
             y=\"{:.1}\">{}</text></g>",
            escaped(&told),
            self.place.strip,
            (to - from).max(1.0),
            from + 4.0,
            self.place.strip + 15.0,
            escaped(shown)
        );
        self.sheet.raw(&svg);
    }

    /// Where stages are expected to end: a dashed line, and a bar from the earliest to the latest.
    fn foretold(&mut self) {
        let (top, bottom) = (self.place.strip, self.place.bottom);
        let now = self.x(self.chart.until);
        let mut from = now;
        // The stage under way has its name where it began, if that has room.
        let begun = self.chart.stages.last().map_or(now, |stage| self.x(stage.from));
        for (index, ahead) in self.chart.ahead.iter().enumerate() {
            let Some(leaves) = ahead.leaves.filter(|leaves| *leaves <= self.end) else { return };
            let to = self.x(leaves).max(from);
            let wide = ahead.stage.chars().count() as f64 * self.place.letter + 6.0;
            if wide <= to - from && (index > 0 || wide > now - begun) {
                self.sheet.text((from + 4.0, top + 15.0), "small quiet", "start", &ahead.stage);
            }
            self.sheet.rule((to, top + STRIP - 6.0), (to, bottom), "faint");
            self.reach(ahead, leaves);
            from = to;
        }
    }

    fn reach(&mut self, ahead: &Ahead, leaves: Stamp) {
        let (Some(earliest), Some(latest)) = (ahead.earliest, ahead.latest) else { return };
        let (from, to) = (self.x(earliest), self.x(latest));
        let told = format!(
            "{} is expected to end {}; 90 %: {} to {}",
            ahead.stage,
            self.when(leaves),
            self.when(earliest),
            self.when(latest)
        );
        let y = self.place.strip + STRIP - 5.0;
        let mut svg = String::new();
        let _ = writeln!(
            svg,
            "<g><title>{}</title><rect class=\"reach\" x=\"{from:.1}\" y=\"{y:.1}\" \
             width=\"{:.1}\" height=\"5\"/></g>",
            escaped(&told),
            (to - from).max(1.0)
        );
        self.sheet.raw(&svg);
    }

    fn axis(&mut self) {
        let bottom = self.place.bottom;
        self.sheet.rule((self.place.left, bottom), (self.place.right, bottom), "axis");
        let most = if self.place.narrow { 6 } else { 13 };
        for mark in self.chart.calendar.marks(self.chart.from, self.end, most) {
            let x = self.x(mark.at);
            self.sheet.rule((x, bottom), (x, bottom + 4.0), "axis");
            let anchor = if x > self.place.right - 18.0 { "end" } else { "middle" };
            self.sheet.text((x, bottom + 17.0), "", anchor, &mark.label);
        }
        let caption = self.chart.calendar.caption(self.chart.from, self.end);
        self.sheet.text((self.place.left, bottom + 33.0), "small quiet", "start", &caption);
    }

    /// The lines and marks of a panel, its name and its legend; without marks where it shows
    /// nothing, since they would be of no range that anything was in.
    fn panel(&mut self, scale: &Scale, empty: bool, label: &str, entries: &[Entry]) {
        let most = if scale.from - scale.to > 160.0 { 7 } else { 6 };
        let marks = if empty { Vec::new() } else { scale.marks_most(most) };
        if empty {
            let middle = (self.place.left + self.place.right) / 2.0;
            let place = (middle, (scale.from + scale.to) / 2.0);
            self.sheet.text(place, "small quiet", "middle", "nothing is known yet");
        }
        let decimals = crate::drawing::decimals(&marks);
        for value in marks {
            let y = scale.at(value);
            self.sheet.rule((self.place.left, y), (self.place.right, y), "grid");
            let text = format!("{value:.decimals$}").replace('-', "\u{2212}");
            self.sheet.text((self.place.left - 6.0, y + 4.0), "", "end", &text);
        }
        let rows = if self.place.narrow { 2.0 } else { 1.0 };
        let mut y = scale.to - 2.0 - rows * LINE + 12.0;
        self.sheet.text((self.place.left + 4.0, y), "label", "start", label);
        let mut x = self.place.left + 16.0 + label.chars().count() as f64 * 7.4;
        if self.place.narrow {
            (x, y) = (self.place.left + 4.0, y + LINE);
        }
        for (class, swatch, text) in entries {
            self.swatch((x, y - 4.0), class, *swatch);
            self.sheet.text((x + 26.0, y), "small", "start", text);
            x += 26.0 + text.chars().count() as f64 * self.place.letter + 14.0;
        }
    }

    fn swatch(&mut self, (x, y): (f64, f64), class: &str, swatch: Swatch) {
        match swatch {
            Swatch::Line => self.sheet.rule((x, y), (x + 22.0, y), class),
            Swatch::Area => {
                let path = format!("M{} {}h22v9h-22z", short(x), short(y - 5.0));
                self.sheet.path(&path, class);
            }
            Swatch::Dot => {
                let dots = [(x + 5.0, y), (x + 11.0, y), (x + 17.0, y)];
                self.sheet.dots(&dots, class);
            }
            Swatch::Diamond => self.sheet.path(&diamond(x + 12.0, y), class),
        }
    }

    fn gravity(&mut self) {
        let chart = self.chart;
        let unit = |sg: f64| in_unit(chart.show.gravity, sg);
        let believed = chart.course.iter().filter_map(|point| point.sg);
        let all = believed
            .chain(chart.readings.iter().map(|(_, sg)| *sg))
            .chain(chart.samples.iter().map(|sample| sample.sg))
            .chain(chart.expected_final);
        let all: Vec<f64> = all.map(unit).collect();
        let (top, bottom) = self.place.gravity;
        let least = (unit(1.004) - unit(1.0)).abs();
        let scale = Scale::of(all.iter().copied(), 0.05, bottom, top).widened(least);
        let (name, _) = gravity_name(chart.show.gravity);
        let readings = !chart.readings.is_empty();
        let mut entries: Vec<Entry> = vec![
            ("gravity", Swatch::Line, "believed"),
            ("band", Swatch::Area, "95 %"),
            ("readings", Swatch::Dot, "readings"),
            ("sign hollow", Swatch::Diamond, "sample"),
        ];
        entries.retain(|entry| readings || entry.0 != "readings");
        self.panel(&scale, all.is_empty(), name, &entries);
        let sd = |point: &Point| Some((point.sg?, point.sg_sd? * WITHIN_95));
        self.band("band", &scale, |point| sd(point).map(|(sg, sd)| (unit(sg - sd), unit(sg + sd))));
        let dots: Vec<(f64, f64)> =
            chart.readings.iter().map(|(at, sg)| (self.x(*at), scale.at(unit(*sg)))).collect();
        self.sheet.dots(&dots, "readings");
        if let Some(sg) = chart.expected_final {
            let y = scale.at(unit(sg));
            self.sheet.rule((self.place.left, y), (self.place.right, y), "goal");
            // At the left the gravity is far above it.
            let place = (self.place.left + 4.0, y - 4.0);
            self.sheet.text(place, "small quiet", "start", "expected final");
        }
        self.line("gravity", &scale, |point| point.sg.map(unit));
        self.samples(&scale, unit);
    }

    fn samples(&mut self, scale: &Scale, unit: impl Fn(f64) -> f64) {
        for sample in &self.chart.samples {
            let (x, y) = (self.x(sample.at), scale.at(unit(sample.sg)));
            let reach = sample.sd * WITHIN_95;
            let (low, high) = (unit(sample.sg - reach), unit(sample.sg + reach));
            let whisker = format!(
                "M{} {}V{}",
                short(x),
                short(scale.at(low).min(scale.from)),
                short(scale.at(high).max(scale.to))
            );
            let told = format!("{}: {}", self.when(sample.at), sample.text);
            self.sign(&told, &[(&whisker, "mark"), (&diamond(x, y), "sign hollow")]);
        }
    }

    fn attenuation(&mut self) {
        let (top, bottom) = self.place.attenuation;
        let all = self.chart.course.iter().filter_map(|point| point.attenuation_percent);
        let empty = all.clone().next().is_none();
        let scale = Scale::of(all.chain([0.0]), 0.06, bottom, top).widened(20.0);
        let scale = Scale { low: -2.0, ..scale };
        let entries =
            [("attenuation", Swatch::Line, "believed"), ("band share", Swatch::Area, "95 %")];
        self.panel(&scale, empty, "Apparent attenuation, %", &entries);
        self.band("band share", &scale, |point| {
            let reach = point.attenuation_sd? * WITHIN_95;
            point.attenuation_percent.map(|percent| (percent - reach, percent + reach))
        });
        self.line("attenuation", &scale, |point| point.attenuation_percent);
    }

    fn warmth(&mut self) {
        let chart = self.chart;
        let unit = |celsius: f64| match chart.show.temperature {
            TemperatureUnit::Celsius => celsius,
            TemperatureUnit::Fahrenheit => Temperature::clamped(celsius).fahrenheit(),
        };
        let all = chart.course.iter();
        let all = all.flat_map(|point| [point.beer_c, point.setpoint_c, point.surround_c]);
        let all: Vec<f64> = all.flatten().map(unit).collect();
        let (top, bottom) = self.place.warmth;
        let scale = Scale::of(all.iter().copied(), 0.06, bottom, top).widened(4.0);
        let has_surround = chart.course.iter().any(|point| point.surround_c.is_some());
        let mut entries: Vec<Entry> = vec![
            ("beer", Swatch::Line, "beer"),
            ("setpoint", Swatch::Line, "setpoint"),
            ("surround", Swatch::Line, "surround"),
        ];
        entries.truncate(if has_surround { 3 } else { 2 });
        let name = match chart.show.temperature {
            TemperatureUnit::Celsius => "Temperature, °C",
            TemperatureUnit::Fahrenheit => "Temperature, °F",
        };
        self.panel(&scale, all.is_empty(), name, &entries);
        self.line("surround", &scale, |point| point.surround_c.map(unit));
        self.line("beer", &scale, |point| point.beer_c.map(unit));
        self.line("setpoint", &scale, |point| point.setpoint_c.map(unit));
    }

    /// For how much of each quarter the outputs were on: the higher, the longer.
    fn outputs(&mut self) {
        let rows: [(&str, Share); 2] =
            [("heater", |point| point.heater_share), ("chiller", |point| point.chiller_share)];
        let mut foot = self.place.outputs + OUTPUT;
        for (name, share) in rows {
            let known = self.chart.course.iter().any(|point| share(point).is_some());
            self.sheet.text((self.place.left - 6.0, foot - 3.0), "small", "end", name);
            self.sheet.rule((self.place.left, foot), (self.place.right, foot), "grid");
            if known {
                let path = self.steps(foot, share);
                self.sheet.path(&path, name);
            } else {
                let place = (self.place.left + 4.0, foot - 3.0);
                self.sheet.text(place, "small quiet", "start", "not known");
            }
            foot += OUTPUT + 6.0;
        }
    }

    /// A column each pixel: the share of its time for which an output was on.
    fn steps(&self, foot: f64, share: impl Fn(&Point) -> Option<f64>) -> String {
        let mut columns: Vec<(i64, f64, f64)> = Vec::new();
        let mut last = self.chart.from;
        for point in &self.chart.course {
            let begins = last.max(point.at - GAP);
            last = point.at;
            let Some(share) = share(point).filter(|share| *share > 0.0) else { continue };
            let (from, to) = (self.x(begins), self.x(point.at));
            for column in from.floor() as i64..to.ceil() as i64 {
                let left = from.max(column as f64);
                let width = (to.min(column as f64 + 1.0) - left).max(0.0);
                match columns.last_mut() {
                    Some((same, sum, _)) if *same == column => *sum += share * width,
                    _ => columns.push((column, share * width, 1.0)),
                }
            }
        }
        let mut path = String::new();
        for (column, share, _) in columns {
            let height = (share.min(1.0) * OUTPUT).max(0.6);
            // Writing to a string cannot fail.
            let _ =
                write!(path, "M{column} {}v-{}h1v{}z", short(foot), short(height), short(height));
        }
        path
    }

    /// What happened, and for how long alarms stood.
    fn events(&mut self) {
        let (alarms, events) = (self.place.events + 12.0, self.place.events + 32.0);
        for (name, y) in [("alarms", alarms), ("events", events)] {
            self.sheet.text((self.place.left - 6.0, y + 4.0), "small", "end", name);
        }
        for alarm in &self.chart.alarms {
            let until = alarm.until.unwrap_or(self.chart.until);
            let (from, to) = (self.x(alarm.from), self.x(until));
            let ends = alarm
                .until
                .map_or_else(|| "stands".to_owned(), |until| format!("until {}", self.when(until)));
            let told = format!("{}, {ends}: {}", self.when(alarm.from), alarm.text);
            let (x, y) = (short(from), short(alarms));
            let bar = format!("M{x} {}h{}v4h-{}z", y - 2.0, short(to - from), short(to - from));
            let head = format!("M{x} {}l5 10h-10z", y - 5.0);
            self.sign(&told, &[(&bar, "alarm"), (&head, "alarm")]);
        }
        for event in &self.chart.events {
            let (x, y) = (short(self.x(event.at)), short(events));
            let (path, class) = match event.sign {
                Sign::Notice => (format!("M{} {}h10l-5 9z", x - 5.0, y - 4.0), "sign hollow"),
                Sign::Addition => (format!("M{x} {}v10M{} {y}h10", y - 5.0, x - 5.0), "sign"),
                Sign::Person => (format!("M{} {}h7v7h-7z", x - 3.5, y - 3.5), "sign full"),
            };
            let told = format!("{}: {}", self.when(event.at), event.text);
            self.sign(&told, &[(&path, class)]);
        }
    }

    fn now(&mut self) {
        if !self.chart.runs {
            return;
        }
        let x = self.x(self.chart.until);
        self.sheet.rule((x, self.place.strip), (x, self.place.bottom), "now");
        // Early in a batch it would stand upon what the axis is.
        let caption = self.chart.calendar.caption(self.chart.from, self.end);
        let taken = (caption.chars().count() + 4) as f64 * self.place.letter;
        let x = x.max(self.place.left + taken).min(self.place.right);
        let anchor = if x > self.place.right - 20.0 { "end" } else { "middle" };
        self.sheet.text((x, self.place.bottom + 33.0), "small label", anchor, "now");
    }

    /// A sign with what it says.
    fn sign(&mut self, told: &str, paths: &[(&str, &str)]) {
        let mut svg = format!("<g><title>{}</title>", escaped(told));
        for (path, class) in paths {
            // Writing to a string cannot fail.
            let _ = write!(svg, "<path class=\"{class}\" d=\"{path}\"/>");
        }
        svg.push_str("</g>\n");
        self.sheet.raw(&svg);
    }

    fn line(&mut self, class: &str, scale: &Scale, value: impl Fn(&Point) -> Option<f64>) {
        let runs = self.runs(|point| value(point).map(|value| [scale.at(value)]));
        for run in runs {
            let points: Vec<(f64, f64)> = run.into_iter().map(|(x, [y])| (x, y)).collect();
            self.sheet.line(&points, class);
        }
    }

    fn band(&mut self, class: &str, scale: &Scale, ends: impl Fn(&Point) -> Option<(f64, f64)>) {
        // What is not known at all must not hide the rest of the picture.
        let within = |value: f64| scale.at(value.clamp(scale.low, scale.high));
        let runs = self.runs(|point| ends(point).map(|(low, high)| [within(high), within(low)]));
        for run in runs {
            let upper: Vec<(f64, f64)> = run.iter().map(|(x, [high, _])| (*x, *high)).collect();
            let lower: Vec<(f64, f64)> = run.iter().map(|(x, [_, low])| (*x, *low)).collect();
            self.sheet.between(&upper, &lower, class);
        }
    }

    /// The points that have a value, in runs without a gap.
    fn runs<const N: usize>(
        &self,
        value: impl Fn(&Point) -> Option<[f64; N]>,
    ) -> Vec<Vec<(f64, [f64; N])>> {
        let mut runs: Vec<Vec<(f64, [f64; N])>> = Vec::new();
        let mut last: Option<Stamp> = None;
        for point in &self.chart.course {
            let Some(values) = value(point) else {
                last = None;
                continue;
            };
            let here = (self.x(point.at), values);
            match (last, runs.last_mut()) {
                (Some(before), Some(run)) if point.at.since(before) <= GAP => run.push(here),
                _ => runs.push(vec![here]),
            }
            last = Some(point.at);
        }
        runs
    }
}

fn diamond(x: f64, y: f64) -> String {
    format!("M{} {}l5 -6 5 6 -5 6z", short(x - 5.0), short(y))
}

fn in_unit(unit: GravityUnit, sg: f64) -> f64 {
    match unit {
        GravityUnit::Sg => sg,
        GravityUnit::Plato => quantity::plato_from_sg(sg),
        GravityUnit::Brix => {
            Gravity::from_sg(sg).map_or_else(|| quantity::plato_from_sg(sg), Gravity::brix)
        }
    }
}

fn gravity_name(unit: GravityUnit) -> (&'static str, &'static str) {
    match unit {
        GravityUnit::Sg => ("Gravity, SG", "SG"),
        GravityUnit::Plato => ("Gravity, °P", "°P"),
        GravityUnit::Brix => ("Gravity, °Bx", "°Bx"),
    }
}
