//! The HTTP client that the dashboard, the lab's command and tests use to talk to the daemon.
//!
//! It speaks plain HTTP to this machine only: the daemon has neither TLS nor roles yet. It follows
//! no proxy and no redirect, so that what it sends cannot leave the machine by a setting.

mod error;
mod event_stream;
mod sse;

use std::net::IpAddr;
use std::time::Duration;

use chrono::{DateTime, SecondsFormat, Utc};
use reqwest::{RequestBuilder, Response, Url};
use serde::de::DeserializeOwned;

pub use error::ClientError;
pub use event_stream::{EventStream, SILENCE_MAX};

pub use crate::routes::DEFAULT_ADDRESS;

use crate::act::{Act, ActAnswer};
use crate::alarm::{AlarmHistory, AlarmsAnswer};
use crate::bed::{BedView, PlantSnapshot};
use crate::channel::ChannelsAnswer;
use crate::effect::RecordEntry;
use crate::error::Problem;
use crate::mix::{BreaksAnswer, MixesAnswer};
use crate::plan::PlanAnswer;
use crate::pour::PourView;
use crate::reading::{Backfill, BackfillAnswer};
use crate::routes;
use crate::series::SeriesAnswer;
use crate::shift::ShiftLog;

/// Longest wait for the connection.
pub const CONNECT_WAIT_MAX: Duration = Duration::from_secs(3);
/// Longest wait for an ordinary answer, a commit included.
pub const ANSWER_WAIT_MAX: Duration = Duration::from_secs(30);
/// Longest wait for an answer that carries or writes a whole record (back-fill, exports).
pub const RECORD_WAIT_MAX: Duration = Duration::from_secs(600);

/// Longest wait until the views take an act into account, and how often that is asked.
pub const LOOK_WAIT_MAX: Duration = Duration::from_secs(5);
const LOOK_ASKED_EVERY: Duration = Duration::from_millis(50);

/// From when to when is asked; absent ends are the daemon's to choose.
pub type Window = (Option<DateTime<Utc>>, Option<DateTime<Utc>>);

/// A client of one daemon; cheap to clone.
#[derive(Debug, Clone)]
pub struct Client {
    base: Url,
    http: reqwest::Client,
}

impl Client {
    /// A client of the daemon at `base_url`, for example `http://127.0.0.1:7871`.
    ///
    /// Nothing is sent yet.
    ///
    /// # Errors
    /// [`ClientError::BadAddress`] where the address is not plain HTTP on this machine.
    pub fn new(base_url: &str) -> Result<Self, ClientError> {
        let base = checked_base(base_url)?;
        let http = reqwest::Client::builder()
            .no_proxy()
            .redirect(reqwest::redirect::Policy::none())
            .connect_timeout(CONNECT_WAIT_MAX)
            .build()
            .map_err(|source| ClientError::BadAddress {
                base: base_url.to_owned(),
                reason: format!("no HTTP client could be made ({source})"),
            })?;
        Ok(Self { base, http })
    }

    /// The daemon's address as it is shown to people.
    #[must_use]
    pub fn base(&self) -> &str {
        self.base.as_str().trim_end_matches('/')
    }

    /// The whole plant.
    ///
    /// # Errors
    /// See [`ClientError`]; so for every method below.
    pub async fn snapshot(&self) -> Result<PlantSnapshot, ClientError> {
        self.fetch(self.url(routes::SNAPSHOT, "")).await
    }

    /// Waits until the views take an act into account, so that what is asked next sees it.
    ///
    /// True once they do, false where they do not within [`LOOK_WAIT_MAX`]: the act is recorded all the same.
    pub async fn looked_at(&self, act_sequence: i64) -> Result<bool, ClientError> {
        let end = tokio::time::Instant::now() + LOOK_WAIT_MAX;
        while self.snapshot().await?.acts_through < act_sequence {
            if tokio::time::Instant::now() >= end {
                return Ok(false);
            }
            tokio::time::sleep(LOOK_ASKED_EVERY).await;
        }
        Ok(true)
    }

    /// One bed.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where the plant has no such bed.
    pub async fn bed(&self, bed: &str) -> Result<BedView, ClientError> {
        self.fetch(self.url(routes::BED, bed)).await
    }

    /// One pour, finished ones included.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where there is no such pour.
    pub async fn pour(&self, pour: &str) -> Result<PourView, ClientError> {
        self.fetch(self.url(routes::POUR, pour)).await
    }

    /// Temperatures and strength of one pour over time, in about `points` points per series.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where there is no such pour.
    pub async fn series(&self, pour: &str, points: usize) -> Result<SeriesAnswer, ClientError> {
        let mut url = self.url(routes::SERIES, pour);
        url.query_pairs_mut()
            .append_pair("points", &points.to_string());
        self.fetch(url).await
    }

    /// Sends one act. The answer comes after it is safely stored.
    ///
    /// Without an answer it is not known whether the act was recorded: send the very same act
    /// again, its id makes it count once.
    ///
    /// # Errors
    /// A [`Problem`] where the act was refused.
    pub async fn act(&self, act: &Act) -> Result<ActAnswer, ClientError> {
        let url = self.url(routes::ACTS, "");
        self.answer(self.http.post(url).json(act), ANSWER_WAIT_MAX)
            .await
    }

    /// What an act would change, and what is odd about it; nothing is recorded.
    ///
    /// # Errors
    /// A [`Problem`] where the act would be refused for another reason than that something is odd.
    pub async fn dry_run(&self, act: &Act) -> Result<ActAnswer, ClientError> {
        let mut url = self.url(routes::ACTS, "");
        url.query_pairs_mut().append_pair("dry_run", "true");
        self.answer(self.http.post(url).json(act), ANSWER_WAIT_MAX)
            .await
    }

    /// Every act, or those of one pour, in the order of the record with what became of it.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where there is no such pour.
    pub async fn record(&self, pour: Option<&str>) -> Result<Vec<RecordEntry>, ClientError> {
        let mut url = self.url(routes::RECORD, "");
        if let Some(pour) = pour {
            url.query_pairs_mut().append_pair("pour", pour);
        }
        self.answer(self.http.get(url), RECORD_WAIT_MAX).await
    }

    /// Every act in the order of the record, or those of one pour.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where there is no such pour.
    pub async fn acts(&self, pour: Option<&str>) -> Result<Vec<Act>, ClientError> {
        let mut url = self.url(routes::ACTS, "");
        if let Some(pour) = pour {
            url.query_pairs_mut().append_pair("pour", pour);
        }
        self.answer(self.http.get(url), RECORD_WAIT_MAX).await
    }

    /// Sends readings from a logger's memory. The answer comes after they are safely stored.
    ///
    /// # Errors
    /// A [`Problem`] where they were refused; then none of them was stored.
    pub async fn backfill(&self, backfill: &Backfill) -> Result<BackfillAnswer, ClientError> {
        let url = self.url(routes::READINGS, "");
        self.answer(self.http.post(url).json(backfill), RECORD_WAIT_MAX)
            .await
    }

    /// Every alarm that is not normal, snoozed and explained ones included.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn alarms(&self) -> Result<AlarmsAnswer, ClientError> {
        self.fetch(self.url(routes::ALARMS, "")).await
    }

    /// What happened to alarms between two moments, or in the last 12 h.
    ///
    /// # Errors
    /// A [`Problem`] where the record cannot be read.
    pub async fn alarm_history(&self, asked: Window) -> Result<AlarmHistory, ClientError> {
        self.fetch(self.window(routes::ALARM_HISTORY, asked)).await
    }

    /// What wants a person, in order of time.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn plan(&self) -> Result<PlanAnswer, ClientError> {
        self.fetch(self.url(routes::PLAN, "")).await
    }

    /// Mixes with their curves, and what breaks say of them.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn mixes(&self) -> Result<MixesAnswer, ClientError> {
        self.fetch(self.url(routes::MIXES, "")).await
    }

    /// Every channel that speaks, and how far each has moved since a moment; ten minutes if absent.
    ///
    /// # Errors
    /// A [`Problem`] where that moment is still to come.
    pub async fn channels(
        &self,
        since: Option<DateTime<Utc>>,
    ) -> Result<ChannelsAnswer, ClientError> {
        let mut url = self.url(routes::CHANNELS, "");
        if let Some(since) = since {
            let since = since.to_rfc3339_opts(SecondsFormat::Millis, true);
            url.query_pairs_mut().append_pair("since", &since);
        }
        self.fetch(url).await
    }

    /// The breaks of a mix with their specimens' temperatures, those tested since `from` or all.
    ///
    /// # Errors
    /// A [`Problem`] of kind `not-found` where the plant has no such mix.
    pub async fn mix_breaks(
        &self,
        mix: &str,
        from: Option<DateTime<Utc>>,
    ) -> Result<BreaksAnswer, ClientError> {
        let mut url = self.url(routes::MIX_BREAKS, mix);
        if let Some(from) = from {
            let from = from.to_rfc3339_opts(SecondsFormat::Millis, true);
            url.query_pairs_mut().append_pair("from", &from);
        }
        self.answer(self.http.get(url), RECORD_WAIT_MAX).await
    }

    /// Notes, acts and alarms between two moments, or in the last 12 h, with what stands and is next.
    ///
    /// # Errors
    /// A [`Problem`] where the record cannot be read.
    pub async fn shift_log(&self, asked: Window) -> Result<ShiftLog, ClientError> {
        self.fetch(self.window(routes::SHIFT_LOG, asked)).await
    }

    fn window(&self, route: &str, (from, to): Window) -> Url {
        let mut url = self.url(route, "");
        for (key, at) in [("from", from), ("to", to)] {
            if let Some(at) = at {
                let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
                url.query_pairs_mut().append_pair(key, &at);
            }
        }
        url
    }

    /// State lines at `at`, or now: one JSON line per pour under cure.
    ///
    /// # Errors
    /// A [`Problem`] where the daemon cannot answer for that time.
    pub async fn state_lines(&self, at: Option<DateTime<Utc>>) -> Result<String, ClientError> {
        let mut url = self.url(routes::STATE_LINES, "");
        if let Some(at) = at {
            let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
            url.query_pairs_mut().append_pair("at", &at);
        }
        self.plain(url).await
    }

    /// A text answer as it is, for example [`routes::READINGS_CSV`]; `path` may carry a query.
    ///
    /// # Errors
    /// [`ClientError::BadAddress`] where `path` does not stay on this daemon.
    pub async fn text(&self, path: &str) -> Result<String, ClientError> {
        let url = self
            .base
            .join(path)
            .ok()
            .filter(|url| path.starts_with('/') && url.origin() == self.base.origin())
            .ok_or_else(|| ClientError::BadAddress {
                base: format!("{}{path}", self.base()),
                reason: "the path must begin with one `/`".to_owned(),
            })?;
        self.plain(url).await
    }

    /// Opens the event stream. Fetch the snapshot after it is open, then nothing is missed.
    ///
    /// # Errors
    /// [`ClientError::Silent`] where the daemon accepts the connection but says nothing.
    pub async fn events(&self) -> Result<EventStream, ClientError> {
        let request = self
            .http
            .get(self.url(routes::EVENTS, ""))
            .header("accept", "text/event-stream");
        let response = tokio::time::timeout(SILENCE_MAX, request.send())
            .await
            .map_err(|_elapsed| ClientError::Silent)?
            .map_err(|source| self.transport(source, SILENCE_MAX))?;
        let response = self.successful(response, SILENCE_MAX).await?;
        Ok(EventStream::new(self.base().to_owned(), response))
    }

    /// A route's address; `segment` takes the place of the route's parameter, percent-encoded.
    fn url(&self, route: &str, segment: &str) -> Url {
        let mut url = self.base.clone();
        // Only an address that cannot have a path has no segments; `checked_base` lets none pass.
        if let Ok(mut path) = url.path_segments_mut() {
            path.clear();
            for part in route.trim_start_matches('/').split('/') {
                path.push(if part.starts_with('{') { segment } else { part });
            }
        }
        url
    }

    async fn fetch<T: DeserializeOwned>(&self, url: Url) -> Result<T, ClientError> {
        self.answer(self.http.get(url), ANSWER_WAIT_MAX).await
    }

    async fn answer<T: DeserializeOwned>(
        &self,
        request: RequestBuilder,
        wait_max: Duration,
    ) -> Result<T, ClientError> {
        let (path, body) = self.exchange(request, wait_max).await?;
        serde_json::from_slice(&body)
            .map_err(|source| self.unreadable(path, format!("{source}; are both of one version?")))
    }

    async fn plain(&self, url: Url) -> Result<String, ClientError> {
        let (path, body) = self.exchange(self.http.get(url), RECORD_WAIT_MAX).await?;
        String::from_utf8(body).map_err(|source| self.unreadable(path, source.to_string()))
    }

    /// Sends a request; the path asked and the whole body of a successful answer.
    async fn exchange(
        &self,
        request: RequestBuilder,
        wait_max: Duration,
    ) -> Result<(String, Vec<u8>), ClientError> {
        let response = request
            .timeout(wait_max)
            .send()
            .await
            .map_err(|source| self.transport(source, wait_max))?;
        let response = self.successful(response, wait_max).await?;
        let path = response.url().path().to_owned();
        let body = response
            .bytes()
            .await
            .map_err(|source| self.transport(source, wait_max))?;
        Ok((path, body.to_vec()))
    }

    /// Passes a successful answer on and turns any other into its problem.
    async fn successful(
        &self,
        response: Response,
        wait_max: Duration,
    ) -> Result<Response, ClientError> {
        let status = response.status();
        if status.is_success() {
            return Ok(response);
        }
        let path = response.url().path().to_owned();
        let body = response
            .bytes()
            .await
            .map_err(|source| self.transport(source, wait_max))?;
        match serde_json::from_slice::<Problem>(&body) {
            Ok(problem) => Err(ClientError::Problem(problem)),
            Err(_) => Err(self.unreadable(
                path,
                format!("status {status} without a problem; does another program listen there?"),
            )),
        }
    }

    fn transport(&self, source: reqwest::Error, wait_max: Duration) -> ClientError {
        let base = self.base().to_owned();
        if source.is_timeout() && !source.is_connect() {
            ClientError::NoAnswer {
                base,
                waited_s: wait_max.as_secs(),
            }
        } else {
            ClientError::Unreachable {
                base,
                source: source.without_url(),
            }
        }
    }

    fn unreadable(&self, path: String, detail: String) -> ClientError {
        ClientError::Unreadable {
            base: self.base().to_owned(),
            path,
            detail,
        }
    }
}

/// Parses an address, with or without its scheme, and makes sure that it is plain HTTP on this machine and
/// nothing more.
fn checked_base(base_url: &str) -> Result<Url, ClientError> {
    let refused = |reason: &str| ClientError::BadAddress {
        base: base_url.to_owned(),
        reason: reason.to_owned(),
    };
    // `127.0.0.1:7871`, as `listen` in the plant file has it, is the same address.
    let with_scheme = if base_url.contains("://") {
        base_url.to_owned()
    } else {
        format!("http://{base_url}")
    };
    let url = Url::parse(&with_scheme).map_err(|source| refused(&source.to_string()))?;
    if url.scheme() != "http" {
        return Err(refused("it must begin with `http://`"));
    }
    let host = url.host_str().unwrap_or_default();
    let is_here = host == "localhost"
        || host
            .trim_matches(['[', ']'])
            .parse::<IpAddr>()
            .is_ok_and(|address| address.is_loopback());
    if !is_here {
        return Err(refused(
            "the daemon answers on its own machine only, until people, roles and TLS are there",
        ));
    }
    if url.path() != "/" || url.query().is_some() || !url.username().is_empty() {
        return Err(refused("give the host and the port only"));
    }
    Ok(url)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn client() -> Client {
        Client::new("http://127.0.0.1:7871").expect("a loopback address is accepted")
    }

    #[test]
    fn only_plain_http_on_this_machine_is_accepted() {
        for good in [
            "http://127.0.0.1:7871",
            "http://localhost:1/",
            "http://[::1]:80",
            "127.0.0.1:7871",
            "localhost",
        ] {
            assert!(Client::new(good).is_ok(), "{good}");
        }
        for bad in [
            "https://127.0.0.1:7871",
            "http://192.0.2.7:7871",
            "http://127.0.0.1.example:7871",
            "192.0.2.7:7871",
            "http://127.0.0.1:7871/v1",
            "http://me@127.0.0.1:7871",
            "",
        ] {
            let error = Client::new(bad).expect_err(bad).to_string();
            assert!(error.contains("http://127.0.0.1:7871"), "{error}");
        }
    }

    #[test]
    fn a_path_segment_cannot_change_the_route() {
        assert_eq!(
            client().url(routes::SERIES, "N4/ä?x#y %2e").as_str(),
            "http://127.0.0.1:7871/v1/pours/N4%2F%C3%A4%3Fx%23y%20%252e/series"
        );
        assert_eq!(
            client().url(routes::SNAPSHOT, "").as_str(),
            "http://127.0.0.1:7871/v1/plant"
        );
    }

    #[tokio::test]
    async fn a_text_path_stays_on_the_daemon() {
        for path in ["v1/acts.jsonl", "//192.0.2.7/x", "http://192.0.2.7/x"] {
            let error = client().text(path).await.expect_err(path);
            assert!(matches!(error, ClientError::BadAddress { .. }), "{error}");
        }
    }

    #[tokio::test]
    async fn a_port_where_nobody_listens_asks_whether_the_daemon_runs() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
        let base = format!("http://{}", listener.local_addr().expect("its address"));
        drop(listener);
        let client = Client::new(&base).expect("loopback");
        let error = client.snapshot().await.expect_err("nobody listens");
        assert!(matches!(error, ClientError::Unreachable { .. }));
        assert_eq!(
            error.to_string(),
            format!("no answer from {base}: is tarplightd running?")
        );
    }
}
