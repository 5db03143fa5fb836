//! In the place of the broker inside, in a program that was built without it.

use super::error::LinkError;
use super::plan::Plan;
use std::net::SocketAddr;

/// There is none.
pub enum Broker {}

impl Broker {
    /// Says that there is none.
    ///
    /// # Errors
    /// Always.
    pub async fn start(_: Plan<'_>) -> Result<Self, LinkError> {
        Err(LinkError::NoBroker)
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        match *self {}
    }

    /// Where the daemon enters.
    pub(super) fn inside(&self) -> SocketAddr {
        match *self {}
    }

    /// By what the daemon enters.
    pub(super) fn own_login(&self) -> (String, String) {
        match *self {}
    }

    /// Ends it.
    pub async fn stop(self) {
        match self {}
    }
}
