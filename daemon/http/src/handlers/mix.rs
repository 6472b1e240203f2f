//! Mixes and their curves.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use daemon_api::mix::MixesAnswer;

use super::Answered;
use crate::query;
use crate::router::Shared;

pub(crate) async fn all(State(shared): State<Shared>, uri: Uri) -> Answered<MixesAnswer> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.mixes().await?))
}
