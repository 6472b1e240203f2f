//! The rows that callers hand in, the batch they travel in, and what a commit reports back.

use std::sync::Arc;

use serde::de::IgnoredAny;
use uuid::Uuid;

use crate::StoreError;

/// First instant that can be stored: 0001-01-01T00:00:00.000Z, so that every time prints as RFC 3339.
pub const TIME_MS_MIN: i64 = -62_135_596_800_000;
/// Last instant that can be stored: 9999-12-31T23:59:59.999Z.
pub const TIME_MS_MAX: i64 = 253_402_300_799_999;
/// A refusal keeps this many characters of the payload, enough to recognise it.
pub const SAMPLE_CHARS_MAX: usize = 200;

/// What is committed together: all of it or nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Batch {
    pub readings: Vec<ReadingRow>,
    pub refusals: Vec<RefusalRow>,
    pub acts: Vec<ActRow>,
    pub documents: Vec<DocumentRow>,
    pub statements: Vec<StatementRow>,
    pub summaries: Vec<SummaryRow>,
}

/// One reading as it was received.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingRow {
    pub channel: Arc<str>,
    /// As sent; `None` from a source without a clock, which then counts from `received_ms`.
    pub measured_ms: Option<i64>,
    pub received_ms: i64,
    pub measured: Measured,
    pub via: Via,
}

/// A value, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Measured {
    TemperatureC(f64),
    /// One word such as `open`, `short` or `garbled`.
    Fault(Arc<str>),
}

/// The way by which a reading came in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Via {
    Mqtt,
    Serial,
    Csv,
    Hand,
}

/// Something received that could not be accepted, with its named reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusalRow {
    pub received_ms: i64,
    pub source: String,
    pub kind: String,
    pub detail: String,
    /// The payload; only its first [`SAMPLE_CHARS_MAX`] characters are kept.
    pub sample: String,
}

/// What a person did or decided; `body` is kept byte for byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActRow {
    pub id: Uuid,
    pub recorded_ms: i64,
    pub body: String,
}

/// Immutable bytes, kept under their digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentRow {
    pub kind: String,
    pub name: String,
    pub bytes: Vec<u8>,
    pub recorded_ms: i64,
}

/// What was said at a recorded moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatementRow {
    pub said_ms: i64,
    pub kind: String,
    pub subject: String,
    pub body: String,
}

/// What a finished pour taught, and since when that was known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SummaryRow {
    pub key: String,
    pub became_known_ms: i64,
    pub body: String,
}

/// What a committed batch did; each list answers the batch's list in its order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CommitReport {
    pub readings: Vec<ReadingOutcome>,
    pub acts: Vec<Appended>,
    pub documents: Vec<StoredAs>,
    pub statement_seqs: Vec<i64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadingOutcome {
    /// The first reading of this channel and time.
    New,
    /// The same value was there before; nothing changed.
    Known,
    /// Another value was there for this channel and time; both are kept.
    Conflict,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Appended {
    New {
        seq: i64,
        hash: String,
    },
    /// The same id with the same body had been recorded; this is when.
    AlreadyKnown {
        seq: i64,
        recorded_ms: i64,
    },
}

/// The digest under which a document is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredAs {
    pub digest: String,
    pub is_new: bool,
}

impl Via {
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Mqtt => "mqtt",
            Self::Serial => "serial",
            Self::Csv => "csv",
            Self::Hand => "hand",
        }
    }

    pub(crate) fn from_stored(text: &str) -> Option<Self> {
        [Self::Mqtt, Self::Serial, Self::Csv, Self::Hand]
            .into_iter()
            .find(|via| via.as_str() == text)
    }
}

impl ReadingRow {
    /// The time that identifies the reading within its channel.
    pub fn identity_ms(&self) -> i64 {
        self.measured_ms.unwrap_or(self.received_ms)
    }

    fn check(&self) -> Result<(), String> {
        require_text("channel", &self.channel)?;
        require_time("received_ms", self.received_ms)?;
        require_time("measured_ms", self.identity_ms())?;
        match &self.measured {
            Measured::TemperatureC(value) if !value.is_finite() => {
                Err(format!("the temperature {value} is not a finite number"))
            }
            Measured::TemperatureC(_) => Ok(()),
            // In an export a fault stands in the value column, so it must not read as a number;
            // `nan` and `inf` do.
            Measured::Fault(fault) if !is_word(fault) || fault.parse::<f64>().is_ok() => Err(
                format!("the fault `{fault}` is not one lower-case word such as `open`"),
            ),
            Measured::Fault(_) => Ok(()),
        }
    }
}

impl Batch {
    /// Refuses rows that could never be read back; the caller should have refused them before.
    pub(crate) fn check(&self) -> Result<(), StoreError> {
        check_rows("reading", &self.readings, ReadingRow::check)?;
        check_rows("refusal", &self.refusals, |row| {
            require_time("received_ms", row.received_ms)
        })?;
        check_rows("act", &self.acts, |row| {
            require_time("recorded_ms", row.recorded_ms)?;
            require_json(&row.body)
        })?;
        check_rows("document", &self.documents, |row| {
            require_time("recorded_ms", row.recorded_ms)
        })?;
        check_rows("statement", &self.statements, |row| {
            require_time("said_ms", row.said_ms)?;
            require_json(&row.body)
        })?;
        check_rows("summary", &self.summaries, |row| {
            require_text("key", &row.key)?;
            require_time("became_known_ms", row.became_known_ms)?;
            require_json(&row.body)
        })
    }
}

fn check_rows<T>(
    name: &str,
    rows: &[T],
    check: impl Fn(&T) -> Result<(), String>,
) -> Result<(), StoreError> {
    for (index, row) in rows.iter().enumerate() {
        check(row).map_err(|reason| StoreError::BadRow {
            row: format!("{name} {} of the batch", index + 1),
            reason,
        })?;
    }
    Ok(())
}

fn require_text(name: &str, text: &str) -> Result<(), String> {
    if text.is_empty() {
        Err(format!("the {name} is empty"))
    } else {
        Ok(())
    }
}

fn require_time(name: &str, time_ms: i64) -> Result<(), String> {
    if (TIME_MS_MIN..=TIME_MS_MAX).contains(&time_ms) {
        Ok(())
    } else {
        Err(format!("{name} {time_ms} lies outside the years 1 to 9999"))
    }
}

/// An unreadable body would stop every later restart, so it is refused at the door.
fn require_json(body: &str) -> Result<(), String> {
    serde_json::from_str::<IgnoredAny>(body)
        .map(|_| ())
        .map_err(|error| format!("its body is not JSON ({error})"))
}

fn is_word(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_lowercase())
        && text
            .chars()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_' || c == '-')
}
