//! The handlers, one file per noun of the contract.

pub(crate) mod act;
pub(crate) mod bed;
pub(crate) mod event;
pub(crate) mod mix;
pub(crate) mod plant;
pub(crate) mod pour;
pub(crate) mod reading;
pub(crate) mod state_lines;
pub(crate) mod watch;

use axum::Json;
use axum::body::Body;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use daemon_api::{Problem, ProblemKind};
use tokio::task::JoinHandle;

use crate::door::TextPieces;
use crate::refusal::{Refusal, malformed};

/// What a handler answers.
type Answered<T> = Result<Json<T>, Refusal>;

/// A route's parameter as the extractor gave it.
type Name = Result<Path<String>, PathRejection>;

fn name(name: Name) -> Result<String, Refusal> {
    name.map(|Path(name)| name)
        .map_err(|error| malformed("bad-path", format!("the address cannot be read: {error}")))
}

/// A time in the part of an address after the question mark.
fn instant(key: &str, text: &str) -> Result<DateTime<Utc>, Refusal> {
    DateTime::parse_from_rfc3339(text)
        .map(|at| at.with_timezone(&Utc))
        .map_err(|error| {
            malformed(
                "bad-time",
                format!(
                    "`{key}={text}` is not a time ({error}): write it like 2026-03-02T02:00:00Z"
                ),
            )
        })
}

fn text_answer(media_type: &'static str, pieces: TextPieces) -> Response {
    (
        [(header::CONTENT_TYPE, media_type)],
        Body::from_stream(pieces),
    )
        .into_response()
}

/// Waits for a task that records something and runs on even where the client hangs up.
async fn recorded<T>(task: JoinHandle<Result<T, Problem>>) -> Answered<T> {
    match task.await {
        Ok(answer) => Ok(Json(answer?)),
        Err(error) => {
            tracing::error!(%error, "a task that records failed");
            Err(Refusal(Problem::new(
                ProblemKind::StoreUnavailable,
                "recording-failed",
                "the daemon failed while recording; it is not known whether it was recorded: send \
                 the same again with the same id, and tell whoever keeps the daemon",
            )))
        }
    }
}
