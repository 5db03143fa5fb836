//! What all pictures share: scales, lines and one look, readable in greyscale, light and dark.
//!
//! A picture has no style of its own but classes: [`style`] says what they look like. A file gets
//! it inside ([`Sheet::file`]); a page that may have no style but its own serves it
//! ([`Sheet::inline`]).

use std::fmt::Write;

/// Width of a picture on a wide screen or on paper.
pub const WIDTH: f64 = 960.0;
/// Where its panels begin.
pub const LEFT: f64 = 70.0;
/// What is left free on the right.
pub const RIGHT: f64 = 20.0;
/// Where its first panel begins.
pub const TOP: f64 = 50.0;
/// Between two panels.
pub const GAP: f64 = 40.0;

/// A line may leave its points by so much, in units of the picture.
const TOLERANCE: f64 = 0.35;

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

    /// A scale that covers at least so much.
    pub fn widened(self, least: f64) -> Self {
        let lack = (least - (self.high - self.low)).max(0.0) / 2.0;
        Scale { low: self.low - lack, high: self.high + lack, ..self }
    }

    /// Where a value is drawn.
    pub fn at(&self, value: f64) -> f64 {
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }

    /// At most so many round numbers within the range, and at least two wherever there are.
    pub fn marks_most(&self, most: u32) -> Vec<f64> {
        let span = self.high - self.low;
        let raw = span / f64::from(most);
        let power = 10_f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= raw);
        let step = step.unwrap_or(span);
        let first = (self.low / step).ceil();
        (0..20).map(|k| (first + f64::from(k)) * step).take_while(|v| *v <= self.high).collect()
    }

    /// Four to nine round numbers within the range.
    pub fn marks(&self) -> Vec<f64> {
        self.marks_most(9)
    }

    /// How many decimals tell its marks apart.
    pub fn decimals(&self) -> usize {
        decimals(&self.marks())
    }
}

/// How many decimals tell these marks apart.
pub fn decimals(marks: &[f64]) -> usize {
    let step = marks.get(1).zip(marks.first()).map_or(1.0, |(second, first)| second - first);
    // A step is 1, 2 or 5 of a power of ten.
    (-(step * 1.001).log10().floor()).clamp(0.0, 9.0) as usize
}

/// A picture that is being drawn.
#[derive(Debug)]
pub struct Sheet {
    body: String,
    title: String,
    describes: String,
    width: f64,
    height: f64,
}

impl Sheet {
    /// An empty picture; `describes` is for those who do not see it.
    pub fn new(title: &str, describes: &str, width: f64, height: f64) -> Self {
        Sheet {
            body: String::new(),
            title: title.to_owned(),
            describes: describes.to_owned(),
            width,
            height,
        }
    }

    /// As a file of its own.
    pub fn file(&self) -> String {
        self.whole("picture", &format!("<style>{}</style>\n", style()))
    }

    /// As a part of a page that has [`style`]; `id` is this picture's alone on that page.
    pub fn inline(&self, id: &str) -> String {
        self.whole(id, "")
    }

    fn whole(&self, id: &str, style: &str) -> String {
        let (id, title, describes) = (escaped(id), escaped(&self.title), escaped(&self.describes));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"drawn\" \
             viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\">\n\
             <title id=\"{id}-title\">{title}</title>\n<desc id=\"{id}-desc\">{describes}</desc>\n\
             {style}<rect class=\"paper\" width=\"100%\" height=\"100%\"/>\n{}</svg>\n",
            self.width, self.height, self.body
        )
    }

    /// Anything.
    pub fn raw(&mut self, svg: &str) {
        self.body.push_str(svg);
    }

    /// A text; `anchor` is `start`, `middle` or `end`.
    pub fn text(&mut self, (x, y): (f64, f64), class: &str, anchor: &str, text: &str) {
        // Writing to a string cannot fail.
        let _ = writeln!(
            self.body,
            "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
            escaped(text)
        );
    }

    /// A text that runs upwards, about its middle.
    pub fn upright(&mut self, (x, y): (f64, f64), text: &str) {
        let _ = writeln!(
            self.body,
            "<text x=\"{x:.0}\" y=\"{y:.0}\" transform=\"rotate(-90 {x:.0} {y:.0})\" \
             text-anchor=\"middle\">{}</text>",
            escaped(text)
        );
    }

    /// A straight line.
    pub fn rule(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        let _ = writeln!(
            self.body,
            "<path class=\"{class}\" d=\"M{:.1} {:.1}L{:.1} {:.1}\"/>",
            from.0, from.1, to.0, to.1
        );
    }

    /// A rectangle by its upper left corner and its size.
    pub fn rectangle(&mut self, at: (f64, f64), size: (f64, f64), class: &str) {
        let _ = writeln!(
            self.body,
            "<rect class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>",
            at.0,
            at.1,
            size.0.max(0.5),
            size.1.max(0.0)
        );
    }

    /// A line through points of the picture, with no more of them than the eye needs.
    pub fn line(&mut self, points: &[(f64, f64)], class: &str) {
        if points.is_empty() {
            return;
        }
        let mut path = String::new();
        trace(&mut path, &simplified(points));
        self.path(&path, class);
    }

    /// What lies between two lines.
    pub fn between(&mut self, upper: &[(f64, f64)], lower: &[(f64, f64)], class: &str) {
        let mut outline = simplified(upper);
        outline.extend(simplified(lower).into_iter().rev());
        if outline.is_empty() {
            return;
        }
        let mut path = String::new();
        trace(&mut path, &outline);
        path.push('z');
        self.path(&path, class);
    }

    /// Dots, all of one class; those that would lie upon each other are one.
    pub fn dots(&mut self, points: &[(f64, f64)], class: &str) {
        let mut path = String::new();
        let mut last = None;
        for (x, y) in points {
            let place = ((x * 2.0).round() as i64, (y * 2.0).round() as i64);
            if last.replace(place) != Some(place) {
                let _ = write!(path, "M{} {}h0", short(*x), short(*y));
            }
        }
        self.path(&path, class);
    }

    /// A path as SVG writes it.
    pub fn path(&mut self, path: &str, class: &str) {
        if !path.is_empty() {
            let _ = writeln!(self.body, "<path class=\"{class}\" d=\"{path}\"/>");
        }
    }

    /// The lines and the marks of an upright axis, and what it is.
    pub fn panel(&mut self, scale: &Scale, label: &str, decimals: usize) {
        for value in scale.marks() {
            let y = scale.at(value);
            self.rule((LEFT, y), (self.width - RIGHT, y), "grid");
            self.text((LEFT - 6.0, y + 4.0), "", "end", &format!("{value:.decimals$}"));
        }
        self.upright((14.0, (scale.from + scale.to) / 2.0), label);
    }

    /// The marks of an axis of numbers below the last panel, and lines that say what is drawn.
    pub fn foot(&mut self, scale: &Scale, bottom: f64, labels: &[&str]) {
        let decimals = scale.decimals();
        for value in scale.marks() {
            let x = scale.at(value);
            self.rule((x, bottom), (x, bottom + 4.0), "axis");
            self.text((x, bottom + 16.0), "", "middle", &format!("{value:.decimals$}"));
        }
        let middle = (LEFT + self.width - RIGHT) / 2.0;
        for (index, label) in labels.iter().enumerate() {
            self.text((middle, bottom + 33.0 + 16.0 * index as f64), "", "middle", label);
        }
    }

    /// The picture's title, at its upper left.
    pub fn heading(&mut self, left: f64) {
        let title = self.title.clone();
        self.text((left, 20.0), "heading", "start", &title);
    }
}

/// What the classes look like: lines also differ by width and dash, areas by shade, so that no
/// colour is needed to tell them apart.
pub fn style() -> String {
    format!(
        "{SHAPES}{}@media (prefers-color-scheme:dark){{{}}}@media print{{{}}}",
        colours(|(_, light, _)| light),
        colours(|(_, _, dark)| dark),
        colours(|(_, light, _)| light)
    )
}

const SHAPES: &str = "\
.drawn{font:12px system-ui,sans-serif;display:block;width:100%;height:auto}\
.drawn path{fill:none}\
.drawn .heading{font-size:15px;font-weight:600}\
.drawn .small{font-size:11px}\
.drawn .label{font-weight:600}\
.drawn .grid{stroke-width:.6}\
.drawn .axis{stroke-width:.9}\
.drawn .edge{stroke-width:.9;stroke-dasharray:1 3}\
.drawn .now{stroke-width:1.2}\
.drawn .goal{stroke-width:1;stroke-dasharray:8 3 2 3}\
.drawn .gravity{stroke-width:2.2}\
.drawn .attenuation{stroke-width:2}\
.drawn .readings{stroke-width:2.2;stroke-linecap:round}\
.drawn .beer{stroke-width:1.6}\
.drawn .setpoint{stroke-width:1.5;stroke-dasharray:7 3}\
.drawn .surround{stroke-width:1.1;stroke-dasharray:1.5 2.5}\
.drawn .mark{stroke-width:1.4}\
.drawn .faint{stroke-width:1.2;stroke-dasharray:5 4}\
.drawn path.band,.drawn path.heater,.drawn path.chiller{stroke:none}\
.drawn path.sign{stroke-width:1.3}";

/// What is coloured, in light and in dark.
type Colour = (&'static str, &'static str, &'static str);

const COLOURS: &[Colour] = &[
    ("rect.paper{fill:#}", "#fffdf8", "#171510"),
    ("text{fill:#}", "#1d1a14", "#ece6d8"),
    (".quiet{fill:#}", "#5f594b", "#b3ab99"),
    ("rect.soft{fill:#}", "#f4efe2", "#221f18"),
    ("rect.ahead{fill:#}", "#e9e3d3", "#2c2820"),
    (".grid{stroke:#}", "#d3ccba", "#3b362b"),
    (".axis{stroke:#}", "#1d1a14", "#ece6d8"),
    (".edge{stroke:#}", "#8a8371", "#8d8574"),
    (".now{stroke:#}", "#1d1a14", "#ece6d8"),
    (".goal{stroke:#}", "#6b6455", "#a39b88"),
    (".gravity{stroke:#}", "#7a3b00", "#eaa866"),
    (".attenuation{stroke:#}", "#33591f", "#a5cf86"),
    ("path.band{fill:#}", "#d9b48c", "#6d4a24"),
    ("path.band.share{fill:#}", "#bcd0ab", "#3c5530"),
    (".readings{stroke:#}", "#8a8371", "#8d8574"),
    (".beer{stroke:#}", "#1f4f70", "#86c3e8"),
    (".setpoint{stroke:#}", "#1d1a14", "#ece6d8"),
    (".surround{stroke:#}", "#6b6455", "#a39b88"),
    ("path.heater{fill:#}", "#a1451f", "#e08a5f"),
    ("path.chiller{fill:#}", "#2f6b8f", "#6fb2da"),
    (".mark{stroke:#}", "#1d1a14", "#ece6d8"),
    ("path.sign{stroke:#}", "#1d1a14", "#ece6d8"),
    ("path.hollow{fill:#}", "#fffdf8", "#171510"),
    ("path.full{fill:#}", "#1d1a14", "#ece6d8"),
    ("rect.alarm{fill:#}", "#8f1d1d", "#ff9c8f"),
    ("path.alarm{stroke:#;fill:#}", "#8f1d1d", "#ff9c8f"),
    (".dot{fill:#;stroke:#}", "#1f4f70", "#86c3e8"),
    (".ring{stroke:#}", "#1f4f70", "#86c3e8"),
    (".ring{fill:#}", "#fffdf8", "#171510"),
    (".faint{stroke:#}", "#7a3b00", "#eaa866"),
    ("rect.reach{fill:#}", "#ddd6c3", "#39342a"),
];

fn colours(which: impl Fn(&Colour) -> &'static str) -> String {
    COLOURS
        .iter()
        .map(|colour| format!(".drawn {}", colour.0.replace(":#", &format!(":{}", which(colour)))))
        .collect()
}

/// The points without which a line would leave the others by more than the eye sees: the method of
/// Douglas and Peucker (1973).
pub fn simplified(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut keep = vec![false; points.len()];
    let Some(last) = points.len().checked_sub(1) else { return Vec::new() };
    (keep[0], keep[last]) = (true, true);
    let mut open = vec![(0, last)];
    while let Some((from, to)) = open.pop() {
        let distance = distance_from(points[from], points[to]);
        let farthest = (from + 1..to)
            .map(|index| (index, distance(points[index])))
            .max_by(|(_, one), (_, other)| one.total_cmp(other));
        if let Some((index, distance)) = farthest
            && distance > TOLERANCE
        {
            keep[index] = true;
            open.extend([(from, index), (index, to)]);
        }
    }
    points.iter().zip(keep).filter(|(_, keep)| *keep).map(|(point, _)| *point).collect()
}

/// How far a point is from the line through two others.
fn distance_from(from: (f64, f64), to: (f64, f64)) -> impl Fn((f64, f64)) -> f64 {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    move |point| {
        let (px, py) = (point.0 - from.0, point.1 - from.1);
        if length == 0.0 { px.hypot(py) } else { (px * dy - py * dx).abs() / length }
    }
}

fn trace(path: &mut String, points: &[(f64, f64)]) {
    for (index, (x, y)) in points.iter().enumerate() {
        let letter = if index == 0 { 'M' } else { 'L' };
        // Writing to a string cannot fail.
        let _ = write!(path, "{letter}{} {}", short(*x), short(*y));
    }
    if points.len() == 1 {
        path.push_str("h0.1");
    }
}

/// A coordinate to a tenth.
pub fn short(number: f64) -> f64 {
    // Zero has no sign in a picture.
    (number * 10.0).round() / 10.0 + 0.0
}

/// A text as it may stand in a picture.
pub fn escaped(text: &str) -> String {
    let mut clean = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => clean.push_str("&amp;"),
            '<' => clean.push_str("&lt;"),
            '>' => clean.push_str("&gt;"),
            '"' => clean.push_str("&quot;"),
            '\'' => clean.push_str("&#39;"),
            // XML 1.0 has no place for them, not even as references.
            letter if is_no_xml(letter) => clean.push('\u{fffd}'),
            letter => clean.push(letter),
        }
    }
    clean
}

/// Whether a letter is outside of XML 1.0's `Char`.
fn is_no_xml(letter: char) -> bool {
    let control = letter < ' ' && !matches!(letter, '\t' | '\n' | '\r');
    control || matches!(letter, '\u{fffe}' | '\u{ffff}')
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

    #[test]
    fn a_line_keeps_its_ends_and_its_peaks_and_little_else() {
        let mut points: Vec<(f64, f64)> =
            (0..1000).map(|n| (f64::from(n), f64::from(n) * 0.1)).collect();
        points[500].1 += 3.0;
        let kept = simplified(&points);
        assert!(kept.len() <= 5, "{kept:?}");
        assert!(kept.contains(&points[0]) && kept.contains(&points[999]));
        assert!(kept.contains(&points[500]));
        assert_eq!(simplified(&[]), []);
        assert_eq!(simplified(&[(1.0, 1.0)]), [(1.0, 1.0)]);
        // A closed way has no line through its ends.
        assert_eq!(simplified(&[(0.0, 0.0), (9.0, 0.0), (0.0, 0.0)]).len(), 3);
    }

    #[test]
    fn no_text_leaves_its_place() {
        let nasty = "a<b>&\"c\"'\u{1}\u{ffff}";
        assert_eq!(escaped(nasty), "a&lt;b&gt;&amp;&quot;c&quot;&#39;\u{fffd}\u{fffd}");
    }

    /// W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 and 1.4.11: 4.5 for
    /// text, 3 for parts of pictures.
    #[test]
    fn texts_and_lines_stand_out_from_the_paper_in_light_and_in_dark() {
        fn luminance(colour: &str) -> f64 {
            let part = |at: usize| {
                let value = u8::from_str_radix(&colour[at..at + 2], 16).unwrap();
                let share = f64::from(value) / 255.0;
                if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
        }
        fn contrast(one: &str, other: &str) -> f64 {
            let (one, other) = (luminance(one), luminance(other));
            (one.max(other) + 0.05) / (one.min(other) + 0.05)
        }
        let paper = COLOURS[0];
        for colour in COLOURS {
            let least = match colour.0 {
                text if text.starts_with("text") || text.starts_with(".quiet") => 4.5,
                // What lies behind lines, or helps to follow them.
                soft if ["rect.", "path.band", "path.hollow", ".grid", ".ring{fill"]
                    .iter()
                    .any(|start| soft.starts_with(start))
                    && !soft.contains("alarm") =>
                {
                    continue;
                }
                _ => 3.0,
            };
            for (drawn, on) in [(colour.1, paper.1), (colour.2, paper.2)] {
                assert!(contrast(drawn, on) >= least, "{} {drawn} on {on}", colour.0);
            }
        }
    }
}
