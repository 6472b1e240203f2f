//! Readings that a pour needs and memory does not hold, read back from the store beside the loop.

use daemon_core::reading::Reading;
use daemon_core::time::UtcMs;
use daemon_store::Reader;

use super::{Done, EventLoop};
use crate::convert::utc;
use crate::history::{HistoryError, horizon, read_readings};

impl EventLoop {
    /// A pour that was opened late, or a plug said to have been moved long ago, may need readings
    /// that are no longer, or not yet, in memory.
    pub(super) fn recall_if_needed(&mut self) {
        let now = self.live.clock.now();
        let from = horizon(self.live.plant().pours().values().map(|pour| &**pour), now);
        if from >= self.loaded_from {
            return;
        }
        let to = std::mem::replace(&mut self.loaded_from, from);
        let dir = self.live.data_dir.clone();
        let done = self.done_out.clone();
        tokio::task::spawn_blocking(move || {
            let mut readings = Vec::new();
            let result = Reader::open(&dir)
                .map_err(HistoryError::from)
                .and_then(|reader| {
                    read_readings(&reader, from, to, &mut |reading| readings.push(reading))
                });
            let _ = done.send(Done::Recalled {
                from,
                result: result.map(|()| readings),
            });
        });
    }

    pub(super) fn take_recalled(
        &mut self,
        from: UtcMs,
        result: Result<Vec<Reading>, HistoryError>,
    ) {
        match result {
            Ok(readings) => {
                let mut plant = self.live.plant_mut();
                for reading in &readings {
                    plant.take_reading(reading);
                }
                self.is_assessment_due = true;
            }
            Err(error) => {
                let error = anyhow::Error::from(error);
                tracing::error!(
                    "readings since {} cannot be read back; restart the daemon: {error:#}",
                    utc(from)
                );
            }
        }
    }
}
