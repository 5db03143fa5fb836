//! What banks of filters share: how a reading is weighed by all of them, and how they ask whether
//! an instrument has moved.
//!
//! The first two numbers of each filter are the beer's gravity and its slope, in points and
//! points/h. A beer cannot step, but a float can: krausen lifts it, bubbles let go of it, somebody
//! knocks. So at a reading that lies far off, copies of the best filters are put beside the others
//! which hold that the float has just moved by some points; what comes next tells which of them
//! foretell better. A single outlier is over with the next reading, a beer that falls faster goes
//! on falling, a float that has moved stays. Likewise where a person's sample lies far off: then
//! the float may have drifted, unseen, together with what was believed of the beer.

use crate::filter::Filter;
use crate::normal::{Part, mixture_moments};
use serde::{Deserialize, Serialize};

/// Where every filter of these banks holds the original gravity.
const ORIGINAL_PLACE: usize = 4;
/// How fast the slope wanders, in points/h/√h.
pub(crate) const WANDERS: [f64; 5] = [0.005, 0.02, 0.05, 0.12, HAND_WANDER];
/// Between samples half a day apart a fall may begin and be over; a float would have shown it.
pub(crate) const HAND_WANDER: f64 = 0.4;
/// A wander that fell this far behind the best of its kind of noise begins anew from that one's
/// state, `SECOND_CHANCE` behind it: so a calm slope can come back when the main fall has passed
/// into the tail.
const HOPELESS: f64 = 8.0;
const SECOND_CHANCE: f64 = 5.0;
/// A reading that lies this many standard deviations off raises the question.
pub(crate) const FAR: f64 = 2.5;
/// How probable it is that a float moves, an hour (once in two weeks), over these gaps between
/// readings in h; and by how much, as a standard deviation in points. Common experience, no source.
const MOVES_PER_HOUR: f64 = 3e-3;
const MOVES_GAP: (f64, f64) = (0.25, 6.0);
const MOVE_POINTS: f64 = 8.0;
/// How probable it is, where a sample lies far off, that a float alone has drifted; each further
/// float would have to have drifted with it. And by how much, in points. No source.
const DRIFTED: f64 = 0.1;
const DRIFTED_TOO: f64 = 0.2;
const DRIFT_POINTS: f64 = 6.0;
/// That it has moved is held at this probability; that it has not, when it has become this much
/// less probable; and what is likelier after so many readings or hours.
const DECIDED: f64 = 0.995;
const GIVEN_BACK: f64 = 0.2;
const ASKED_READINGS: u32 = 12;
const ASKED_HOURS: f64 = 24.0;
/// What is less probable is learned without a word.
const SURE: f64 = 0.9;
/// How many filters, the best, are asked.
const ASKED_MOST: usize = 16;

/// One filter of a bank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Member<const N: usize> {
    /// Which kind of noise it takes its float to have.
    pub noise: usize,
    /// Which of [`WANDERS`] it takes the slope to have.
    pub wander: usize,
    /// It holds that the float has just moved.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub moved: bool,
    pub filter: Filter<N>,
}

/// A question that is open: whether a float has moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Asked {
    /// Where its offset is in a filter; of all floats where a sample has raised the question.
    offsets: Offsets,
    /// The first offset as it was believed before, in points.
    before: f64,
    /// When, in h.
    at: f64,
    /// How many readings since, and with it.
    readings: u32,
    /// How probable it was beforehand.
    probable: f64,
}

/// Whose offset is asked about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Offsets {
    /// Of the float whose offset stands there.
    One(usize),
    /// Of all floats; the first one's stands there.
    All(usize),
}

/// A float that has moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moved {
    pub offsets: Offsets,
    /// By how much, in points; positive is up.
    pub points: f64,
    /// It is sure enough to be said; else it is only the likelier.
    pub is_sure: bool,
}

/// What an addition does to a beer.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Jump {
    /// By how much gravity and original gravity rise, in points.
    pub rise: f64,
    pub original: f64,
    /// How uncertain both are, as a share of them.
    pub spread: f64,
    /// How much faster the beer may come to fall, in points/h.
    pub slope: f64,
}

/// What a bank made of one reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Heard {
    /// Mean and standard deviation that were foretold for it, in points.
    pub foretold: (f64, f64),
    /// How probable it is that it was no outlier.
    pub ordinary: f64,
    /// What it has shown of the float.
    pub moved: Option<Moved>,
}

impl<const N: usize> Member<N> {
    /// A weighted sum now.
    pub fn part(&self, weights: &[f64; N]) -> Part {
        let (mean, variance) = self.filter.sum(weights);
        Part { weight: self.filter.log_weight.exp(), mean, variance }
    }

    /// Lets the beer go on for `step` hours.
    pub fn advance_beer(&mut self, step: f64) {
        let wander = WANDERS[self.wander].powi(2);
        let filter = &mut self.filter;
        filter.mean[0] += step * filter.mean[1];
        let p = &mut filter.covariance;
        // Rows first, then columns: F P, then (F P) F'.
        for column in 0..N {
            p[0][column] += step * p[1][column];
        }
        for row in p.iter_mut() {
            row[0] += step * row[1];
        }
        p[0][0] += wander * step.powi(3) / 3.0;
        p[0][1] += wander * step * step / 2.0;
        p[1][0] = p[0][1];
        p[1][1] += wander * step;
    }

    /// Lets a noise that lasts, at `place`, go on for `step` hours.
    pub fn advance_noise(&mut self, place: usize, step: f64, lasting: f64, hours: f64) {
        let keep = (-step / hours).exp();
        self.filter.mean[place] *= keep;
        let p = &mut self.filter.covariance;
        for column in 0..N {
            p[place][column] *= keep;
        }
        for row in p.iter_mut() {
            row[place] *= keep;
        }
        p[place][place] += lasting * (1.0 - keep * keep);
    }

    fn kind(&self) -> (usize, usize) {
        (self.noise, self.wander)
    }
}

/// Those that hold that nothing has moved.
pub(crate) fn stood<const N: usize>(members: &[Member<N>]) -> impl Iterator<Item = &Member<N>> {
    members.iter().filter(|member| !member.moved)
}

/// Gives all members a reading of a weighted sum; `variance` is the reading's own, and each
/// member's mean and variance of it are to be as `foretold`.
pub(crate) fn observe<const N: usize>(
    members: &mut [Member<N>],
    weights: &[f64; N],
    points: f64,
    variance: impl Fn(&Member<N>) -> f64,
) -> Heard {
    let foretold = mixture_moments(stood(members).map(|member| member.part(weights)));
    let (mut total, mut ordinary) = (0.0, 0.0);
    for member in members.iter_mut() {
        let own = variance(member);
        let weight = member.filter.log_weight.exp();
        let told = member.filter.observe(weights, points, own);
        member.filter.log_weight += told.log_likelihood;
        total += weight;
        ordinary += weight * told.ordinary;
    }
    level_weights(members);
    Heard { foretold: foretold.unwrap_or((points, 0.0)), ordinary: ordinary / total, moved: None }
}

/// How likely it is that a float moves within this gap between readings, in h.
pub(crate) fn moves_within(gap: f64) -> f64 {
    MOVES_PER_HOUR * gap.clamp(MOVES_GAP.0, MOVES_GAP.1)
}

/// How likely it is that so many floats have drifted where a sample lies far off.
pub(crate) fn drifted(floats: usize) -> f64 {
    DRIFTED * DRIFTED_TOO.powi(floats.saturating_sub(1).min(8) as i32)
}

/// Puts filters beside the others which hold that floats have moved, with this probability.
///
/// Where that is being asked already, they are joined with those that held so before: it may have
/// been then or now. A question about something else is not disturbed while it is open in earnest.
pub(crate) fn ask<const N: usize>(
    members: &mut Vec<Member<N>>,
    asked: &mut Option<Asked>,
    (at, probable): (f64, f64),
    offsets: Offsets,
    places: &[usize],
) {
    const IN_EARNEST: f64 = 0.1;
    if asked.is_some_and(|open| open.offsets != offsets) {
        if share_moved(members) >= IN_EARNEST {
            return;
        }
        members.retain(|member| !member.moved);
    }
    let (Offsets::One(first) | Offsets::All(first)) = offsets;
    let mut weights = [0.0; N];
    weights[first] = 1.0;
    let before = mixture_moments(stood(members).map(|member| member.part(&weights)));
    let Some((before, _)) = before else { return };
    let (mut moved, stood): (Vec<Member<N>>, Vec<Member<N>>) =
        std::mem::take(members).into_iter().partition(|member| member.moved);
    let mut best: Vec<&Member<N>> = stood.iter().collect();
    best.sort_by(|a, b| b.filter.log_weight.total_cmp(&a.filter.log_weight));
    for member in best.into_iter().take(ASKED_MOST) {
        let mut now = Member { moved: true, ..member.clone() };
        now.filter.log_weight += probable.ln();
        match offsets {
            Offsets::One(place) => now.filter.covariance[place][place] += MOVE_POINTS.powi(2),
            // What the float read too low was taken for the beer's fall, or the other way.
            Offsets::All(_) => now.filter.exchange(0, places, DRIFT_POINTS.powi(2)),
        }
        match moved.iter_mut().find(|before| before.kind() == member.kind()) {
            Some(before) => before.filter.join(&now.filter),
            None => moved.push(now),
        }
    }
    moved.sort_by_key(Member::kind);
    *members = stood;
    members.extend(moved);
    *asked = Some(Asked { offsets, before, at, readings: 0, probable });
}

/// Something was added to the beer; what was asked until then is taken back, for a rise that was
/// not foretold is no ground for it any more.
pub(crate) fn jump<const N: usize>(
    members: &mut Vec<Member<N>>,
    asked: &mut Option<Asked>,
    jump: &Jump,
) {
    *asked = None;
    members.retain(|member| !member.moved);
    for member in members.iter_mut() {
        member.filter.jump(&[(0, jump.rise), (ORIGINAL_PLACE, jump.original)], jump.spread);
        member.filter.covariance[1][1] += jump.slope * jump.slope;
    }
    level(members);
}

/// Ends the question where it is decided: then it is taken out of `asked`; gives what has moved.
pub(crate) fn answer<const N: usize>(
    members: &mut Vec<Member<N>>,
    asked: &mut Option<Asked>,
    at: f64,
) -> Option<Moved> {
    let open = asked.as_mut()?;
    open.readings += 1;
    let Asked { offsets, before, .. } = *open;
    let share = share_moved(members);
    let late = open.readings >= ASKED_READINGS || at - open.at > ASKED_HOURS;
    let (yes, no) = (share >= DECIDED, share < GIVEN_BACK * open.probable);
    if !(yes || no || late) {
        return None;
    }
    let has_moved = yes || (late && share >= 0.5);
    *asked = None;
    members.retain(|member| member.moved == has_moved);
    for member in members.iter_mut() {
        member.moved = false;
    }
    level(members);
    let (Offsets::One(first) | Offsets::All(first)) = offsets;
    let mut weights = [0.0; N];
    weights[first] = 1.0;
    let (now, _) = mixture_moments(stood(members).map(|member| member.part(&weights)))?;
    has_moved.then_some(Moved { offsets, points: now - before, is_sure: share >= SURE })
}

/// How probable it is that a float has just moved.
fn share_moved<const N: usize>(members: &[Member<N>]) -> f64 {
    let weight = |member: &Member<N>| member.filter.log_weight.exp();
    let moved = members.iter().filter(|member| member.moved).map(weight).sum::<f64>();
    moved / members.iter().map(weight).sum::<f64>()
}

/// Keeps the best weight at 0.
fn level<const N: usize>(members: &mut [Member<N>]) {
    let top = members.iter().map(|member| member.filter.log_weight);
    let top = top.fold(f64::NEG_INFINITY, f64::max);
    for member in members {
        member.filter.log_weight -= top;
    }
}

/// Keeps the best weight at 0, and gives hopeless wanders another start.
fn level_weights<const N: usize>(members: &mut [Member<N>]) {
    level(members);
    for group in members.chunk_by_mut(|a, b| (a.noise, a.moved) == (b.noise, b.moved)) {
        let weight = |member: &Member<N>| member.filter.log_weight;
        let Some(best) = group.iter().max_by(|a, b| weight(a).total_cmp(&weight(b))) else {
            continue;
        };
        let mut anew = best.filter.clone();
        let hopeless = anew.log_weight - HOPELESS;
        anew.log_weight -= SECOND_CHANCE;
        for member in group.iter_mut().filter(|member| weight(member) < hopeless) {
            member.filter = anew.clone();
        }
    }
}
