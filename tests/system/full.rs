//! A full disk under a running daemon: nothing is acknowledged, people are told, nothing is lost.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::client::ClientError;
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::disk::SmallDisk;
use harness::plant::{PlantFile, open_pour, payload};
use harness::wait_until;

fn messages(start: DateTime<Utc>, from: i64, to: i64) -> String {
    (from..to)
        .map(|second| {
            let at = start + TimeDelta::seconds(second);
            payload(&[("f1", at, 20.0 + second as f64 / 100.0)]) + "\n"
        })
        .collect()
}

#[test]
fn on_a_full_disk_nothing_is_acknowledged_and_all_is_there_once_there_is_room() {
    let folder = tempfile::tempdir().expect("a folder");
    let disk = SmallDisk::new(folder.path());
    let broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let launch = disk.launch(folder.path().join("daemon.log"));
    let daemon = Daemon::launch(&plant, &disk.path().join("data"), launch);
    broker.wait_for_subscription();
    let start = Utc::now() - TimeDelta::hours(1);
    daemon
        .ask(async |client| client.act(&open_pour("p", start, &["f1"])).await)
        .expect("the pour opens");
    broker.publish_lines("logger/f/json", &messages(start, 0, 100));
    wait_until(
        "the first are acknowledged",
        Duration::from_secs(20),
        || match broker.acknowledged_count() {
            100 => Ok(()),
            count => Err(format!("{count} of 100")),
        },
    );

    disk.fill(&daemon);
    broker.publish_lines("logger/f/json", &messages(start, 100, 600));
    let told = wait_until("people are told", Duration::from_secs(20), || {
        let snapshot = daemon.ask(async |client| client.snapshot().await)?;
        let trouble = snapshot
            .troubles
            .into_iter()
            .find(|one| one.kind == "store-cannot-write");
        match trouble {
            Some(trouble) if !snapshot.plant.store.writing => Ok(trouble),
            _ => Err(format!("{:?}", snapshot.plant.store)),
        }
    });
    println!("told: {} {}", told.what, told.first_act);
    assert!(
        told.what.starts_with("Nothing is being recorded: "),
        "{}",
        told.what
    );
    assert!(told.what.contains("disk"), "{}", told.what);
    assert!(told.first_act.contains("Free space"), "{}", told.first_act);
    let heat = harness::plant::act("p", Utc::now(), serde_json::json!({ "act": "heat-on" }));
    let refused = daemon
        .ask(async |client| Ok(client.act(&heat).await))
        .expect("the daemon answers");
    match refused {
        Err(ClientError::Problem(problem)) => {
            assert_eq!(problem.code, "store-cannot-write", "{problem:?}");
        }
        other => panic!("an act that cannot be kept was not refused: {other:?}"),
    }
    wait_until(
        "more is delivered than the disk takes",
        Duration::from_secs(20),
        || {
            let (sent, acknowledged) = (broker.sent_count(), broker.acknowledged_count());
            if sent > acknowledged {
                Ok(())
            } else {
                Err(format!("{sent} sent"))
            }
        },
    );
    assert_eq!(
        broker.acknowledged_count(),
        100,
        "acknowledged, but not on the disk"
    );

    disk.make_room(&daemon);
    wait_until(
        "all is acknowledged",
        Duration::from_secs(60),
        || match broker.acknowledged_count() {
            600 => Ok(()),
            count => Err(format!("{count} of 600")),
        },
    );
    let rows = daemon.stored_rows().expect("the readings are exported");
    assert_eq!(rows.len(), 600, "all that was accepted is stored, and once");
    let recorded = daemon.ask(async |client| client.act(&heat).await);
    assert!(!recorded.expect("the same act is taken now").already_known);
    wait_until("the trouble is cleared", Duration::from_secs(20), || {
        let snapshot = daemon.ask(async |client| client.snapshot().await)?;
        let stands = snapshot
            .troubles
            .iter()
            .filter(|one| one.kind == "store-cannot-write")
            // Nobody has seen it, so it stays in sight though it is over.
            .any(|one| one.alarm.as_ref().is_none_or(|alarm| alarm.active));
        if snapshot.plant.store.writing && !stands {
            Ok(())
        } else {
            Err(format!("{:?}", snapshot.plant.store))
        }
    });
}
