//! What is served, and how an answer is made of it.

use super::{Present, batch, cellar, frame, vessel};
use crate::files::Cellar;
use crate::store::{Reader, StoreError};
use crate::zone::Zone;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use engine::Setup;
use maud::Markup;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::{Semaphore, watch};

/// So many browsers hear at once what changed; others look again by themselves.
const FEEDS_MAX: usize = 32;

/// All that pages are made of.
#[derive(Debug)]
pub(super) struct Site {
    store: PathBuf,
    pub(super) setup: Setup,
    pub(super) zone: Zone,
    present: watch::Receiver<Arc<Present>>,
    pub(super) feeds: Arc<Semaphore>,
}

/// A place of the site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Where {
    /// All vessels.
    Cellar,
    /// A vessel by its name, and where in its log.
    Vessel(String, Log),
    /// All batches.
    Batches,
    /// A batch by its id, and where in its log.
    Batch(String, Log),
}

/// A part of a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Log {
    /// Older than this record.
    pub before: Option<u64>,
    /// With switching and commands.
    pub all: bool,
}

/// A part of a page that may change while it is read.
#[derive(Debug)]
pub(super) struct Part {
    /// Its id on the page.
    pub id: &'static str,
    /// What stands in it.
    pub inside: Markup,
}

/// A place as it is now.
#[derive(Debug)]
pub(super) struct Shown {
    pub title: String,
    pub parts: Vec<Part>,
    /// Where a script hears what changes.
    pub live: Option<String>,
}

/// Why there is nothing to show.
#[derive(Debug)]
pub(super) enum Trouble {
    /// There is no such thing.
    Nothing(String),
    /// The store cannot be read.
    Store(StoreError),
}

impl From<StoreError> for Trouble {
    fn from(error: StoreError) -> Self {
        Trouble::Store(error)
    }
}

impl Site {
    /// A site of this cellar and store.
    pub fn new(cellar: &Cellar, store: PathBuf, present: watch::Receiver<Arc<Present>>) -> Self {
        Site {
            store,
            setup: cellar.setup(),
            zone: Zone::of(&cellar.config),
            present,
            feeds: Arc::new(Semaphore::new(FEEDS_MAX)),
        }
    }

    /// How the vessels stand.
    pub fn present(&self) -> Arc<Present> {
        Arc::clone(&self.present.borrow())
    }

    /// Hears when the vessels stand otherwise.
    pub fn changes(&self) -> watch::Receiver<Arc<Present>> {
        self.present.clone()
    }

    /// A connection to the store of its own, that can only read.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(&self.store)
    }

    /// The page of a place; it reads the store, so it may take a while. Where it is not wanted
    /// whole, the parts that are read from the store are left out.
    pub fn show(&self, place: &Where, present: &Present, whole: bool) -> Result<Shown, Trouble> {
        match place {
            Where::Cellar => Ok(cellar::show(self, present)),
            Where::Vessel(name, log) => vessel::show(self, present, name, *log, whole),
            Where::Batches => batch::list(self, present),
            Where::Batch(id, log) => batch::show(self, present, id, *log),
        }
    }

    /// The answer to a browser that asked for a place.
    pub async fn answer(self: Arc<Self>, place: Where) -> Response {
        let present = self.present();
        let made = tokio::task::spawn_blocking(move || {
            let shown = self.show(&place, &present, true);
            page_of(shown)
        });
        let (status, page) = made.await.unwrap_or_else(|error| {
            tracing::error!(%error, "a page could not be made");
            (StatusCode::INTERNAL_SERVER_ERROR, "This page could not be made.\n".to_owned())
        });
        (status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], page).into_response()
    }
}

fn page_of(shown: Result<Shown, Trouble>) -> (StatusCode, String) {
    let (status, message) = match shown {
        Ok(shown) => return (StatusCode::OK, frame::page(&shown).into_string()),
        Err(Trouble::Nothing(what)) => (StatusCode::NOT_FOUND, what),
        Err(Trouble::Store(error)) => {
            tracing::warn!(%error, "the page cannot read the store");
            let message = format!("The store cannot be read: {error}. {}.", error.hint());
            (StatusCode::INTERNAL_SERVER_ERROR, message)
        }
    };
    (status, frame::trouble(&message).into_string())
}
