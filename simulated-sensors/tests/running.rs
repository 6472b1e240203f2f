//! The program itself: a plant that runs over real wires, takes commands and stops.

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio_serial::SerialPortBuilderExt;

const PROGRAM: &str = env!("CARGO_BIN_EXE_tarplight-sim");
const PATIENCE: Duration = Duration::from_secs(60);

/// A process that ends with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

fn start(arguments: &[&str]) -> Running {
    let child = Command::new(PROGRAM)
        .args(arguments)
        .stdin(Stdio::null())
        .spawn();
    Running(child.expect("the program starts"))
}

fn call(arguments: &[&str]) -> Output {
    Command::new(PROGRAM)
        .args(arguments)
        .output()
        .expect("the program runs")
}

fn answer(arguments: &[&str]) -> serde_json::Value {
    let output = call(arguments);
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {error}");
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn refusal(arguments: &[&str]) -> String {
    let output = call(arguments);
    assert!(!output.status.success(), "{arguments:?} was not refused");
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(Instant::now() < deadline, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("address").port()
}

fn start_broker() -> (Running, u16) {
    let port = free_port();
    let broker = start(&["broker", "--port", &port.to_string()]);
    wait_for("the broker", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok()
    });
    (broker, port)
}

/// A plant that is in the middle of the night and runs two plant minutes a second.
fn start_plant(dir: &Path, mqtt_port: u16) -> Running {
    let now = chrono::Utc::now().to_rfc3339();
    let mqtt = format!("127.0.0.1:{mqtt_port}");
    let plant = start(&[
        "run",
        "--dir",
        &dir.display().to_string(),
        "--mqtt",
        &mqtt,
        "--seed",
        "3",
        "--clock-start-wall",
        &now,
        "--clock-start",
        "2026-11-25T10:00:00Z",
        "--clock-speed",
        "120",
    ]);
    wait_for("the control address", || {
        dir.join("control-address").exists().then_some(())
    });
    plant
}

#[test]
fn a_program_that_cannot_be_started_tied_says_why() {
    let own = std::process::id().to_string();
    let said = refusal(&["tied", &own, "/no/such/program", "--option"]);
    assert!(said.contains("cannot start /no/such/program"), "{said}");
    // No process has number 0, so it cannot be the one that started it.
    let said = refusal(&["tied", "0", "/bin/true"]);
    assert!(said.contains("has ended"), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn readings_of_all_loggers_arrive_over_their_wires() {
    let dir = tempfile::tempdir().expect("folder");
    let (_broker, port) = start_broker();
    let mut options = MqttOptions::new("listener", "127.0.0.1", port);
    options.set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut events) = AsyncClient::new(options, 16);
    client
        .subscribe("plant/#", QoS::AtLeastOnce)
        .await
        .expect("subscribed");
    let _plant = start_plant(dir.path(), port);
    let listen = async {
        let mut missing = vec!["plant/S1/", "plant/S2/", "plant/S3/", "plant/S4/"];
        while !missing.is_empty() {
            let event = events.poll().await.expect("connected");
            if let Event::Incoming(Packet::Publish(publish)) = event {
                assert!(!publish.payload.is_empty() && !publish.retain);
                missing.retain(|topic| !publish.topic.starts_with(topic));
            }
        }
    };
    tokio::time::timeout(PATIENCE, listen)
        .await
        .expect("all four loggers publish");
    for logger in ["N1", "N2", "N3", "N4"] {
        let path = dir
            .path()
            .join(format!("tty-{logger}"))
            .display()
            .to_string();
        let port = tokio_serial::new(path, 9600)
            .open_native_async()
            .expect("the port opens");
        let mut lines = BufReader::new(port).lines();
        let line = tokio::time::timeout(PATIENCE, lines.next_line())
            .await
            .expect("in time");
        let line = line.expect("read").expect("a line");
        assert!(
            line.contains(&format!("{logger}-0")) || line.contains("Y-01"),
            "{line}"
        );
    }
}

#[test]
fn a_running_plant_takes_commands_and_stops_when_told() {
    let dir = tempfile::tempdir().expect("folder");
    let folder = dir.path().display().to_string();
    // No broker: the plant must run all the same.
    let mut plant = start_plant(dir.path(), free_port());
    let fault = answer(&["fault", "--dir", &folder, "logger-unplugged", "N1"]);
    assert_eq!(fault["kind"], "logger-unplugged");
    let link = dir.path().join("tty-N1");
    wait_for("the link to go", || (!link.exists()).then_some(()));
    let mended = answer(&["mend", "--dir", &folder, "N1"]);
    assert_eq!(mended["ended_count"], 1);
    wait_for("the link to return", || link.exists().then_some(()));
    let error = refusal(&["fault", "--dir", &folder, "late-batch", "S4"]);
    assert!(error.contains("S4 is not a logger with a clock"), "{error}");

    let broken = answer(&["break", "--dir", &folder, "--bed", "S1", "--specimens", "3"]);
    let specimens = broken["specimens"].as_array().expect("specimens");
    assert_eq!(specimens.len(), 3);
    for specimen in specimens {
        let strength_mpa = specimen["strength_mpa"].as_f64().expect("strength");
        assert!((5.0..80.0).contains(&strength_mpa), "{specimen}");
    }
    let error = refusal(&[
        "break",
        "--dir",
        &folder,
        "--bed",
        "S1",
        "--specimens",
        "18",
    ]);
    assert!(
        error.contains("17 unbroken cylinders left, not 18"),
        "{error}"
    );

    // Its first reading comes up to a plant minute after the start.
    wait_for("a reading that no broker takes", || {
        let status = answer(&["status", "--dir", &folder]);
        let waiting = &status["loggers"]["S1"]["waiting_count"];
        (waiting.as_u64().expect("count") > 0).then_some(())
    });
    let id = plant.0.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .expect("kill")
            .success()
    );
    let status = wait_for("the plant to stop", || plant.0.try_wait().expect("state"));
    assert!(status.success(), "{status}");
    assert!(!link.exists(), "the serial links go with the plant");
    let error = refusal(&["status", "--dir", &folder]);
    assert!(error.contains("no plant answers"), "{error}");
}

#[test]
fn the_plan_names_what_a_pour_needs_and_keeps_nature_to_itself() {
    let answer = answer(&["plan", "--seed", "2", "--night", "2026-11-24"]);
    let bed = &answer["plan"]["beds"][0];
    assert_eq!(bed["bed_id"], "N1");
    assert_eq!(bed["loads"].as_array().expect("loads").len(), 4);
    assert_eq!(bed["specimens"].as_array().expect("specimens").len(), 16);
    assert!(bed["heat_on_at"].as_str().expect("instant").ends_with('Z'));
    assert!(bed["loads"][0].get("strength_factor").is_none());
    assert!(!answer["faults"].as_array().expect("faults").is_empty());
}

#[test]
fn a_port_in_use_is_refused_with_advice() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("address").port().to_string();
    let error = refusal(&["broker", "--port", &port]);
    assert!(error.contains("choose another port with --port"), "{error}");
}
