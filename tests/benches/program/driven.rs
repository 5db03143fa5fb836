//! A daemon in this process, by a clock that is moved, with simulated vessels at its outputs.

use crate::cellar::plant;
use barmkeep::clock::{Clock, Invented};
use barmkeep::daemon::{Daemon, Opened};
use barmkeep::files::Cellar;
use barmkeep::link::{FromLink, Message, Post, PublishError, Waiting};
use plant::cellar::{Cellar as Plant, Drive, Drives, Measured};
use quantity::{Span, Stamp};
use schedule::Name;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A broker that nobody hears.
pub struct Mute;

impl Post for Mute {
    fn give(&self, _: Waiting) -> Result<(), PublishError> {
        Ok(())
    }
}

/// The daemon and its vessels.
pub struct Driven {
    /// The daemon.
    pub daemon: Daemon<Mute>,
    clock: Arc<Invented>,
    now: Stamp,
    /// Each with the number that its topics have.
    vessels: Vec<(Name, String, Plant)>,
}

/// A driver's step.
pub const STEP: Span = Span::from_secs(10);

impl Driven {
    /// A daemon by its configuration, begun at this time; every vessel is pitched.
    pub fn begin(config: &Path, now: Stamp, probe_every: Span) -> Self {
        let cellar = Cellar::read(config).expect("the configuration is right");
        let opened = Opened::of(&cellar).expect("the store opens");
        let clock = Arc::new(Invented::at(now));
        let names: Vec<Name> = cellar.config.vessels.keys().cloned().collect();
        let daemon = Daemon::new(cellar, opened, Mute, Clock::Invented(clock.clone()));
        let numbered = |name: &Name| name.as_str().trim_start_matches('v').to_owned();
        let vessels = (1..).zip(&names);
        let vessels = vessels.map(|(seed, name)| {
            // No two brewers switch their floats on at the same instant.
            let mut plant = plant(seed, probe_every);
            plant.advance(STEP * ((seed % 90) as i64), Drives::default());
            (name.clone(), numbered(name), plant)
        });
        let vessels = vessels.collect();
        let mut driven = Driven { daemon, clock, now, vessels };
        for name in &names {
            let pitch = format!(r#"{{"do": "pitch", "id": "{name}", "schedule": "ale"}}"#);
            driven.say(&format!("barmkeep/{name}/command"), &pitch);
        }
        driven
    }

    /// The present.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// Lets a step pass: what the devices say, then a tick.
    pub fn step(&mut self) {
        self.timed_step();
    }

    /// The same; gives the daemon's time for it, and how many readings there were.
    pub fn timed_step(&mut self) -> (Duration, u32) {
        self.now = self.now + STEP;
        self.clock.set(self.now);
        let mut said = Vec::new();
        for (name, index, plant) in &mut self.vessels {
            let glance = self.daemon.engine().glance(name);
            let on = |on: Option<bool>| if on == Some(true) { Drive::On } else { Drive::Off };
            let drives = Drives {
                heater: on(glance.as_ref().map(|glance| glance.heater)),
                chiller: on(glance.as_ref().map(|glance| glance.chiller)),
            };
            for reading in plant.advance(STEP, drives) {
                said.extend(match reading.what {
                    Measured::Float(float) => Some((format!("f/{index}"), float.sg)),
                    Measured::Beer(beer) => Some((format!("b/{index}"), beer.celsius())),
                    Measured::Surround(_) => None,
                });
            }
        }
        let (began, readings) = (Instant::now(), said.len() as u32);
        for (topic, value) in said {
            self.say(&topic, &format!("{value:.4}"));
        }
        self.daemon.tick();
        (began.elapsed(), readings)
    }

    fn say(&mut self, topic: &str, payload: &str) {
        let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
        let message = Message { topic, payload, retained: false, response: None };
        self.daemon.hear(FromLink::Message(message));
    }
}
