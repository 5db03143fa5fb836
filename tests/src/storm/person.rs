//! The people: they tend to their batches, and in a storm they want one thing and its contrary.

use super::draw::Draw;
use engine::Glance;
use engine::view::Alarm;
use quantity::Span;
use schedule::Name;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// A person who waits for so long before the next step, at least and at most, in hours.
const CALM_WAITS: (f64, f64) = (0.2, 2.0);

/// What a person sees of a vessel.
pub struct Sight<'a> {
    /// Which vessel.
    pub vessel: &'a Name,
    /// How it stands.
    pub glance: &'a Glance,
    /// The beer's true gravity.
    pub sg: f64,
    /// The last stage's name and since when it runs, in ms.
    pub stage_since: i64,
    /// The alarms that stand.
    pub alarms: &'a [Alarm],
    /// Whether both outputs are locked off.
    pub locked: bool,
    /// The last wort was pitched since the storm ended, or the batch that then ran.
    pub done: bool,
}

/// What a person wants.
pub enum Want {
    /// A new batch, on a schedule yet to be drawn.
    Pitch,
    /// The edited schedule under the batch.
    Revise,
    /// A command.
    Command(Value),
}

/// The people of a cellar.
pub struct Person {
    draw: Draw,
    ids: u64,
    next: BTreeMap<Name, i64>,
    /// Sentences that were asked for, and when they will be confirmed.
    asked: Vec<(i64, Name, String)>,
    sampled: BTreeMap<Name, i64>,
    /// How often somebody had to help a batch over a stage after the storm.
    pub helped: u32,
}

impl Person {
    /// Nobody has done anything yet.
    pub fn new(draw: Draw) -> Self {
        Person {
            draw,
            ids: 0,
            next: BTreeMap::new(),
            asked: Vec::new(),
            sampled: BTreeMap::new(),
            helped: 0,
        }
    }

    /// A sentence is to be confirmed.
    pub fn is_asked(&mut self, vessel: &Name, say: &str, now: i64, storm: bool) {
        if storm && self.draw.happens(0.2) {
            return;
        }
        let wait = self.draw.minutes(1.0, if storm { 900.0 } else { 60.0 });
        self.asked.push((now + wait.millis(), vessel.clone(), say.to_owned()));
    }

    /// An `id` that no command had.
    pub fn id(&mut self) -> String {
        self.ids += 1;
        format!("p-{}", self.ids)
    }

    /// What is wanted of this vessel now.
    pub fn wants(&mut self, sight: &Sight<'_>, now: i64, storm: bool, wild: bool) -> Option<Want> {
        let due = |(at, vessel, _): &(i64, Name, String)| *at <= now && vessel == sight.vessel;
        if let Some(place) = self.asked.iter().position(due) {
            let (_, _, say) = self.asked.swap_remove(place);
            return Some(Want::Command(json!({ "do": "confirm", "say": say })));
        }
        let next = *self.next.entry(sight.vessel.clone()).or_insert(now);
        if now < next {
            return None;
        }
        let wait = match (wild, storm) {
            (true, _) => self.draw.minutes(0.1, 5.0),
            (false, true) => self.draw.wait(8.0) + Span::from_mins(5),
            (false, false) => self.draw.minutes(CALM_WAITS.0 * 60.0, CALM_WAITS.1 * 60.0),
        };
        self.next.insert(sight.vessel.clone(), now + wait.millis());
        if storm { Some(self.storms(sight)) } else { self.tends(sight, now) }
    }

    /// Tends to a batch until it is done.
    fn tends(&mut self, sight: &Sight<'_>, now: i64) -> Option<Want> {
        let command = |value: Value| Some(Want::Command(value));
        let (run, day) = (sight.glance.run, 24 * 3_600_000);
        if sight.locked {
            return command(json!({ "do": "unlock" }));
        }
        let stops = ["clock-doubtful", "heater-no-effect"];
        let unseen = |alarm: &Alarm| !alarm.acknowledged && stops.contains(&alarm.id.as_str());
        if sight.alarms.iter().any(unseen) {
            return command(json!({ "do": "acknowledge" }));
        }
        match run {
            "held" => command(json!({ "do": "resume" })),
            "running" if now - sight.stage_since > 6 * day => {
                self.helped += 1;
                command(json!({ "do": "advance" }))
            }
            "running" => {
                let sampled = self.sampled.entry(sight.vessel.clone()).or_insert(0);
                if now - *sampled < day {
                    return None;
                }
                *sampled = now;
                let gravity = format!("{:.4} SG", sight.sg);
                command(json!({ "do": "sample", "gravity": gravity, "instrument": "hydrometer" }))
            }
            "complete" => None,
            _ if sight.done => None,
            _ => Some(Want::Pitch),
        }
    }

    /// Does anything.
    fn storms(&mut self, sight: &Sight<'_>) -> Want {
        let under_way = matches!(sight.glance.run, "running" | "held");
        if !under_way && self.draw.happens(0.5) {
            return Want::Pitch;
        }
        let draw = &mut self.draw;
        let celsius = |draw: &mut Draw| format!("{:.1} C", draw.between(-3.0, 29.0));
        let stage = format!("{} {}", draw.pick(&["cold", "warm", "move"]), draw.whole(0, 4));
        Want::Command(match draw.whole(0, 27) {
            0 => json!({ "do": "hold" }),
            1 => json!({ "do": "hold", "target": celsius(draw) }),
            2 | 3 => json!({ "do": "resume" }),
            4 => json!({ "do": "advance" }),
            5 => json!({ "do": "advance", "to": stage }),
            6 => json!({ "do": "nudge", "by": format!("{:.1} C", draw.between(-9.0, 9.0)) }),
            7 => json!({ "do": "nudge", "target": celsius(draw), "until": "3 h" }),
            8 => json!({ "do": "confirm" }),
            9 => json!({ "do": "lock", "because": "Cleaning" }),
            10..=12 => json!({ "do": "unlock" }),
            13 => json!({ "do": "park", "target": celsius(draw), "for": "5 h" }),
            14 => json!({ "do": "unpark" }),
            15 => json!({ "do": "acknowledge" }),
            16 => json!({ "do": "shelve", "alarm": "off-target", "for": "2 h" }),
            17 => {
                let sg = (sight.sg + draw.between(-0.004, 0.004)).clamp(0.99, 1.1);
                json!({ "do": "sample", "gravity": format!("{sg:.4} SG") })
            }
            18 => json!({ "do": "source", "name": "float", "action": "aside", "for": "2 h" }),
            19 => json!({ "do": "source", "name": "float", "action": "return" }),
            20 => json!({ "do": "addition", "what": "Sugar", "extract": "300 g" }),
            21 => json!({ "do": "addition", "what": "Dry hops", "disturbs": "4 h" }),
            22 => {
                let last = format!("{:.4} SG", draw.between(1.006, 1.018));
                json!({ "do": "expect", "final_gravity": last, "because": "A forced test" })
            }
            23 => json!({ "do": "note", "text": "Smells of apples" }),
            24 => return Want::Revise,
            25 if draw.happens(0.3) => json!({ "do": "abort" }),
            25 => json!({ "do": "fly" }),
            _ if draw.happens(0.3) => json!({ "do": "stop" }),
            _ => json!({ "do": "note", "text": "" }),
        })
    }
}
