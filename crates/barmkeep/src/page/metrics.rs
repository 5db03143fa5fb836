//! The vessels as metrics, in the text format of OpenMetrics 1.0.
//!
//! Units are base units and part of the name; what is not known has no sample.

use super::Present;
use engine::view::{State, Wear};
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use quantity::Stamp;
use std::sync::atomic::AtomicU64;

/// Labels with their values, in a fixed order.
type Labels = Vec<(&'static str, String)>;
type Gauges = Family<Labels, Gauge<f64, AtomicU64>>;
type Counters = Family<Labels, Counter<f64, AtomicU64>>;

/// The procedural states, each of which has a sample.
const RUNS: [&str; 6] = ["idle", "running", "held", "stopped", "aborted", "complete"];

/// All metrics of all vessels.
pub fn metrics(present: &Present) -> String {
    let mut book = Book { registry: Registry::with_prefix("barmkeep") };
    let version = Info::new(vec![("version", env!("CARGO_PKG_VERSION").to_owned())]);
    book.registry.register("build", "The program", version);
    book.temperatures(present);
    book.beer(present);
    book.outputs(present);
    book.sources(present);
    book.states(present);
    let mut text = String::new();
    if let Err(error) = encode(&mut text, &book.registry) {
        tracing::error!(%error, "the metrics could not be written");
    }
    text
}

struct Book {
    registry: Registry,
}

impl Book {
    /// A gauge of each vessel; `None` where it has no sample.
    fn gauge(
        &mut self,
        present: &Present,
        (name, unit, help): (&str, Option<Unit>, &str),
        value: impl Fn(&State) -> Option<f64>,
    ) {
        let gauges = Gauges::default();
        for state in present.vessels.values() {
            if let Some(value) = value(state).filter(|value| value.is_finite()) {
                gauges.get_or_create(&of(state)).set(value);
            }
        }
        self.add(name, unit, help, gauges);
    }

    fn add(
        &mut self,
        name: &str,
        unit: Option<Unit>,
        help: &str,
        metric: impl prometheus_client::registry::Metric,
    ) {
        match unit {
            Some(unit) => self.registry.register_with_unit(name, help, unit, metric),
            None => self.registry.register(name, help, metric),
        }
    }

    fn temperatures(&mut self, present: &Present) {
        let celsius = || Some(Unit::Celsius);
        let help = "Temperature of the beer";
        self.gauge(present, ("beer_temperature", celsius(), help), |state| state.beer_c);
        let help = "Temperature that is kept now";
        self.gauge(present, ("setpoint_temperature", celsius(), help), |state| state.setpoint_c);
        let help = "Temperature at which the stage ends";
        self.gauge(present, ("target_temperature", celsius(), help), |state| state.target_c);
        let help = "Temperature around the vessel";
        self.gauge(present, ("surround_temperature", celsius(), help), |state| state.surround_c);
    }

    fn beer(&mut self, present: &Present) {
        let ratio = || Some(Unit::Other("ratio".to_owned()));
        let help = "Specific gravity at 20 °C over 20 °C as believed";
        self.gauge(present, ("specific_gravity", ratio(), help), |state| {
            Some(state.gravity.as_ref()?.sg)
        });
        let help = "Standard deviation of the specific gravity";
        self.gauge(present, ("specific_gravity_sd", ratio(), help), |state| {
            Some(state.gravity.as_ref()?.sd)
        });
        let help = "Newest reading in the specific gravity, in Unix time";
        self.gauge(present, ("specific_gravity_as_of_timestamp", seconds(), help), |state| {
            unix(&state.gravity.as_ref()?.as_of)
        });
        let help = "Apparent attenuation of the original extract as believed";
        self.gauge(present, ("apparent_attenuation", ratio(), help), |state| {
            Some(state.attenuation.as_ref()?.apparent_percent / 100.0)
        });
        let help = "Standard deviation of the apparent attenuation";
        self.gauge(present, ("apparent_attenuation_sd", ratio(), help), |state| {
            Some(state.attenuation.as_ref()?.sd? / 100.0)
        });
        let help = "Alcohol by volume";
        self.gauge(present, ("alcohol_by_volume", ratio(), help), |state| {
            Some(state.abv_percent? / 100.0)
        });
    }

    fn outputs(&mut self, present: &Present) {
        let (on, starts) = (Gauges::default(), Counters::default());
        let (time, energy) = (Counters::default(), Counters::default());
        for state in present.vessels.values() {
            let outputs = &state.outputs;
            let both = [
                ("heater", &outputs.heater, &outputs.heater_wear),
                ("chiller", &outputs.chiller, &outputs.chiller_wear),
            ];
            for (name, word, wear) in both {
                let Some(word) = word else { continue };
                let labels = with(state, "output", name);
                on.get_or_create(&labels).set(f64::from(u8::from(word == "on")));
                let (Some(wear), Some(batch)) = (wear, &state.batch) else { continue };
                let labels = [labels, vec![("batch", batch.clone())]].concat();
                count(&labels, wear, &starts, &time, &energy);
            }
        }
        self.add("output_on", None, "Whether an output is on, or has a setpoint", on);
        self.add("output_starts", None, "How often an output was switched on in a batch", starts);
        let help = "For how long an output was on in a batch";
        self.add("output_on_time", seconds(), help, time);
        let help = "What an output took in a batch, by its configured power";
        self.add("output_energy", Some(Unit::Joules), help, energy);
    }

    fn sources(&mut self, present: &Present) {
        let (battery, last) = (Gauges::default(), Gauges::default());
        for state in present.vessels.values() {
            for source in &state.sources {
                let labels = with(state, "source", &source.name);
                if let Some(percent) = source.battery_percent {
                    battery.get_or_create(&labels).set(percent / 100.0);
                }
                if let Some(at) = source.last.as_deref().and_then(unix) {
                    last.get_or_create(&labels).set(at);
                }
            }
        }
        let ratio = Some(Unit::Other("ratio".to_owned()));
        self.add("source_battery", ratio, "Charge of a source's battery", battery);
        let help = "Last usable reading of a source, in Unix time";
        self.add("source_last_reading_timestamp", seconds(), help, last);
    }

    fn states(&mut self, present: &Present) {
        let (runs, alarms) = (Gauges::default(), Gauges::default());
        let batches: Family<Labels, Gauge<f64, AtomicU64>> = Family::default();
        for state in present.vessels.values() {
            for run in RUNS {
                let is = f64::from(u8::from(state.run == run));
                runs.get_or_create(&with(state, "run", run)).set(is);
            }
            for alarm in &state.alarms {
                let priority = vec![("priority", alarm.priority.clone())];
                let labels = [with(state, "alarm", &alarm.id), priority].concat();
                alarms.get_or_create(&labels).set(1.0);
            }
            if let (Some(batch), Some(schedule)) = (&state.batch, &state.schedule) {
                let more = vec![("schedule", schedule.clone())];
                let labels = [with(state, "batch", batch), more].concat();
                batches.get_or_create(&labels).set(1.0);
            }
        }
        self.add("run", None, "1 for the run state that a vessel is in", runs);
        self.add("alarm", None, "1 for each standing alarm", alarms);
        self.add("batch", None, "1 for the batch of a vessel, the present or the last", batches);
        let help = "Number of the stage that a batch is in, from 1";
        self.gauge(present, ("stage_number", None, help), |state| {
            Some(state.stage.as_ref()?.index as f64)
        });
        let help = "When this was so, in Unix time";
        self.gauge(present, ("as_of_timestamp", seconds(), help), |state| unix(&state.at));
    }
}

fn count(labels: &Labels, wear: &Wear, starts: &Counters, time: &Counters, energy: &Counters) {
    if let Some(count) = wear.batch_starts {
        starts.get_or_create(labels).inc_by(count as f64);
    }
    if let Some(hours) = wear.batch_on_h {
        time.get_or_create(labels).inc_by(hours * 3600.0);
    }
    if let Some(kwh) = wear.batch_kwh {
        energy.get_or_create(labels).inc_by(kwh * 3.6e6);
    }
}

fn of(state: &State) -> Labels {
    vec![("vessel", state.vessel.to_string())]
}

fn with(state: &State, label: &'static str, value: &str) -> Labels {
    vec![("vessel", state.vessel.to_string()), (label, value.to_owned())]
}

fn seconds() -> Option<Unit> {
    Some(Unit::Seconds)
}

/// An instant in seconds since 1970.
fn unix(text: &str) -> Option<f64> {
    Stamp::parse_rfc3339(text).ok().map(|at| at.millis() as f64 / 1e3)
}
