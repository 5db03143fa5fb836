//! Records: what happened, on what evidence, in words and in figures.

use quantity::Stamp;
use schedule::Name;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// One event: a row in the store, an object on `P/V/event`, a line of `log`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Rises by one, never repeats.
    pub seq: u64,
    /// When, by the wall clock.
    #[serde(with = "rfc3339")]
    pub at: Stamp,
    /// `None` for the daemon's own events.
    pub vessel: Option<Name>,
    /// The batch it belongs to.
    pub batch: Option<String>,
    /// What kind of event.
    pub kind: Kind,
    /// What happened, on what evidence, in the units that the user chose.
    pub text: String,
    /// The figures, in SI units or as their names say.
    pub data: Map<String, Value>,
}

/// Writes instants as RFC 3339 in UTC.
pub mod rfc3339 {
    use quantity::Stamp;
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    /// Writes an instant.
    ///
    /// # Errors
    /// The serializer's own.
    pub fn serialize<S: Serializer>(stamp: &Stamp, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&stamp.rfc3339())
    }

    /// Reads an instant.
    ///
    /// # Errors
    /// Where the text is not RFC 3339.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Stamp, D::Error> {
        Stamp::parse_rfc3339(&String::deserialize(deserializer)?).map_err(D::Error::custom)
    }
}

macro_rules! kinds {
    ($($variant:ident = $text:literal, $doc:literal;)*) => {
        /// The kinds of event.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Kind {
            $(#[doc = $doc] #[serde(rename = $text)] $variant,)*
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &'static [Kind] = &[$(Kind::$variant,)*];

            /// The kind's name, such as `stage.entered`.
            pub fn as_str(self) -> &'static str {
                match self { $(Kind::$variant => $text,)* }
            }

            /// What it tells, as a sentence.
            pub fn about(self) -> &'static str {
                match self { $(Kind::$variant => $doc,)* }
            }
        }
    };
}

kinds! {
    AlarmAcknowledged = "alarm.acknowledged", "A person has seen an alarm.";
    AlarmRaised = "alarm.raised", "Something is wrong.";
    AlarmReturned = "alarm.returned", "It is right again.";
    AlarmShelved = "alarm.shelved", "A person silenced an alarm for a time.";
    BatchAborted = "batch.aborted", "A batch was ended at once.";
    BatchAdded = "batch.added", "Something was added to the beer.";
    BatchCompleted = "batch.completed", "The last stage was left.";
    BatchExpected = "batch.expected", "A new expectation in mid-batch.";
    BatchMoved = "batch.moved", "A batch went to another vessel.";
    BatchNoted = "batch.noted", "A free line.";
    BatchPitched = "batch.pitched", "A batch began.";
    BatchRevised = "batch.revised", "The edited schedule was put under the batch.";
    BatchStopped = "batch.stopped", "A person ended the batch.";
    ClockStepped = "clock.stepped", "The wall clock jumped.";
    CommandAccepted = "command.accepted", "A command was accepted.";
    CommandRefused = "command.refused", "A command was refused.";
    ConfirmDue = "confirm.due", "A person is asked to confirm a sentence.";
    ConfirmGiven = "confirm.given", "A person confirmed a sentence.";
    DaemonStarted = "daemon.started", "The daemon began.";
    DaemonStopped = "daemon.stopped", "The daemon ended in order.";
    ForecastRevised = "forecast.revised", "What is expected when has changed.";
    NoticeDue = "notice.due", "A notice of the schedule is due.";
    OutputSwitched = "output.switched", "An output was switched.";
    ReadingRefused = "reading.refused", "A reading was not believed.";
    RunHeld = "run.held", "The run was held.";
    RunLocked = "run.locked", "The outputs were locked off, or unlocked.";
    RunParked = "run.parked", "A temperature is held without a batch, or no longer.";
    RunResumed = "run.resumed", "The run goes on.";
    SampleDue = "sample.due", "A hand sample is asked for.";
    SampleTaken = "sample.taken", "A hand sample was taken.";
    SetpointMoved = "setpoint.moved", "The setpoint began to move, or arrived.";
    StageEntered = "stage.entered", "A stage began.";
    StageLeft = "stage.left", "A stage ended.";
}
