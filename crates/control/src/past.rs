//! What the outputs did lately, so that readings are met with the inputs that caused them.

use crate::Output;
use crate::filter::Inputs;
use quantity::{Span, Stamp};
use serde::{Deserialize, Serialize};

/// Switchings that are kept at most; older ones count as off.
const CHANGES_MAX: usize = 64;

/// The outputs' switchings, oldest first.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Past {
    /// From when, and which output ran from then on. Invariant: in order of time.
    changes: Vec<(Stamp, Option<Output>)>,
}

impl Past {
    /// From `at` on this output runs, or none.
    pub fn switched(&mut self, at: Stamp, running: Option<Output>) {
        if self.changes.last().and_then(|(_, before)| *before) == running {
            return;
        }
        if self.changes.len() == CHANGES_MAX {
            self.changes.remove(0);
        }
        self.changes.push((at, running));
    }

    /// Forgets what no longer matters to whoever asks only about times after `from`.
    pub fn forget_before(&mut self, from: Stamp) {
        let old = self.changes.iter().take_while(|(at, _)| *at <= from).count();
        if old > 1 {
            self.changes.drain(..old - 1);
        }
    }

    /// The pieces of constant inputs between two instants, when each switching acts `delay` later.
    pub fn pieces(
        &self,
        from: Stamp,
        to: Stamp,
        delay: Span,
    ) -> impl Iterator<Item = (Stamp, Stamp, Inputs)> {
        let acts = self.changes.iter().map(move |(at, next)| (*at + delay, *next));
        let (mut begin, mut running) = (from, None);
        let within = acts.take_while(move |(at, _)| *at < to).map(Some).chain([None]);
        within.filter_map(move |change| {
            let (at, next) = change.unwrap_or((to, None));
            let piece = (at > begin).then(|| (begin, at, inputs(running)));
            (begin, running) = (begin.max(at), next);
            piece
        })
    }
}

/// The inputs while this output runs, or none.
pub(crate) fn inputs(running: Option<Output>) -> Inputs {
    Inputs {
        chiller: f64::from(u8::from(running == Some(Output::Chiller))),
        heater: f64::from(u8::from(running == Some(Output::Heater))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Stamp {
        Stamp::from_millis(seconds * 1000)
    }

    #[test]
    fn pieces_are_cut_where_a_switching_acts() {
        let mut past = Past::default();
        past.switched(at(100), Some(Output::Chiller));
        past.switched(at(100), Some(Output::Chiller));
        past.switched(at(200), None);
        past.switched(at(300), Some(Output::Heater));
        let found: Vec<(i64, i64, f64, f64)> = past
            .pieces(at(50), at(400), Span::from_secs(60))
            .map(|(from, to, u)| (from.millis() / 1000, to.millis() / 1000, u.chiller, u.heater))
            .collect();
        assert_eq!(
            found,
            [(50, 160, 0.0, 0.0), (160, 260, 1.0, 0.0), (260, 360, 0.0, 0.0), (360, 400, 0.0, 1.0)]
        );
        past.forget_before(at(250));
        assert_eq!(past.pieces(at(300), at(300), Span::ZERO).next(), None);
        let found: Vec<_> = past.pieces(at(250), at(260), Span::ZERO).collect();
        assert_eq!(found, [(at(250), at(260), inputs(None))]);
        assert_eq!(past.changes.len(), 2);
    }

    #[test]
    fn it_never_grows_beyond_its_limit() {
        let mut past = Past::default();
        for i in 0..200 {
            past.switched(at(i), (i % 2 == 0).then_some(Output::Heater));
            assert!(past.changes.len() <= CHANGES_MAX);
        }
        assert_eq!(past.changes.len(), CHANGES_MAX);
    }
}
