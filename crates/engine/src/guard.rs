//! A vessel whose handling panics takes no other along.
//!
//! A panic is a fault of ours. Where a driver asks for it ([`Engine::guarded`]), each call into a
//! vessel is caught: the vessel is what it was before the input, which is passed over, its outputs
//! are told off, an alarm says so, and it is tried again, more seldom each time. What its outputs
//! did before counts as a run that ended: they come back under their rests. The others never
//! notice. The same inputs panic again in a recovery, and are caught alike.

use crate::alarm::{Condition, rules};
use crate::command::Command;
use crate::context::{Context, Journal, Mark};
use crate::effect::{Effect, OutputKind, Reply};
use crate::engine::{Engine, note_daemon};
use crate::input::CommandInput;
use crate::outputs::{drive, output};
use crate::setup::VesselSetup;
use crate::vessel::Vessel;
use quantity::{Span, Stamp};
use schedule::Name;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::any::Any;
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// The first try comes this soon after a fault, each further one after twice the time, …
const FIRST_TRY: Span = Span::from_secs(10);
/// … but at least this often.
const LAST_TRY: Span = Span::from_mins(5);

/// A vessel that is out, since its handling panicked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Fault {
    /// What the panic said.
    text: String,
    /// How often it was tried in vain.
    tries: u32,
    /// Not tried before this.
    next: Stamp,
    /// When its outputs were last told to be off.
    told: Stamp,
}

/// The vessels that are out.
pub(crate) type Faults = BTreeMap<Name, Fault>;

impl Engine {
    /// The same engine, which survives a panic in one vessel's handling. It keeps what a vessel was
    /// before each input, which costs time: for a daemon, not for a recording.
    #[must_use]
    pub fn guarded(mut self) -> Self {
        self.guarded = true;
        self
    }

    /// Whether a state that was read from a disk can be looked at at all: one that a fault of the
    /// disk changed may be a state in form and none in substance.
    pub fn is_sound(&self) -> bool {
        let sound = catch_unwind(AssertUnwindSafe(|| {
            let mut plain = self.clone();
            plain.guarded = false;
            for name in self.setup.vessels.keys() {
                let _ = (plain.view(name), plain.glance(name), plain.summary(name));
            }
            plain.orders();
        }));
        sound.is_ok()
    }

    /// The vessels that are out tell so by an alarm, and their outputs are told off again.
    pub(crate) fn watch_faults(&mut self, journal: &mut Journal<'_>) {
        let Engine { setup, state, .. } = self;
        let Some(clock) = &state.clock else { return };
        for (name, vessel) in &setup.vessels {
            let fault = state.faults.get_mut(name);
            let condition = fault.as_ref().map(|fault| {
                let text = format!(
                    "the program failed in handling {name}: {}. Its outputs are off; the other \
                     vessels go on. Look after this beer by hand, and report the fault",
                    fault.text
                );
                Condition::new(text, json!({ "vessel": name, "problem": fault.text }))
            });
            if let Some(fault) = fault
                && clock.steady.since(fault.told) >= vessel.config.control.refresh
            {
                fault.told = clock.steady;
                tell_off(name, vessel, journal);
            }
            let id = Some(name.as_str());
            let change = state.alarms.update(rules::PROGRAM_FAULT, id, condition, clock.steady);
            note_daemon(clock.wall_of(clock.steady), change, journal);
        }
    }
}

/// What two vessels were before a batch goes from one to the other.
pub(crate) struct Before {
    vessels: Vec<(Name, Vessel)>,
    mark: Mark,
}

impl Engine {
    /// What a move must be able to take back.
    pub(crate) fn before_crossing(
        &self,
        input: &CommandInput,
        journal: &Journal<'_>,
    ) -> Option<Before> {
        let Ok(Command::Move(asked)) = &input.command else { return None };
        let known = |name: &str| {
            let (name, vessel) = self.state.vessels.get_key_value(name)?;
            Some((name.clone(), vessel.clone()))
        };
        let both = [input.vessel.as_str(), asked.to.as_str()];
        let vessels = both.into_iter().filter_map(known).collect();
        self.guarded.then(|| Before { vessels, mark: journal.mark() })
    }

    /// Neither vessel has moved anything. What failed is told off already.
    pub(crate) fn take_back(&mut self, before: Option<Before>, journal: &mut Journal<'_>) {
        let Some(Before { vessels, mark }) = before else { return };
        journal.back_to(mark);
        let now = self.state.clock.map(|clock| clock.steady);
        for (name, mut vessel) in vessels {
            if let Some(now) = now {
                vessel.restarted(now, true);
            }
            if let Some(setup) = self.setup.vessels.get(&name) {
                tell_off(&name, setup, journal);
            }
            self.state.vessels.insert(name, vessel);
        }
    }

    /// A command whose handling failed, or whose vessel is out, is refused.
    pub(crate) fn refuse_for_fault(&self, input: &CommandInput, journal: &mut Journal<'_>) {
        let problem = self.state.faults.get(&input.vessel).map_or("", |fault| &fault.text);
        let text = format!(
            "the program failed in handling {}, its outputs are off: {problem}; please report it",
            input.vessel
        );
        let (vessel, id) = (input.vessel.clone(), input.id.clone());
        journal.effects.push(Effect::Reply(Reply { vessel, id, ok: false, text }));
    }
}

/// Lets a vessel act; `false` where it is out, or just failed.
pub(crate) fn act(
    guarded: bool,
    faults: &mut Faults,
    vessel: &mut Vessel,
    cx: &mut Context<'_, '_>,
    act: impl FnOnce(&mut Vessel, &mut Context<'_, '_>),
) -> bool {
    if !guarded {
        act(vessel, cx);
        return true;
    }
    if faults.get(cx.name).is_some_and(|fault| cx.now < fault.next) {
        return false;
    }
    let (before, mark) = (vessel.clone(), cx.journal.mark());
    let done = catch_unwind(AssertUnwindSafe(|| {
        act(vessel, cx);
        #[cfg(test)]
        tests::panics(cx.name);
    }));
    match done {
        Ok(()) => {
            faults.remove(cx.name);
            true
        }
        Err(panic) => {
            *vessel = before;
            cx.journal.back_to(mark);
            fail(faults, vessel, cx, said(&*panic));
            false
        }
    }
}

/// Puts a vessel out: its outputs count as off from now.
fn fail(faults: &mut Faults, vessel: &mut Vessel, cx: &mut Context<'_, '_>, text: String) {
    vessel.restarted(cx.now, true);
    let tries = faults.get(cx.name).map_or(0, |fault| fault.tries + 1);
    let wait = (FIRST_TRY * 2_i64.pow(tries.min(8))).min(LAST_TRY);
    let fault = Fault { text, tries, next: cx.now + wait, told: cx.now };
    faults.insert(cx.name.clone(), fault);
    tell_off(cx.name, cx.setup, cx.journal);
}

fn tell_off(name: &Name, setup: &VesselSetup, journal: &mut Journal<'_>) {
    for kind in [OutputKind::Heater, OutputKind::Chiller] {
        if let Some(output) = output(&setup.config, kind) {
            let refresh = setup.config.control.refresh;
            journal.effects.push(Effect::Drive(drive(name, kind, output, (false, None), refresh)));
        }
    }
}

/// What a panic says.
fn said(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    let text = text.or_else(|| panic.downcast_ref::<&str>().copied());
    text.unwrap_or("it panicked without a word").chars().take(200).collect()
}

/// Something that is only looked at; nothing where that panics.
pub(crate) fn look<T>(guarded: bool, look: impl FnOnce() -> Option<T>) -> Option<T> {
    if !guarded {
        return look();
    }
    catch_unwind(AssertUnwindSafe(look)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::{Input, Reading, Values};
    use crate::record::Kind;
    use crate::setup::Setup;
    use crate::time::Now;
    use crate::view::State as View;
    use quantity::{Show, Temperature};
    use std::cell::RefCell;

    thread_local! {
        /// Whose handling panics.
        static POISONED: RefCell<Option<String>> = const { RefCell::new(None) };
    }

    /// Panics where this vessel is poisoned.
    pub(super) fn panics(name: &Name) {
        let poisoned = POISONED.with_borrow(Clone::clone);
        assert_ne!(poisoned.as_deref(), Some(name.as_str()), "the test's poison");
    }

    fn poison(name: Option<&str>) {
        POISONED.set(name.map(str::to_owned));
    }

    const CELLAR: &str = "format = 1\n[store]\nfile = 'a.db'\n\
        [vessel.north]\nvolume = '23 L'\ncoldest = '0 C'\nwarmest = '26 C'\n\
        [vessel.north.beer]\ntopic = 'n'\nread = { unit = 'C' }\nevery = '10 s'\n\
        [vessel.north.heater]\ntopic = 'n-heat'\n\
        [vessel.south]\nvolume = '23 L'\ncoldest = '0 C'\nwarmest = '26 C'\n\
        [vessel.south.beer]\ntopic = 's'\nread = { unit = 'C' }\nevery = '10 s'\n\
        [vessel.south.heater]\ntopic = 's-heat'\n";

    fn engine() -> Engine {
        let source = schedule::Source::new("a.toml", CELLAR);
        let config = schedule::read_config(&source, &|_| true).value.unwrap();
        let vessels = config
            .vessels
            .into_iter()
            .map(|(name, config)| (name, VesselSetup::new(config, BTreeMap::new())));
        let (vessels, coolers) = (vessels.collect(), BTreeMap::new());
        Engine::new(Setup { show: Show::default(), vessels, coolers }).guarded()
    }

    fn name(text: &str) -> Name {
        Name::parse(text).unwrap()
    }

    fn at(seconds: i64) -> Now {
        Now::same(Stamp::from_millis(1_772_323_200_000 + seconds * 1000))
    }

    fn beer(vessel: &str, celsius: f64) -> Input {
        let values = Values { temperature_c: Some(celsius), ..Values::default() };
        let (vessel, source) = (name(vessel), "beer".to_owned());
        Input::Reading(Reading { vessel, source, taken: None, retained: false, values })
    }

    fn park(vessel: &str, id: &str) -> Input {
        let target = Temperature::from_celsius(20.0).unwrap();
        Input::from(CommandInput {
            vessel: name(vessel),
            id: Some(id.to_owned()),
            by: None,
            command: Ok(Command::Park { target, time: None }),
            schedule: None,
            calibration: None,
            history: Vec::new(),
        })
    }

    fn drives(effects: &[Effect], vessel: &str) -> Vec<Option<bool>> {
        let of = |effect: &Effect| match effect {
            Effect::Drive(drive) if drive.vessel.as_str() == vessel => Some(drive.switch),
            _ => None,
        };
        effects.iter().filter_map(of).collect()
    }

    /// Both vessels heat towards 20 °C.
    fn heating() -> Engine {
        let mut engine = engine();
        engine.handle(at(0), Input::Started { version: "1".to_owned() });
        for vessel in ["north", "south"] {
            engine.handle(at(1), beer(vessel, 15.0));
            engine.handle(at(1), park(vessel, vessel));
        }
        for step in 1..30 {
            engine.handle(at(step * 10), Input::Tick);
            for vessel in ["north", "south"] {
                engine.handle(at(step * 10), beer(vessel, 15.0));
            }
        }
        for vessel in ["north", "south"] {
            assert!(engine.glance(&name(vessel)).unwrap().heater, "{vessel}");
        }
        engine
    }

    fn view(engine: &Engine, vessel: &str) -> View {
        engine.view(&name(vessel)).unwrap()
    }

    #[test]
    fn a_panic_in_one_vessels_handling_takes_no_other_along() {
        let mut engine = heating();
        poison(Some("north"));
        let effects = engine.handle(at(300), beer("north", 15.0));
        assert_eq!(drives(&effects, "north"), [Some(false)], "its output goes off at once");
        let mut south = Vec::new();
        for step in 31..100 {
            let effects = engine.handle(at(step * 10), Input::Tick);
            south.extend(drives(&effects, "south"));
            assert!(!drives(&effects, "north").contains(&Some(true)));
            let effects = engine.handle(at(step * 10), beer("south", 15.0));
            south.extend(drives(&effects, "south"));
        }
        assert!(south.len() >= 10 && south.iter().all(|on| *on == Some(true)), "{south:?}");
        let alarms = view(&engine, "south").alarms;
        let alarm = alarms.iter().find(|alarm| alarm.id == "program-fault.north").unwrap();
        assert_eq!(alarm.priority, "critical");
        assert!(alarm.text.contains("the test's poison"), "{}", alarm.text);
        let effects = engine.handle(at(1000), park("north", "p-2"));
        let refused = |effect: &Effect| matches!(effect, Effect::Reply(reply) if !reply.ok);
        assert!(effects.iter().any(refused), "{effects:?}");
        // It comes back by itself, as after a start.
        poison(None);
        let mut on = Vec::new();
        for step in 101..200 {
            let effects = engine.handle(at(step * 10), Input::Tick);
            on.extend(drives(&effects, "north"));
            engine.handle(at(step * 10), beer("north", 15.0));
        }
        assert!(on.contains(&Some(true)), "{on:?}");
        let raised = |engine: &Engine| {
            let alarms = view(engine, "north").alarms;
            alarms.iter().any(|alarm| alarm.id == "program-fault.north")
        };
        assert!(raised(&engine), "it stands for an hour longer, so that somebody sees it");
        for step in 200..700 {
            engine.handle(at(step * 10), Input::Tick);
        }
        assert!(!raised(&engine));
    }

    fn tell(command: Command) -> Input {
        Input::from(CommandInput {
            vessel: name("south"),
            id: None,
            by: None,
            command: Ok(command),
            schedule: None,
            calibration: None,
            history: Vec::new(),
        })
    }

    /// What the table of all alarms cannot show from outside: raised, seen, shelved, returned.
    #[test]
    fn a_fault_of_ours_is_raised_seen_shelved_and_over() {
        let (id, mut engine) = ("program-fault.north", heating());
        let stands = |engine: &Engine| {
            let alarms = view(engine, "south").alarms;
            let alarm = alarms.into_iter().find(|alarm| alarm.id == id)?;
            Some((alarm.acknowledged, alarm.shelved_until.is_some()))
        };
        let kinds = |effects: &[Effect]| -> Vec<Kind> {
            let kind = |effect: &Effect| match effect {
                Effect::Record(record) if record.data.get("alarm").is_some_and(|it| *it == id) => {
                    Some(record.kind)
                }
                _ => None,
            };
            effects.iter().filter_map(kind).collect()
        };
        poison(Some("north"));
        let mut raised = engine.handle(at(305), Input::Tick);
        raised.extend(engine.handle(at(310), Input::Tick));
        assert_eq!(kinds(&raised), [Kind::AlarmRaised], "by the next tick");
        let (alarm, time) = (id.to_owned(), Span::from_hours(2));
        engine.handle(at(320), tell(Command::Shelve { alarm: alarm.clone(), time }));
        let seen = engine.handle(at(330), tell(Command::Acknowledge { alarm: Some(alarm) }));
        assert_eq!(kinds(&seen), [Kind::AlarmAcknowledged]);
        assert_eq!(stands(&engine), Some((true, true)));
        poison(None);
        let (mut well, mut over) = (None, None);
        for step in 34..700 {
            let effects = engine.handle(at(step * 10), Input::Tick);
            if well.is_none() && !engine.state.faults.contains_key(&name("north")) {
                well = Some(step);
            }
            if kinds(&effects).contains(&Kind::AlarmReturned) {
                over = Some(step);
                break;
            }
        }
        let stood = over.zip(well).map(|(over, well)| (over - well) * 10);
        assert!(stood.is_some_and(|stood| (3600..=3610).contains(&stood)), "{stood:?}");
        assert_eq!(stands(&engine), None);
    }

    #[test]
    fn a_tick_at_the_instant_of_another_vessels_reading_brings_all() {
        let mut engine = heating();
        engine.handle(at(400), beer("south", 15.0));
        engine.handle(at(400), Input::Tick);
        for (name, vessel) in &engine.state.vessels {
            assert_eq!(vessel.settled_at, at(400).monotonic, "{name}");
        }
        assert_eq!(engine.handle(at(400), Input::Tick), []);
    }

    #[test]
    fn records_are_numbered_without_a_gap_over_a_panic_and_a_recovery_comes_to_the_same() {
        let mut engine = heating();
        let mut twin = engine.clone();
        let mut seqs = Vec::new();
        for step in 30..60 {
            poison((40..50).contains(&step).then_some("north"));
            for input in [Input::Tick, beer("north", 21.0 + (step % 3) as f64)] {
                for effect in engine.handle(at(step * 10), input.clone()) {
                    if let Effect::Record(record) = effect {
                        seqs.push(record.seq);
                    }
                }
                twin.handle(at(step * 10), input);
                let text = serde_json::to_string(twin.state()).unwrap();
                let state = serde_json::from_str(&text).unwrap();
                twin = Engine::restore(twin.setup.clone(), state).guarded();
            }
        }
        poison(None);
        assert!(seqs.windows(2).all(|pair| pair[1] == pair[0] + 1), "{seqs:?}");
        assert_eq!(engine.state(), twin.state());
    }
}
