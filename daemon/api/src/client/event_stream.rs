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

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::{TcpListener, TcpStream};

    use super::*;
    use crate::client::Client;
    use crate::event::PlantChange;

    const HEARTBEAT: &str =
        "data: {\"sequence\":7,\"now\":\"2026-03-02T02:00:00Z\",\"event\":\"heartbeat\"}\n\n";

    /// A stream whose other end is the test, with `text` already sent on it.
    async fn open(text: &str) -> (EventStream, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let base = format!("http://{}", listener.local_addr().expect("its address"));
        let client = Client::new(&base).expect("a loopback address");
        let opening = tokio::spawn(async move { client.events().await });
        let (mut other_end, _) = listener.accept().await.expect("a connection");
        let mut request = Vec::new();
        while !request.ends_with(b"\r\n\r\n") {
            request.push(other_end.read_u8().await.expect("a request"));
        }
        let head = "HTTP/1.1 200 OK\r\ncontent-type: text/event-stream\r\n\r\n";
        let answer = format!("{head}{text}");
        other_end
            .write_all(answer.as_bytes())
            .await
            .expect("it can be sent");
        (
            opening.await.expect("no panic").expect("a stream"),
            other_end,
        )
    }

    #[tokio::test]
    async fn silence_is_an_error_that_says_what_to_do() {
        let (mut stream, _other_end) = open(HEARTBEAT).await;
        assert_eq!(
            stream.next().await.expect("it was sent").change,
            PlantChange::Heartbeat {}
        );
        tokio::time::pause();
        let error = stream.next().await.expect_err("nothing more is sent");
        assert!(matches!(error, ClientError::Silent), "{error}");
        assert!(error.to_string().contains("12 s"), "{error}");
    }

    #[tokio::test]
    async fn a_caller_who_keeps_looking_away_hears_of_silence_too() {
        let (mut stream, _other_end) = open(HEARTBEAT).await;
        stream.next().await.expect("it was sent");
        tokio::time::pause();
        let mut looks = 0;
        let error = loop {
            match tokio::time::timeout(Duration::from_secs(1), stream.next()).await {
                Ok(result) => break result.expect_err("nothing more is sent"),
                Err(_elapsed) => looks += 1,
            }
            assert!(looks < 20, "silence was never noticed");
        };
        assert!(matches!(error, ClientError::Silent), "{error}");
    }

    #[tokio::test]
    async fn a_stream_that_ends_within_an_event_gives_no_half_event() {
        let (mut stream, other_end) = open(HEARTBEAT.trim_end()).await;
        drop(other_end);
        let error = stream.next().await.expect_err("the event is not whole");
        assert!(matches!(error, ClientError::Ended), "{error}");
    }

    #[tokio::test]
    async fn an_event_that_does_not_follow_the_contract_is_named() {
        let (mut stream, _other_end) = open("event: bell\ndata: {}\n\n").await;
        let error = stream.next().await.expect_err("no such event");
        assert!(error.to_string().contains("event `bell`"), "{error}");
    }
}
