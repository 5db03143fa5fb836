//! One output: when it ran, when it may start, when it may stop.

use crate::Rests;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// One of the two outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Output {
    /// What cools the beer.
    Chiller,
    /// What warms the beer.
    Heater,
}

impl Output {
    /// 1 where it works on a beer that is too warm, −1 where on one that is too cold.
    pub(crate) fn sign(self) -> f64 {
        match self {
            Output::Chiller => 1.0,
            Output::Heater => -1.0,
        }
    }

    /// The other one.
    pub(crate) fn opposite(self) -> Output {
        match self {
            Output::Chiller => Output::Heater,
            Output::Heater => Output::Chiller,
        }
    }
}

/// Both outputs. Invariant: never both on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Relays {
    pub chiller: Relay,
    pub heater: Relay,
}

impl Relays {
    /// Both count as just stopped.
    pub fn new(start: Stamp) -> Self {
        Relays { chiller: Relay::new(start), heater: Relay::new(start) }
    }

    pub fn of(&self, output: Output) -> &Relay {
        match output {
            Output::Chiller => &self.chiller,
            Output::Heater => &self.heater,
        }
    }

    pub fn of_mut(&mut self, output: Output) -> &mut Relay {
        match output {
            Output::Chiller => &mut self.chiller,
            Output::Heater => &mut self.heater,
        }
    }

    /// Which output is on.
    pub fn running(&self) -> Option<Output> {
        [Output::Chiller, Output::Heater].into_iter().find(|output| self.of(*output).is_on())
    }
}

/// The state and the counters of one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Relay {
    /// Since when it is on; `None` while off.
    pub on_since: Option<Stamp>,
    /// Its rest is counted from here: the end of its last run, or the start that does not tell.
    pub rests_since: Stamp,
    /// The end of its last run; `None` where it is not known ever to have run.
    pub ran_until: Option<Stamp>,
    /// How often it was switched on.
    pub starts: u64,
    /// For how long it was on, runs that ended only.
    pub on: Span,
}

impl Relay {
    /// An output that counts as just stopped.
    pub fn new(start: Stamp) -> Self {
        Relay { on_since: None, rests_since: start, ran_until: None, starts: 0, on: Span::ZERO }
    }

    pub fn is_on(&self) -> bool {
        self.on_since.is_some()
    }

    pub fn start(&mut self, now: Stamp) {
        if self.on_since.is_none() {
            self.on_since = Some(now);
            self.starts += 1;
        }
    }

    pub fn stop(&mut self, now: Stamp) {
        if let Some(since) = self.on_since.take() {
            self.on = self.on + now.since(since);
            self.rests_since = now;
            self.ran_until = Some(now);
        }
    }

    /// A process that was last heard of at `died` left it on or off, and it is off `now`. It counts
    /// as just stopped where it was on, and where its end was not `seen`: it may have run since.
    pub fn lost(&mut self, died: Stamp, now: Stamp, seen: bool) {
        if self.is_on() {
            self.stop(died);
            self.rests_since = now;
            self.ran_until = Some(now);
        } else if !seen {
            self.rests_since = now;
        }
    }

    /// For how long it has been on in this run.
    pub fn run(&self, now: Stamp) -> Span {
        self.on_since.map_or(Span::ZERO, |since| now.since(since))
    }

    /// For how long it was on in all.
    pub fn total(&self, now: Stamp) -> Span {
        self.on + self.run(now)
    }

    /// Until when it must go on running; `None` where it may stop.
    pub fn must_run_until(&self, now: Stamp, rests: Rests) -> Option<Stamp> {
        self.on_since.map(|since| since + rests.min_on).filter(|until| *until > now)
    }

    /// Until when it must rest; `None` where it may start.
    pub fn must_rest_until(&self, now: Stamp, rests: Rests) -> Option<Stamp> {
        Some(self.rests_since + rests.min_off).filter(|until| *until > now)
    }

    /// Until when the other output must wait for this one; `None` where it need not.
    pub fn holds_up_until(&self, now: Stamp, changeover: Span) -> Option<Stamp> {
        self.ran_until.map(|_| self.rests_since + changeover).filter(|until| *until > now)
    }

    /// For how long it has been idle; `None` where it is not known ever to have run.
    pub fn idle(&self, now: Stamp) -> Option<Span> {
        if self.is_on() { Some(Span::ZERO) } else { self.ran_until.map(|until| now.since(until)) }
    }
}
