//! Deliveries gathered into batches: what waits, what is being committed, what waits for space.
//!
//! One batch is committed at a time. A batch that could not be written is written again, the very
//! same, until it can; only then are its deliveries acknowledged, in the order of receipt.

use std::collections::HashSet;
use std::sync::Arc;
use std::time::Duration;

use daemon_sources::{AckToken, Delivery, Item, Refusal};
use daemon_store::{
    Batch, GROUP_READING_COUNT, RefusalRow, StatementRow, TIME_MS_MAX, TIME_MS_MIN,
};
use tokio::time::Instant;

use crate::convert::reading::row;
use crate::source_book::SourceBook;

/// A batch is committed this long after its first reading, in wall time …
pub const BATCH_WAIT: Duration = Duration::from_millis(100);
/// While the store cannot write, it is tried again after this …
const RETRY_WAIT_MIN: Duration = Duration::from_millis(250);
/// … doubled each time up to this.
const RETRY_WAIT_MAX: Duration = Duration::from_secs(5);
/// Readings whose sender cannot be held back are kept in memory up to this many.
pub const WAITING_READING_COUNT_MAX: usize = 200_000;

/// What waits for the store.
#[derive(Debug, Default)]
pub struct Intake {
    waiting: Batch,
    waiting_acks: Vec<AckToken>,
    /// When the first of what waits came.
    waiting_since: Option<Instant>,
    committing: Option<Committing>,
    names: HashSet<Arc<str>>,
}

#[derive(Debug)]
struct Committing {
    batch: Arc<Batch>,
    acks: Vec<AckToken>,
    /// Set while the batch waits to be tried again.
    retry_at: Option<Instant>,
    retry_wait: Duration,
}

impl Intake {
    /// Takes a delivery in; what came is counted, what is refused is named.
    pub fn take(
        &mut self,
        delivery: Delivery,
        book: &mut SourceBook,
        is_known_channel: &dyn Fn(&str) -> bool,
    ) {
        let Delivery {
            source,
            received_at,
            items,
            ack,
        } = delivery;
        let received_ms = received_at.timestamp_millis();
        let is_full = self.waiting.readings.len() >= WAITING_READING_COUNT_MAX;
        if is_full && ack.is_none() {
            book.lost(&source, items.len());
            return;
        }
        self.waiting_since.get_or_insert_with(Instant::now);
        for item in items {
            match item {
                Item::Reading(reading) => {
                    let identity_ms = reading
                        .measured_at
                        .map_or(received_ms, |at| at.timestamp_millis());
                    let refusal = |kind: &str, detail: String| RefusalRow {
                        received_ms,
                        source: source.clone(),
                        kind: kind.to_owned(),
                        detail,
                        sample: format!("{} {:?}", reading.channel, reading.content),
                    };
                    if !(TIME_MS_MIN..=TIME_MS_MAX).contains(&identity_ms) {
                        let detail = "The time lies outside the years 1 to 9999.".to_owned();
                        self.refuse(refusal("bad-time", detail), book);
                        continue;
                    }
                    let is_new_channel = !self.names.contains(reading.channel.as_str());
                    let channel = self.name(&reading.channel);
                    if !is_known_channel(&channel) {
                        let detail = format!(
                            "No pour and no logger names the channel {channel}; its readings are \
                             kept and count from the moment a pour binds it."
                        );
                        let row = refusal("unknown-channel", detail);
                        book.refused(&row);
                        // Once per channel is enough for the record: the readings are all kept.
                        if is_new_channel {
                            self.waiting.refusals.push(row);
                        }
                    }
                    book.came(&channel, &source);
                    book.brought(&source, reading.via.as_str(), 1, received_at);
                    self.waiting
                        .readings
                        .push(row(&reading, channel, received_at));
                }
                Item::Refused(refusal) => {
                    self.refuse(refusal_row(&source, received_ms, refusal), book);
                }
            }
        }
        self.waiting_acks.extend(ack);
    }

    fn refuse(&mut self, row: RefusalRow, book: &mut SourceBook) {
        tracing::warn!(
            source = row.source,
            kind = row.kind,
            "refused: {}",
            row.detail
        );
        book.refused(&row);
        self.waiting.refusals.push(row);
    }

    /// Something said at a recorded moment, to be stored with the next batch.
    pub fn say(&mut self, statement: StatementRow) {
        self.waiting_since.get_or_insert_with(Instant::now);
        self.waiting.statements.push(statement);
    }

    /// A name that every reading of its channel shares.
    pub fn name(&mut self, channel: &str) -> Arc<str> {
        if let Some(name) = self.names.get(channel) {
            return Arc::clone(name);
        }
        let name: Arc<str> = channel.into();
        self.names.insert(Arc::clone(&name));
        name
    }

    /// When the next batch has to go to the store; `None` while nothing waits or one is under way.
    pub fn due_at(&self) -> Option<Instant> {
        match &self.committing {
            Some(committing) => committing.retry_at,
            None if self.waiting.readings.len() >= GROUP_READING_COUNT => self.waiting_since,
            None => self.waiting_since.map(|since| since + BATCH_WAIT),
        }
    }

    /// The batch to commit now, if one is due.
    pub fn next_batch(&mut self, now: Instant, book: &mut SourceBook) -> Option<Arc<Batch>> {
        if self.due_at().is_none_or(|due_at| due_at > now) {
            return None;
        }
        self.begin(now, book)
    }

    /// The batch to commit, whether it is due or not; `None` where nothing waits.
    pub fn begin(&mut self, _now: Instant, book: &mut SourceBook) -> Option<Arc<Batch>> {
        if let Some(committing) = &mut self.committing {
            committing.retry_at.take()?;
            return Some(Arc::clone(&committing.batch));
        }
        self.waiting_since.take()?;
        let mut batch = std::mem::take(&mut self.waiting);
        for (source, count) in book.take_lost() {
            let received_ms = batch
                .readings
                .last()
                .map_or(0, |reading| reading.received_ms);
            batch.refusals.push(RefusalRow {
                received_ms,
                source,
                kind: "lost".to_owned(),
                detail: format!(
                    "{count} readings were lost: the store could not write and memory was full."
                ),
                sample: String::new(),
            });
        }
        let batch = Arc::new(batch);
        self.committing = Some(Committing {
            batch: Arc::clone(&batch),
            acks: std::mem::take(&mut self.waiting_acks),
            retry_at: None,
            retry_wait: RETRY_WAIT_MIN,
        });
        Some(batch)
    }

    /// The batch is on the disk: its deliveries are acknowledged in order of receipt.
    pub fn committed(&mut self) -> Option<Arc<Batch>> {
        let committing = self.committing.take()?;
        for ack in committing.acks {
            ack.acknowledge();
        }
        Some(committing.batch)
    }

    /// The batch could not be written; nothing is acknowledged and it will be tried again.
    pub fn failed(&mut self, now: Instant) {
        if let Some(committing) = &mut self.committing {
            committing.retry_at = Some(now + committing.retry_wait);
            committing.retry_wait = (committing.retry_wait * 2).min(RETRY_WAIT_MAX);
        }
    }

    /// True where everything taken in is on the disk.
    pub fn is_empty(&self) -> bool {
        self.committing.is_none() && self.waiting_since.is_none()
    }

    /// Readings that wait for the store.
    pub fn waiting_reading_count(&self) -> usize {
        let committing = self
            .committing
            .as_ref()
            .map_or(0, |one| one.batch.readings.len());
        committing + self.waiting.readings.len()
    }
}

fn refusal_row(source: &str, received_ms: i64, refusal: Refusal) -> RefusalRow {
    RefusalRow {
        received_ms,
        source: source.to_owned(),
        kind: refusal.kind.as_str().to_owned(),
        detail: refusal.detail,
        sample: refusal.sample,
    }
}
