//! A batch that goes to another vessel: what is believed of the beer goes with it, what was learnt
//! of the floats stays where they swim.

use crate::bank::WANDERS;
use crate::belief::Belief;
use crate::beside::Beside;
use crate::ear::Ear;
use crate::filter::Filter;
use crate::trend::TrendBank;

/// Parts the name of a vessel that was left from that of its float: no name has it, so none of the
/// new vessel's floats can be taken for one of the old.
const LEFT: char = '/';

impl Belief {
    /// The beer leaves `vessel`: other floats read it from now on.
    ///
    /// Gravity, slope and original gravity stay as they are believed, with all that is known of
    /// them together; the next floats are learnt against them. The tail begins anew, for it is of
    /// one float's unbroken course. Until another source speaks, what the old floats said last
    /// counts for as long as it would have there.
    pub fn leave_floats(&mut self, vessel: &str) {
        let (at, held) = match &self.joint {
            Some(joint) => (joint.at(), joint.held()),
            None => (self.ear.trend.at(), self.ear.trend.held()),
        };
        let gone = |name: &str| format!("{vessel}{LEFT}{name}");
        self.ear = Ear::new(TrendBank::holding(at, &with_hand_wander(held))).into();
        self.others.clear();
        self.joint = None;
        self.beside = Beside::default();
        self.lead = None;
        let sources = std::mem::take(&mut self.sources);
        let renamed = sources.into_iter().map(|(name, source)| {
            let name = if source.is_float() && !has_left(&name) { gone(&name) } else { name };
            (name, source)
        });
        self.sources = renamed.collect();
        if let Some((name, _)) = &mut self.last
            && !self.sources.contains_key(name)
        {
            *name = gone(name);
        }
    }

    /// Once a source of this vessel has spoken, the floats that were left say nothing any more.
    pub(crate) fn forget_left(&mut self) {
        let spoke = self.last.as_ref().is_some_and(|(name, _)| !has_left(name));
        if spoke && self.sources.keys().any(|name| has_left(name)) {
            self.sources.retain(|name, _| !has_left(name));
        }
    }

    /// Where the tail had come and its float was left, a person's samples begin it anew.
    pub(crate) fn begin_hand_tail(&mut self, time: f64) {
        if self.fall.ended && self.ear.tail.is_none() && self.lead.is_none() {
            let expected = self.expected_end(None);
            self.ear.start_tail(time, expected);
        }
    }
}

/// Between samples a fall may begin and be over: a bank that a float has taught has no filter that
/// holds so, and gets one.
fn with_hand_wander(mut held: Vec<(usize, Filter<5>)>) -> Vec<(usize, Filter<5>)> {
    let hand = WANDERS.len() - 1;
    let best = held.iter().max_by(|a, b| a.1.log_weight.total_cmp(&b.1.log_weight));
    let anew = best.map(|(_, filter)| (hand, filter.clone()));
    if held.iter().all(|(wander, _)| *wander != hand) {
        held.extend(anew);
    }
    held
}

fn has_left(name: &str) -> bool {
    name.contains(LEFT)
}

#[cfg(test)]
mod tests {
    use crate::{Belief, Expectation, Expected, GravityReading, Kind, Original, Taken};
    use quantity::{GravityDelta, Span, Stamp};

    fn at(hours: f64) -> Stamp {
        Stamp::from_millis(0) + Span::from_hours_f64(hours)
    }

    fn take(belief: &mut Belief, source: &str, hours: f64, sg: f64) -> Taken {
        let kind = if source == "hand" { Kind::Hand { sd_points: 0.5 } } else { Kind::Float };
        let source = source.to_owned();
        belief.take(&GravityReading { at: at(hours), source, kind, sg, temperature: None })
    }

    /// The beer, which falls from 1.048 towards 1.012; its float reads 2 points too high.
    fn truth(hours: f64) -> f64 {
        1.012 + 0.036 * (-hours / 30.0).exp()
    }

    fn moved_after(hours: f64) -> Belief {
        let expectation = Expectation {
            original: Original::Sampled { sg: 1.048, sd_points: 1.0 },
            final_sg: Some(Expected { sg: 1.012, sd_points: 3.0 }),
        };
        let mut belief = Belief::new(at(0.0), expectation);
        let wobble = |step: f64| 4e-4 * (step * 2.3).sin();
        let mut time = 0.5;
        while time <= hours {
            take(&mut belief, "float", time, truth(time) + 0.002 + wobble(time));
            time += 0.5;
        }
        belief.leave_floats("north");
        belief
    }

    #[test]
    fn what_is_believed_of_the_beer_stands_and_no_offset_does() {
        let mut stayed = moved_after(0.0);
        let mut time = 0.5;
        while time <= 40.0 {
            take(&mut stayed, "float", time, truth(time) + 0.002 + 4e-4 * (time * 2.3).sin());
            time += 0.5;
        }
        let before = stayed.estimate().expect("it has read").sg;
        let mut moved = stayed.clone();
        moved.leave_floats("north");
        let after = moved.estimate().expect("it is known").sg;
        assert!((before.value - after.value).abs() < 5e-5, "{before:?} {after:?}");
        assert!(after.sd >= 0.8 * before.sd && after.sd <= 1.5 * before.sd, "{before:?} {after:?}");
        assert!(moved.sources().iter().all(|report| report.offset.is_none()));
        let share = |belief: &Belief| belief.fallen(GravityDelta::Points(10.0)).probability;
        assert!(share(&moved) > Some(0.95), "{:?}", share(&moved));
    }

    #[test]
    fn another_float_is_learnt_against_the_beer_that_came() {
        let mut belief = moved_after(40.0);
        for step in 1..=60 {
            let time = 40.0 + 0.5 * f64::from(step);
            take(&mut belief, "float", time, truth(time) - 0.006 + 4e-4 * (time * 1.7).sin());
        }
        let report = belief.sources().into_iter().find(|report| report.name == "float");
        let offset = report.and_then(|report| report.offset).expect("it has read");
        assert!(offset.value < -4.0 && offset.value > -8.0, "{offset:?}");
        let now = belief.estimate().expect("it is known").sg;
        assert!((now.value - truth(70.0)).abs() < 0.003, "{now:?} {}", truth(70.0));
        assert_eq!(belief.sources().len(), 1);
    }

    #[test]
    fn it_is_known_for_a_while_and_then_no_more_until_another_speaks() {
        let mut belief = moved_after(40.0);
        belief.advance(at(42.0));
        assert!(belief.fallen(GravityDelta::Points(5.0)).probability.is_some());
        belief.advance(at(60.0));
        assert_eq!(belief.fallen(GravityDelta::Points(5.0)).probability, None);
        assert_eq!(take(&mut belief, "hand", 61.0, truth(61.0)), Taken::Believed);
        assert!(belief.fallen(GravityDelta::Points(5.0)).probability.is_some());
    }

    #[test]
    fn samples_alone_can_show_the_end_of_a_beer_that_came_without_its_float() {
        let mut belief = moved_after(110.0);
        assert!(belief.fall.ended);
        for step in 0..16 {
            let time = 112.0 + 12.0 * f64::from(step);
            take(&mut belief, "hand", time, truth(time));
        }
        assert!(belief.ear.tail.is_some());
        let end = belief.final_gravity().expect("it is known");
        assert!((end.value - 1.012).abs() < 0.0015, "{end:?}");
    }
}
