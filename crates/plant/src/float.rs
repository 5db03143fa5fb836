//! A float that measures gravity as real ones do: noisy, drifting, sticking, silent at times.
//!
//! Its noise is white noise and noise that lasts for hours (an AR(1) process), a daily wave, and
//! outliers that are mostly too high (foam, bubbles). Sizes are common experience, no source.

use crate::chance::Chance;
use brewing::floating;
use quantity::{Expansion, Span, Temperature};

/// How noisy a float is, in points of 0.001 SG.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Standard deviation of what differs from reading to reading.
    pub white_points: f64,
    /// Standard deviation of what lasts.
    pub wander_points: f64,
    /// How long it lasts: after this it is down to 1/e.
    pub wander_lasts: Span,
    /// Half the height of a wave of one day.
    pub daily_points: f64,
    /// Share of readings that are outliers, 0 to 1.
    pub outlier_share: f64,
    /// Mean of what an outlier adds.
    pub outlier_mean_points: f64,
    /// Standard deviation of what an outlier adds.
    pub outlier_sd_points: f64,
    /// What readings are rounded to; 0 for not at all.
    pub rounding_points: f64,
}

/// What a float is and what befalls it. Times count from its first day in the cellar.
#[derive(Debug, Clone, PartialEq)]
pub struct FloatSetup {
    /// How often it reads.
    pub every: Span,
    /// How noisy it is.
    pub noise: Noise,
    /// Volume expansion of its body, where it feels the temperature of the beer; left out: it reads
    /// the gravity at 20 °C whatever the temperature.
    pub expansion: Option<Expansion>,
    /// By how much it reads too high from the start, points.
    pub offset_points: f64,
    /// How fast that grows, points a day.
    pub drift_points_per_day: f64,
    /// Share of readings that never arrive, 0 to 1.
    pub lost_share: f64,
    /// Times in which it repeats its last reading (yeast holds it, or it lies at the wall).
    pub sticks: Vec<Episode>,
    /// Times in which nothing arrives.
    pub silences: Vec<Episode>,
    /// Jumps that stay.
    pub steps: Vec<Step>,
    /// Charge at the start, %.
    pub battery_percent: f64,
    /// Charge that a day takes, %.
    pub battery_percent_per_day: f64,
}

/// A part of time, its end left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Episode {
    /// When it begins.
    pub from: Span,
    /// When it is over.
    pub until: Span,
}

/// A jump of the reading that stays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// When it happens.
    pub at: Span,
    /// By how much, points.
    pub points: f64,
}

/// What a float sends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloatReading {
    /// Specific gravity, as it believes.
    pub sg: f64,
    /// Its own temperature.
    pub temperature: Temperature,
    /// Charge left, %.
    pub battery_percent: f64,
}

/// A float in a beer.
#[derive(Debug, Clone)]
pub struct Float {
    setup: FloatSetup,
    chance: Chance,
    /// Where in its day the daily wave begins, in turns.
    daily_phase: f64,
    wander_points: f64,
    read_last: Option<Span>,
    sg_last: Option<f64>,
}

impl Noise {
    /// Noise of this standard deviation (0.5, 1 and 2 points are a good, a usual, a poor float):
    /// AR(1) and white, a daily wave of 0.3 points, outliers of 3 ± 6 points, rounded to 0.1
    /// points.
    ///
    /// That half of the variance lasts, for 5 h, and that 2 % are outliers, are choices, no source.
    pub fn of_points(points: f64) -> Self {
        let half = points * std::f64::consts::FRAC_1_SQRT_2;
        Noise {
            white_points: half,
            wander_points: half,
            wander_lasts: Span::from_hours(5),
            daily_points: 0.3,
            outlier_share: 0.02,
            outlier_mean_points: 3.0,
            outlier_sd_points: 6.0,
            rounding_points: 0.1,
        }
    }

    /// None at all.
    pub fn none() -> Self {
        Noise {
            white_points: 0.0,
            wander_points: 0.0,
            wander_lasts: Span::from_hours(1),
            daily_points: 0.0,
            outlier_share: 0.0,
            outlier_mean_points: 0.0,
            outlier_sd_points: 0.0,
            rounding_points: 0.0,
        }
    }
}

impl FloatSetup {
    /// A float in good order: nothing befalls it but its noise, and 40 days empty its battery by
    /// half.
    pub fn plain(every: Span, noise: Noise) -> Self {
        FloatSetup {
            every,
            noise,
            expansion: None,
            offset_points: 0.0,
            drift_points_per_day: 0.0,
            lost_share: 0.0,
            sticks: Vec::new(),
            silences: Vec::new(),
            steps: Vec::new(),
            battery_percent: 100.0,
            battery_percent_per_day: 1.25,
        }
    }
}

impl Episode {
    /// Whether this time lies in it.
    pub fn holds(&self, now: Span) -> bool {
        self.from <= now && now < self.until
    }
}

impl Float {
    /// A float with its own stream of chance.
    pub fn new(setup: FloatSetup, mut chance: Chance) -> Self {
        let daily_phase = chance.share();
        let wander_points = setup.noise.wander_points * chance.normal();
        Float { setup, chance, daily_phase, wander_points, read_last: None, sg_last: None }
    }

    /// How often it reads.
    pub fn every(&self) -> Span {
        self.setup.every
    }

    /// Reads the beer: call it at growing times. `None` where nothing arrives.
    pub fn read(&mut self, now: Span, true_sg: f64, beer: Temperature) -> Option<FloatReading> {
        let felt = self.setup.expansion.and_then(|expansion| {
            floating::reading(true_sg, beer.celsius(), expansion.per_kelvin())
        });
        let noisy_sg = felt.unwrap_or(true_sg) + self.error_points(now) * 1e-3;
        let stuck = self.setup.sticks.iter().any(|stick| stick.holds(now));
        let sg = self.sg_last.filter(|_| stuck).unwrap_or(noisy_sg);
        self.sg_last = Some(sg);
        let temperature =
            Temperature::clamped(round_to(beer.celsius() + 0.1 * self.chance.normal(), 0.1));
        let used = self.setup.battery_percent_per_day * now.days();
        let battery_percent = round_to(self.setup.battery_percent - used, 0.1);
        let lost = self.chance.happens(self.setup.lost_share);
        let silent = self.setup.silences.iter().any(|silence| silence.holds(now));
        let arrives = !lost && !silent && battery_percent > 0.0;
        arrives.then_some(FloatReading {
            sg: round_to(sg, self.setup.noise.rounding_points * 1e-3),
            temperature,
            battery_percent,
        })
    }

    fn error_points(&mut self, now: Span) -> f64 {
        let noise = self.setup.noise;
        let apart = self.read_last.map_or(Span::ZERO, |last| now.less(last));
        self.read_last = Some(now);
        let kept = (-apart.hours() / noise.wander_lasts.hours()).exp();
        let fresh = noise.wander_points * (1.0 - kept * kept).sqrt();
        self.wander_points = kept * self.wander_points + fresh * self.chance.normal();
        let turns = now.days() + self.daily_phase;
        // Drawn whether used or not, so that a share of outliers leaves the rest of the noise
        // alone.
        let (is_outlier, size) = (self.chance.happens(noise.outlier_share), self.chance.normal());
        let outlier = noise.outlier_mean_points + noise.outlier_sd_points * size;
        let stepped: f64 =
            self.setup.steps.iter().filter(|step| step.at <= now).map(|step| step.points).sum();
        noise.white_points * self.chance.normal()
            + self.wander_points
            + noise.daily_points * (std::f64::consts::TAU * turns).sin()
            + if is_outlier { outlier } else { 0.0 }
            + self.setup.offset_points
            + self.setup.drift_points_per_day * now.days()
            + stepped
    }
}

/// To the nearest multiple; a unit of 0 rounds nothing.
pub(crate) fn round_to(value: f64, unit: f64) -> f64 {
    if unit > 0.0 { (value / unit).round() * unit } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn float(setup: FloatSetup) -> Float {
        Float::new(setup, Chance::new(7, 1))
    }

    fn beer() -> Temperature {
        Temperature::from_celsius(18.0).unwrap()
    }

    fn read_all(float: &mut Float, hours: i64) -> Vec<Option<f64>> {
        let step = float.every();
        (1..=hours * 3_600_000 / step.millis())
            .map(|k| float.read(step * k, 1.020, beer()).map(|reading| reading.sg))
            .collect()
    }

    #[test]
    fn without_noise_it_reads_the_truth() {
        let mut float = float(FloatSetup::plain(Span::from_mins(15), Noise::none()));
        assert!(read_all(&mut float, 48).iter().all(|sg| *sg == Some(1.020)));
    }

    /// The level is the standard deviation of what is left without outliers and daily wave.
    #[test]
    fn its_noise_is_as_large_and_as_lasting_as_asked() {
        let noise = Noise { outlier_share: 0.0, daily_points: 0.0, ..Noise::of_points(2.0) };
        let mut float = float(FloatSetup::plain(Span::from_mins(15), noise));
        let points: Vec<f64> =
            (1..=60_000).map(|k| float.error_points(Span::from_mins(15) * k)).collect();
        let mean = points.iter().sum::<f64>() / points.len() as f64;
        let covariance = |lag: usize| {
            let pairs = points.iter().zip(&points[lag..]);
            pairs.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / (points.len() - lag) as f64
        };
        assert!(mean.abs() < 0.1, "{mean}");
        assert!((covariance(0).sqrt() - 2.0).abs() < 0.06, "{}", covariance(0).sqrt());
        // Half of the variance lasts, down to 1/e after 5 h (20 readings).
        let expected = 2.0 * (-1.0f64).exp();
        assert!((covariance(20) - expected).abs() < 0.15, "{} {expected}", covariance(20));
    }

    #[test]
    fn readings_are_rounded() {
        let mut float = float(FloatSetup::plain(Span::from_mins(15), Noise::of_points(1.0)));
        for sg in read_all(&mut float, 100).into_iter().flatten() {
            let tenths = sg * 1e4;
            assert!((tenths - tenths.round()).abs() < 1e-6, "{sg}");
        }
    }

    #[test]
    fn it_sticks_steps_and_falls_silent_when_told() {
        let hours = |from: i64, until: i64| Episode {
            from: Span::from_hours(from),
            until: Span::from_hours(until),
        };
        let mut setup = FloatSetup::plain(Span::from_hours(1), Noise::of_points(1.0));
        setup.noise.rounding_points = 0.0;
        setup.sticks = vec![hours(10, 20)];
        setup.silences = vec![hours(30, 35)];
        setup.steps = vec![Step { at: Span::from_hours(40), points: 50.0 }];
        let all = read_all(&mut float(setup), 60);
        let at = |hour: usize| all[hour - 1];
        for hour in 10..20 {
            assert_eq!(at(hour), at(9), "{hour}");
        }
        assert_ne!(at(20), at(9));
        assert!((30..35).all(|hour| at(hour).is_none()));
        assert!(at(35).is_some());
        let jump = at(41).unwrap() - at(36).unwrap();
        assert!(jump > 0.03, "{jump}");
    }

    #[test]
    fn a_float_that_feels_temperature_is_put_right_by_the_correction() {
        let mut setup = FloatSetup::plain(Span::from_hours(1), Noise::none());
        let glass = Expansion::from_per_kelvin(25e-6).unwrap();
        setup.expansion = Some(glass);
        let cold = Temperature::from_celsius(10.0).unwrap();
        let shown = float(setup).read(Span::from_hours(1), 1.048_120_781, cold).unwrap().sg;
        // In glass 1.050 at 10 °C means this.
        assert!((shown - 1.050).abs() < 1e-8, "{shown}");
    }

    #[test]
    fn its_battery_falls_and_ends_it() {
        let mut setup = FloatSetup::plain(Span::from_hours(12), Noise::none());
        setup.battery_percent = 10.0;
        setup.battery_percent_per_day = 5.0;
        let mut float = float(setup);
        let first = float.read(Span::from_hours(12), 1.020, beer()).unwrap();
        assert!((first.battery_percent - 7.5).abs() < 1e-9);
        assert!(float.read(Span::from_hours(60), 1.020, beer()).is_none());
    }
}
