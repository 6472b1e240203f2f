//! Learning from finished pours, beside the loop: from the store, so that a restart learns the same.
//!
//! Summaries are made again at each start and not stored: there is one way to make them, the record is
//! their only source, and a better way to make them needs no migration.

use daemon_core::habits::PourSummary;
use daemon_core::time::UtcMs;

use super::{Done, EventLoop};
use crate::history::{HistoryError, learn};

impl EventLoop {
    /// Starts to learn where a pour's time for it has come.
    pub(super) fn learn_if_due(&mut self) {
        let now = self.live.clock.now();
        let due_at = self.live.plant().next_learning_at();
        if self.is_learning || due_at.is_none_or(|due_at| due_at > now) {
            return;
        }
        self.is_learning = true;
        let (config, known) = (self.live.config_now(), self.live.learned());
        let dir = self.live.data_dir.clone();
        let done = self.done_out.clone();
        tokio::task::spawn_blocking(move || {
            let result = learn(&dir, config, known, now);
            let _ = done.send(Done::Learned { until: now, result });
        });
    }

    pub(super) fn take_learned(
        &mut self,
        until: UtcMs,
        result: Result<Vec<PourSummary>, HistoryError>,
    ) {
        self.is_learning = false;
        match result {
            Ok(summaries) => {
                let mut plant = self.live.plant_mut();
                let summary_count = summaries.len();
                for summary in summaries {
                    plant.take_summary(summary);
                }
                tracing::info!(summary_count, "finished pours have been learned from");
            }
            Err(error) => {
                let error = anyhow::Error::from(error);
                tracing::error!(
                    "forecasts go on without what finished pours would teach; check the store and \
                     restart the daemon: {error:#}"
                );
            }
        }
        self.live.plant_mut().end_learning(until);
        self.is_assessment_due = true;
    }
}
