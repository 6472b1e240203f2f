//! Readings as sources deliver them, as the store keeps them and as the core takes them.

use std::sync::Arc;

use daemon_core::reading::{Content, Reading};
use daemon_core::time::UtcMs;
use daemon_sources::{ReplayRow, SourceReading};
use daemon_store::{Measured, ReadingRow, StoredReading, Via};

/// What a source delivered, as a row for the store.
pub fn row(
    reading: &SourceReading,
    channel: Arc<str>,
    received_at: chrono::DateTime<chrono::Utc>,
) -> ReadingRow {
    ReadingRow {
        channel,
        measured_ms: reading.measured_at.map(|at| at.timestamp_millis()),
        received_ms: received_at.timestamp_millis(),
        measured: match reading.content {
            daemon_sources::Content::TemperatureC(value) => Measured::TemperatureC(value),
            daemon_sources::Content::Fault(word) => Measured::Fault(word.as_str().into()),
        },
        via: match reading.via {
            daemon_sources::Via::Serial => Via::Serial,
            daemon_sources::Via::Mqtt => Via::Mqtt,
            daemon_sources::Via::Csv => Via::Csv,
        },
    }
}

/// A row that was committed, for the core.
pub fn committed(row: &ReadingRow) -> Reading {
    Reading {
        channel: Arc::clone(&row.channel),
        measured_at: row.measured_ms.map(UtcMs),
        received_at: UtcMs(row.received_ms),
        content: content(&row.measured),
    }
}

/// A row read back from the store, for the core.
pub fn stored(row: &StoredReading) -> Reading {
    Reading {
        channel: Arc::clone(&row.channel),
        measured_at: row.measured_ms.map(UtcMs),
        received_at: UtcMs(row.received_ms),
        content: content(&row.measured),
    }
}

/// A row of a readings file, for the core.
pub fn replayed(row: &ReplayRow, channel: Arc<str>) -> Reading {
    Reading {
        channel,
        measured_at: row.measured_at.map(UtcMs::from),
        received_at: row.received_at.into(),
        content: match row.content {
            daemon_sources::Content::TemperatureC(value) => Content::TemperatureC(value),
            daemon_sources::Content::Fault(word) => Content::Fault(word.as_str().into()),
        },
    }
}

fn content(measured: &Measured) -> Content {
    match measured {
        Measured::TemperatureC(value) => Content::TemperatureC(*value),
        Measured::Fault(word) => Content::Fault(Arc::clone(word)),
    }
}
