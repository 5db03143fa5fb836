//! How floats of one vessel read beside each other, and which of them is doubted for it.
//!
//! Two floats in one beer differ by their offsets and by noise; the beer is the same for both, so
//! whatever it does cancels. Their difference, averaged over some hours, is held against where it
//! stood when it was first known. Where it leaves that place by more than both floats' noise
//! explains, one of them has drifted. Of three the one that left both others is it; of two nobody
//! knows.

use crate::Doubt;
use crate::noise::Noise;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Readings are gathered for at least this long, in h.
const BLOCK: f64 = 6.0;
/// What was gathered for longer than this, in h, without a second float, is left out.
const STALE: f64 = 24.0;
/// After this many blocks a difference is known; up to this many it is learned.
const KNOWN: u32 = 4;
const LEARNED: u32 = 8;
/// Time constant of the average that is judged, in h.
const FOLLOW: f64 = 24.0;
/// A difference may leave its place by this many standard deviations, and by this many points.
const SIGMAS: f64 = 4.5;
const LEAST: f64 = 2.0;
/// Within this much of its place, in points, it has not begun to leave.
const NEAR: f64 = 0.7;
/// Where the others do not decide, one is doubted that is apart by this much more.
const UNDECIDED: f64 = 1.5;
/// Faster than this, in points a day, it is no drift.
const DRIFT_MOST: f64 = 3.0;
/// What two floats may differ by for a change of temperature, in points/K.
const PER_KELVIN: f64 = 0.28;

/// All floats of a vessel beside each other.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Beside {
    /// When the block that is being filled began, in h.
    begun: Option<f64>,
    /// Sums of what each float reads above the beer as believed, in points, and how many.
    sums: BTreeMap<String, (f64, u32)>,
    /// Sorted by names; the first name is the lesser.
    pairs: Vec<Pair>,
}

/// Two floats.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Pair {
    names: (String, String),
    /// The first less the second as it was when it was learned, in points.
    place: f64,
    /// The beer's temperature then, in °C.
    celsius: Option<f64>,
    blocks: u32,
    /// How far it has left its place, in points, and since when, in h.
    left: f64,
    since: f64,
    /// When it was last looked at, in h.
    at: f64,
}

/// What is known of a float besides its readings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Known {
    pub noise: Noise,
    /// The usual time between its readings, in h.
    pub every: f64,
}

/// A float that is doubted, and why.
pub(crate) type Verdict = (String, Doubt);

impl Beside {
    /// A reading of a trusted float, in points above the beer as it is believed.
    pub fn take(&mut self, name: &str, time: f64, above: f64) {
        self.begun.get_or_insert(time);
        let (sum, count) = self.sums.entry(name.to_owned()).or_default();
        *sum += above;
        *count = count.saturating_add(1);
    }

    /// Closes a block that is full; gives who is doubted now. `floats` are those that are trusted.
    pub fn judge(
        &mut self,
        time: f64,
        celsius: Option<f64>,
        floats: &BTreeMap<String, Known>,
    ) -> Vec<Verdict> {
        let Some(begun) = self.begun.filter(|begun| time - begun >= BLOCK) else {
            return Vec::new();
        };
        if self.sums.len() < 2 {
            if time - begun >= STALE {
                (self.begun, self.sums) = (None, BTreeMap::new());
            }
            return Vec::new();
        }
        self.begun = None;
        let means: Vec<(String, f64)> = std::mem::take(&mut self.sums)
            .into_iter()
            .map(|(name, (sum, count))| (name, sum / f64::from(count)))
            .collect();
        for (index, (one, first)) in means.iter().enumerate() {
            for (other, second) in &means[index + 1..] {
                self.pair(one, other).take(time, celsius, first - second);
            }
        }
        self.verdicts(time, celsius, floats)
    }

    /// How far a float has left its place, in points, as the others have it, beyond what noise
    /// explains: of two each may be the one that has left.
    pub fn left(&self, name: &str, floats: &BTreeMap<String, Known>) -> f64 {
        let mut apart: Vec<f64> = self
            .pairs
            .iter()
            .filter(|pair| pair.blocks > KNOWN && pair.has(name))
            .filter_map(|pair| {
                let beyond = pair.left * pair.left - pair.variance(floats, None)?;
                Some(beyond.max(0.0).sqrt().copysign(pair.of(name)))
            })
            .collect();
        apart.sort_by(f64::total_cmp);
        match apart.as_slice() {
            [] => 0.0,
            [one] => 0.5 * one,
            _ => 0.5 * (apart[(apart.len() - 1) / 2] + apart[apart.len() / 2]),
        }
    }

    /// What a float has read in the block that is being filled does not count.
    pub fn leave_out(&mut self, name: &str) {
        self.sums.remove(name);
    }

    /// A float's place is to be learned anew: it has moved, or is another one.
    pub fn forget(&mut self, name: &str) {
        self.pairs.retain(|pair| !pair.has(name));
        self.sums.remove(name);
    }

    fn pair(&mut self, one: &str, other: &str) -> &mut Pair {
        let names = (one.to_owned(), other.to_owned());
        let place = match self.pairs.binary_search_by(|pair| pair.names.cmp(&names)) {
            Ok(place) => place,
            Err(place) => {
                self.pairs.insert(place, Pair::new(names));
                place
            }
        };
        &mut self.pairs[place]
    }

    /// Of three and more, the one that has left most of the others; of two, both.
    fn verdicts(
        &self,
        time: f64,
        celsius: Option<f64>,
        floats: &BTreeMap<String, Known>,
    ) -> Vec<Verdict> {
        let apart: Vec<(&Pair, f64)> = self
            .pairs
            .iter()
            .filter_map(|pair| Some((pair, pair.beyond(floats, celsius)?)))
            .collect();
        let furthest = apart.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((pair, beyond)) = furthest.filter(|(_, beyond)| *beyond >= 1.0) else {
            return Vec::new();
        };
        let (one, other) = (&pair.names.0, &pair.names.1);
        let doubted = |name: &String| (name.clone(), pair.doubt(name, time));
        let others = floats.len().saturating_sub(1);
        if others <= 1 {
            return vec![doubted(one), doubted(other)];
        }
        let parted = |name: &str| {
            apart.iter().filter(|(pair, beyond)| *beyond >= 1.0 && pair.has(name)).count()
        };
        let apart_in_all = |name: &str| -> f64 {
            apart.iter().filter(|(pair, _)| pair.has(name)).map(|(_, beyond)| beyond).sum()
        };
        let name = if apart_in_all(one) >= apart_in_all(other) { one } else { other };
        let enough = 2 * parted(name) > others || *beyond >= UNDECIDED;
        if enough { vec![doubted(name)] } else { Vec::new() }
    }
}

impl Pair {
    fn new(names: (String, String)) -> Self {
        Pair { names, place: 0.0, celsius: None, blocks: 0, left: 0.0, since: 0.0, at: 0.0 }
    }

    fn has(&self, name: &str) -> bool {
        self.names.0 == name || self.names.1 == name
    }

    /// How far this one of the two has left, as the other has it.
    fn of(&self, name: &str) -> f64 {
        if self.names.0 == name { self.left } else { -self.left }
    }

    /// A block's difference.
    fn take(&mut self, time: f64, celsius: Option<f64>, apart: f64) {
        self.blocks = self.blocks.saturating_add(1);
        if self.blocks <= LEARNED {
            let share = 1.0 / f64::from(self.blocks);
            self.place += share * (apart - self.place);
            self.celsius = celsius.map(|now| {
                let before = self.celsius.unwrap_or(now);
                before + share * (now - before)
            });
        }
        let step = if self.blocks == 1 { 0.0 } else { time - self.at };
        let follow = 1.0 - (-step / FOLLOW).exp();
        self.left += follow * (apart - self.place - self.left);
        self.at = time;
        if self.left.abs() < NEAR {
            self.since = time;
        }
    }

    /// How far it has left its place, in parts of what is allowed; `None` where one of the two is
    /// not trusted, or their place not known yet.
    fn beyond(&self, floats: &BTreeMap<String, Known>, celsius: Option<f64>) -> Option<f64> {
        if self.blocks <= KNOWN {
            return None;
        }
        let sd = self.variance(floats, celsius)?.sqrt();
        Some(self.left.abs() / LEAST.max(SIGMAS * sd))
    }

    /// The variance that noise gives to what it has left by, in points²; `None` where one of the
    /// two is not trusted.
    fn variance(&self, floats: &BTreeMap<String, Known>, celsius: Option<f64>) -> Option<f64> {
        let learned = f64::from(self.blocks.min(LEARNED)) * BLOCK;
        let of = |name: &String| {
            let Known { noise, every } = *floats.get(name)?;
            // A noise that lasts, through a low pass and in a mean; then the white part.
            let lasting = noise.hours / (noise.hours + FOLLOW) + 2.0 * noise.hours / learned;
            let white = every / (2.0 * FOLLOW) + every / learned;
            Some(noise.lasting * lasting + noise.white * white)
        };
        let warmth = self.celsius.zip(celsius).map_or(0.0, |(then, now)| now - then);
        Some(of(&self.names.0)? + of(&self.names.1)? + (PER_KELVIN * warmth).powi(2))
    }

    fn doubt(&self, name: &str, time: f64) -> Doubt {
        let points = self.of(name);
        let points_per_day = points / ((time - self.since) / 24.0).max(0.25);
        if points_per_day.abs() > DRIFT_MOST {
            return Doubt::Disagrees { points };
        }
        Doubt::Drifts { points_per_day }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a float reads above the beer, in points, at a time in h.
    type Reads = fn(f64) -> f64;

    /// Who is doubted when, in h, over 20 days of hourly readings that are these for each float.
    fn doubted(floats: &[(&str, Reads)]) -> Vec<(f64, Verdict)> {
        let noise = Noise { white: 0.125, lasting: 0.125, hours: 5.0 };
        let known: BTreeMap<String, Known> = floats
            .iter()
            .map(|(name, _)| ((*name).to_owned(), Known { noise, every: 1.0 }))
            .collect();
        let (mut beside, mut all) = (Beside::default(), Vec::new());
        for hour in 0..480 {
            let time = f64::from(hour);
            for (name, reads) in floats {
                beside.take(name, time, reads(time));
                let verdicts = beside.judge(time, Some(18.0), &known);
                all.extend(verdicts.into_iter().map(|verdict| (time, verdict)));
            }
            if !all.is_empty() {
                break;
            }
        }
        all
    }

    #[test]
    fn floats_that_keep_their_places_are_not_doubted() {
        let swings = |time: f64| 5.0 + 0.7 * (time / 3.0).sin();
        assert!(doubted(&[("a", |_| 1.0), ("b", swings), ("c", |_| -3.0)]).is_empty());
        assert!(doubted(&[("a", |_| 1.0)]).is_empty());
    }

    #[test]
    fn of_three_the_one_that_drifts_is_doubted_and_of_two_both() {
        let drifts = |time: f64| -0.6 * time / 24.0;
        let three = doubted(&[("a", drifts), ("b", |_| 2.0), ("c", |_| 0.0)]);
        let [(time, (name, Doubt::Drifts { points_per_day }))] = three.as_slice() else {
            panic!("{three:?}")
        };
        assert!(name == "a" && *time < 150.0, "{time}");
        assert!((points_per_day + 0.6).abs() < 0.4, "{points_per_day}");

        let two = doubted(&[("b", |_| 2.0), ("a", drifts)]);
        let names: Vec<&str> = two.iter().map(|(_, (name, _))| name.as_str()).collect();
        assert_eq!(names, ["a", "b"]);
        let (Doubt::Drifts { points_per_day: a }, Doubt::Drifts { points_per_day: b }) =
            (two[0].1.1, two[1].1.1)
        else {
            panic!("{two:?}")
        };
        assert_eq!(a, -b);
    }

    #[test]
    fn what_parts_quickly_is_no_drift() {
        let lifted = |time: f64| if time < 60.0 { 0.0 } else { (time - 60.0).min(8.0) };
        let three = doubted(&[("a", lifted), ("b", |_| 2.0), ("c", |_| 0.0)]);
        let [(time, (name, Doubt::Disagrees { points }))] = three.as_slice() else {
            panic!("{three:?}")
        };
        assert!(name == "a" && *time < 80.0 && *points > 2.0, "{time} {points}");
    }
}
