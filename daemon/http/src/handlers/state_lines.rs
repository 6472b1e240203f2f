//! State lines, as replay prints them.

use axum::extract::State;
use axum::http::Uri;
use axum::response::Response;

use super::{instant, text_answer};
use crate::door::one_piece;
use crate::query;
use crate::refusal::Refusal;
use crate::router::Shared;

pub(crate) async fn at(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let [at] = query::read(&uri, ["at"])?;
    let at = at.map(|text| instant("at", &text)).transpose()?;
    let lines = shared.door.state_lines(at).await?;
    Ok(text_answer(
        "application/jsonl; charset=utf-8",
        one_piece(lines),
    ))
}
