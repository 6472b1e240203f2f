//! The watch: troubles become alarms, people's words reach them, and what happened to them is recorded.

pub mod disk;
mod late;
pub mod load;
pub mod plan;
pub mod shift_log;

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use daemon_api::alarm::AlarmEventView;
use daemon_api::trouble::TroubleView;
use daemon_api::{Problem, ProblemKind};
use daemon_core::act::{Act, ActBody};
use daemon_core::alarm::{Alarm, AlarmBook, AlarmChange, AlarmRefusal};
use daemon_core::assessment::{PourAssessment, Trouble};
use daemon_core::say::{self, Local};
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StatementRow, StoreError, TIME_MS_MAX};

use crate::config::nearest_hint;
use crate::convert::watch as convert;
use late::{Known, LateChange, late_changes};

/// What happened to an alarm stands in the record under this kind, each with the alarm's id.
pub const ALARM_STATEMENT: &str = "alarm";
/// What readings that came late changed, each with the pour's id.
pub const LATE_STATEMENT: &str = "late-change";
/// Alarms that rang are counted over this long, h.
const RANG_WITHIN_H: f64 = 1.0;

/// Every alarm of the plant, and what was known of each pour at the last look.
#[derive(Debug, Default)]
pub struct Watch {
    /// How sentences are told.
    local: Local,
    book: AlarmBook,
    known: BTreeMap<String, Known>,
    rang: VecDeque<UtcMs>,
}

/// What one look at the plant changed.
#[derive(Debug, Default)]
pub struct Looked {
    pub alarms: Vec<AlarmChange>,
    pub late: Vec<LateChange>,
}

impl Watch {
    /// A watch without a past that tells quantities and times as its people read them.
    pub fn new(local: Local) -> Self {
        Self {
            local,
            ..Self::default()
        }
    }

    /// Goes on where the record left off; words that were recorded after an alarm was are heard again.
    ///
    /// # Errors
    /// That the record cannot be read.
    pub fn resume<'a>(
        reader: &Reader,
        acts: impl Iterator<Item = &'a Act>,
        local: Local,
        now: UtcMs,
    ) -> Result<Self, StoreError> {
        let mut said = BTreeMap::new();
        let mut alarms = Vec::new();
        for statement in reader.last_statements(ALARM_STATEMENT)? {
            let read: Result<AlarmEventView, _> = serde_json::from_str(&statement.body);
            match read {
                Ok(view) if view.event == "closed" => {}
                Ok(view) => alarms.extend(convert::recorded(view.trouble)),
                Err(error) => tracing::error!(
                    "statement {} of the record is no alarm: {error}; the alarm rings anew",
                    statement.seq
                ),
            }
            said.insert(statement.subject, UtcMs(statement.said_ms));
        }
        let mut watch = Self {
            book: AlarmBook::resumed(alarms),
            ..Self::new(local)
        };
        let mut heard: BTreeMap<u128, &Act> = BTreeMap::new();
        for act in acts {
            if matches!(act.body, ActBody::Alarm(_)) {
                heard.insert(act.id, act);
            }
            if let Some(struck) = act.body.mends().and_then(|id| heard.get(&id))
                && let ActBody::Alarm(word) = &struck.body
                && said
                    .get(&word.alarm)
                    .is_some_and(|at| *at < act.recorded_at)
            {
                watch.unhear(struck, act.recorded_at);
            }
            if let ActBody::Alarm(word) = &act.body
                && said
                    .get(&word.alarm)
                    .is_some_and(|at| *at < act.recorded_at)
            {
                watch.hear(act);
            }
        }
        let from = now.plus_hours(-RANG_WITHIN_H).0;
        for statement in reader.statements_said(ALARM_STATEMENT, from..TIME_MS_MAX)? {
            let event = serde_json::from_str::<AlarmEventView>(&statement.body);
            if event.is_ok_and(|view| rings(&view.event)) {
                watch.rang.push_back(UtcMs(statement.said_ms));
            }
        }
        Ok(watch)
    }

    /// Takes in one look at the plant: its pours on a bed, and every trouble of theirs and others.
    pub fn look(&mut self, pours: &[PourAssessment], troubles: &[Trouble], now: UtcMs) -> Looked {
        let under_cure: BTreeSet<&str> = pours
            .iter()
            .filter(|pour| pour.record.is_under_cure())
            .map(|pour| pour.record.id.as_str())
            .collect();
        let ended: BTreeSet<String> = self
            .book
            .alarms()
            .into_iter()
            .filter_map(|alarm| alarm.trouble.pour.clone())
            .filter(|pour| !under_cure.contains(pour.as_str()))
            .collect();
        let mut alarms = Vec::new();
        for pour in ended {
            alarms.extend(self.book.end_pour(&pour, now));
        }
        alarms.extend(self.book.look(troubles, now));
        let rung = alarms.iter().filter(|change| change.event.rings());
        self.rang.extend(rung.map(|change| change.at));
        while self
            .rang
            .front()
            .is_some_and(|at| now.hours_since(*at) > RANG_WITHIN_H)
        {
            self.rang.pop_front();
        }
        let late = late_changes(&mut self.known, pours, self.local, now);
        Looked { alarms, late }
    }

    /// Whether an act can be said to an alarm.
    ///
    /// # Errors
    /// Why not, for the person who said it.
    pub fn check(&self, act: &Act) -> Result<(), Problem> {
        let ActBody::Alarm(word) = &act.body else {
            return Ok(());
        };
        self.book.check(word).map_err(|refusal| match refusal {
            AlarmRefusal::Unknown(known) => Problem::new(
                ProblemKind::NotFound,
                "unknown-alarm",
                say::ended(&format!(
                    "There is no alarm \"{}\"; {}",
                    word.alarm,
                    nearest_hint(&word.alarm, &known)
                )),
            ),
            AlarmRefusal::NothingToReset => Problem::new(
                ProblemKind::WrongState,
                "nothing-to-reset",
                format!(
                    "Alarm \"{}\" still stands or does not stay in sight: mark it seen, or snooze it.",
                    word.alarm
                ),
            ),
            AlarmRefusal::NotSnoozed => Problem::new(
                ProblemKind::WrongState,
                "not-snoozed",
                format!("Alarm \"{}\" is not snoozed: it is heard already.", word.alarm),
            ),
        })
    }

    /// Takes in what a person said to an alarm.
    pub fn hear(&mut self, act: &Act) -> Vec<AlarmChange> {
        let ActBody::Alarm(word) = &act.body else {
            self.book.is_answered(&act.pour, act.recorded_at);
            return Vec::new();
        };
        let why = act.why.as_deref().unwrap_or_default();
        self.book.hear(word, &act.by, why, act.recorded_at)
    }

    /// Takes back what a person said to an alarm: it is new again, and heard again.
    pub fn unhear(&mut self, struck: &Act, now: UtcMs) -> Vec<AlarmChange> {
        match &struck.body {
            ActBody::Alarm(word) => self.book.unhear(word, now),
            _ => Vec::new(),
        }
    }

    /// Every alarm that is not normal, most urgent first.
    #[must_use]
    pub fn alarms(&self) -> Vec<&Alarm> {
        self.book.alarms()
    }

    /// Every alarm that is not normal, for the API.
    #[must_use]
    pub fn views(&self) -> Vec<TroubleView> {
        self.book.alarms().into_iter().map(convert::alarm).collect()
    }

    /// How many alarms rang within the last hour.
    #[must_use]
    pub fn rang_last_hour(&self) -> usize {
        self.rang.len()
    }

    /// The troubles that people are shown: what stands and nothing else explains, and what is over but
    /// still in sight.
    #[must_use]
    pub fn shown(&self) -> (Vec<TroubleView>, Vec<TroubleView>) {
        let of = |is_shown: fn(&Alarm) -> bool| {
            let alarms = self.book.alarms().into_iter();
            alarms
                .filter(|alarm| is_shown(alarm))
                .map(convert::alarm)
                .collect()
        };
        let stands = of(Alarm::needs_a_person);
        let cleared =
            of(|alarm| !alarm.is_active && alarm.snoozed.is_none() && !alarm.needs_a_person());
        (stands, cleared)
    }
}

impl Looked {
    /// What was found, to be recorded.
    #[must_use]
    pub fn statements(&self) -> Vec<StatementRow> {
        let late = self.late.iter().filter_map(LateChange::statement);
        self.alarms
            .iter()
            .filter_map(statement)
            .chain(late)
            .collect()
    }
}

/// What happened to an alarm, to be recorded.
#[must_use]
pub fn statement(change: &AlarmChange) -> Option<StatementRow> {
    let body = serde_json::to_string(&convert::event(change)).ok()?;
    Some(StatementRow {
        said_ms: change.at.0,
        kind: ALARM_STATEMENT.to_owned(),
        subject: change.alarm.id.clone(),
        body,
    })
}

/// True where people hear an event of that name.
fn rings(event: &str) -> bool {
    use daemon_core::alarm::AlarmEvent::{Raised, Woken, Worsened};
    [Raised, Worsened, Woken]
        .iter()
        .any(|one| one.name() == event)
}
