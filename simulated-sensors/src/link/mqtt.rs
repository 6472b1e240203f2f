//! A logger's connection to the broker: QoS 1 out of an outbox of its own.
//!
//! The client library forgets queued messages when a session is new, and its state survives a
//! lost connection in ways that can confuse acknowledgements. So each attempt to connect is a
//! fresh client, one message is in flight at a time, and it leaves the outbox when the broker has
//! acknowledged it: a logger with a memory loses nothing while the broker is away.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use tokio::sync::mpsc::{self, UnboundedReceiver, UnboundedSender};
use tokio::task::JoinHandle;

/// Where the broker listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerAddress {
    pub host: String,
    pub port: u16,
}

impl std::str::FromStr for BrokerAddress {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts = text
            .rsplit_once(':')
            .map(|(host, port)| (host, port.parse::<u16>()));
        match parts {
            Some((host, Ok(port))) if !host.is_empty() && port > 0 => Ok(Self {
                host: host.to_owned(),
                port,
            }),
            _ => Err("give the broker as HOST:PORT, for example 127.0.0.1:1883".to_owned()),
        }
    }
}

/// What became of the messages; shared with the task that sends them.
#[derive(Debug, Default)]
pub struct PublisherCounts {
    pub acknowledged: AtomicU64,
    /// Lost because a logger without a memory had no connection, or the memory was full.
    pub lost: AtomicU64,
    /// Waiting in the outbox.
    pub waiting: AtomicUsize,
}

/// The sending end of a logger. Dropping it ends the connection.
#[derive(Debug)]
pub struct Publisher {
    commands: UnboundedSender<Command>,
    pub counts: Arc<PublisherCounts>,
}

#[derive(Debug)]
enum Command {
    Send(Message),
    PlugIn,
    Unplug,
}

#[derive(Debug, Clone)]
struct Message {
    topic: String,
    payload: Vec<u8>,
}

/// Messages that a logger with a memory keeps: several nights of one bed.
const OUTBOX_COUNT_MAX: usize = 200_000;
const BACK_OFF_FIRST: Duration = Duration::from_millis(50);
const BACK_OFF_MAX: Duration = Duration::from_secs(2);

impl Publisher {
    /// Starts a connection that is kept up for ever; call it within a tokio runtime.
    ///
    /// A logger with a memory sends everything, however late; one without sends while it is
    /// connected and forgets the rest.
    pub fn spawn(client_id: &str, broker: BrokerAddress, has_memory: bool) -> Self {
        let (commands, received) = mpsc::unbounded_channel();
        let (reports, reported) = mpsc::unbounded_channel();
        let counts = Arc::new(PublisherCounts::default());
        let outbox = Outbox {
            client_id: client_id.to_owned(),
            broker,
            has_memory,
            counts: Arc::clone(&counts),
            messages: VecDeque::new(),
            connection: None,
            connection_number: 0,
            back_off: BACK_OFF_FIRST,
            reports,
        };
        tokio::spawn(outbox.run(received, reported));
        Self { commands, counts }
    }

    pub fn send(&self, topic: String, payload: Vec<u8>) {
        self.command(Command::Send(Message { topic, payload }));
    }

    pub fn plug_in(&self) {
        self.command(Command::PlugIn);
    }

    pub fn unplug(&self) {
        self.command(Command::Unplug);
    }

    fn command(&self, command: Command) {
        // The task ends only when this handle is dropped or the runtime stops.
        drop(self.commands.send(command));
    }
}

/// What a connection tells its outbox, with the connection's number.
struct Report {
    connection_number: u64,
    news: News,
}

enum News {
    Connected,
    Acknowledged,
    Lost,
}

struct Outbox {
    client_id: String,
    broker: BrokerAddress,
    has_memory: bool,
    counts: Arc<PublisherCounts>,
    /// The first is in flight while the connection says so.
    messages: VecDeque<Message>,
    connection: Option<Connection>,
    connection_number: u64,
    back_off: Duration,
    reports: UnboundedSender<Report>,
}

struct Connection {
    client: AsyncClient,
    task: JoinHandle<()>,
    is_up: bool,
    is_in_flight: bool,
}

impl Drop for Connection {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Outbox {
    async fn run(
        mut self,
        mut commands: UnboundedReceiver<Command>,
        mut reports: UnboundedReceiver<Report>,
    ) {
        self.connect();
        loop {
            tokio::select! {
                command = commands.recv() => match command {
                    Some(Command::Send(message)) => self.accept(message),
                    Some(Command::PlugIn) if self.connection.is_none() => self.connect(),
                    Some(Command::PlugIn) => {}
                    Some(Command::Unplug) => self.disconnect(),
                    None => return,
                },
                Some(report) = reports.recv() => {
                    if report.connection_number == self.connection_number {
                        self.hear(&report.news);
                    }
                }
            }
            self.send_next();
            self.counts
                .waiting
                .store(self.messages.len(), Ordering::Relaxed);
        }
    }

    fn accept(&mut self, message: Message) {
        let is_up = self
            .connection
            .as_ref()
            .is_some_and(|connection| connection.is_up);
        if !is_up && !self.has_memory {
            self.counts.lost.fetch_add(1, Ordering::Relaxed);
            return;
        }
        self.messages.push_back(message);
        if self.messages.len() > OUTBOX_COUNT_MAX {
            // The second oldest goes: the oldest may be in flight.
            self.messages.remove(1);
            self.counts.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn hear(&mut self, news: &News) {
        let Some(connection) = &mut self.connection else {
            return;
        };
        match news {
            News::Connected => {
                connection.is_up = true;
                self.back_off = BACK_OFF_FIRST;
            }
            News::Acknowledged => {
                if std::mem::take(&mut connection.is_in_flight) {
                    self.messages.pop_front();
                    self.counts.acknowledged.fetch_add(1, Ordering::Relaxed);
                }
            }
            News::Lost => {
                self.disconnect();
                self.back_off = (self.back_off * 2).min(BACK_OFF_MAX);
                self.connect();
            }
        }
    }

    fn send_next(&mut self) {
        let Some(connection) = &mut self.connection else {
            return;
        };
        if !connection.is_up || connection.is_in_flight {
            return;
        }
        let Some(message) = self.messages.front().cloned() else {
            return;
        };
        let sent =
            connection
                .client
                .try_publish(message.topic, QoS::AtLeastOnce, false, message.payload);
        // The request queue has room, for one message is out at a time; an error means that the
        // connection has just ended, which its last report will say.
        connection.is_in_flight = sent.is_ok();
    }

    fn disconnect(&mut self) {
        self.connection = None;
        if !self.has_memory {
            let lost_count = self.messages.drain(..).count() as u64;
            self.counts.lost.fetch_add(lost_count, Ordering::Relaxed);
        }
    }

    fn connect(&mut self) {
        self.connection_number += 1;
        let mut options =
            MqttOptions::new(&self.client_id, self.broker.host.clone(), self.broker.port);
        options
            .set_clean_session(true)
            .set_keep_alive(Duration::from_secs(30));
        let (client, events) = AsyncClient::new(options, 4);
        let task = follow(
            events,
            self.back_off,
            self.connection_number,
            self.reports.clone(),
        );
        self.connection = Some(Connection {
            client,
            task: tokio::spawn(task),
            is_up: false,
            is_in_flight: false,
        });
    }
}

/// Follows one connection from its start to its end.
async fn follow(
    mut events: rumqttc::EventLoop,
    back_off: Duration,
    connection_number: u64,
    reports: UnboundedSender<Report>,
) {
    tokio::time::sleep(back_off).await;
    loop {
        let news = match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => News::Connected,
            Ok(Event::Incoming(Packet::PubAck(_))) => News::Acknowledged,
            Ok(_) => continue,
            Err(error) => {
                tracing::debug!(%error, "the connection to the broker ended");
                News::Lost
            }
        };
        let is_over = matches!(news, News::Lost);
        if reports
            .send(Report {
                connection_number,
                news,
            })
            .is_err()
            || is_over
        {
            return;
        }
    }
}

#[cfg(test)]
mod tests;
