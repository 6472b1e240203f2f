//! A log that cannot be written: the daemon goes on, and nothing that it keeps is the worse for it.

use std::path::PathBuf;
use std::time::Duration;

use chrono::{TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::{Daemon, Launch};
use harness::plant::{PlantFile, open_pour, payload};
use harness::wait_until;

#[test]
fn a_log_that_cannot_be_written_does_not_end_the_daemon() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    // A device that refuses every write as a full disk does; the daemon logs from its first moment.
    let launch = Launch {
        log: Some(PathBuf::from("/dev/full")),
        ..Launch::default()
    };
    let mut daemon = Daemon::launch(&plant, &folder.path().join("data"), launch);
    broker.wait_for_subscription();
    // The loss of a broker is logged by the task that reads it, and so is its return.
    broker.stop();
    daemon.wait_for_source("yard", false);
    broker.resume();
    daemon.wait_for_source("yard", true);
    let placed_at = Utc::now() - TimeDelta::hours(1);
    daemon
        .ask(async |client| client.act(&open_pour("p", placed_at, &["c1"])).await)
        .expect("the pour opens");
    let messages: String = (0..50)
        .map(|minute| payload(&[("c1", placed_at + TimeDelta::minutes(minute), 21.0)]) + "\n")
        .collect();
    broker.publish_lines("logger/c/json", &messages);
    wait_until(
        "every reading is stored",
        Duration::from_secs(20),
        || match daemon.stored_rows()?.len() {
            50 => Ok(()),
            count => Err(format!("{count} of 50")),
        },
    );
    daemon.stop();
}
