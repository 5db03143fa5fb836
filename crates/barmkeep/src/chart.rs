//! A batch as a picture: SVG of our own look, readable in greyscale.
//!
//! Two panels above each other on one axis of time: the gravity with what was believed of it, and
//! the beer's temperature with its setpoint; stages as bands with their names.

use crate::drawing::{self, GAP, LEFT, RIGHT, Scale, TOP, WIDTH, escaped, line, panel, thinned};
use std::fmt::Write;

const PANEL: f64 = 220.0;

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
        drawing::open(&mut svg, &self.title, bottom + 40.0);
        self.stage_bands(&mut svg, &time, bottom);
        panel(&mut svg, &gravity, "gravity, SG", 4);
        panel(&mut svg, &warmth, "temperature, °C", 1);
        for (day, sg) in thinned(&self.readings) {
            // Writing to a string cannot fail.
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
        let label = "days since pitching; dots: readings, thick line: believed; thin line: beer, \
                     dashes: setpoint";
        drawing::close(&mut svg, &time, bottom, &[label]);
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
