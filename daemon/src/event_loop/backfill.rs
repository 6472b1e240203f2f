//! Back-fill of a logger's memory: one batch of its own, answered after it is committed.

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use daemon_api::reading::{Backfill, BackfillAnswer, BackfillReading, FutureRows};
use daemon_api::{Problem, ProblemKind};
use daemon_core::channel::CLOCK_OFFSET_MS_MAX;
use daemon_store::{Batch, CommitReport, ReadingOutcome, ReadingRow, StoreError};
use tokio::sync::oneshot;

use super::store_state::store_unavailable;
use super::{Done, EventLoop};
use crate::convert::utc;

/// What a person should know of the rows, whatever becomes of them.
#[derive(Debug)]
pub(super) struct Remarks {
    unknown_channels: Vec<String>,
    from_the_future: Option<FutureRows>,
}

/// The rows that speak of a time further ahead than clocks may differ by.
fn from_the_future(readings: &[BackfillReading], now: DateTime<Utc>) -> Option<FutureRows> {
    let ahead = || {
        let times = readings.iter().map(|reading| reading.measured_at);
        times.filter(|at| (*at - now).num_milliseconds() > CLOCK_OFFSET_MS_MAX)
    };
    Some(FutureRows {
        count: ahead().count() as u64,
        latest_at: ahead().max()?,
    })
}

impl EventLoop {
    pub(super) fn take_backfill(
        &mut self,
        backfill: Backfill,
        answer: oneshot::Sender<Result<BackfillAnswer, Problem>>,
    ) {
        let received_at = self.live.clock.now();
        let source = format!("back-fill by {}", backfill.by);
        let from_the_future = from_the_future(&backfill.readings, utc(received_at));
        let mut unknown_channels = BTreeSet::new();
        let mut rows = Vec::with_capacity(backfill.readings.len());
        {
            let live = Arc::clone(&self.live);
            let plant = live.plant();
            for reading in backfill.readings {
                if !plant.knows_channel(&reading.channel) {
                    unknown_channels.insert(reading.channel.clone());
                }
                rows.push(ReadingRow {
                    channel: self.intake.name(&reading.channel),
                    measured_ms: Some(reading.measured_at.timestamp_millis()),
                    received_ms: received_at.0,
                    measured: daemon_store::Measured::TemperatureC(reading.temperature_c),
                    via: daemon_store::Via::Csv,
                });
            }
        }
        tracing::info!(origin = backfill.origin, readings = rows.len(), "{source}");
        self.book
            .brought("back-fill", "csv", rows.len(), utc(received_at));
        let batch = Arc::new(Batch {
            readings: rows,
            ..Batch::default()
        });
        let done = self.done_out.clone();
        let remarks = Remarks {
            unknown_channels: unknown_channels.into_iter().collect(),
            from_the_future,
        };
        self.store.submit(
            Arc::clone(&batch),
            Box::new(move |result| {
                let _ = done.send(Done::Backfill {
                    batch,
                    remarks,
                    answer,
                    result,
                });
            }),
        );
    }

    pub(super) fn backfill_committed(
        &mut self,
        batch: &Batch,
        remarks: Remarks,
        result: Result<CommitReport, StoreError>,
    ) -> Result<BackfillAnswer, Problem> {
        match result {
            Ok(report) => {
                self.store_writes();
                self.take_readings(&batch.readings);
                let count = |outcome: ReadingOutcome| {
                    report
                        .readings
                        .iter()
                        .filter(|one| **one == outcome)
                        .count() as u64
                };
                Ok(BackfillAnswer {
                    new_count: count(ReadingOutcome::New),
                    known_count: count(ReadingOutcome::Known),
                    conflict_count: count(ReadingOutcome::Conflict),
                    unknown_channels: remarks.unknown_channels,
                    from_the_future: remarks.from_the_future,
                })
            }
            Err(StoreError::BadRow { row, reason }) => Err(Problem::new(
                ProblemKind::Invalid,
                "reading-not-storable",
                format!("{row}: {reason}; nothing of the file was recorded"),
            )),
            Err(error) => {
                self.store_fails(&error);
                Err(store_unavailable(&error))
            }
        }
    }
}
