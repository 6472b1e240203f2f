//! A daemon on a port of its own, over HTTP: a night fed in, a restart, and replay say the same.

mod support;

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use daemon::clock::PlantClock;
use daemon::config::PlantFile;
use daemon::replay::{Asked, ReplayOptions, replay};
use daemon::run::{Parts, run};
use daemon_api::reading::Backfill;
use daemon_api::routes;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use support::{Running, acts, clocked_readings, example, time};

async fn start(data_dir: &Path, clock_start: DateTime<Utc>) -> Running {
    Running::start(&example("plant.toml"), data_dir, clock_start).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn live_after_a_restart_and_in_replay_the_same_records_mean_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let data_dir = folder.path().join("data");
    let night = time("2026-01-21T10:48:00Z");
    let running = start(&data_dir, night).await;
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

    let resumed = start(&data_dir, night + TimeDelta::minutes(20)).await;
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
    start(folder.path(), time("2026-01-21T00:00:00Z"))
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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rows_of_a_time_still_to_come_are_kept_and_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let night = time("2026-01-21T10:48:00Z");
    let running = start(&folder.path().join("data"), night).await;
    let mut readings = clocked_readings();
    readings.truncate(3);
    let a_year_on = night + TimeDelta::days(365);
    readings[1].measured_at = a_year_on;
    readings[2].measured_at = night + TimeDelta::hours(2);
    let backfill = Backfill {
        by: "Q. Example".to_owned(),
        origin: "readings.csv".to_owned(),
        readings,
    };
    let answer = running.client.backfill(&backfill).await.expect("kept");
    assert_eq!(answer.new_count, 3);
    let future = answer.from_the_future.expect("named");
    assert_eq!((future.count, future.latest_at), (2, a_year_on));
}
