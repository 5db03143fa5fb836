//! How things stand now by the store alone: the newest snapshot and the inputs after it, through
//! the same engine, while the daemon goes on.

use crate::failure::Failure;
use crate::store::History;
use crate::task::open_failure;
use engine::{Effect, Engine, Point, STATE_VERSION, Setup};
use serde::Deserialize;

/// What of a snapshot is wanted here.
#[derive(Deserialize)]
struct Saved {
    engine: engine::State,
}

/// The engine as it stands, and the points of courses since the snapshot; `None` where there is no
/// snapshot that this program can read.
///
/// # Errors
/// Where the store cannot be read.
pub(super) fn of(
    history: &History<'_>,
    setup: Setup,
) -> Result<Option<(Engine, Vec<Point>)>, Failure> {
    let failed = |error| open_failure(&error);
    let Some(snapshot) = history.snapshot().map_err(failed)? else { return Ok(None) };
    if snapshot.version != STATE_VERSION {
        return Ok(None);
    }
    let Ok(saved) = serde_json::from_str::<Saved>(&snapshot.body) else { return Ok(None) };
    let mut engine = Engine::restore(setup, saved.engine);
    let mut points = Vec::new();
    let replayed = history.replay(&snapshot, |now, input| {
        let effects = engine.handle(now, input).into_iter();
        points.extend(effects.filter_map(|effect| match effect {
            Effect::Point(point) => Some(point),
            _ => None,
        }));
    });
    replayed.map_err(failed)?;
    Ok(Some((engine, points)))
}
