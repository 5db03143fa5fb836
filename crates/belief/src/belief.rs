//! One batch's belief: the room's one door, and how readings go through it.

use crate::addition::{Raised, Wild};
use crate::bank::Heard;
use crate::beside::Beside;
use crate::ear::Ear;
use crate::joint::Joint;
use crate::past::is_past;
use crate::reading::PLAUSIBLE;
use crate::shared::Shared;
use crate::source::Source;
use crate::tail::TailBank;
use crate::thermal::Thermal;
use crate::trend::{FRAME, OFFSET, TrendBank, Weights};
use crate::watch::{Fall, Phase};
use crate::{Expectation, GravityReading, Kind, Measured, Original, Refusal, SourceReport, Taken};
use quantity::{Span, Stamp, Temperature};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What is known of the original gravity where nothing is expected: mean and sd, in points.
const ANY_ORIGINAL: (f64, f64) = (50.0, 30.0);

/// What is believed of one batch in one vessel.
///
/// `take*` put readings in, [`Belief::advance`] lets time pass; all else only asks, and may be
/// asked as often as one likes. A copy that was stored and read back goes on exactly alike.
///
/// Invariant: banks and tails stand at the time of the last reading that they believed, never
/// after `now`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    pub(crate) pitched_at: Stamp,
    pub(crate) now: Stamp,
    pub(crate) expectation: Expectation,
    /// The float that leads: its tail is judged. `None` while there is no float.
    pub(crate) lead: Option<String>,
    /// Of the float that leads, or of the hand readings where there is no float.
    pub(crate) ear: Shared<Ear>,
    /// Of each other float.
    pub(crate) others: BTreeMap<String, Shared<Ear>>,
    /// Of several floats; `None` while fewer than two are trusted.
    pub(crate) joint: Option<Shared<Joint>>,
    pub(crate) beside: Beside,
    pub(crate) fall: Fall,
    pub(crate) thermal: Thermal,
    pub(crate) sources: BTreeMap<String, Source>,
    /// The source of the last believed reading, and when that was, in h.
    pub(crate) last: Option<(String, f64)>,
    /// The fall has ended too far above what was expected.
    pub(crate) stalled: bool,
    pub(crate) raised: Raised,
    pub(crate) wild: Option<Wild>,
    /// How often samples are asked for, where there is no float.
    pub(crate) samples_every: Option<Span>,
}

impl Belief {
    /// A batch that was pitched at this instant.
    pub fn new(pitched_at: Stamp, expectation: Expectation) -> Self {
        let original = original(&expectation.original);
        let mut ear = Ear::new(TrendBank::new(original));
        ear.past.note(0.0, original);
        Belief {
            pitched_at,
            now: pitched_at,
            expectation,
            lead: None,
            ear: ear.into(),
            others: BTreeMap::new(),
            joint: None,
            beside: Beside::default(),
            fall: Fall::default(),
            thermal: Thermal::default(),
            sources: BTreeMap::new(),
            last: None,
            stalled: false,
            raised: Raised::default(),
            wild: None,
            samples_every: None,
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

    /// Samples are asked for this often, where there is no float: a sample counts until three are
    /// missing.
    pub fn ask_samples_every(&mut self, every: Option<Span>) {
        self.samples_every = every;
    }

    /// Another expectation, in mid-batch.
    pub fn expect(&mut self, expectation: Expectation) {
        let (before, after) = (self.expectation.original, expectation.original);
        if before != after {
            // What is told is the gravity at pitching; the banks hold what additions made of it.
            let raised = self.raised.original;
            if let Original::Expected { sg, sd_points } | Original::Sampled { sg, sd_points } =
                before
            {
                self.learn_original(points(sg) + raised, -sd_points * sd_points * 1.0001);
            }
            let (mean, sd) = original(&after);
            self.learn_original(mean + raised, sd * sd);
        }
        self.expectation = expectation;
        self.expect_ends();
        self.ear.declared.clear();
        for ear in self.others.values_mut() {
            ear.declared.clear();
        }
        self.stalled = false;
    }

    /// What is known of each source, by name.
    pub fn sources(&self) -> Vec<SourceReport> {
        let report = |(name, source): (&String, &Source)| SourceReport {
            name: name.clone(),
            kind: source.kind,
            offset: match source.kind {
                Kind::Hand { sd_points } => Some(Measured { value: 0.0, sd: sd_points }),
                Kind::Float => self.offset_of(name).map(|(value, sd)| Measured { value, sd }),
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

    /// The final gravity to expect in what a float reads, mean and sd, in points; of the float that
    /// leads where it is none.
    pub(crate) fn expected_end(&self, float: Option<&str>) -> (f64, f64) {
        const NOTHING_EXPECTED: f64 = 30.0;
        let of = |weights: Weights| match float {
            Some(float) => self.moments_by(float, self.hours(self.now), weights),
            None => self.trend_now(weights),
        };
        let Some(expected) = self.expectation.final_sg else {
            let (frame, _) = of(FRAME).unwrap_or((20.0, 0.0));
            return (frame - 8.0, NOTHING_EXPECTED);
        };
        let (offset, offset_sd) = of(OFFSET).unwrap_or((0.0, 0.0));
        (points(expected.sg) + offset, expected.sd_points.max(0.5).hypot(offset_sd))
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
        // A sample may be told after a later one.
        let is_hand = matches!(reading.kind, Kind::Hand { .. });
        last.filter(|last| reading.at == *last || (reading.at < *last && !is_hand))
            .map(|last| Refusal::NotNewer { last })
    }

    /// A float's own temperature counts only while no probe speaks.
    fn temperature_of_source(&mut self, time: f64, celsius: f64) {
        const PROBE_SPEAKS: f64 = 1.0;
        if self.thermal.last_at().is_none_or(|last| time - last > PROBE_SPEAKS || last > time) {
            self.thermal.take(time, celsius);
        }
    }

    /// A reading goes into the banks, unless its source is doubted.
    fn hear(&mut self, reading: &GravityReading, time: f64, points: f64) -> Taken {
        let joint = self.joint.as_ref().map_or(0.0, |joint| joint.at());
        let (taken_at, time) = (time, time.max(self.ear.trend.at()).max(joint));
        let heard = match reading.kind {
            Kind::Float => self.hear_float(reading, time, points),
            Kind::Hand { sd_points } => {
                self.begin_hand_tail(time);
                let (points, sd) = self.brought_on(taken_at, time, points, sd_points);
                Some(self.hear_hand(reading, time, points, sd))
            }
        };
        let Some(heard) = heard else { return Taken::Believed };
        if self.last.is_none() || !is_past(taken_at, time) {
            self.last = Some((reading.source.clone(), time));
        }
        self.forget_left();
        if self.wild_at(time) > 0.0 {
            return taken(&heard);
        }
        if reading.kind != Kind::Float || self.leads(&reading.source) {
            self.watch_stall();
            self.watch_fall(time);
        }
        taken(&heard)
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
        let raised = self.raised.beyond();
        match self.fall.watch(time, &self.ear.trend, &self.expectation, raised) {
            Phase::Falling => {
                self.ear.tail = None;
                for ear in self.others.values_mut() {
                    ear.tail = None;
                }
            }
            Phase::Tail => self.start_tails(time),
        }
    }

    /// Begins the tail of the float that leads, and of each other that has learned.
    pub(crate) fn start_tails(&mut self, time: f64) {
        let expected = self.expected_end(None);
        self.ear.start_tail(time, expected);
        let names: Vec<String> = self.others.keys().cloned().collect();
        for name in names {
            let expected = self.expected_end(Some(&name));
            if let Some(ear) = self.others.get_mut(&name).filter(|ear| ear.has_learned()) {
                ear.start_tail(time, expected);
            }
        }
    }

    /// The tail, once it is one.
    pub(crate) fn ended(&self) -> Option<&TailBank> {
        self.ear.tail.as_ref().filter(|_| self.fall.ended)
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
        Original::Measured | Original::Unknown => ANY_ORIGINAL,
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
