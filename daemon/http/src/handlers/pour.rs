//! One pour and its series.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use daemon_api::series::SeriesAnswer;
use daemon_api::{PourView, Problem, ProblemKind};

use super::{Answered, Name, name};
use crate::query;
use crate::refusal::Refusal;
use crate::router::Shared;

const POINTS_DEFAULT: usize = 200;
const POINTS_MIN: usize = 2;
const POINTS_MAX: usize = 2_000;

pub(crate) async fn one(State(shared): State<Shared>, pour: Name, uri: Uri) -> Answered<PourView> {
    let [] = query::read(&uri, [])?;
    Ok(Json(shared.door.pour(name(pour)?).await?))
}

pub(crate) async fn series(
    State(shared): State<Shared>,
    pour: Name,
    uri: Uri,
) -> Answered<SeriesAnswer> {
    let [points] = query::read(&uri, ["points"])?;
    let points = points.map_or(Ok(POINTS_DEFAULT), |text| checked_points(&text))?;
    Ok(Json(shared.door.series(name(pour)?, points).await?))
}

fn checked_points(text: &str) -> Result<usize, Refusal> {
    text.parse()
        .ok()
        .filter(|points| (POINTS_MIN..=POINTS_MAX).contains(points))
        .ok_or_else(|| {
            Refusal(Problem::new(
                ProblemKind::Invalid,
                "points-out-of-range",
                format!("`points={text}`: give a whole number from {POINTS_MIN} to {POINTS_MAX}"),
            ))
        })
}
