//! Mixes and their curves.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use daemon_api::mix::{BreaksAnswer, MixesAnswer};

use super::{Answered, Name, instant, name};
use crate::query;
use crate::router::Shared;

pub(crate) async fn all(State(shared): State<Shared>, uri: Uri) -> Answered<MixesAnswer> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.mixes().await?))
}

pub(crate) async fn breaks(
    State(shared): State<Shared>,
    mix: Name,
    uri: Uri,
) -> Answered<BreaksAnswer> {
    let [from] = query::read(&uri, ["from"])?;
    let from = from.map(|text| instant("from", &text)).transpose()?;
    Ok(Json(shared.door.mix_breaks(name(mix)?, from).await?))
}
