//! Acts: submitting one, listing them and exporting them.

use axum::Json;
use axum::extract::{Request, State};
use axum::http::Uri;
use axum::response::Response;
use daemon_api::act::ACT_VERSION;
use daemon_api::effect::RecordEntry;
use daemon_api::{Act, ActAnswer, Problem, ProblemKind};

use super::{Answered, recorded, text_answer};
use crate::refusal::{Refusal, malformed};
use crate::router::Shared;
use crate::{body, query};

/// The fields of every act, which are read before those of its kind.
pub(crate) const FIRST_KEYS: &[&str] = &[
    "id",
    "version",
    "recorded_at",
    "happened_at",
    "by",
    "why",
    "accept",
    "pour",
];

pub(crate) async fn submit(State(shared): State<Shared>, request: Request) -> Answered<ActAnswer> {
    let [dry_run] = query::read(request.uri(), ["dry_run"])?;
    let is_dry_run = match dry_run.as_deref() {
        None | Some("false") => false,
        Some("true") => true,
        Some(other) => {
            return Err(malformed(
                "bad-query",
                format!("`dry_run` is `{other}`: give `true`, or leave it out to record the act"),
            ));
        }
    };
    let mut act: Act = body::read(request, FIRST_KEYS).await?;
    if act.version != ACT_VERSION {
        return Err(Refusal(Problem::new(
            ProblemKind::Invalid,
            "unknown-act-version",
            format!(
                "the act is of version {}, this daemon takes version {ACT_VERSION}: use the \
                 commands that came with this daemon",
                act.version
            ),
        )));
    }
    // An act taken from a pour file carries the time of another record; this one's is set on commit.
    act.recorded_at = None;
    if is_dry_run {
        return Ok(Json(shared.door.would(act).await?));
    }
    recorded(tokio::spawn(async move { shared.door.act(act).await })).await
}

pub(crate) async fn list(State(shared): State<Shared>, uri: Uri) -> Answered<Vec<Act>> {
    let [pour] = query::read(&uri, ["pour"])?;
    Ok(Json(shared.door.acts(pour).await?))
}

pub(crate) async fn record(State(shared): State<Shared>, uri: Uri) -> Answered<Vec<RecordEntry>> {
    let [pour] = query::read(&uri, ["pour"])?;
    Ok(Json(shared.door.record(pour).await?))
}

pub(crate) async fn export(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let [] = query::read(&uri, [])?;
    let pieces = shared.door.acts_jsonl().await?;
    Ok(text_answer("application/jsonl; charset=utf-8", pieces))
}
