//! Floats in a person's hands: taken out of the beer, brought back, exchanged.

use crate::command::{Done, Source};
use crate::context::Context;
use crate::float::{Aside, Exchanged};
use crate::input::{LoadedCalibration, RawGravity};
use crate::record::Kind;
use crate::setup::{Corrected, VesselSetup};
use crate::vessel::{Controlled, Vessel, controlled_on};
use crate::words;
use brewing::calibration::{Calibration, Reads};
use quantity::{Stamp, Temperature};
use schedule::config::GravityReadUnit;
use serde_json::json;

impl Vessel {
    /// Why this cannot be done with a source now; `None` where it can.
    pub fn refuse_source(
        &self,
        cx: &Context<'_, '_>,
        source: &Source,
        loaded: Option<&LoadedCalibration>,
    ) -> Option<String> {
        let name = &source.name;
        let Some(config) = cx.setup.config.gravity.get(name.as_str()) else {
            let known: Vec<&str> =
                cx.setup.config.gravity.keys().map(schedule::Name::as_str).collect();
            let known = if known.is_empty() { "it has none".to_owned() } else { known.join(", ") };
            return Some(format!("{} has no gravity source `{name}`: {known}", cx.name));
        };
        match &source.done {
            Done::Aside(_) if self.is_aside(name) => Some(format!("{name} is aside already")),
            Done::Return if !self.is_aside(name) => Some(format!("{name} is not aside")),
            Done::Exchanged(Some(_)) if !self.has_beer() => Some(
                "there is no batch for which the calibration could stand in: write it into the \
                 configuration"
                    .to_owned(),
            ),
            Done::Exchanged(Some(file)) => match loaded.map(|loaded| &loaded.calibration) {
                None => Some(format!("the calibration {file} was not read")),
                Some(Err(problem)) => Some(problem.clone()),
                Some(Ok(calibration)) => {
                    let gives_angle = config.read.unit == GravityReadUnit::Degrees;
                    ((calibration.reads() == Reads::Angle) != gives_angle).then(|| {
                        format!(
                            "the calibration {file} does not fit what {name} gives: one is of \
                                 an angle, the other of a gravity"
                        )
                    })
                }
            },
            _ => None,
        }
    }

    /// Does it; `refuse_source` has shown that it can be.
    pub fn source(
        &mut self,
        cx: &mut Context<'_, '_>,
        source: &Source,
        loaded: Option<&LoadedCalibration>,
    ) -> String {
        let name = source.name.as_str();
        match &source.done {
            Done::Aside(time) => {
                let until = time.map(|time| cx.now + time);
                let float = self.floats.entry(name.to_owned()).or_default();
                float.aside = Some(Aside { since: cx.now, until });
                if let Some(batch) = &mut self.batch {
                    batch.belief.set_aside(name);
                }
                self.tell_aside(cx, name, until)
            }
            Done::Return => self.bring_back(cx, name, "a person brought it back"),
            Done::Exchanged(_) => {
                let calibration = loaded.and_then(|loaded| {
                    Some((loaded.name.clone(), loaded.calibration.as_ref().ok()?.clone()))
                });
                self.exchange(cx, name, calibration)
            }
        }
    }

    /// Whether this float is out of the beer.
    pub fn is_aside(&self, name: &str) -> bool {
        self.floats.get(name).is_some_and(|float| float.aside.is_some())
    }

    /// Floats whose time aside is over count as back.
    pub fn return_in_time(&mut self, cx: &mut Context<'_, '_>) {
        let over = |aside: Aside| aside.until.is_some_and(|until| cx.now >= until);
        let due: Vec<String> = self
            .floats
            .iter()
            .filter(|(_, float)| float.aside.is_some_and(over))
            .map(|(name, _)| name.clone())
            .collect();
        for name in due {
            self.bring_back(cx, &name, "its time is over");
        }
    }

    /// A float's number as a gravity, by the calibration that counts for it now.
    ///
    /// # Errors
    /// As [`VesselSetup::corrected`].
    pub fn corrected(
        &self,
        cx: &Context<'_, '_>,
        source: &str,
        raw: RawGravity,
        temperature: Option<Temperature>,
    ) -> Result<Corrected, String> {
        let calibration = self.calibration_of(cx.setup, source);
        cx.setup.corrected_by(calibration, source, raw, temperature)
    }

    /// The calibration that counts for a float now: its own of this batch, else the configured.
    pub fn calibration_of<'a>(
        &'a self,
        setup: &'a VesselSetup,
        source: &str,
    ) -> Option<&'a Calibration> {
        let own = self.floats.get(source).and_then(|float| float.own_calibration());
        own.map(|(_, calibration)| calibration).or_else(|| setup.calibration(source))
    }

    /// That calibration's file, as a person wrote it.
    pub fn calibration_file<'a>(&'a self, setup: &'a VesselSetup, source: &str) -> Option<&'a str> {
        let own = self.floats.get(source).and_then(|float| float.own_calibration());
        let configured = || setup.config.gravity.get(source)?.calibration.as_deref();
        own.map(|(file, _)| file.as_str()).or_else(configured)
    }

    /// Why a float's last gravity is to be taken with care, for a person.
    pub fn source_caution(&self, cx: &Context<'_, '_>, name: &str) -> Option<String> {
        let float = self.floats.get(name)?;
        if let Some(aside) = float.aside {
            let since = cx.wall(aside.since);
            return Some(format!("aside since {since}: its readings are kept and not believed"));
        }
        let sampled = self.batch.as_ref().and_then(|batch| batch.sampled_at);
        if let Some(exchanged) = &float.exchanged
            && sampled.is_none_or(|sampled| sampled < exchanged.at)
        {
            return Some("exchanged: its offset is unknown until a sample".to_owned());
        }
        let calibration = self.calibration_of(cx.setup, name).filter(|_| float.beyond)?;
        Some(format!("beyond its calibration, {}", words::range(calibration, cx.show)))
    }

    /// A float that reads otherwise than before it was taken out has a zero that nobody knows.
    pub fn tell_moved_outside(&mut self, cx: &mut Context<'_, '_>) {
        let has_beer = self.has_beer();
        let Some(batch) = self.batch.as_mut().filter(|_| has_beer) else { return };
        let id = batch.id.clone();
        for (name, points) in batch.belief.take_moved_outside() {
            let way = if points > 0.0 { "more" } else { "less" };
            let text = format!(
                "Please take a sample: {name} reads {} {way} than before it was taken out of the \
                 beer, so its zero is not known well.",
                words::points(points.abs(), cx.show)
            );
            let data = json!({ "source": name, "moved_points": points });
            cx.record(Some(&id), Kind::SampleDue, text, data);
        }
    }

    fn tell_aside(&mut self, cx: &mut Context<'_, '_>, name: &str, until: Option<Stamp>) -> String {
        let until = until.map(|until| format!(", at the latest until {}", cx.wall(until)));
        let blind = controlled_on(&cx.setup.config) == Some(Controlled::Float(name));
        let warning = if blind {
            let after = cx.setup.config.control.silent_after;
            format!(". The vessel is controlled on it: after {after} both outputs go off")
        } else {
            String::new()
        };
        let text = format!(
            "{name} is out of the beer{}: its readings are kept and not believed{warning}.",
            until.unwrap_or_default()
        );
        self.note_source(cx, name, "aside", text.clone());
        text
    }

    fn bring_back(&mut self, cx: &mut Context<'_, '_>, name: &str, because: &str) -> String {
        let float = self.floats.entry(name.to_owned()).or_default();
        let since = float.aside.take().map(|aside| cx.now.since(aside.since));
        float.back_at = Some(cx.now);
        if let Some(batch) = &mut self.batch {
            batch.belief.bring_back(name);
        }
        self.fresh = true;
        let away = since.map_or_else(String::new, |away| format!(" after {away}"));
        let text = format!(
            "{name} is back in the beer{away}: {because}. Its next readings show whether it moved."
        );
        self.note_source(cx, name, "return", text.clone());
        text
    }

    fn exchange(
        &mut self,
        cx: &mut Context<'_, '_>,
        name: &str,
        calibration: Option<(String, Calibration)>,
    ) -> String {
        let by = calibration.as_ref().map_or_else(
            || "by the configured calibration, if there is one".to_owned(),
            |(file, _)| format!("by {file} for the rest of this batch"),
        );
        let float = self.floats.entry(name.to_owned()).or_default();
        float.exchange(Exchanged { at: cx.now, calibration });
        self.own_times.remove(name);
        if let Some(batch) = &mut self.batch {
            batch.belief.exchange(name);
        }
        self.fresh = true;
        let text = format!(
            "{name} is another float from now on, read {by}: its offset is unknown. A sample sets \
             it."
        );
        self.note_source(cx, name, "exchanged", text.clone());
        text
    }

    fn note_source(&self, cx: &mut Context<'_, '_>, name: &str, done: &str, text: String) {
        let id = self.batch_id().filter(|_| self.has_beer());
        cx.record(id.as_deref(), Kind::BatchNoted, text, json!({ "source": name, "done": done }));
    }
}
