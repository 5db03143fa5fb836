//! A cellar of simulated floats: what is true, what each float reads, what is believed.

use belief::{
    Belief, Care, Doubt, Expectation, Expected, GravityReading, Kind, Missing, Original,
    SourceReport,
};
use plant::chance::Chance;
use plant::float::{Float, FloatSetup, Noise};
use quantity::{GravityDelta, Share, Span, Stamp, Temperature, plato_from_sg};

const PITCHED: Stamp = Stamp::from_millis(1_772_000_000_000);
const CONFIDENCE: f64 = 0.95;
/// Above 1.000, in points.
const ORIGINAL: f64 = 50.0;
pub const FINAL: f64 = 10.0;

/// 50 points, that begin to fall at 12 h, 17 a day from 22 h on; the last 12 with a time constant
/// of 24 h to 10, from 56.5 h on.
pub fn beer(hours: f64) -> f64 {
    let (lag, rise, rate) = (12.0, 10.0, 17.0 / 24.0);
    let tail = lag + 0.5 * rise + 28.0 / rate;
    let since = (hours - lag).max(0.0);
    if hours > tail {
        FINAL + 12.0 * (-(hours - tail) / 24.0).exp()
    } else if since < rise {
        ORIGINAL - 0.5 * rate * since * since / rise
    } else {
        ORIGINAL - rate * (since - 0.5 * rise)
    }
}

pub fn at(hours: f64) -> Stamp {
    PITCHED + Span::from_hours_f64(hours)
}

fn sg(points: f64) -> f64 {
    1.0 + points * 1e-3
}

/// Apparent attenuation at a time, in truth.
pub fn attenuated(hours: f64) -> f64 {
    1.0 - plato_from_sg(sg(beer(hours))) / plato_from_sg(sg(ORIGINAL))
}

/// One float of a story.
pub struct Member {
    pub name: &'static str,
    pub setup: FloatSetup,
    /// It is in the beer from here on, in h.
    pub from: f64,
}

impl Member {
    /// One in good order: so often it reads, so noisy it is, by so much it reads too high.
    pub fn new(name: &'static str, minutes: i64, noise: f64, offset: f64) -> Self {
        let mut setup = FloatSetup::plain(Span::from_mins(minutes), Noise::of_points(noise));
        setup.offset_points = offset;
        Member { name, setup, from: 0.0 }
    }
}

/// The first so many of four floats in good order.
pub fn floats(count: usize, minutes: i64, noise: f64) -> Vec<Member> {
    let four = [("one", 1.0), ("two", -2.0), ("three", 3.0), ("four", 0.5)];
    four.iter()
        .take(count)
        .map(|(name, offset)| Member::new(name, minutes, noise, *offset))
        .collect()
}

/// A batch that is being read.
pub struct Cellar {
    pub belief: Belief,
    pub now: f64,
    floats: Vec<(&'static str, Float, Span)>,
    chance: Chance,
    celsius: fn(f64) -> f64,
    /// What every float reads wrongly for a kelvin above 18 °C, in points.
    per_kelvin: f64,
    /// All doubts that have begun: of whom, when in h, which.
    pub doubts: Vec<(&'static str, f64, Doubt)>,
    /// When each tenth of attenuation was shown, in h.
    pub shown: [Option<f64>; 8],
    /// When the final gravity was called stable, in h.
    pub stable: Option<f64>,
}

impl Cellar {
    /// The original gravity was sampled (± 1 point), the final one is expected (± 3 points); both
    /// are off by chance.
    pub fn new(seed: u64, members: Vec<Member>) -> Self {
        let mut chance = Chance::new(seed, 0);
        let original = ORIGINAL + chance.normal();
        let end = FINAL + (2.5 * chance.normal()).clamp(-2.5, 2.5);
        let float = |(index, member): (usize, Member)| {
            let first = member.from + member.setup.every.hours() * chance.share();
            let float = Float::new(member.setup, Chance::new(seed, index as u64 + 1));
            (member.name, float, Span::from_hours_f64(first))
        };
        let floats = members.into_iter().enumerate().map(float).collect();
        let expectation = Expectation {
            original: Original::Sampled { sg: sg(original), sd_points: 1.0 },
            final_sg: Some(Expected { sg: sg(end), sd_points: 3.0 }),
        };
        Cellar {
            belief: Belief::new(PITCHED, expectation),
            now: 0.0,
            floats,
            chance,
            celsius: |_| 18.0,
            per_kelvin: 0.0,
            doubts: Vec::new(),
            shown: [None; 8],
            stable: None,
        }
    }

    /// The beer's temperature takes this course, and every float feels it.
    pub fn warmed(mut self, celsius: fn(f64) -> f64, per_kelvin: f64) -> Self {
        (self.celsius, self.per_kelvin) = (celsius, per_kelvin);
        self
    }

    /// Reads until this hour.
    pub fn until(&mut self, hours: f64) {
        self.watch_until(hours, |_, _| {});
    }

    /// Reads until this hour; `look` is asked after each reading.
    pub fn watch_until(&mut self, hours: f64, mut look: impl FnMut(f64, &Belief)) {
        while let Some(index) = (0..self.floats.len()).min_by_key(|index| self.floats[*index].2) {
            let time = self.floats[index].2.hours();
            if time >= hours {
                break;
            }
            self.read(index, time);
            self.note(time);
            look(time, &self.belief);
        }
        self.now = hours;
        self.belief.advance(at(hours));
        self.note(hours);
    }

    fn read(&mut self, index: usize, time: f64) {
        let celsius = (self.celsius)(time);
        let truth = beer(time) + self.per_kelvin * (celsius - 18.0);
        let (name, float, next) = &mut self.floats[index];
        let stamp = PITCHED + *next;
        let read = float.read(*next, sg(truth), Temperature::clamped(celsius));
        *next = *next + float.every();
        let probe = Temperature::clamped(celsius + 0.03 * self.chance.normal());
        self.belief.take_temperature(stamp, probe);
        if let Some(read) = read {
            self.belief.take(&GravityReading {
                at: stamp,
                source: (*name).to_owned(),
                kind: Kind::Float,
                sg: read.sg,
                temperature: Some(read.temperature),
            });
        }
    }

    fn note(&mut self, time: f64) {
        for report in self.belief.sources() {
            let Some(name) = self.floats.iter().map(|(name, ..)| *name).find(|n| *n == report.name)
            else {
                continue;
            };
            let Some(doubt) = report.doubt else { continue };
            let before = self.doubts.iter().rev().find(|(who, ..)| *who == name);
            let is_new = before.is_none_or(|(_, _, known)| *known != doubt);
            if is_new {
                self.doubts.push((name, time, doubt));
            }
        }
        for (tenth, shown) in self.shown.iter_mut().enumerate().filter(|(_, s)| s.is_none()) {
            let share = Share::from_fraction(0.1 * tenth as f64).expect("a share");
            let probability = self.belief.attenuation(share).probability;
            *shown = probability.is_some_and(|p| p >= CONFIDENCE).then_some(time);
        }
        if self.stable.is_none() && time > 48.0 {
            let (within, over) = (GravityDelta::Points(1.0), Span::from_hours(48));
            let said = self.belief.stable(within, over, CONFIDENCE, Care::Safe);
            self.stable = (said.answer == Some(true)).then_some(time);
        }
    }

    /// A person takes a sample now, of this standard deviation.
    pub fn sample(&mut self, sd_points: f64) {
        let gravity = beer(self.now) + sd_points * self.chance.normal();
        self.sample_reads(gravity, sd_points);
    }

    /// A sample that reads this, in points.
    pub fn sample_reads(&mut self, gravity: f64, sd_points: f64) {
        self.belief.take(&GravityReading {
            at: at(self.now),
            source: "hand".to_owned(),
            kind: Kind::Hand { sd_points },
            sg: sg(gravity),
            temperature: None,
        });
        self.note(self.now);
    }

    pub fn report(&self, name: &str) -> SourceReport {
        self.belief.sources().into_iter().find(|report| report.name == name).expect("a source")
    }

    pub fn doubt(&self, name: &str) -> Option<Doubt> {
        self.report(name).doubt
    }

    /// Doubts about this float, in order.
    pub fn doubts_of(&self, name: &str) -> Vec<(f64, Doubt)> {
        let of = self.doubts.iter().filter(|(who, ..)| *who == name);
        of.map(|(_, time, doubt)| (*time, *doubt)).collect()
    }

    /// How far the believed gravity is from the truth, in standard deviations.
    pub fn error(&self) -> f64 {
        error(&self.belief, self.now)
    }

    /// Why nothing is known of the beer; `None` where something is.
    pub fn missing(&self) -> Option<Missing> {
        self.belief.attenuation(Share::from_fraction(0.5).expect("a share")).missing
    }

    /// How many tenths of attenuation were shown over an hour before they were reached.
    pub fn early(&self) -> usize {
        let tenths =
            self.shown.iter().enumerate().filter_map(|(tenth, time)| Some((tenth, (*time)?)));
        tenths.filter(|(tenth, time)| attenuated(time + 1.0) < 0.1 * *tenth as f64 - 1e-9).count()
    }

    /// Points that were left when the final gravity was called stable.
    pub fn left_when_stable(&self) -> Option<f64> {
        self.stable.map(|time| beer(time) - FINAL)
    }
}

/// How far the believed gravity is from the truth at a time, in standard deviations.
pub fn error(belief: &Belief, hours: f64) -> f64 {
    let sg = belief.estimate().expect("an estimate").sg;
    ((sg.value - 1.0) * 1e3 - beer(hours)) / (sg.sd * 1e3)
}
