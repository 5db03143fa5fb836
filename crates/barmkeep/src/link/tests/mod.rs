//! The link against real brokers: a mosquitto of the test's own, and the broker inside; with
//! mosquitto's own clients as the devices.

#[cfg(feature = "broker")]
mod broker;
mod daemon;
mod house;
mod tls;
