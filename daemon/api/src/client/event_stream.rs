//! The daemon's event stream as a client reads it, with a bound on silence.

use std::time::Duration;

use reqwest::Response;
use tokio::time::Instant;

use super::ClientError;
use super::sse::Parser;
use crate::event::PlantEvent;
use crate::routes;

/// Longest silence on the event stream, in wall time: two heartbeats and some slack.
pub const SILENCE_MAX: Duration = Duration::from_secs(12);

/// An open event stream. Dropping it closes the connection.
#[derive(Debug)]
pub struct EventStream {
    base: String,
    response: Response,
    parser: Parser,
    /// Kept here and not in `next`, so that a caller who often cancels `next` still hears of silence.
    heard_at: Instant,
}

impl EventStream {
    pub(super) fn new(base: String, response: Response) -> Self {
        Self {
            base,
            response,
            parser: Parser::default(),
            heard_at: Instant::now(),
        }
    }

    /// The next event, heartbeats included. It may be cancelled without losing an event.
    ///
    /// # Errors
    /// [`ClientError::Silent`] and [`ClientError::Ended`] mean that the stream is over: open
    /// another one and fetch the snapshot. So does every other error.
    pub async fn next(&mut self) -> Result<PlantEvent, ClientError> {
        loop {
            if let Some(message) = self.parser.next_message() {
                return serde_json::from_str(&message.data).map_err(|source| {
                    self.unreadable(format!("event `{}`: {source}", message.event))
                });
            }
            let deadline = self.heard_at + SILENCE_MAX;
            let chunk = tokio::time::timeout_at(deadline, self.response.chunk())
                .await
                .map_err(|_elapsed| ClientError::Silent)?
                .map_err(|source| ClientError::Unreachable {
                    base: self.base.clone(),
                    source: source.without_url(),
                })?
                .ok_or(ClientError::Ended)?;
            self.heard_at = Instant::now();
            self.parser
                .push(&chunk)
                .map_err(|error| self.unreadable(error.to_string()))?;
        }
    }

    fn unreadable(&self, detail: String) -> ClientError {
        ClientError::Unreadable {
            base: self.base.clone(),
            path: routes::EVENTS.to_owned(),
            detail: format!("{detail}; are both of one version?"),
        }
    }
}
