//! What the parts of a configuration owe to each other: topics that do not cross, names that exist.

use crate::config::Field;
use crate::document::{Fields, Walk};
use crate::keys::nearest;
use crate::name::Name;
use quantity::Span;
use std::ops::Range;

/// What was seen on the way through a configuration, whole or broken.
#[derive(Debug, Default)]
pub(crate) struct Survey {
    outputs: Vec<Topic>,
    sources: Vec<Topic>,
    floats: Vec<(Topic, Option<String>)>,
    vessels: Vec<(Name, Option<Placed>)>,
    coolers: Vec<Placed>,
    valves: Vec<(Name, Range<usize>, Option<Span>)>,
}

/// A name, and where it stands.
type Placed = (Name, Range<usize>);

/// A topic, where it stands, and what speaks on it.
#[derive(Debug, Clone)]
struct Topic {
    topic: String,
    span: Range<usize>,
    what: String,
}

impl Survey {
    /// A vessel, and the one that it rides with.
    pub fn vessel(&mut self, name: &Name, host: Option<Placed>) {
        self.vessels.push((name.clone(), host));
    }

    /// A shared cooler.
    pub fn cooler(&mut self, name: &Name, fields: &Fields<'_>) {
        self.coolers.push((name.clone(), fields.span.clone()));
    }

    /// A chiller that is a valve of a cooler.
    pub fn valve(&mut self, cooler: &Name, span: Range<usize>, refresh: Option<Span>) {
        self.valves.push((cooler.clone(), span, refresh));
    }

    /// A topic that drives an output.
    pub fn output(&mut self, topic: &str, span: Range<usize>, what: &str) {
        self.outputs.push(Topic::new(topic, span, what));
    }

    /// A topic that is listened to.
    pub fn source(&mut self, topic: &str, span: Range<usize>, what: &str) {
        self.sources.push(Topic::new(topic, span, what));
    }

    /// A float's topic.
    pub fn float(&mut self, topic: &str, at: &Field, span: Range<usize>, what: &str) {
        let topic = Topic::new(topic, span, what);
        self.sources.push(topic.clone());
        self.floats.push((topic, at.0.clone()));
    }

    /// How often the slowest of the vessels that draw on a cooler tells its outputs again.
    pub fn refresh_of(&self, cooler: &Name) -> Option<Span> {
        let drawing = self.valves.iter().filter(|(name, ..)| name == cooler);
        drawing.filter_map(|(.., refresh)| *refresh).max()
    }

    /// Reports what does not fit together; `own` is the first level of the daemon's own topics.
    pub fn check(&self, walk: &mut Walk, own: Option<&str>) {
        if let Some(own) = own {
            self.own_topics(walk, own);
        }
        self.one_topic_one_output(walk);
        self.echoes(walk);
        self.floats_twice(walk);
        self.riders(walk);
        self.valves(walk);
        self.same_names(walk);
    }

    fn own_topics(&self, walk: &mut Walk, own: &str) {
        let inside = |topic: &str| topic.split('/').next() == Some(own);
        for Topic { topic, span, what } in self.outputs.iter().chain(&self.sources) {
            if inside(topic) {
                let message = format!(
                    "the topic of {what} begins with `{own}/`, where only the daemon publishes"
                );
                walk.error("own-topic", span.clone(), message).hint(
                    "an output without `topic` has the daemon's own; a device needs another first \
                     level",
                );
            }
        }
    }

    fn one_topic_one_output(&self, walk: &mut Walk) {
        for (index, output) in self.outputs.iter().enumerate() {
            let first = self.outputs.iter().take(index).find(|one| one.topic == output.topic);
            if let Some(first) = first {
                let message = format!("{} and {} have one topic", first.what, output.what);
                walk.error("same-topic", output.span.clone(), message)
                    .hint("one topic drives one output: give each relay its own")
                    .related(first.span.clone(), "the first one");
            }
        }
    }

    fn echoes(&self, walk: &mut Walk) {
        for source in &self.sources {
            let output = self.outputs.iter().find(|output| output.topic == source.topic);
            if let Some(output) = output {
                let message = format!(
                    "{} is read from the topic on which {} is commanded",
                    source.what, output.what
                );
                walk.error("echo", source.span.clone(), message)
                    .hint(
                        "the daemon would only hear itself: name the topic of the device's reports",
                    )
                    .related(output.span.clone(), "the output");
            }
        }
    }

    fn floats_twice(&self, walk: &mut Walk) {
        for (index, (float, at)) in self.floats.iter().enumerate() {
            let same =
                |(one, place): &&(Topic, Option<String>)| one.topic == float.topic && place == at;
            if let Some((first, _)) = self.floats.iter().take(index).find(same) {
                let message = format!("{} and {} are one and the same", first.what, float.what);
                walk.warn("same-source", float.span.clone(), message)
                    .hint("a float swims in one vessel, and counts once")
                    .related(first.span.clone(), "the first one");
            }
        }
    }

    fn riders(&self, walk: &mut Walk) {
        let names = || self.vessels.iter().map(|(name, _)| name.as_str());
        for (rider, host) in &self.vessels {
            let Some((host, span)) = host else { continue };
            let found = self.vessels.iter().find(|(name, _)| name == host);
            let (message, hint) = match found {
                _ if rider == host => (
                    format!("`{rider}` cannot ride with itself"),
                    "name the other vessel".to_owned(),
                ),
                None => (format!("there is no vessel `{host}`"), known(host.as_str(), names())),
                Some((_, Some((next, _)))) => (
                    format!("`{host}` itself rides with `{next}`"),
                    format!("let `{rider}` ride with the vessel that has the outputs"),
                ),
                Some((_, None)) => continue,
            };
            walk.error("rides-with", span.clone(), message).hint(hint);
        }
    }

    fn valves(&self, walk: &mut Walk) {
        let names = || self.coolers.iter().map(|(name, _)| name.as_str());
        for (cooler, span, _) in &self.valves {
            if !self.coolers.iter().any(|(name, _)| name == cooler) {
                let message = format!("there is no cooler `{cooler}`");
                let hint = match self.coolers.is_empty() {
                    true => format!("add `[cooler.{cooler}]`"),
                    false => known(cooler.as_str(), names()),
                };
                walk.error("no-cooler", span.clone(), message).hint(hint);
            }
        }
        for (cooler, span) in &self.coolers {
            if !self.valves.iter().any(|(name, ..)| name == cooler) {
                let message = format!("no vessel's chiller is a valve of the cooler `{cooler}`");
                walk.warn("no-effect", span.clone(), message)
                    .hint(format!("add `from = \"{cooler}\"` to the chillers that draw on it"));
            }
        }
    }

    fn same_names(&self, walk: &mut Walk) {
        for (cooler, span) in &self.coolers {
            if self.vessels.iter().any(|(name, _)| name == cooler) {
                let message = format!("a vessel and a cooler have the name `{cooler}`");
                walk.error("bad-name", span.clone(), message)
                    .hint("both are levels of topics: give the cooler another name");
            }
        }
    }
}

impl Topic {
    fn new(topic: &str, span: Range<usize>, what: &str) -> Self {
        Topic { topic: topic.to_owned(), span, what: what.to_owned() }
    }
}

/// A hint at the name that was likely meant, else at all of them.
fn known<'n>(name: &str, names: impl Iterator<Item = &'n str> + Clone) -> String {
    match nearest(name, names.clone()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => {
            let names: Vec<String> = names.map(|name| format!("`{name}`")).collect();
            format!("there is {}", names.join(", "))
        }
    }
}
