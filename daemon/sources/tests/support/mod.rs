//! What tests of real ports and real brokers share: events with a bounded wait, child processes.

#![allow(dead_code, reason = "each test file uses the part that it needs")]

use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use daemon_sources::{Clock, Content, Delivery, Item, SourceEvent};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

/// Long enough for a loaded machine; no test waits this long unless it fails.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// A plant clock far from wall time, so that a mix-up of the two shows.
pub fn plant_clock() -> Clock {
    Arc::new(|| DateTime::from_timestamp_millis(2_000_000_000_000).expect("a valid time"))
}

/// The events of one or several sources.
pub struct Heard {
    pub sender: UnboundedSender<SourceEvent>,
    receiver: UnboundedReceiver<SourceEvent>,
}

impl Heard {
    pub fn new() -> Self {
        let (sender, receiver) = unbounded_channel();
        Self { sender, receiver }
    }

    pub async fn next(&mut self, wanted: &str) -> SourceEvent {
        match tokio::time::timeout(PATIENCE, self.receiver.recv()).await {
            Ok(Some(event)) => event,
            Ok(None) => panic!("the sources ended while waiting for {wanted}"),
            Err(_) => panic!("nothing came within {PATIENCE:?} while waiting for {wanted}"),
        }
    }

    /// The next delivery; connection news on the way is passed over.
    pub async fn delivery(&mut self) -> Delivery {
        loop {
            if let SourceEvent::Delivery(delivery) = self.next("a delivery").await {
                return delivery;
            }
        }
    }

    pub async fn up(&mut self, name: &str) {
        loop {
            if let SourceEvent::Up { source, .. } = self.next(&format!("{name} up")).await
                && source == name
            {
                return;
            }
        }
    }

    pub async fn down(&mut self, name: &str) -> String {
        loop {
            let event = self.next(&format!("{name} down")).await;
            if let SourceEvent::Down { source, reason, .. } = event
                && source == name
            {
                return reason;
            }
        }
    }

    /// What has come and was not yet looked at.
    pub fn rest(&mut self) -> Vec<SourceEvent> {
        std::iter::from_fn(|| self.receiver.try_recv().ok()).collect()
    }
}

/// An item as short text: channel, time in ms and value, or the refusal's name.
pub fn shown(item: &Item) -> String {
    match item {
        Item::Refused(refusal) => refusal.kind.as_str().to_owned(),
        Item::Reading(reading) => {
            let value = match reading.content {
                Content::TemperatureC(temperature_c) => temperature_c.to_string(),
                Content::Fault(word) => word.as_str().to_owned(),
            };
            let at = reading
                .measured_at
                .map(|at: DateTime<Utc>| at.timestamp_millis().to_string());
            format!(
                "{} {} {value}",
                reading.channel,
                at.as_deref().unwrap_or("-")
            )
        }
    }
}

pub fn all_shown(delivery: &Delivery) -> Vec<String> {
    delivery.items.iter().map(shown).collect()
}

/// Waits for a condition, looking again and again; fails with what was seen last.
pub async fn until<T>(what: &str, mut look: impl FnMut() -> Result<T, String>) -> T {
    let began = Instant::now();
    loop {
        match look() {
            Ok(found) => return found,
            Err(seen) if began.elapsed() > PATIENCE => panic!("waited for {what}; last: {seen}"),
            Err(_) => tokio::time::sleep(Duration::from_millis(10)).await,
        }
    }
}

/// A child process that ends with its test.
pub struct Process(Child);

impl Process {
    pub fn start(command: &mut Command) -> Self {
        let child = command
            .stdin(Stdio::null())
            .spawn()
            .unwrap_or_else(|error| {
                panic!(
                    "{command:?} cannot start: {error}; install socat, mosquitto, mosquitto-clients"
                )
            });
        Self(child)
    }

    pub fn has_ended(&mut self) -> bool {
        self.0.try_wait().expect("a child of this test").is_some()
    }

    /// Ends at once, without a chance to tidy up.
    pub fn kill(&mut self) {
        self.0.kill().expect("a child of this test");
        self.0.wait().expect("a child of this test");
    }

    /// Asks to end, as a service manager does, and waits.
    pub fn terminate(&mut self) {
        let id = self.0.id().to_string();
        let status = Command::new("kill")
            .arg(&id)
            .status()
            .expect("kill is there");
        assert!(status.success());
        self.0.wait().expect("a child of this test");
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already; there is nothing left to do then.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
