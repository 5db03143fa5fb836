//! Simulated beers and floats: what is true, and what is read. Everything comes from one seed.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Gravities in points above 1.000.
pub const ORIGINAL: f64 = 50.0;
pub const FINAL: f64 = 10.0;
/// What is left when the tail begins, in points, as in the study.
pub const TAIL: f64 = 12.0;

/// How a beer ends, from `TAIL` points left on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ending {
    /// One sugar with this time constant in h.
    Plain(f64),
    /// 9 exp(−t/20) + 3 exp(−t/90): a slow second sugar.
    SlowSugar,
    /// Time constant 36 h; the beer warms by 4 K in 48 h and the float reads 0.2 points/K wrongly.
    Ramp,
    /// Time constant 36 h; the float drifts by this many points a day.
    Drift(f64),
    /// Time constant 36 h; the float shows whole points.
    Coarse,
    /// Time constant 24 h; the recipe's error is not bounded.
    Surprise,
    /// It stops for good this many points above its expected end.
    Stalls(f64),
}

/// What a float's noise is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wear {
    /// The study's: half white, half lasting 5 h, 2 % outliers, 0.3 points a day and night.
    Study,
    /// Slow wander with a spectrum of 1/f, which the filters do not know.
    Wander,
    /// The study's, but the float sticks for hours now and then, which they do not know either.
    Sticking,
}

/// A float.
#[derive(Debug, Clone, Copy)]
pub struct Float {
    pub noise: f64,
    pub wear: Wear,
    pub minutes: f64,
    /// Reading less truth, standard deviation over floats, in points.
    pub offset_sd: f64,
}

/// One reading.
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    pub hours: f64,
    /// In points.
    pub points: f64,
    pub celsius: f64,
}

/// A batch: its readings and its truth.
#[derive(Debug, Clone)]
pub struct Batch {
    pub readings: Vec<Reading>,
    /// What the float reads above the truth, in points.
    pub offset: f64,
    /// The final gravity that the recipe has, in points.
    pub expected: f64,
    pub ending: Ending,
    /// When the tail begins, in h.
    pub tail: f64,
}

/// How a beer falls from `ORIGINAL` to its tail: at most this many points a day.
const FALL: f64 = 17.0;
const LAG: f64 = 14.0;
const RISE: f64 = 12.0;

impl Ending {
    fn rate(self) -> f64 {
        match self {
            Ending::Plain(tau) => FALL.max(24.0 * TAIL / tau),
            _ => FALL,
        }
    }

    /// Points left, so many hours after the tail began.
    fn left_in_tail(self, hours: f64) -> f64 {
        match self {
            Ending::Plain(tau) => TAIL * (-hours / tau).exp(),
            Ending::Surprise => TAIL * (-hours / 24.0).exp(),
            Ending::SlowSugar => 9.0 * (-hours / 20.0).exp() + 3.0 * (-hours / 90.0).exp(),
            Ending::Ramp | Ending::Drift(_) | Ending::Coarse | Ending::Stalls(_) => {
                TAIL * (-hours / 36.0).exp()
            }
        }
    }

    /// When the tail begins, in h since pitching.
    pub fn tail(self) -> f64 {
        // While the fall speeds up, half of what it would be at full speed is done.
        LAG + 0.5 * RISE + (ORIGINAL - FINAL - TAIL) / (self.rate() / 24.0)
    }

    /// Points left at a time since pitching.
    pub fn left(self, hours: f64) -> f64 {
        let (rate, tail) = (self.rate() / 24.0, self.tail());
        if hours > tail {
            return self.left_in_tail(hours - tail);
        }
        let since = (hours - LAG).max(0.0);
        let fallen = if since < RISE {
            0.5 * rate * since * since / RISE
        } else {
            rate * (since - 0.5 * RISE)
        };
        ORIGINAL - FINAL - fallen
    }

    /// When less than one point is left, in h since pitching.
    pub fn one_left(self) -> f64 {
        let mut hours = self.tail();
        while self.left(hours) > 1.0 {
            hours += 0.05;
        }
        hours
    }
}

impl Batch {
    /// One that lasts for `hours` beyond the beginning of its tail.
    pub fn new(seed: u64, ending: Ending, float: &Float, hours: f64) -> Batch {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let error = 2.5 * normal(&mut chance);
        let expected = match ending {
            Ending::Stalls(above) => FINAL - above,
            // Further off, a stop is rightly asked about: `surprise` shows how often.
            Ending::Surprise => FINAL + error,
            _ => FINAL + error.clamp(-2.0, 2.0),
        };
        let tail = ending.tail();
        let truth = |hours: f64| FINAL + ending.left(hours);
        let offset = float.offset_sd * normal(&mut chance);
        let readings = read(&mut chance, offset, &truth, ending, float, tail..tail + hours);
        Batch { readings, offset, expected, ending, tail }
    }
}

/// A logistic fall of `ORIGINAL` − `FINAL` points with a greatest rate in points a day.
#[derive(Debug, Clone, Copy)]
pub struct Logistic {
    pub rate: f64,
    pub middle: f64,
}

impl Logistic {
    /// Steepest at five time constants, so that the beer has hardly begun when it is pitched.
    pub fn new(rate: f64) -> Self {
        let steepness = 4.0 * rate / 24.0 / (ORIGINAL - FINAL);
        Logistic { rate, middle: 5.0 / steepness }
    }

    pub fn points(&self, hours: f64) -> f64 {
        let depth = ORIGINAL - FINAL;
        let steepness = 4.0 * self.rate / 24.0 / depth;
        let share = |hours: f64| 1.0 / (1.0 + (steepness * (hours - self.middle)).exp());
        FINAL + depth * share(hours) / share(0.0)
    }

    pub fn readings(&self, seed: u64, float: &Float) -> Vec<Reading> {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let truth = |hours: f64| self.points(hours);
        let end = 2.0 * self.middle;
        let offset = float.offset_sd * normal(&mut chance);
        read(&mut chance, offset, &truth, Ending::Plain(24.0), float, end..end)
    }
}

fn read(
    chance: &mut ChaCha8Rng,
    offset: f64,
    truth: &dyn Fn(f64) -> f64,
    ending: Ending,
    float: &Float,
    tail: std::ops::Range<f64>,
) -> Vec<Reading> {
    let mut noise = NoiseSource::new(chance, float);
    let mut readings = Vec::new();
    let step = float.minutes / 60.0;
    let mut hours = step * chance.random::<f64>();
    while hours < tail.end {
        let since = (hours - tail.start).max(0.0);
        let celsius = match ending {
            Ending::Ramp => 18.0 + 4.0 * (since / 48.0).min(1.0),
            _ => 18.0,
        };
        let wrong = match ending {
            Ending::Ramp => 0.2 * (celsius - 18.0),
            Ending::Drift(a_day) => a_day * since / 24.0,
            _ => 0.0,
        };
        let clean = truth(hours) + offset + wrong;
        let digit = if ending == Ending::Coarse { 1.0 } else { 0.1 };
        let points = (noise.read(chance, hours, clean) / digit).round() * digit;
        readings.push(Reading { hours, points, celsius: celsius + 0.05 * normal(chance) });
        hours += step;
    }
    readings
}

/// The noise of one float over one batch.
struct NoiseSource {
    float: Float,
    lasting: Vec<(f64, f64, f64)>,
    phase: f64,
    last: f64,
    stuck: Option<(f64, f64)>,
}

impl NoiseSource {
    fn new(chance: &mut ChaCha8Rng, float: &Float) -> Self {
        // Time constant in h, standard deviation, value now.
        let parts: Vec<(f64, f64)> = match float.wear {
            Wear::Study | Wear::Sticking => vec![(5.0, float.noise * 0.5f64.sqrt())],
            // Octaves of equal power make 1/f from a quarter of an hour to five days.
            Wear::Wander => (0..10)
                .map(|octave| (0.25 * 2f64.powi(octave), float.noise * 0.07f64.sqrt()))
                .collect(),
        };
        let lasting =
            parts.into_iter().map(|(hours, sd)| (hours, sd, sd * normal(chance))).collect();
        let phase = std::f64::consts::TAU * chance.random::<f64>();
        NoiseSource { float: *float, lasting, phase, last: 0.0, stuck: None }
    }

    fn read(&mut self, chance: &mut ChaCha8Rng, hours: f64, clean: f64) -> f64 {
        let step = hours - self.last;
        self.last = hours;
        let mut points = clean;
        for (time, sd, value) in &mut self.lasting {
            let keep = (-step / *time).exp();
            *value = keep * *value + *sd * (1.0 - keep * keep).sqrt() * normal(chance);
            points += *value;
        }
        let white = match self.float.wear {
            Wear::Wander => 0.3f64.sqrt(),
            _ => 0.5f64.sqrt(),
        };
        points += self.float.noise * white * normal(chance);
        points += 0.3 * (std::f64::consts::TAU * hours / 24.0 + self.phase).sin();
        if chance.random::<f64>() < 0.02 {
            points += 3.0 + 6.0 * normal(chance);
        }
        self.sticking(chance, hours, step, points)
    }

    /// Twice a week on average it repeats itself for 2 to 8 h.
    fn sticking(&mut self, chance: &mut ChaCha8Rng, hours: f64, step: f64, points: f64) -> f64 {
        if self.float.wear != Wear::Sticking {
            return points;
        }
        if let Some((until, value)) = self.stuck {
            if hours < until {
                return value;
            }
            self.stuck = None;
        }
        if chance.random::<f64>() < step * 2.0 / 168.0 {
            self.stuck = Some((hours + 2.0 + 6.0 * chance.random::<f64>(), points));
        }
        points
    }
}

fn normal(chance: &mut ChaCha8Rng) -> f64 {
    Normal::new(0.0, 1.0).expect("a standard normal").sample(chance)
}
