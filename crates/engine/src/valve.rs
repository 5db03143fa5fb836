//! Valves on a shared cooler: who may open where not all may at once.
//!
//! A valve that may not open asks for its turn while its beer is too warm. Who has waited longest
//! or is farthest off goes first: a turn of waiting weighs as much as 1 K, and no beer weighs more
//! than that by being off, so that one that is being chilled for days never starves one that
//! ferments. A valve that has been open for its turn makes room where another asks. From memory of
//! how weak cold sources are shared, no source.

use crate::context::Context;
use crate::cooler::Cooler;
use crate::effect::OutputKind;
use crate::vessel::Vessel;
use quantity::{Span, Stamp, Temperature};
use schedule::Name;
use schedule::config;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A valve makes room after this time, where another asks.
const TURN: Span = Span::from_mins(20);
/// A beer is no more urgent by being farther off than this, in K.
const URGENT_K: f64 = 1.0;
/// A turn that is not taken is over after this time.
const UNUSED: Span = Span::from_secs(60);

/// How a vessel's valve stands to its cooler.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Valve {
    /// It must not open: since when it waits for its turn, and how many may be open at once.
    pub barred: Option<(Stamp, u32)>,
    /// How far its beer is too warm, in K, where it would open.
    asks: Option<f64>,
}

/// A valve's turn, as its cooler keeps it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) enum Turn {
    /// It may open, since then; and when it was last open, if it was.
    Has { since: Stamp, open: Option<Stamp> },
    /// It may not, and does not ask.
    None,
    /// It asks, since then.
    Waits { since: Stamp },
}

impl Turn {
    /// Time away came to light: it has waited no longer than it seemed.
    pub fn slept(&mut self, started: Stamp, away: Span) {
        let shift = |at: &mut Stamp| {
            if *at >= started {
                *at = *at + away;
            }
        };
        match self {
            Turn::Has { since, open } => {
                shift(since);
                open.iter_mut().for_each(shift);
            }
            Turn::Waits { since } => shift(since),
            Turn::None => {}
        }
    }

    fn is_had(self) -> bool {
        matches!(self, Turn::Has { .. })
    }
}

impl Vessel {
    /// Notes whether the valve would open to hold the beer at `cool_at`, and whether it may.
    ///
    /// A valve that waits asks once its beer is half the band above: an early call that looks ahead
    /// is not worth another's turn.
    pub fn ask_for_cold(
        &mut self,
        config: &config::Vessel,
        cool_at: Option<Temperature>,
    ) -> Option<Temperature> {
        if config.chiller.as_ref().is_none_or(|valve| valve.from.is_none()) {
            self.valve = Valve::default();
            return cool_at;
        }
        let above = |at: Temperature| self.beer_now(config).map(|beer| (beer - at).kelvin());
        let half = 0.5 * config.control.hysteresis.kelvin();
        self.valve.asks = cool_at.and_then(above).filter(|above| *above > half);
        cool_at.filter(|_| self.valve.barred.is_none())
    }

    /// Since when the valve waits for its turn, where it would open; and how many may be open.
    pub fn waits_for_turn(&self) -> Option<(Stamp, u32)> {
        self.valve.barred.filter(|_| self.valve.asks.is_some())
    }

    fn is_open(&self) -> bool {
        self.told.get(&OutputKind::Chiller).is_some_and(|told| told.on)
    }
}

/// In words, for a valve that waits.
pub(crate) fn turn_text(cx: &Context<'_, '_>, since: Stamp, at_once: u32) -> String {
    let cooler = cx.setup.config.chiller.as_ref().and_then(|valve| valve.from.as_ref());
    let valves = if at_once == 1 { "one valve".to_owned() } else { format!("{at_once} valves") };
    format!(
        "its valve has waited for its turn since {}: the cooler {} serves {valves} at a time, \
         first who has waited longest or is farthest off",
        cx.clock.wall_of(since),
        cooler.map_or("", Name::as_str)
    )
}

/// Gives turns to the valves of a cooler that lets `at_once` of them be open; all, where it is not
/// said.
pub(crate) fn take_turns(
    cooler: &mut Cooler,
    at_once: Option<u32>,
    drawing: &[Name],
    vessels: &mut BTreeMap<Name, Vessel>,
    now: Stamp,
) {
    let limit = at_once.filter(|most| (*most as usize) < drawing.len());
    cooler.turns.retain(|name, _| drawing.contains(name) && limit.is_some());
    let Some(limit) = limit else {
        for name in drawing {
            if let Some(vessel) = vessels.get_mut(name) {
                vessel.valve.barred = None;
            }
        }
        return;
    };
    let turns = &mut cooler.turns;
    for name in drawing {
        let Some(vessel) = vessels.get(name) else { continue };
        let turn = turns.entry(name.clone()).or_insert(Turn::None);
        *turn = gone_on(*turn, vessel, now);
    }
    let waiting = turns.values().filter(|turn| matches!(turn, Turn::Waits { .. })).count();
    make_room(turns, limit as usize, waiting, now);
    let had = turns.values().filter(|turn| turn.is_had()).count();
    for name in next(turns, vessels, now).into_iter().take((limit as usize).saturating_sub(had)) {
        turns.insert(name, Turn::Has { since: now, open: None });
    }
    for name in drawing {
        let (Some(vessel), Some(turn)) = (vessels.get_mut(name), turns.get(name)) else {
            continue;
        };
        vessel.valve.barred = match turn {
            Turn::Has { .. } => None,
            Turn::Waits { since } => Some((*since, limit)),
            Turn::None => Some((now, limit)),
        };
    }
}

/// What becomes of a turn by what the valve does.
fn gone_on(turn: Turn, vessel: &Vessel, now: Stamp) -> Turn {
    match turn {
        Turn::Has { since, .. } if vessel.is_open() => Turn::Has { since, open: Some(now) },
        Turn::Has { since, open } if now.since(open.unwrap_or(since)) < UNUSED => turn,
        // Open before there was a limit.
        Turn::None if vessel.is_open() => Turn::Has { since: now, open: Some(now) },
        Turn::Waits { .. } if vessel.valve.asks.is_some() => turn,
        _ if vessel.valve.asks.is_some() => Turn::Waits { since: now },
        _ => Turn::None,
    }
}

/// Ends the turns of those who have had them longest, as many as are waited for.
fn make_room(turns: &mut BTreeMap<Name, Turn>, limit: usize, waiting: usize, now: Stamp) {
    let mut had: Vec<(Stamp, Name)> = turns
        .iter()
        .filter_map(|(name, turn)| match turn {
            Turn::Has { since, .. } => Some((*since, name.clone())),
            _ => None,
        })
        .collect();
    had.sort();
    let free = limit.saturating_sub(had.len());
    // More may be open than are allowed: the limit may have become smaller.
    let over = had.len().saturating_sub(limit);
    let asked = waiting.saturating_sub(free);
    for (number, (since, name)) in had.into_iter().enumerate() {
        let is_over = now.since(since) >= TURN && number < over + asked;
        if number < over || is_over {
            turns.insert(name, Turn::Waits { since: now });
        }
    }
}

/// Those who wait, in the order in which they go.
fn next(turns: &BTreeMap<Name, Turn>, vessels: &BTreeMap<Name, Vessel>, now: Stamp) -> Vec<Name> {
    let mut waiting: Vec<(f64, &Name)> = turns
        .iter()
        .filter_map(|(name, turn)| match turn {
            // Whose turn has just ended waits with the others from the next time on.
            Turn::Waits { since } if *since < now => {
                let asks = vessels.get(name)?.valve.asks?;
                let waited = now.since(*since).hours() / TURN.hours();
                Some((asks.min(URGENT_K) + waited, name))
            }
            _ => None,
        })
        .collect();
    waiting.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    waiting.into_iter().map(|(_, name)| name.clone()).collect()
}
