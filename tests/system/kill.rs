//! Power loss: the daemon is killed again and again while a broker feeds it.

use std::collections::BTreeSet;
use std::process::Command;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, payload};
use harness::wait_until;

const MESSAGE_COUNT: usize = 12_000;
const KILL_COUNT: usize = 20;
/// So many of the kills must find messages delivered and not acknowledged.
const KILLS_WITH_OUTSTANDING_MIN: usize = 15;

type Stored = BTreeSet<(String, i64, u64)>;

fn stored(daemon: &Daemon) -> Stored {
    let database = rusqlite::Connection::open_with_flags(
        daemon.database(),
        rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY,
    )
    .expect("the database opens");
    let mut rows = database
        .prepare(
            "SELECT name, measured_ms, temperature_c FROM readings JOIN channels ON channels.id = channel_id",
        )
        .expect("the readings are there");
    let found = rows
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get::<_, f64>(2)?.to_bits()))
        })
        .expect("the readings read");
    found.map(|row| row.expect("a reading reads")).collect()
}

/// Messages the broker has sent to the daemon and not had acknowledged, from the broker's own log.
fn outstanding(log: &str) -> i64 {
    let to_daemon = |line: &&str| line.contains("Sending PUBLISH to tarplight-test ");
    let acknowledged = |line: &&str| line.contains("Received PUBACK from tarplight-test ");
    let last_connect = log.rfind("as tarplight-test (").unwrap_or(0);
    let lines = || log[last_connect..].lines();
    lines().filter(to_daemon).count() as i64 - lines().filter(acknowledged).count() as i64
}

#[test]
fn what_the_broker_accepted_is_in_the_store_after_twenty_kills() {
    let folder = tempfile::tempdir().expect("a folder");
    let version = Command::new("mosquitto")
        .arg("-h")
        .output()
        .expect("mosquitto is installed");
    println!(
        "{}",
        String::from_utf8_lossy(&version.stdout)
            .lines()
            .next()
            .unwrap_or_default()
    );
    let broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let mut daemon = Daemon::start(&plant, &folder.path().join("data"));
    wait_until("the daemon has subscribed", Duration::from_secs(10), || {
        let log = broker.log();
        if log.contains("tarplight-test 1 logger/+/json")
            || log.contains("Sending SUBACK to tarplight-test")
        {
            Ok(())
        } else {
            Err("no SUBACK in the broker's log".to_owned())
        }
    });

    let start: DateTime<Utc> = "2026-03-01T18:00:00Z".parse().expect("a time");
    let sent: Vec<(String, DateTime<Utc>, f64)> = (0..MESSAGE_COUNT)
        .map(|index| {
            let at = start + TimeDelta::milliseconds(1000 * (index / 4) as i64);
            (format!("k{}", index % 4), at, 20.0 + index as f64 / 1000.0)
        })
        .collect();
    let lines: String = sent
        .iter()
        .map(|(channel, at, value)| payload(&[(channel, *at, *value)]) + "\n")
        .collect();
    let (port, topic) = (broker.port().to_string(), "logger/k/json");
    let text = folder.path().join("messages");
    std::fs::write(&text, lines).expect("the messages are written");
    // A shell paces them, so that kills fall among them: about a thousand a second at most.
    let pace = format!(
        "split -l 100 --filter='cat; sleep 0.1' {} | mosquitto_pub -h 127.0.0.1 -p {port} -q 1 -t {topic} -l",
        text.display()
    );
    let mut publisher = Command::new("sh")
        .args(["-c", &pace])
        .spawn()
        .expect("the publisher starts");

    let mut with_outstanding = 0;
    for _ in 0..KILL_COUNT {
        // Killing as soon as something is under way makes most kills fall between receipt and commit.
        let seen = broker.log().len();
        wait_until("messages reach the daemon", Duration::from_secs(20), || {
            let log = broker.log();
            let new = log[seen..]
                .matches("Sending PUBLISH to tarplight-test ")
                .count();
            if new > 20 {
                Ok(())
            } else {
                Err(format!("{new} deliveries"))
            }
        });
        daemon.kill();
        if outstanding(&broker.log()) > 0 {
            with_outstanding += 1;
        }
        daemon.resume();
    }
    assert!(publisher.wait().expect("the publisher ends").success());
    let expected: Stored = sent
        .iter()
        .map(|(channel, at, value)| (channel.clone(), at.timestamp_millis(), value.to_bits()))
        .collect();
    wait_until("everything is stored", Duration::from_secs(60), || {
        let found = stored(&daemon);
        if found.len() >= expected.len() {
            Ok(())
        } else {
            Err(format!("{} stored", found.len()))
        }
    });
    let found = stored(&daemon);
    assert_eq!(
        found.difference(&expected).count(),
        0,
        "stored, but never sent"
    );
    assert_eq!(
        expected.difference(&found).count(),
        0,
        "accepted, but not stored"
    );
    println!("{KILL_COUNT} kills, {with_outstanding} with messages unacknowledged");
    assert!(
        with_outstanding >= KILLS_WITH_OUTSTANDING_MIN,
        "{with_outstanding}"
    );
}
