//! One bed.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use daemon_api::BedView;

use super::{Answered, Name, name};
use crate::query;
use crate::router::Shared;

pub(crate) async fn one(State(shared): State<Shared>, bed: Name, uri: Uri) -> Answered<BedView> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.bed(name(bed)?).await?))
}
