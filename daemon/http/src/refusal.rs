//! Problems as HTTP answers, and those that arise before the door is reached.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use daemon_api::error::PROBLEM_MEDIA_TYPE;
use daemon_api::{Problem, ProblemKind};

/// A problem on its way to the client.
#[derive(Debug)]
pub(crate) struct Refusal(pub Problem);

impl From<Problem> for Refusal {
    fn from(problem: Problem) -> Self {
        Self(problem)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::BAD_REQUEST);
        let mut response = (status, axum::Json(self.0)).into_response();
        response.headers_mut().insert(
            header::CONTENT_TYPE,
            header::HeaderValue::from_static(PROBLEM_MEDIA_TYPE),
        );
        response
    }
}

/// A request that cannot be read.
pub(crate) fn malformed(code: &str, detail: impl Into<String>) -> Refusal {
    Refusal(Problem::new(ProblemKind::Malformed, code, detail))
}

/// A problem whose HTTP status is more exact than its kind's.
pub(crate) fn with_status(
    kind: ProblemKind,
    status: StatusCode,
    code: &str,
    detail: impl Into<String>,
) -> Refusal {
    let mut problem = Problem::new(kind, code, detail);
    problem.status = status.as_u16();
    Refusal(problem)
}
