//! Two clocks: one that never steps, for spans, and the wall clock, for the record.

use quantity::Stamp;
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
