//! What 21 days of one batch cost: a tick and a reading of the probe every 10 s, of the float every
//! 15 min. `cargo bench -p engine` prints the time of each kind of input.

use engine::{
    Command, CommandInput, Engine, Input, LoadedSchedule, Now, RawGravity, Reading, Setup, Values,
    VesselSetup,
};
use quantity::{Show, Stamp};
use schedule::{Name, Source};
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

const DAYS: i64 = 21;
const STEP_MS: i64 = 10_000;
const FLOAT_EVERY_MS: i64 = 900_000;

const CONFIG: &str = r#"
format = 1
store.file = "unused.db"
[vessel.north]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
[vessel.north.gravity.float]
topic = "cellar/float"
read = { at = "/sg", unit = "SG" }
every = "15 min"
[vessel.north.beer]
topic = "cellar/probe"
read = { unit = "C" }
every = "10 s"
[vessel.north.heater]
drive = "switch"
[vessel.north.chiller]
drive = "switch"
"#;

const SCHEDULE: &str = r#"
format = 1
name = "Lager"
[expect]
original_gravity = "12 P"
final_gravity = "2.5 P"
[limits]
coldest = "0 C"
warmest = "20 C"
[[stage]]
name = "primary"
target = "10 C"
until = { attenuation = "50 %" }
at_most = { time = "12 d", then = "alarm" }
[[stage]]
name = "warm finish"
target = { to = "16 C", along = "attenuation", from = "50 %", until = "68 %", steps = 6 }
until = { above_final = "4 points" }
at_most = { time = "10 d", then = "alarm" }
[[stage]]
name = "rest"
target = "17 C"
until = { all = [ { stable = { within = "1 points", over = "48 h" } }, { elapsed = "2 d" } ] }
at_most = { time = "14 d", then = "alarm" }
[[stage]]
name = "lagering"
target = { to = "1 C", rate = "2 C/d", steps = 8 }
until = { elapsed = "28 d" }
"#;

#[expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
fn now() -> Instant {
    Instant::now()
}

fn main() {
    let mut engine = engine();
    let mut spent: BTreeMap<&str, (Duration, u64)> = BTreeMap::new();
    let mut records = 0;
    let mut beer = 20.0;
    for step in 0..DAYS * 86_400_000 / STEP_MS {
        let at = step * STEP_MS;
        let glance = engine.glance(&north());
        beer += drift(glance.as_ref(), beer);
        let mut inputs = vec![("tick", Input::Tick), ("probe", probe(step, beer))];
        if at % FLOAT_EVERY_MS == 0 {
            inputs.push(("float", float(at)));
        }
        if step == 1 {
            inputs.push(("pitch", pitch()));
        }
        for (kind, input) in inputs {
            let began = now();
            let effects = engine.handle(Now::same(Stamp::from_millis(at)), input);
            let (time, count) = spent.entry(kind).or_default();
            *time += began.elapsed();
            *count += 1;
            records += effects.len();
        }
    }
    for (kind, (time, count)) in &spent {
        let each = time.as_secs_f64() * 1e6 / *count as f64;
        println!("{kind:6} {count:7} times {each:8.3} µs each {:8.3} s in all", time.as_secs_f64());
    }
    let size = serde_json::to_string(engine.state()).map_or(0, |text| text.len());
    println!("{records} effects, a state of {size} bytes, now {:?}", engine.glance(&north()));
}

/// A crude vessel: it drifts to 20 °C and follows what is on.
fn drift(glance: Option<&engine::Glance>, beer: f64) -> f64 {
    let on = glance.map_or(0.0, |g| f64::from(u8::from(g.heater)) - f64::from(u8::from(g.chiller)));
    (20.0 - beer) * 1e-5 + on * 3e-3
}

fn engine() -> Engine {
    let source = Source::new("barmkeep.toml", CONFIG);
    let config = schedule::read_config(&source, &|_| true).value.expect("it is right");
    let vessels = config.vessels.into_iter();
    let vessels = vessels.map(|(name, v)| (name, VesselSetup::new(v, BTreeMap::new())));
    Engine::new(Setup {
        show: Show::default(),
        vessels: vessels.collect(),
        coolers: config.coolers,
    })
}

fn north() -> Name {
    Name::parse("north").expect("it is a name")
}

fn pitch() -> Input {
    let schedule = schedule::read_schedule(&Source::new("lager.toml", SCHEDULE)).value;
    let schedule = Ok(Box::new(schedule.expect("it is right")));
    let fields = [("schedule".to_owned(), "lager".to_owned())].into();
    Input::from(CommandInput {
        vessel: north(),
        id: None,
        by: None,
        command: Command::from_fields("pitch", &fields).map_err(|error| error.to_string()),
        schedule: Some(LoadedSchedule { name: "lager".to_owned(), schedule }),
        calibration: None,
        history: Vec::new(),
    })
}

fn probe(step: i64, beer: f64) -> Input {
    let noise = ((step * 7919) % 13 - 6) as f64 * 0.01;
    reading("beer", Values { temperature_c: Some(beer + noise), ..Values::default() })
}

/// Gravity falls over eight days, with the noise of a good float.
fn float(at: i64) -> Input {
    let days = at as f64 / 8.64e7;
    let noise = ((at / FLOAT_EVERY_MS * 7919) % 11 - 5) as f64 * 1e-4;
    let sg = 1.010 + 0.038 / (1.0 + ((days - 3.5) * 1.6).exp()) + noise;
    reading("float", Values { gravity: Some(RawGravity::Sg(sg)), ..Values::default() })
}

fn reading(source: &str, values: Values) -> Input {
    let source = source.to_owned();
    Input::Reading(Reading { vessel: north(), source, taken: None, retained: false, values })
}
