//! The routes of the contract, each bound to its handler.

use std::net::IpAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::Request;
use axum::http::{Method, StatusCode, Uri, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use daemon_api::{Problem, ProblemKind, routes};
use tokio_util::sync::CancellationToken;

use crate::door::Door;
use crate::handlers::{act, bed, event, mix, plant, pour, reading, state_lines, watch};
use crate::refusal::{Refusal, with_status};

/// What every handler may use.
#[derive(Clone)]
pub(crate) struct Shared {
    pub door: Arc<dyn Door>,
    pub stop: CancellationToken,
}

/// Every route of the contract over one door. Event streams end when `stop` is cancelled.
pub fn router(door: Arc<dyn Door>, stop: CancellationToken) -> Router {
    Router::new()
        .route(routes::SNAPSHOT, get(plant::snapshot))
        .route(routes::BED, get(bed::one))
        .route(routes::POUR, get(pour::one))
        .route(routes::SERIES, get(pour::series))
        .route(routes::ACTS, get(act::list).post(act::submit))
        .route(routes::RECORD, get(act::record))
        .route(routes::ACTS_JSONL, get(act::export))
        .route(routes::READINGS, axum::routing::post(reading::backfill))
        .route(routes::READINGS_CSV, get(reading::export))
        .route(routes::ALARMS, get(watch::alarms))
        .route(routes::ALARM_HISTORY, get(watch::history))
        .route(routes::PLAN, get(watch::plan))
        .route(routes::SHIFT_LOG, get(watch::shift_log))
        .route(routes::CHANNELS, get(watch::channels))
        .route(routes::MIXES, get(mix::all))
        .route(routes::MIX_BREAKS, get(mix::breaks))
        .route(routes::EVENTS, get(event::stream))
        .route(routes::STATE_LINES, get(state_lines::at))
        .fallback(no_such_route)
        .method_not_allowed_fallback(no_such_method)
        .layer(middleware::from_fn(guard))
        .with_state(Shared { door, stop })
}

async fn no_such_route(uri: Uri) -> Refusal {
    Refusal(Problem::new(
        ProblemKind::NotFound,
        "no-such-route",
        format!(
            "there is nothing at `{}`; the plant is at `{}`",
            uri.path(),
            routes::SNAPSHOT
        ),
    ))
}

async fn no_such_method(method: Method, uri: Uri) -> Refusal {
    with_status(
        ProblemKind::NotFound,
        StatusCode::METHOD_NOT_ALLOWED,
        "no-such-method",
        format!(
            "`{}` does not take {method}; the `allow` header says what it takes",
            uri.path()
        ),
    )
}

/// Refuses requests that were meant for another host, and logs every refusal.
///
/// A web page can make its own name point at this machine and then read what the daemon says to
/// it. Such a request still carries that name as its host.
async fn guard(request: Request, next: Next) -> Response {
    let (method, path) = (request.method().clone(), request.uri().path().to_owned());
    let host = request
        .headers()
        .get(header::HOST)
        .map(|value| value.to_str().unwrap_or_default().to_owned());
    let response = match host {
        Some(host) if !is_this_machine(&host) => with_status(
            ProblemKind::Malformed,
            StatusCode::MISDIRECTED_REQUEST,
            "foreign-host",
            format!("the request is for host `{host}`: ask for localhost or 127.0.0.1"),
        )
        .into_response(),
        _ => next.run(request).await,
    };
    if !response.status().is_success() {
        tracing::debug!(%method, path, status = response.status().as_u16(), "request refused");
    }
    response
}

fn is_this_machine(host: &str) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    };
    name.eq_ignore_ascii_case("localhost")
        || name
            .trim_matches(['[', ']'])
            .parse::<IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::is_this_machine;

    #[test]
    fn only_names_of_this_machine_pass_the_guard() {
        for good in [
            "localhost",
            "LOCALHOST:80",
            "127.0.0.1:7871",
            "127.0.0.1",
            "[::1]",
            "[::1]:7871",
        ] {
            assert!(is_this_machine(good), "{good}");
        }
        for bad in [
            "",
            "plant.example",
            "plant.example:7871",
            "192.0.2.7:7871",
            "127.0.0.1.example",
        ] {
            assert!(!is_this_machine(bad), "{bad}");
        }
    }
}
