//! What a person adds, takes out and exchanges: beers that are fed, floats that are lifted out.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use belief::{
    Addition, Belief, Care, Doubt, Expectation, Expected, GravityReading, Kind, Measured, Original,
};
use plant::chance::Chance;
use plant::float::{Float, FloatSetup, Noise};
use quantity::{GravityDelta, Span, Stamp, Temperature};

const PITCHED: Stamp = Stamp::from_millis(1_772_000_000_000);
const CONFIDENCE: f64 = 0.95;
const ORIGINAL: f64 = 50.0;
const END: f64 = 10.0;
/// 500 g of sugar in 20 L: what they raise the beer, its original gravity and its end by.
const RISE: f64 = 9.3;
const RISE_ORIGINAL: f64 = 8.6;
const RISE_END: f64 = -1.0;

fn at(hours: f64) -> Stamp {
    PITCHED + Span::from_hours_f64(hours)
}

fn sg(points: f64) -> f64 {
    1.0 + points * 1e-3
}

/// A beer of 50 points that ferments to 10, and what is done to it.
struct Cellar {
    belief: Belief,
    now: f64,
    /// In truth, in points.
    gravity: f64,
    end: f64,
    /// Name, float, when it reads next and how often, in h.
    floats: Vec<(&'static str, Float, f64, f64)>,
    /// What each float reads beyond its own setup.
    shifts: Vec<f64>,
    /// How probable it is that the end is reached, in truth: when it was called, and what was left.
    stable: Option<(f64, f64)>,
    doubts: Vec<(f64, &'static str, Doubt)>,
}

impl Cellar {
    fn new(seed: u64, names: &[&'static str], minutes: i64, noise: f64) -> Self {
        let expectation = Expectation {
            original: Original::Sampled { sg: sg(ORIGINAL), sd_points: 1.0 },
            final_sg: Some(Expected { sg: sg(END), sd_points: 3.0 }),
        };
        let float = |(place, name): (usize, &&'static str)| {
            let setup = FloatSetup::plain(Span::from_mins(minutes), Noise::of_points(noise));
            let first = 0.1 * place as f64;
            (
                *name,
                Float::new(setup, Chance::new(seed, place as u64)),
                first,
                minutes as f64 / 60.0,
            )
        };
        Cellar {
            belief: Belief::new(PITCHED, expectation),
            now: 0.0,
            gravity: ORIGINAL,
            end: END,
            floats: names.iter().enumerate().map(float).collect(),
            shifts: vec![0.0; names.len()],
            stable: None,
            doubts: Vec::new(),
        }
    }

    fn left(&self) -> f64 {
        self.gravity - self.end
    }

    /// Sugar is taken up at 17 points a day while there is plenty, from 12 h on.
    fn ferment(&mut self, hours: f64) {
        let left = self.left();
        if self.now > 12.0 {
            self.gravity -= hours * 17.0 / 24.0 * 1.25 * left / (left + 8.0);
        }
    }

    /// Goes on to this hour; floats that are out of the beer are not read.
    fn run(&mut self, until: f64) {
        const STEP: f64 = 0.05;
        while self.now < until {
            self.now += STEP;
            self.ferment(STEP);
            for place in 0..self.floats.len() {
                let (name, float, next, every) = &mut self.floats[place];
                if self.now < *next {
                    continue;
                }
                *next += *every;
                let seen = sg(self.gravity + self.shifts[place]);
                let celsius = Temperature::from_celsius(18.0).unwrap();
                let read = float.read(Span::from_hours_f64(self.now), seen, celsius);
                let Some(read) = read else { continue };
                self.belief.take(&reading(self.now, name, Kind::Float, read.sg));
            }
            self.belief.advance(at(self.now));
            self.watch();
        }
    }

    fn watch(&mut self) {
        let (within, over) = (GravityDelta::Points(1.0), Span::from_hours(48));
        let judged = self.belief.stable(within, over, CONFIDENCE, Care::Safe);
        if judged.answer != Some(true) {
            self.stable = None;
        } else if self.stable.is_none() {
            self.stable = Some((self.now, self.left()));
        }
        for report in self.belief.sources() {
            let known = |(_, name, _): &(f64, &str, Doubt)| *name == report.name;
            let name = self.floats.iter().find(|(name, ..)| *name == report.name);
            if let (Some(doubt), Some((name, ..))) = (report.doubt, name)
                && !self.doubts.iter().any(known)
            {
                self.doubts.push((self.now, name, doubt));
            }
        }
    }

    /// 500 g of sugar; what is told of it is off by this share.
    fn feed(&mut self, off: f64) {
        self.pour();
        self.tell(off);
    }

    fn pour(&mut self) {
        self.gravity += RISE;
        self.end += RISE_END;
    }

    fn tell(&mut self, off: f64) {
        let share = 1.0 + off;
        self.belief.add(&Addition {
            at: at(self.now),
            rise: Measured { value: RISE * share, sd: 0.1 * RISE },
            original_points: RISE_ORIGINAL * share,
            final_sg: Some(Expected { sg: sg(self.end), sd_points: 3.0 }),
            disturbs: Span::from_hours(6),
        });
    }

    /// What is believed less what is true, in points.
    fn off(&self) -> f64 {
        (self.belief.estimate().unwrap().sg.value - sg(self.gravity)) * 1e3
    }

    fn until_attenuated(&mut self, share: f64) {
        while self.gravity > ORIGINAL * (1.0 - share) {
            self.run(self.now + 0.5);
        }
    }
}

fn reading(hours: f64, source: &str, kind: Kind, sg: f64) -> GravityReading {
    let temperature = Temperature::from_celsius(18.0);
    GravityReading { at: at(hours), source: source.to_owned(), kind, sg, temperature }
}

/// Of twenty batches with floats from good to usual, whose brewer weighs and measures with 5 %.
#[test]
fn a_beer_that_is_fed_is_known_a_day_later_and_its_end_is_called_in_time() {
    let (mut squares, mut unfed_squares, mut latest) = (0.0, 0.0, 0.0f64);
    for seed in 1..=20 {
        let (minutes, noise) = [(15, 0.5), (60, 1.0), (60, 0.7), (30, 0.5)][seed as usize % 4];
        let mut cellar = Cellar::new(seed, &["float"], minutes, noise);
        cellar.until_attenuated(0.6);
        let fed = cellar.now;
        cellar.feed(0.05 * Chance::new(seed, 9).normal());
        cellar.run(fed + 24.0);
        let wrong = cellar.off();
        squares += wrong * wrong / 20.0;
        let mut unfed = Cellar::new(seed, &["float"], minutes, noise);
        unfed.run(fed + 24.0);
        unfed_squares += unfed.off().powi(2) / 20.0;
        let original = cellar.belief.original().unwrap();
        assert!((original.value - sg(58.6)).abs() < 3.0 * original.sd, "{seed}: {original:?}");
        let fallen = cellar.belief.fallen(GravityDelta::Points(10.0)).value.unwrap();
        let truly = ORIGINAL + RISE - cellar.gravity;
        assert!((fallen.value - truly).abs() < 3.0 * fallen.sd, "{seed}: {fallen:?}, {truly}");
        while cellar.left() > 1.0 {
            cellar.run(cellar.now + 1.0);
            assert_eq!(cellar.stable, None, "{seed}: {} points are left", cellar.left());
        }
        let one_left = cellar.now;
        cellar.run(one_left + 110.0);
        let (called, _) = cellar.stable.unwrap_or_else(|| panic!("{seed}: never called"));
        latest = latest.max(called - one_left);
        assert!(cellar.doubts.is_empty(), "{seed}: {:?}", cellar.doubts);
    }
    let (rms, unfed) = (squares.sqrt(), unfed_squares.sqrt());
    println!(
        "a day after the sugar {rms:.2} points off (rms), unfed {unfed:.2}; the end was called at \
         most {latest:.0} h after the last point"
    );
    assert!(rms < 1.0 && rms < unfed + 0.3, "{rms:.2} points off, unfed {unfed:.2}");
    assert!(latest < 100.0, "{latest}");
}

#[test]
fn a_rise_that_nobody_told_is_doubted_and_told_late_is_the_beers() {
    for seed in 1..4 {
        let mut cellar = Cellar::new(seed, &["float"], 60, 0.6);
        cellar.until_attenuated(0.6);
        cellar.pour();
        cellar.run(cellar.now + 16.0);
        let [(_, "float", Doubt::Stepped { points, .. })] = cellar.doubts.as_slice() else {
            panic!("{seed}: {:?}", cellar.doubts)
        };
        assert!((points - RISE).abs() < 3.5, "{seed}: {points}");
        assert!(cellar.off() < -5.0, "{seed}: {}", cellar.off());
        cellar.tell(0.0);
        cellar.run(cellar.now + 24.0);
        assert!(cellar.off().abs() < 1.5, "{seed}: {}", cellar.off());
        assert!(cellar.belief.sources().iter().all(|source| source.doubt.is_none()), "{seed}");
    }
}

#[test]
fn two_floats_that_both_read_the_addition_are_not_doubted() {
    let mut cellar = Cellar::new(5, &["one", "two"], 30, 0.6);
    cellar.until_attenuated(0.5);
    let fed = cellar.now;
    cellar.feed(0.06);
    cellar.run(fed + 24.0);
    assert!(cellar.off().abs() < 1.0, "{}", cellar.off());
    cellar.feed(-0.06);
    cellar.run(fed + 48.0);
    assert!(cellar.off().abs() < 1.0, "{}", cellar.off());
    cellar.run(fed + 200.0);
    assert!(cellar.doubts.is_empty(), "{:?}", cellar.doubts);
    assert!(cellar.stable.is_some());
}

#[test]
fn hops_change_nothing_but_that_the_end_is_to_be_shown_anew() {
    let mut cellar = Cellar::new(6, &["float"], 30, 0.6);
    cellar.run(240.0);
    assert!(cellar.stable.is_some());
    let before = cellar.belief.estimate().unwrap().sg.value;
    cellar.belief.add(&Addition {
        at: at(cellar.now),
        rise: Measured { value: 0.0, sd: 0.0 },
        original_points: 0.0,
        final_sg: Some(Expected { sg: sg(END), sd_points: 3.0 }),
        disturbs: Span::from_hours(12),
    });
    // Foam and hops on the float.
    cellar.shifts[0] = 4.0;
    cellar.run(250.0);
    assert_eq!(cellar.stable, None);
    cellar.shifts[0] = 0.0;
    cellar.run(264.0);
    assert_eq!(cellar.stable, None, "a day after the hops");
    let after = cellar.belief.estimate().unwrap().sg.value;
    assert!((after - before).abs() < 1e-3, "{before} {after}");
    cellar.run(330.0);
    assert!(cellar.stable.is_some() && cellar.doubts.is_empty(), "{:?}", cellar.doubts);
}

#[test]
fn water_lowers_the_beer_and_its_original_gravity_and_is_no_fall() {
    let mut cellar = Cellar::new(7, &["float"], 60, 0.6);
    cellar.run(8.0);
    (cellar.gravity, cellar.end) = (cellar.gravity - 4.5, cellar.end - 0.9);
    cellar.belief.add(&Addition {
        at: at(cellar.now),
        rise: Measured { value: -4.5, sd: 0.45 },
        original_points: -4.5,
        final_sg: Some(Expected { sg: sg(cellar.end), sd_points: 3.0 }),
        disturbs: Span::from_hours(2),
    });
    cellar.run(12.0);
    assert!(!cellar.belief.has_begun());
    assert!(cellar.off().abs() < 1.2, "{}", cellar.off());
    cellar.run(60.0);
    let attenuated = cellar.belief.attenuation(quantity::Share::from_fraction(0.5).unwrap());
    let truly = 1.0 - cellar.gravity / 45.5;
    assert!((attenuated.value.unwrap().value - truly).abs() < 0.05, "{attenuated:?} {truly}");
    assert!(cellar.doubts.is_empty(), "{:?}", cellar.doubts);
}

#[test]
fn a_sample_told_late_belongs_to_the_readings_of_then() {
    for (seed, offset) in [(8, 4.0), (9, -3.0)] {
        let mut cellar = Cellar::new(seed, &["float"], 60, 0.5);
        cellar.shifts[0] = 0.0;
        cellar.run(30.0);
        // From here on the float reads wrongly, and a sample is drawn, and told half a day later.
        cellar.shifts[0] = offset;
        cellar.run(42.0);
        let (drawn, gravity) = (cellar.now, cellar.gravity);
        cellar.run(54.0);
        assert!(gravity - cellar.gravity > 6.0);
        let before = cellar.off();
        let kind = Kind::Hand { sd_points: 0.3 };
        cellar.belief.take(&reading(drawn, "hand", kind, sg(gravity)));
        assert!(cellar.off().abs() < 1.5, "{seed}: {before} before, {} after", cellar.off());
        // An older one is no less welcome, and does not bring back what was.
        cellar.belief.take(&reading(drawn - 1.0, "hand", kind, sg(gravity + 0.9)));
        assert!(cellar.off().abs() < 1.5, "{seed}: {}", cellar.off());
    }
}

#[test]
fn samples_alone_may_be_told_late_too() {
    let expectation = Expectation {
        original: Original::Sampled { sg: sg(50.0), sd_points: 1.0 },
        final_sg: Some(Expected { sg: sg(10.0), sd_points: 3.0 }),
    };
    let mut belief = Belief::new(PITCHED, expectation);
    let kind = Kind::Hand { sd_points: 1.0 };
    belief.take(&reading(24.0, "hand", kind, sg(42.0)));
    belief.take(&reading(48.0, "hand", kind, sg(30.0)));
    let before = belief.estimate().unwrap().sg;
    belief.take(&reading(36.0, "hand", kind, sg(36.0)));
    let after = belief.estimate().unwrap().sg;
    assert!((before.value - after.value).abs() < 1e-3, "{before:?} {after:?}");
    assert_eq!(belief.sources()[0].last, at(48.0));
}

#[test]
fn a_float_that_moved_while_it_was_out_is_no_fault_and_is_told_once() {
    for (seed, shift, told) in [(10, 7.0, true), (11, 0.0, false), (12, -6.0, true)] {
        let mut cellar = Cellar::new(seed, &["float"], 60, 0.5);
        cellar.until_attenuated(0.5);
        cellar.belief.set_aside("float");
        let floats = std::mem::take(&mut cellar.floats);
        cellar.run(cellar.now + 5.0);
        cellar.floats = floats;
        cellar.floats[0].2 = cellar.now;
        cellar.shifts[0] = shift;
        cellar.belief.bring_back("float");
        cellar.run(cellar.now + 14.0);
        let moved = cellar.belief.take_moved_outside();
        assert_eq!(!moved.is_empty(), told, "{seed}: {moved:?}");
        assert!(moved.iter().all(|(_, points)| (points - shift).abs() < 3.5), "{seed}: {moved:?}");
        assert!(cellar.belief.take_moved_outside().is_empty());
        assert!(cellar.doubts.is_empty(), "{seed}: {:?}", cellar.doubts);
        assert!(cellar.off().abs() < 3.0, "{seed}: {}", cellar.off());
    }
}

#[test]
fn another_float_has_a_zero_of_its_own_and_knows_the_beer() {
    for (seed, names) in [(13, &["float"] as &[&'static str]), (14, &["float", "second"])] {
        let mut cellar = Cellar::new(seed, names, 60, 0.5);
        cellar.until_attenuated(0.5);
        cellar.belief.exchange("float");
        cellar.shifts[0] = -9.0;
        cellar.run(cellar.now + 10.0);
        assert!(cellar.off().abs() < 3.0, "{seed}: {}", cellar.off());
        let kind = Kind::Hand { sd_points: 0.5 };
        cellar.belief.take(&reading(cellar.now, "hand", kind, sg(cellar.gravity)));
        cellar.run(cellar.now + 24.0);
        assert!(cellar.off().abs() < 1.5, "{seed}: {}", cellar.off());
        let report = cellar.belief.sources().into_iter().find(|s| s.name == "float").unwrap();
        assert!((report.offset.unwrap().value + 9.0).abs() < 2.0, "{seed}: {report:?}");
        cellar.run(cellar.now + 190.0);
        let (_, left) = cellar.stable.unwrap_or_else(|| panic!("{seed}: never called"));
        assert!(left < 1.0 && cellar.doubts.is_empty(), "{seed}: {left} {:?}", cellar.doubts);
    }
}
