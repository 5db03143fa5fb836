//! The page: all vessels, their batches and the log, read only, and the metrics beside it.
//!
//! HTML and SVG are made here and work without a script. Where scripts run, one small one of our
//! own hears by server-sent events which parts changed. Nothing here can change anything: there is
//! no form and no method but GET. The engine never waits for a browser: it leaves how its vessels
//! stand ([`Present`]) and goes on; the store is read by connections of their own.

mod batch;
mod cellar;
mod feed;
mod frame;
mod guard;
mod metrics;
mod serve;
mod site;
mod vessel;

#[cfg(test)]
mod tests;

pub use metrics::metrics;

use crate::failure::{Failure, Status};
use crate::files::Cellar;
use engine::view::State;
use engine::{Engine, Point};
use schedule::Name;
use site::Site;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// The engine leaves how its vessels stand no more often than this.
const APART: Duration = Duration::from_secs(1);

/// How all vessels stand, as the page shows it.
#[derive(Debug, Clone, Default)]
pub struct Present {
    /// The vessels.
    pub vessels: BTreeMap<Name, State>,
    /// Points of batches' courses that are not on disk yet.
    pub points: Vec<Point>,
    /// The number of the last record that is on disk.
    pub seq: u64,
}

impl Present {
    /// What an engine knows now.
    pub fn of(engine: &Engine, points: &[Point], seq: u64) -> Self {
        let view = |name: &Name| Some((name.clone(), engine.view(name)?));
        let vessels = engine.vessels().filter_map(view).collect();
        Present { vessels, points: points.to_vec(), seq }
    }
}

/// The page as the daemon holds it; dropped, nothing is served any more.
#[derive(Debug)]
pub struct Page {
    address: SocketAddr,
    left: watch::Sender<Arc<Present>>,
    last: Option<Instant>,
    /// The vessels may stand otherwise than was left.
    is_behind: bool,
    task: JoinHandle<()>,
}

impl Page {
    /// Listens where the configuration says; `None` where it has no page.
    ///
    /// # Errors
    /// Where the address cannot be had, or the password's file cannot be read.
    pub async fn start(cellar: &Cellar) -> Result<Option<Page>, Failure> {
        let Some(config) = &cellar.config.page else { return Ok(None) };
        let cannot = |error: std::io::Error| {
            Failure::new(
                Status::Unavailable,
                format!("the page cannot listen on `{}`: {error}", config.listen),
            )
            .hint("another program may have this port: set `[page] listen` to another one")
        };
        let listener = tokio::net::TcpListener::bind(&config.listen).await.map_err(cannot)?;
        let address = listener.local_addr().map_err(cannot)?;
        let password = config.password_file.as_deref().map(|file| cellar.path(file));
        let guard = guard::Guard::new(password.as_deref(), &config.names)?;
        let (left, present) = watch::channel(Arc::new(Present::default()));
        let store: PathBuf = cellar.path(&cellar.config.store.file);
        let site = Arc::new(Site::new(cellar, store, present));
        let task = tokio::spawn(serve::serve(listener, serve::router(site, guard)));
        tracing::info!("the page is at http://{address}/");
        Ok(Some(Page { address, left, last: None, is_behind: false, task }))
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// When it is to be shown again how the vessels stand; `None` where it knows.
    pub fn is_due(&self) -> Option<Instant> {
        self.last.filter(|_| self.is_behind).map(|last| last + APART)
    }

    /// Takes how the vessels stand, unless that was a moment ago: then it is [due](Page::is_due).
    pub fn show(&mut self, present: impl FnOnce() -> Present) {
        self.is_behind = true;
        if self.last.is_none_or(|last| last.elapsed() >= APART) {
            self.last = Some(Instant::now());
            self.is_behind = false;
            self.left.send_replace(Arc::new(present()));
        }
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        self.task.abort();
    }
}
