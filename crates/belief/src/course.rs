//! Ways in which the gravity may go on from now: what a forecast is made of.
//!
//! Before the tail has come, a way takes up its sugar as Michaelis and Menten (1913) have it: at
//! full speed while there is plenty, ever more slowly towards the end, once the yeast has rested
//! and come to speed. In the tail it goes on as one of the tail bank's filters. Warmth changes its
//! speed by a factor of 2.3 in 10 K (computed from the times to half fermentation at 10 and 16 °C
//! of the model of de Andrés-Toro et al., Math. Comput. Simul. 48 (1998) 65-74).

use crate::Missing;
use crate::belief::{Belief, points};
use crate::normal::{below, deviation};
use crate::trend::{GRAVITY, SLOPE};
use crate::watch::Fall;
use quantity::{Span, Temperature};
use statrs::distribution::{ContinuousCDF, Normal};
use std::sync::LazyLock;

/// ln 2.3 for 10 K.
const PER_KELVIN: f64 = 0.083;
/// What a way has of its own, besides the gravity: see [`Course::luck`].
const LUCK: usize = 4;
const DIMENSIONS: usize = 10;
/// Candidates for each way that is kept.
const CANDIDATES: u32 = 4;

/// The share of all sugar that yeast at full speed takes up in an hour at 18 °C, 17 points a day
/// of 39 (Model R of the plant, 12 °P), and its spread as a logarithm.
const SPEED: (f64, f64) = (0.0183, 0.45);
const SPEED_CELSIUS: f64 = 18.0;
/// The share of sugar left at which the speed is half of what it was with plenty, and its spread
/// as a logarithm.
const HALF: (f64, f64) = (0.6, 0.6);
/// Rest until the fall is seen, in h, and its spread as a logarithm: common practice, no source.
const REST: (f64, f64) = (14.0, 0.5);
/// The fall comes to speed with this time constant, in h.
const RISE: f64 = 8.0;
/// Apparent attenuation where nothing is expected, and its standard deviation.
const ATTENUATION: (f64, f64) = (0.76, 0.06);

/// One way in which the gravity may go on; all that [`Belief::courses`] gives are as likely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    gravity: f64,
    end: f64,
    pace: Pace,
    luck: [f64; LUCK],
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Pace {
    Fall {
        /// Original less final gravity.
        depth: f64,
        /// Share of the depth an hour at full speed, at the present temperature.
        speed: f64,
        half: f64,
        /// Hours of rest still to come, at the present temperature.
        rest: f64,
        /// Hours since the rest was over.
        awake: f64,
    },
    /// What two sugars have to give, and their time constants in h.
    Tail { first: (f64, f64), second: (f64, f64) },
}

impl Course {
    /// The beer's gravity, in points above 1.000.
    pub fn points(&self) -> f64 {
        self.gravity
    }

    /// The gravity at its end, in points above 1.000.
    pub fn end_points(&self) -> f64 {
        self.end
    }

    /// What is still to fall, in points.
    pub fn left(&self) -> f64 {
        (self.gravity - self.end).max(0.0)
    }

    /// How fast it falls, in points an hour, at this [`warmth`].
    pub fn rate(&self, warmth: f64) -> f64 {
        match self.pace {
            Pace::Fall { depth, speed, half, rest, awake } if rest <= 0.0 => {
                let share = self.left() / depth;
                warmth * speed * risen(awake) * depth * taken_up(share, half)
            }
            Pace::Fall { .. } => 0.0,
            Pace::Tail { first, second } => warmth * (first.0 / first.1 + second.0 / second.1),
        }
    }

    /// Whether it falls already.
    pub fn has_begun(&self) -> bool {
        !matches!(self.pace, Pace::Fall { rest, .. } if rest > 0.0)
    }

    /// Whether only its tail is left, which goes on alike in one step or in many.
    pub fn is_in_tail(&self) -> bool {
        matches!(self.pace, Pace::Tail { .. })
    }

    /// For how long less than `within` points have been left already, at most, in h; 0 while more
    /// is left.
    pub fn within_for(&self, within: f64) -> f64 {
        let Pace::Tail { first, second } = self.pace else { return 0.0 };
        let left = first.0 + second.0;
        if left >= within || left <= 0.0 {
            return 0.0;
        }
        let tau = (first.0 * first.1 + second.0 * second.1) / left;
        tau * (within / left).ln()
    }

    /// Four standard normal values of this way's own, for what else is uncertain along it.
    pub fn luck(&self) -> [f64; LUCK] {
        self.luck
    }

    /// Goes on for a while at this [`warmth`].
    pub fn advance(&mut self, hours: f64, warmth: f64) {
        let warm = hours * warmth;
        match &mut self.pace {
            Pace::Fall { depth, speed, half, rest, awake } => {
                let active = (warm - *rest).max(0.0);
                *rest = (*rest - warm).max(0.0);
                *awake += active;
                let share = ((self.gravity - self.end) / *depth).max(0.0);
                let per_hour = *speed * risen(*awake) * (1.0 + *half) / (*half + share);
                self.gravity = self.end + *depth * share * (-per_hour * active).exp();
            }
            Pace::Tail { first, second } => {
                first.0 *= (-warm / first.1).exp();
                second.0 *= (-warm / second.1).exp();
                self.gravity = self.end + first.0 + second.0;
            }
        }
    }
}

/// How much faster a beer ferments this many kelvin above the present temperature: 1 at 0 K.
pub fn warmth(kelvin: f64) -> f64 {
    (PER_KELVIN * kelvin).exp()
}

/// The speed of uptake beside the full one, with this share of the sugar left.
fn taken_up(share: f64, half: f64) -> f64 {
    share * (1.0 + half) / (half + share)
}

fn risen(awake: f64) -> f64 {
    1.0 - (-(awake + 1.0) / RISE).exp()
}

impl Belief {
    /// So many ways on, as likely as each other, with the beer at this temperature; empty while
    /// nothing can be said.
    ///
    /// Before the first reading they come from what is expected alone. The same belief gives the
    /// same ways.
    pub fn courses(&self, count: u32, beer: Temperature) -> Vec<Course> {
        match self.missing() {
            None | Some(Missing::NoReading) => {}
            Some(_) => return Vec::new(),
        }
        if let Some(courses) = self.tail_courses(count) {
            return courses;
        }
        let Some(fall) = self.seen_fall(beer) else { return Vec::new() };
        let candidates: Vec<(Course, f64)> =
            (0..count * CANDIDATES).map(|index| self.fall_course(&fall, &normals(index))).collect();
        resample(&candidates, count)
    }

    /// For how long the end of the fall has been watched; `None` before it has come.
    pub fn tail_for(&self) -> Option<Span> {
        let tail = self.ended()?;
        Some(Span::from_hours_f64(self.hours(self.now) - tail.began()))
    }

    /// The standard deviation of a reading, in points: of the float where there is one.
    pub fn noise_points(&self) -> f64 {
        const HAND: f64 = 1.0;
        let noise = self.ear.noise();
        let variance = noise.white + noise.lasting;
        if variance > 0.0 { variance.sqrt() } else { HAND }
    }

    fn tail_courses(&self, count: u32) -> Option<Vec<Course>> {
        let tail = self.ended()?;
        let (gravity, sd) = self.trend_now(GRAVITY)?;
        let course = |index: u32| {
            let z = normals(index);
            let [first, second] = tail.draw(below(z[0]), [below(z[1]), below(z[2])])?;
            let gravity = gravity + sd * z[3];
            let end = gravity - first.0 - second.0;
            Some(Course { gravity, end, pace: Pace::Tail { first, second }, luck: luck(&z) })
        };
        (0..count).map(course).collect()
    }

    /// What is seen of a fall, before the tail.
    fn seen_fall(&self, beer: Temperature) -> Option<SeenFall> {
        Some(SeenFall {
            beer,
            gravity: self.trend_now(GRAVITY)?,
            original: self.trend_now(crate::trend::ORIGINAL)?.0,
            slope: self.trend_now(SLOPE)?,
        })
    }

    /// A way before the tail, with its weight.
    fn fall_course(&self, seen: &SeenFall, z: &[f64; DIMENSIONS]) -> (Course, f64) {
        const LEAST_LEFT: f64 = 0.5;
        let SeenFall { beer, gravity: (gravity, sd), original, .. } = *seen;
        let gravity = gravity + sd * z[0];
        let end = match self.expectation.final_sg {
            Some(end) => points(end.sg) + end.sd_points * z[1],
            None => {
                let share = (ATTENUATION.0 + ATTENUATION.1 * z[1]).min(0.99);
                let extract = quantity::plato_from_sg(1.0 + original * 1e-3);
                points(quantity::sg_from_plato(extract * (1.0 - share)))
            }
        };
        let end = end.min(gravity - LEAST_LEFT);
        let depth = original.max(gravity) - end;
        let half = HALF.0 * (HALF.1 * z[2]).exp();
        let beginning = Beginning { left: (gravity - end) / depth, depth, half };
        let (speed, rest, awake) = match self.fall.begun {
            Some(begun) => {
                let awake = self.hours(self.now) - begun + 0.5 * RISE;
                (seen.speed(&beginning, awake, z[3]), 0.0, awake)
            }
            None => (expected_speed(beer, z[3]), self.rest(beer, z[4]), 0.0),
        };
        let weight = beginning.fits(&self.fall, speed);
        let pace = Pace::Fall { depth, speed, half, rest, awake };
        (Course { gravity, end, pace, luck: luck(z) }, weight)
    }

    /// How long the yeast will still rest, given that it has rested until now.
    fn rest(&self, beer: Temperature, z: f64) -> f64 {
        let median = REST.0 * (0.5 * PER_KELVIN * (SPEED_CELSIUS - beer.celsius())).exp();
        let rested = self.hours(self.now).max(0.0);
        later_than(rested, median, REST.1, z) - rested
    }
}

/// Full speed before anything is seen of it.
fn expected_speed(beer: Temperature, z: f64) -> f64 {
    SPEED.0 * (PER_KELVIN * (beer.celsius() - SPEED_CELSIUS) + SPEED.1 * z).exp()
}

/// What all ways before the tail begin with: means and standard deviations, in points and hours.
struct SeenFall {
    beer: Temperature,
    gravity: (f64, f64),
    original: f64,
    slope: (f64, f64),
}

impl SeenFall {
    /// Full speed, from the slope as it is seen and from what is expected.
    fn speed(&self, beginning: &Beginning, awake: f64, z: f64) -> f64 {
        let (slope, sd) = self.slope;
        let expected = expected_speed(self.beer, 0.0).ln();
        let unit = beginning.depth * taken_up(beginning.left, beginning.half) * risen(awake);
        let falls = -slope;
        if falls <= 0.2 * sd {
            return (expected + SPEED.1 * z).exp();
        }
        // On the logarithmic scale: what is seen, less surely the less it has come to speed.
        let spread = (sd / falls).hypot(1.0 - risen(awake)).max(0.05);
        let (seen, known) = ((falls / unit).ln(), spread.powi(-2));
        let before = SPEED.1.powi(-2);
        let mean = (seen * known + expected * before) / (known + before);
        (mean + z / (known + before).sqrt()).exp()
    }
}

/// Where a way stands.
struct Beginning {
    /// Share of the sugar.
    left: f64,
    depth: f64,
    half: f64,
}

impl Beginning {
    /// How well it agrees with the fastest fall that was seen, when most of the sugar was there.
    fn fits(&self, fall: &Fall, speed: f64) -> f64 {
        const SPREAD: f64 = 0.4;
        const MOST: f64 = 0.8;
        let fastest = fall.fastest();
        if fall.begun.is_none() || fastest <= 0.0 || self.left > MOST {
            return 1.0;
        }
        let foretold = speed * self.depth * taken_up(MOST, self.half);
        let apart = (fastest / foretold).ln() / SPREAD;
        (-0.5 * apart * apart).exp().max(1e-6)
    }
}

/// A span that is longer than `passed`, of a lognormal distribution with this median and spread
/// (of the logarithm); `z` is standard normal and chooses which.
pub fn later_than(passed: f64, median: f64, spread: f64, z: f64) -> f64 {
    if passed <= 0.0 {
        return median * (spread * z).exp();
    }
    let before = below((passed / median).ln() / spread);
    // Far out in the tail nothing more is known than that it goes on for about as long again.
    if before > 0.999 {
        return passed * (1.0 + 0.3 * z.exp());
    }
    let share = before + (1.0 - before) * below(z);
    (median * (spread * deviations(share)).exp()).max(passed)
}

/// The standard normal value below which this share lies.
pub fn deviations(share: f64) -> f64 {
    Normal::standard().inverse_cdf(share.clamp(1e-9, 1.0 - 1e-9))
}

/// The `index`-th of points that fill the space of independent normal values evenly: an additive
/// recurrence on the powers of the root of x¹¹ = x + 1 (from memory).
fn normals(index: u32) -> [f64; DIMENSIONS] {
    const ROOT: f64 = 1.068_297_188_920_841_2;
    /// The first of them are asked for again and again.
    static FIRST: LazyLock<Vec<[f64; DIMENSIONS]>> =
        LazyLock::new(|| (0..256).map(reckoned).collect());
    fn reckoned(index: u32) -> [f64; DIMENSIONS] {
        let mut step = 1.0;
        std::array::from_fn(|_| {
            step /= ROOT;
            deviations((0.5 + step * f64::from(index + 1)).fract())
        })
    }
    FIRST.get(index as usize).copied().unwrap_or_else(|| reckoned(index))
}

fn luck(z: &[f64; DIMENSIONS]) -> [f64; LUCK] {
    std::array::from_fn(|index| z[DIMENSIONS - LUCK + index])
}

/// As many as wanted of the candidates, each as often as its weight says.
fn resample(candidates: &[(Course, f64)], count: u32) -> Vec<Course> {
    let total: f64 = candidates.iter().map(|(_, weight)| weight).sum();
    let mut kept = Vec::new();
    let mut passed = 0.0;
    for (course, weight) in candidates {
        passed += weight;
        while kept.len() < count as usize
            && passed > total * (kept.len() as f64 + 0.5) / f64::from(count)
        {
            kept.push(*course);
        }
    }
    kept
}

/// A part of a mixture cut off below 0: its value at this share.
pub(crate) fn positive(mean: f64, variance: f64, share: f64) -> f64 {
    let sd = deviation(variance);
    let negative = below(-mean / sd);
    (mean + sd * deviations(negative + (1.0 - negative) * share)).max(0.0)
}
