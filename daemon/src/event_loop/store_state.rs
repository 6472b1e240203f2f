//! Whether the store writes, what is wrong with it, and what people are told of it.

use daemon_api::bed::StoreView;
use daemon_api::{Problem, ProblemKind};
use daemon_store::StoreError;

use super::EventLoop;
use crate::convert::utc;

impl EventLoop {
    pub(super) fn store_writes(&mut self) {
        if !self.store_view.writing {
            tracing::info!("the store writes again");
            self.store_view = StoreView {
                writing: true,
                problem: None,
                since: None,
            };
            self.is_assessment_due = true;
        }
    }

    pub(super) fn store_fails(&mut self, error: &StoreError) {
        let problem = store_problem(error);
        if self.store_view.writing {
            tracing::error!("the store cannot write: {problem}");
            self.store_view.since = Some(utc(self.live.clock.now()));
            self.is_assessment_due = true;
        }
        self.store_view.writing = false;
        self.store_view.problem = Some(problem);
    }
}

fn store_problem(error: &StoreError) -> String {
    if error.is_full() {
        "the disk is full".to_owned()
    } else {
        let mut text = error.to_string();
        let mut source = std::error::Error::source(error);
        while let Some(cause) = source {
            text = format!("{text}: {cause}");
            source = cause.source();
        }
        text
    }
}

pub(super) fn store_unavailable(error: &StoreError) -> Problem {
    let detail = format!(
        "Nothing was recorded: {}. Send the same again once the store writes.",
        store_problem(error)
    );
    Problem::new(ProblemKind::StoreUnavailable, "store-cannot-write", detail)
}
