//! A small door that answers from the contract's golden files, and a server in front of it.

use std::future::ready;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

use chrono::{DateTime, SecondsFormat, Utc};
use daemon_api::act::ActBody;
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::client::Client;
use daemon_api::effect::RecordEntry;
use daemon_api::event::PlantEvent;
use daemon_api::mix::{BreaksAnswer, MixesAnswer};
use daemon_api::plan::PlanAnswer;
use daemon_api::reading::{Backfill, BackfillAnswer};
use daemon_api::series::SeriesAnswer;
use daemon_api::shift::ShiftLog;
use daemon_api::{Act, ActAnswer, BedView, PlantSnapshot, PourView, Problem, ProblemKind};
use daemon_http::{Answer, Door, TextPieces, one_piece, serve};
use futures_util::{FutureExt, StreamExt, stream};
use serde::de::DeserializeOwned;
use tokio::sync::{Notify, OwnedRwLockWriteGuard, RwLock, broadcast};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// How many events a slow client may leave waiting.
pub const EVENTS_KEPT: usize = 4;

/// A golden file of the contract.
pub fn golden<T: DeserializeOwned>(name: &str) -> T {
    let path =
        Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../api/tests/golden/{name}.json"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// A server on a free port.
pub struct Running {
    pub base: String,
    pub client: Client,
    pub door: Arc<FakeDoor>,
    pub stop: CancellationToken,
    pub serving: JoinHandle<io::Result<()>>,
}

pub async fn start() -> Running {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a free port");
    let base = format!("http://{}", listener.local_addr().expect("its address"));
    let door = Arc::new(FakeDoor::new());
    let stop = CancellationToken::new();
    let serving = tokio::spawn(serve(
        listener,
        Arc::clone(&door) as Arc<dyn Door>,
        stop.clone(),
    ));
    let client = Client::new(&base).expect("a loopback address");
    Running {
        base,
        client,
        door,
        stop,
        serving,
    }
}

pub struct FakeDoor {
    events: broadcast::Sender<Arc<PlantEvent>>,
    sequence: Mutex<u64>,
    acts: Mutex<Vec<Act>>,
    points: Mutex<Option<usize>>,
    gate: Arc<RwLock<()>>,
    arrived: Notify,
    recorded: Notify,
}

impl FakeDoor {
    fn new() -> Self {
        Self {
            events: broadcast::channel(EVENTS_KEPT).0,
            sequence: Mutex::new(4711),
            acts: Mutex::default(),
            points: Mutex::default(),
            gate: Arc::default(),
            arrived: Notify::new(),
            recorded: Notify::new(),
        }
    }

    /// Sends an event to every stream that is open, then lets its number be the current one.
    pub fn publish(&self, event: &PlantEvent) {
        self.events
            .send(Arc::new(event.clone()))
            .expect("a stream is open");
        *self.sequence.lock().expect("not poisoned") = event.sequence;
    }

    /// Keeps acts from being recorded until the guard is dropped.
    pub fn hold_acts(&self) -> OwnedRwLockWriteGuard<()> {
        Arc::clone(&self.gate)
            .try_write_owned()
            .expect("nobody holds it yet")
    }

    pub async fn act_has_arrived(&self) {
        self.arrived.notified().await;
    }

    pub async fn act_is_recorded(&self) {
        self.recorded.notified().await;
    }

    pub fn seen_acts(&self) -> Vec<Act> {
        self.acts.lock().expect("not poisoned").clone()
    }

    pub fn seen_points(&self) -> Option<usize> {
        *self.points.lock().expect("not poisoned")
    }
}

fn only<T: DeserializeOwned + Send + 'static>(
    known: &str,
    asked: &str,
    noun: &str,
    file: &str,
) -> Answer<'static, T> {
    ready(if known == asked {
        Ok(golden(file))
    } else {
        let code = format!("no-such-{noun}");
        Err(Problem::new(
            ProblemKind::NotFound,
            &code,
            format!("there is no {noun} `{asked}`"),
        ))
    })
    .boxed()
}

impl Door for FakeDoor {
    fn snapshot(&self) -> Answer<'_, PlantSnapshot> {
        ready(Ok(golden("snapshot"))).boxed()
    }

    fn bed(&self, bed: String) -> Answer<'_, BedView> {
        only("N4", &bed, "bed", "bed")
    }

    fn pour(&self, pour: String) -> Answer<'_, PourView> {
        only("N4-0301", &pour, "pour", "pour")
    }

    fn series(&self, pour: String, points: usize) -> Answer<'_, SeriesAnswer> {
        *self.points.lock().expect("not poisoned") = Some(points);
        only("N4-0301", &pour, "pour", "series")
    }

    fn acts(&self, pour: Option<String>) -> Answer<'_, Vec<Act>> {
        let mut acts = vec![golden("act-pour-opened")];
        if pour.is_none() {
            acts.push(golden("act-heat-on"));
        }
        ready(Ok(acts)).boxed()
    }

    fn record(&self, _pour: Option<String>) -> Answer<'_, Vec<RecordEntry>> {
        ready(Ok(golden("record"))).boxed()
    }

    fn would(&self, _act: Act) -> Answer<'_, ActAnswer> {
        ready(Ok(golden("answer-act-dry-run"))).boxed()
    }

    fn act(&self, act: Act) -> Answer<'_, ActAnswer> {
        async move {
            if matches!(act.body, ActBody::ReleaseSigned(_)) {
                return Err(golden("problem"));
            }
            self.arrived.notify_one();
            let _passed = self.gate.read().await;
            self.acts.lock().expect("not poisoned").push(act);
            self.recorded.notify_one();
            Ok(golden("answer-act"))
        }
        .boxed()
    }

    fn backfill(&self, _backfill: Backfill) -> Answer<'_, BackfillAnswer> {
        ready(Ok(golden("answer-backfill"))).boxed()
    }

    fn alarms(&self) -> Answer<'_, AlarmsAnswer> {
        ready(Ok(golden("alarms"))).boxed()
    }

    fn alarm_history(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, AlarmHistory> {
        let mut history: AlarmHistory = golden("alarm-history");
        history.from_at = from.unwrap_or(history.from_at);
        history.to_at = to.unwrap_or(history.to_at);
        ready(Ok(history)).boxed()
    }

    fn plan(&self) -> Answer<'_, PlanAnswer> {
        ready(Ok(golden("plan"))).boxed()
    }

    fn channels(&self, since: Option<DateTime<Utc>>) -> Answer<'_, ChannelsAnswer> {
        let mut answer: ChannelsAnswer = golden("channels");
        answer.since_at = since.unwrap_or(answer.since_at);
        ready(Ok(answer)).boxed()
    }

    fn mixes(&self) -> Answer<'_, MixesAnswer> {
        ready(Ok(golden("mixes"))).boxed()
    }

    fn mix_breaks(&self, mix: String, from: Option<DateTime<Utc>>) -> Answer<'_, BreaksAnswer> {
        let mut answer: BreaksAnswer = golden("breaks");
        answer.mix = mix;
        answer
            .breaks
            .retain(|one| from.is_none_or(|from| one.tested_at >= from));
        ready(Ok(answer)).boxed()
    }

    fn shift_log(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, ShiftLog> {
        let mut log: ShiftLog = golden("shift-log");
        log.from_at = from.unwrap_or(log.from_at);
        log.to_at = to.unwrap_or(log.to_at);
        ready(Ok(log)).boxed()
    }

    fn state_lines(&self, at: Option<DateTime<Utc>>) -> Answer<'_, String> {
        let at = at.map_or_else(
            || "now".to_owned(),
            |at| at.to_rfc3339_opts(SecondsFormat::Millis, true),
        );
        ready(Ok(format!("at {at}\n"))).boxed()
    }

    fn readings_csv(&self) -> Answer<'_, TextPieces> {
        let pieces = ["received_at,measured_at,channel,value\n", "1,2,3,4\n"];
        ready(Ok(
            stream::iter(pieces.map(|piece| Ok(piece.to_owned()))).boxed()
        ))
        .boxed()
    }

    fn acts_jsonl(&self) -> Answer<'_, TextPieces> {
        ready(Ok(one_piece("{}\n".to_owned()))).boxed()
    }

    fn subscribe(&self) -> broadcast::Receiver<Arc<PlantEvent>> {
        self.events.subscribe()
    }

    fn heartbeat(&self) -> PlantEvent {
        let sequence = *self.sequence.lock().expect("not poisoned");
        PlantEvent {
            sequence,
            ..golden("event-heartbeat")
        }
    }
}
