//! Which version of MQTT to try next, learnt from how the tries went.

use super::fault::Suspicion;
use super::session::Version;

/// After this many suspicious failures in a row, what was known of the broker counts no more: it
/// may have been exchanged.
const DOUBTS_MAX: u32 = 3;

/// What is known of the broker. MQTT 5 comes first; the older version where a broker refuses it.
///
/// An old broker that says so is believed at once. One that only hangs up may as well be starting:
/// then the older version is remembered when this has happened on two connections.
#[derive(Debug)]
pub(super) struct Versions {
    known: Option<Version>,
    next: Version,
    fallbacks: u32,
    doubts: u32,
}

impl Versions {
    pub fn new() -> Self {
        Versions { known: None, next: Version::Five, fallbacks: 0, doubts: 0 }
    }

    /// The version to try.
    pub fn choose(&self) -> Version {
        self.known.unwrap_or(self.next)
    }

    /// The broker let us in.
    pub fn connected(&mut self, version: Version) {
        self.doubts = 0;
        match version {
            Version::Five => self.known = Some(Version::Five),
            Version::ThreeOneOne => {
                self.fallbacks += 1;
                if self.fallbacks >= 2 {
                    self.known = Some(Version::ThreeOneOne);
                }
            }
        }
        // Where it is not yet known for certain, the next connection asks for MQTT 5 again.
        self.next = Version::Five;
    }

    /// The broker did not let us in. True where another version is worth a try at once.
    pub fn failed(&mut self, version: Version, suspicion: Suspicion) -> bool {
        let other = match version {
            Version::Five => Version::ThreeOneOne,
            Version::ThreeOneOne => Version::Five,
        };
        match (suspicion, self.known) {
            (Suspicion::None, _) => return false,
            (Suspicion::Certain, _) => self.known = Some(other),
            (Suspicion::Possible, None) => self.next = other,
            (Suspicion::Possible, Some(_)) => {
                self.doubts += 1;
                if self.doubts >= DOUBTS_MAX {
                    (self.known, self.next, self.doubts) = (None, Version::Five, 0);
                }
                return false;
            }
        }
        version == Version::Five
    }
}

#[cfg(test)]
mod tests {
    use super::Suspicion::{Certain, None as Unrelated, Possible};
    use super::Version::{Five, ThreeOneOne};
    use super::*;

    #[test]
    fn a_refusal_is_believed_at_once() {
        let mut versions = Versions::new();
        assert_eq!(versions.choose(), Five);
        assert!(versions.failed(Five, Certain));
        assert_eq!(versions.choose(), ThreeOneOne);
        versions.connected(ThreeOneOne);
        assert_eq!(versions.choose(), ThreeOneOne);
    }

    #[test]
    fn a_broker_that_hangs_up_is_asked_twice() {
        let mut versions = Versions::new();
        for round in 0..2 {
            assert_eq!(versions.choose(), Five, "{round}");
            assert!(versions.failed(Five, Possible));
            assert_eq!(versions.choose(), ThreeOneOne);
            versions.connected(ThreeOneOne);
        }
        assert_eq!(versions.choose(), ThreeOneOne);
    }

    #[test]
    fn an_absent_broker_says_nothing_of_its_version() {
        let mut versions = Versions::new();
        assert!(!versions.failed(Five, Unrelated));
        assert_eq!(versions.choose(), Five);
        versions.connected(Five);
        assert!(!versions.failed(Five, Possible));
        assert_eq!(versions.choose(), Five, "it may only be starting");
    }

    #[test]
    fn an_exchanged_broker_is_found_out() {
        let mut versions = Versions::new();
        versions.connected(Five);
        for _ in 0..DOUBTS_MAX {
            assert_eq!(versions.choose(), Five);
            assert!(!versions.failed(Five, Possible));
        }
        assert!(versions.failed(Five, Possible));
        assert_eq!(versions.choose(), ThreeOneOne);
        assert!(!versions.failed(ThreeOneOne, Possible), "two in turn, with a wait between");
        assert_eq!(versions.choose(), Five);
    }
}
