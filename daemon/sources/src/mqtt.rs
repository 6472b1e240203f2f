//! MQTT: one connection for loggers that stamp their readings, one for those without a clock.
//!
//! *With a clock*: a persistent session at quality of service 1. The broker keeps what comes while
//! the daemon is away, and a delivery is acknowledged only after its commit, in receipt order.
//!
//! *Without a clock*: a clean session at quality of service 0. The time of arrival is the time of
//! measurement only if nothing waited in between; at quality of service 1 the broker would hold
//! messages back behind unacknowledged ones while the store is busy, and they would then come in
//! a burst stamped now. What the broker had retained is refused as time unknown.

mod acks;

use std::collections::BTreeSet;
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, MqttOptions, Packet,
    Publish, QoS, StateError, SubAck, SubscribeFilter, SubscribeReasonCode,
};
use tokio::sync::mpsc::{self, UnboundedReceiver, UnboundedSender};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::backoff::{Announcer, Backoff};
use crate::config::{MqttSource, Subscription};
use crate::decode::{Arrival, Reason};
use crate::delivery::{AckToken, Clock, Delivery, Item, Receipt, RefusalKind, SourceEvent, Via};
use acks::AckLedger;

/// The largest packet that the protocol can carry. The library ends the connection at a larger
/// one than its limit, and on a persistent session the broker then sends it again for ever. So
/// everything is read, at the price of memory for a moment, and what passes the configured limit
/// is refused and acknowledged.
const READ_BYTES_MAX: usize = 268_435_455;
/// Room for requests to the connection; a full one is tried again at each turn of the loop.
const REQUEST_COUNT_MAX: usize = 1024;
const OUTGOING_BYTES_MAX: usize = 1 << 20;
const FAREWELL: Duration = Duration::from_secs(1);

/// Keeps the connections until told to stop.
///
/// Events go to an unbounded channel because the polling task must never wait: it would miss its
/// keep-alive. Towards clocked loggers the broker's in-flight window bounds it, since what is not
/// acknowledged stops the flow; clockless ones cannot be held back without telling a wrong time.
pub fn spawn_mqtt(
    source: MqttSource,
    clock: Clock,
    events: UnboundedSender<SourceEvent>,
    shutdown: CancellationToken,
) -> JoinHandle<()> {
    tokio::spawn(async move {
        let clocked = (!source.clocked.is_empty())
            .then(|| Connection::clocked(&source, clock.clone(), events.clone()));
        let clockless = (!source.clockless.is_empty())
            .then(|| Connection::clockless(&source, clock.clone(), events.clone()));
        let run = async |connection: Option<Connection>| {
            if let Some(connection) = connection {
                connection.run(&shutdown).await;
            }
        };
        tokio::join!(run(clocked), run(clockless));
    })
}

struct Connection {
    name: String,
    address: String,
    client_id: String,
    has_clock: bool,
    subscriptions: Vec<Subscription>,
    max_packet_bytes: usize,
    client: AsyncClient,
    event_loop: EventLoop,
    is_subscribe_due: bool,
    ledger: AckLedger,
    committed: UnboundedReceiver<Receipt>,
    to_committed: UnboundedSender<Receipt>,
    clock: Clock,
    events: UnboundedSender<SourceEvent>,
    announcer: Announcer,
    backoff: Backoff,
}

impl Connection {
    fn clocked(source: &MqttSource, clock: Clock, events: UnboundedSender<SourceEvent>) -> Self {
        let mut options = MqttOptions::new(&source.client_id, &source.host, source.port);
        options.set_clean_session(false).set_manual_acks(true);
        let subscriptions = source.clocked.clone();
        Self::new(
            source,
            source.name.clone(),
            options,
            subscriptions,
            clock,
            events,
        )
    }

    fn clockless(source: &MqttSource, clock: Clock, events: UnboundedSender<SourceEvent>) -> Self {
        let client_id = format!("{}-no-clock", source.client_id);
        let mut options = MqttOptions::new(client_id, &source.host, source.port);
        options.set_clean_session(true);
        let subscriptions = source.clockless.clone();
        Self::new(
            source,
            source.clockless_name(),
            options,
            subscriptions,
            clock,
            events,
        )
    }

    fn new(
        source: &MqttSource,
        name: String,
        mut options: MqttOptions,
        subscriptions: Vec<Subscription>,
        clock: Clock,
        events: UnboundedSender<SourceEvent>,
    ) -> Self {
        options
            .set_keep_alive(Duration::from_secs(u64::from(source.keep_alive_s)))
            .set_max_packet_size(READ_BYTES_MAX, OUTGOING_BYTES_MAX);
        if let Some(login) = &source.login {
            options.set_credentials(&login.username, &login.password);
        }
        let client_id = options.client_id();
        let has_clock = !options.clean_session();
        let (client, event_loop) = AsyncClient::new(options, REQUEST_COUNT_MAX);
        let (to_committed, committed) = mpsc::unbounded_channel();
        Self {
            address: format!("{}:{}", source.host, source.port),
            client_id,
            has_clock,
            subscriptions,
            max_packet_bytes: source.max_packet_bytes,
            client,
            event_loop,
            is_subscribe_due: false,
            ledger: AckLedger::default(),
            committed,
            to_committed,
            announcer: Announcer::new(name.clone(), clock.clone(), events.clone()),
            name,
            clock,
            events,
            backoff: Backoff::new(),
        }
    }

    async fn run(mut self, shutdown: &CancellationToken) {
        loop {
            let Some(polled) = shutdown.run_until_cancelled(self.turn()).await else {
                break;
            };
            match polled {
                Ok(event) => self.handle(event),
                Err(error) => {
                    self.lost(&error);
                    let wait = tokio::time::sleep(self.backoff.wait());
                    if shutdown.run_until_cancelled(wait).await.is_none() {
                        break;
                    }
                }
            }
        }
        self.leave().await;
    }

    /// One turn: send what is due, then poll, taking in acknowledgements meanwhile.
    ///
    /// The poll is never given up for an acknowledgement: dropping it half-way can lose a packet
    /// that the library already counts as sent, and would start a slow connect again and again.
    async fn turn(&mut self) -> Result<Event, ConnectionError> {
        if self.is_subscribe_due {
            self.is_subscribe_due = self.client.try_subscribe_many(self.filters()).is_err();
        }
        self.ledger.send(&self.client);
        let mut polled = std::pin::pin!(self.event_loop.poll());
        loop {
            tokio::select! {
                polled = &mut polled => return polled,
                Some(receipt) = self.committed.recv() => {
                    self.ledger.committed(receipt);
                    self.ledger.send(&self.client);
                }
            }
        }
    }

    fn filters(&self) -> Vec<SubscribeFilter> {
        let quality = if self.has_clock {
            QoS::AtLeastOnce
        } else {
            QoS::AtMostOnce
        };
        let filters: BTreeSet<&String> = self.subscriptions.iter().map(|one| &one.filter).collect();
        filters
            .into_iter()
            .map(|filter| SubscribeFilter::new(filter.clone(), quality))
            .collect()
    }

    fn handle(&mut self, event: Event) {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                // On every connection, also on a resumed session: the broker may have been
                // replaced, and the library drops a subscription that was queued while offline.
                self.is_subscribe_due = true;
                self.ledger.connected();
                self.backoff.connected();
                self.announcer.up();
            }
            Event::Incoming(Packet::SubAck(answer)) => self.check_subscribed(&answer),
            Event::Incoming(Packet::Publish(publish)) => self.deliver(&publish),
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }

    fn check_subscribed(&mut self, answer: &SubAck) {
        let filters = self.filters();
        let answers = filters.iter().zip(&answer.return_codes);
        let refused: Vec<&str> = answers
            .filter(|(_, code)| **code == SubscribeReasonCode::Failure)
            .map(|(filter, _)| filter.path.as_str())
            .collect();
        if !refused.is_empty() {
            self.announcer.down(format!(
                "the broker lets {} not subscribe to {}: allow it there",
                self.client_id,
                refused.join(", ")
            ));
        }
    }

    fn deliver(&mut self, publish: &Publish) {
        let received_at = (self.clock)();
        let is_the_time = !self.has_clock && !publish.retain;
        let context = format!("topic {}", publish.topic);
        let (came, context) = (&*publish.payload, &*context);
        let arrival = Arrival {
            received_at,
            is_the_time,
            via: Via::Mqtt,
            came,
            context,
        };
        let ack = if publish.qos == QoS::AtMostOnce {
            None
        } else {
            let receipt = self.ledger.received(publish.pkid);
            receipt.map(|receipt| AckToken {
                receipt,
                to: self.to_committed.clone(),
            })
        };
        let items = self.items(publish, &arrival);
        let delivery = Delivery {
            source: self.name.clone(),
            received_at,
            items,
            ack,
        };
        // The daemon is ending when nobody takes deliveries; the stop signal follows.
        let _ = self.events.send(SourceEvent::Delivery(delivery));
    }

    fn items(&self, publish: &Publish, arrival: &Arrival<'_>) -> Vec<Item> {
        let refuse = |kind, detail: String| vec![arrival.item(Err(Reason::new(kind, detail)))];
        if publish.size() > self.max_packet_bytes {
            let (size, limit) = (publish.size(), self.max_packet_bytes);
            let detail =
                format!("the message has {size} bytes, more than max_packet_bytes {limit}");
            return refuse(RefusalKind::TooLarge, detail);
        }
        let mut fitting = self
            .subscriptions
            .iter()
            .filter(|one| rumqttc::matches(&publish.topic, &one.filter))
            .peekable();
        if fitting.peek().is_none() {
            // A persistent session keeps its old filters when they leave the configuration.
            let detail = "no subscription names this topic; an earlier configuration may have";
            return refuse(RefusalKind::UnexpectedTopic, detail.to_owned());
        }
        fitting
            .flat_map(|one| one.decoder.decode(&publish.topic, arrival.came))
            .map(|decoded| arrival.item(decoded))
            .collect()
    }

    fn lost(&mut self, error: &ConnectionError) {
        // The library keeps what it had read but not yet yielded. At quality of service 1 the
        // broker sends that again under other packet numbers, so here it is dropped; at 0 nobody
        // would send it again.
        let unread: Vec<Event> = self.event_loop.state.events.drain(..).collect();
        for event in unread {
            if let Event::Incoming(Packet::Publish(publish)) = event
                && publish.qos == QoS::AtMostOnce
            {
                self.deliver(&publish);
            }
        }
        self.is_subscribe_due = false;
        self.ledger.disconnected();
        let reason = self.problem(error);
        self.announcer.down(reason);
    }

    fn problem(&self, error: &ConnectionError) -> String {
        let address = &self.address;
        match error {
            ConnectionError::Io(error) => {
                format!("the broker at {address} cannot be reached: {error}")
            }
            ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
                format!("the broker at {address} does not answer")
            }
            ConnectionError::ConnectionRefused(
                ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
            ) => format!("the broker at {address} refuses the login: check username and password"),
            ConnectionError::ConnectionRefused(code) => {
                format!("the broker at {address} refuses the connection: {code:?}")
            }
            ConnectionError::MqttState(StateError::AwaitPingResp) => {
                format!("the broker at {address} has fallen silent")
            }
            ConnectionError::MqttState(StateError::ConnectionAborted | StateError::Io(_)) => {
                format!(
                    "the broker at {address} ended the connection; if it does so again and again, \
                 look for another client with the id {}",
                    self.client_id
                )
            }
            ConnectionError::MqttState(_)
            | ConnectionError::NotConnAck(_)
            | ConnectionError::RequestsDone => {
                format!("the connection to the broker at {address} broke: {error}")
            }
        }
    }

    /// Sends the acknowledgements that are ready and says good-bye, so that the broker does not
    /// take the daemon for lost.
    async fn leave(&mut self) {
        if self.event_loop.network.is_none() {
            return;
        }
        while let Ok(receipt) = self.committed.try_recv() {
            self.ledger.committed(receipt);
        }
        self.ledger.send(&self.client);
        if self.client.try_disconnect().is_err() {
            return;
        }
        let said = async {
            while let Ok(event) = self.event_loop.poll().await {
                if event == Event::Outgoing(rumqttc::Outgoing::Disconnect) {
                    break;
                }
            }
        };
        if tokio::time::timeout(FAREWELL, said).await.is_err() {
            tracing::debug!(source = self.name, "the broker did not take the farewell");
        }
    }
}
