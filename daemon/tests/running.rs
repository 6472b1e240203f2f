//! A daemon on a port of its own, over HTTP: a night fed in, a restart, and replay say the same.

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon::clock::{ClockOptions, PlantClock};
use daemon::config::PlantFile;
use daemon::replay::{Asked, ReplayOptions, replay};
use daemon::run::{Parts, run};
use daemon_api::Act;
use daemon_api::client::Client;
use daemon_api::reading::{Backfill, BackfillReading};
use daemon_api::routes;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("example")
        .join(name)
}

fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("a time")
}

/// A daemon whose clock stands in the night of the example.
struct Running {
    client: Client,
    stop: CancellationToken,
    task: tokio::task::JoinHandle<anyhow::Result<()>>,
}

impl Running {
    async fn start(data_dir: &Path, clock_start: DateTime<Utc>) -> Self {
        let plant = PlantFile::load(&example("plant.toml"), &[]).expect("the plant file");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("its address");
        let options = ClockOptions {
            clock_start: Some(clock_start),
            ..ClockOptions::default()
        };
        let clock = PlantClock::new(&options, Utc::now());
        let stop = CancellationToken::new();
        let parts = Parts {
            plant,
            data_dir: data_dir.to_owned(),
            listener,
            clock,
        };
        let task = tokio::spawn(run(parts, stop.clone()));
        let client = Client::new(&format!("http://{address}")).expect("a client");
        Self { client, stop, task }
    }

    async fn stop(self) {
        self.stop.cancel();
        let ended = tokio::time::timeout(Duration::from_secs(30), self.task).await;
        ended
            .expect("it stops in time")
            .expect("no panic")
            .expect("no error");
    }
}

fn clocked_readings() -> Vec<BackfillReading> {
    let text = std::fs::read_to_string(example("readings.csv")).expect("the readings");
    let rows = text.lines().skip(1).filter_map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        let measured_at = fields[1].parse().ok()?;
        let temperature_c = fields[3].parse().ok()?;
        Some(BackfillReading {
            channel: fields[2].to_owned(),
            measured_at,
            temperature_c,
        })
    });
    rows.collect()
}

fn acts() -> Vec<Act> {
    let text = std::fs::read_to_string(example("pours.jsonl")).expect("the acts");
    let acts = text.lines().map(|line| {
        let mut act: Act = serde_json::from_str(line).expect("an act");
        act.recorded_at = None;
        act
    });
    acts.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn live_after_a_restart_and_in_replay_the_same_records_mean_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let data_dir = folder.path().join("data");
    let night = time("2026-01-21T10:48:00Z");
    let running = Running::start(&data_dir, night).await;
    let backfill = Backfill {
        by: "Q. Example".to_owned(),
        origin: "readings.csv".to_owned(),
        readings: clocked_readings(),
    };
    let answer = running.client.backfill(&backfill).await.expect("kept");
    assert_eq!(answer.new_count as usize, backfill.readings.len());
    assert!(
        answer.unknown_channels.is_empty(),
        "{:?}",
        answer.unknown_channels
    );
    let again = running.client.backfill(&backfill).await.expect("known");
    assert_eq!((again.new_count, again.known_count), (0, answer.new_count));
    for act in acts().iter().filter(|act| act.happened_at <= night) {
        let answer = running.client.act(act).await;
        assert!(answer.is_ok(), "{act:?}: {answer:?}");
    }
    let at = night + TimeDelta::minutes(30);
    let live = running.client.state_lines(Some(at)).await.expect("lines");
    assert_eq!(live.lines().count(), 2, "{live}");
    let pour = running.client.pour("P-101").await.expect("the pour");
    assert_eq!(pour.positions.len(), 3);
    let series = running
        .client
        .series("P-101", 50)
        .await
        .expect("its series");
    assert!(
        series.series.iter().all(|one| !one.runs.is_empty()),
        "{series:?}"
    );
    let (csv, jsonl) = (
        folder.path().join("readings.csv"),
        folder.path().join("pours.jsonl"),
    );
    let text = running
        .client
        .text(routes::READINGS_CSV)
        .await
        .expect("the readings");
    std::fs::write(&csv, text).expect("written");
    let text = running
        .client
        .text(routes::ACTS_JSONL)
        .await
        .expect("the acts");
    std::fs::write(&jsonl, text).expect("written");
    running.stop().await;

    let resumed = Running::start(&data_dir, night + TimeDelta::minutes(20)).await;
    assert_eq!(
        resumed.client.state_lines(Some(at)).await.expect("lines"),
        live
    );
    let missing = resumed
        .client
        .pour("P-103")
        .await
        .expect_err("no such pour");
    assert!(missing.to_string().contains("P-10"), "{missing}");
    resumed.stop().await;

    let options = ReplayOptions {
        plant: example("plant.toml"),
        curves: Vec::new(),
        pours: jsonl,
        readings: vec![csv],
        asked: Asked {
            at: vec![at],
            ..Asked::default()
        },
    };
    let mut out = Vec::new();
    replay(&options, &mut out).expect("the exports can be replayed");
    assert_eq!(String::from_utf8(out).expect("text"), live);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_data_directory_of_a_simulated_clock_is_refused_on_the_wall_clock() {
    let folder = tempfile::tempdir().expect("a folder");
    Running::start(folder.path(), time("2026-01-21T00:00:00Z"))
        .await
        .stop()
        .await;
    let plant = PlantFile::load(&example("plant.toml"), &[]).expect("the plant file");
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let data_dir = folder.path().to_owned();
    let parts = Parts {
        plant,
        data_dir,
        listener,
        clock: PlantClock::wall(),
    };
    let refused = run(parts, CancellationToken::new())
        .await
        .expect_err("a mixed record");
    assert!(
        refused.to_string().contains("simulated clock"),
        "{refused:#}"
    );
}
