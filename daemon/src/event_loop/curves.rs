//! Curve records taken in while the daemon runs: a withdrawal counts at once.

use super::{Done, EventLoop};
use crate::curve_watch::{CurveSeen, read};

impl EventLoop {
    /// Reads the curve files and their records beside the loop where it is time to.
    pub(super) fn read_curves_if_due(&mut self) {
        if !self.curves.is_due() {
            return;
        }
        let files = self.curves.files();
        let done = self.done_out.clone();
        tokio::task::spawn_blocking(move || {
            let _ = done.send(Done::Curves(read(&files)));
        });
    }

    pub(super) fn curves_read(&mut self, seen: Vec<CurveSeen>) {
        let news = self.curves.take(seen, self.live.clock.now());
        if !news.documents.is_empty() {
            self.keep_documents(news.documents);
        }
        // Not after the commit: a curve that was withdrawn must not be used because a disk is full.
        if self.live.plant_mut().take_curve_records(&news.records) {
            tracing::info!("there are new records about curves");
            self.is_assessment_due = true;
        }
    }
}
