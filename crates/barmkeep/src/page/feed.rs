//! Server-sent events: the parts of a page that changed, as they change.

use super::Present;
use super::site::{Site, Where};
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_core::Stream;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// A browser hears of changes no more often than this.
const APART: Duration = Duration::from_secs(2);
/// What is read from the store is told anew after this long, where no record came.
const WHOLE_EVERY: Duration = Duration::from_secs(60);
/// So many parts wait for a slow browser.
const WAITING: usize = 16;

/// The stream that a browser reads.
struct Heard(mpsc::Receiver<Event>);

impl Stream for Heard {
    type Item = Result<Event, Infallible>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.0.poll_recv(cx).map(|event| event.map(Ok))
    }
}

/// Tells a browser of a place's changes, for as long as it listens.
pub(super) fn feed(site: Arc<Site>, place: Where) -> Response {
    let Ok(seat) = Arc::clone(&site.feeds).try_acquire_owned() else {
        let text =
            "Too many browsers listen already; this page still tells all when loaded anew.\n";
        return (StatusCode::SERVICE_UNAVAILABLE, text).into_response();
    };
    let (send, heard) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        tell(site, place, &send).await;
        drop(seat);
    });
    Sse::new(Heard(heard)).keep_alive(KeepAlive::default()).into_response()
}

async fn tell(site: Arc<Site>, place: Where, send: &mpsc::Sender<Event>) {
    let mut changes = site.changes();
    let mut told: BTreeMap<&'static str, String> = BTreeMap::new();
    let mut whole_at: Option<(Instant, u64, usize)> = None;
    loop {
        let present = Arc::clone(&changes.borrow_and_update());
        let (seq, points) = (present.seq, present.points.len());
        let whole = whole_at.is_none_or(|(at, before, had)| {
            (before, had) != (seq, points) || at.elapsed() >= WHOLE_EVERY
        });
        if whole {
            whole_at = Some((Instant::now(), seq, points));
        }
        let Some(parts) = parts(&site, &place, present, whole).await else { return };
        for (id, inside) in parts {
            if told.get(id) == Some(&inside) {
                continue;
            }
            let event = Event::default().event("part").id(id).data(&inside);
            told.insert(id, inside);
            if send.send(event).await.is_err() {
                return;
            }
        }
        tokio::select! {
            () = send.closed() => return,
            () = tokio::time::sleep(APART) => {}
        }
        tokio::select! {
            () = send.closed() => return,
            changed = changes.changed() => if changed.is_err() { return },
        }
    }
}

/// The parts as they are now; `None` where the place is gone or cannot be read.
async fn parts(
    site: &Arc<Site>,
    place: &Where,
    present: Arc<Present>,
    whole: bool,
) -> Option<Vec<(&'static str, String)>> {
    let (site, place) = (Arc::clone(site), place.clone());
    let made = tokio::task::spawn_blocking(move || {
        let shown = site.show(&place, &present, whole).ok()?;
        let parts = shown.parts.into_iter();
        Some(parts.map(|part| (part.id, part.inside.into_string())).collect())
    });
    made.await.ok().flatten()
}
