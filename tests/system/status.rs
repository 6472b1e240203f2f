//! The plant's state as retained messages at a broker that is not ours, and the broker's word when we are gone.

use std::process::Command;
use std::time::Duration;

use chrono::{TimeDelta, Utc};
use daemon_api::act::ActBody;
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, open_pour};
use harness::{binary, wait_until};
use serde_json::Value;

const WITHIN: Duration = Duration::from_secs(60);

/// What stands retained under a topic, once it is as awaited.
fn retained(broker: &Broker, topic: &str, is_awaited: impl Fn(&Value) -> bool) -> Value {
    wait_until(&format!("{topic} is as awaited"), WITHIN, || {
        let port = broker.port().to_string();
        let read = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", topic])
            .args(["--retained-only", "-C", "1", "-W", "2"])
            .output()
            .map_err(|error| error.to_string())?;
        let text = String::from_utf8_lossy(&read.stdout).into_owned();
        let message: Value =
            serde_json::from_str(&text).map_err(|_| format!("not yet: {text:?}"))?;
        if is_awaited(&message) {
            Ok(message)
        } else {
            Err(text)
        }
    })
}

#[test]
fn a_broker_keeps_the_state_of_each_bed_and_says_when_the_daemon_is_gone() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut broker = Broker::start(folder.path());
    let mut file = PlantFile::new(None);
    file.more = format!(
        "[notify]\n[notify.mqtt]\nhost = \"127.0.0.1\"\nport = {}\ntopic = \"yard/state\"\n",
        broker.port()
    );
    let plant = file.write(&folder.path().join("plant"));
    let mut daemon = Daemon::start(&plant, &folder.path().join("data"));
    retained(&broker, "yard/state/daemon", |message| {
        message["state"] == "up"
    });
    retained(&broker, "yard/state/alarm", |message| {
        message["urgency"] == "none"
    });

    let mut opened = open_pour("night", Utc::now() - TimeDelta::hours(3), &["c1", "c2"]);
    // It was wanted an hour ago, which is an alarm at once.
    if let ActBody::PourOpened(pour) = &mut opened.body {
        pour.wanted_release_at = Some(Utc::now() - TimeDelta::hours(1));
    }
    daemon
        .ask(async |client| client.act(&opened).await)
        .expect("the pour is opened");
    let bed = retained(&broker, "yard/state/beds/B1", |message| {
        message["alarms"]
            .as_array()
            .is_some_and(|alarms| !alarms.is_empty())
    });
    assert_eq!(bed["pours"][0]["pour"], "night");
    let words = bed["words"].as_str().expect("words");
    assert!(words.contains("permit nothing"), "{words}");
    let alarm = retained(&broker, "yard/state/alarm", |message| {
        message["urgency"] == "soon"
    });
    assert_eq!(alarm["first"]["bed"], "B1");
    assert_eq!(alarm["first"]["word"], "new");

    daemon.kill();
    retained(&broker, "yard/state/daemon", |message| {
        message["state"] == "gone"
    });
    daemon.resume();
    retained(&broker, "yard/state/daemon", |message| {
        message["state"] == "up"
    });

    let tested = Command::new(binary("tarplightd"))
        .arg("test-notify")
        .arg("--plant")
        .arg(&plant)
        .output()
        .expect("tarplightd runs");
    let said = String::from_utf8_lossy(&tested.stdout);
    assert!(
        tested.status.success() && said.contains("status: called"),
        "{said}"
    );

    // A broker that is gone is an alarm itself; one that is back is told everything again.
    broker.stop();
    wait_until("the dead broker is an alarm", WITHIN, || {
        let answer = daemon.ask(async |client| client.alarms().await)?;
        let told: Vec<String> = answer.alarms.into_iter().map(|one| one.id).collect();
        if told.iter().any(|id| id == "target-dead/status") {
            Ok(())
        } else {
            Err(told.join(", "))
        }
    });
    broker.resume();
    wait_until("the alarm goes", WITHIN, || {
        let answer = daemon.ask(async |client| client.alarms().await)?;
        let dead = answer
            .alarms
            .into_iter()
            .find(|one| one.id == "target-dead/status");
        let stands = dead
            .and_then(|one| one.alarm)
            .is_some_and(|life| life.active);
        if stands {
            Err("it stands".to_owned())
        } else {
            Ok(())
        }
    });
    retained(&broker, "yard/state/beds/B1", |message| {
        message["bed"] == "B1"
    });
    daemon.stop();
    retained(&broker, "yard/state/daemon", |message| {
        message["state"] == "stopped"
    });
}
