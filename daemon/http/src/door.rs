//! What the HTTP layer needs of the daemon: one trait, so that tests stand a small one behind it.

use std::io;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::effect::RecordEntry;
use daemon_api::event::PlantEvent;
use daemon_api::mix::{BreaksAnswer, MixesAnswer};
use daemon_api::plan::PlanAnswer;
use daemon_api::reading::{Backfill, BackfillAnswer};
use daemon_api::series::SeriesAnswer;
use daemon_api::shift::ShiftLog;
use daemon_api::{Act, ActAnswer, BedView, PlantSnapshot, PourView, Problem};
use futures_util::StreamExt;
use futures_util::future::BoxFuture;
use futures_util::stream::{self, BoxStream};
use tokio::sync::broadcast;

/// An answer to come, or the problem why there is none.
pub type Answer<'a, T> = BoxFuture<'a, Result<T, Problem>>;

/// A long text in pieces, so that years of readings need not fit into memory.
///
/// An error in the midst breaks the connection off: the client sees that the text is not whole.
pub type TextPieces = BoxStream<'static, io::Result<String>>;

/// A text that is whole already.
#[must_use]
pub fn one_piece(text: String) -> TextPieces {
    stream::once(async { Ok(text) }).boxed()
}

/// The daemon as seen from its HTTP door.
pub trait Door: Send + Sync + 'static {
    /// The whole plant.
    fn snapshot(&self) -> Answer<'_, PlantSnapshot>;

    /// One bed.
    fn bed(&self, bed: String) -> Answer<'_, BedView>;

    /// One pour, finished ones included.
    fn pour(&self, pour: String) -> Answer<'_, PourView>;

    /// Temperatures and strength of one pour in about `points` points per series.
    fn series(&self, pour: String, points: usize) -> Answer<'_, SeriesAnswer>;

    /// Acts in the order of the record, all of them or those of one pour.
    fn acts(&self, pour: Option<String>) -> Answer<'_, Vec<Act>>;

    /// The same with what became of each.
    fn record(&self, pour: Option<String>) -> Answer<'_, Vec<RecordEntry>>;

    /// What an act would change; nothing is recorded.
    fn would(&self, act: Act) -> Answer<'_, ActAnswer>;

    /// Takes in one act and answers after it is committed. `recorded_at` is never set.
    ///
    /// It runs to its end even where the client hangs up.
    fn act(&self, act: Act) -> Answer<'_, ActAnswer>;

    /// Takes in readings of a logger's memory and answers after they are committed.
    ///
    /// It runs to its end even where the client hangs up.
    fn backfill(&self, backfill: Backfill) -> Answer<'_, BackfillAnswer>;

    /// Every alarm that is not normal.
    fn alarms(&self) -> Answer<'_, AlarmsAnswer>;

    /// What happened to alarms between two moments, or in the last hours.
    fn alarm_history(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, AlarmHistory>;

    /// What wants a person, in order of time.
    fn plan(&self) -> Answer<'_, PlanAnswer>;

    /// Notes, acts and alarms between two moments, or in the last hours.
    fn shift_log(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, ShiftLog>;

    /// Every channel that speaks, and how far each has moved since a moment, or in the last minutes.
    fn channels(&self, since: Option<DateTime<Utc>>) -> Answer<'_, ChannelsAnswer>;

    /// Mixes with their curves, and what breaks say of them.
    fn mixes(&self) -> Answer<'_, MixesAnswer>;

    /// The breaks of a mix, those tested since `from` or all.
    fn mix_breaks(&self, mix: String, from: Option<DateTime<Utc>>) -> Answer<'_, BreaksAnswer>;

    /// State lines at `at`, or now, exactly as replay prints them.
    fn state_lines(&self, at: Option<DateTime<Utc>>) -> Answer<'_, String>;

    /// Every reading in receipt order as CSV, exactly as replay reads it.
    fn readings_csv(&self) -> Answer<'_, TextPieces>;

    /// Every act as JSON lines, exactly as replay reads them.
    fn acts_jsonl(&self) -> Answer<'_, TextPieces>;

    /// The plant's events from now on; their numbers rise by one.
    fn subscribe(&self) -> broadcast::Receiver<Arc<PlantEvent>>;

    /// A heartbeat with plant time and the current number, which it does not raise.
    ///
    /// The number must be that of an event already sent to the subscribers; else a client would
    /// take the heartbeat for proof that it missed one.
    fn heartbeat(&self) -> PlantEvent;
}
