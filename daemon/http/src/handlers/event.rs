//! The event stream: the plant's events, heartbeats between them, and an end when the daemon stops.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::Uri;
use axum::response::Sse;
use axum::response::sse::Event;
use daemon_api::event::{PlantChange, PlantEvent};
use futures_util::stream::{self, Stream, StreamExt};
use tokio::sync::broadcast::{self, error::RecvError};
use tokio::time::{Interval, MissedTickBehavior};

use crate::door::Door;
use crate::query;
use crate::refusal::Refusal;
use crate::router::Shared;

/// Time between heartbeats, wall time, whatever the speed of the plant's clock.
///
/// The HTTP layer makes them, one series per stream, from [`Door::heartbeat`]; they do not raise
/// the number. The first is sent at once, so that a client knows where its stream begins.
pub const HEARTBEAT_PERIOD: Duration = Duration::from_secs(5);

pub(crate) async fn stream(
    State(shared): State<Shared>,
    uri: Uri,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Refusal> {
    let [] = query::read(&uri, [])?;
    let feed = Feed::new(shared.door);
    let events = stream::unfold(feed, |mut feed| async {
        let event = feed.next().await?;
        Some((Ok(sent(&event)), feed))
    });
    // Without this end a connected client would keep the server from ever stopping.
    Ok(Sse::new(events.take_until(shared.stop.cancelled_owned())))
}

/// One client's view of the events.
struct Feed {
    door: Arc<dyn Door>,
    events: broadcast::Receiver<Arc<PlantEvent>>,
    heartbeat: Interval,
}

impl Feed {
    fn new(door: Arc<dyn Door>) -> Self {
        let events = door.subscribe();
        let mut heartbeat = tokio::time::interval(HEARTBEAT_PERIOD);
        heartbeat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Self {
            door,
            events,
            heartbeat,
        }
    }

    /// The next event, or none when the daemon makes no more.
    async fn next(&mut self) -> Option<Arc<PlantEvent>> {
        loop {
            tokio::select! {
                biased;
                received = self.events.recv() => return match received {
                    Ok(event) => Some(event),
                    Err(RecvError::Lagged(missed_count)) => {
                        tracing::info!(missed_count, "a client of the event stream was too slow");
                        let change = PlantChange::Resync {};
                        Some(Arc::new(PlantEvent { change, ..self.door.heartbeat() }))
                    }
                    Err(RecvError::Closed) => None,
                },
                _ = self.heartbeat.tick() => {
                    let heartbeat = self.door.heartbeat();
                    // Its number may be that of an event which still waits here: that one goes first.
                    if self.events.is_empty() {
                        return Some(Arc::new(heartbeat));
                    }
                    self.heartbeat.reset_immediately();
                }
            }
        }
    }
}

fn sent(event: &PlantEvent) -> Event {
    let numbered = Event::default()
        .id(event.sequence.to_string())
        .event(event.change.name());
    match serde_json::to_string(event) {
        Ok(json) => numbered.data(json),
        // No event has a form that JSON lacks; should one come, the client finds no data, takes
        // the gap in the numbers for a loss and fetches the snapshot.
        Err(error) => {
            tracing::error!(%error, sequence = event.sequence, "an event could not be written");
            numbered
        }
    }
}
