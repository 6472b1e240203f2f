//! The task that follows the daemon: opens the stream, fetches the snapshot, and tries again for ever.

use std::time::Duration;

use daemon_api::client::{Client, ClientError, EventStream};
use daemon_api::event::{PlantChange, PlantEvent};
use tokio::sync::mpsc::Sender;

use crate::event::{Connection, Event, Loss};

/// The first wait after a loss; it doubles up to [`RETRY_IN_MAX`].
const RETRY_IN_FIRST: Duration = Duration::from_millis(500);
/// The longest wait between two tries.
const RETRY_IN_MAX: Duration = Duration::from_secs(10);

/// How an event follows on what is known.
#[derive(Debug, PartialEq, Eq)]
enum Order {
    /// It is the next one.
    Next,
    /// The snapshot contains it already.
    Known,
    /// It says nothing but that the daemon lives.
    Alive,
    /// One before it was missed.
    Missed,
}

fn order(last_sequence: u64, event: &PlantEvent) -> Order {
    let sequence = event.sequence;
    if matches!(event.change, PlantChange::Resync {}) {
        Order::Missed
    } else if sequence == last_sequence && matches!(event.change, PlantChange::Heartbeat {}) {
        Order::Alive
    } else if sequence <= last_sequence {
        Order::Known
    } else if sequence == last_sequence + 1 {
        Order::Next
    } else {
        Order::Missed
    }
}

/// What the client's problem means to a person: its sentences about the stream are for programs.
fn loss(problem: &ClientError) -> Loss {
    match problem {
        ClientError::Unreachable { .. } | ClientError::Ended => Loss::Gone,
        ClientError::Silent | ClientError::NoAnswer { .. } => Loss::Silent,
        other => Loss::Odd(other.to_string()),
    }
}

fn longer(retry_in: Duration) -> Duration {
    (retry_in * 2).min(RETRY_IN_MAX)
}

/// Follows the daemon until the dashboard no longer listens.
pub async fn follow(client: Client, events: Sender<Event>) {
    let mut retry_in = RETRY_IN_FIRST;
    loop {
        let loss = match stream(&client, &events, &mut retry_in).await {
            Ok(()) => return,
            Err(problem) => loss(&problem),
        };
        let lost = Event::Connection(Connection::Lost { loss, retry_in });
        if events.send(lost).await.is_err() {
            return;
        }
        tokio::time::sleep(retry_in).await;
        retry_in = longer(retry_in);
    }
}

/// One connection; ends well only when the dashboard no longer listens.
async fn stream(
    client: &Client,
    events: &Sender<Event>,
    retry_in: &mut Duration,
) -> Result<(), ClientError> {
    // The stream is opened before the snapshot is fetched, so that no event falls between them.
    let mut stream: EventStream = client.events().await?;
    let Some(mut last_sequence) = snapshot(client, events).await? else {
        return Ok(());
    };
    *retry_in = RETRY_IN_FIRST;
    loop {
        let event = stream.next().await?;
        match order(last_sequence, &event) {
            Order::Known => continue,
            // Else a plant in which nothing changes would be said to be silent.
            Order::Next | Order::Alive => {
                last_sequence = event.sequence;
                if events.send(Event::Plant(Box::new(event))).await.is_err() {
                    return Ok(());
                }
            }
            Order::Missed => match snapshot(client, events).await? {
                Some(sequence) => last_sequence = sequence,
                None => return Ok(()),
            },
        }
    }
}

/// Fetches the snapshot and passes it on; its sequence, or nothing when nobody listens.
async fn snapshot(client: &Client, events: &Sender<Event>) -> Result<Option<u64>, ClientError> {
    let snapshot = client.snapshot().await?;
    let sequence = snapshot.sequence;
    let news = Event::Connection(Connection::Snapshot(Box::new(snapshot)));
    Ok(events.send(news).await.is_ok().then_some(sequence))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event(sequence: u64, change: PlantChange) -> PlantEvent {
        PlantEvent {
            sequence,
            now: chrono::DateTime::UNIX_EPOCH,
            change,
        }
    }

    #[test]
    fn a_missed_number_asks_for_the_snapshot_and_an_old_one_is_dropped() {
        let of = |sequence| {
            let change = PlantChange::Plant {
                troubles: Vec::new(),
                cleared: Vec::new(),
                sources: Vec::new(),
                store: daemon_api::bed::StoreView {
                    writing: true,
                    problem: None,
                    since: None,
                },
            };
            order(7, &event(sequence, change))
        };
        assert_eq!(of(8), Order::Next);
        assert_eq!(of(7), Order::Known);
        assert_eq!(of(3), Order::Known);
        assert_eq!(of(9), Order::Missed);
        assert_eq!(order(7, &event(7, PlantChange::Resync {})), Order::Missed);
    }

    #[test]
    fn a_heartbeat_that_brings_nothing_new_is_heard_all_the_same() {
        let beat = |sequence| order(7, &event(sequence, PlantChange::Heartbeat {}));
        assert_eq!(beat(7), Order::Alive);
        assert_eq!(beat(6), Order::Known);
        assert_eq!(beat(9), Order::Missed);
    }

    #[test]
    fn people_are_told_what_was_lost_and_not_what_the_stream_said() {
        assert_eq!(loss(&ClientError::Ended), Loss::Gone);
        assert_eq!(loss(&ClientError::Silent), Loss::Silent);
        let odd = ClientError::Unreadable {
            base: "http://127.0.0.1:7871".to_owned(),
            path: "/v1/plant".to_owned(),
            detail: "status 404 without a problem".to_owned(),
        };
        assert!(matches!(loss(&odd), Loss::Odd(sentence) if sentence.contains("status 404")));
    }

    #[test]
    fn the_wait_between_tries_grows_to_its_bound_and_no_further() {
        let mut wait = RETRY_IN_FIRST;
        for _ in 0..10 {
            wait = longer(wait);
        }
        assert_eq!(wait, RETRY_IN_MAX);
    }
}
