//! The state machine of all alarms: conditions and acts in, changes out.

use std::collections::BTreeMap;

use crate::act::{AlarmAct, AlarmWord};
use crate::alarm::rule::{RINGS_AGAIN_MIN, concern_of};
use crate::alarm::{Alarm, AlarmChange, AlarmEvent, AlarmState, Seen, Snoozed, rule_of};
use crate::assessment::{Trouble, Urgency};
use crate::time::UtcMs;

/// What somebody has recorded ends what it answers for this long, min.
const ANSWERS_FOR_MIN: f64 = 2.0;
const MINUTE_MS: i64 = 60_000;

/// Every alarm that is not normal, and the delays that run.
#[derive(Debug, Clone, Default)]
pub struct AlarmBook {
    alarms: BTreeMap<String, Alarm>,
    /// Conditions whose on-delay runs, since when.
    coming: BTreeMap<String, UtcMs>,
    /// Active alarms whose off-delay runs, since when.
    going: BTreeMap<String, UtcMs>,
    /// Pours of which somebody has recorded something, and when: what that answers is over at once,
    /// without an off-delay.
    answered: BTreeMap<String, UtcMs>,
    /// At the first look nobody knows how long a condition has stood: it is told at once.
    has_looked: bool,
}

/// Why something cannot be said to an alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AlarmRefusal {
    /// No alarm has that id; the ids that there are.
    Unknown(Vec<String>),
    /// Only what is over and latched can be reset.
    NothingToReset,
    /// Only what is snoozed can be woken.
    NotSnoozed,
}

impl AlarmBook {
    /// A book that goes on where recorded alarms left off.
    #[must_use]
    pub fn resumed(alarms: impl IntoIterator<Item = Alarm>) -> Self {
        let alarms = alarms.into_iter().map(|alarm| (alarm.id.clone(), alarm));
        Self {
            alarms: alarms.collect(),
            ..Self::default()
        }
    }

    /// Every alarm that is not normal, in the one order in which people are shown them: the gravest
    /// first, of those what nobody has seen, what waits for a decision before sensors, and the newest.
    #[must_use]
    pub fn alarms(&self) -> Vec<&Alarm> {
        let mut alarms: Vec<&Alarm> = self.alarms.values().collect();
        alarms.sort_by(|a, b| {
            b.needs_a_person()
                .cmp(&a.needs_a_person())
                .then(b.urgency().cmp(&a.urgency()))
                .then(a.seen.is_some().cmp(&b.seen.is_some()))
                .then(concern_of(&a.trouble.kind).cmp(&concern_of(&b.trouble.kind)))
                // What came in one minute came together: then the longest standing goes first.
                .then((b.raised_at.0 / MINUTE_MS).cmp(&(a.raised_at.0 / MINUTE_MS)))
                .then(a.trouble.since.cmp(&b.trouble.since))
                .then_with(|| a.id.cmp(&b.id))
        });
        alarms
    }

    /// Takes in that somebody has recorded something of a pour.
    pub fn is_answered(&mut self, pour: &str, at: UtcMs) {
        self.answered.insert(pour.to_owned(), at);
    }

    /// The alarm of that id, where it is not normal.
    #[must_use]
    pub fn alarm(&self, id: &str) -> Option<&Alarm> {
        self.alarms.get(id)
    }

    /// Takes in every trouble as it stands now. Each must come once; what does not come is over.
    pub fn look(&mut self, troubles: &[Trouble], now: UtcMs) -> Vec<AlarmChange> {
        let mut changes = self.wake(now);
        // A look that began before the act does not know of it yet; the next ones do.
        self.answered
            .retain(|_, at| minutes(*at, now) <= ANSWERS_FOR_MIN);
        let standing: BTreeMap<String, &Trouble> = troubles
            .iter()
            .map(|trouble| (trouble.id(), trouble))
            .collect();
        self.coming.retain(|id, _| standing.contains_key(id));
        for (id, trouble) in &standing {
            // A cause that itself is nowhere to be seen explains nothing.
            let explained_by = trouble
                .explained_by
                .as_ref()
                .filter(|cause| standing.contains_key(*cause));
            self.stands(id, trouble, explained_by, now, &mut changes);
        }
        let gone: Vec<String> = self
            .alarms
            .iter()
            .filter(|(id, alarm)| alarm.is_active && !standing.contains_key(*id))
            .map(|(id, _)| id.clone())
            .collect();
        for id in gone {
            let since = *self.going.entry(id.clone()).or_insert(now);
            let kind = id.split('/').next().unwrap_or_default();
            let pour = self
                .alarms
                .get(&id)
                .and_then(|one| one.trouble.pour.as_deref());
            let is_answered = pour.is_some_and(|pour| self.answered.contains_key(pour));
            if is_answered || minutes(since, now) >= rule_of(kind).off_delay_min {
                self.going.remove(&id);
                self.clear(&id, now, &mut changes);
            }
        }
        self.ring_again(now, &mut changes);
        self.has_looked = true;
        changes
    }

    /// What is of the highest urgency rings again until somebody has seen it.
    fn ring_again(&mut self, now: UtcMs, changes: &mut Vec<AlarmChange>) {
        for alarm in self.alarms.values_mut() {
            if alarm.is_unseen_now() && minutes(alarm.rang_at, now) >= RINGS_AGAIN_MIN {
                alarm.rang_at = now;
                tell(alarm, AlarmEvent::RangAgain, now, changes);
            }
        }
    }

    /// Ends the alarms of a pour that is no longer under cure: nobody must see to them any more.
    ///
    /// What latches stays, to be seen and reset; so does what was of the highest urgency and unseen.
    pub fn end_pour(&mut self, pour: &str, now: UtcMs) -> Vec<AlarmChange> {
        let of_pour = self.alarms.values().filter(|alarm| {
            alarm.trouble.pour.as_deref() == Some(pour) && !rule_of(&alarm.trouble.kind).latches
        });
        let ids: Vec<String> = of_pour.map(|alarm| alarm.id.clone()).collect();
        let mut changes = Vec::new();
        for id in ids {
            self.going.remove(&id);
            let Some(alarm) = self.alarms.get_mut(&id) else {
                continue;
            };
            if alarm.is_active && alarm.is_unseen_now() {
                self.clear(&id, now, &mut changes);
                continue;
            }
            if alarm.is_unseen_now() {
                continue;
            }
            alarm.is_active = false;
            alarm.cleared_at = alarm.cleared_at.or(Some(now));
            self.close(&id, now, &mut changes);
        }
        changes
    }

    /// Whether something can be said to an alarm.
    ///
    /// # Errors
    /// Why not.
    pub fn check(&self, act: &AlarmAct) -> Result<(), AlarmRefusal> {
        let Some(alarm) = self.alarms.get(&act.alarm) else {
            return Err(AlarmRefusal::Unknown(self.alarms.keys().cloned().collect()));
        };
        match act.word {
            AlarmWord::Reset if !alarm.is_latched || alarm.is_active => {
                Err(AlarmRefusal::NothingToReset)
            }
            AlarmWord::Woken if alarm.snoozed.is_none() => Err(AlarmRefusal::NotSnoozed),
            _ => Ok(()),
        }
    }

    /// Takes in what a person said to an alarm; an alarm that is normal by now has nothing to hear.
    pub fn hear(&mut self, act: &AlarmAct, by: &str, why: &str, now: UtcMs) -> Vec<AlarmChange> {
        let mut changes = Vec::new();
        let Some(alarm) = self.alarms.get_mut(&act.alarm) else {
            return changes;
        };
        let seen = || Seen {
            by: by.to_owned(),
            at: now,
        };
        match act.word {
            AlarmWord::Seen => {
                alarm.seen.get_or_insert_with(seen);
                tell(alarm, AlarmEvent::Seen, now, &mut changes);
            }
            AlarmWord::Snoozed { until_at } => {
                alarm.seen.get_or_insert_with(seen);
                alarm.snoozed = Some(Snoozed {
                    until_at,
                    by: by.to_owned(),
                    why: why.to_owned(),
                });
                tell(alarm, AlarmEvent::Snoozed, now, &mut changes);
            }
            AlarmWord::Woken => {
                alarm.snoozed = None;
                if alarm.is_active {
                    ring(alarm, AlarmEvent::Woken, now, &mut changes);
                }
            }
            AlarmWord::Reset => {
                alarm.seen.get_or_insert_with(seen);
                alarm.is_latched &= alarm.is_active;
                tell(alarm, AlarmEvent::Reset, now, &mut changes);
            }
        }
        self.close_if_normal(&act.alarm, now, &mut changes);
        changes
    }

    /// What a person said to an alarm was struck: where it stands it is new again and rings.
    pub fn unhear(&mut self, act: &AlarmAct, now: UtcMs) -> Vec<AlarmChange> {
        let mut changes = Vec::new();
        let is_said = matches!(act.word, AlarmWord::Seen | AlarmWord::Snoozed { .. });
        if let Some(alarm) = self.alarms.get_mut(&act.alarm).filter(|_| is_said)
            && alarm.is_active
        {
            ring(alarm, AlarmEvent::Woken, now, &mut changes);
        }
        changes
    }

    fn stands(
        &mut self,
        id: &str,
        trouble: &Trouble,
        explained_by: Option<&String>,
        now: UtcMs,
        changes: &mut Vec<AlarmChange>,
    ) {
        self.going.remove(id);
        let active = self.alarms.get_mut(id).filter(|alarm| alarm.is_active);
        let Some(alarm) = active else {
            let first_seen = *self.coming.entry(id.to_owned()).or_insert(now);
            let rule = rule_of(&trouble.kind);
            let since = if rule.is_by_readings {
                first_seen.min(trouble.since)
            } else {
                first_seen
            };
            if minutes(since, now) >= rule.on_delay_min || !self.has_looked {
                self.coming.remove(id);
                self.raise(id, trouble, explained_by, now, changes);
            }
            return;
        };
        let is_worse = trouble.urgency > alarm.rang_as;
        alarm.rang_as = alarm.rang_as.max(trouble.urgency);
        let was_explained = alarm.explained_by.is_some();
        alarm.trouble = Trouble {
            since: alarm.trouble.since.min(trouble.since),
            ..trouble.clone()
        };
        alarm.explained_by = explained_by.cloned();
        match (was_explained, explained_by.is_some()) {
            (false, true) => tell(alarm, AlarmEvent::Explained, now, changes),
            // Its cause is gone and it still stands: now it needs a person by itself.
            (true, false) => ring(alarm, AlarmEvent::Raised, now, changes),
            (false, false) if is_worse => ring(alarm, AlarmEvent::Worsened, now, changes),
            _ => {}
        }
    }

    fn raise(
        &mut self,
        id: &str,
        trouble: &Trouble,
        explained_by: Option<&String>,
        now: UtcMs,
        changes: &mut Vec<AlarmChange>,
    ) {
        // A snooze from before it cleared goes on, unless it comes back more urgent.
        let known = self.alarms.get(id);
        let snoozed = known
            .filter(|known| trouble.urgency <= known.rang_as)
            .and_then(|known| known.snoozed.clone());
        let seen = snoozed.as_ref().map(|snoozed| Seen {
            by: snoozed.by.clone(),
            at: now,
        });
        let alarm = Alarm {
            id: id.to_owned(),
            trouble: trouble.clone(),
            is_active: true,
            raised_at: now,
            rang_at: now,
            rang_as: trouble.urgency,
            cleared_at: None,
            seen,
            is_latched: rule_of(&trouble.kind).latches,
            snoozed,
            explained_by: explained_by.cloned(),
        };
        let event = match (&alarm.explained_by, &alarm.snoozed) {
            (Some(_), _) => AlarmEvent::Explained,
            (None, Some(_)) => AlarmEvent::Snoozed,
            (None, None) => AlarmEvent::Raised,
        };
        tell(&alarm, event, now, changes);
        self.alarms.insert(id.to_owned(), alarm);
    }

    fn clear(&mut self, id: &str, now: UtcMs, changes: &mut Vec<AlarmChange>) {
        let Some(alarm) = self.alarms.get_mut(id) else {
            return;
        };
        alarm.is_active = false;
        alarm.cleared_at = Some(now);
        // What only mattered in passing, or never rang by itself, needs nobody once it is over.
        if alarm.trouble.urgency == Urgency::Look || alarm.explained_by.is_some() {
            alarm.seen.get_or_insert(Seen {
                by: String::new(),
                at: now,
            });
        }
        alarm.explained_by = None;
        tell(alarm, AlarmEvent::Cleared, now, changes);
        self.close_if_normal(id, now, changes);
    }

    /// Ends the snoozes whose time has come.
    fn wake(&mut self, now: UtcMs) -> Vec<AlarmChange> {
        let mut changes = Vec::new();
        let mut woken = Vec::new();
        for alarm in self.alarms.values_mut() {
            let ends_at = alarm.snoozed.as_ref().map(|snoozed| snoozed.until_at);
            if ends_at.is_none_or(|ends_at| ends_at > now) {
                continue;
            }
            alarm.snoozed = None;
            woken.push(alarm.id.clone());
            if alarm.is_active {
                ring(alarm, AlarmEvent::Woken, now, &mut changes);
            }
        }
        for id in woken {
            self.close_if_normal(&id, now, &mut changes);
        }
        changes
    }

    fn close_if_normal(&mut self, id: &str, now: UtcMs, changes: &mut Vec<AlarmChange>) {
        let is_normal = |alarm: &Alarm| alarm.state() == AlarmState::Normal;
        if self.alarms.get(id).is_some_and(is_normal) {
            self.close(id, now, changes);
        }
    }

    fn close(&mut self, id: &str, now: UtcMs, changes: &mut Vec<AlarmChange>) {
        if let Some(mut alarm) = self.alarms.remove(id) {
            alarm.snoozed = None;
            tell(&alarm, AlarmEvent::Closed, now, changes);
        }
    }
}

/// It rings: whoever had seen it must see it again, and a snooze does not hold it.
fn ring(alarm: &mut Alarm, event: AlarmEvent, now: UtcMs, changes: &mut Vec<AlarmChange>) {
    alarm.seen = None;
    alarm.snoozed = None;
    alarm.raised_at = now;
    alarm.rang_at = now;
    tell(alarm, event, now, changes);
}

fn tell(alarm: &Alarm, event: AlarmEvent, now: UtcMs, changes: &mut Vec<AlarmChange>) {
    changes.push(AlarmChange {
        at: now,
        event,
        alarm: alarm.clone(),
    });
}

fn minutes(since: UtcMs, now: UtcMs) -> f64 {
    now.hours_since(since) * 60.0
}

#[cfg(test)]
mod tests;
