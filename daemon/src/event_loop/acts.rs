//! Acts of people, one at a time: checked against everything committed, stored, taken in, answered.

use std::collections::VecDeque;
use std::sync::Arc;

use daemon_api::effect::Odd;
use daemon_api::{Act, ActAnswer, Problem, ProblemKind};
use daemon_core::act::ActBody;
use daemon_core::time::UtcMs;
use daemon_store::{ActRow, Appended, Batch, CommitReport, StoreError};
use tokio::sync::oneshot;

use super::store_state::store_unavailable;
use super::{Done, EventLoop};
use crate::convert;
use crate::history::RecordedAct;

type Answer = oneshot::Sender<Result<ActAnswer, Problem>>;

/// Acts that wait, and the one that is being stored.
///
/// The next one is checked only when the last one has been taken in, so that of two sign-offs that
/// race the second always sees the first.
#[derive(Debug, Default)]
pub struct ActQueue {
    waiting: VecDeque<(Act, Answer)>,
    storing: Option<Storing>,
    /// When the newest act became known; the next one becomes known later.
    newest: Option<UtcMs>,
}

#[derive(Debug)]
struct Storing {
    act: Box<NewAct>,
    answer: Answer,
}

/// An act that was checked and may be recorded.
#[derive(Debug)]
struct NewAct {
    json: String,
    wire: Act,
    core: daemon_core::act::Act,
    cautions: Vec<String>,
    odd: Vec<Odd>,
}

enum Prepared {
    Known(ActAnswer),
    New(Box<NewAct>),
}

impl ActQueue {
    /// Behind a record whose newest act became known at `newest`.
    pub fn after(newest: Option<UtcMs>) -> Self {
        Self {
            newest,
            ..Self::default()
        }
    }

    pub fn push(&mut self, act: Act, answer: Answer) {
        self.waiting.push_back((act, answer));
    }

    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty() && self.storing.is_none()
    }

    /// Later than every act before it, so that the order of the record is the order of its times.
    fn recorded_at(&self, now: UtcMs) -> UtcMs {
        self.newest
            .map_or(now, |newest| now.max(UtcMs(newest.0 + 1)))
    }
}

impl EventLoop {
    /// Takes up the next act, unless one is being stored.
    pub(super) fn next_act(&mut self) {
        while self.acts.storing.is_none() {
            let Some((act, answer)) = self.acts.waiting.pop_front() else {
                return;
            };
            match self.prepare(act) {
                Ok(Prepared::Known(known)) => {
                    // The client may have gone; it will ask again with the same id.
                    let _ = answer.send(Ok(known));
                }
                Ok(Prepared::New(act)) => self.store_act(Storing { act, answer }),
                Err(problem) => {
                    tracing::info!(
                        code = problem.code,
                        "an act was refused: {}",
                        problem.detail
                    );
                    let _ = answer.send(Err(problem));
                }
            }
        }
    }

    fn prepare(&self, mut wire: Act) -> Result<Prepared, Problem> {
        wire.recorded_at = None;
        if let Some(known) = self.live.acts().by_id(wire.id) {
            return self.already_known(known, &wire).map(Prepared::Known);
        }
        let recorded_at = self.acts.recorded_at(self.live.clock.now());
        wire.recorded_at = Some(convert::utc(recorded_at));
        let core = convert::act::act(&wire).map_err(|error| {
            Problem::new(ProblemKind::Invalid, "version-unknown", error.to_string())
        })?;
        let weighed = self
            .live
            .plant()
            .weigh(&core, recorded_at)
            .map_err(|refusal| convert::act::refusal(&refusal))?;
        self.watch.check(&core)?;
        let odd = convert::act::odd(&weighed.odd);
        if let Some(problem) = convert::act::not_accepted(&odd, &wire.accept) {
            return Err(problem);
        }
        let json = serde_json::to_string(&wire).map_err(|error| {
            let detail = format!("the act cannot be written as JSON: {error}");
            Problem::new(ProblemKind::Invalid, "not-json", detail)
        })?;
        Ok(Prepared::New(Box::new(NewAct {
            json,
            wire,
            core,
            cautions: weighed.cautions,
            odd,
        })))
    }

    fn already_known(&self, known: &RecordedAct, wire: &Act) -> Result<ActAnswer, Problem> {
        let mut stored = known.wire.clone();
        stored.recorded_at = None;
        if stored != *wire {
            let detail = format!(
                "The id {} was used for an act with another content; make a new id for a new act.",
                wire.id
            );
            return Err(Problem::new(ProblemKind::IdReused, "id-reused", detail));
        }
        Ok(ActAnswer {
            id: wire.id,
            sequence: known.sequence,
            recorded_at: convert::utc(known.core.recorded_at),
            already_known: true,
            understood: self.live.understood(wire),
            cautions: self.live.acts().cautions(wire.id),
            ..ActAnswer::default()
        })
    }

    fn store_act(&mut self, storing: Storing) {
        let batch = Batch {
            acts: vec![ActRow {
                id: storing.act.wire.id,
                recorded_ms: storing.act.core.recorded_at.0,
                body: storing.act.json.clone(),
            }],
            ..Batch::default()
        };
        self.acts.storing = Some(storing);
        let done = self.done_out.clone();
        self.store.submit(
            Arc::new(batch),
            Box::new(move |result| {
                let _ = done.send(Done::Act(result));
            }),
        );
    }

    pub(super) fn act_committed(&mut self, result: Result<CommitReport, StoreError>) {
        let Some(storing) = self.acts.storing.take() else {
            return;
        };
        let answered = match result {
            Ok(report) => {
                self.store_writes();
                Ok(self.take_act(&storing.act, &report))
            }
            Err(error) => {
                self.store_fails(&error);
                Err(store_unavailable(&error))
            }
        };
        // The client may have gone; it will ask again with the same id.
        let _ = storing.answer.send(answered);
        self.next_act();
    }

    fn take_act(&mut self, act: &NewAct, report: &CommitReport) -> ActAnswer {
        let (sequence, recorded_at) = match report.acts.first() {
            Some(Appended::AlreadyKnown { seq, recorded_ms }) => (*seq, UtcMs(*recorded_ms)),
            Some(Appended::New { seq, .. }) => (*seq, act.core.recorded_at),
            None => (0, act.core.recorded_at),
        };
        tracing::info!(
            pour = act.wire.pour,
            by = act.wire.by,
            "act {sequence} is recorded"
        );
        self.acts.newest = self.acts.newest.max(Some(recorded_at));
        self.live.plant_mut().take_act(act.core.clone());
        let struck = act.core.body.mends().and_then(|id| {
            let acts = self.live.acts();
            acts.by_id(uuid::Uuid::from_u128(id))
                .map(|known| known.core.clone())
        });
        let mut changes = self.watch.hear(&act.core);
        if let Some(struck) = struck {
            changes.extend(self.watch.unhear(&struck, act.core.recorded_at));
        }
        for change in changes {
            if let Some(statement) = crate::watch::statement(&change) {
                self.intake.say(statement);
            }
        }
        let recorded = RecordedAct {
            sequence,
            json: act.json.clone(),
            wire: act.wire.clone(),
            core: act.core.clone(),
        };
        self.live.acts_mut().push(recorded, act.cautions.clone());
        // A finished pour that somebody still spoke of is looked at anew.
        self.finished.retain(|pour| pour.pour != act.wire.pour);
        self.recall_if_needed();
        if matches!(act.core.body, ActBody::Alarm(_)) || act.core.body.mends().is_some() {
            self.tell(None);
        }
        self.assess();
        ActAnswer {
            id: act.wire.id,
            sequence,
            recorded_at: convert::utc(recorded_at),
            already_known: false,
            understood: self.live.understood(&act.wire),
            cautions: act.cautions.clone(),
            odd: act.odd.clone(),
            ..ActAnswer::default()
        }
    }
}
