//! Readings: back-fill from a logger's memory, and the export.

use axum::extract::{Request, State};
use axum::http::Uri;
use axum::response::Response;
use daemon_api::reading::{Backfill, BackfillAnswer};

use super::{Answered, recorded, text_answer};
use crate::refusal::Refusal;
use crate::router::Shared;
use crate::{body, query};

pub(crate) async fn backfill(
    State(shared): State<Shared>,
    request: Request,
) -> Answered<BackfillAnswer> {
    let [] = query::read(request.uri(), [])?;
    let backfill: Backfill = body::read(request, &[]).await?;
    recorded(tokio::spawn(
        async move { shared.door.backfill(backfill).await },
    ))
    .await
}

pub(crate) async fn export(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let [] = query::read(&uri, [])?;
    let pieces = shared.door.readings_csv().await?;
    Ok(text_answer("text/csv; charset=utf-8", pieces))
}
