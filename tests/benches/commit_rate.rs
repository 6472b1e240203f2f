//! Readings committed per second through a broker, batched and single, beside a raw batched insert.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use std::path::Path;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, open_pour, payload};
use harness::{median, wait_until};
use rusqlite::{Connection, OpenFlags, OptionalExtension as _, params};

/// The store's own schema, so that the raw insert keeps the same rows, indexes and checks.
const SCHEMA: &str = include_str!("../../daemon/store/migrations/0001_first.sql");
const CHANNEL_COUNT: usize = 16;
/// Readings of one channel follow each other at this, s.
const PERIOD_S: i64 = 5;
const PAYLOAD_READING_COUNT: usize = 60;
const BATCHED_READING_COUNT: usize = 120_000;
const SINGLE_READING_COUNT: usize = 6_000;
/// As many rows as the store puts into one transaction.
const RAW_BATCH_ROW_COUNT: usize = 1_000;
const ROUND_COUNT: usize = 5;

struct Reading {
    channel: String,
    at: DateTime<Utc>,
    celsius: f64,
}

/// The first of these stands at `from`; channels take turns, as in a logger's scan.
fn readings(from: DateTime<Utc>, count: usize) -> Vec<Reading> {
    (0..count)
        .map(|index| {
            let scan = (index / CHANNEL_COUNT) as i64;
            Reading {
                channel: format!("c{}", index % CHANNEL_COUNT),
                at: from + TimeDelta::seconds(scan * PERIOD_S),
                celsius: 30.0 + scan as f64 / 1_000.0 + (index % 7) as f64 / 10.0,
            }
        })
        .collect()
}

fn messages(readings: &[Reading], payload_reading_count: usize) -> String {
    readings
        .chunks(payload_reading_count)
        .map(|chunk| {
            let records: Vec<(&str, DateTime<Utc>, f64)> = chunk
                .iter()
                .map(|one| (one.channel.as_str(), one.at, one.celsius))
                .collect();
            payload(&records) + "\n"
        })
        .collect()
}

/// From the first message's departure until the last reading is committed, on a fresh plant with a
/// pour that binds every channel.
fn through_broker(count: usize, payload_reading_count: usize) -> f64 {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start_with(&folder.path().join("broker"), "");
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let daemon = Daemon::start(&plant, &folder.path().join("data"));
    let placed_at = Utc::now() - TimeDelta::hours(12);
    let names: Vec<String> = (0..CHANNEL_COUNT)
        .map(|index| format!("c{index}"))
        .collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    daemon
        .ask(async |client| client.act(&open_pour("p", placed_at, &names)).await)
        .expect("the pour opens");
    daemon.wait_for_source("yard", true);
    let readings = readings(placed_at, count);
    let lines = messages(&readings, payload_reading_count);
    let last = readings.last().expect("there are readings");
    let began_at = Instant::now();
    broker.publish_lines("logger/b/json", &lines);
    wait_until("the last is committed", Duration::from_secs(300), || {
        if is_committed(&daemon.database(), last) {
            Ok(())
        } else {
            Err("not yet".to_owned())
        }
    });
    let elapsed_s = began_at.elapsed().as_secs_f64();
    assert_eq!(stored_count(&daemon.database()), count);
    count as f64 / elapsed_s
}

fn open(database: &Path) -> Connection {
    Connection::open_with_flags(database, OpenFlags::SQLITE_OPEN_READ_ONLY).expect("it opens")
}

fn is_committed(database: &Path, reading: &Reading) -> bool {
    open(database)
        .query_row(
            "SELECT 1 FROM readings JOIN channels ON channels.id = channel_id
             WHERE name = ?1 AND measured_ms = ?2",
            params![reading.channel, reading.at.timestamp_millis()],
            |_| Ok(()),
        )
        .optional()
        .expect("it reads")
        .is_some()
}

fn stored_count(database: &Path) -> usize {
    let count: i64 = open(database)
        .query_row("SELECT count(*) FROM readings", [], |row| row.get(0))
        .expect("it counts");
    usize::try_from(count).expect("a count is not negative")
}

/// The same readings into the same schema with the same durability, by nothing but SQLite.
fn raw_insert() -> f64 {
    let folder = tempfile::tempdir().expect("a folder");
    let mut database = Connection::open(folder.path().join("raw.sqlite3")).expect("it opens");
    database.execute_batch(SCHEMA).expect("the schema is made");
    for (name, value) in [
        ("journal_mode", "wal"),
        ("synchronous", "full"),
        ("foreign_keys", "on"),
    ] {
        database
            .pragma_update_and_check(None, name, value, |_| Ok(()))
            .optional()
            .expect("it is set");
    }
    for index in 0..CHANNEL_COUNT {
        let row = params![index as i64, format!("c{index}")];
        database
            .execute("INSERT INTO channels (id, name) VALUES (?1, ?2)", row)
            .expect("the channel is named");
    }
    let readings = readings(Utc::now() - TimeDelta::hours(12), BATCHED_READING_COUNT);
    let received_ms = Utc::now().timestamp_millis();
    let began_at = Instant::now();
    for (batch, rows) in readings.chunks(RAW_BATCH_ROW_COUNT).enumerate() {
        let transaction = database.transaction().expect("it begins");
        for (index, reading) in rows.iter().enumerate() {
            let channel_id = (batch * RAW_BATCH_ROW_COUNT + index) % CHANNEL_COUNT;
            transaction
                .prepare_cached(
                    "INSERT INTO readings (channel_id, measured_ms, variant, received_ms,
                                           temperature_c, fault, clockless, via)
                     VALUES (?1, ?2, 0, ?3, ?4, NULL, 0, 'mqtt')",
                )
                .and_then(|mut statement| {
                    let measured_ms = reading.at.timestamp_millis();
                    let at = received_ms + batch as i64;
                    statement.execute(params![channel_id as i64, measured_ms, at, reading.celsius])
                })
                .expect("the row is new");
        }
        transaction.commit().expect("it commits");
    }
    readings.len() as f64 / began_at.elapsed().as_secs_f64()
}

fn main() {
    // One after the other in each round, so that whatever else the machine does touches all alike.
    let mut raw = Vec::new();
    let mut batched = Vec::new();
    let mut single = Vec::new();
    for _ in 0..ROUND_COUNT {
        raw.push(raw_insert());
        batched.push(through_broker(BATCHED_READING_COUNT, PAYLOAD_READING_COUNT));
        single.push(through_broker(SINGLE_READING_COUNT, 1));
    }
    let raw = median(raw);
    println!(
        "readings committed per second, medians of {ROUND_COUNT} rounds, {CHANNEL_COUNT} channels of one pour:"
    );
    let label = format!("raw insert, {RAW_BATCH_ROW_COUNT} rows to a transaction:");
    println!("  {label:<40} {raw:>9.0}");
    for (name, rates) in [
        (
            format!("MQTT, {PAYLOAD_READING_COUNT} readings to a message:"),
            batched,
        ),
        ("MQTT, one reading to a message:".to_owned(), single),
    ] {
        let rate = median(rates);
        println!("  {name:<40} {rate:>9.0}  {:.3} of raw", rate / raw);
    }
}
