//! Two clocks: one that never steps, for spans, and the wall clock, for the record.

use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// The time of an input, on both clocks.
///
/// In a recorded or simulated run both are the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Now {
    /// The monotonic clock of this process, from any origin; never falls between two starts.
    pub monotonic: Stamp,
    /// The wall clock; may step either way.
    pub wall: Stamp,
}

impl Now {
    /// Both clocks alike, for recorded and simulated runs.
    pub fn same(at: Stamp) -> Self {
        Now { monotonic: at, wall: at }
    }
}

/// Smaller differences between the clocks are the wall clock being set right, not a step.
const STEP: i64 = Span::from_secs(60).millis();
/// A forward step this soon after a start is the clock of a machine that had none: time away.
const AFTER_START: Span = Span::from_mins(10);

/// The engine's own time: steady within a run, and counting the time away at a start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Clock {
    /// The engine's time of the last input; never falls.
    pub steady: Stamp,
    /// The clocks of the last input.
    last: Now,
    /// When this process began, in steady time.
    started: Stamp,
    /// The latest wall time on record, while the wall clock is behind it.
    pub doubtful_until: Option<Stamp>,
    /// How far the wall clock was behind the record when this process began, less what it has
    /// caught up by steps: so much of a step is no time away.
    behind: Span,
}

/// What a clock did between two inputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ClockEvent {
    /// It went on.
    Steady,
    /// The wall clock stepped by so many milliseconds; `away` is what of it counts as time away.
    Stepped { millis: i64, away: Option<Span> },
}

impl Clock {
    /// A clock that begins with the first input.
    pub fn new(now: Now) -> Self {
        Clock {
            steady: now.wall,
            last: now,
            started: now.wall,
            doubtful_until: None,
            behind: Span::ZERO,
        }
    }

    /// Goes on to `now` within one process.
    pub fn advance(&mut self, now: Now) -> ClockEvent {
        let passed = now.monotonic.since(self.last.monotonic);
        let step = now.wall.millis_after(self.last.wall + passed);
        let latest = self.last.wall + passed;
        self.steady = self.steady + passed;
        self.last = Now { monotonic: now.monotonic.max(self.last.monotonic), wall: now.wall };
        if self.doubtful_until.is_some_and(|until| now.wall >= until) {
            self.doubtful_until = None;
        }
        if step.abs() <= STEP {
            return ClockEvent::Steady;
        }
        let soon = self.steady.since(self.started) <= AFTER_START;
        let away = (step > 0 && soon).then(|| self.catch_up(Span::from_millis(step)));
        if step > 0 && !soon {
            self.behind = self.behind.less(Span::from_millis(step));
        } else if step < 0 && self.doubtful_until.is_none() {
            self.doubtful_until = Some(latest);
        }
        ClockEvent::Stepped { millis: step, away }
    }

    /// A machine without a clock of its own starts behind the record: only what a step goes beyond
    /// that record was time away.
    fn catch_up(&mut self, step: Span) -> Span {
        let away = step.less(self.behind);
        self.behind = self.behind.less(step);
        self.steady = self.steady + away;
        // The time away lies before this process began.
        self.started = self.started + away;
        away
    }

    /// A new process begins: the time away is the wall clock less the last one on record.
    pub fn restart(&mut self, now: Now) -> Span {
        let passed = now.wall.millis_after(self.last.wall);
        if passed < -STEP {
            self.doubtful_until = Some(self.doubtful_until.unwrap_or(self.last.wall));
        }
        self.doubtful_until = self.doubtful_until.filter(|until| now.wall < *until);
        self.behind = self.behind + Span::from_millis(-passed);
        let away = self.catch_up(Span::from_millis(passed));
        self.last = now;
        self.started = self.steady;
        away
    }

    /// When this process began, as it was told before so much time away came to light.
    pub fn started_before(&self, away: Span) -> Stamp {
        self.started - away
    }

    /// A person says that the clock is right as it stands.
    pub fn trust(&mut self) {
        self.doubtful_until = None;
        self.behind = Span::ZERO;
    }

    /// The wall time of an instant of steady time, by the present difference of the two.
    pub fn wall_of(&self, steady: Stamp) -> Stamp {
        Stamp::from_millis(self.last.wall.millis() + steady.millis_after(self.steady))
    }

    /// The steady time of an instant of wall time, by the present difference of the two.
    pub fn steady_of(&self, wall: Stamp) -> Stamp {
        Stamp::from_millis(self.steady.millis() + wall.millis_after(self.last.wall))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now(monotonic_s: i64, wall_s: i64) -> Now {
        Now {
            monotonic: Stamp::from_millis(monotonic_s * 1000),
            wall: Stamp::from_millis(wall_s * 1000),
        }
    }

    #[test]
    fn a_step_of_the_wall_clock_moves_nothing() {
        let mut clock = Clock::new(now(0, 100_000));
        clock.advance(now(3600, 103_600));
        let event = clock.advance(now(3610, 110_810));
        assert_eq!(event, ClockEvent::Stepped { millis: 7_200_000, away: None });
        assert_eq!(clock.steady, Stamp::from_millis(103_610_000));
        assert_eq!(clock.wall_of(clock.steady), Stamp::from_millis(110_810_000));
    }

    #[test]
    fn a_step_of_a_minute_is_setting_right() {
        let mut clock = Clock::new(now(0, 0));
        assert_eq!(clock.advance(now(10, 70)), ClockEvent::Steady);
        let away = Some(Span::from_secs(61));
        assert_eq!(clock.advance(now(20, 141)), ClockEvent::Stepped { millis: 61_000, away });
    }

    #[test]
    fn a_forward_step_soon_after_a_start_is_time_away() {
        let mut clock = Clock::new(now(0, 100_000));
        clock.advance(now(3600, 103_600));
        // The machine came up without a clock, an hour behind.
        assert_eq!(clock.restart(now(5, 100_000)), Span::ZERO);
        assert!(clock.doubtful_until.is_some());
        let event = clock.advance(now(65, 110_060));
        let away = Some(Span::from_secs(10_000 - 3600));
        assert_eq!(event, ClockEvent::Stepped { millis: 10_000_000, away });
        assert_eq!(clock.steady, Stamp::from_millis(110_060_000));
        assert!(clock.doubtful_until.is_none());
    }

    #[test]
    fn a_machine_that_starts_in_1970_was_not_away_for_decades() {
        let record = 1_800_000_000;
        let mut clock = Clock::new(now(0, record));
        // Twice without having learnt the time in between.
        clock.restart(now(0, 0));
        clock.advance(now(100, 100));
        clock.restart(now(0, 0));
        clock.advance(now(30, record + 7230));
        assert_eq!(clock.steady.since(Stamp::from_millis(record * 1000)), Span::from_secs(7230));
    }

    #[test]
    fn time_away_counts_at_a_start() {
        let mut clock = Clock::new(now(500, 100_000));
        assert_eq!(clock.restart(now(3, 107_200)), Span::from_hours(2));
        assert_eq!(clock.steady, Stamp::from_millis(107_200_000));
        assert!(clock.doubtful_until.is_none());
    }

    #[test]
    fn a_backward_step_is_doubtful_until_it_passes_what_was_on_record() {
        let mut clock = Clock::new(now(0, 100_000));
        clock.advance(now(1000, 101_000));
        clock.advance(now(1010, 100_410));
        assert_eq!(clock.doubtful_until, Some(Stamp::from_millis(101_010_000)));
        clock.advance(now(1310, 100_710));
        assert!(clock.doubtful_until.is_some());
        clock.advance(now(1620, 101_020));
        assert!(clock.doubtful_until.is_none());
    }
}
