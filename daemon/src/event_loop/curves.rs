//! Curves and their records taken in while the daemon runs: a withdrawal counts at once.

use super::{Done, EventLoop};
use crate::curve_watch::{Look, look};

impl EventLoop {
    /// Reads the curve files and their records beside the loop where it is time to.
    pub(super) fn read_curves_if_due(&mut self) {
        if !self.curves.is_due() {
            return;
        }
        let watched = self.curves.watched();
        let done = self.done_out.clone();
        tokio::task::spawn_blocking(move || {
            let _ = done.send(Done::Curves(look(&watched)));
        });
    }

    pub(super) fn curves_read(&mut self, look: Look) {
        let news = self.curves.take(look, self.live.clock.now());
        if !news.documents.is_empty() {
            self.keep_documents(news.documents);
        }
        // Not after the commit: a curve that was withdrawn must not be used because a disk is full.
        let mut plant = self.live.plant_mut();
        let is_new_curve = plant.take_curves(news.curves);
        let is_new_record = plant.take_curve_records(&news.records);
        if is_new_curve || is_new_record {
            tracing::info!("there are new curves, or new records about curves");
            self.is_assessment_due = true;
        }
    }
}
