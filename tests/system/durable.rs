//! Acknowledged means on the disk: the system calls of a running daemon, and its writer's settings.

use std::path::Path;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::{Daemon, Launch};
use harness::plant::{CLIENT_ID, PlantFile, payload};
use harness::{trace, wait_until};

const MESSAGE_COUNT: usize = 300;

/// The daemon under a tracer that stands aside, so that the process started is the daemon itself.
fn traced(to: &Path) -> Launch {
    let arguments = ["strace", "-D", "-f", "-y", "-xx", "-s", "1000000"];
    let calls = format!("trace={}", trace::CALLS);
    let to = to.display().to_string();
    let more = ["-e", calls.as_str(), "-o", to.as_str()];
    Launch {
        wrapper: arguments
            .iter()
            .chain(&more)
            .map(|one| (*one).to_owned())
            .collect(),
        ..Launch::default()
    }
}

fn messages() -> String {
    let start: DateTime<Utc> = "2026-03-01T18:00:00Z".parse().expect("a time");
    (0..MESSAGE_COUNT)
        .map(|index| {
            let at = start + TimeDelta::seconds(index as i64);
            payload(&[("t1", at, 20.0 + index as f64 / 100.0)]) + "\n"
        })
        .collect()
}

#[test]
fn a_sync_of_the_record_stands_between_each_message_and_its_acknowledgement() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let file = folder.path().join("trace");
    let data = folder.path().join("data");
    let mut daemon = Daemon::launch(&plant, &data, traced(&file));
    let log = daemon.log();
    assert!(
        !log.contains("ptrace"),
        "this machine does not let strace trace the daemon, so nothing can be shown: {log}"
    );
    broker.wait_for_subscription();
    broker.publish_lines("logger/t/json", &messages());
    wait_until(
        "all is acknowledged",
        Duration::from_secs(60),
        || match broker.acknowledged_count() {
            MESSAGE_COUNT => Ok(()),
            count => Err(format!("{count} of {MESSAGE_COUNT} acknowledged")),
        },
    );
    let database = daemon.database();
    daemon.stop();
    let text = wait_until("the tracer has ended", Duration::from_secs(30), || {
        let text = std::fs::read_to_string(&file).map_err(|error| error.to_string())?;
        match text.lines().last() {
            Some(last) if last.contains("+++ exited") => Ok(text),
            last => Err(format!("its last line is {last:?}")),
        }
    });
    let database = database.to_str().expect("a plain path");
    let found = trace::durability(&text, CLIENT_ID, database).expect("the trace is understood");
    println!(
        "{} acknowledgements, {} of them before a sync",
        found.acknowledged_count,
        found.too_early.len()
    );
    assert_eq!(found.acknowledged_count, MESSAGE_COUNT);
    assert!(found.too_early.is_empty(), "{:?}", found.too_early);
}

#[test]
fn the_running_writers_own_connection_syncs_each_commit_of_its_log() {
    let folder = tempfile::tempdir().expect("a folder");
    let plant = PlantFile::new(None).write(&folder.path().join("plant"));
    let daemon = Daemon::start(&plant, &folder.path().join("data"));
    // The writer's thread asks its own connection; `synchronous` is a setting of a connection, so
    // another one, such as this test's, could not tell.
    let log = daemon.log();
    let said: Vec<&str> = log
        .lines()
        .filter(|line| line.contains("the record's writer is ready"))
        .collect();
    assert_eq!(said.len(), 1, "{log}");
    for words in ["journal_mode=\"wal\"", "synchronous=2"] {
        assert!(said[0].contains(words), "{}", said[0]);
    }
}
