//! The only place where sources, clock, store, core and HTTP meet: one closed enum of events.

mod acts;
mod backfill;
mod calls;
mod curves;
mod intake;
mod learning;
mod publish;
mod recall;
mod store_state;

use std::sync::Arc;
use std::time::Duration;

use daemon_api::bed::StoreView;
use daemon_api::reading::{Backfill, BackfillAnswer};
use daemon_api::{Act, ActAnswer, PourView, Problem};
use daemon_core::assessment::Trouble;
use daemon_core::habits::PourSummary;
use daemon_core::reading::Reading;
use daemon_core::time::UtcMs;
use daemon_sources::SourceEvent;
use daemon_store::{
    Batch, CommitReport, DocumentRow, Reader, ReadingRow, RefusalRow, StoreError, StoreHandle,
};
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, MissedTickBehavior};
use tokio_util::sync::CancellationToken;

use crate::config::ConfigDocument;
use crate::convert::reading::committed;
use crate::convert::utc;
use crate::curve_watch::{CurveWatch, Look};
use crate::history::{HistoryError, horizon, read_acts, read_readings};
use crate::live::Live;
use crate::notify::{Call, Caller, NotifySettings};
use crate::source_book::SourceBook;
use crate::watch::{Watch, disk};
use acts::ActQueue;
use intake::Intake;
use publish::{Assessed, Said};

pub use intake::WAITING_READING_COUNT_MAX;
pub use publish::finished_view;

/// How often the loop looks whether the plant has to be judged again, in wall time.
const TICK: Duration = Duration::from_millis(250);
/// The plant is judged at least this often, in wall time.
const ASSESS_EVERY: Duration = Duration::from_secs(1);
/// Readings that no pour needs are dropped from memory this often, in wall time.
const FORGET_EVERY: Duration = Duration::from_secs(600);
/// The room on the disk is asked for this often, in wall time.
const DISK_ASKED_EVERY: Duration = Duration::from_secs(60);
/// A stop waits this long for what is being committed, in wall time.
const STOP_WAIT_MAX: Duration = Duration::from_secs(10);
/// Refusals read back at a start, so that each source shows its last one.
const REFUSALS_RECALLED: u32 = 200;

/// All that can make the daemon act.
#[derive(Debug)]
enum Event {
    /// A source delivered, came up or went down.
    Source(SourceEvent),
    /// A person's act or a back-fill came in by HTTP.
    Request(Request),
    /// The store, or a look at the plant, is done.
    Done(Done),
    /// Time for a batch.
    BatchDue,
    /// Time to see whether the plant must be judged.
    Tick,
    /// The daemon is told to stop.
    Stop,
}

/// What the HTTP door asks of the loop.
#[derive(Debug)]
pub enum Request {
    Act {
        act: Box<Act>,
        answer: oneshot::Sender<Result<ActAnswer, Problem>>,
    },
    Backfill {
        backfill: Backfill,
        answer: oneshot::Sender<Result<BackfillAnswer, Problem>>,
    },
}

/// Work done elsewhere.
#[derive(Debug)]
enum Done {
    Batch(Result<CommitReport, StoreError>),
    Act(Result<CommitReport, StoreError>),
    Backfill {
        batch: Arc<Batch>,
        remarks: backfill::Remarks,
        answer: oneshot::Sender<Result<BackfillAnswer, Problem>>,
        result: Result<CommitReport, StoreError>,
    },
    Documents(Result<CommitReport, StoreError>),
    /// The curve files and their records as they are now.
    Curves(Look),
    /// Somebody was called about an alarm, or could not be.
    Called {
        call: Call,
        outcome: Result<(), String>,
    },
    Assessed(Box<Assessed>),
    /// Older readings that a pour needs, read back from the store.
    Recalled {
        from: UtcMs,
        result: Result<Vec<Reading>, HistoryError>,
    },
    /// What finished pours taught.
    Learned {
        until: UtcMs,
        result: Result<Vec<PourSummary>, HistoryError>,
    },
}

/// Why the daemon ended by itself.
#[derive(Debug, thiserror::Error)]
pub enum LoopError {
    #[error("the record cannot be read back")]
    History(#[from] HistoryError),
    #[error("the store stopped")]
    Store(#[from] StoreError),
}

/// The loop with everything it alone may touch.
pub struct EventLoop {
    live: Arc<Live>,
    store: StoreHandle,
    intake: Intake,
    acts: ActQueue,
    book: SourceBook,
    said: Said,
    watch: Watch,
    caller: Caller,
    curves: CurveWatch,
    /// The trouble of a disk that is nearly full, and when the system was last asked.
    disk: Option<Trouble>,
    disk_asked_at: Option<Instant>,
    store_view: StoreView,
    finished: Vec<PourView>,
    /// Readings received from here on are in memory.
    loaded_from: UtcMs,
    is_assessing: bool,
    is_learning: bool,
    is_assessment_due: bool,
    assessed_at: Instant,
    forgot_at: Instant,
    done_in: mpsc::UnboundedReceiver<Done>,
    done_out: mpsc::UnboundedSender<Done>,
    sources: mpsc::UnboundedReceiver<SourceEvent>,
    requests: mpsc::UnboundedReceiver<Request>,
    stop: CancellationToken,
}

/// What the loop listens to.
pub struct Inputs {
    pub sources: mpsc::UnboundedReceiver<SourceEvent>,
    pub requests: mpsc::UnboundedReceiver<Request>,
    pub stop: CancellationToken,
    /// Who is called about alarms.
    pub notify: NotifySettings,
    /// The curve files to be read again.
    pub curves: CurveWatch,
}

impl EventLoop {
    /// Reads the record back, so that the plant knows what it knew before it stopped.
    ///
    /// # Errors
    /// What of the record cannot be read.
    pub fn resume(
        live: Arc<Live>,
        store: StoreHandle,
        mut book: SourceBook,
        inputs: Inputs,
    ) -> Result<Self, LoopError> {
        let reader = Reader::open(&live.data_dir)?;
        let now = live.clock.now();
        let mut newest = None;
        for act in read_acts(&reader)? {
            newest = newest.max(Some(act.core.recorded_at));
            live.plant_mut().take_act(act.core.clone());
            live.acts_mut().push(act, Vec::new());
        }
        let loaded_from = horizon(live.plant().pours().values().map(|pour| &**pour), now);
        let mut reading_count = 0_usize;
        let mut heard_until = None;
        {
            let mut plant = live.plant_mut();
            let to = UtcMs(daemon_store::TIME_MS_MAX);
            read_readings(&reader, loaded_from, to, &mut |reading| {
                heard_until = heard_until.max(Some(reading.received_at));
                plant.take_reading(&reading);
                reading_count += 1;
            })?;
        }
        let last = reader
            .last_refusals(REFUSALS_RECALLED)?
            .into_iter()
            .map(|row| RefusalRow {
                received_ms: row.received_ms,
                source: row.source,
                kind: row.kind,
                detail: row.detail,
                sample: row.sample,
            });
        book.recall(reader.refusal_counts()?, &last.collect::<Vec<_>>());
        let mut curves_watched = inputs.curves;
        let stored = curves_watched.resume(&reader, now)?;
        live.plant_mut().take_curve_records(&stored);
        let watch = {
            let acts = live.acts();
            let acts = acts.in_order().iter().map(|act| &act.core);
            let local = live.plant().config().local();
            Watch::resume(&reader, acts, local, now)?
        };
        let caller = calls::resume(&reader, inputs.notify, now)?;
        live.plant_mut().listens_since(now, heard_until);
        tracing::info!(reading_count, "the record is read back");
        let (done_out, done_in) = mpsc::unbounded_channel();
        Ok(Self {
            live,
            store,
            intake: Intake::default(),
            acts: ActQueue::after(newest),
            book,
            said: Said::default(),
            watch,
            caller,
            curves: curves_watched,
            disk: None,
            disk_asked_at: None,
            store_view: StoreView {
                writing: true,
                problem: None,
                since: None,
            },
            finished: Vec::new(),
            loaded_from,
            is_assessing: false,
            is_learning: false,
            is_assessment_due: true,
            assessed_at: Instant::now(),
            forgot_at: Instant::now(),
            done_in,
            done_out,
            sources: inputs.sources,
            requests: inputs.requests,
            stop: inputs.stop,
        })
    }

    /// Keeps the configuration that answers depend on as part of the record.
    pub fn keep_documents(&mut self, documents: Vec<ConfigDocument>) {
        let recorded_ms = self.live.clock.now().0;
        let documents = documents.into_iter().map(|document| DocumentRow {
            kind: document.kind.to_owned(),
            name: document.name,
            bytes: document.bytes,
            recorded_ms,
        });
        let batch = Batch {
            documents: documents.collect(),
            ..Batch::default()
        };
        let done = self.done_out.clone();
        self.store.submit(
            batch,
            Box::new(move |result| {
                let _ = done.send(Done::Documents(result));
            }),
        );
    }

    /// Judges the plant once, so that the first client already sees it.
    pub async fn look(&mut self) {
        self.assess();
        while self.is_assessing {
            match self.done_in.recv().await {
                Some(Done::Assessed(assessed)) => self.publish(*assessed),
                Some(done) => drop(self.take_done(done)),
                None => return,
            }
        }
    }

    /// Turns until told to stop; gives the store back with everything written that could be.
    ///
    /// # Errors
    /// That the store's writer died.
    pub async fn run(mut self) -> Result<StoreHandle, LoopError> {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            match self.next_event(&mut tick).await {
                Event::Source(event) => self.take_source_event(event),
                Event::Request(request) => self.take_request(request),
                Event::Done(done) => self.take_done(done)?,
                Event::BatchDue => self.commit_if_due(),
                Event::Tick => self.tick(),
                Event::Stop => break,
            }
        }
        self.wind_up().await;
        Ok(self.store)
    }

    async fn next_event(&mut self, tick: &mut tokio::time::Interval) -> Event {
        let due_at = self.intake.due_at();
        let batch_due = async {
            match due_at {
                Some(due_at) => tokio::time::sleep_until(due_at).await,
                None => std::future::pending().await,
            }
        };
        // In this order, so that a flood of readings starves neither answers nor the plant's clock.
        tokio::select! {
            biased;
            () = self.stop.cancelled() => Event::Stop,
            Some(done) = self.done_in.recv() => Event::Done(done),
            Some(request) = self.requests.recv() => Event::Request(request),
            () = batch_due => Event::BatchDue,
            _ = tick.tick() => Event::Tick,
            Some(event) = self.sources.recv() => Event::Source(event),
        }
    }

    fn take_source_event(&mut self, event: SourceEvent) {
        match event {
            SourceEvent::Delivery(delivery) => {
                let live = Arc::clone(&self.live);
                let plant = live.plant();
                let is_known = |channel: &str| plant.knows_channel(channel);
                self.intake.take(delivery, &mut self.book, &is_known);
            }
            SourceEvent::Up { source, at } => {
                tracing::info!(source, "connected");
                self.book.up(&source, at);
                self.is_assessment_due = true;
            }
            SourceEvent::Down { source, at, reason } => {
                tracing::warn!(source, "no readings: {reason}");
                self.book.down(&source, at, reason);
                self.is_assessment_due = true;
            }
        }
    }

    fn take_request(&mut self, request: Request) {
        match request {
            Request::Act { act, answer } => {
                self.acts.push(*act, answer);
                self.next_act();
            }
            Request::Backfill { backfill, answer } => self.take_backfill(backfill, answer),
        }
    }

    fn take_done(&mut self, done: Done) -> Result<(), LoopError> {
        match done {
            Done::Batch(Ok(_)) => {
                self.store_writes();
                if let Some(batch) = self.intake.committed() {
                    self.take_readings(&batch.readings);
                }
                self.commit_if_due();
            }
            Done::Batch(Err(error @ StoreError::Stopped)) => return Err(error.into()),
            Done::Batch(Err(error)) => {
                self.store_fails(&error);
                self.intake.failed(Instant::now());
            }
            Done::Act(result) => self.act_committed(result),
            Done::Backfill {
                batch,
                remarks,
                answer,
                result,
            } => {
                let answered = self.backfill_committed(&batch, remarks, result);
                // The client may have gone; the readings are kept all the same.
                let _ = answer.send(answered);
            }
            Done::Documents(Ok(_)) => {}
            Done::Documents(Err(error)) => {
                self.store_fails(&error);
            }
            Done::Curves(look) => self.curves_read(look),
            Done::Called { call, outcome } => self.called(&call, outcome),
            Done::Assessed(assessed) => self.publish(*assessed),
            Done::Recalled { from, result } => self.take_recalled(from, result),
            Done::Learned { until, result } => self.take_learned(until, result),
        }
        Ok(())
    }

    fn take_readings(&mut self, rows: &[ReadingRow]) {
        if rows.is_empty() {
            return;
        }
        let mut plant = self.live.plant_mut();
        for row in rows {
            plant.take_reading(&committed(row));
        }
        self.is_assessment_due = true;
    }

    fn commit_if_due(&mut self) {
        if let Some(batch) = self.intake.next_batch(Instant::now(), &mut self.book) {
            self.submit(batch);
        }
    }

    fn submit(&self, batch: Arc<Batch>) {
        let done = self.done_out.clone();
        self.store.submit(
            batch,
            Box::new(move |result| {
                let _ = done.send(Done::Batch(result));
            }),
        );
    }

    fn tick(&mut self) {
        self.learn_if_due();
        let is_time = self.is_assessment_due || self.assessed_at.elapsed() >= ASSESS_EVERY;
        if is_time {
            self.assess();
        }
        self.read_curves_if_due();
        if self.forgot_at.elapsed() >= FORGET_EVERY {
            self.forgot_at = Instant::now();
            let now = self.live.clock.now();
            let mut plant = self.live.plant_mut();
            let needed = horizon(plant.pours().values().map(|pour| &**pour), now);
            if needed > self.loaded_from {
                plant.forget_finished(needed);
                self.loaded_from = needed;
            }
        }
    }

    /// Looks at the plant beside the loop, one look at a time.
    fn assess(&mut self) {
        if self.is_assessing {
            self.is_assessment_due = true;
            return;
        }
        self.is_assessing = true;
        self.is_assessment_due = false;
        self.assessed_at = Instant::now();
        let now = self.live.clock.now();
        let with_lines = self.said.is_forecast_due(now);
        let live = Arc::clone(&self.live);
        let finished = self.finished.clone();
        let done = self.done_out.clone();
        tokio::task::spawn_blocking(move || {
            let assessed = publish::assess(&live, now, with_lines, &finished);
            let _ = done.send(Done::Assessed(Box::new(assessed)));
        });
    }

    fn publish(&mut self, assessed: Assessed) {
        self.is_assessing = false;
        self.finished.clone_from(&assessed.finished);
        let now = assessed.now;
        let mut troubles = assessed.troubles.clone();
        troubles.extend(self.book.troubles(utc(now)));
        self.book
            .explain(&self.live.config, &assessed.judged, &mut troubles);
        let waiting_count = self.intake.waiting_reading_count();
        let store = publish::store_trouble(&self.store_view, waiting_count, now);
        troubles.extend(self.disk_trouble(now).map(|disk| Trouble {
            // A disk that is full already needs one call, not two.
            explained_by: store.as_ref().map(Trouble::id),
            ..disk
        }));
        troubles.extend(store);
        troubles.extend(self.caller.troubles());
        troubles.extend(self.live.status_health.trouble());
        troubles.extend(self.curves.troubles());
        let looked = self.watch.look(&assessed.judged, &troubles, now);
        let statements = looked.statements().into_iter();
        for statement in statements.chain(publish::forecast_statements(&assessed)) {
            self.intake.say(statement);
        }
        self.tell(Some(&assessed));
        self.call(now);
    }

    /// Publishes every alarm as it stands, and the beds of a look where there was one.
    fn tell(&mut self, assessed: Option<&Assessed>) {
        let (troubles, cleared) = self.watch.shown();
        let (alarms, rang_last_hour) = (self.watch.views(), self.watch.rang_last_hour());
        let (sources, store) = (self.book.views(), self.store_view.clone());
        let config = &self.live.config;
        self.live.publish(|published| {
            let beds = match assessed {
                Some(assessed) => publish::bed_views(config, assessed, &troubles),
                None => publish::with_troubles(&published.beds, &troubles),
            };
            if let Some(assessed) = assessed {
                published.acts_through = assessed.acts_through;
            }
            published.alarms = alarms;
            published.rang_last_hour = rang_last_hour;
            publish::changes(published, beds, troubles, cleared, sources, store)
        });
    }

    /// Asks the system for the room on the disk, not at every look.
    fn disk_trouble(&mut self, now: UtcMs) -> Option<Trouble> {
        if self
            .disk_asked_at
            .is_none_or(|at| at.elapsed() >= DISK_ASKED_EVERY)
        {
            self.disk_asked_at = Some(Instant::now());
            let room_bytes = disk::room_bytes(&self.live.data_dir);
            let trouble = room_bytes.and_then(|room_bytes| disk::trouble(room_bytes, now));
            let since = self.disk.as_ref().map(|known| known.since);
            self.disk = trouble.map(|trouble| Trouble {
                since: since.unwrap_or(now),
                ..trouble
            });
        }
        self.disk.clone()
    }

    /// Writes what has come in, and answers what was asked, as far as that can be done in time.
    async fn wind_up(&mut self) {
        while let Ok(event) = self.sources.try_recv() {
            self.take_source_event(event);
        }
        let end = Instant::now() + STOP_WAIT_MAX;
        while !(self.intake.is_empty() && self.acts.is_idle()) {
            if let Some(batch) = self.intake.begin(Instant::now(), &mut self.book) {
                self.submit(batch);
            }
            match tokio::time::timeout_at(end, self.done_in.recv()).await {
                Ok(Some(
                    Done::Assessed(_)
                    | Done::Recalled { .. }
                    | Done::Learned { .. }
                    | Done::Curves(_),
                )) => {}
                Ok(Some(done)) => {
                    if self.take_done(done).is_err() || !self.store_view.writing {
                        break;
                    }
                }
                Ok(None) | Err(_) => break,
            }
        }
        let count = self.intake.waiting_reading_count();
        if count > 0 {
            tracing::error!("stopped with {count} readings that could not be written");
        }
    }
}

#[cfg(test)]
mod tests;
