//! One fold: the live daemon, fed in disorder and killed midway, says what replay says of its export.

use std::process::Command;
use std::time::Duration;

use chrono::{TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, open_pour, payload};
use harness::{binary, wait_until};

#[test]
fn the_daemon_and_replay_give_the_same_lines_byte_for_byte() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let mut daemon = Daemon::start(&plant, &folder.path().join("data"));
    let placed_at = Utc::now() - TimeDelta::hours(10);
    let opened = open_pour("p", placed_at, &["c1", "c2", "c3"]);
    daemon
        .ask(async |client| client.act(&opened).await)
        .expect("the pour opens");
    let mut messages: Vec<String> = (0..600)
        .flat_map(|minute| {
            (0..3).map(move |channel| {
                let at = placed_at + TimeDelta::minutes(minute);
                let value = 22.0 + (minute as f64 / 20.0).min(30.0) - f64::from(channel)
                    + 0.1 * (minute % 4) as f64;
                payload(&[(&format!("c{}", channel + 1), at, value)])
            })
        })
        .collect();
    // A fixed stride visits every message once, far from its neighbours, and some come twice.
    let count = messages.len();
    let shuffled: Vec<String> = (0..count)
        .map(|index| messages[index * 997 % count].clone())
        .collect();
    messages = shuffled.iter().chain(&shuffled[..200]).cloned().collect();
    let (first, second) = messages.split_at(900);
    broker.publish_lines("logger/p/json", &(first.join("\n") + "\n"));
    daemon.kill();
    daemon.resume();
    broker.publish_lines("logger/p/json", &(second.join("\n") + "\n"));
    let stored = wait_until("every reading is stored", Duration::from_secs(30), || {
        let text =
            daemon.ask(async |client| client.text(daemon_api::routes::READINGS_CSV).await)?;
        let rows = text.lines().count() - 1;
        if rows == count {
            Ok(text)
        } else {
            Err(format!("{rows} of {count}"))
        }
    });
    let acts = daemon
        .ask(async |client| client.text(daemon_api::routes::ACTS_JSONL).await)
        .expect("the acts are exported");
    let asked = Utc::now();
    let live = daemon
        .ask(async |client| client.state_lines(Some(asked)).await)
        .expect("the daemon answers");
    std::fs::write(folder.path().join("readings.csv"), stored).expect("written");
    std::fs::write(folder.path().join("pours.jsonl"), acts).expect("written");
    let replayed = Command::new(binary("tarplightd"))
        .arg("replay")
        .arg("--plant")
        .arg(&plant)
        .arg("--pours")
        .arg(folder.path().join("pours.jsonl"))
        .arg("--readings")
        .arg(folder.path().join("readings.csv"))
        .arg("--at")
        .arg(asked.to_rfc3339_opts(chrono::SecondsFormat::Millis, true))
        .output()
        .expect("replay runs");
    assert!(
        replayed.status.success(),
        "{}",
        String::from_utf8_lossy(&replayed.stderr)
    );
    assert!(live.contains("\"estimate_mpa\":"), "{live}");
    assert_eq!(
        live.trim_end(),
        String::from_utf8_lossy(&replayed.stdout).trim_end()
    );
}
