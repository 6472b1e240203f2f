//! Calls about alarms: made beside the loop, and recorded once they got through.

use daemon_core::time::UtcMs;
use daemon_store::{Reader, StatementRow, StoreError, TIME_MS_MAX};
use serde::{Deserialize, Serialize};

use super::{Done, EventLoop};
use crate::convert::watch::alarm;
use crate::notify::{Call, Caller, Message, NotifySettings, send};

/// Calls that got through stand in the record under this kind, each with the alarm's id.
const CALL_STATEMENT: &str = "call";
/// A call from longer ago than this is not remembered at a start, h.
const REMEMBERED_H: f64 = 48.0;

/// A call as it is recorded.
#[derive(Debug, Serialize, Deserialize)]
struct Called {
    raised_ms: i64,
    target: String,
}

/// A caller that calls nobody twice about what was told before a restart.
pub(super) fn resume(
    reader: &Reader,
    settings: NotifySettings,
    now: UtcMs,
) -> Result<Caller, StoreError> {
    let from = now.plus_hours(-REMEMBERED_H).0;
    let said = reader.statements_said(CALL_STATEMENT, from..TIME_MS_MAX)?;
    let calls: Vec<Call> = said
        .into_iter()
        .filter_map(|statement| {
            let called: Called = serde_json::from_str(&statement.body).ok()?;
            let mut targets = settings.targets.iter();
            Some(Call {
                alarm: statement.subject,
                raised_at: UtcMs(called.raised_ms),
                target: targets.position(|target| target.name == called.target)?,
            })
        })
        .collect();
    Ok(Caller::new(settings, calls))
}

impl EventLoop {
    /// Makes every call that is due; how it went comes back as an event.
    pub(super) fn call(&mut self, now: UtcMs) {
        let alarms = self.watch.alarms();
        for call in self.caller.due(&alarms, now) {
            let target = self.caller.settings().targets.get(call.target).cloned();
            let standing = alarms.iter().find(|one| one.id == call.alarm);
            let (Some(target), Some(standing)) = (target, standing) else {
                continue;
            };
            let message = Message::of(
                &self.live.config.name,
                self.live.config.local(),
                &alarm(standing),
            );
            let done = self.done_out.clone();
            tokio::spawn(async move {
                let outcome = send(&target, &message).await;
                let _ = done.send(Done::Called { call, outcome });
            });
        }
    }

    pub(super) fn called(&mut self, call: &Call, outcome: Result<(), String>) {
        let now = self.live.clock.now();
        let targets = &self.caller.settings().targets;
        let name = targets.get(call.target).map(|target| target.name.clone());
        let name = name.unwrap_or_default();
        match &outcome {
            Ok(()) => {
                tracing::info!(target = name, alarm = call.alarm, "called");
                let called = Called {
                    raised_ms: call.raised_at.0,
                    target: name,
                };
                if let Ok(body) = serde_json::to_string(&called) {
                    self.intake.say(StatementRow {
                        said_ms: now.0,
                        kind: CALL_STATEMENT.to_owned(),
                        subject: call.alarm.clone(),
                        body,
                    });
                }
            }
            Err(problem) => tracing::warn!(target = name, "not called: {problem}"),
        }
        self.caller.made(call, outcome, now);
    }
}
