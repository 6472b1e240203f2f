//! What the store promises, tried on real files.

mod acts;
mod durability;
mod group;
mod opening;
mod readings;
mod records;

use std::ops::ControlFlow;
use std::path::Path;

use tempfile::TempDir;
use uuid::Uuid;

use crate::{
    ActRow, Batch, Measured, OpenOptions, ReadingRow, RefusalRow, StoredReading, TIME_MS_MAX,
    TIME_MS_MIN, Via, Writer,
};

/// 2026-11-25T02:00:00Z, an hour at which somebody watches.
const NIGHT_MS: i64 = 1_795_572_000_000;

fn new_dir() -> TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

fn open(dir: &Path) -> Writer {
    Writer::open(dir, OpenOptions::default()).expect("the data directory opens")
}

fn reading(channel: &str, measured_ms: i64, temperature_c: f64) -> ReadingRow {
    ReadingRow {
        channel: channel.into(),
        measured_ms: Some(measured_ms),
        received_ms: measured_ms + 700,
        measured: Measured::TemperatureC(temperature_c),
        via: Via::Mqtt,
    }
}

fn readings(rows: impl IntoIterator<Item = ReadingRow>) -> Batch {
    Batch {
        readings: rows.into_iter().collect(),
        ..Batch::default()
    }
}

/// A batch of `reading_count` readings of one channel, of a minute each.
fn minutes(channel: &str, first: i64, reading_count: i64) -> Batch {
    readings((first..first + reading_count).map(|minute| {
        reading(
            channel,
            NIGHT_MS + minute * 60_000,
            20.0 + 0.01 * (minute % 4_000) as f64,
        )
    }))
}

fn act(number: u128, body: &str) -> ActRow {
    ActRow {
        id: Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0000 + number),
        recorded_ms: NIGHT_MS + i64::try_from(number).expect("small"),
        body: body.to_owned(),
    }
}

fn acts(rows: impl IntoIterator<Item = ActRow>) -> Batch {
    Batch {
        acts: rows.into_iter().collect(),
        ..Batch::default()
    }
}

fn refusal(source: &str, kind: &str, sample: &str) -> RefusalRow {
    RefusalRow {
        received_ms: NIGHT_MS,
        source: source.to_owned(),
        kind: kind.to_owned(),
        detail: "expected a number".to_owned(),
        sample: sample.to_owned(),
    }
}

fn all_received(writer: &Writer) -> Vec<StoredReading> {
    let mut all = Vec::new();
    writer
        .reader()
        .and_then(|reader| {
            reader.readings_received(TIME_MS_MIN..TIME_MS_MAX + 1, &mut |reading| {
                all.push(reading);
                ControlFlow::Continue(())
            })
        })
        .expect("readings read back");
    all
}
