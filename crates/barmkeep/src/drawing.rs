//! What all pictures share: scales, axes, lines and one look, readable in greyscale.

use std::fmt::Write;

/// Width of a picture.
pub const WIDTH: f64 = 960.0;
/// Where its panels begin.
pub const LEFT: f64 = 70.0;
/// What is left free on the right.
pub const RIGHT: f64 = 20.0;
/// Where its first panel begins.
pub const TOP: f64 = 50.0;
/// Between two panels.
pub const GAP: f64 = 40.0;
/// A line is drawn with at most so many points.
const POINTS_MOST: usize = 1500;

/// A range of values, drawn into a range of the picture.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    /// The lowest value.
    pub low: f64,
    /// The highest value.
    pub high: f64,
    /// Where the lowest is drawn.
    pub from: f64,
    /// Where the highest is drawn.
    pub to: f64,
}

impl Scale {
    /// Of these values, with this share of their range left free at each end.
    pub fn of(values: impl Iterator<Item = f64>, margin: f64, from: f64, to: f64) -> Self {
        let (low, high) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
        let edge = ((high - low) * margin).max(1e-6);
        Scale { low: low - edge, high: high + edge, from, to }
    }

    /// Where a value is drawn.
    pub fn at(&self, value: f64) -> f64 {
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }

    /// Four to nine round numbers within the range.
    pub fn marks(&self) -> Vec<f64> {
        let span = self.high - self.low;
        let raw = span / 9.0;
        let power = 10_f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= raw);
        let step = step.unwrap_or(span);
        let first = (self.low / step).ceil();
        (0..20).map(|k| (first + f64::from(k)) * step).take_while(|v| *v <= self.high).collect()
    }

    /// How many decimals tell its marks apart.
    pub fn decimals(&self) -> usize {
        let marks = self.marks();
        let step = marks.get(1).zip(marks.first()).map_or(1.0, |(second, first)| second - first);
        // A step is 1, 2 or 5 of a power of ten.
        (-(step * 1.001).log10().floor()).clamp(0.0, 9.0) as usize
    }
}

/// Opens a picture of this height, with its title.
pub fn open(svg: &mut String, title: &str, height: f64) {
    // Writing to a string cannot fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height:.0}\" \
         role=\"img\" aria-label=\"{}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fffdf8\"/>\n\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"15\">{}</text>\n",
        escaped(title),
        escaped(title)
    );
}

/// The marks of the axis below the last panel, and what it is; then nothing more comes.
pub fn close(svg: &mut String, scale: &Scale, bottom: f64, labels: &[&str]) {
    let decimals = scale.decimals();
    for value in scale.marks() {
        let (x, foot) = (scale.at(value), bottom + 4.0);
        let _ = writeln!(
            svg,
            "<line x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{bottom:.1}\" y2=\"{foot:.1}\" \
             stroke=\"#000000\" stroke-width=\"0.8\"/>\n<text x=\"{x:.1}\" y=\"{:.0}\" \
             text-anchor=\"middle\">{value:.decimals$}</text>",
            bottom + 16.0
        );
    }
    for (index, label) in labels.iter().enumerate() {
        let _ = writeln!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"middle\">{}</text>",
            (LEFT + WIDTH - RIGHT) / 2.0,
            bottom + 33.0 + 16.0 * index as f64,
            escaped(label)
        );
    }
    svg.push_str("</svg>\n");
}

/// The lines and the marks of a panel's upright axis, and what it is.
pub fn panel(svg: &mut String, scale: &Scale, label: &str, decimals: usize) {
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

/// A line; `dash` as SVG has it, empty for a whole one.
pub fn line(
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

/// So many of the points as a line needs.
pub fn thinned(points: &[(f64, f64)]) -> impl Iterator<Item = (f64, f64)> + '_ {
    points.iter().copied().step_by(points.len().div_ceil(POINTS_MOST).max(1))
}

/// A text as it may stand in a picture.
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_written_with_the_decimals_that_tell_them_apart() {
        for (low, high, decimals) in
            [(0.0, 10.0, 0), (0.0, 1.0, 1), (1.0, 1.09, 2), (0.998, 1.004, 3), (-4.0, 90.0, 0)]
        {
            let scale = Scale { low, high, from: 0.0, to: 1.0 };
            assert_eq!(scale.decimals(), decimals, "{low} {high} {:?}", scale.marks());
        }
    }
}
