//! A full disk under a running daemon: nothing is acknowledged, people are told, nothing is lost.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::client::ClientError;
use harness::broker::Broker;
use harness::daemon::{Daemon, Launch};
use harness::plant::{PlantFile, open_pour, payload};
use harness::wait_until;

/// Room that can run out: a small file system, or where this user may not mount one, a limit on the
/// size of the daemon's files. Either way the kernel refuses the write.
enum SmallDisk {
    Mounted(PathBuf),
    Limited(PathBuf),
}

impl SmallDisk {
    fn new(folder: &Path) -> Self {
        let disk = folder.join("disk");
        std::fs::create_dir(&disk).expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=4m", "tmpfs"])
            .arg(&disk)
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        if mounted {
            Self::Mounted(disk)
        } else {
            Self::Limited(disk)
        }
    }

    fn path(&self) -> &Path {
        match self {
            Self::Mounted(disk) | Self::Limited(disk) => disk,
        }
    }

    fn launch(&self, log: PathBuf) -> Launch {
        let wrapper: &[&str] = match self {
            Self::Mounted(_) => &[],
            // Past the limit a process gets a signal that would end it; ignored, the write fails.
            Self::Limited(_) => &["sh", "-c", "trap '' XFSZ; exec \"$@\"", "sh"],
        };
        Launch {
            wrapper: wrapper.iter().map(|one| (*one).to_owned()).collect(),
            log: Some(log),
            ..Launch::default()
        }
    }

    fn fill(&self, daemon: &Daemon) {
        match self {
            Self::Mounted(disk) => {
                let filled = std::fs::write(disk.join("filler"), vec![0_u8; 8 << 20]);
                let error = filled.expect_err("eight megabytes do not fit on four");
                assert_eq!(error.kind(), std::io::ErrorKind::StorageFull);
            }
            Self::Limited(_) => {
                let log = PathBuf::from(format!("{}-wal", daemon.database().display()));
                let size = std::fs::metadata(log).expect("the log is there").len();
                limit_files(daemon, &size.to_string());
            }
        }
    }

    fn make_room(&self, daemon: &Daemon) {
        match self {
            Self::Mounted(disk) => {
                std::fs::remove_file(disk.join("filler")).expect("the filler goes");
            }
            Self::Limited(_) => limit_files(daemon, "unlimited"),
        }
    }
}

fn limit_files(daemon: &Daemon, bytes: &str) {
    let limited = Command::new("prlimit")
        .args(["--pid", &daemon.process_id().to_string()])
        .arg(format!("--fsize={bytes}:unlimited"))
        .status();
    assert!(
        limited
            .expect("prlimit starts (Debian package: util-linux)")
            .success()
    );
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        if let Self::Mounted(disk) = self {
            // Lazily, because the daemon may still be ending; there is nobody left to be told.
            let _ = Command::new("umount").arg("--lazy").arg(disk).status();
        }
    }
}

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
            .any(|one| one.kind == "store-cannot-write");
        if snapshot.plant.store.writing && !stands {
            Ok(())
        } else {
            Err(format!("{:?}", snapshot.plant.store))
        }
    });
}
