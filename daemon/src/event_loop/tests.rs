//! The loop with sources made of messages, and its batches by themselves.

use chrono::{DateTime, Utc};
use daemon_sources::{Content, Delivery, Item, Refusal, RefusalKind, SourceReading, Via};
use daemon_store::{OpenOptions, Writer};

use daemon_api::ProblemKind;

use super::*;
use crate::clock::PlantClock;
use crate::config::PlantFile;

const WAIT_MAX: Duration = Duration::from_secs(20);

fn plant_file() -> PlantFile {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("example/plant.toml");
    PlantFile::load(&path, &[]).expect("the example's plant file")
}

fn reading(channel: &str, at: DateTime<Utc>, temperature_c: f64) -> Item {
    Item::Reading(SourceReading {
        channel: channel.to_owned(),
        measured_at: Some(at),
        content: Content::TemperatureC(temperature_c),
        via: Via::Serial,
    })
}

fn delivery(items: Vec<Item>) -> Delivery {
    Delivery {
        source: "bed 1".to_owned(),
        received_at: Utc::now(),
        items,
        ack: None,
    }
}

/// A loop that turns on a data directory, and the ends to talk to it.
struct Turning {
    live: Arc<Live>,
    sources: mpsc::UnboundedSender<SourceEvent>,
    requests: mpsc::UnboundedSender<Request>,
    stop: CancellationToken,
    task: tokio::task::JoinHandle<Result<StoreHandle, LoopError>>,
}

impl Turning {
    async fn start(dir: &std::path::Path) -> Self {
        let writer = Writer::open(dir, OpenOptions::default()).expect("a data directory");
        let store = StoreHandle::spawn(writer).expect("a writer");
        let live = Arc::new(Live::new(&plant_file(), dir.to_owned(), PlantClock::wall()));
        let (sources, sources_in) = mpsc::unbounded_channel();
        let (requests, requests_in) = mpsc::unbounded_channel();
        let stop = CancellationToken::new();
        let inputs = Inputs {
            sources: sources_in,
            requests: requests_in,
            stop: stop.clone(),
            notify: crate::notify::NotifySettings::default(),
            curves: CurveWatch::new(plant_file().curves_watched, Duration::from_secs(60)),
        };
        let mut book = SourceBook::default();
        book.add("bed 1", "serial");
        let mut event_loop =
            EventLoop::resume(Arc::clone(&live), store, book, inputs).expect("it resumes");
        event_loop.look().await;
        let task = tokio::spawn(event_loop.run());
        Self {
            live,
            sources,
            requests,
            stop,
            task,
        }
    }

    async fn stop(self) {
        self.stop.cancel();
        let store = self
            .task
            .await
            .expect("the loop ends")
            .expect("without an error");
        store.finish().expect("everything is written");
    }

    /// Waits until what is published fulfils a condition; says what was published if it never does.
    async fn published(&self, what: &str, is_so: impl Fn(&crate::live::Published) -> bool) {
        let mut events = self.live.subscribe();
        let end = Instant::now() + WAIT_MAX;
        while !is_so(&self.live.published()) {
            let event = tokio::time::timeout_at(end, events.recv()).await;
            assert!(event.is_ok(), "never {what}: {:?}", *self.live.published());
        }
    }

    async fn act(&self, act: Act) -> Result<ActAnswer, Problem> {
        let (answer, answered) = oneshot::channel();
        let request = Request::Act {
            act: Box::new(act),
            answer,
        };
        self.requests.send(request).expect("the loop listens");
        answered.await.expect("the loop answers")
    }
}

fn act(number: u128, body: &str) -> Act {
    let now = Utc::now().to_rfc3339();
    let id = uuid::Uuid::from_u128(number);
    let json =
        format!(r#"{{"id":"{id}","happened_at":"{now}","by":"Q. Example","pour":"P-1",{body}}}"#);
    serde_json::from_str(&json).expect("an act")
}

const OPENED: &str = r#""act":"pour-opened","bed":"B1","mix":"M45","from_station_m":0.0,
    "to_station_m":90.0,"required":[{"act":"release","strength_mpa":24.0}],
    "positions":[{"id":"S","station_m":20.0}],
    "channels":[{"channel":"L1-01","role":"concrete","position":"S"}]"#;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_and_refusals_are_kept_counted_and_there_after_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let at = Utc::now();
    let refusal = Refusal::new(RefusalKind::Garbled, "It is no line.", b"\x00?");
    let items = vec![
        reading("L1-01", at, 21.5),
        reading("X-9", at, 5.0),
        Item::Refused(refusal),
    ];
    turning
        .sources
        .send(SourceEvent::Delivery(delivery(items)))
        .expect("the loop listens");
    turning
        .published("both readings", |published| {
            published.sources[0].reading_count == 2
        })
        .await;
    let kinds = |published: &crate::live::Published| -> Vec<String> {
        published.sources[0]
            .refusals
            .iter()
            .map(|one| one.kind.clone())
            .collect()
    };
    assert_eq!(
        kinds(&turning.live.published()),
        ["unknown-channel", "garbled"]
    );
    turning.stop().await;

    let again = Turning::start(folder.path()).await;
    assert_eq!(
        kinds(&again.live.published()),
        ["garbled", "unknown-channel"]
    );
    let reader = Reader::open(folder.path()).expect("a reader");
    assert_eq!(reader.channels().expect("channels"), ["L1-01", "X-9"]);
    again.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_source_that_goes_down_is_a_trouble_until_it_is_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let (source, at) = ("bed 1".to_owned(), Utc::now());
    let reason = "unplugged".to_owned();
    let down = SourceEvent::Down {
        source: source.clone(),
        at,
        reason,
    };
    turning.sources.send(down).expect("the loop listens");
    let is_down = |published: &crate::live::Published| {
        published
            .troubles
            .iter()
            .any(|trouble| trouble.id == "source-down/bed 1")
    };
    turning.published("the trouble", is_down).await;
    turning
        .sources
        .send(SourceEvent::Up { source, at })
        .expect("the loop listens");
    turning
        .published("the end of the trouble", |published| !is_down(published))
        .await;
    turning.stop().await;
    let reader = Reader::open(folder.path()).expect("a reader");
    let said: Vec<String> = reader
        .statements_since(0)
        .expect("statements")
        .into_iter()
        .filter(|statement| statement.subject == "source-down/bed 1")
        .map(|statement| {
            let event: daemon_api::alarm::AlarmEventView =
                serde_json::from_str(&statement.body).expect("an alarm");
            event.event
        })
        .collect();
    assert_eq!(said, ["raised", "cleared"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_same_act_five_times_is_one_act_and_its_id_serves_no_other() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let opened = act(1, OPENED);
    let first = turning.act(opened.clone()).await.expect("it is recorded");
    assert!(!first.already_known);
    for _ in 0..4 {
        let again = turning.act(opened.clone()).await.expect("it is known");
        assert!(again.already_known);
        assert_eq!(
            (again.sequence, again.recorded_at),
            (first.sequence, first.recorded_at)
        );
        assert_eq!(again.cautions, first.cautions);
    }
    let mut other = opened.clone();
    other.by = "N. Shift".to_owned();
    let refused = turning.act(other).await.expect_err("the id is taken");
    assert_eq!(refused.kind, ProblemKind::IdReused);
    turning.stop().await;

    let again = Turning::start(folder.path()).await;
    let known = again
        .act(opened)
        .await
        .expect("it is known after a restart too");
    assert_eq!(known.sequence, first.sequence);
    assert_eq!(again.live.acts().in_order().len(), 1);
    again.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_acts_that_race_each_sees_the_one_before_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    turning.act(act(1, OPENED)).await.expect("it is recorded");
    let abandoned = |number| {
        let mut act = act(number, r#""act":"abandoned""#);
        act.why = Some("The concrete was refused.".to_owned());
        act
    };
    let (one, other) = tokio::join!(turning.act(abandoned(2)), turning.act(abandoned(3)));
    let refused: Vec<&Problem> = [&one, &other]
        .into_iter()
        .filter_map(|r| r.as_ref().err())
        .collect();
    assert_eq!(refused.len(), 1, "{one:?} {other:?}");
    assert_eq!(refused[0].kind, ProblemKind::WrongState);
    turning.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_from_before_a_pour_was_opened_count_once_it_binds_their_channel() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let at = Utc::now();
    let items = vec![reading("L1-01", at, 21.5)];
    turning
        .sources
        .send(SourceEvent::Delivery(delivery(items)))
        .expect("the loop listens");
    turning
        .published("the reading", |published| {
            published.sources[0].reading_count == 1
        })
        .await;
    let mut opened = act(1, OPENED);
    if let daemon_api::ActBody::PourOpened(facts) = &mut opened.body {
        facts.first_placement_at = Some(at - chrono::TimeDelta::hours(2));
    }
    turning.act(opened).await.expect("it is recorded");
    turning
        .published("the temperature", |published| {
            published.beds[0].pours.iter().any(|pour| {
                pour.positions[0]
                    .temperature_c
                    .is_some_and(|value| (value - 21.5).abs() < 1e-9)
            })
        })
        .await;
    turning.stop().await;
}

#[test]
fn a_batch_that_failed_is_tried_again_as_it_was_and_later_readings_wait_behind_it() {
    let mut intake = Intake::default();
    let mut book = SourceBook::default();
    let known = |_: &str| true;
    intake.take(
        delivery(vec![reading("a", Utc::now(), 1.0)]),
        &mut book,
        &known,
    );
    let mut now = Instant::now() + intake::BATCH_WAIT;
    let first = intake.next_batch(now, &mut book).expect("a batch is due");
    intake.take(
        delivery(vec![reading("b", Utc::now(), 2.0)]),
        &mut book,
        &known,
    );
    assert!(
        intake.next_batch(now + WAIT_MAX, &mut book).is_none(),
        "one batch at a time"
    );
    for _ in 0..6 {
        intake.failed(now);
        assert!(
            intake.next_batch(now, &mut book).is_none(),
            "it waits before the next try"
        );
        now += WAIT_MAX;
        let again = intake
            .next_batch(now, &mut book)
            .expect("it is tried again");
        assert!(Arc::ptr_eq(&first, &again));
    }
    let written = intake.committed().expect("it was committing");
    assert_eq!(written.readings.len(), 1);
    let next = intake
        .next_batch(now, &mut book)
        .expect("what waited comes next");
    assert_eq!(&*next.readings[0].channel, "b");
    assert!(intake.committed().is_some() && intake.is_empty());
}

#[test]
fn what_memory_cannot_hold_is_counted_as_lost_and_said_in_the_record() {
    let mut intake = Intake::default();
    let mut book = SourceBook::default();
    let known = |_: &str| true;
    let at = Utc::now();
    let many: Vec<Item> = (0..WAITING_READING_COUNT_MAX)
        .map(|_| reading("a", at, 1.0))
        .collect();
    intake.take(delivery(many), &mut book, &known);
    intake.take(
        delivery(vec![reading("a", at, 2.0), reading("a", at, 3.0)]),
        &mut book,
        &known,
    );
    assert_eq!(intake.waiting_reading_count(), WAITING_READING_COUNT_MAX);
    let batch = intake.begin(Instant::now(), &mut book).expect("a batch");
    let lost: Vec<&str> = batch.refusals.iter().map(|row| row.kind.as_str()).collect();
    assert_eq!(lost, ["lost"]);
    assert!(batch.refusals[0].detail.starts_with("2 readings were lost"));
}

/// What happened to an alarm by the record.
fn alarm_events(folder: &std::path::Path, id: &str) -> Vec<String> {
    let reader = Reader::open(folder).expect("a reader");
    let said = reader.statements_since(0).expect("statements");
    let of_alarm = said.into_iter().filter(|statement| statement.subject == id);
    let event = |statement: daemon_store::StoredStatement| {
        serde_json::from_str::<daemon_api::alarm::AlarmEventView>(&statement.body)
            .expect("an alarm")
            .event
    };
    of_alarm.map(event).collect()
}

fn goes_down(turning: &Turning) {
    let down = SourceEvent::Down {
        source: "bed 1".to_owned(),
        at: Utc::now(),
        reason: "unplugged".to_owned(),
    };
    turning.sources.send(down).expect("the loop listens");
}

const DOWN: &str = "source-down/bed 1";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_is_seen_by_an_act_and_the_record_says_by_whom() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let said = |number, alarm: &str| {
        let mut act = act(number, &format!(r#""act":"alarm-seen","alarm":"{alarm}""#));
        act.pour = String::new();
        act
    };
    let unknown = turning.act(said(1, DOWN)).await.expect_err("it never rang");
    assert_eq!(unknown.code, "unknown-alarm");
    goes_down(&turning);
    let word_of = |published: &crate::live::Published| {
        let alarm = published
            .troubles
            .iter()
            .find(|trouble| trouble.id == DOWN)?;
        alarm.alarm.as_ref().map(|life| life.word.clone())
    };
    turning
        .published("the alarm", |published| {
            word_of(published).as_deref() == Some("new")
        })
        .await;
    turning.act(said(2, DOWN)).await.expect("it is recorded");
    turning
        .published("that it was seen", |published| {
            word_of(published).as_deref() == Some("seen")
        })
        .await;
    turning.stop().await;
    assert_eq!(alarm_events(folder.path(), DOWN), ["raised", "seen"]);
    // The new start knows of no outage yet: the alarm is over, and somebody has seen it.
    let again = Turning::start(folder.path()).await;
    assert!(again.live.published().cleared.is_empty());
    again.stop().await;
    let events = alarm_events(folder.path(), DOWN);
    assert_eq!(events, ["raised", "seen", "cleared", "closed"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_that_nobody_has_seen_is_still_in_sight_after_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    goes_down(&turning);
    turning
        .published("the alarm", |published| {
            published.troubles.iter().any(|trouble| trouble.id == DOWN)
        })
        .await;
    turning.stop().await;
    let again = Turning::start(folder.path()).await;
    let cleared = again.live.published().cleared.clone();
    assert_eq!(cleared.len(), 1, "{cleared:?}");
    assert_eq!(cleared[0].id, DOWN);
    again.stop().await;
}

/// An act that happened so many hours ago.
fn act_ago(number: u128, hours: i64, body: &str) -> Act {
    let mut act = act(number, body);
    act.happened_at -= chrono::TimeDelta::hours(hours);
    act
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_odd_must_be_accepted_by_name_and_can_be_struck_before_and_after_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    let mut opened = act(1, OPENED);
    let daemon_api::ActBody::PourOpened(facts) = &mut opened.body else {
        panic!("an opening");
    };
    facts.first_placement_at = Some(Utc::now() - chrono::TimeDelta::hours(2));
    turning.act(opened).await.expect("the pour opens");
    let mut early = act_ago(2, 5, r#""act":"heat-on""#);
    let refused = turning.act(early.clone()).await.expect_err("it is odd");
    assert_eq!(refused.code, "odd-not-accepted");
    assert_eq!(refused.odd[0].name, "before-first-concrete");
    assert!(
        refused
            .detail
            .contains("accept it as before-first-concrete")
    );
    assert_eq!(
        turning.live.acts().in_order().len(),
        1,
        "nothing was recorded"
    );

    early.accept = vec!["before-first-concrete".to_owned()];
    let taken = turning.act(early.clone()).await.expect("it is accepted");
    assert_eq!(taken.odd.len(), 1);
    let strike = format!(
        r#""why":"typed wrong","act":"act-struck","struck":"{}""#,
        early.id
    );
    turning.act(act(3, &strike)).await.expect("it is struck");
    let heat = |live: &Live| live.plant().pours()["P-1"].heat.len();
    assert_eq!(heat(&turning.live), 0);
    let again = turning
        .act(act(4, &strike))
        .await
        .expect_err("struck already");
    assert_eq!(again.code, "already-struck");
    turning.stop().await;

    let again = Turning::start(folder.path()).await;
    assert_eq!(heat(&again.live), 0);
    let said = record_of(&again.live);
    let struck = said[1]
        .struck
        .as_ref()
        .expect("it stays in the record, struck");
    assert_eq!((&*struck.by, &*struck.why), ("Q. Example", "typed wrong"));
    assert!(
        said[2].text.starts_with("struck act 2 (heat on)"),
        "{}",
        said[2].text
    );
    again.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dry_run_records_nothing_and_tells_what_is_odd() {
    let folder = tempfile::tempdir().expect("a folder");
    let turning = Turning::start(folder.path()).await;
    turning.act(act(1, OPENED)).await.expect("the pour opens");
    let (requests, _unheard) = tokio::sync::mpsc::unbounded_channel();
    let door = crate::door::LiveDoor::new(Arc::clone(&turning.live), requests);
    let strike = r#""why":"opened twice","act":"act-struck","struck":"00000000-0000-0000-0000-000000000001""#;
    let answer = daemon_http::Door::would(&door, act(2, strike)).await;
    let answer = answer.expect("it may be struck");
    assert!(answer.dry_run);
    assert_eq!(answer.odd[0].name, "strikes-an-opening");
    let effect = answer.effect.expect("it says what would change");
    assert!(effect.pours[0].before.is_some() && effect.pours[0].after.is_none());
    assert_eq!(turning.live.acts().in_order().len(), 1);
    assert_eq!(turning.live.plant().pours().len(), 1);
    turning.stop().await;
}

fn record_of(live: &Live) -> Vec<daemon_api::effect::RecordEntry> {
    let acts = live.acts();
    let said = crate::act_text::Said::of(acts.in_order(), units::UnitSystem::Si, live.zone());
    acts.in_order().iter().map(|act| said.entry(act)).collect()
}
