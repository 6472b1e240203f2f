//! A daemon on a port of its own, and the worked example's night to feed it.
#![allow(dead_code, reason = "each test file uses its own part of it")]

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, Utc};
use daemon::clock::{ClockOptions, PlantClock};
use daemon::config::PlantFile;
use daemon::run::{Parts, run};
use daemon_api::Act;
use daemon_api::client::Client;
use daemon_api::reading::BackfillReading;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

pub fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("example")
        .join(name)
}

pub fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("a time")
}

/// A daemon whose clock stands in the night of the example.
pub struct Running {
    pub client: Client,
    stop: CancellationToken,
    task: tokio::task::JoinHandle<anyhow::Result<()>>,
}

impl Running {
    pub async fn start(plant_file: &Path, data_dir: &Path, clock_start: DateTime<Utc>) -> Self {
        let plant = PlantFile::load(plant_file, &[]).expect("the plant file");
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

    pub async fn stop(self) {
        self.stop.cancel();
        let ended = tokio::time::timeout(Duration::from_secs(30), self.task).await;
        ended
            .expect("it stops in time")
            .expect("no panic")
            .expect("no error");
    }
}

/// The example's readings.
pub fn clocked_readings() -> Vec<BackfillReading> {
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

/// The example's acts, as they are posted.
pub fn acts() -> Vec<Act> {
    let text = std::fs::read_to_string(example("pours.jsonl")).expect("the acts");
    let acts = text.lines().map(|line| {
        let mut act: Act = serde_json::from_str(line).expect("an act");
        act.recorded_at = None;
        act
    });
    acts.collect()
}
