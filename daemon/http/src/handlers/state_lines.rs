//! State lines, as replay prints them.

use axum::extract::State;
use axum::http::Uri;
use axum::response::Response;
use chrono::{DateTime, Utc};

use super::text_answer;
use crate::door::one_piece;
use crate::query;
use crate::refusal::{Refusal, malformed};
use crate::router::Shared;

pub(crate) async fn at(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let [at] = query::read(&uri, ["at"])?;
    let at = at.map(|text| instant(&text)).transpose()?;
    let lines = shared.door.state_lines(at).await?;
    Ok(text_answer(
        "application/jsonl; charset=utf-8",
        one_piece(lines),
    ))
}

fn instant(text: &str) -> Result<DateTime<Utc>, Refusal> {
    DateTime::parse_from_rfc3339(text)
        .map(|at| at.with_timezone(&Utc))
        .map_err(|error| {
            malformed(
                "bad-time",
                format!("`at={text}` is not a time ({error}): write it like 2026-03-02T02:00:00Z"),
            )
        })
}
