//! What a vessel and a reading cost as batches grow old and vessels many: the daemon in this
//! process, its store in memory, by a clock that is moved.

use crate::cellar::Layout;
use crate::driven::{Driven, STEP};
use crate::folder;
use crate::results::{Goal, Results};
use quantity::Span;
use std::time::Duration;

/// An hour of one batch is looked at every so many days.
const LOOKED_AT: [i64; 4] = [2, 9, 30, 90];
const VESSELS: [usize; 5] = [1, 10, 100, 1000, 10_000];
const A_DAY: Span = Span::from_hours(24);

/// Measures it.
pub fn measure() {
    let mut results = Results::of("growth");
    by_age(&mut results);
    by_vessels(&mut results);
}

fn by_age(results: &mut Results) {
    let folder = folder();
    let config = Layout::default().write(folder.path());
    let begin = barmkeep::clock::wall() - A_DAY * 365;
    let mut driven = Driven::begin(&config, begin, STEP);
    let mut first = None;
    for days in LOOKED_AT {
        while driven.now() < begin + A_DAY * days {
            driven.step();
        }
        let (mut spent, mut readings) = (Duration::ZERO, 0);
        for _ in 0..8640 {
            let (time, count) = driven.timed_step();
            spent += time;
            readings += count;
        }
        let micros = spent.as_secs_f64() * 1e6 / f64::from(readings);
        let state = serde_json::to_string(driven.daemon.engine().state()).map_or(0, |s| s.len());
        results.tell(&format!("a reading on day {days}"), micros, "us", Goal::None);
        results.tell(&format!("the state on day {days}"), state as f64 / 1e3, "kB", Goal::None);
        let (early, small) = *first.get_or_insert((micros, state));
        if days == LOOKED_AT[LOOKED_AT.len() - 1] {
            let (time, size) = (micros / early, state as f64 / small as f64);
            results.tell("a reading's time, last day over first", time, "times", Goal::AtMost(1.2));
            results.tell("the state, last day over first", size, "times", Goal::AtMost(1.2));
        }
    }
}

fn by_vessels(results: &mut Results) {
    let mut least = f64::INFINITY;
    for vessels in VESSELS {
        let folder = folder();
        let config = Layout { vessels, ..Layout::default() }.write(folder.path());
        let mut driven = Driven::begin(&config, barmkeep::clock::wall() - A_DAY, STEP);
        // A quarter of an hour, so that each float has spoken; more where that is soon over.
        let steps = (20_000 / vessels).clamp(91, 1000);
        let (mut spent, mut worst) = (Duration::ZERO, Duration::ZERO);
        for _ in 0..steps {
            let (time, _) = driven.timed_step();
            spent += time;
            worst = worst.max(time);
        }
        let each = spent.as_secs_f64() * 1e6 / (steps * vessels) as f64;
        least = least.min(each);
        let load = spent.as_secs_f64() / (steps as f64 * STEP.secs()) * 100.0;
        results.tell(&format!("{vessels} vessels: 10 s of one"), each, "us", Goal::None);
        results.tell(&format!("{vessels} vessels: of one core"), load, "%", Goal::None);
        let (worst, goal) = (worst.as_secs_f64(), Goal::AtMost(1.0));
        results.tell(&format!("{vessels} vessels: the slowest 10 s"), worst, "s", goal);
        let over = each / least;
        results.tell(&format!("{vessels} vessels: over the least"), over, "times", Goal::None);
    }
}
