//! All topic names in one place, and the rules of MQTT by which names and filters match.

use engine::OutputKind;
use schedule::Name;

/// The longest topic that MQTT can carry, in bytes.
pub const TOPIC_BYTES_MAX: usize = 65_535;

/// The names of everything that the daemon publishes and of the commands that it takes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    prefix: String,
}

impl Topics {
    /// Topics below `prefix`, which is `link.topics` of the configuration.
    pub fn new(prefix: impl Into<String>) -> Self {
        Topics { prefix: prefix.into() }
    }

    /// The first level of all.
    pub fn prefix(&self) -> &str {
        &self.prefix
    }

    /// `online` or `offline`, retained.
    pub fn status(&self) -> String {
        format!("{}/status", self.prefix)
    }

    /// How the receivers of events stand, as JSON, retained.
    pub fn tell(&self) -> String {
        format!("{}/tell", self.prefix)
    }

    /// How a vessel stands, as JSON, retained.
    pub fn state(&self, vessel: &Name) -> String {
        self.of(vessel, "state")
    }

    /// A thermostat's setpoint, as JSON, retained.
    pub fn setpoint(&self, vessel: &Name, output: OutputKind) -> String {
        format!("{}/{vessel}/{}/setpoint", self.prefix, output.as_str())
    }

    /// A relay's orders where the configuration gives it no topic of its own; not retained.
    pub fn switch(&self, vessel: &Name, output: OutputKind) -> String {
        format!("{}/{vessel}/{}/switch", self.prefix, output.as_str())
    }

    /// A shared cooler's setpoint, as JSON, retained. A cooler and a vessel never have one name.
    pub fn cooler_setpoint(&self, cooler: &Name) -> String {
        format!("{}/{cooler}/cooler/setpoint", self.prefix)
    }

    /// A shared cooler's orders where the configuration gives it no topic of its own; not retained.
    pub fn cooler_switch(&self, cooler: &Name) -> String {
        format!("{}/{cooler}/cooler/switch", self.prefix)
    }

    /// Event records, as JSON; not retained.
    pub fn event(&self, vessel: &Name) -> String {
        self.of(vessel, "event")
    }

    /// A standing alarm, as JSON, retained; an empty payload clears it.
    pub fn alarm(&self, vessel: &Name, id: &str) -> String {
        format!("{}/{vessel}/alarm/{id}", self.prefix)
    }

    /// Where commands for a vessel come in.
    pub fn command(&self, vessel: &Name) -> String {
        self.of(vessel, "command")
    }

    /// The answers to commands, as JSON; not retained.
    pub fn reply(&self, vessel: &Name) -> String {
        self.of(vessel, "reply")
    }

    /// Whether `topic` lies below the prefix.
    pub fn is_own(&self, topic: &str) -> bool {
        topic
            .strip_prefix(self.prefix.as_str())
            .is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
    }

    fn of(&self, vessel: &Name, what: &str) -> String {
        format!("{}/{vessel}/{what}", self.prefix)
    }
}

/// Why `topic` is not the name of one topic, in a sentence; `None` where it is (MQTT 5, 4.7).
pub fn problem(topic: &str) -> Option<String> {
    if topic.is_empty() {
        Some("a topic cannot be empty".to_owned())
    } else if topic.len() > TOPIC_BYTES_MAX {
        Some(format!("a topic has at most {TOPIC_BYTES_MAX} bytes"))
    } else if topic.contains(['+', '#']) {
        Some(format!("`{topic}` has a wildcard (`+` or `#`): name one topic"))
    } else if topic.chars().any(char::is_control) {
        Some("a topic cannot have control characters".to_owned())
    } else if topic.starts_with('$') {
        Some(format!("`{topic}` begins with `$`: such topics are the broker's own"))
    } else {
        None
    }
}

/// Whether `filter` is a filter as MQTT 5, 4.7 has it: `+` fills a level, `#` the last one.
pub fn is_filter(filter: &str) -> bool {
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    let fits = |(index, level): (usize, &&str)| match *level {
        "+" => true,
        "#" => index == last,
        other => !other.contains(['+', '#']),
    };
    !filter.is_empty()
        && filter.len() <= TOPIC_BYTES_MAX
        && !filter.chars().any(char::is_control)
        && levels.iter().enumerate().all(fits)
}

/// Whether `allowed` lets pass all that `asked` can match. A topic is a filter without wildcards.
///
/// A wildcard on the first level covers no topic that begins with `$` (MQTT 5, 4.7.2).
pub fn covers(allowed: &str, asked: &str) -> bool {
    if asked.starts_with('$') && allowed.starts_with(['+', '#']) {
        return false;
    }
    let mut allowed = allowed.split('/');
    let mut asked = asked.split('/');
    loop {
        match (allowed.next(), asked.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(level)) if level != "#" => {}
            (Some(one), Some(other)) if one == other => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_the_contract_s() {
        let topics = Topics::new("barmkeep");
        let north = Name::parse("north").unwrap();
        assert_eq!(topics.status(), "barmkeep/status");
        assert_eq!(topics.tell(), "barmkeep/tell");
        assert_eq!(topics.state(&north), "barmkeep/north/state");
        assert_eq!(topics.setpoint(&north, OutputKind::Chiller), "barmkeep/north/chiller/setpoint");
        assert_eq!(topics.switch(&north, OutputKind::Heater), "barmkeep/north/heater/switch");
        let glycol = Name::parse("glycol").unwrap();
        assert_eq!(topics.cooler_switch(&glycol), "barmkeep/glycol/cooler/switch");
        assert_eq!(topics.cooler_setpoint(&glycol), "barmkeep/glycol/cooler/setpoint");
        assert_eq!(topics.event(&north), "barmkeep/north/event");
        assert_eq!(topics.alarm(&north, "beer-silent"), "barmkeep/north/alarm/beer-silent");
        assert_eq!(topics.command(&north), "barmkeep/north/command");
        assert_eq!(topics.reply(&north), "barmkeep/north/reply");
        assert!(topics.is_own("barmkeep/north/reply") && topics.is_own("barmkeep"));
        assert!(!topics.is_own("barmkeeper/north") && !topics.is_own("cellar/barmkeep"));
    }

    #[test]
    fn one_topic_has_no_wildcard() {
        for good in ["a", "cellar/float/1", "/a", "a//b", "käse/1"] {
            assert_eq!(problem(good), None, "{good}");
        }
        for bad in ["", "a/+", "a/#", "#", "a\0b", "a\nb", "$SYS/x", &"x".repeat(65_536)] {
            assert!(problem(bad).is_some(), "{bad:?}");
        }
    }

    #[test]
    fn filters_have_their_wildcards_in_place() {
        for good in ["a", "+", "#", "a/+/b", "a/#", "+/+", "/"] {
            assert!(is_filter(good), "{good}");
        }
        for bad in ["", "a#", "a/#/b", "a+/b", "a/b+"] {
            assert!(!is_filter(bad), "{bad}");
        }
    }

    #[test]
    fn a_filter_covers_what_it_lets_pass_and_no_more() {
        for (allowed, asked) in [
            ("#", "a/b"),
            ("#", "#"),
            ("a/#", "a"),
            ("a/#", "a/b/c"),
            ("a/#", "a/+/c"),
            ("a/+", "a/b"),
            ("a/+", "a/+"),
            ("a/+/c", "a/b/c"),
            ("a/b", "a/b"),
            ("$SYS/#", "$SYS/x"),
        ] {
            assert!(covers(allowed, asked), "{allowed} covers {asked}");
        }
        for (allowed, asked) in [
            ("a/b", "a/+"),
            ("a/+", "a/#"),
            ("a/+", "a/b/c"),
            ("a/+", "a"),
            ("a/b", "a/b/c"),
            ("a/b/c", "a/b"),
            ("a", "#"),
            ("+", "#"),
            ("#", "$SYS/x"),
            ("+/x", "$SYS/x"),
            ("a/#", "ab"),
        ] {
            assert!(!covers(allowed, asked), "{allowed} does not cover {asked}");
        }
    }
}
