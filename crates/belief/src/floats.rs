//! Several floats in one vessel: who is heard, who leads, and what becomes of one that is doubted.
//!
//! Each float has a bank of its own, as if it were alone (see [`crate::ear`]), which learns its
//! noise and its tail. From the second float on they are weighed together in one further bank (see
//! [`crate::joint`]), which answers what the beer's gravity is and how sure that is. One float
//! leads: the end of the beer is judged by its tail, for a tail is about shape and needs one
//! unbroken course; the tails of the others stand ready.
//!
//! What a float told wrongly for long, stuck or drifting, cannot be taken out of a filter that has
//! heard it. So when one is doubted for that, all that was weighed together is given up, and begins
//! anew from the bank of one that is left.

use crate::bank::{Heard, Moved, Offsets};
use crate::belief::Belief;
use crate::beside::Known;
use crate::ear::Ear;
use crate::joint::Joint;
use crate::noise::Noise;
use crate::shared::Shared;
use crate::source::{Beer, Source, Sticking};
use crate::trend::{FRAME, GRAVITY, OFFSET, SLOPE, TrendBank, Weights, size};
use crate::{Doubt, GravityReading};
use quantity::{Span, Stamp};
use std::collections::BTreeMap;

/// A float agrees with a sample within this, in points, or within this many standard deviations.
const AGREES: f64 = 2.0;
const AGREES_SIGMAS: f64 = 2.5;
/// A reading that is less probably ordinary says nothing of its float's place beside others.
const ORDINARY: f64 = 0.1;

impl Belief {
    /// Whether the end of the beer is judged by this float.
    pub(crate) fn leads(&self, name: &str) -> bool {
        self.lead.as_deref() == Some(name)
    }

    /// What is weighed together, and which of its floats leads.
    pub(crate) fn leading(&self) -> Option<(&Joint, usize)> {
        let joint = self.joint.as_ref()?;
        Some((joint, joint.index(self.lead.as_deref()?)?))
    }

    /// Mean and standard deviation of a weighted sum with this float's offset.
    pub(crate) fn moments_by(&self, name: &str, time: f64, weights: Weights) -> Option<(f64, f64)> {
        let joint = self.joint.as_ref();
        match joint.and_then(|joint| Some((joint, joint.index(name)?))) {
            Some((joint, float)) => joint.moments(float, time, weights),
            None => self.ear_of(name)?.trend.moments(time, weights),
        }
    }

    /// A float's offset, mean and standard deviation, in points.
    pub(crate) fn offset_of(&self, name: &str) -> Option<(f64, f64)> {
        self.moments_by(name, self.hours(self.now), OFFSET)
    }

    /// Knowledge of the original gravity, for all.
    pub(crate) fn learn_original(&mut self, points: f64, variance: f64) {
        if let Some(joint) = &mut self.joint {
            joint.learn_original(points, variance);
        }
        for ear in std::iter::once(&mut self.ear).chain(self.others.values_mut()) {
            ear.trend.learn_original(points, variance);
        }
    }

    /// Tells each tail where it is expected to end.
    pub(crate) fn expect_ends(&mut self) {
        let expected = self.expected_end(None);
        self.ear.expect(expected);
        let names: Vec<String> = self.others.keys().cloned().collect();
        for name in names {
            let expected = self.expected_end(Some(&name));
            if let Some(ear) = self.others.get_mut(&name) {
                ear.expect(expected);
            }
        }
    }

    /// A float's reading; `None` while it is not believed.
    pub(crate) fn hear_float(
        &mut self,
        reading: &GravityReading,
        time: f64,
        points: f64,
    ) -> Option<Heard> {
        let name = &reading.source;
        let wild = self.wild_at(time);
        if wild == 0.0 {
            self.watch_run(reading, time, points);
        }
        let source = self.sources.get_mut(name)?;
        source.forgive(time);
        if !source.is_heard() {
            return None;
        }
        self.seat(name);
        let celsius = self.thermal.now();
        let ear = self.ear_mut(name)?;
        ear.advance(time, celsius);
        let alone = ear.trend.float(points, wild);
        ear.note_past(time, FRAME);
        let together = self.weigh(name, time, points, wild);
        if wild == 0.0 {
            self.hear_tail(name, time, points);
        }
        let heard = together.unwrap_or(alone);
        if together.is_some() && alone.moved.is_some() {
            self.has_moved(reading.at, time, alone.moved, Some(name));
        }
        let one = together.is_none().then_some(name.as_str());
        self.has_moved(reading.at, time, heard.moved, one);
        if together.is_some() && wild == 0.0 && heard.ordinary >= ORDINARY {
            self.compare(name, time, points);
        }
        self.choose_lead();
        Some(heard)
    }

    /// A sample: it is heard by all, and settles who is right where floats are doubted.
    pub(crate) fn hear_hand(
        &mut self,
        reading: &GravityReading,
        time: f64,
        points: f64,
        sd_points: f64,
    ) -> Heard {
        let sd = sd_points.max(0.1);
        let celsius = self.thermal.now();
        self.settle(time, points, sd);
        let mut together = None;
        if self.joint.is_some() {
            self.advance_joint(time);
            together = self.joint.as_mut().map(|joint| joint.hand(points, sd));
        }
        for ear in self.others.values_mut() {
            ear.advance(time, celsius);
            ear.trend.hand(points, sd);
        }
        self.ear.advance(time, celsius);
        let alone = self.ear.trend.hand(points, sd);
        if self.lead.is_none() {
            self.ear.note_past(time, GRAVITY);
        }
        let offset = self.trend_at(time, OFFSET).unwrap_or((0.0, 0.0));
        if self.ear.hand_in_tail(time, points, sd * sd, offset) {
            self.restart_tail(None, time);
        }
        let heard = together.unwrap_or(alone);
        let lead = self.lead.clone().filter(|_| together.is_none());
        self.has_moved(reading.at, time, heard.moved, lead.as_deref());
        heard
    }

    /// Whether it sticks; what was stuck and is free begins anew where others have gone on.
    fn watch_run(&mut self, reading: &GravityReading, time: f64, points: f64) {
        let name = &reading.source;
        let now = |weights| self.trend_at(time, weights);
        let (Some((gravity, _)), Some((slope, _))) = (now(GRAVITY), now(SLOPE)) else { return };
        let known = self.ear_of(name).map(|_| name.as_str());
        let (end, end_sd) = self.expected_end(known);
        let may_end = self.expectation.final_sg.is_some()
            && points <= end + crate::stable::STALLED_ABOVE.max(end_sd);
        let seen = self.trusted().any(|other| other != name);
        let beer = Beer { gravity, rate: -slope, may_end, seen };
        let Some(source) = self.sources.get_mut(name) else { return };
        match source.watch_run(reading.at, time, points, beer) {
            Sticking::No => {}
            Sticking::Begins => {
                self.beside.leave_out(name);
                self.give_up();
            }
            Sticking::Ends if self.leads(name) => {}
            Sticking::Ends => {
                self.others.remove(name);
            }
        }
    }

    /// Gives a float an ear, and a place among those that are weighed together.
    fn seat(&mut self, name: &str) {
        if self.lead.is_none() {
            self.lead = Some(name.to_owned());
            // Samples were noted as what they are, not as this float would have read them.
            self.ear.past.clear();
        }
        if !self.leads(name) && !self.others.contains_key(name) {
            let held = match &self.joint {
                Some(joint) => TrendBank::holding(joint.at(), &joint.held()),
                None => TrendBank::holding(self.ear.trend.at(), &self.ear.trend.held()),
            };
            self.others.insert(name.to_owned(), Ear::new(held).into());
        }
        let Some(at) = self.joint.as_ref().map(|joint| joint.at()) else {
            return self.begin_joint();
        };
        let frame = self.frame_of(name, at);
        if let Some(joint) = &mut self.joint {
            joint.join(name, frame);
        }
    }

    /// What a float would read without its noise, as it alone has it; `None` before it has read.
    fn frame_of(&self, name: &str, time: f64) -> Option<(f64, f64)> {
        let ear = self.ear_of(name).filter(|ear| ear.trend.readings() > 0)?;
        ear.trend.moments(time, FRAME)
    }

    /// Weighs all trusted floats together from what the leading one alone has told.
    pub(crate) fn begin_joint(&mut self) {
        let names: Vec<String> = self.trusted().map(str::to_owned).collect();
        self.joint = None;
        let Some(lead) = self.lead.clone().filter(|lead| names.contains(lead)) else { return };
        if names.len() < 2 {
            return;
        }
        let mut joint = Joint::new(&lead, &self.ear.trend);
        for name in names.iter().filter(|name| **name != lead) {
            joint.join(name, self.frame_of(name, joint.at()));
        }
        self.joint = Some(joint.into());
    }

    pub(crate) fn advance_joint(&mut self, time: f64) {
        let noises = self.noises();
        let celsius = self.thermal.now();
        if let Some(joint) = &mut self.joint {
            joint.advance(time, celsius, &noises);
        }
    }

    /// A reading among those of the others; `None` where it is alone or has no place.
    fn weigh(&mut self, name: &str, time: f64, points: f64, wild: f64) -> Option<Heard> {
        let float = self.joint.as_ref()?.index(name)?;
        self.advance_joint(time);
        let noise = self.noises().get(float).copied()?;
        Some(self.joint.as_mut()?.float(float, points, noise, wild))
    }

    /// The noise of each float that is weighed: a float that seems to leave the others has one more
    /// that lasts.
    fn noises(&self) -> Vec<Noise> {
        let known = self.known();
        let noise = |name: &str| {
            let left = self.beside.left(name, &known);
            let noise = self.ear_of(name).map_or(Noise::NONE, Ear::noise);
            Noise { lasting: noise.lasting + left * left, ..noise }
        };
        self.joint.iter().flat_map(|joint| joint.names()).map(noise).collect()
    }

    /// What is known of each trusted float.
    fn known(&self) -> BTreeMap<String, Known> {
        let known = |name: &str| {
            let noise = self.ear_of(name).map_or(Noise::NONE, Ear::noise);
            let every = self.sources.get(name).and_then(Source::interval);
            (name.to_owned(), Known { noise, every: every.map_or(1.0, Span::hours) })
        };
        self.trusted().map(known).collect()
    }

    fn hear_tail(&mut self, name: &str, time: f64, points: f64) {
        let ended = self.fall.ended;
        let Some(ear) = self.ear_mut(name) else { return };
        let late = ended && ear.tail.is_none() && ear.has_learned();
        if late {
            let expected = self.expected_end(Some(name));
            if let Some(ear) = self.ear_mut(name) {
                ear.start_tail(time, expected);
            }
        }
        if let Some(ear) = self.ear_mut(name) {
            ear.float_in_tail(time, points);
        }
        self.restart_tail(Some(name), time);
    }

    /// The tail begins anew where the beer went below what the tail had called its end; of the
    /// leading float where there is no name.
    fn restart_tail(&mut self, name: Option<&str>, time: f64) {
        if !self.fall.ended {
            return;
        }
        let own = match name {
            Some(name) => self.ear_mut(name),
            None => Some(&mut *self.ear),
        };
        if own.is_some_and(|ear| ear.is_broken(time)) {
            let expected = self.expected_end(name);
            let own = match name {
                Some(name) => self.ear_mut(name),
                None => Some(&mut *self.ear),
            };
            if let Some(ear) = own {
                ear.start_tail(time, expected);
            }
        }
    }

    /// What a bank has shown of a float that moved: of `alone` where that bank hears none but it.
    fn has_moved(&mut self, at: Stamp, time: f64, moved: Option<Moved>, alone: Option<&str>) {
        let Some(Moved { offsets, points, is_sure }) = moved else { return };
        let names: Vec<String> = match (alone, offsets, &self.joint) {
            (Some(name), ..) => vec![name.to_owned()],
            (None, Offsets::One(place), Some(joint)) => {
                joint.named(place).map(str::to_owned).into_iter().collect()
            }
            (None, Offsets::All(_), Some(joint)) => joint.names().map(str::to_owned).collect(),
            (None, _, None) => Vec::new(),
        };
        // A float's own bank may think so; where it is weighed with others, they know better.
        let is_said = is_sure && (alone.is_none() || self.joint.is_none());
        for name in names {
            let by_sample = matches!(offsets, Offsets::All(_));
            let noise = self.ear_of(&name).map_or(0.0, |ear| size(ear.noise()));
            if let Some(source) = self.sources.get_mut(&name).filter(|_| is_said) {
                if by_sample {
                    source.was_set(time, points);
                } else {
                    source.stepped(at, time, points, noise);
                }
            }
            if by_sample {
                continue;
            }
            let told = alone.is_none();
            if let Some(ear) = self.ear_mut(&name) {
                ear.loosen_tail(points);
                if told {
                    ear.trend.has_moved(points);
                } else {
                    ear.past.has_moved(points);
                }
            }
            if told && is_sure {
                self.beside.forget(&name);
            }
        }
        if matches!(offsets, Offsets::All(_)) {
            self.expect_ends();
        }
    }

    /// Holds a float against the others.
    fn compare(&mut self, name: &str, time: f64, points: f64) {
        let Some((gravity, _)) = self.trend_at(time, GRAVITY) else { return };
        if self.sources.get(name).is_none_or(|source| source.doubt.is_some()) {
            return;
        }
        self.beside.take(name, time, points - gravity);
        let verdicts = self.beside.judge(time, self.thermal.now(), &self.known());
        if verdicts.is_empty() {
            return;
        }
        for (name, doubt) in verdicts {
            self.beside.forget(&name);
            if let Some(source) = self.sources.get_mut(&name) {
                source.doubt(doubt, time);
            }
        }
        self.give_up();
    }

    /// A float is not believed any more: those that are left begin anew without it.
    fn give_up(&mut self) {
        self.choose_lead();
        self.begin_joint();
    }

    /// Floats that are trusted wholly and have an ear.
    fn trusted(&self) -> impl Iterator<Item = &str> {
        let ok = |(name, source): &(&String, &Source)| {
            source.is_float()
                && source.doubt.is_none()
                && !source.is_aside
                && self.ear_of(name).is_some()
        };
        self.sources.iter().filter(ok).map(|(name, _)| name.as_str())
    }

    /// Another float leads where the one that does is doubted or silent: one that is weighed with
    /// others, if any is, and has a tail, if any has, and of those the least noisy.
    pub(crate) fn choose_lead(&mut self) {
        let fit = |name: &str| {
            let source = self.sources.get(name).filter(|source| !source.is_aside);
            source.is_some_and(|source| source.doubt.is_none() && source.speaks(self.now))
        };
        if self.lead.as_deref().is_none_or(fit) {
            return;
        }
        let apart = |name: &String| self.joint.as_ref().is_none_or(|j| j.index(name).is_none());
        let rank = |(name, ear): &(&String, &Shared<Ear>)| (apart(name), ear.tail.is_none());
        let noise = |(_, ear): &(&String, &Shared<Ear>)| size(ear.noise());
        let fit = self.others.iter().filter(|(name, _)| fit(name));
        let best = fit.min_by(|a, b| rank(a).cmp(&rank(b)).then(noise(a).total_cmp(&noise(b))));
        if let Some(name) = best.map(|(name, _)| name.clone()) {
            self.hand_over(&name);
        }
    }

    /// This float leads from now on.
    fn hand_over(&mut self, name: &str) {
        let Some(ear) = self.others.remove(name) else { return };
        let before = std::mem::replace(&mut self.ear, ear);
        if let Some(lead) = self.lead.replace(name.to_owned()) {
            self.others.insert(lead, before);
        }
        self.stalled = false;
    }

    /// A sample settles which doubted float is right: what agrees with it is trusted again, what
    /// does not is read anew and set by it. Where none was left that is trusted, the nearest leads.
    fn settle(&mut self, time: f64, sample: f64, sd: f64) {
        let opinions: Vec<(String, f64, f64, bool)> = self
            .sources
            .iter()
            .filter(|(_, source)| source.is_float() && !source.is_heard())
            .filter_map(|(name, source)| {
                let ear = self.ear_of(name)?;
                let (offset, offset_sd) = ear.trend.moments(time, OFFSET)?;
                let apart = source.reads()? - offset - sample;
                let spread = offset_sd.hypot(sd).hypot(size(ear.noise()));
                let stuck = matches!(source.doubt, Some(Doubt::Stuck { .. }));
                Some((name.clone(), apart, AGREES.max(AGREES_SIGMAS * spread), stuck))
            })
            .collect();
        let nearest = opinions.iter().filter(|(.., stuck)| !stuck);
        let nearest = nearest.min_by(|a, b| (a.1.abs() / a.2).total_cmp(&(b.1.abs() / b.2)));
        let alone = self.trusted().next().is_none();
        if let Some((name, apart, tolerance, _)) = nearest.filter(|_| alone) {
            self.hand_over(name);
            if apart.abs() > *tolerance {
                self.ear.trend.has_drifted(*apart);
            }
        }
        for (name, apart, tolerance, stuck) in &opinions {
            let agrees = apart.abs() <= *tolerance;
            let Some(source) = self.sources.get_mut(name) else { continue };
            match (agrees, stuck) {
                (true, _) => source.trust(),
                (false, true) => continue,
                (false, false) => source.was_set(time, *apart),
            }
            source.forget_run();
            self.beside.forget(name);
            if !self.leads(name) {
                self.others.remove(name);
            }
        }
    }

    fn ear_of(&self, name: &str) -> Option<&Ear> {
        if self.leads(name) { Some(&self.ear) } else { self.others.get(name).map(|ear| &**ear) }
    }

    pub(crate) fn ear_mut(&mut self, name: &str) -> Option<&mut Ear> {
        if self.leads(name) {
            Some(&mut self.ear)
        } else {
            self.others.get_mut(name).map(|ear| &mut **ear)
        }
    }
}
