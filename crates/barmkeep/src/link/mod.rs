//! The link: MQTT to the devices, and the broker inside.
//!
//! [`Link::start`] gives a [`LinkHandle`], which takes what is to be published and never blocks,
//! and a channel of [`FromLink`]. [`decode::Routes`] turns messages into the engine's inputs.
//!
//! What holds here:
//! - A message of class [`Class::Replace`] that waits is replaced by a newer one on its topic; one
//!   of class [`Class::Keep`] is kept until the broker acknowledges it, over reconnects as well.
//!   Both are bounded ([`queue::KEPT_MAX`] and its neighbours).
//! - Nothing is published on a connection, `online` included, before its subscriptions are
//!   acknowledged.
//! - An order for a switch goes only over the connection whose last will is the switch's `off`.
//! - After a lost connection, and after it was switched off or may have been, a switch hears
//!   nothing but `off` until its rest is over by true time.

mod access;
pub(crate) mod backoff;
#[cfg(feature = "broker")]
pub mod broker;
#[cfg(not(feature = "broker"))]
#[path = "no_broker.rs"]
pub mod broker;
mod carrier;
mod client;
pub mod decode;
#[cfg(feature = "broker")]
mod door;
mod error;
mod fault;
mod plan;
pub mod queue;
#[cfg(feature = "broker")]
mod rights;
mod session;
pub mod topics;
pub mod users;
mod version;

pub(crate) use access::machine_tls;
pub use client::{
    FROM_LINK_MAX, FromLink, Link, LinkHandle, Message, Post, Presence, Response, SwitchTopic,
    acceptable,
};
pub use error::LinkError;
pub use queue::{Class, Outgoing, PublishError, Waiting};
pub use session::Version;

#[cfg(test)]
mod tests;
