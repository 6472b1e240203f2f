//! Serial ports on real pseudo-terminals: garbage, unplugging, a port in use, a port not there yet.

mod support;

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use daemon_sources::{SerialTable, SourceEvent, spawn_serial};
use serde_json::json;
use support::{Heard, Process, all_shown, plant_clock, until};
use tokio_util::sync::CancellationToken;
use tokio_util::sync::DropGuard;

/// Two linked pseudo-terminals: `port` for the daemon, `logger` for the test.
struct Wire {
    process: Process,
    port: PathBuf,
    logger: PathBuf,
}

impl Wire {
    async fn plug(folder: &Path, name: &str) -> Self {
        let port = folder.join(name);
        let logger = folder.join(format!("{name}-logger"));
        for link in [&port, &logger] {
            // A wire that was cut leaves its links behind.
            let _ = std::fs::remove_file(link);
        }
        let end = |link: &Path| format!("pty,raw,echo=0,link={}", link.display());
        let process = Process::start(Command::new("socat").arg(end(&logger)).arg(end(&port)));
        let mut wire = Self {
            process,
            port,
            logger,
        };
        until("both ends of the wire", || {
            assert!(!wire.process.has_ended(), "socat ended");
            let is_there = wire.port.exists() && wire.logger.exists();
            if is_there {
                Ok(())
            } else {
                Err("no links".to_owned())
            }
        })
        .await;
        wire
    }

    fn number(&self) -> PathBuf {
        std::fs::read_link(&self.port).expect("a link")
    }

    fn logger(&self) -> File {
        OpenOptions::new()
            .write(true)
            .open(&self.logger)
            .expect("the logger's end")
    }
}

struct Bench {
    folder: tempfile::TempDir,
    heard: Heard,
    shutdown: CancellationToken,
    _stop: DropGuard,
}

impl Bench {
    fn new() -> Self {
        let shutdown = CancellationToken::new();
        let _stop = shutdown.clone().drop_guard();
        let folder = tempfile::tempdir().expect("a folder");
        Self {
            folder,
            heard: Heard::new(),
            shutdown,
            _stop,
        }
    }

    fn read(&self, name: &str, path: &Path) -> tokio::task::JoinHandle<()> {
        let table: SerialTable = serde_json::from_value(json!({
            "name": name, "path": path, "pattern": r"(?<channel>\w+) (?<value>\S+)",
            "fault_words": {"OPEN": "open"}, "max_line_bytes": 64
        }))
        .expect("known keys");
        let source = table.check().expect("a good table");
        spawn_serial(
            source,
            plant_clock(),
            self.heard.sender.clone(),
            self.shutdown.clone(),
        )
    }

    /// The next `count` items of one source; other sources' are kept aside in `others`.
    async fn items(&mut self, name: &str, count: usize, others: &mut Vec<String>) -> Vec<String> {
        let mut items = Vec::new();
        while items.len() < count {
            let delivery = self.heard.delivery().await;
            let shown = all_shown(&delivery);
            if delivery.source == name {
                items.extend(shown)
            } else {
                others.extend(shown)
            }
        }
        items
    }
}

fn write(mut logger: &File, text: &[u8]) {
    logger.write_all(text).expect("the wire takes it");
}

#[tokio::test]
async fn good_lines_are_read_and_each_bad_one_is_refused_by_name() {
    let mut bench = Bench::new();
    let wire = Wire::plug(bench.folder.path(), "a").await;
    bench.read("a", &wire.port);
    bench.heard.up("a").await;
    let logger = wire.logger();
    write(
        &logger,
        b"T0 19.5\nT1 20.5\r\nT1 \xff\xfe\n\nnonsense\nT2 OPEN\n",
    );
    write(&logger, &[b'x'; 300]);
    write(&logger, b"\nT3 warm\nT4 -4.5\n");
    let items = bench.items("a", 7, &mut Vec::new()).await;
    let expected = [
        "T1 - 20.5",
        "garbled",
        "garbled",
        "T2 - open",
        "garbled",
        "not-a-number",
        "T4 - -4.5",
    ];
    assert_eq!(
        items, expected,
        "the first line began before anybody listened"
    );
}

#[tokio::test]
async fn deliveries_are_stamped_by_the_plant_clock_and_need_no_acknowledgement() {
    let mut bench = Bench::new();
    let wire = Wire::plug(bench.folder.path(), "a").await;
    bench.read("a", &wire.port);
    bench.heard.up("a").await;
    write(&wire.logger(), b"\nT1 20.5\n");
    let delivery = bench.heard.delivery().await;
    assert_eq!(delivery.received_at, plant_clock()());
    assert!(delivery.ack.is_none());
}

#[tokio::test]
async fn readings_resume_behind_the_same_link_and_a_second_port_misses_none() {
    let mut bench = Bench::new();
    let mut wire = Wire::plug(bench.folder.path(), "a").await;
    let steady = Wire::plug(bench.folder.path(), "b").await;
    bench.read("a", &wire.port);
    bench.heard.up("a").await;
    bench.read("b", &steady.port);
    bench.heard.up("b").await;
    let steady_logger = steady.logger();
    let mut of_b = Vec::new();
    let steady_lines = |from: usize, to: usize| {
        let lines: String = (from..to).map(|number| format!("B {number}\n")).collect();
        write(&steady_logger, lines.as_bytes());
    };
    write(&steady_logger, b"\n");

    write(&wire.logger(), b"\nA 1\n");
    steady_lines(0, 50);
    assert_eq!(bench.items("a", 1, &mut of_b).await, ["A - 1"]);

    let old_number = wire.number();
    write(&wire.logger(), b"A 99");
    wire.process.kill();
    let reason = loop {
        match bench.heard.next("port a down").await {
            SourceEvent::Down { source, reason, .. } if source == "a" => break reason,
            SourceEvent::Delivery(delivery) => of_b.extend(all_shown(&delivery)),
            SourceEvent::Up { .. } | SourceEvent::Down { .. } => {}
        }
    };
    assert!(reason.contains("unplugged"), "{reason}");
    steady_lines(50, 100);

    // Something else takes the old number, so the link has to lead to another one.
    let _squatter = Wire::plug(bench.folder.path(), "squatter").await;
    let wire = Wire::plug(bench.folder.path(), "a").await;
    assert_ne!(wire.number(), old_number);
    loop {
        match bench.heard.next("port a up").await {
            SourceEvent::Up { source, .. } if source == "a" => break,
            SourceEvent::Delivery(delivery) => of_b.extend(all_shown(&delivery)),
            SourceEvent::Up { .. } | SourceEvent::Down { .. } => {}
        }
    }
    steady_lines(100, 150);
    write(&wire.logger(), b"7\nA 2\n");
    let of_a = bench.items("a", 1, &mut of_b).await;
    assert_eq!(
        of_a,
        ["A - 2"],
        "half a line before and half a line after make no reading"
    );

    let missing = 150 - of_b.len();
    of_b.extend(bench.items("b", missing, &mut Vec::new()).await);
    let expected: Vec<String> = (0..150).map(|number| format!("B - {number}")).collect();
    assert_eq!(of_b, expected);
}

#[tokio::test]
async fn a_port_that_is_not_there_is_told_once_and_opened_when_it_comes() {
    let mut bench = Bench::new();
    let path = bench.folder.path().join("late");
    bench.read("late", &path);
    let reason = bench.heard.down("late").await;
    assert!(reason.contains("is not there"), "{reason}");
    let wire = Wire::plug(bench.folder.path(), "late").await;
    match bench.heard.next("late up").await {
        SourceEvent::Up { .. } => {}
        other => panic!("said twice or something else: {other:?}"),
    }
    write(&wire.logger(), b"\nT1 20.5\n");
    assert_eq!(bench.items("late", 1, &mut Vec::new()).await, ["T1 - 20.5"]);
}

#[tokio::test]
async fn a_port_that_another_program_holds_says_so() {
    let mut bench = Bench::new();
    let wire = Wire::plug(bench.folder.path(), "a").await;
    bench.read("holder", &wire.port);
    bench.heard.up("holder").await;
    bench.read("second", &wire.port);
    let reason = bench.heard.down("second").await;
    assert!(reason.contains("in use by another program"), "{reason}");
}

#[tokio::test]
async fn a_source_ends_when_it_is_told_to_also_while_its_port_is_away() {
    let mut bench = Bench::new();
    let task = bench.read("away", &bench.folder.path().join("away"));
    bench.heard.down("away").await;
    bench.shutdown.cancel();
    let ended = tokio::time::timeout(support::PATIENCE, task).await;
    ended.expect("it ends in time").expect("it ends well");
}
