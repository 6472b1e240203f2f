//! MQTT against a real mosquitto: acknowledgement after commit, redelivery, restarts, refusals.

mod support;

use std::net::TcpListener;
use std::path::PathBuf;
use std::process::Command;

use daemon_sources::{AckToken, Delivery, MqttTable, SourceEvent, spawn_mqtt};
use serde_json::{Value, json};
use support::{Heard, Process, all_shown, plant_clock, until};
use tokio_util::sync::{CancellationToken, DropGuard};

const CLIENT_ID: &str = "tarplight-test";

/// A broker process with its own folder and log.
struct Broker {
    process: Process,
    port: u16,
    folder: tempfile::TempDir,
}

impl Broker {
    async fn start() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let port = TcpListener::bind("127.0.0.1:0")
            .and_then(|listener| listener.local_addr())
            .expect("a free port")
            .port();
        let path = folder.path().display();
        // `user root` keeps a broker that root starts from giving up its own folder.
        let lines = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\n\
             persistence_location {path}/\nautosave_interval 1\nmax_queued_messages 0\n\
             log_type all\nlog_dest file {path}/log\nconnection_messages true\n"
        );
        std::fs::write(folder.path().join("conf"), lines).expect("a written file");
        let process = Self::process(&folder);
        let mut broker = Self {
            process,
            port,
            folder,
        };
        broker.ready().await;
        broker
    }

    fn process(folder: &tempfile::TempDir) -> Process {
        let conf = folder.path().join("conf");
        let found = ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"]
            .into_iter()
            .find(|path| std::path::Path::new(path).exists());
        Process::start(
            Command::new(found.unwrap_or("mosquitto"))
                .arg("-c")
                .arg(conf),
        )
    }

    async fn ready(&mut self) {
        let port = self.port;
        until("the broker to listen", || {
            assert!(!self.process.has_ended(), "mosquitto ended: {}", self.log());
            std::net::TcpStream::connect(("127.0.0.1", port)).map_err(|error| error.to_string())
        })
        .await;
    }

    async fn again(&mut self) {
        self.process = Self::process(&self.folder);
        self.ready().await;
    }

    fn stored(&self) -> PathBuf {
        self.folder.path().join("mosquitto.db")
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    fn publish(&self, topic: &str, payload: &str, more: &[&str]) {
        let port = self.port.to_string();
        let status = Command::new("mosquitto_pub")
            .args(["-p", &port, "-q", "1", "-t", topic, "-m", payload])
            .args(more)
            .status()
            .expect("mosquitto_pub is installed");
        assert!(status.success());
    }

    /// One message per line, from a publisher that waits for each acknowledgement.
    fn publish_lines(&self, topic: &str, lines: &str) {
        let file = self.folder.path().join("lines");
        std::fs::write(&file, lines).expect("a written file");
        let status = Command::new("mosquitto_pub")
            .args(["-p", &self.port.to_string(), "-q", "1", "-t", topic, "-l"])
            .stdin(std::fs::File::open(&file).expect("a written file"))
            .status()
            .expect("mosquitto_pub is installed");
        assert!(status.success());
    }

    /// Packet ids that the client has acknowledged, in order, by the broker's own log.
    fn acknowledged(&self) -> Vec<u16> {
        let mark = format!("Received PUBACK from {CLIENT_ID} (Mid: ");
        let log = self.log();
        let ids = log.lines().filter_map(|line| line.split_once(&mark));
        ids.filter_map(|(_, rest)| rest.split([',', ')']).next()?.parse().ok())
            .collect()
    }
}

struct Bench {
    broker: Broker,
    heard: Heard,
    table: Value,
    stop: Option<DropGuard>,
    task: Option<tokio::task::JoinHandle<()>>,
}

impl Bench {
    async fn new() -> Self {
        let broker = Broker::start().await;
        let table = json!({
            "name": "yard", "host": "127.0.0.1", "port": broker.port, "client_id": CLIENT_ID,
            "max_packet_bytes": 65536,
            "subscription": [
                {"topic": "stamped/+", "payload": "json", "channel": "{2}", "value_pointer": "/v",
                 "time_pointer": "/t", "time": "epoch-ms"},
                {"topic": "senml/#", "payload": "senml"},
                {"topic": "plain/+", "payload": "plain", "channel": "{2}"},
            ]
        });
        Self {
            broker,
            heard: Heard::new(),
            table,
            stop: None,
            task: None,
        }
    }

    fn spawn(&mut self) {
        let table: MqttTable = serde_json::from_value(self.table.clone()).expect("known keys");
        let shutdown = CancellationToken::new();
        let source = table.check().expect("a good table");
        let sender = self.heard.sender.clone();
        self.task = Some(spawn_mqtt(source, plant_clock(), sender, shutdown.clone()));
        self.stop = Some(shutdown.drop_guard());
    }

    /// Starts and waits until the broker has answered all subscriptions.
    async fn start(&mut self) {
        let subscribed = self.count("Sending SUBACK");
        self.spawn();
        self.subscribed(subscribed + 2).await;
    }

    fn count(&self, words: &str) -> usize {
        self.broker.log().matches(words).count()
    }

    async fn subscribed(&self, count: usize) {
        until("the subscriptions", || match self.count("Sending SUBACK") {
            found if found >= count => Ok(()),
            found => Err(format!("{found} answers")),
        })
        .await;
    }

    async fn stop(&mut self) {
        drop(self.stop.take());
        let task = self.task.take().expect("a running source");
        tokio::time::timeout(support::PATIENCE, task)
            .await
            .expect("it ends in time")
            .expect("it ends well");
    }

    fn stamped(&self, number: usize) {
        self.broker.publish("stamped/a", &stamped(number), &[]);
    }

    /// The next delivery's items and its right to be acknowledged.
    async fn clocked(&mut self) -> (Vec<String>, AckToken) {
        let delivery = self.heard.delivery().await;
        let shown = all_shown(&delivery);
        (shown, delivery.ack.expect("a delivery to acknowledge"))
    }

    async fn acknowledged(&self, count: usize) -> Vec<u16> {
        until("acknowledgements", || {
            let ids = self.broker.acknowledged();
            if ids.len() >= count {
                Ok(ids)
            } else {
                Err(format!("{ids:?}"))
            }
        })
        .await
    }
}

fn stamped(number: usize) -> String {
    format!(r#"{{"v":{number},"t":{}}}"#, 1_800_000_000_000 + number)
}

fn reading(number: usize) -> String {
    format!("a {} {number}", 1_800_000_000_000 + number)
}

fn unexpected_ends(events: &[SourceEvent]) -> usize {
    events
        .iter()
        .filter(|event| matches!(event, SourceEvent::Down { .. }))
        .count()
}

#[tokio::test]
async fn nothing_is_acknowledged_before_its_commit_and_then_in_receipt_order() {
    let mut bench = Bench::new().await;
    bench.start().await;
    let mut tokens = Vec::new();
    for number in 1..=3 {
        bench.stamped(number);
        let (shown, token) = bench.clocked().await;
        assert_eq!(shown, [reading(number)]);
        tokens.push(token);
    }
    assert_eq!(bench.broker.acknowledged(), [0_u16; 0]);
    // Committed in another order than received.
    for token in tokens.into_iter().rev() {
        token.acknowledge();
    }
    assert_eq!(bench.acknowledged(3).await, [1, 2, 3]);
}

#[tokio::test]
async fn what_was_not_acknowledged_comes_again_and_old_tokens_acknowledge_nothing() {
    let mut bench = Bench::new().await;
    bench.start().await;
    bench.stamped(1);
    bench.stamped(2);
    let (_, first) = bench.clocked().await;
    let (_, old) = bench.clocked().await;
    first.acknowledge();
    bench.acknowledged(1).await;

    let subscribed = bench.count("Sending SUBACK");
    bench.broker.process.terminate();
    bench.heard.down("yard").await;
    bench.broker.again().await;
    let (shown, _unacknowledged) = bench.clocked().await;
    assert_eq!(shown, [reading(2)]);
    bench.subscribed(subscribed + 2).await;
    // The packet id of the old connection is in use again on this one.
    old.acknowledge();
    bench.stamped(3);
    let (shown, token) = bench.clocked().await;
    assert_eq!(shown, [reading(3)]);
    token.acknowledge();
    bench.stop().await;
    let acknowledged = bench.broker.acknowledged();
    assert_eq!(
        acknowledged.len(),
        1,
        "an old token acknowledged something: {acknowledged:?}"
    );

    bench.start().await;
    let mut again = Vec::new();
    for _ in 0..2 {
        let (shown, token) = bench.clocked().await;
        again.extend(shown);
        token.acknowledge();
    }
    assert_eq!(again, [reading(2), reading(3)]);
    bench.acknowledged(3).await;
}

#[tokio::test]
async fn what_clocked_loggers_sent_while_the_daemon_was_away_is_complete() {
    const COUNT: usize = 400;
    let mut bench = Bench::new().await;
    bench.start().await;
    bench.stop().await;
    let lines: String = (0..COUNT).map(|number| stamped(number) + "\n").collect();
    bench.broker.publish_lines("stamped/a", &lines);
    bench.broker.publish("plain/p", "21.5", &[]);

    bench.spawn();
    let mut read = Vec::new();
    // Acknowledged in batches, as a store commits.
    let mut tokens = Vec::new();
    while read.len() < COUNT {
        let (shown, token) = bench.clocked().await;
        read.extend(shown);
        tokens.push(token);
        if tokens.len() == 7 || read.len() == COUNT {
            tokens.drain(..).for_each(AckToken::acknowledge);
        }
    }
    let expected: Vec<String> = (0..COUNT).map(reading).collect();
    assert_eq!(read, expected);
    bench.acknowledged(COUNT).await;
    // The clockless logger's message of that time is a gap, not a reading of now.
    bench.broker.publish("plain/p", "22.5", &[]);
    let delivery = bench.heard.delivery().await;
    assert_eq!(all_shown(&delivery), ["p - 22.5"]);
}

#[tokio::test]
async fn a_killed_broker_that_lost_its_memory_is_subscribed_to_again() {
    let mut bench = Bench::new().await;
    bench.start().await;
    let subscribed = bench.count("Sending SUBACK");
    bench.broker.process.kill();
    let reason = bench.heard.down("yard").await;
    assert!(reason.contains("127.0.0.1"), "{reason}");
    // It may never have been written; what counts is that it is gone.
    let _ = std::fs::remove_file(bench.broker.stored());
    bench.broker.again().await;
    bench.subscribed(subscribed + 2).await;
    bench.stamped(5);
    let (shown, _token) = bench.clocked().await;
    assert_eq!(shown, [reading(5)]);
    bench.broker.publish("plain/p", "22.5", &[]);
    assert_eq!(all_shown(&bench.heard.delivery().await), ["p - 22.5"]);
}

#[tokio::test]
async fn a_retained_reading_without_time_is_refused_and_a_live_one_is_read() {
    let mut bench = Bench::new().await;
    bench.broker.publish("plain/p", "19.5", &["-r"]);
    bench.broker.publish("stamped/a", &stamped(7), &["-r"]);
    bench.spawn();
    let mut first = Vec::new();
    for _ in 0..2 {
        let Delivery { source, items, .. } = bench.heard.delivery().await;
        first.push((source, items.iter().map(support::shown).collect::<Vec<_>>()));
    }
    first.sort();
    let expected = [
        ("yard".to_owned(), vec![reading(7)]),
        (
            "yard (no clock)".to_owned(),
            vec!["time-unknown".to_owned()],
        ),
    ];
    assert_eq!(
        first, expected,
        "a time in the payload stands, retained or not"
    );
    bench.broker.publish("plain/p", "20.5", &["-r"]);
    let delivery = bench.heard.delivery().await;
    assert_eq!(all_shown(&delivery), ["p - 20.5"]);
    assert_eq!(delivery.received_at, plant_clock()());
    assert!(delivery.ack.is_none());
}

#[tokio::test]
async fn an_oversize_message_is_refused_acknowledged_and_ends_no_connection() {
    let mut bench = Bench::new().await;
    bench.start().await;
    let file = bench.broker.folder.path().join("large");
    std::fs::write(&file, vec![b'7'; 3 << 20]).expect("a written file");
    let status = Command::new("mosquitto_pub")
        .args([
            "-p",
            &bench.broker.port.to_string(),
            "-q",
            "1",
            "-t",
            "stamped/a",
            "-f",
        ])
        .arg(&file)
        .status()
        .expect("mosquitto_pub is installed");
    assert!(status.success());
    let (shown, token) = bench.clocked().await;
    assert_eq!(shown, ["too-large"]);
    token.acknowledge();
    bench.acknowledged(1).await;
    bench.stamped(1);
    let (shown, _token) = bench.clocked().await;
    assert_eq!(shown, [reading(1)]);
    assert_eq!(unexpected_ends(&bench.heard.rest()), 0);
}

#[tokio::test]
async fn garbage_is_refused_with_its_topic_and_the_next_message_is_read() {
    let mut bench = Bench::new().await;
    bench.start().await;
    let cases = [
        ("stamped/a", "{\"v\":", "garbled"),
        ("stamped/a", "{\"v\":1}", "time-unknown"),
        ("stamped/a", "{\"v\":NaN,\"t\":1}", "not-a-number"),
        (
            "senml/x",
            "[{\"n\":\"T1\",\"u\":\"Cel\",\"v\":20}]",
            "time-unknown",
        ),
        (
            "senml/x",
            "[{\"n\":\"T1\",\"u\":\"V\",\"v\":20,\"t\":1800000000}]",
            "unknown-unit",
        ),
    ];
    for (topic, payload, kind) in cases {
        bench.broker.publish(topic, payload, &[]);
        let delivery = bench.heard.delivery().await;
        assert_eq!(all_shown(&delivery), [kind], "{payload}");
        let daemon_sources::Item::Refused(refusal) = &delivery.items[0] else {
            panic!("{payload} was read");
        };
        assert!(refusal.detail.contains(topic), "{}", refusal.detail);
        assert_eq!(refusal.sample, payload);
        delivery
            .ack
            .expect("a refusal is acknowledged too")
            .acknowledge();
    }
    let pack = r#"[{"n":"T1","u":"Cel","v":20,"t":1800000000.25}]"#;
    bench.broker.publish("senml/x", pack, &[]);
    let (shown, token) = bench.clocked().await;
    assert_eq!(shown, ["T1 1800000000250 20"]);
    token.acknowledge();
    bench.acknowledged(cases.len() + 1).await;
    assert_eq!(unexpected_ends(&bench.heard.rest()), 0);
}

#[tokio::test]
async fn a_broker_that_is_away_is_told_once_and_connected_to_when_it_comes() {
    let mut bench = Bench::new().await;
    bench.broker.process.terminate();
    bench.table["subscription"]
        .as_array_mut()
        .expect("an array")
        .truncate(2);
    bench.spawn();
    let reason = bench.heard.down("yard").await;
    assert!(reason.contains("cannot be reached"), "{reason}");
    bench.broker.again().await;
    match bench.heard.next("yard up").await {
        SourceEvent::Up { source, .. } => assert_eq!(source, "yard"),
        other => panic!("said twice or something else: {other:?}"),
    }
}

#[tokio::test]
async fn a_topic_that_left_the_configuration_is_refused_by_name() {
    let mut bench = Bench::new().await;
    bench.start().await;
    bench.stop().await;
    bench.table["subscription"]
        .as_array_mut()
        .expect("an array")
        .remove(0);
    bench.start().await;
    bench.stamped(1);
    let (shown, _token) = bench.clocked().await;
    assert_eq!(shown, ["unexpected-topic"]);
}

#[tokio::test]
async fn a_refused_login_says_so() {
    let mut bench = Bench::new().await;
    bench.broker.process.terminate();
    let conf = bench.broker.folder.path().join("conf");
    let lines = std::fs::read_to_string(&conf).expect("the broker's file");
    std::fs::write(
        &conf,
        lines.replace("allow_anonymous true", "allow_anonymous false"),
    )
    .expect("a written file");
    bench.broker.again().await;
    bench.spawn();
    let reason = bench.heard.down("yard").await;
    assert!(reason.contains("refuses the login"), "{reason}");
}
