//! `demo`: a whole batch of an invented cellar, with the real broker, the real daemon and devices
//! that talk MQTT like real ones.
//!
//! Only the clock is invented: the devices move it, at most at the stated pace, and wait for the
//! daemon to have heard them, so that a slow machine tells the same story later.

use crate::cli::DemoArgs;
use crate::clock::{Clock, Invented};
use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::link::topics::Topics;
use crate::link::{Class, FromLink, Link, LinkHandle, Outgoing, Post};
use crate::{ask, daemon};
use engine::{Kind, Record};
use plant::cellar::{self, Ambient, CellarSetup, Drive, Drives, Measured};
use plant::float::{FloatSetup, Noise};
use plant::probe::ProbeSetup;
use plant::vessel::Parameters;
use plant::yeast::FermentationSetup;
use quantity::{Gravity, Quantity, Share, Span, Stamp, Temperature, Volume};
use schedule::Name;
use schedule::config::Broker;
use serde_json::{Value, json};
use std::io::{IsTerminal, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// Where the story begins: a day of the invented cellar.
const BEGINS: &str = "2026-03-02T08:00:00Z";
/// The probe's interval, and the step in which devices go on.
const PROBE: Span = Span::from_mins(2);
/// The float's interval.
const FLOAT: Span = Span::from_mins(30);
/// The daemon hears a message within this time, or something is wrong.
const HEARD_WITHIN: Duration = Duration::from_secs(30);
/// A batch takes no longer than this.
const LONGEST: Span = Span::from_hours(90 * 24);

const CONFIG: &str = include_str!("demo/barmkeep.toml");
const SCHEDULE: &str = include_str!("demo/pale-lager.toml");

/// Runs the demonstration.
///
/// # Errors
/// Where it cannot be set up, or the batch does not complete.
pub async fn run(arguments: DemoArgs) -> Result<(), Failure> {
    let folder = Folder::new()?;
    let cellar = Cellar::read(&folder.0.join("barmkeep.toml"))?;
    let begins = Stamp::parse_rfc3339(BEGINS).map_err(|e| Failure::new(Status::Failed, e))?;
    let invented = Arc::new(Invented::at(begins));
    let (listening, listens) = oneshot::channel();
    let (end, ended) = oneshot::channel::<()>();
    let daemon = daemon::run_until(
        cellar.clone(),
        Clock::Invented(Arc::clone(&invented)),
        |listens| {
            // Nobody listens any more where the devices have failed already.
            let _ = listening.send(listens);
        },
        async {
            let _ = ended.await;
        },
    );
    let story = async {
        let listens = listens.await.ok();
        let address = listens.and_then(|listens| listens.broker).ok_or_else(|| {
            Failure::new(Status::Unavailable, "the embedded broker does not listen")
        })?;
        if let Some(page) = listens.and_then(|listens| listens.page) {
            eprintln!("The page is at http://{page}/ while this runs.");
        }
        let told = Story::begin(cellar, address, invented, &arguments).await?.tell().await;
        if told.is_ok() && arguments.stay {
            eprintln!(
                "The demo stays up; the broker listens at {address}. Interrupt it to end it."
            );
            let _ = tokio::signal::ctrl_c().await;
        }
        let _ = end.send(());
        told
    };
    let (daemon, story) = tokio::join!(daemon, story);
    story.and(daemon)
}

/// The devices and what they know.
struct Story {
    link: LinkHandle,
    news: mpsc::Receiver<FromLink>,
    topics: Topics,
    vessel: Name,
    begins: Stamp,
    clock: Arc<Invented>,
    sent: u64,
    cellar: cellar::Cellar,
    drives: Drives,
    started: Instant,
    pace: f64,
    complete: bool,
    shown_day: i64,
}

impl Story {
    async fn begin(
        cellar: Cellar,
        address: SocketAddr,
        clock: Arc<Invented>,
        arguments: &DemoArgs,
    ) -> Result<Self, Failure> {
        let vessel = cellar.vessel(None)?.clone();
        let topics = Topics::new(cellar.config.link.topics.as_str());
        let mut link_config = cellar.config.link.clone();
        if let Broker::Embedded { listen, .. } = &mut link_config.broker {
            *listen = address.to_string();
        }
        let wanted = vec![
            "cellar/plug/heat/set".to_owned(),
            "cellar/plug/cold/set".to_owned(),
            topics.event(&vessel),
            topics.reply(&vessel),
            topics.status(),
        ];
        let (link, mut news) = Link::visit(&link_config, &cellar.folder, "cellar-devices", wanted)
            .map_err(|error| ask::link_failure(&error))?;
        wait_until_online(&mut news, &topics).await?;
        let begins = clock.now();
        Ok(Story {
            link,
            news,
            topics,
            vessel,
            begins,
            clock,
            sent: 0,
            cellar: beer(arguments.seed)?,
            drives: Drives::default(),
            started: Instant::now(),
            pace: f64::from(arguments.pace.max(1)),
            complete: false,
            shown_day: 0,
        })
    }

    async fn tell(mut self) -> Result<(), Failure> {
        say("A 23 L vessel of pale lager in an invented cellar. Real broker, real daemon; beer, \
             float, probe and plugs are simulated and talk MQTT.");
        self.go_on().await?;
        self.cellar.pitch();
        self.command(&json!({
            "do": "pitch", "id": "demo-1", "by": "demo", "schedule": "pale-lager",
            "name": "First lager", "original_gravity": "12 P",
        }))?;
        while !self.complete {
            self.go_on().await?;
            if self.clock.now().since(self.begins) > LONGEST {
                return Err(Failure::new(Status::Failed, "the batch did not complete"));
            }
        }
        say("The batch is complete.");
        self.link.stop().await;
        Ok(())
    }

    /// One step: the devices go on, speak, and wait until they were heard.
    async fn go_on(&mut self) -> Result<(), Failure> {
        let readings = self.cellar.advance(PROBE, self.drives);
        let now = self.begins + self.cellar.now();
        self.keep_pace().await;
        self.clock.set(now);
        for reading in &readings {
            self.send(reading)?;
        }
        let since = Instant::now();
        while self.clock.handled() < self.sent {
            if since.elapsed() > HEARD_WITHIN {
                return Err(Failure::new(Status::Failed, "the daemon does not hear its devices"));
            }
            let news = tokio::time::timeout(Duration::from_millis(5), self.news.recv()).await;
            if let Ok(Some(news)) = news {
                self.hear(news)?;
            }
        }
        while let Ok(news) = self.news.try_recv() {
            self.hear(news)?;
        }
        self.show_day();
        Ok(())
    }

    async fn keep_pace(&self) {
        let due = Duration::from_secs_f64(self.cellar.now().secs() / self.pace);
        if let Some(early) = due.checked_sub(self.started.elapsed()) {
            tokio::time::sleep(early).await;
        }
    }

    fn send(&mut self, reading: &cellar::Reading) -> Result<(), Failure> {
        let at = self.begins + reading.at;
        let (topic, payload) = match reading.what {
            Measured::Float(float) => {
                let payload = json!({
                    "sg": float.sg, "temp": float.temperature.celsius(),
                    "battery": float.battery_percent, "time": at.rfc3339(),
                });
                ("cellar/float/1", payload.to_string())
            }
            Measured::Beer(beer) => ("cellar/probe/1", format!("{:.4}", beer.celsius())),
            Measured::Surround(_) => return Ok(()),
        };
        self.publish(topic.to_owned(), payload)
    }

    fn command(&mut self, command: &Value) -> Result<(), Failure> {
        self.publish(self.topics.command(&self.vessel), command.to_string())
    }

    fn publish(&mut self, topic: String, payload: String) -> Result<(), Failure> {
        self.sent += 1;
        let outgoing = Outgoing {
            topic,
            payload: payload.into_bytes(),
            retained: false,
            expiry: None,
            class: Class::Keep,
        };
        let published = self.link.publish(outgoing);
        published.map_err(|error| Failure::new(Status::Failed, error.to_string()))
    }

    fn hear(&mut self, news: FromLink) -> Result<(), Failure> {
        let FromLink::Message(message) = news else { return Ok(()) };
        let on = message.payload == b"ON";
        let state = if on { Drive::On } else { Drive::Off };
        match message.topic.as_str() {
            "cellar/plug/heat/set" => self.drives.heater = state,
            "cellar/plug/cold/set" => self.drives.chiller = state,
            topic if topic == self.topics.event(&self.vessel) => {
                if let Ok(record) = serde_json::from_slice::<Record>(&message.payload) {
                    self.hear_event(&record)?;
                }
            }
            topic if topic == self.topics.reply(&self.vessel) => {
                let reply: Value = serde_json::from_slice(&message.payload).unwrap_or_default();
                if reply["ok"] == false {
                    let text = reply["text"].as_str().unwrap_or_default();
                    return Err(Failure::new(Status::Failed, format!("refused: {text}")));
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn hear_event(&mut self, record: &Record) -> Result<(), Failure> {
        let quiet =
            [Kind::CommandAccepted, Kind::OutputSwitched, Kind::ReadingRefused, Kind::ConfirmGiven];
        if !quiet.contains(&record.kind) {
            let hours = record.at.since(self.begins).hours();
            say(&format!(
                "day {:>2}, {:>2.0} h  {}",
                (hours / 24.0) as i64,
                hours % 24.0,
                record.text
            ));
        }
        match record.kind {
            Kind::ConfirmDue => {
                let say = record.data.get("say").and_then(Value::as_str).unwrap_or_default();
                let id = format!("demo-confirm-{}", record.seq);
                self.command(&json!({ "do": "confirm", "id": id, "by": "demo", "say": say }))?;
            }
            Kind::BatchCompleted => self.complete = true,
            _ => {}
        }
        Ok(())
    }

    /// On a terminal, a line a day of how the beer stands.
    fn show_day(&mut self) {
        let day = (self.cellar.now().days()) as i64;
        if day > self.shown_day && std::io::stderr().is_terminal() {
            self.shown_day = day;
            let truth = self.cellar.truth();
            eprintln!("          day {day}: {:.4} SG, {:.1} °C", truth.sg, truth.beer_celsius);
        }
    }
}

async fn wait_until_online(
    news: &mut mpsc::Receiver<FromLink>,
    topics: &Topics,
) -> Result<(), Failure> {
    let online = async {
        while let Some(news) = news.recv().await {
            if let FromLink::Message(message) = news
                && message.topic == topics.status()
                && message.payload == b"online"
            {
                return true;
            }
        }
        false
    };
    match tokio::time::timeout(HEARD_WITHIN, online).await {
        Ok(true) => Ok(()),
        _ => Err(Failure::new(Status::Unavailable, "the daemon does not come online")),
    }
}

fn beer(seed: u64) -> Result<cellar::Cellar, Failure> {
    let impossible = || Failure::new(Status::Failed, "the demo's beer is not possible");
    let volume = Volume::parse("23 L").map_err(|_| impossible())?;
    let fermentation = FermentationSetup {
        original: Gravity::from_plato(12.0).ok_or_else(impossible)?,
        attenuation: Share::from_fraction(0.79).ok_or_else(impossible)?,
        pace: 1.2,
        lag: Span::from_hours(10),
        stall: None,
    };
    let setup = CellarSetup {
        volume,
        vessel: Parameters::for_volume(volume),
        fermentation,
        start: Temperature::clamped(12.0),
        ambient: Ambient { swing_k: 1.5, ..Ambient::steady(Temperature::clamped(18.0)) },
        float: Some(FloatSetup::plain(FLOAT, Noise::of_points(1.0))),
        beer_probe: Some(ProbeSetup::plain(PROBE)),
        surround_probe: None,
    };
    Ok(cellar::Cellar::new(seed, setup))
}

/// A line of the story; where standard output is gone, nobody listens.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// The demo's own folder, gone when it ends.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Result<Self, Failure> {
        let path = std::env::temp_dir().join(format!("barmkeep-demo-{}", std::process::id()));
        let written = std::fs::create_dir_all(path.join("schedules"))
            .and_then(|()| std::fs::write(path.join("barmkeep.toml"), CONFIG))
            .and_then(|()| std::fs::write(path.join("schedules/pale-lager.toml"), SCHEDULE));
        written.map_err(|error| Failure::file(&path, "written", &error))?;
        Ok(Folder(path))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What is left in the folder for temporary files is the system's to clear.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
