//! The writer on a thread of its own, which commits what is queued together.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, Sender};
use std::thread::JoinHandle;

use crate::{Batch, CommitReport, StoreError, Writer};

/// A group is committed once it holds this many readings, or once nothing more is queued.
pub const GROUP_READING_COUNT: usize = 1_000;

/// Told exactly once how its batch went, on the writer's thread: it must not block.
pub type Done = Box<dyn FnOnce(Result<CommitReport, StoreError>) + Send>;

/// Hands batches to the writer's thread. Dropping it writes what is queued, then stops the thread.
#[derive(Debug)]
pub struct StoreHandle {
    // Both are taken when the thread is stopped.
    queue: Option<Sender<Submission>>,
    thread: Option<JoinHandle<Writer>>,
    pending_count: Arc<AtomicUsize>,
}

/// A queued batch. Should the thread die before answering, dropping it answers `Stopped`.
struct Submission {
    batch: Arc<Batch>,
    done: Option<Done>,
    pending_count: Arc<AtomicUsize>,
}

impl StoreHandle {
    /// Starts the writer's thread, and says how the writer's own connection is set.
    pub fn spawn(writer: Writer) -> Result<Self, StoreError> {
        // `synchronous` belongs to a connection: only this one can say how it writes.
        let pragmas = writer.pragmas()?;
        tracing::info!(
            journal_mode = pragmas.journal_mode,
            synchronous = pragmas.synchronous,
            "the record's writer is ready"
        );
        let (queue, submissions) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("store-writer".to_owned())
            .spawn(move || run(writer, &submissions))
            .map_err(|error| StoreError::Thread {
                source: Arc::new(error),
            })?;
        Ok(Self {
            queue: Some(queue),
            thread: Some(thread),
            pending_count: Arc::default(),
        })
    }

    /// Queues a batch and returns at once. Batches are written in the order submitted.
    ///
    /// `batch` may be an `Arc<Batch>`, so that the caller can submit it again after a full disk.
    pub fn submit(&self, batch: impl Into<Arc<Batch>>, done: Done) {
        self.pending_count.fetch_add(1, Ordering::Relaxed);
        let submission = Submission {
            batch: batch.into(),
            done: Some(done),
            pending_count: self.pending_count.clone(),
        };
        // A refused submission comes back inside the error and answers as it is dropped.
        if let Some(queue) = &self.queue {
            drop(queue.send(submission));
        }
    }

    /// Batches submitted and not yet answered; grows while the disk is slow.
    pub fn pending_count(&self) -> usize {
        self.pending_count.load(Ordering::Relaxed)
    }

    /// Writes what is queued, stops the thread and gives the writer back.
    pub fn finish(mut self) -> Result<Writer, StoreError> {
        drop(self.queue.take());
        let thread = self.thread.take().ok_or(StoreError::Stopped)?;
        thread.join().map_err(|_| StoreError::Stopped)
    }
}

impl Drop for StoreHandle {
    fn drop(&mut self) {
        drop(self.queue.take());
        let Some(thread) = self.thread.take() else {
            return;
        };
        // The last owner may be a callback on the writer's own thread, which cannot wait for itself.
        if thread.thread().id() != std::thread::current().id() && thread.join().is_err() {
            tracing::error!("the store's writer thread had failed before it was stopped");
        }
    }
}

impl Submission {
    fn answer(mut self, result: Result<CommitReport, StoreError>) {
        self.tell(result);
    }

    fn tell(&mut self, result: Result<CommitReport, StoreError>) {
        let Some(done) = self.done.take() else { return };
        self.pending_count.fetch_sub(1, Ordering::Relaxed);
        // One caller's mistake must not stop the recording of everyone else's readings.
        if catch_unwind(AssertUnwindSafe(|| done(result))).is_err() {
            tracing::error!("a caller failed while it was told how its batch went");
        }
    }
}

impl Drop for Submission {
    fn drop(&mut self) {
        self.tell(Err(StoreError::Stopped));
    }
}

fn run(mut writer: Writer, submissions: &Receiver<Submission>) -> Writer {
    // Fails once the handle is gone and the queue is empty: everything queued is written first.
    while let Ok(first) = submissions.recv() {
        let group = gather(first, submissions);
        let batches: Vec<&Batch> = group.iter().map(|submission| &*submission.batch).collect();
        let results = writer.commit_group(&batches);
        for (submission, result) in group.into_iter().zip(results) {
            submission.answer(result);
        }
    }
    writer
}

fn gather(first: Submission, submissions: &Receiver<Submission>) -> Vec<Submission> {
    let mut reading_count = first.batch.readings.len();
    let mut group = vec![first];
    while reading_count < GROUP_READING_COUNT {
        let Ok(next) = submissions.try_recv() else {
            break;
        };
        reading_count += next.batch.readings.len();
        group.push(next);
    }
    group
}
