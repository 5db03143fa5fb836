//! Milestones: yes, no or unknown, each with its evidence; lists by Kleene's three-valued logic.

use crate::words;
use belief::{Belief, Care, Judgement, Lacking, StableJudgement};
use quantity::{GravityDelta, Share, Show, Span};
use schedule::model::Milestone;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// An answer that may be missing; only yes counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Answer {
    Yes,
    No,
    Unknown,
}

/// An answer to one milestone, with its evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Verdict {
    /// The question, in words.
    pub milestone: String,
    pub answer: Answer,
    /// How it stands, in words.
    pub now: String,
    /// What it needs for yes, in words.
    pub needs: String,
    /// That it is so, on what evidence, in words; looked at only where the answer is yes.
    pub met: String,
    /// The figures.
    pub data: Value,
}

/// An answer to a tree of milestones.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Finding {
    pub answer: Answer,
    /// Of the leaves, in order.
    pub verdicts: Vec<Verdict>,
}

/// Whether the beer has been at its target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum AtTarget {
    /// For this long.
    For(Span),
    /// The setpoint is still on its way.
    Moving,
    /// The beer is this far away, in K.
    Away(f64),
    /// There is no beer temperature.
    Blind,
}

/// What milestones are judged by.
pub(crate) struct Judge<'a> {
    pub belief: &'a Belief,
    /// 0.5 to 0.999.
    pub confidence: f64,
    pub care: Care,
    /// `None` while the clock is doubtful.
    pub elapsed: Option<Span>,
    /// `None` while the clock is doubtful.
    pub since_pitch: Option<Span>,
    pub at_target: AtTarget,
    pub confirmed: &'a BTreeSet<String>,
    /// Verdicts that stay yes within their stage.
    pub latches: &'a BTreeMap<String, Verdict>,
    pub show: Show,
}

impl Answer {
    /// `yes`, `no` or `unknown`.
    pub fn as_str(self) -> &'static str {
        match self {
            Answer::Yes => "yes",
            Answer::No => "no",
            Answer::Unknown => "unknown",
        }
    }

    fn and(self, other: Answer) -> Answer {
        match (self, other) {
            (Answer::No, _) | (_, Answer::No) => Answer::No,
            (Answer::Yes, Answer::Yes) => Answer::Yes,
            _ => Answer::Unknown,
        }
    }

    fn or(self, other: Answer) -> Answer {
        match (self, other) {
            (Answer::Yes, _) | (_, Answer::Yes) => Answer::Yes,
            (Answer::No, Answer::No) => Answer::No,
            _ => Answer::Unknown,
        }
    }

    fn of(yes: bool) -> Answer {
        if yes { Answer::Yes } else { Answer::No }
    }
}

/// The key under which a leaf's latch is kept: two milestones that ask the same share it.
pub(crate) fn latch_key(milestone: &Milestone) -> String {
    format!("{milestone:?}")
}

impl Judge<'_> {
    /// Answers a tree of milestones.
    pub fn find(&self, milestone: &Milestone) -> Finding {
        let (list, join, start): (_, fn(Answer, Answer) -> Answer, _) = match milestone {
            Milestone::All(list) => (list, Answer::and, Answer::Yes),
            Milestone::Any(list) => (list, Answer::or, Answer::No),
            leaf => {
                let verdict = self.leaf(leaf);
                return Finding { answer: verdict.answer, verdicts: vec![verdict] };
            }
        };
        let mut finding = Finding { answer: start, verdicts: Vec::new() };
        for inner in list {
            let mut found = self.find(inner);
            finding.answer = join(finding.answer, found.answer);
            finding.verdicts.append(&mut found.verdicts);
        }
        finding
    }

    /// The sentences whose confirmation is all that is still missing beside what is yes.
    pub fn due_confirmations(&self, milestone: &Milestone) -> Vec<String> {
        match milestone {
            Milestone::Confirm(say) => {
                let open = self.leaf(milestone).answer != Answer::Yes;
                if open { vec![say.clone()] } else { Vec::new() }
            }
            Milestone::Any(list) => {
                if self.find(milestone).answer == Answer::Yes {
                    return Vec::new();
                }
                list.iter().flat_map(|inner| self.due_confirmations(inner)).collect()
            }
            Milestone::All(list) => {
                let asks = |inner: &Milestone| {
                    inner.any_leaf(&mut |leaf| matches!(leaf, Milestone::Confirm(_)))
                };
                let rest_is_yes = list
                    .iter()
                    .filter(|inner| !asks(inner))
                    .all(|inner| self.find(inner).answer == Answer::Yes);
                if !rest_is_yes {
                    return Vec::new();
                }
                list.iter().flat_map(|inner| self.due_confirmations(inner)).collect()
            }
            _ => Vec::new(),
        }
    }

    fn leaf(&self, milestone: &Milestone) -> Verdict {
        if let Some(latched) = self.latches.get(&latch_key(milestone)) {
            return latched.clone();
        }
        let text = schedule::milestone_text(milestone, self.show);
        match milestone {
            Milestone::Attenuation(share) => {
                self.share(text, "apparent attenuation", &self.belief.attenuation(*share), *share)
            }
            Milestone::Progress(share) => {
                self.share(text, "progress", &self.belief.progress(*share), *share)
            }
            Milestone::Gravity(gravity) => {
                let now =
                    |sg: f64, sd: f64| format!("gravity {}", self.show.gravity_with_sd(sg, sd));
                let met = |now: &str| format!("{now} is {}", at_or_below(&text));
                let judged = self.belief.at_or_below(*gravity);
                self.judged(text.clone(), &judged, now, met, json!({ "needs_sg": gravity.sg() }))
            }
            Milestone::AboveFinal(delta) => {
                let judged = self.belief.above_final(*delta);
                self.points(&text, "above it", &judged, *delta)
            }
            Milestone::Drop(delta) => {
                self.points(&text, "so far", &self.belief.fallen(*delta), *delta)
            }
            Milestone::SlowerThan(rate) => {
                let now = |rate: f64, sd: f64| words::rate(rate, sd, self.show);
                let met = |now: &str| format!("{text}: {now}");
                let judged = self.belief.slower_than(*rate);
                self.judged(text.clone(), &judged, now, met, json!({}))
            }
            Milestone::Stable { within, over } => {
                let judged = self.belief.stable(*within, *over, self.confidence, self.care);
                self.stable(text, &judged)
            }
            Milestone::AtTarget(time) => self.at_target(text, *time),
            Milestone::Elapsed(time) => span_verdict(text, self.elapsed, *time, "in this stage"),
            Milestone::SincePitch(time) => {
                span_verdict(text, self.since_pitch, *time, "since pitching")
            }
            Milestone::Confirm(say) => self.confirm(text, say),
            // Lists are taken apart by `find`; alone here they would be a list of nothing known.
            Milestone::All(_) | Milestone::Any(_) => Verdict {
                milestone: text,
                answer: self.find(milestone).answer,
                now: String::new(),
                needs: String::new(),
                met: String::new(),
                data: Value::Null,
            },
        }
    }

    fn share(&self, text: String, name: &str, judged: &Judgement, needs: Share) -> Verdict {
        let now =
            |value: f64, sd: f64| format!("{name} {:.1} ± {:.1} %", value * 100.0, sd * 100.0);
        let percent = needs.percent();
        let met = |now: &str| format!("{now} passed {percent:.4}").replace(".0000", "") + " %";
        self.judged(text, judged, now, met, json!({ "needs_percent": percent }))
    }

    fn points(&self, text: &str, what: &str, judged: &Judgement, needs: GravityDelta) -> Verdict {
        let now = |points: f64, sd: f64| {
            format!("{} {what}", words::points_with_sd(points, sd, self.show))
        };
        let met = |now: &str| format!("{text}: {now}");
        let needs = match needs {
            GravityDelta::Points(points) => json!({ "needs_points": points }),
            GravityDelta::Plato(plato) => json!({ "needs_plato": plato }),
        };
        self.judged(text.to_owned(), judged, now, met, needs)
    }

    fn judged(
        &self,
        text: String,
        judged: &Judgement,
        now: impl Fn(f64, f64) -> String,
        met: impl Fn(&str) -> String,
        mut data: Value,
    ) -> Verdict {
        let answer = match judged.probability {
            Some(probability) => Answer::of(probability >= self.confidence),
            None => Answer::Unknown,
        };
        let mut now = judged.value.map_or_else(String::new, |value| now(value.value, value.sd));
        let met = met(&now);
        if let Some(missing) = &judged.missing {
            let missing = words::missing(missing);
            now = if now.is_empty() { missing } else { format!("{now}; {missing}") };
        }
        data["value"] = json!(judged.value.map(|value| value.value));
        data["sd"] = json!(judged.value.map(|value| value.sd));
        data["probability"] = json!(judged.probability);
        let sure = match judged.probability {
            Some(probability) => format!("now {:.0} %", probability * 100.0),
            None => "now unknown".to_owned(),
        };
        let confidence = format!("{:.1}", self.confidence * 100.0).replace(".0", "");
        let needs = format!("to be {confidence} % sure of it, {sure}");
        Verdict { milestone: text, answer, now, needs, met, data }
    }

    fn stable(&self, text: String, judged: &StableJudgement) -> Verdict {
        let answer = judged.answer.map_or(Answer::Unknown, Answer::of);
        let care = match judged.care {
            Care::Quick => "the quicker rule, since what follows can be taken back",
            Care::Safe => "the safer rule, since what follows cannot be taken back",
        };
        let now = match (judged.left, judged.left_upper) {
            (Some(left), Some(upper)) => format!(
                "{} still to fall, at most {}",
                words::points_with_sd(left.value, left.sd, self.show),
                words::points(upper, self.show)
            ),
            _ => "what is still to fall is not known".to_owned(),
        };
        let lacking: Vec<String> =
            judged.lacking.iter().map(|l| words::lacking(l, self.show)).collect();
        let needs = if lacking.is_empty() {
            format!("nothing more ({care})")
        } else {
            format!("{} ({care})", lacking.join("; "))
        };
        let data = json!({
            "care": match judged.care { Care::Quick => "quick", Care::Safe => "safe" },
            "probability": judged.probability,
            "points_left": judged.left.map(|left| left.value),
            "points_left_sd": judged.left.map(|left| left.sd),
            "points_left_upper": judged.left_upper,
            "rate_points_per_day": judged.rate_points_per_day.map(|rate| rate.value),
            "stalled": judged.stalled,
            "temperature_moved":
                judged.lacking.iter().any(|l| matches!(l, Lacking::TemperatureMoved { .. })),
        });
        let met = format!("gravity is stable: {now} ({care})");
        Verdict { milestone: text, answer, now, needs, met, data }
    }

    fn at_target(&self, text: String, time: Span) -> Verdict {
        let (answer, now, seconds) = match self.at_target {
            AtTarget::For(span) => {
                (Answer::of(span >= time), format!("at its target for {span}"), Some(span.secs()))
            }
            AtTarget::Moving => (Answer::No, "the setpoint is still on its way".to_owned(), None),
            AtTarget::Away(kelvin) => {
                let away = self.show.temperature_difference(kelvin.abs());
                let side = if kelvin > 0.0 { "above" } else { "below" };
                (Answer::No, format!("the beer is {away} {side} its target"), None)
            }
            AtTarget::Blind => (Answer::Unknown, "there is no beer temperature".to_owned(), None),
        };
        let data = json!({ "at_target_s": seconds, "needs_s": time.secs() });
        let met = format!("the beer was at its target for {time}");
        Verdict { milestone: text, answer, now, needs: format!("{time} at its target"), met, data }
    }

    fn confirm(&self, text: String, say: &str) -> Verdict {
        let given = self.confirmed.contains(say);
        Verdict {
            milestone: text,
            answer: Answer::of(given),
            now: if given { "confirmed" } else { "not confirmed" }.to_owned(),
            needs: "a person to confirm it".to_owned(),
            met: format!("a person confirmed \"{say}\""),
            data: json!({ "say": say }),
        }
    }
}

fn span_verdict(text: String, passed: Option<Span>, time: Span, what: &str) -> Verdict {
    let (answer, now) = match passed {
        Some(passed) => (Answer::of(passed >= time), format!("{passed} {what}")),
        None => (Answer::Unknown, "the clock is doubtful".to_owned()),
    };
    let data = json!({ "passed_s": passed.map(Span::secs), "needs_s": time.secs() });
    let met = format!("{time} {what} are over");
    Verdict { milestone: text, answer, now, needs: format!("{time} {what}"), met, data }
}

/// What of a milestone's text follows the gravity: `at or below 1.0120 SG`.
fn at_or_below(text: &str) -> &str {
    text.strip_prefix("gravity ").unwrap_or(text)
}

#[cfg(test)]
mod tests {
    use super::Answer::{No, Unknown, Yes};

    #[test]
    fn lists_follow_kleene() {
        for (left, right, and, or) in [
            (Yes, Yes, Yes, Yes),
            (Yes, No, No, Yes),
            (Yes, Unknown, Unknown, Yes),
            (No, No, No, No),
            (No, Unknown, No, Unknown),
            (Unknown, Unknown, Unknown, Unknown),
        ] {
            assert_eq!((left.and(right), right.and(left)), (and, and), "{left:?} and {right:?}");
            assert_eq!((left.or(right), right.or(left)), (or, or), "{left:?} or {right:?}");
        }
    }
}
