//! What a person adds to the beer: gravity rises at once, the original gravity with it, and yeast
//! may begin anew.
//!
//! What is added is known by its mass balance, so it goes into the filters as a known jump, as
//! uncertain as scales and volume are. Without it a filter would take the rise for a float that
//! moved: no beer steps up by itself. For a while after it readings may be wild, since sugar sinks,
//! foam rises and hops lie on the float: they count for little then, and teach nothing of noise,
//! tail or zero.

use crate::Expected;
use crate::Measured;
use crate::bank::Jump;
use crate::belief::Belief;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// A rise of less than this brings no new fermentation that is worth waiting for, in points.
const FERMENTS: f64 = 0.5;
/// How wild readings are meanwhile, as a standard deviation in points, and as a share of the rise:
/// what is not mixed yet is not read. No source.
const WILD: f64 = 3.0;
const WILD_SHARE: f64 = 0.5;
/// The rise may come to be fermented at up to about this share of it an hour.
const NEW_SPEED: f64 = 1.0 / 36.0;
/// A step up of a float that was seen up to this long before, in h, may have been the addition.
const TOLD_LATE: f64 = 72.0;
/// It was, where its size is within this factor of what the balance says.
const ALIKE: f64 = 2.5;

/// Something that was added to the beer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Addition {
    /// When.
    pub at: Stamp,
    /// By how much gravity rose, in points; negative where it fell.
    pub rise: Measured,
    /// By how much the effective original gravity rose, in points.
    pub original_points: f64,
    /// Where the beer is expected to end now.
    pub final_sg: Option<Expected>,
    /// For how long readings may be wild.
    pub disturbs: Span,
}

/// What all additions raised, in points.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Raised {
    /// The gravity of the beer.
    gravity: f64,
    /// The effective original gravity.
    pub original: f64,
}

impl Raised {
    /// What the fall is larger by than the way from the effective original gravity.
    pub fn beyond(self) -> f64 {
        self.gravity - self.original
    }
}

/// A time in which readings are wild.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Wild {
    /// In h.
    until: f64,
    /// In points².
    variance: f64,
}

impl Belief {
    /// Something was added to the beer, or disturbs it.
    ///
    /// What is still to fall must be shown anew. A step up that a float took shortly before is
    /// taken to have been the addition, where the two are alike: it was told late.
    pub fn add(&mut self, addition: &Addition) {
        self.advance(addition.at);
        self.expectation.final_sg = addition.final_sg;
        let (rise, sd) = (addition.rise.value, addition.rise.sd);
        let joint = self.joint.as_ref().map_or(0.0, |joint| joint.at());
        let time = self.hours(addition.at).max(self.ear.trend.at()).max(joint);
        self.bring_to(time);
        if rise != 0.0 {
            self.jump(&Jump {
                rise,
                original: addition.original_points,
                spread: sd / rise.abs(),
                slope: NEW_SPEED * rise.max(0.0),
            });
            self.raised.gravity += rise;
            self.raised.original += addition.original_points;
            self.was_the_addition(time, rise);
        }
        for source in self.sources.values_mut() {
            source.forget_run();
        }
        let until = time + addition.disturbs.hours();
        let variance = (WILD + WILD_SHARE * rise.abs()).powi(2);
        self.wild = Some(match self.wild.filter(|wild| wild.until > time) {
            Some(Wild { until: before, variance: wilder }) => {
                Wild { until: until.max(before), variance: variance.max(wilder) }
            }
            None => Wild { until, variance },
        });
        self.end_anew(time, rise);
    }

    /// By how many points the fall is larger than the way from the effective original gravity to
    /// the present: additions raise the two by a little more or less.
    pub fn raised_beyond_original(&self) -> f64 {
        self.raised.beyond()
    }

    /// What a float's reading is uncertain by beyond its noise, in points²; 0 where nothing
    /// disturbs.
    pub(crate) fn wild_at(&self, time: f64) -> f64 {
        self.wild.filter(|wild| time < wild.until).map_or(0.0, |wild| wild.variance)
    }

    /// Brings all banks to a time without a reading.
    pub(crate) fn bring_to(&mut self, time: f64) {
        let celsius = self.thermal.now();
        self.advance_joint(time);
        for ear in std::iter::once(&mut self.ear).chain(self.others.values_mut()) {
            ear.advance(time, celsius);
        }
    }

    fn jump(&mut self, jump: &Jump) {
        if let Some(joint) = &mut self.joint {
            joint.jump(jump);
        }
        for ear in std::iter::once(&mut self.ear).chain(self.others.values_mut()) {
            ear.trend.jump(jump);
        }
    }

    /// A float that was taken to have moved up had read the addition, which was told only now.
    fn was_the_addition(&mut self, time: f64, rise: f64) {
        let told: Vec<(String, f64)> = self
            .sources
            .iter()
            .filter_map(|(name, source)| {
                let (at, points) = source.step()?;
                let ratio = points / rise;
                let alike = ratio > 1.0 / ALIKE && ratio < ALIKE;
                (time - at <= TOLD_LATE && rise > 0.0 && alike).then(|| (name.clone(), points))
            })
            .collect();
        for (name, points) in told {
            if let Some(joint) = &mut self.joint
                && let Some(float) = joint.index(&name)
            {
                joint.has_not_moved(float, points);
            }
            if let Some(ear) = self.ear_mut(&name) {
                ear.trend.has_not_moved(points);
            }
            if let Some(source) = self.sources.get_mut(&name) {
                source.has_not_stepped();
            }
        }
    }

    /// The end is to be shown anew: after a fall of its own, where there is something to ferment.
    fn end_anew(&mut self, time: f64, rise: f64) {
        self.stalled = false;
        if rise > FERMENTS {
            self.fall.renew(time);
            for ear in std::iter::once(&mut self.ear).chain(self.others.values_mut()) {
                ear.end_tail();
            }
        } else if self.fall.ended {
            self.start_tails(time);
        }
    }
}
