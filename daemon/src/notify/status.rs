//! The state of the plant as retained MQTT messages: for lamps, sirens and screens that others build.
//!
//! `TOPIC/daemon` says that the daemon is up, has stopped, or is gone (the broker says that by the
//! will); `TOPIC/alarm` is the most urgent alarm; `TOPIC/beds/BED` is one bed. A message is published
//! when what it says has changed, and every one again after a connection was lost.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use daemon_api::bed::{BedView, PlantSnapshot};
use daemon_api::trouble::TroubleView;
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::time::UtcMs;
use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, QoS};
use serde_json::{Value, json};
use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::WORDS;
use crate::live::Live;

/// After a lost connection the next try comes this much later; each later one after twice that …
const TRY_AGAIN: Duration = Duration::from_secs(1);
/// … up to this.
const TRY_AGAIN_MAX: Duration = Duration::from_secs(60);
/// So many failed tries in a row are a trouble.
const DEAD_AFTER: u32 = 3;
/// The last word may take this long.
const FAREWELL: Duration = Duration::from_secs(2);
/// A test may take this long.
const TEST_WAIT_MAX: Duration = Duration::from_secs(20);
/// Messages that may wait for the broker: more than beds there are.
const WAITING_COUNT_MAX: usize = 2048;

/// A broker, and under which topic the plant's state stands there.
#[derive(Clone, PartialEq)]
pub struct StatusSettings {
    pub host: String,
    pub port: u16,
    pub client_id: String,
    pub topic: String,
    pub login: Option<(String, String)>,
    pub keep_alive: Duration,
}

// The password is a secret.
impl std::fmt::Debug for StatusSettings {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{} at {}:{}", self.topic, self.host, self.port)
    }
}

impl StatusSettings {
    fn options(&self, client_id: &str) -> MqttOptions {
        let mut options = MqttOptions::new(client_id, &self.host, self.port);
        options.set_keep_alive(self.keep_alive);
        if let Some((user, password)) = &self.login {
            options.set_credentials(user, password);
        }
        options
    }

    fn daemon_topic(&self) -> String {
        format!("{}/daemon", self.topic)
    }

    /// The broker, for people.
    fn broker(&self) -> String {
        format!("the broker at {}:{}", self.host, self.port)
    }
}

/// How publishing goes, for the loop to tell people of.
#[derive(Debug, Default)]
pub struct StatusHealth(Mutex<Option<Failing>>);

#[derive(Debug, Clone)]
struct Failing {
    since: UtcMs,
    tries: u32,
    broker: String,
    reason: String,
}

impl StatusHealth {
    fn failed(&self, broker: String, reason: String, now: UtcMs) -> u32 {
        let mut failing = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let one = failing.get_or_insert(Failing {
            since: now,
            tries: 0,
            broker,
            reason: String::new(),
        });
        one.tries += 1;
        one.reason = reason;
        one.tries
    }

    fn works(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// The trouble of a broker that cannot be told anything.
    #[must_use]
    pub fn trouble(&self) -> Option<Trouble> {
        let failing = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let failing = failing.as_ref().filter(|one| one.tries >= DEAD_AFTER)?;
        Some(Trouble {
            kind: "target-dead".into(),
            urgency: Urgency::Soon,
            bed: None,
            pour: None,
            place: Some("status".to_owned()),
            what: format!(
                "The plant's state could not be published {} times: {} does not take it ({}).",
                failing.tries, failing.broker, failing.reason
            ),
            since: failing.since,
            first_act: "Do not rely on lamps and screens fed by that broker; see whether it runs."
                .into(),
            explained_by: None,
        })
    }
}

/// Publishes until told to stop.
pub fn spawn_status(
    settings: StatusSettings,
    live: Arc<Live>,
    stop: CancellationToken,
) -> JoinHandle<()> {
    let mut options = settings.options(&settings.client_id);
    let gone = json!({ "state": "gone" }).to_string();
    let will = LastWill::new(settings.daemon_topic(), gone, QoS::AtLeastOnce, true);
    options.set_last_will(will);
    let (client, event_loop) = AsyncClient::new(options, WAITING_COUNT_MAX);
    let publisher = Publisher {
        settings,
        live,
        client,
        event_loop,
        published: BTreeMap::new(),
        is_connected: false,
    };
    tokio::spawn(publisher.run(stop))
}

struct Publisher {
    settings: StatusSettings,
    live: Arc<Live>,
    client: AsyncClient,
    event_loop: EventLoop,
    /// Topic → what was last published there in this connection.
    published: BTreeMap<String, String>,
    is_connected: bool,
}

impl Publisher {
    async fn run(mut self, stop: CancellationToken) {
        let mut changes = self.live.subscribe();
        let mut try_again = TRY_AGAIN;
        loop {
            tokio::select! {
                () = stop.cancelled() => break,
                polled = self.event_loop.poll() => match polled {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        try_again = TRY_AGAIN;
                        self.live.status_health.works();
                        self.published.clear();
                        self.is_connected = true;
                        self.publish_changes();
                    }
                    Ok(_) => {}
                    Err(problem) => {
                        self.is_connected = false;
                        self.note(&problem.to_string());
                        tokio::select! {
                            () = stop.cancelled() => break,
                            () = tokio::time::sleep(try_again) => {}
                        }
                        try_again = (try_again * 2).min(TRY_AGAIN_MAX);
                    }
                },
                change = changes.recv() => match change {
                    // Whatever was missed stands in the snapshot too.
                    Ok(_) | Err(RecvError::Lagged(_)) => self.publish_changes(),
                    Err(RecvError::Closed) => break,
                },
            }
        }
        self.farewell().await;
    }

    fn note(&self, reason: &str) {
        let broker = self.settings.broker();
        let now = self.live.clock.now();
        let tries = self
            .live
            .status_health
            .failed(broker.clone(), reason.to_owned(), now);
        if tries == 1 {
            tracing::warn!("the plant's state is not published: {broker}: {reason}");
        }
    }

    /// Publishes every message that says something new; one that finds no room goes at the next change.
    fn publish_changes(&mut self) {
        if !self.is_connected {
            return;
        }
        for (topic, message) in messages(&self.settings.topic, &self.live.snapshot()) {
            let message = message.to_string();
            if self.published.get(&topic) != Some(&message)
                && self.try_publish(&topic, message.clone())
            {
                self.published.insert(topic, message);
            }
        }
    }

    fn try_publish(&self, topic: &str, message: String) -> bool {
        let sent = self
            .client
            .try_publish(topic, QoS::AtLeastOnce, true, message);
        sent.is_ok()
    }

    /// Says that the daemon was stopped, so that nobody takes it for dead.
    async fn farewell(mut self) {
        let stopped = json!({ "state": "stopped" }).to_string();
        let topic = self.settings.daemon_topic();
        if !self.is_connected || !self.try_publish(&topic, stopped) {
            return;
        }
        let said = async {
            let mut is_sent = false;
            while let Ok(event) = self.event_loop.poll().await {
                is_sent |= matches!(event, Event::Outgoing(rumqttc::Outgoing::Publish(_)));
                let is_answered = matches!(event, Event::Incoming(Packet::PubAck(_)));
                if is_sent && is_answered && self.event_loop.state.inflight() == 0 {
                    return;
                }
            }
        };
        // Without an answer in time the broker tells by the will that the daemon is gone.
        let _ = tokio::time::timeout(FAREWELL, said).await;
        let _ = self.client.try_disconnect();
        let _ = tokio::time::timeout(FAREWELL, self.event_loop.poll()).await;
    }
}

/// Tries the way to the broker, without touching what is retained there.
///
/// # Errors
/// What went wrong, in words without the password.
pub async fn test_status(settings: &StatusSettings, plant: &str) -> Result<(), String> {
    let client_id = format!("{}-test", settings.client_id);
    let (client, mut event_loop) = AsyncClient::new(settings.options(&client_id), 8);
    let message = json!({ "plant": plant, "text": "This is a test; nothing has happened." });
    let topic = format!("{}/test", settings.topic);
    let sent = client.try_publish(topic, QoS::AtLeastOnce, false, message.to_string());
    sent.map_err(|problem| problem.to_string())?;
    let answered = async {
        loop {
            match event_loop.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => return Ok(()),
                Ok(_) => {}
                Err(problem) => return Err(format!("{}: {problem}", settings.broker())),
            }
        }
    };
    let outcome = tokio::time::timeout(TEST_WAIT_MAX, answered).await;
    outcome.unwrap_or_else(|_| Err(format!("{} does not answer in time", settings.broker())))
}

/// Every message of a snapshot, by topic.
fn messages(topic: &str, plant: &PlantSnapshot) -> Vec<(String, Value)> {
    let name = &plant.plant.name;
    let mut messages = vec![
        (
            format!("{topic}/daemon"),
            json!({ "state": "up", "plant": name, "version": plant.plant.version }),
        ),
        (format!("{topic}/alarm"), alarm(name, &plant.troubles)),
    ];
    let beds = plant.beds.iter().map(|view| {
        (
            format!("{topic}/beds/{}", level(&view.bed)),
            bed_message(name, view),
        )
    });
    messages.extend(beds);
    messages
}

/// A name as one level of a topic: the signs that mean something in topics are percent-encoded.
fn level(name: &str) -> String {
    let mut level = String::new();
    for sign in name.chars() {
        match sign {
            '/' | '+' | '#' | '%' => level.push_str(&format!("%{:02X}", u32::from(sign))),
            sign if sign.is_control() => level.push('_'),
            sign => level.push(sign),
        }
    }
    level
}

fn word(trouble: &TroubleView) -> &str {
    trouble.alarm.as_ref().map_or("", |alarm| &alarm.word)
}

/// The most urgent alarm that is not snoozed, and how many there are.
fn alarm(plant: &str, troubles: &[TroubleView]) -> Value {
    let awake: Vec<&TroubleView> = troubles
        .iter()
        .filter(|one| word(one) != "snoozed")
        .collect();
    let new_count = awake.iter().filter(|one| word(one) == "new").count();
    let mut message = json!({
        "plant": plant,
        "urgency": "none",
        "new_count": new_count,
        "standing_count": awake.len(),
        "words": WORDS,
    });
    if let Some(first) = awake.first() {
        message["urgency"] = json!(first.urgency);
        message["first"] = told(first);
    }
    message
}

/// An alarm without what changes at each look.
fn told(trouble: &TroubleView) -> Value {
    json!({
        "id": trouble.id,
        "urgency": trouble.urgency,
        "word": word(trouble),
        "kind": trouble.kind,
        "bed": trouble.bed,
        "place": trouble.place,
        "since": trouble.since,
        "first_act": trouble.first_act,
    })
}

/// What stands at the broker for a bed.
#[must_use]
pub fn bed_message(plant: &str, view: &BedView) -> Value {
    let pours = view.pours.iter().map(|pour| {
        json!({
            "pour": pour.pour,
            "mix": pour.mix,
            "status": pour.status,
            "cylinders": pour.confirmation.words,
        })
    });
    json!({
        "plant": plant,
        "bed": view.bed,
        "pours": pours.collect::<Vec<Value>>(),
        "alarms": view.troubles.iter().map(told).collect::<Vec<Value>>(),
        "words": WORDS,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_beds_name_is_one_level_of_a_topic_whatever_signs_it_has() {
        assert_eq!(level("N4"), "N4");
        assert_eq!(level("B1/2 #3+4%"), "B1%2F2 %233%2B4%25");
        assert_eq!(level("B\u{0}1"), "B_1");
    }

    #[test]
    fn only_a_broker_that_failed_several_times_is_a_trouble() {
        let health = StatusHealth::default();
        let failed = |minute: i64| {
            health.failed(
                "the broker at b:1883".to_owned(),
                "refused".to_owned(),
                UtcMs(minute * 60_000),
            )
        };
        failed(1);
        failed(2);
        assert!(health.trouble().is_none());
        failed(3);
        let trouble = health.trouble().expect("a trouble");
        assert_eq!(
            (trouble.id(), trouble.since),
            ("target-dead/status".to_owned(), UtcMs(60_000))
        );
        assert!(trouble.what.contains("b:1883") && trouble.what.contains("refused"));
        health.works();
        assert!(health.trouble().is_none());
    }
}
