//! Connections and routes.

use super::feed;
use super::guard::{self, Guard};
use super::site::{Log, Site, Where};
use axum::Router;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use serde::Deserialize;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

/// So many connections at once; others wait.
const CONNECTIONS_MAX: usize = 64;
/// A browser that takes longer to ask is let go of, and so is one that asks no more.
const ASKS_WITHIN: Duration = Duration::from_secs(20);
/// The head of a request has at most so many bytes.
const HEAD_BYTES_MAX: usize = 16 * 1024;
/// After a connection that could not be taken, as where no more files can be open.
const PAUSE: Duration = Duration::from_millis(200);

/// Serves until it is dropped.
pub(super) async fn serve(listener: TcpListener, router: Router) {
    let seats = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let mut connections = JoinSet::new();
    loop {
        let Ok(seat) = Arc::clone(&seats).acquire_owned().await else { return };
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "the page could not take a connection");
                tokio::time::sleep(PAUSE).await;
                continue;
            }
        };
        let service = TowerToHyperService::new(router.clone());
        connections.spawn(async move {
            let served = hyper::server::conn::http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(ASKS_WITHIN)
                .max_buf_size(HEAD_BYTES_MAX)
                .serve_connection(TokioIo::new(stream), service)
                .await;
            if let Err(error) = served {
                tracing::debug!(%error, "a browser's connection ended");
            }
            drop(seat);
        });
        while connections.try_join_next().is_some() {}
    }
}

/// Everything that can be asked for.
pub(super) fn router(site: Arc<Site>, guard: Guard) -> Router {
    Router::new()
        .route("/", get(cellar))
        .route("/vessel/{name}", get(vessel))
        .route("/batches", get(batches))
        .route("/batch/{id}", get(batch))
        .route("/live", get(live_cellar))
        .route("/live/vessel/{name}", get(live_vessel))
        .route("/metrics", get(metrics))
        .route("/style.css", get(style))
        .route("/live.js", get(script))
        .route("/icon.svg", get(icon))
        .fallback(nothing)
        .with_state(site)
        .layer(axum::middleware::from_fn_with_state(Arc::new(guard), guard::watch))
}

/// Where a log goes on, and whether it has everything.
#[derive(Debug, Default, Deserialize)]
struct Asked {
    before: Option<u64>,
    #[serde(default)]
    all: Option<u8>,
}

impl Asked {
    fn log(&self) -> Log {
        Log { before: self.before, all: self.all == Some(1) }
    }
}

type Sited = State<Arc<Site>>;

async fn cellar(State(site): Sited) -> Response {
    site.answer(Where::Cellar).await
}

async fn vessel(State(site): Sited, Path(name): Path<String>, asked: Query<Asked>) -> Response {
    site.answer(Where::Vessel(name, asked.log())).await
}

async fn batches(State(site): Sited) -> Response {
    site.answer(Where::Batches).await
}

async fn batch(State(site): Sited, Path(id): Path<String>, asked: Query<Asked>) -> Response {
    site.answer(Where::Batch(id, asked.log())).await
}

async fn live_cellar(State(site): Sited) -> Response {
    feed::feed(site, Where::Cellar)
}

async fn live_vessel(State(site): Sited, Path(name): Path<String>) -> Response {
    feed::feed(site, Where::Vessel(name, Log::default()))
}

async fn metrics(State(site): Sited) -> Response {
    let content = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    ([(header::CONTENT_TYPE, content)], super::metrics(&site.present())).into_response()
}

async fn style() -> Response {
    let style = format!("{}\n{}\n", include_str!("style.css"), crate::chart::style());
    asset("text/css; charset=utf-8", style)
}

async fn script() -> Response {
    asset("text/javascript; charset=utf-8", include_str!("live.js").to_owned())
}

async fn icon() -> Response {
    asset("image/svg+xml", include_str!("icon.svg").to_owned())
}

/// A file of ours; asked for anew, so that a new version of the program is seen at once.
fn asset(content: &'static str, text: String) -> Response {
    ([(header::CONTENT_TYPE, content), (header::CACHE_CONTROL, "no-cache")], text).into_response()
}

async fn nothing() -> Response {
    (StatusCode::NOT_FOUND, "There is no such page.\n").into_response()
}
