//! Alarms, the plan, the shift log, and which channel is which.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use chrono::{DateTime, Utc};
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::plan::PlanAnswer;
use daemon_api::shift::ShiftLog;

use super::{Answered, instant};
use crate::query;
use crate::refusal::Refusal;
use crate::router::Shared;

pub(crate) async fn alarms(State(shared): State<Shared>, uri: Uri) -> Answered<AlarmsAnswer> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.alarms().await?))
}

pub(crate) async fn history(State(shared): State<Shared>, uri: Uri) -> Answered<AlarmHistory> {
    let (from, to) = window(&uri)?;
    Ok(Json(shared.door.alarm_history(from, to).await?))
}

pub(crate) async fn plan(State(shared): State<Shared>, uri: Uri) -> Answered<PlanAnswer> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.plan().await?))
}

pub(crate) async fn shift_log(State(shared): State<Shared>, uri: Uri) -> Answered<ShiftLog> {
    let (from, to) = window(&uri)?;
    Ok(Json(shared.door.shift_log(from, to).await?))
}

pub(crate) async fn channels(State(shared): State<Shared>, uri: Uri) -> Answered<ChannelsAnswer> {
    let [since] = query::read(&uri, ["since"])?;
    let since = since.map(|text| instant("since", &text)).transpose()?;
    Ok(Json(shared.door.channels(since).await?))
}

type Ends = (Option<DateTime<Utc>>, Option<DateTime<Utc>>);

fn window(uri: &Uri) -> Result<Ends, Refusal> {
    let [from, to] = query::read(uri, ["from", "to"])?;
    let end = |key, text: Option<String>| text.map(|text| instant(key, &text)).transpose();
    Ok((end("from", from)?, end("to", to)?))
}
