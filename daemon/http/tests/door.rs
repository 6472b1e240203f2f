//! The HTTP door as its clients meet it: a real socket, the contract's client, a small door behind.

mod fake;

use std::future::Future;
use std::time::Duration;

use daemon_api::client::{Client, ClientError};
use daemon_api::event::{PlantChange, PlantEvent};
use daemon_api::reading::Backfill;
use daemon_api::{Act, Problem, ProblemKind};
use daemon_http::{BODY_BYTES_MAX, HEARTBEAT_PERIOD};
use fake::{Running, golden, start};
use serde_json::json;

/// Generous, so that only a true hang meets it.
const PATIENCE: Duration = Duration::from_secs(60);

async fn soon<T>(what: &str, future: impl Future<Output = T>) -> T {
    tokio::time::timeout(PATIENCE, future)
        .await
        .unwrap_or_else(|_| panic!("{what}: not within {PATIENCE:?}"))
}

fn problem(result: Result<impl std::fmt::Debug, ClientError>) -> Problem {
    match result {
        Err(ClientError::Problem(problem)) => problem,
        other => panic!("expected a problem, got {other:?}"),
    }
}

async fn post(running: &Running, route: &str, media: &str, body: Vec<u8>) -> (u16, Problem) {
    let response = reqwest::Client::new()
        .post(format!("{}{route}", running.base))
        .header("content-type", media)
        .body(body)
        .send()
        .await
        .expect("an answer");
    refused(response).await
}

async fn refused(response: reqwest::Response) -> (u16, Problem) {
    let status = response.status().as_u16();
    assert_eq!(
        response.headers()["content-type"],
        "application/problem+json"
    );
    let problem: Problem = response.json().await.expect("a problem");
    assert_eq!(problem.status, status);
    (status, problem)
}

#[tokio::test]
async fn every_answer_reaches_the_client_whole() {
    let running = start().await;
    let client = &running.client;
    assert_eq!(
        client.snapshot().await.expect("snapshot"),
        golden("snapshot")
    );
    assert_eq!(client.bed("N4").await.expect("bed"), golden("bed"));
    assert_eq!(client.pour("N4-0301").await.expect("pour"), golden("pour"));
    assert_eq!(
        client.series("N4-0301", 77).await.expect("series"),
        golden("series")
    );
    assert_eq!(client.acts(None).await.expect("acts").len(), 2);
    assert_eq!(client.acts(Some("N4-0301")).await.expect("acts").len(), 1);
    let backfill: Backfill = golden("backfill");
    assert_eq!(
        client.backfill(&backfill).await.expect("back-fill"),
        golden("answer-backfill")
    );
    assert_eq!(client.state_lines(None).await.expect("lines"), "at now\n");
    let at = "2026-03-02T02:00:00.250Z".parse().expect("a time");
    assert_eq!(
        client.state_lines(Some(at)).await.expect("lines"),
        "at 2026-03-02T02:00:00.250Z\n"
    );
    let csv = client
        .text(daemon_api::routes::READINGS_CSV)
        .await
        .expect("csv");
    assert_eq!(csv, "received_at,measured_at,channel,value\n1,2,3,4\n");
    assert_eq!(
        client
            .text(daemon_api::routes::ACTS_JSONL)
            .await
            .expect("jsonl"),
        "{}\n"
    );
    assert_eq!(running.door.seen_points(), Some(77));
}

#[tokio::test]
async fn an_act_reaches_the_door_without_the_time_of_another_record() {
    let running = start().await;
    let mut act: Act = golden("act-break-recorded");
    assert!(act.recorded_at.is_some(), "the golden act carries a time");
    assert_eq!(
        running.client.act(&act).await.expect("an answer"),
        golden("answer-act")
    );
    act.recorded_at = None;
    assert_eq!(running.door.seen_acts(), [act]);
}

#[tokio::test]
async fn a_problem_of_the_door_is_the_clients_problem_with_its_sentence() {
    let running = start().await;
    let unknown = problem(running.client.pour("N9/x y").await);
    assert_eq!(unknown.kind, ProblemKind::NotFound);
    assert!(unknown.detail.contains("`N9/x y`"), "{}", unknown.detail);
    let held = problem(running.client.act(&golden("act-release-signed")).await);
    assert_eq!(held, golden("problem"));
    assert_eq!(ClientError::Problem(held.clone()).to_string(), held.detail);
}

#[tokio::test]
async fn a_bed_named_like_a_path_stays_one_segment() {
    let running = start().await;
    assert_eq!(
        problem(running.client.bed("../N4?").await).code,
        "no-such-bed"
    );
}

#[tokio::test]
async fn bad_bodies_are_refused_before_the_door_with_what_to_do() {
    let running = start().await;
    let json_type = "application/json; charset=utf-8";
    let acts = daemon_api::routes::ACTS;
    let (status, not_json) = post(&running, acts, json_type, b"{\n\"by\" 3}".to_vec()).await;
    assert_eq!((status, not_json.code.as_str()), (400, "not-json"));
    assert!(
        not_json.detail.contains("line 2 column 6"),
        "{}",
        not_json.detail
    );

    let (status, form) = post(&running, acts, "text/plain", b"{}".to_vec()).await;
    assert_eq!((status, form.code.as_str()), (415, "not-declared-json"));

    let mut act = golden::<serde_json::Value>("act-heat-on");
    act["version"] = json!(2);
    let (status, newer) = post(&running, acts, json_type, act.to_string().into_bytes()).await;
    assert_eq!((status, newer.code.as_str()), (422, "unknown-act-version"));
    assert_eq!(running.door.seen_acts(), []);
}

#[tokio::test]
async fn a_body_that_is_too_long_is_refused_so_that_the_sender_can_read_why() {
    let running = start().await;
    let mut backfill: Backfill = golden("backfill");
    backfill.origin = "x".repeat(BODY_BYTES_MAX);
    let too_long = problem(running.client.backfill(&backfill).await);
    assert_eq!(
        (too_long.status, too_long.code.as_str()),
        (413, "body-too-large")
    );
    assert!(too_long.detail.contains("16 MiB"), "{}", too_long.detail);
}

#[tokio::test]
async fn bad_addresses_are_refused_as_problems() {
    let running = start().await;
    for (path, status, code) in [
        ("/", 404, "no-such-route"),
        ("/v2/plant", 404, "no-such-route"),
        ("/v1/readings", 405, "no-such-method"),
        ("/v1/plant?bed=N4", 400, "unknown-query-key"),
        ("/v1/acts?pour=a&pour=b", 400, "repeated-query-key"),
        (
            "/v1/pours/N4-0301/series?points=1",
            422,
            "points-out-of-range",
        ),
        (
            "/v1/pours/N4-0301/series?points=many",
            422,
            "points-out-of-range",
        ),
        ("/v1/pours/%FF", 400, "bad-path"),
        ("/v1/state-lines?at=yesterday", 400, "bad-time"),
    ] {
        let response = reqwest::get(format!("{}{path}", running.base))
            .await
            .expect(path);
        let (got, problem) = refused(response).await;
        assert_eq!((got, problem.code.as_str()), (status, code), "{path}");
    }
}

#[tokio::test]
async fn a_request_for_another_host_is_refused() {
    let running = start().await;
    let request = reqwest::Client::new()
        .get(format!("{}/v1/plant", running.base))
        .header("host", "plant.example");
    let (status, problem) = refused(request.send().await.expect("an answer")).await;
    assert_eq!((status, problem.code.as_str()), (421, "foreign-host"));
}

#[tokio::test]
async fn the_stream_begins_with_a_heartbeat_and_then_carries_every_event() {
    let running = start().await;
    let mut events = running.client.events().await.expect("a stream");
    let first = soon("the first heartbeat", events.next())
        .await
        .expect("an event");
    assert_eq!(
        (first.change, first.sequence),
        (PlantChange::Heartbeat {}, 4711)
    );
    let bed: PlantEvent = golden("event-bed");
    let plant: PlantEvent = golden("event-plant");
    running.door.publish(&bed);
    running.door.publish(&plant);
    let mut got = Vec::new();
    while got.len() < 2 {
        let event = soon("the events", events.next()).await.expect("an event");
        if event.change != (PlantChange::Heartbeat {}) {
            got.push(event);
        }
    }
    assert_eq!(got, [bed, plant]);
}

#[tokio::test]
async fn the_stream_names_and_numbers_its_events() {
    let running = start().await;
    let url = format!("{}{}", running.base, daemon_api::routes::EVENTS);
    let mut response = reqwest::get(url).await.expect("a stream");
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    let mut text = String::new();
    while !text.contains("\n\n") {
        let chunk = soon("the first event", response.chunk())
            .await
            .expect("bytes")
            .expect("not ended");
        text.push_str(&String::from_utf8_lossy(&chunk));
    }
    assert!(
        text.starts_with("id: 4711\nevent: heartbeat\ndata: {"),
        "{text}"
    );
}

#[tokio::test]
async fn a_client_that_fell_behind_is_told_to_fetch_the_snapshot() {
    let running = start().await;
    let mut events = running.client.events().await.expect("a stream");
    soon("the first heartbeat", events.next())
        .await
        .expect("an event");
    // One thread runs everything here, so all of these are sent before the stream is looked at.
    let mut event: PlantEvent = golden("event-plant");
    for _ in 0..fake::EVENTS_KEPT + 1 {
        running.door.publish(&event);
        event.sequence += 1;
    }
    let next = soon("the resync", events.next()).await.expect("an event");
    assert_eq!(next.change, PlantChange::Resync {});
    assert_eq!(next.sequence, event.sequence - 1);
}

#[tokio::test]
async fn a_stop_ends_the_stream_of_a_connected_client_and_then_the_server() {
    let running = start().await;
    let mut events = running.client.events().await.expect("a stream");
    soon("the first heartbeat", events.next())
        .await
        .expect("an event");
    running.stop.cancel();
    let end = loop {
        if let Err(error) = soon("the end of the stream", events.next()).await {
            break error;
        }
    };
    assert!(matches!(end, ClientError::Ended), "{end}");
    soon("the end of the server", running.serving)
        .await
        .expect("the task did not panic")
        .expect("the server ended well");
    let gone = Client::new(&running.base)
        .expect("loopback")
        .snapshot()
        .await;
    assert!(
        matches!(gone, Err(ClientError::Unreachable { .. })),
        "{gone:?}"
    );
}

#[tokio::test]
async fn an_act_is_recorded_to_its_end_although_the_client_hangs_up() {
    let running = start().await;
    let act: Act = golden("act-heat-on");
    let gate = running.door.hold_acts();
    let client = running.client.clone();
    let sent = act.clone();
    let sending = tokio::spawn(async move { client.act(&sent).await });
    soon("the act at the door", running.door.act_has_arrived()).await;
    sending.abort();
    assert!(sending.await.expect_err("it was aborted").is_cancelled());
    // A whole exchange on another connection gives the server occasion to notice the hang-up.
    running.client.snapshot().await.expect("an answer");
    drop(gate);
    soon("the act's end", running.door.act_is_recorded()).await;
    assert_eq!(running.door.seen_acts(), [act]);
}

#[tokio::test]
async fn heartbeats_come_at_their_period_and_raise_no_number() {
    let running = start().await;
    let mut events = running.client.events().await.expect("a stream");
    let first = soon("the first heartbeat", events.next())
        .await
        .expect("an event");
    // From here on time moves only when everyone waits; timers round up to a millisecond.
    let longest = HEARTBEAT_PERIOD + Duration::from_millis(10);
    tokio::time::pause();
    for _ in 0..3 {
        let before = tokio::time::Instant::now();
        let next = events
            .next()
            .await
            .expect("a heartbeat before the client gives up");
        assert_eq!(next, first);
        assert!(before.elapsed() <= longest, "{:?}", before.elapsed());
    }
}

#[tokio::test]
async fn the_watch_answers_for_the_window_that_was_asked() {
    let running = start().await;
    let client = &running.client;
    let time = |text: &str| {
        text.parse::<chrono::DateTime<chrono::Utc>>()
            .expect("a time")
    };
    let (from, to) = (time("2026-03-02T01:00:00Z"), time("2026-03-02T05:00:00Z"));
    let history = client
        .alarm_history((Some(from), Some(to)))
        .await
        .expect("a history");
    assert_eq!((history.from_at, history.to_at), (from, to));
    let log = client.shift_log((Some(from), None)).await.expect("a log");
    assert_eq!(log.from_at, from);
    assert_eq!(client.alarms().await.expect("alarms"), golden("alarms"));
    assert_eq!(client.mixes().await.expect("mixes"), golden("mixes"));
    let since_at = "2026-03-02T09:55:00Z".parse().expect("an instant");
    let channels = client.channels(Some(since_at)).await.expect("channels");
    assert_eq!((channels.since_at, channels.channels.len()), (since_at, 2));
    let breaks = client.mix_breaks("M45", None).await.expect("breaks");
    assert_eq!(breaks, golden("breaks"));
    let later = client.mix_breaks("M45", Some(breaks.now)).await;
    assert!(later.expect("an answer").breaks.is_empty());
    assert_eq!(client.plan().await.expect("a plan"), golden("plan"));
    let error = client
        .text("/v1/shift-log?from=dawn")
        .await
        .expect_err("no time");
    assert!(
        error.to_string().contains("`from=dawn` is not a time"),
        "{error}"
    );
}
