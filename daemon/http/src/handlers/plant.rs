//! The whole plant.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use daemon_api::PlantSnapshot;

use super::Answered;
use crate::query;
use crate::router::Shared;

pub(crate) async fn snapshot(State(shared): State<Shared>, uri: Uri) -> Answered<PlantSnapshot> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.snapshot().await?))
}
