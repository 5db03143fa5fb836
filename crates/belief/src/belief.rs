//! One batch's belief: the room's one door, and how readings go through it.

use crate::reading::PLAUSIBLE;
use crate::source::Source;
use crate::tail::TailBank;
use crate::thermal::Thermal;
use crate::trend::{Heard, TrendBank};
use crate::watch::{Declared, Fall, Phase, Stated};
use crate::{
    Doubt, Expectation, GravityReading, Kind, Measured, Original, Refusal, SourceReport, Taken,
};
use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What is known of the original gravity where nothing is expected: mean and sd, in points.
const ANY_ORIGINAL: (f64, f64) = (50.0, 30.0);
/// Hand readings do not enter the tail while a float spoke within this, in h: the float's own
/// course says more of it.
const FLOAT_SPEAKS: f64 = 24.0;

/// What is believed of one batch in one vessel.
///
/// `take*` put readings in, [`Belief::advance`] lets time pass; all else only asks, and may be
/// asked as often as one likes. A copy that was stored and read back goes on exactly alike.
///
/// Invariant: the trend bank and the tail bank stand at the time of the last believed reading,
/// never after `now`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    pub(crate) pitched_at: Stamp,
    pub(crate) now: Stamp,
    pub(crate) expectation: Expectation,
    pub(crate) trend: TrendBank,
    pub(crate) tail: Option<TailBank>,
    pub(crate) fall: Fall,
    pub(crate) declared: Declared,
    pub(crate) stated: Stated,
    pub(crate) thermal: Thermal,
    pub(crate) sources: BTreeMap<String, Source>,
    /// The source of the last believed reading, and when that was, in h.
    pub(crate) last: Option<(String, f64)>,
    /// When a float last spoke, in h.
    float_at: Option<f64>,
    /// The beer's temperature when it last counted as moved.
    celsius: Option<f64>,
    /// The float that was here first: the others are told beside it.
    anchor: Option<String>,
    /// The fall has ended too far above what was expected.
    pub(crate) stalled: bool,
}

impl Belief {
    /// A batch that was pitched at this instant.
    pub fn new(pitched_at: Stamp, expectation: Expectation) -> Self {
        Belief {
            pitched_at,
            now: pitched_at,
            expectation,
            trend: TrendBank::new(original(&expectation.original)),
            tail: None,
            fall: Fall::default(),
            declared: Declared::default(),
            stated: Stated::default(),
            thermal: Thermal::default(),
            sources: BTreeMap::new(),
            last: None,
            float_at: None,
            celsius: None,
            anchor: None,
            stalled: false,
        }
    }

    /// Takes a float's or a hand reading.
    ///
    /// One that comes soon after another of the same float waits, and is joined with those after
    /// it.
    pub fn take(&mut self, reading: &GravityReading) -> Taken {
        self.advance(reading.at);
        if let Some(refusal) = self.refusal(reading) {
            return Taken::Refused(refusal);
        }
        let (time, points) = (self.hours(reading.at), points(reading.sg));
        if let Some(celsius) = reading.temperature.map(Temperature::celsius) {
            self.temperature_of_source(time, celsius);
        }
        let source = self
            .sources
            .entry(reading.source.clone())
            .or_insert_with(|| Source::new(reading.kind, reading.at));
        match source.take(reading, time, points) {
            None => Taken::Believed,
            Some(points) => self.hear(reading, time, points),
        }
    }

    /// Takes a temperature of the beer; may come every few seconds.
    pub fn take_temperature(&mut self, at: Stamp, beer: Temperature) {
        self.advance(at);
        let time = self.hours(at);
        if time >= 0.0 && at >= self.now {
            self.thermal.take(time, beer.celsius());
        }
    }

    /// Lets time pass; an instant before the last one changes nothing.
    pub fn advance(&mut self, now: Stamp) {
        if now > self.now {
            self.now = now;
            self.thermal.advance(self.hours(now));
        }
    }

    /// Another expectation, in mid-batch.
    pub fn expect(&mut self, expectation: Expectation) {
        let (before, after) = (self.expectation.original, expectation.original);
        if before != after {
            if let Original::Expected { sg, sd_points } = before {
                self.trend.learn_original(points(sg), -sd_points * sd_points * 1.0001);
            }
            let (mean, sd) = original(&after);
            self.trend.learn_original(mean, sd * sd);
        }
        self.expectation = expectation;
        if self.tail.is_some() {
            let expected = self.expected_end();
            if let Some(tail) = &mut self.tail {
                tail.expect(expected);
            }
        }
        self.declared.clear();
        self.stalled = false;
    }

    /// What is known of each source, by name.
    pub fn sources(&self) -> Vec<SourceReport> {
        let frame = self.trend_now(|_| (crate::trend::OFFSET, 0.0));
        let report = |(name, source): (&String, &Source)| SourceReport {
            name: name.clone(),
            kind: source.kind,
            offset: match source.kind {
                Kind::Hand { sd_points } => Some(Measured { value: 0.0, sd: sd_points }),
                Kind::Float => frame.and_then(|(value, sd)| {
                    let beside = match source.beside {
                        Some(beside) => beside.offset()?,
                        None => 0.0,
                    };
                    Some(Measured { value: value + beside, sd })
                }),
            },
            last: source.last,
            last_sg: source.last_sg,
            interval: source.interval(),
            doubt: source.doubt,
        };
        self.sources.iter().map(report).collect()
    }

    /// Hours from pitching to an instant.
    pub(crate) fn hours(&self, at: Stamp) -> f64 {
        at.millis_after(self.pitched_at) as f64 / 3_600_000.0
    }

    /// The instant so many hours after pitching.
    pub(crate) fn stamp(&self, hours: f64) -> Stamp {
        self.pitched_at + Span::from_hours_f64(hours)
    }

    /// The final gravity to expect, in the frame of what the float reads: mean and sd, in points.
    pub(crate) fn expected_end(&self) -> (f64, f64) {
        const NOTHING_EXPECTED: f64 = 30.0;
        let (offset, offset_sd) =
            self.trend_now(|_| (crate::trend::OFFSET, 0.0)).unwrap_or((0.0, 0.0));
        match self.expectation.final_sg {
            Some(expected) => {
                (points(expected.sg) + offset, expected.sd_points.max(0.5).hypot(offset_sd))
            }
            None => {
                let (frame, _) =
                    self.trend_now(|_| (crate::trend::FRAME, 0.0)).unwrap_or((20.0, 0.0));
                (frame - 8.0, NOTHING_EXPECTED)
            }
        }
    }

    fn refusal(&self, reading: &GravityReading) -> Option<Refusal> {
        let (low, high) = PLAUSIBLE;
        if !(low..=high).contains(&reading.sg) {
            return Some(Refusal::Implausible { sg: reading.sg, low, high });
        }
        if reading.at < self.pitched_at {
            return Some(Refusal::BeforePitch { pitched_at: self.pitched_at });
        }
        let last = self.sources.get(&reading.source).map(|source| source.last);
        last.filter(|last| reading.at <= *last).map(|last| Refusal::NotNewer { last })
    }

    /// A float's own temperature counts only while no probe speaks.
    fn temperature_of_source(&mut self, time: f64, celsius: f64) {
        const PROBE_SPEAKS: f64 = 1.0;
        if self.thermal.last_at().is_none_or(|last| time - last > PROBE_SPEAKS || last > time) {
            self.thermal.take(time, celsius);
        }
    }

    /// A reading goes into the banks, unless its source is doubted or not yet known.
    fn hear(&mut self, reading: &GravityReading, time: f64, points: f64) -> Taken {
        let time = time.max(self.trend.at());
        let kelvin = self.kelvin_moved();
        self.trend.advance(time, kelvin);
        let heard = match reading.kind {
            Kind::Float => match self.beside_others(reading, time, points) {
                Some(points) => self.hear_float(reading, time, kelvin, points),
                None => return Taken::Believed,
            },
            Kind::Hand { sd_points } => {
                let heard = self.trend.hand(points, sd_points.max(0.1));
                self.compare_floats(points, sd_points);
                self.hear_tail(reading.kind, time, kelvin, points);
                heard
            }
        };
        self.last = Some((reading.source.clone(), time));
        self.watch_fall(time);
        taken(&heard)
    }

    fn hear_float(
        &mut self,
        reading: &GravityReading,
        time: f64,
        kelvin: f64,
        points: f64,
    ) -> Heard {
        let heard = self.trend.float(points);
        self.hear_tail(reading.kind, time, kelvin, points);
        self.float_at = Some(time);
        let residual = points - heard.foretold.0;
        let learned = self.trend.has_learned();
        let source = self.sources.get_mut(&reading.source);
        let step = source
            .filter(|_| learned)
            .and_then(|source| source.watch_step(reading.at, time, residual, heard.ordinary));
        if let Some(step) = step {
            self.trend.loosen_offset(step);
            if let Some(tail) = &mut self.tail {
                tail.loosen(step);
            }
        }
        heard
    }

    /// What a float's reading would be on the float that was here first; `None` while it is not to
    /// be heard.
    fn beside_others(&mut self, reading: &GravityReading, time: f64, points: f64) -> Option<f64> {
        let anchor = self.anchor.get_or_insert_with(|| reading.source.clone()).clone();
        let rate = -self.trend.moments(time, |_| (crate::trend::SLOPE, 0.0))?.0;
        let (frame, _) = self.trend.moments(time, |_| (crate::trend::FRAME, 0.0))?;
        let floats = self.sources.values().filter(|source| source.kind == Kind::Float).count();
        // Equal readings where the beer may end are its end: a float of coarse steps shows just
        // that.
        let (end, end_sd) = self.expected_end();
        let may_end = self.expectation.final_sg.is_some()
            && points <= end + crate::stable::STALLED_ABOVE.max(end_sd);
        let source = self.sources.get_mut(&reading.source)?;
        source.watch_run(reading.at, time, points, if may_end { 0.0 } else { rate });
        if anchor == reading.source {
            return source.is_heard().then_some(points);
        }
        let beside = source.beside.get_or_insert_default();
        let doubt = beside.take(time, points - frame);
        let offset = beside.offset();
        if let Some(doubt) = doubt {
            source.doubt = Some(doubt);
            // Of two that disagree nobody knows which one is right.
            if let (2, Some(anchor)) = (floats, self.sources.get_mut(&anchor)) {
                anchor.doubt = Some(opposite(doubt));
            }
            return None;
        }
        offset.filter(|_| source.is_heard()).map(|offset| points - offset)
    }

    /// A hand sample trusts floats again that agree with it.
    fn compare_floats(&mut self, sample: f64, sample_sd: f64) {
        const LEAST: f64 = 2.0;
        let Some((offset, sd)) =
            self.trend.moments(self.trend.at(), |_| (crate::trend::OFFSET, 0.0))
        else {
            return;
        };
        for source in self.sources.values_mut().filter(|source| source.kind == Kind::Float) {
            let beside = source.beside.and_then(|beside| beside.offset()).unwrap_or(0.0);
            let apart = points(source.last_sg) - offset - beside - sample;
            source.compare(apart, LEAST.max(3.0 * sd.hypot(sample_sd)));
        }
    }

    fn hear_tail(&mut self, kind: Kind, time: f64, kelvin: f64, points: f64) {
        let Some(tail) = &mut self.tail else { return };
        match kind {
            Kind::Float => tail.observe(time, kelvin, points, None),
            Kind::Hand { sd_points } => {
                let own = sd_points.max(0.1).powi(2);
                match self.float_at {
                    None => tail.observe(time, kelvin, points, Some(own)),
                    Some(float_at) if time - float_at > FLOAT_SPEAKS => {
                        let (offset, sd) = self
                            .trend
                            .moments(time, |_| (crate::trend::OFFSET, 0.0))
                            .unwrap_or((0.0, 0.0));
                        tail.observe(time, kelvin, points + offset, Some(own + sd * sd));
                    }
                    Some(_) => return,
                }
            }
        }
        self.declared.note(time, tail);
        self.watch_stall();
        self.restart_tail(time);
    }

    /// A fall that has ended too far above what was expected has stalled, until it is credibly
    /// lower: a float's day and night must not make an end of it.
    fn watch_stall(&mut self) {
        const ENDED: f64 = 0.9;
        let Some(tail) = self.ended() else { return };
        let Some(above) = self.above_expected() else { return };
        let upper = above.value + crate::stable::STALLED_SDS * above.sd;
        if self.stalled {
            self.stalled = upper > crate::stable::NO_LONGER_STALLED;
        } else if upper > crate::stable::STALLED_ABOVE {
            self.stalled = tail.left().below(1.0).is_some_and(|below| below >= ENDED);
        }
    }

    /// Looks for the beginning of the fall and of its tail.
    fn watch_fall(&mut self, time: f64) {
        if self.fall.ended {
            return;
        }
        match self.fall.watch(time, &self.trend, &self.expectation) {
            Phase::Falling => self.tail = None,
            Phase::Tail => self.start_tail(time),
        }
    }

    fn start_tail(&mut self, time: f64) {
        self.tail = Some(TailBank::new(time, self.expected_end(), &self.possible_noises()));
        self.declared.clear();
        self.stated.clear();
    }

    /// The tail, once it is one.
    pub(crate) fn ended(&self) -> Option<&TailBank> {
        self.tail.as_ref().filter(|_| self.fall.ended)
    }

    /// The tail begins anew where the beer went below what the tail had called its end.
    fn restart_tail(&mut self, time: f64) {
        let Some(tail) = self.tail.as_ref().filter(|_| self.fall.ended) else { return };
        if self.stated.broken(time, tail, &self.trend) {
            self.start_tail(time);
        }
    }

    /// Kinds of noise for a new tail: what the main fall has taught, less firmly, since there a
    /// wandering slope can pass for noise.
    fn possible_noises(&self) -> Vec<(usize, f64)> {
        const FIRMNESS: f64 = 0.25;
        const REACH: f64 = 8.0;
        const MOST: usize = 8;
        let noises = self.trend.noises();
        let best = noises.first().map_or(0.0, |(_, weight)| *weight);
        noises
            .into_iter()
            .take(MOST)
            .filter(|(_, weight)| *weight > best - REACH)
            .map(|(kind, weight)| (kind, FIRMNESS * (weight - best)))
            .collect()
    }

    /// How far the beer's temperature has moved since it last counted as moved: small changes are
    /// noise, not a reason to doubt what the float reads.
    fn kelvin_moved(&mut self) -> f64 {
        const COUNTS: f64 = 0.3;
        let Some(now) = self.thermal.now() else { return 0.0 };
        let kelvin = now - *self.celsius.get_or_insert(now);
        if kelvin.abs() < COUNTS {
            return 0.0;
        }
        self.celsius = Some(now);
        kelvin
    }
}

/// Points above 1.000.
pub(crate) fn points(sg: f64) -> f64 {
    (sg - 1.0) * 1e3
}

/// The original gravity's mean and standard deviation, in points.
fn original(original: &Original) -> (f64, f64) {
    match *original {
        Original::Sampled { sg, sd_points } | Original::Expected { sg, sd_points } => {
            (points(sg), sd_points.max(0.05))
        }
        Original::Measured => ANY_ORIGINAL,
    }
}

/// The same doubt, seen from the other source.
fn opposite(doubt: Doubt) -> Doubt {
    match doubt {
        Doubt::Disagrees { points } => Doubt::Disagrees { points: -points },
        Doubt::Drifts { points_per_day } => Doubt::Drifts { points_per_day: -points_per_day },
        other @ (Doubt::Stuck { .. } | Doubt::Stepped { .. }) => other,
    }
}

fn taken(heard: &Heard) -> Taken {
    const OUTLYING: f64 = 0.1;
    if heard.ordinary >= OUTLYING {
        return Taken::Believed;
    }
    let (mean, sd) = heard.foretold;
    Taken::Outlying {
        foretold: Measured { value: 1.0 + mean * 1e-3, sd: sd * 1e-3 },
        ordinary: heard.ordinary,
    }
}
