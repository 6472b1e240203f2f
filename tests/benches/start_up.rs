//! How long a daemon takes to start on a long record: until it answers, and until finished pours have
//! taught what they teach.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use chrono::{DateTime, Days, Utc};
use daemon_store::{ActRow, Batch, Measured, OpenOptions, ReadingRow, Via, Writer};
use harness::daemon::Daemon;
use harness::{binary, median, wait_until};
use serde_json::Value;

const NIGHT_COUNT: u64 = 25;
/// Rows that travel in one batch.
const BATCH_ROW_COUNT: usize = 20_000;
const ROUND_COUNT: usize = 3;

/// The simulated past of a plant of eight beds, up to the night before last.
fn history(folder: &Path) {
    let first = Utc::now().date_naive() - Days::new(NIGHT_COUNT + 1);
    let made = Command::new(binary("tarplight-sim"))
        .args(["history", "--nights", &NIGHT_COUNT.to_string()])
        .args(["--first-night", &first.to_string(), "--out"])
        .arg(folder)
        .status()
        .expect("the simulator starts");
    assert!(made.success(), "the simulator failed");
}

fn millis(text: &str) -> i64 {
    let at: DateTime<Utc> = text.parse().expect("a time");
    at.timestamp_millis()
}

/// Puts a simulated past into a data directory, as the daemon would have; tells how much that was.
fn record(past: &Path, data: &Path) -> (usize, usize) {
    let mut writer = Writer::open(data, OpenOptions::default()).expect("the store opens");
    let text = fs::read_to_string(past.join("pours.jsonl")).expect("the acts");
    let acts = text.lines().map(|line| {
        let act: Value = serde_json::from_str(line).expect("an act");
        let said = |key: &str| act[key].as_str().expect("a text");
        ActRow {
            id: said("id").parse().expect("an id"),
            recorded_ms: millis(said("recorded_at")),
            body: line.to_owned(),
        }
    });
    let batch = Batch {
        acts: acts.collect(),
        ..Batch::default()
    };
    writer.commit(&batch).expect("the acts are committed");
    let text = fs::read_to_string(past.join("readings.csv")).expect("the readings");
    let rows: Vec<&str> = text.lines().skip(1).collect();
    for rows in rows.chunks(BATCH_ROW_COUNT) {
        let readings = rows.iter().map(|row| {
            let cells: Vec<&str> = row.split(',').collect();
            let [received_at, measured_at, channel, value] = cells[..] else {
                panic!("not a reading: {row}");
            };
            // What is no number is one logger's word or another's for an open wire.
            let celsius = value.parse::<f64>().ok().filter(|value| value.is_finite());
            let open = || Measured::Fault("open".into());
            ReadingRow {
                channel: channel.into(),
                measured_ms: (!measured_at.is_empty()).then(|| millis(measured_at)),
                received_ms: millis(received_at),
                measured: celsius.map_or_else(open, Measured::TemperatureC),
                via: Via::Mqtt,
            }
        });
        let batch = Batch {
            readings: readings.collect(),
            ..Batch::default()
        };
        writer.commit(&batch).expect("the readings are committed");
    }
    (batch.acts.len(), rows.len())
}

/// Seconds until the daemon answered, and until it had learned.
fn start(plant: &Path, data: &Path) -> (f64, f64) {
    let began_at = Instant::now();
    let daemon = Daemon::start(plant, data);
    let answered_s = began_at.elapsed().as_secs_f64();
    wait_until("it has learned", Duration::from_secs(600), || {
        let log = daemon.log();
        let has_learned = log.contains("finished pours have been learned from");
        has_learned.then_some(()).ok_or(log)
    });
    let learned_s = began_at.elapsed().as_secs_f64();
    drop(daemon);
    fs::remove_file(data.with_extension("log")).expect("the log goes");
    (answered_s, learned_s)
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let (past, data) = (folder.path().join("past"), folder.path().join("data"));
    history(&past);
    let (act_count, reading_count) = record(&past, &data);
    let rounds = (0..ROUND_COUNT).map(|_| start(&past.join("plant.toml"), &data));
    let (answered_s, learned_s): (Vec<f64>, Vec<f64>) = rounds.unzip();
    println!(
        "start on {NIGHT_COUNT} nights, {act_count} acts and {reading_count} readings, medians of {ROUND_COUNT}:"
    );
    println!("  {:.1} s until the daemon answered", median(answered_s));
    println!(
        "  {:.1} s until it had learned from them",
        median(learned_s)
    );
}
