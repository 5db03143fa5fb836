//! What the drivers of recorded, piped and simulated runs share: time in ticks, and a program that
//! answers confirmations by itself.

use engine::{Command, CommandInput, Effect, Engine, Input, Kind, Now, Point, Record};
use quantity::{Span, Stamp};
use schedule::Name;

/// A driver gives a tick at least this often, in the vessels' time.
pub const TICK: Span = Span::from_secs(10);

/// Time is not let pass by more than this at once: a wrong year would take hours.
pub const LEAP_MAX: Span = Span::from_hours(366 * 24);

/// An engine whose clock only an input moves.
pub struct Driver {
    /// The engine that is driven.
    pub engine: Engine,
    now: Option<Stamp>,
    records: Vec<Record>,
    points: Vec<Point>,
    effects: Vec<Effect>,
}

impl Driver {
    /// A driver at the beginning of time.
    pub fn new(engine: Engine) -> Self {
        Driver { engine, now: None, records: Vec::new(), points: Vec::new(), effects: Vec::new() }
    }

    /// The present; `None` before the first input.
    pub fn now(&self) -> Option<Stamp> {
        self.now
    }

    /// Why time cannot pass to `at`.
    pub fn refuse_leap(&self, at: Stamp) -> Option<String> {
        let passed = at.since(self.now?);
        let leaps = passed > LEAP_MAX;
        leaps.then(|| format!("the time leaps by {passed}: at most {LEAP_MAX} pass at once"))
    }

    /// Lets time pass up to `at` in ticks on a grid that does not depend on when inputs come.
    pub fn pass(&mut self, at: Stamp) {
        while self.step(at) {}
    }

    /// One tick towards `at`; `false` once it is reached.
    pub fn step(&mut self, at: Stamp) -> bool {
        let next = match self.now {
            None => at,
            Some(now) if now >= at => return false,
            Some(now) => next_tick(now).min(at),
        };
        self.handle_at(next, Input::Tick);
        next < at
    }

    /// Lets time pass up to `at`, where a reading comes: it brings its vessel to that instant, so
    /// no tick is given there.
    pub fn approach(&mut self, at: Stamp) {
        while self.step_towards(at) {}
    }

    /// One tick on the way to a reading that comes at `at`; `false` once it is its turn.
    pub fn step_towards(&mut self, at: Stamp) -> bool {
        let Some(next) = self.now.map(next_tick).filter(|next| *next < at) else {
            self.now = self.now.max(Some(at));
            return false;
        };
        self.handle_at(next, Input::Tick);
        true
    }

    /// Gives an input at the present.
    pub fn give(&mut self, input: Input) {
        if let Some(now) = self.now {
            self.handle_at(now, input);
        }
    }

    /// Whether nothing came of all inputs since the records, points and effects were taken.
    pub fn is_quiet(&self) -> bool {
        self.records.is_empty() && self.points.is_empty() && self.effects.is_empty()
    }

    /// The records since the last time this was asked.
    pub fn take_records(&mut self) -> Vec<Record> {
        std::mem::take(&mut self.records)
    }

    /// The points of the batches' courses since the last time this was asked.
    pub fn take_points(&mut self) -> Vec<Point> {
        std::mem::take(&mut self.points)
    }

    /// All other effects since the last time this was asked.
    pub fn take_effects(&mut self) -> Vec<Effect> {
        std::mem::take(&mut self.effects)
    }

    fn handle_at(&mut self, at: Stamp, input: Input) {
        self.now = Some(at);
        for effect in self.engine.handle(Now::same(at), input) {
            match effect {
                Effect::Record(record) => self.records.push(record),
                Effect::Point(point) => self.points.push(point),
                other => self.effects.push(other),
            }
        }
    }
}

/// The first tick after `now`, on a grid that does not depend on when inputs come.
fn next_tick(now: Stamp) -> Stamp {
    let tick = TICK.millis();
    Stamp::from_millis((now.millis().div_euclid(tick) + 1) * tick)
}

/// Answers confirmations after a while, as `rehearse` and `replay` do.
pub struct Confirmer {
    after: Span,
    by: &'static str,
    due: Vec<(Stamp, Name, String)>,
}

impl Confirmer {
    /// One that answers after this time, under this name.
    pub fn new(after: Span, by: &'static str) -> Self {
        Confirmer { after, by, due: Vec::new() }
    }

    /// Looks at records for calls to confirm.
    pub fn look(&mut self, records: &[Record], now: Stamp) {
        for record in records.iter().filter(|record| record.kind == Kind::ConfirmDue) {
            let say = record.data.get("say").and_then(serde_json::Value::as_str);
            let (Some(say), Some(vessel)) = (say, record.vessel.clone()) else { continue };
            let known = self.due.iter().any(|(_, v, s)| *v == vessel && s == say);
            if !known {
                self.due.push((now + self.after, vessel, say.to_owned()));
            }
        }
    }

    /// The commands that are due by now.
    pub fn due(&mut self, now: Stamp) -> Vec<Input> {
        if self.due.is_empty() {
            return Vec::new();
        }
        let (due, later): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.due).into_iter().partition(|(at, ..)| *at <= now);
        self.due = later;
        let inputs = due
            .into_iter()
            .map(|(_, vessel, say)| command(vessel, self.by, Command::Confirm { say: Some(say) }));
        inputs.collect()
    }
}

/// A command that the program itself gives, under its name.
pub fn command(vessel: Name, by: &str, command: Command) -> Input {
    Input::from(CommandInput {
        vessel,
        id: None,
        by: Some(by.to_owned()),
        command: Ok(command),
        schedule: None,
        calibration: None,
        history: Vec::new(),
    })
}
