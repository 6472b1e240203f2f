//! Readings as CSV, in the columns that replay reads.

use std::io::Write;
use std::ops::{ControlFlow, Range};
use std::sync::Arc;

use chrono::{DateTime, SecondsFormat};

use crate::rows::Measured;
use crate::{Reader, StoreError, StoredReading};

/// RFC 3339 in UTC with milliseconds, such as `2026-11-25T02:00:00.000Z`.
///
/// `None` outside the years that chrono knows; every stored time lies well within them.
pub fn format_utc_ms(time_ms: i64) -> Option<String> {
    DateTime::from_timestamp_millis(time_ms)
        .map(|time| time.to_rfc3339_opts(SecondsFormat::Millis, true))
}

pub(crate) fn readings_csv(
    reader: &Reader,
    to: &mut dyn Write,
    received_ms: Range<i64>,
) -> Result<u64, StoreError> {
    let mut csv = csv::Writer::from_writer(to);
    csv.write_record(["received_at", "measured_at", "channel", "value"])
        .map_err(failed)?;
    let mut row_count = 0;
    let mut outcome = Ok(());
    reader.readings_received(received_ms, &mut |reading| {
        outcome = record_of(&reading).and_then(|record| csv.write_record(&record).map_err(failed));
        match outcome {
            Ok(()) => {
                row_count += 1;
                ControlFlow::Continue(())
            }
            Err(_) => ControlFlow::Break(()),
        }
    })?;
    outcome?;
    csv.flush().map_err(|error| failed(error.into()))?;
    Ok(row_count)
}

fn failed(error: csv::Error) -> StoreError {
    StoreError::Export {
        source: Arc::new(error),
    }
}

fn record_of(reading: &StoredReading) -> Result<[String; 4], StoreError> {
    let time = |time_ms: i64| {
        format_utc_ms(time_ms).ok_or_else(|| StoreError::Damaged {
            row: format!("reading of channel {}", reading.channel),
            reason: format!("{time_ms} ms is no time"),
        })
    };
    Ok([
        time(reading.received_ms)?,
        reading
            .measured_ms
            .map(time)
            .transpose()?
            .unwrap_or_default(),
        reading.channel.to_string(),
        match &reading.measured {
            // Rust prints the shortest text that reads back to the same number.
            Measured::TemperatureC(value) => value.to_string(),
            Measured::Fault(fault) => fault.to_string(),
        },
    ])
}
