//! The end of a run's story, for who looks at one that failed.

use std::collections::VecDeque;

/// So many lines are kept.
const LINES: usize = 60;

/// The last lines of a story.
#[derive(Debug, Default)]
pub struct Trace(VecDeque<String>);

impl Trace {
    /// Adds a line of this time, in ms since the beginning.
    pub fn line(&mut self, now: i64, text: &str) {
        if self.0.len() == LINES {
            self.0.pop_front();
        }
        let s = now / 1000;
        let (day, hour, minute, second) = (s / 86_400, s / 3600 % 24, s / 60 % 60, s % 60);
        self.0.push_back(format!("{day:>3} d {hour:02}:{minute:02}:{second:02}  {text}"));
    }

    /// All that is left of it.
    pub fn text(&self) -> String {
        self.0.iter().fold(String::new(), |text, line| text + line + "\n")
    }
}
