//! What a source hands over: deliveries of readings and refusals, and news of its connection.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use tokio::sync::mpsc;

/// The plant's clock, given by the caller; may run faster than wall time in a demo.
pub type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

/// All that a source can tell.
#[derive(Debug)]
pub enum SourceEvent {
    Delivery(Delivery),
    /// The port is open or the broker has answered.
    Up {
        source: String,
        at: DateTime<Utc>,
    },
    /// Nothing comes from here until the next `Up`. Said once per reason, not at each attempt.
    Down {
        source: String,
        at: DateTime<Utc>,
        reason: String,
    },
}

/// What arrived in one go: it is committed whole, then acknowledged.
#[derive(Debug)]
pub struct Delivery {
    /// The source's name in the plant file.
    pub source: String,
    pub received_at: DateTime<Utc>,
    pub items: Vec<Item>,
    /// Present where the sender waits for an acknowledgement (MQTT at quality of service 1).
    pub ack: Option<AckToken>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    Reading(SourceReading),
    Refused(Refusal),
}

/// A time, or the time of arrival, with a value or a reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceReading {
    pub channel: String,
    /// As the logger stamped it, to the millisecond; `None` where the logger has no clock.
    pub measured_at: Option<DateTime<Utc>>,
    pub content: Content,
    pub via: Via,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Content {
    TemperatureC(f64),
    /// The logger itself says that it has no temperature.
    Fault(FaultWord),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Via {
    Serial,
    Mqtt,
    Csv,
}

impl Via {
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Serial => "serial",
            Self::Mqtt => "mqtt",
            Self::Csv => "csv",
        }
    }
}

/// What a logger says in place of a temperature, in one vocabulary for all makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultWord {
    /// The wire is cut or the plug is out.
    Open,
    /// The two wires touch.
    Short,
    OverRange,
    UnderRange,
    /// Some other fault that the logger does not name.
    Fault,
}

impl FaultWord {
    pub const ALL: [Self; 5] = [
        Self::Open,
        Self::Short,
        Self::OverRange,
        Self::UnderRange,
        Self::Fault,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Short => "short",
            Self::OverRange => "over-range",
            Self::UnderRange => "under-range",
            Self::Fault => "fault",
        }
    }
}

/// Something that came and could not become a reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    pub kind: RefusalKind,
    /// One sentence for the operator.
    pub detail: String,
    /// The beginning of what came, printable, at most [`Refusal::SAMPLE_CHARS_MAX`] characters.
    pub sample: String,
}

impl Refusal {
    pub const SAMPLE_CHARS_MAX: usize = 200;

    pub fn new(kind: RefusalKind, detail: impl Into<String>, came: &[u8]) -> Self {
        Self {
            kind,
            detail: detail.into(),
            sample: printable(came),
        }
    }
}

/// Shows bytes as text: control characters and broken UTF-8 become visible escapes.
fn printable(came: &[u8]) -> String {
    // A character has at most four bytes, so a longer prefix could not be shown anyway.
    let prefix = &came[..came.len().min(4 * Refusal::SAMPLE_CHARS_MAX)];
    let mut sample = String::new();
    let mut char_count = 0;
    let mut push = |piece: &str, length: usize| {
        char_count += length;
        if char_count <= Refusal::SAMPLE_CHARS_MAX {
            sample.push_str(piece);
        }
    };
    for chunk in prefix.utf8_chunks() {
        for character in chunk.valid().chars() {
            if character.is_control() {
                let escaped = character.escape_default().to_string();
                push(&escaped, escaped.len());
            } else {
                push(character.encode_utf8(&mut [0; 4]), 1);
            }
        }
        for byte in chunk.invalid() {
            push(&format!("\\x{byte:02x}"), 4);
        }
    }
    sample
}

/// Every refusal's name; counted and shown under it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RefusalKind {
    /// Not of the form that this source is configured for.
    Garbled,
    /// A value field without a finite number or a known fault word.
    NotANumber,
    /// A unit that is not one of temperature, or not one that is known here.
    UnknownUnit,
    /// No time in what came, and its arrival says nothing about when it was measured.
    TimeUnknown,
    /// A time is given but cannot be read.
    BadTime,
    /// No channel can be named for it.
    BadChannel,
    /// Longer than the configured limit.
    TooLarge,
    /// A format version that is newer than what is understood here.
    UnknownVersion,
    /// A field whose sender demands that whoever does not know it refuses the whole.
    MustUnderstand,
    /// It came on a topic that no subscription names any more.
    UnexpectedTopic,
}

impl RefusalKind {
    pub const ALL: [Self; 10] = [
        Self::Garbled,
        Self::NotANumber,
        Self::UnknownUnit,
        Self::TimeUnknown,
        Self::BadTime,
        Self::BadChannel,
        Self::TooLarge,
        Self::UnknownVersion,
        Self::MustUnderstand,
        Self::UnexpectedTopic,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Garbled => "garbled",
            Self::NotANumber => "not-a-number",
            Self::UnknownUnit => "unknown-unit",
            Self::TimeUnknown => "time-unknown",
            Self::BadTime => "bad-time",
            Self::BadChannel => "bad-channel",
            Self::TooLarge => "too-large",
            Self::UnknownVersion => "unknown-version",
            Self::MustUnderstand => "must-understand",
            Self::UnexpectedTopic => "unexpected-topic",
        }
    }
}

/// The right to acknowledge one delivery, once, after its commit.
///
/// Dropping it leaves the delivery unacknowledged: the broker sends it again after the next
/// reconnect, and later acknowledgements of that connection wait behind it.
#[derive(Debug)]
pub struct AckToken {
    pub(crate) receipt: Receipt,
    pub(crate) to: mpsc::UnboundedSender<Receipt>,
}

/// Which packet of which connection; packet numbers are used again on every connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Receipt {
    pub(crate) connection_number: u64,
    pub(crate) packet_id: u16,
}

impl AckToken {
    /// Hands the acknowledgement to the connection's own task; never blocks.
    pub fn acknowledge(self) {
        // The task has ended when nobody listens any more; the broker will send again.
        let _ = self.to.send(self.receipt);
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_sample_shows_control_characters_and_broken_text() {
        assert_eq!(printable(b"T1\t21.5\xff\r"), "T1\\t21.5\\xff\\r");
        assert_eq!(printable("Bett 3 °C".as_bytes()), "Bett 3 °C");
    }

    #[test]
    fn every_refusal_and_fault_has_a_name_of_its_own() {
        let refusals: HashSet<_> = RefusalKind::ALL.iter().map(|kind| kind.as_str()).collect();
        assert_eq!(refusals.len(), RefusalKind::ALL.len());
        let faults: HashSet<_> = FaultWord::ALL.iter().map(|word| word.as_str()).collect();
        assert_eq!(faults.len(), FaultWord::ALL.len());
    }

    proptest! {
        #[test]
        fn a_sample_is_short_and_printable(
            came in proptest::collection::vec(any::<u8>(), 0..2000),
        ) {
            let sample = printable(&came);
            prop_assert!(sample.chars().count() <= Refusal::SAMPLE_CHARS_MAX);
            prop_assert!(sample.chars().all(|character| !character.is_control()));
        }
    }
}
