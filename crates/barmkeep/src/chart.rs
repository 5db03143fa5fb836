//! A batch as a picture: SVG of our own look, readable in greyscale.
//!
//! Two panels above each other on one axis of time: the gravity with what was believed of it, and
//! the beer's temperature with its setpoint; stages as bands with their names.

use std::fmt::Write;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 20.0;
const PANEL: f64 = 220.0;
const TOP: f64 = 50.0;
const GAP: f64 = 40.0;
/// A line is drawn with at most so many points.
const POINTS_MOST: usize = 1500;

/// What is drawn.
#[derive(Debug, Clone, Default)]
pub struct Chart {
    /// What it is of.
    pub title: String,
    /// Days since the start, and SG.
    pub readings: Vec<(f64, f64)>,
    /// Days since the start, believed SG.
    pub believed: Vec<(f64, f64)>,
    /// Days since the start, °C.
    pub beer: Vec<(f64, f64)>,
    /// Days since the start, °C.
    pub setpoint: Vec<(f64, f64)>,
    /// Days since the start at which a stage began, and its name.
    pub stages: Vec<(f64, String)>,
}

/// A range of values, drawn into a range of the picture.
#[derive(Debug, Clone, Copy)]
struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

impl Scale {
    fn of(values: impl Iterator<Item = f64>, margin: f64, from: f64, to: f64) -> Self {
        let (low, high) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
        let edge = ((high - low) * margin).max(1e-6);
        Scale { low: low - edge, high: high + edge, from, to }
    }

    fn at(&self, value: f64) -> f64 {
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }

    /// About six round numbers within the range.
    fn marks(&self) -> Vec<f64> {
        let span = self.high - self.low;
        let raw = span / 6.0;
        let power = 10_f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= raw);
        let step = step.unwrap_or(span);
        let first = (self.low / step).ceil();
        (0..20).map(|k| (first + f64::from(k)) * step).take_while(|v| *v <= self.high).collect()
    }
}

impl Chart {
    /// The whole picture.
    pub fn svg(&self) -> String {
        let bottom = TOP + 2.0 * PANEL + GAP;
        let times = [&self.readings, &self.believed, &self.beer, &self.setpoint];
        let end =
            times.iter().flat_map(|line| line.last()).map(|(day, _)| *day).fold(0.1, f64::max);
        let time = Scale { low: 0.0, high: end, from: LEFT, to: WIDTH - RIGHT };
        let gravities = self.readings.iter().chain(&self.believed).map(|(_, sg)| *sg);
        let gravity = Scale::of(gravities, 0.06, TOP + PANEL, TOP);
        let temperatures = self.beer.iter().chain(&self.setpoint).map(|(_, c)| *c);
        let warmth = Scale::of(temperatures, 0.08, bottom, TOP + PANEL + GAP);
        let mut svg = String::new();
        // Writing to a string cannot fail.
        let _ = write!(
            svg,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {:.0}\" role=\"img\" \
             aria-label=\"{}\" font-family=\"sans-serif\" font-size=\"12\">\n\
             <rect width=\"100%\" height=\"100%\" fill=\"#fffdf8\"/>\n\
             <text x=\"{LEFT}\" y=\"20\" font-size=\"15\">{}</text>\n",
            bottom + 40.0,
            escaped(&self.title),
            escaped(&self.title)
        );
        self.stage_bands(&mut svg, &time, bottom);
        panel(&mut svg, &gravity, "gravity, SG", 4);
        panel(&mut svg, &warmth, "temperature, °C", 1);
        for (day, sg) in thinned(&self.readings) {
            let _ = writeln!(
                svg,
                "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"1.3\" fill=\"#8a8a7d\"/>",
                time.at(day),
                gravity.at(sg)
            );
        }
        line(&mut svg, &self.believed, &time, &gravity, "#7a3b00", "2", "");
        line(&mut svg, &self.beer, &time, &warmth, "#204a66", "1.2", "");
        line(&mut svg, &self.setpoint, &time, &warmth, "#000000", "1.4", "6 3");
        for day in time.marks() {
            let _ = writeln!(
                svg,
                "<text x=\"{:.1}\" y=\"{:.0}\" text-anchor=\"middle\">{day}</text>",
                time.at(day),
                bottom + 16.0
            );
        }
        let _ = write!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"middle\">days since pitching; dots: \
             readings, thick line: believed; thin line: beer, dashes: setpoint</text>\n</svg>\n",
            (LEFT + WIDTH - RIGHT) / 2.0,
            bottom + 33.0
        );
        svg
    }

    fn stage_bands(&self, svg: &mut String, time: &Scale, bottom: f64) {
        for (index, (day, name)) in self.stages.iter().enumerate() {
            let end = self.stages.get(index + 1).map_or(time.high, |(day, _)| *day);
            let (x, width) = (time.at(*day), (time.at(end) - time.at(*day)).max(0.5));
            let shade = if index % 2 == 0 { "#f3eee0" } else { "#fffdf8" };
            let _ = write!(
                svg,
                "<rect x=\"{x:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{:.0}\" \
                 fill=\"{shade}\"/>\n<text x=\"{:.1}\" y=\"{:.0}\" font-size=\"11\">{}</text>\n",
                bottom - TOP,
                x + 2.0,
                TOP - 4.0 - 11.0 * f64::from(u8::from(index % 2 == 1)),
                escaped(name)
            );
        }
    }
}

fn panel(svg: &mut String, scale: &Scale, label: &str, decimals: usize) {
    for value in scale.marks() {
        let y = scale.at(value);
        let _ = write!(
            svg,
            "<line x1=\"{LEFT}\" x2=\"{:.0}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"#c9c2ae\" \
             stroke-width=\"0.6\"/>\n<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">\
             {value:.decimals$}</text>\n",
            WIDTH - RIGHT,
            LEFT - 6.0,
            y + 4.0
        );
    }
    let middle = (scale.from + scale.to) / 2.0;
    let _ = writeln!(
        svg,
        "<text x=\"14\" y=\"{middle:.0}\" transform=\"rotate(-90 14 {middle:.0})\" \
         text-anchor=\"middle\">{label}</text>"
    );
}

fn line(
    svg: &mut String,
    points: &[(f64, f64)],
    x: &Scale,
    y: &Scale,
    colour: &str,
    width: &str,
    dash: &str,
) {
    let mut path = String::new();
    for (index, (day, value)) in thinned(points).enumerate() {
        let letter = if index == 0 { 'M' } else { 'L' };
        let _ = write!(path, "{letter}{:.1} {:.1}", x.at(day), y.at(value));
    }
    let _ = writeln!(
        svg,
        "<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" \
         stroke-dasharray=\"{dash}\"/>"
    );
}

fn thinned(points: &[(f64, f64)]) -> impl Iterator<Item = (f64, f64)> + '_ {
    points.iter().copied().step_by(points.len().div_ceil(POINTS_MOST).max(1))
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_whole_and_its_texts_are_escaped() {
        let chart = Chart {
            title: "a <b> & \"c\"".to_owned(),
            readings: vec![(0.0, 1.05), (1.0, 1.03)],
            believed: vec![(0.0, 1.05), (1.0, 1.03)],
            beer: vec![(0.0, 10.0)],
            setpoint: vec![(0.0, 10.0)],
            stages: vec![(0.0, "one".to_owned())],
        };
        let svg = chart.svg();
        assert!(svg.starts_with("<svg") && svg.ends_with("</svg>\n"));
        assert!(svg.contains("a &lt;b> &amp; &quot;c&quot;"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }

    #[test]
    fn an_empty_picture_is_a_picture() {
        assert!(!Chart::default().svg().contains("NaN"));
    }
}
