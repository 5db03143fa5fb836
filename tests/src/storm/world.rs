//! The world of a run: true time goes on in steps, faults strike, devices speak, people want, the
//! daemon runs or does not, and the watch looks.

use super::devices::{Actor, Report, Stand};
use super::draw::Draw;
use super::fault::{FAULTS, Fault, Weight};
use super::grammar::{self, Form, Limits};
use super::net::{Killed, Net, Pen, Said};
use super::person::{Person, Sight, Want};
use super::trace::Trace;
use super::watch::{Broken, STATE_BYTES_MAX, Watch, recovered_as_it_was};
use super::{Options, Outcome};
use crate::broker::folder;
use barmkeep::clock::{Clock, Invented};
use barmkeep::daemon::{Daemon, Opened, switches};
use barmkeep::files::Cellar;
use barmkeep::link::decode::Routes;
use barmkeep::link::queue::{KEPT_MAX, REPLACED_MAX};
use barmkeep::link::{FromLink, Outgoing};
use barmkeep::store::{Filter, Limit, Reader, WAITING_MAX};
use engine::{Glance, Kind, Now, Record, State};
use quantity::{Span, Stamp};
use schedule::Name;
use serde_json::{Value, json};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use tempfile::TempDir;

/// A step of true time, while faults strike and afterwards.
const STEP: Span = Span::from_secs(10);
const STEP_CALM: Span = Span::from_secs(30);
/// What the program says of itself is looked at this often, while faults strike and afterwards.
const SAYS_EVERY: i64 = 5 * MINUTE;
const SAYS_EVERY_CALM: i64 = 15 * MINUTE;
/// A beginning: 2026-03-01T00:00:00Z, in ms.
const START: i64 = 1_772_323_200_000;
const MINUTE: i64 = 60_000;
const HOUR: i64 = 3_600_000;
/// A batch is done within this time after the storm, or never.
const CALM: i64 = 90 * 24 * HOUR;
/// Alarms that end with the storm.
const ENDS: [&str; 5] =
    ["beer-doubtful", "beer-silent", "clock-doubtful", "link-down", "store-failing"];

/// The faults that a run of these options has: the seed leaves out some.
pub fn faults_of(options: &Options) -> BTreeSet<Fault> {
    if options.named {
        return options.faults.clone();
    }
    let mut draw = Draw::new(options.seed, 1);
    let share = draw.between(0.15, 1.0);
    let drawn = FAULTS.iter().filter(|_| draw.happens(share));
    drawn.map(|weight| weight.fault).filter(|fault| options.faults.contains(fault)).collect()
}

/// An episode of a fault.
#[derive(Debug, Clone, Copy)]
struct Episode {
    until: i64,
    /// Which vessel it strikes, where it strikes one.
    place: usize,
    /// A number of its own, 0 to 1.
    size: f64,
}

/// Power that is about to be cut.
struct Cut {
    due: i64,
    /// The number of the last record in the copy, and how many gravity readings had come.
    copied: Option<(u64, u64)>,
}

/// A run.
pub struct World {
    seed: u64,
    storm_ms: i64,
    faults: BTreeMap<Fault, (Weight, Draw, i64)>,
    active: BTreeMap<Fault, Episode>,
    draw: Draw,
    schedules: Draw,
    net: Rc<RefCell<Net>>,
    clock: Arc<Invented>,
    folder: TempDir,
    cellar: Cellar,
    topics: Vec<String>,
    daemon: Option<Daemon<Pen>>,
    limits: Limits,
    stands: Vec<Stand>,
    cooler: Option<Actor>,
    person: Person,
    watch: Watch,
    trace: Trace,
    /// True time, in ms since the beginning.
    now: i64,
    /// The present step's length.
    stride: Span,
    booted: i64,
    /// How far the machine's wall clock is from the truth, and when it is set right.
    wall_off: i64,
    wall_right_at: Option<i64>,
    /// The furthest wall time that the daemon was shown, in ms.
    furthest: i64,
    starts_at: i64,
    connects_at: i64,
    stalled_until: i64,
    /// The engine as it was when the process ended, where all of it was on disk.
    before: Option<State>,
    kill_armed: Option<i64>,
    cut: Option<Cut>,
    gravities: u64,
    drawn: u32,
    disk_fails: bool,
    last_payload: BTreeMap<String, Vec<u8>>,
    older_payload: BTreeMap<String, Vec<u8>>,
    stages: Vec<(Option<String>, i64)>,
    alarms: Vec<(Vec<engine::view::Alarm>, bool)>,
    done: Vec<bool>,
    outcome: Outcome,
}

impl World {
    /// The world of these options.
    ///
    /// # Panics
    /// Where its files cannot be written.
    pub fn new(options: &Options) -> Self {
        let seed = options.seed;
        let mut draw = Draw::new(seed, 2);
        let drawn = grammar::cellar(&mut draw);
        let folder = folder();
        let config = folder.path().join("barmkeep.toml");
        std::fs::create_dir(folder.path().join("schedules")).expect("a folder can be made");
        std::fs::write(&config, &drawn.config).expect("a file can be written");
        grammar::read_config(&drawn.config);
        let cellar = Cellar::read(&config).expect("it was read once");
        let faults = faults_of(options);
        let timed = FAULTS.iter().zip(100..).filter(|(weight, _)| faults.contains(&weight.fault));
        let faults = timed.map(|(weight, stream)| {
            let mut draw = Draw::new(seed, stream);
            let first = draw.wait(weight.every_h).millis();
            (weight.fault, (*weight, draw, first))
        });
        let count = drawn.places.len();
        let shared = !cellar.config.coolers.is_empty();
        World {
            seed,
            storm_ms: i64::from(options.storm_h) * HOUR,
            faults: faults.collect(),
            active: BTreeMap::new(),
            schedules: Draw::new(seed, 3),
            net: Rc::new(RefCell::new(Net::new())),
            clock: Arc::new(Invented::at(Stamp::from_millis(0))),
            folder,
            topics: Routes::of(&cellar.config).topics(),
            cellar,
            daemon: None,
            limits: drawn.limits,
            watch: Watch::new(drawn.places.clone(), drawn.limits),
            stands: drawn.places.into_iter().map(|place| Stand::new(place, &mut draw)).collect(),
            draw,
            cooler: shared.then(|| Actor::new(Some(Form::Switch))),
            person: Person::new(Draw::new(seed, 4)),
            trace: Trace::default(),
            now: 0,
            stride: STEP,
            booted: 0,
            wall_off: 0,
            wall_right_at: None,
            furthest: 0,
            starts_at: 0,
            connects_at: 0,
            stalled_until: 0,
            before: None,
            kill_armed: None,
            cut: None,
            gravities: 0,
            drawn: 0,
            disk_fails: false,
            last_payload: BTreeMap::new(),
            older_payload: BTreeMap::new(),
            stages: vec![(None, 0); count],
            alarms: vec![(Vec::new(), false); count],
            done: vec![false; count],
            outcome: Outcome::default(),
        }
    }

    /// Runs it to its end.
    pub fn run(mut self) -> Outcome {
        if let Err(broken) = self.story() {
            self.trace.line(self.now, &format!("{}: {}", broken.invariant, broken.text));
            self.outcome.broken = Some((broken, self.trace.text()));
        }
        self.outcome.kinds = std::mem::take(&mut self.watch.kinds);
        self.outcome.looks = self.watch.looks;
        self.outcome.helped = self.person.helped;
        self.outcome
    }

    fn story(&mut self) -> Result<(), Broken> {
        let text = format!("seed {}, {} vessels, {:?}", self.seed, self.stands.len(), self.limits);
        self.trace.line(0, &text);
        while self.now < self.storm_ms {
            self.step()?;
        }
        self.calm();
        while self.done.contains(&false) {
            self.step()?;
            if self.now > self.storm_ms + CALM {
                let text = format!("{:?} after {} d", self.stages, CALM / HOUR / 24);
                return fail("the_batch_completes_once_faults_stop", text);
            }
        }
        let end = self.now + 2 * HOUR;
        while self.now < end {
            self.step()?;
        }
        self.alarms_end_with_their_causes()?;
        self.compare_with_disk()
    }

    fn is_storm(&self) -> bool {
        self.now < self.storm_ms
    }

    fn calm(&mut self) {
        self.trace.line(self.now, "the storm is over");
        let active: Vec<Fault> = self.active.keys().copied().collect();
        for fault in active {
            self.end(fault);
        }
        (self.kill_armed, self.cut, self.wall_right_at) = (None, None, None);
        (self.stalled_until, self.starts_at, self.connects_at) = (0, self.now, self.now);
        self.wall_off = 0;
        self.net.borrow_mut().dies_after = None;
    }

    fn step(&mut self) -> Result<(), Broken> {
        self.stride = if self.is_storm() { STEP } else { STEP_CALM };
        self.now += self.stride.millis();
        self.net.borrow_mut().now = self.now;
        self.outcome.vessel_hours += self.stands.len() as f64 * self.stride.hours();
        self.set_clock_right();
        if self.is_storm() {
            self.weather();
        }
        self.devices_speak();
        self.people_want();
        if self.daemon.is_none() && self.now >= self.starts_at {
            self.start()?;
        }
        self.keep_connected();
        if self.daemon.is_some() && self.now >= self.stalled_until {
            self.daemon_runs()?;
        }
        self.net.borrow_mut().pump();
        self.outside_hears()?;
        for place in 0..self.stands.len() {
            if self.stands[place].fights(self.now) && self.are_relays(place) {
                let text = format!("{}: both relays are closed", self.stands[place].place.name);
                return fail("relays_never_fight", text);
            }
        }
        self.cut_power()
    }

    fn are_relays(&self, place: usize) -> bool {
        let place = &self.stands[place].place;
        let relay = |form| matches!(form, Some(Form::Switch | Form::Both));
        relay(place.heater) && relay(place.chiller) && !self.active.contains_key(&Fault::DeafRelay)
    }

    // Time.

    fn wall(&self) -> i64 {
        START + self.now + self.wall_off
    }

    fn set_clock(&mut self, at: i64) {
        let wall = self.wall() - (self.now - at);
        self.furthest = self.furthest.max(wall);
        self.clock.set_both(Now {
            monotonic: Stamp::from_millis(at - self.booted + 1000),
            wall: Stamp::from_millis(wall),
        });
    }

    fn set_clock_right(&mut self) {
        if self.wall_right_at.is_some_and(|at| at <= self.now) {
            (self.wall_off, self.wall_right_at) = (0, None);
            self.trace.line(self.now, "the wall clock is set right");
        }
    }

    // Faults.

    fn weather(&mut self) {
        let over: Vec<Fault> =
            self.active.iter().filter(|(_, e)| e.until <= self.now).map(|(f, _)| *f).collect();
        for fault in over {
            self.end(fault);
        }
        let due: Vec<Fault> =
            self.faults.iter().filter(|(_, (.., at))| *at <= self.now).map(|(f, _)| *f).collect();
        for fault in due {
            let now = self.now;
            let places = self.stands.len();
            let Some((weight, draw, next)) = self.faults.get_mut(&fault) else { continue };
            let (low, high) = weight.lasts_min;
            let length = draw.minutes(low, high).millis();
            let (place, size) = (draw.index(places), draw.between(0.0, 1.0));
            *next = now + length + draw.wait(weight.every_h).millis();
            let name = weight.name;
            *self.outcome.struck.entry(name).or_default() += 1;
            self.trace.line(now, &format!("fault {name} for {} min", length / MINUTE));
            self.strike(fault, Episode { until: now + length, place, size });
        }
        if self.active.contains_key(&Fault::DiskFails) && self.draw.happens(0.3) {
            let fails = !self.disk_fails;
            self.set_disk(fails);
        }
    }

    fn strike(&mut self, fault: Fault, episode: Episode) {
        let far = ((episode.size * 12.0 - 6.0).exp() * HOUR as f64) as i64;
        match fault {
            Fault::BrokerForgets => {
                self.net.borrow_mut().retained.clear();
                self.disconnect(false, Some(1000));
            }
            Fault::HalfOpen => self.disconnect(true, Some(30_000)),
            Fault::ClockBack => self.step_clock(-(far + 61_000)),
            Fault::ClockForward => self.step_clock(far + 61_000),
            Fault::ClockLeap => self.step_clock(if episode.size < 0.5 { HOUR } else { -HOUR }),
            Fault::ClockNone => {
                self.kill("the machine boots without a clock");
                let wall = if episode.size < 0.5 { 30_000 } else { self.wall() - START };
                let boot = self.now + 20_000;
                self.starts_at = boot;
                self.wall_off = if episode.size < 0.5 {
                    wall - START - boot
                } else {
                    // Kept at the last orderly stop, some hours ago.
                    -((episode.size * 8.0 * HOUR as f64) as i64)
                };
                self.wall_right_at = Some(boot + (episode.size * 1.2e6) as i64);
            }
            Fault::Stall => self.stalled_until = episode.until,
            Fault::Kill => self.kill_armed = Some(self.now + 30 * MINUTE),
            Fault::KillMidway => {
                let after = (episode.size * 12.0) as u32;
                self.net.borrow_mut().dies_after = Some(after);
            }
            Fault::PowerCut => {
                self.cut = Some(Cut { due: self.now + 5 * MINUTE, copied: None });
            }
            Fault::Restart => self.restart(episode),
            _ => {
                self.active.insert(fault, episode);
                match fault {
                    Fault::BrokerAway => self.disconnect(false, Some(1000)),
                    Fault::DiskFull => self.set_disk(true),
                    _ => {}
                }
            }
        }
    }

    fn end(&mut self, fault: Fault) {
        self.active.remove(&fault);
        match fault {
            Fault::BrokerAway => self.connects_at = self.now + self.draw.whole(1, 60) * 1000,
            Fault::DiskFull | Fault::DiskFails => self.set_disk(false),
            _ => {}
        }
    }

    fn strikes(&self, fault: Fault, place: usize) -> Option<Episode> {
        self.active.get(&fault).copied().filter(|episode| episode.place == place)
    }

    fn step_clock(&mut self, millis: i64) {
        self.wall_off += millis;
        self.wall_right_at = Some(self.now + self.draw.whole(1, 12 * 60) * MINUTE);
    }

    /// Nothing, or anything again, can be written to the store.
    fn set_disk(&mut self, fails: bool) {
        self.disk_fails = fails;
        let path = self.folder.path().join("barmkeep.db");
        let Ok(connection) = rusqlite::Connection::open(&path) else { return };
        let mut sql = String::new();
        for table in ["input", "record", "snapshot"] {
            sql.push_str(&format!("DROP TRIGGER IF EXISTS storm_{table};"));
            if fails {
                sql.push_str(&format!(
                    "CREATE TRIGGER IF NOT EXISTS storm_{table} BEFORE INSERT ON {table} BEGIN \
                     SELECT RAISE(ABORT, 'the disk is full'); END;"
                ));
            }
        }
        // Before the first start there are no tables.
        let _ = connection.execute_batch(&sql);
    }

    // The process.

    fn start(&mut self) -> Result<(), Broken> {
        self.booted = self.now;
        self.set_clock(self.now);
        self.outcome.starts += 1;
        let opened = match Opened::of(&self.cellar) {
            Ok(opened) => opened,
            Err(failure) => return fail("the_store_opens", failure.message),
        };
        if let Some(before) = self.before.take() {
            self.outcome.compared += 1;
            recovered_as_it_was(&before, opened.engine().state())?;
        }
        self.compare_with_disk()?;
        self.net.borrow_mut().begin(switches(&self.cellar));
        let (cellar, pen) = (self.cellar.clone(), Pen(self.net.clone()));
        let clock = Clock::Invented(self.clock.clone());
        self.trace.line(self.now, "the daemon begins");
        let began = catch_unwind(AssertUnwindSafe(|| Daemon::new(cellar, opened, pen, clock)));
        self.connects_at = self.now + self.draw.whole(0, 20) * 1000;
        self.watch.runs_since = self.now;
        match began {
            Ok(daemon) => self.daemon = Some(daemon),
            Err(panic) => return self.unwound(&*panic),
        }
        self.look_at_given()
    }

    fn keep_connected(&mut self) {
        let away = self.active.contains_key(&Fault::BrokerAway);
        let up = self.net.borrow().up;
        if self.daemon.is_some() && !away && !up && self.now >= self.connects_at {
            self.net.borrow_mut().connect(&self.topics);
        }
    }

    fn disconnect(&mut self, broker_lives: bool, noticed: Option<i64>) {
        self.net.borrow_mut().cut(broker_lives, noticed);
        self.connects_at = self.now + noticed.unwrap_or(0) + self.draw.whole(1, 60) * 1000;
    }

    fn daemon_runs(&mut self) -> Result<(), Broken> {
        loop {
            let news = self.net.borrow_mut().next_news();
            let Some((at, news)) = news else { break };
            self.set_clock(at.max(self.now - self.stride.millis() + 1));
            self.note_news(&news);
            self.call(|daemon| daemon.hear(news))?;
            if self.daemon.is_none() {
                return Ok(());
            }
        }
        self.set_clock(self.now);
        self.call(Daemon::tick)?;
        self.look()
    }

    /// Lets the daemon do something, and looks at what it gave.
    fn call(&mut self, act: impl FnOnce(&mut Daemon<Pen>)) -> Result<(), Broken> {
        let Some(daemon) = &mut self.daemon else { return Ok(()) };
        let done = catch_unwind(AssertUnwindSafe(|| act(daemon)));
        self.look_at_given()?;
        if let Err(panic) = done {
            return self.unwound(&*panic);
        }
        let kept = |daemon: &Daemon<Pen>| daemon.store().waiting() == 0;
        let quiet = self.daemon.as_ref().is_some_and(kept);
        if let Some(latest) = self.kill_armed
            && (quiet || self.now >= latest)
        {
            self.kill("killed");
        }
        Ok(())
    }

    fn unwound(&mut self, panic: &(dyn std::any::Any + Send)) -> Result<(), Broken> {
        if panic.is::<Killed>() {
            self.kill("killed between two effects");
            // What the engine did in this call was perhaps not kept.
            self.before = None;
            return Ok(());
        }
        let text = panic.downcast_ref::<String>().map(String::as_str);
        let text = text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or_default();
        fail("nothing_panics", text.to_owned())
    }

    fn kill(&mut self, how: &str) {
        let Some(daemon) = self.daemon.take() else { return };
        self.trace.line(self.now, how);
        let whole = daemon.store().waiting() == 0 && !daemon.store().is_failing();
        self.before = whole.then(|| daemon.engine().state().clone());
        drop(daemon);
        self.gone();
    }

    fn gone(&mut self) {
        self.kill_armed = None;
        self.net.borrow_mut().daemon_died();
        self.watch.daemon_died(self.now);
        let away = if self.draw.happens(0.8) {
            self.draw.whole(1, 120)
        } else {
            self.draw.whole(120, 20_000)
        };
        self.starts_at = self.now + away * 1000;
    }

    fn restart(&mut self, episode: Episode) {
        self.trace.line(self.now, "an orderly end");
        self.set_clock(self.now);
        // A daemon that dies in its last words was killed between two effects.
        if self.call(Daemon::end).is_err() || self.daemon.take().is_none() {
            return;
        }
        self.net.borrow_mut().pump();
        self.before = None;
        self.gone();
        self.starts_at = self.now + (episode.size * 600_000.0) as i64;
    }

    /// Cuts the power where it is due: the store is as it was when it was last synced.
    fn cut_power(&mut self) -> Result<(), Broken> {
        let (Some(cut), Some(daemon)) = (&mut self.cut, &self.daemon) else { return Ok(()) };
        let store = daemon.store();
        let mark = (store.seq_on_disk(), self.gravities);
        let (folder, aside) = (self.folder.path().to_owned(), self.folder.path().join("cut"));
        if cut.copied != Some(mark) {
            if !store.is_failing() && store.waiting() == 0 {
                copy_store(&folder, &aside);
                cut.copied = Some(mark);
            } else if cut.copied.is_some() {
                cut.copied = None;
            }
            return Ok(());
        }
        if self.now < cut.due {
            return Ok(());
        }
        self.cut = None;
        self.kill("the power is cut");
        self.before = None;
        for ending in ["", "-wal", "-shm"] {
            // Not all of them are there.
            let _ = std::fs::remove_file(folder.join(format!("barmkeep.db{ending}")));
        }
        copy_store(&aside, &folder);
        let fails = self.disk_fails;
        self.set_disk(fails);
        Ok(())
    }

    // What is said.

    fn devices_speak(&mut self) {
        let cold = match &mut self.cooler {
            Some(cooler) => cooler.is_on(self.now),
            None => true,
        };
        let mut reports = Vec::new();
        for place in 0..self.stands.len() {
            let wrong = self.strikes(Fault::DeviceClock, place);
            let off = wrong.map_or(0, |e| ((e.size - 0.5) * 40.0 * HOUR as f64) as i64);
            let wall = Stamp::from_millis(START + self.now + off);
            let stand = &mut self.stands[place];
            let said = stand.advance(self.stride, self.now, wall, cold);
            reports.extend(said.into_iter().map(|report| (place, report)));
            if self.now % MINUTE == 0 {
                let lies = self.strikes(Fault::LyingRelay, place).is_some();
                let seen = self.stands[place].seen(self.now, lies);
                reports.extend(seen.into_iter().map(|report| (place, report)));
            }
        }
        for (place, report) in reports {
            self.send(place, report);
        }
        if self.active.contains_key(&Fault::Flood) {
            self.flood();
        }
    }

    fn send(&mut self, place: usize, mut report: Report) {
        let silent = if report.of_probe { Fault::SilentProbe } else { Fault::SilentFloat };
        let seen = report.topic.ends_with("/seen");
        if self.strikes(silent, place).is_some() && !seen {
            return;
        }
        let topic = report.topic.clone();
        if self.strikes(Fault::Stuck, place).is_some()
            && let Some(last) = self.last_payload.get(&topic)
        {
            report.payload.clone_from(last);
        }
        if !seen && self.strikes(Fault::Rebooted, place).is_some() {
            let words: &[u8] = if report.of_probe { b"85.0" } else { b"{\"sg\":1.0,\"temp\":0}" };
            report.payload = words.to_vec();
        }
        if self.strikes(Fault::Spikes, place).is_some() && self.draw.happens(0.3) {
            spike(&mut report, self.draw.between(-15.0, 15.0));
        }
        if self.strikes(Fault::Garbled, place).is_some() && self.draw.happens(0.5) {
            garble(&mut report.payload, &mut self.draw);
        }
        self.last_payload.insert(topic.clone(), report.payload.clone());
        if self.draw.happens(0.01) {
            self.older_payload.insert(topic.clone(), report.payload.clone());
        }
        let delay = self.delay(place);
        let retained = self.active.contains_key(&Fault::Retained) && self.draw.happens(0.5);
        let twice =
            self.active.contains_key(&Fault::Twice) || self.active.contains_key(&Fault::Doubled);
        let old = self.active.contains_key(&Fault::Old) && self.draw.happens(0.2);
        let mut net = self.net.borrow_mut();
        net.arrives(delay, &topic, report.payload.clone(), retained);
        if retained {
            net.retained.insert(topic.clone(), report.payload.clone());
        }
        if twice {
            net.arrives(delay + 1, &topic, report.payload, retained);
        }
        if let Some(payload) = self.older_payload.get(&topic).filter(|_| old) {
            net.arrives(delay + 2, &topic, payload.clone(), false);
        }
    }

    fn delay(&mut self, place: usize) -> i64 {
        let mut delay = 0;
        if self.strikes(Fault::Late, place).is_some() {
            delay += self.draw.whole(1000, HOUR);
        }
        if self.active.contains_key(&Fault::Reordered) {
            delay += self.draw.whole(0, MINUTE);
        }
        if self.active.contains_key(&Fault::BrokerSlow) {
            delay += self.draw.whole(0, 2 * MINUTE);
        }
        delay
    }

    fn flood(&mut self) {
        for _ in 0..100 {
            let topic = self.draw.pick(&self.topics).clone();
            let mut payload = b"{\"sg\": 1.04, \"do\": \"hold\"}".to_vec();
            garble(&mut payload, &mut self.draw);
            self.net.borrow_mut().arrives(0, &topic, payload, false);
        }
    }

    fn note_news(&mut self, news: &FromLink) {
        let FromLink::Message(message) = news else { return };
        self.gravities += u64::from(message.topic.ends_with("/float"));
        let text = std::str::from_utf8(&message.payload).unwrap_or_default();
        let celsius: Option<f64> = text.trim().parse().ok();
        if let (Some(vessel), Some(celsius), false) =
            (vessel_of(&message.topic, "cellar/", "/probe"), celsius, message.retained)
            && (-30.0..80.0).contains(&celsius)
        {
            self.watch.beer_is_told(&vessel, self.now);
        }
    }

    // People.

    fn people_want(&mut self) {
        for place in 0..self.stands.len() {
            let vessel = self.stands[place].place.name.clone();
            let Some(glance) = self.glance(&vessel) else { continue };
            let (alarms, locked) = &self.alarms[place];
            let sight = Sight {
                vessel: &vessel,
                glance: &glance,
                sg: self.stands[place].beer.truth().sg,
                stage_since: self.stages[place].1,
                alarms,
                locked: *locked,
                done: self.done[place],
            };
            let wild = self.strikes(Fault::Contradictions, place).is_some();
            let storm = self.is_storm();
            let Some(want) = self.person.wants(&sight, self.now, storm, wild) else { continue };
            let sg = self.stands[place].beer.truth().sg;
            let command = match want {
                Want::Command(command) => command,
                Want::Pitch => {
                    let file = self.draw_schedule(&vessel);
                    let known = format!("{:.4} SG", if sg > 1.02 { sg } else { 1.048 });
                    json!({ "do": "pitch", "schedule": file, "original_gravity": known })
                }
                Want::Revise => json!({ "do": "revise", "schedule": self.draw_schedule(&vessel) }),
            };
            self.command(place, command);
        }
    }

    fn draw_schedule(&mut self, vessel: &Name) -> String {
        self.drawn += 1;
        let name = format!("s{}", self.drawn);
        let config = &self.cellar.config.vessels[vessel];
        let (text, schedule) = grammar::schedule(&mut self.schedules, &self.limits, config);
        let path = self.folder.path().join(format!("schedules/{name}.toml"));
        std::fs::write(path, text).expect("a file can be written");
        self.watch.schedules.insert(name.clone(), schedule);
        name
    }

    fn command(&mut self, place: usize, mut command: Value) {
        let vessel = self.stands[place].place.name.clone();
        command["id"] = self.person.id().into();
        if command["do"] == "unlock" {
            self.watch.unlock_is_asked(&vessel);
        }
        let topic = format!("barmkeep/{vessel}/command");
        self.trace.line(self.now, &format!("{vessel} < {command}"));
        let copies = if self.active.contains_key(&Fault::Repeats) { 3 } else { 1 };
        for _ in 0..copies {
            let delay = self.draw.whole(0, 9000) + self.delay(place);
            let payload = command.to_string().into_bytes();
            self.net.borrow_mut().arrives(delay, &topic, payload, false);
        }
    }

    // What is heard and looked at.

    fn outside_hears(&mut self) -> Result<(), Broken> {
        let said = std::mem::take(&mut self.net.borrow_mut().said);
        for message in said {
            self.hear(&message);
            self.look_at_heard(&message)?;
        }
        Ok(())
    }

    fn look_at_heard(&mut self, said: &Said) -> Result<(), Broken> {
        for place in 0..self.stands.len() {
            for (output, kind) in ["heater", "chiller"].into_iter().enumerate() {
                let name = &self.stands[place].place.name;
                if said.topic == format!("cellar/{name}/{kind}/set") {
                    self.watch.heard(place, output, said.payload == b"ON", said.at)?;
                }
            }
        }
        Ok(())
    }

    fn hear(&mut self, said: &Said) {
        let now = self.now;
        if said.topic == "barmkeep/glycol/cooler/switch" {
            if let Some(cooler) = &mut self.cooler {
                cooler.hear_switch(&said.payload, now);
            }
            return;
        }
        let deaf = |place| self.strikes(Fault::DeafRelay, place).is_some();
        let deaf: Vec<bool> = (0..self.stands.len()).map(deaf).collect();
        for (stand, deaf) in self.stands.iter_mut().zip(deaf) {
            let name = stand.place.name.clone();
            for (kind, actor) in [("heater", &mut stand.heater), ("chiller", &mut stand.chiller)] {
                if !deaf && said.topic == format!("cellar/{name}/{kind}/set") {
                    actor.hear_switch(&said.payload, now);
                } else if !deaf && said.topic == format!("barmkeep/{name}/{kind}/setpoint") {
                    actor.hear_setpoint(&said.payload, now);
                }
            }
            if said.topic == format!("barmkeep/{name}/event") {
                let record: Value = serde_json::from_slice(&said.payload).unwrap_or_default();
                if record["kind"] == "confirm.due" {
                    let say = record["data"]["say"].as_str().unwrap_or_default();
                    let storm = now < self.storm_ms;
                    self.person.is_asked(&name, say, now, storm);
                }
            }
        }
    }

    fn look_at_given(&mut self) -> Result<(), Broken> {
        let given = std::mem::take(&mut self.net.borrow_mut().given);
        let on_disk = self.daemon.as_ref().map_or(u64::MAX, |daemon| daemon.store().seq_on_disk());
        for (at, outgoing) in given {
            if outgoing.topic.ends_with("/event") {
                self.look_at_event(&outgoing, on_disk)?;
            } else {
                self.look_at_order(&outgoing, at)?;
            }
        }
        Ok(())
    }

    fn look_at_event(&mut self, outgoing: &Outgoing, on_disk: u64) -> Result<(), Broken> {
        let record: Record = match serde_json::from_slice(&outgoing.payload) {
            Ok(record) => record,
            Err(error) => return fail("events_can_be_read", error.to_string()),
        };
        let Some(record) = self.watch.published(record, on_disk)? else { return Ok(()) };
        let vessel = record.vessel.as_ref().map_or("-", Name::as_str);
        let text = format!("{vessel} {} {}: {}", record.seq, record.kind.as_str(), record.text);
        self.trace.line(self.now, &text);
        if let (Kind::BatchPitched, Some(vessel), Some(batch)) =
            (record.kind, &record.vessel, &record.batch)
            && let Some(stand) = self.stands.iter_mut().find(|stand| stand.place.name == *vessel)
        {
            stand.pitch(batch, &mut self.draw);
        }
        Ok(())
    }

    fn look_at_order(&mut self, outgoing: &Outgoing, at: i64) -> Result<(), Broken> {
        for place in 0..self.stands.len() {
            let stand = &self.stands[place].place;
            for (output, kind, form) in [(0, "heater", stand.heater), (1, "chiller", stand.chiller)]
            {
                let name = &stand.name;
                let on = match form {
                    Some(Form::Switch | Form::Both) => (outgoing.topic
                        == format!("cellar/{name}/{kind}/set"))
                    .then(|| outgoing.payload == b"ON"),
                    Some(Form::Setpoint) => (outgoing.topic
                        == format!("barmkeep/{name}/{kind}/setpoint"))
                    .then(|| !outgoing.payload.windows(4).any(|word| word == b"null")),
                    None => None,
                };
                if let Some(on) = on {
                    let held_up = at - self.stalled_until <= STEP.millis();
                    return self.watch.ordered(place, output, on, (at, held_up));
                }
            }
        }
        Ok(())
    }

    fn look(&mut self) -> Result<(), Broken> {
        let Some(daemon) = &self.daemon else { return Ok(()) };
        let (failing, waiting) = (daemon.store().is_failing(), daemon.store().waiting());
        self.watch.disk(self.wall(), failing);
        if waiting > WAITING_MAX {
            return fail("memory_is_bounded", format!("{waiting} inputs wait for the disk"));
        }
        let queued = self.net.borrow().waiting();
        if queued > KEPT_MAX + REPLACED_MAX.min(1000) {
            return fail("memory_is_bounded", format!("{queued} messages wait for the broker"));
        }
        for place in 0..self.stands.len() {
            self.look_at(place)?;
        }
        if self.now % (24 * HOUR) < STEP.millis() {
            self.state_is_small()?;
        }
        Ok(())
    }

    fn look_at(&mut self, place: usize) -> Result<(), Broken> {
        let vessel = self.stands[place].place.name.clone();
        let Some(glance) = self.glance(&vessel) else { return Ok(()) };
        self.watch.stands(place, &glance, self.now)?;
        // A valve is ordered by what the shared cooler allows as well; the same holds of it.
        if self.now - self.stalled_until > 2 * STEP.millis()
            && self.now - self.watch.runs_since > 2 * STEP.millis()
        {
            self.watch.blind(place, self.now)?;
        }
        if self.stages[place].0 != glance.stage {
            self.stages[place] = (glance.stage.clone(), self.now);
        }
        self.done[place] |= !self.is_storm() && glance.run == "complete";
        let every = if self.is_storm() { SAYS_EVERY } else { SAYS_EVERY_CALM };
        if self.now % every == 0
            && let Some(state) = self.daemon.as_ref().and_then(|d| d.engine().view(&vessel))
        {
            self.watch.says(place, &state)?;
            self.alarms[place] = (state.alarms, state.locked.is_some());
        }
        Ok(())
    }

    fn glance(&self, vessel: &Name) -> Option<Glance> {
        self.daemon.as_ref()?.engine().glance(vessel)
    }

    fn state_is_small(&self) -> Result<(), Broken> {
        let Some(daemon) = &self.daemon else { return Ok(()) };
        let size = serde_json::to_string(daemon.engine().state()).unwrap_or_default().len();
        if size > STATE_BYTES_MAX * self.stands.len() {
            return fail("memory_is_bounded", format!("the state has {size} bytes"));
        }
        Ok(())
    }

    fn alarms_end_with_their_causes(&self) -> Result<(), Broken> {
        // A clock that ran far ahead is in doubt until that time has come; and what stands was
        // looked at some time ago.
        let ahead = self.furthest > self.wall() - SAYS_EVERY_CALM;
        let ends = |id: &str| ENDS.contains(&id) && !(ahead && id == "clock-doubtful");
        for (alarms, _) in &self.alarms {
            if let Some(alarm) = alarms.iter().find(|alarm| ends(&alarm.id)) {
                return fail("alarms_end_with_their_causes", format!("{} stands", alarm.id));
            }
        }
        Ok(())
    }

    fn compare_with_disk(&mut self) -> Result<(), Broken> {
        if let Some(daemon) = &self.daemon
            && daemon.store().is_failing()
        {
            return Ok(());
        }
        let filter = Filter {
            after_seq: Some(self.watch.compared()),
            limit: Limit::None,
            ..Filter::default()
        };
        let reader = Reader::open(&self.folder.path().join("barmkeep.db"));
        let records = reader.and_then(|reader| reader.history().records(&filter));
        match records {
            Ok(records) => self.watch.on_disk(&records),
            Err(error) => fail("the_store_opens", error.to_string()),
        }
    }
}

fn fail<T>(invariant: &'static str, text: String) -> Result<T, Broken> {
    Err(Broken { invariant, text })
}

fn vessel_of(topic: &str, before: &str, after: &str) -> Option<Name> {
    let name = topic.strip_prefix(before)?.strip_suffix(after)?;
    Name::parse(name).ok()
}

fn spike(report: &mut Report, size: f64) {
    if report.of_probe {
        let text = std::str::from_utf8(&report.payload).unwrap_or_default();
        if let Ok(celsius) = text.parse::<f64>() {
            report.payload = format!("{:.4}", celsius + size).into_bytes();
        }
    } else if let Ok(mut value) = serde_json::from_slice::<Value>(&report.payload)
        && let Some(sg) = value["sg"].as_f64()
    {
        value["sg"] = (sg + size * 0.002).into();
        report.payload = value.to_string().into_bytes();
    }
}

fn garble(payload: &mut Vec<u8>, draw: &mut Draw) {
    match draw.whole(0, 4) {
        0 => payload.truncate(draw.index(payload.len())),
        1 => *payload = draw.pick(&[&b"NaN"[..], b"null", b"{}", b"-", b"1e999", b""]).to_vec(),
        2 => payload.extend_from_within(..),
        _ => {
            for _ in 0..3 {
                let place = draw.index(payload.len());
                if let Some(byte) = payload.get_mut(place) {
                    *byte = draw.whole(0, 256) as u8;
                }
            }
        }
    }
}

fn copy_store(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder can be made");
    for ending in ["", "-wal"] {
        let name = format!("barmkeep.db{ending}");
        let (from, to) = (from.join(&name), to.join(&name));
        if from.exists() {
            std::fs::copy(from, to).expect("a file can be copied");
        } else {
            // The log of an older copy does not belong to this one.
            let _ = std::fs::remove_file(to);
        }
    }
}
