//! Whom to call now: the order of targets, one call each, tries again, and targets that are dead.

use std::collections::{BTreeMap, BTreeSet};

use daemon_core::alarm::{Alarm, AlarmState};
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::time::UtcMs;

use super::NotifySettings;

/// After the first failed try the next comes this much later, min; each later one after twice that …
const TRY_AGAIN_MIN: f64 = 0.5;
/// … up to this, min.
const TRY_AGAIN_MIN_MAX: f64 = 8.0;
/// So many failed tries in a row, and the target is called dead.
const DEAD_AFTER: u32 = 3;

/// One call that is to be made now: the alarm's id, when it rang, and the target by its place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Call {
    pub alarm: String,
    pub raised_at: UtcMs,
    pub target: usize,
}

/// Who has been called about what.
#[derive(Debug, Default)]
pub struct Caller {
    settings: NotifySettings,
    done: BTreeSet<Call>,
    under_way: BTreeSet<Call>,
    failed: BTreeMap<Call, (u32, UtcMs)>,
    /// By target: failed tries in a row, since when, and the last reason.
    failing: BTreeMap<usize, (u32, UtcMs, String)>,
}

impl Caller {
    /// Goes on after these calls were made.
    #[must_use]
    pub fn new(settings: NotifySettings, done: impl IntoIterator<Item = Call>) -> Self {
        Self {
            settings,
            done: done.into_iter().collect(),
            ..Self::default()
        }
    }

    /// The settings it goes by.
    #[must_use]
    pub fn settings(&self) -> &NotifySettings {
        &self.settings
    }

    /// The calls to be made now; each is under way until [`Caller::made`] is told how it went.
    pub fn due(&mut self, alarms: &[&Alarm], now: UtcMs) -> Vec<Call> {
        let least = self.settings.least.unwrap_or(Urgency::Soon);
        let rings = |alarm: &&&Alarm| {
            (alarm.state() == AlarmState::Unacknowledged || alarm.is_unseen_now())
                && alarm.urgency() >= least
                // A dead target cannot be told of itself, but those after it can.
                && !self.settings.targets.is_empty()
        };
        let ringing: Vec<&Alarm> = alarms.iter().filter(rings).copied().collect();
        let mut due = Vec::new();
        for alarm in &ringing {
            let waited_min = now.hours_since(alarm.raised_at) * 60.0;
            let mut turn = 0.0;
            for target in 0..self.settings.targets.len() {
                let call = Call {
                    alarm: alarm.id.clone(),
                    raised_at: alarm.raised_at,
                    target,
                };
                if waited_min >= turn * self.settings.escalate_min && self.is_open(&call, now) {
                    due.push(call);
                }
                // Nobody waits for a target that is dead: the next has its turn at once.
                if !self.is_dead(target) {
                    turn += 1.0;
                }
            }
        }
        self.under_way.extend(due.iter().cloned());
        let stands = |call: &Call| {
            ringing
                .iter()
                .any(|alarm| alarm.id == call.alarm && alarm.raised_at == call.raised_at)
        };
        self.done.retain(stands);
        self.failed.retain(|call, _| stands(call));
        due
    }

    fn is_open(&self, call: &Call, now: UtcMs) -> bool {
        let may_try = self
            .failed
            .get(call)
            .is_none_or(|(_, again_at)| *again_at <= now);
        may_try && !self.done.contains(call) && !self.under_way.contains(call)
    }

    fn is_dead(&self, target: usize) -> bool {
        self.failing
            .get(&target)
            .is_some_and(|failing| failing.0 >= DEAD_AFTER)
    }

    /// Takes in how a call went.
    pub fn made(&mut self, call: &Call, outcome: Result<(), String>, now: UtcMs) {
        self.under_way.remove(call);
        match outcome {
            Ok(()) => {
                self.failing.remove(&call.target);
                self.failed.remove(call);
                self.done.insert(call.clone());
            }
            Err(reason) => {
                let tries = self.failed.get(call).map_or(0, |failed| failed.0);
                let wait_min =
                    (TRY_AGAIN_MIN * f64::from(1 << tries.min(6))).min(TRY_AGAIN_MIN_MAX);
                let again_at = now.plus_hours(wait_min / 60.0);
                self.failed.insert(call.clone(), (tries + 1, again_at));
                let failing = self
                    .failing
                    .entry(call.target)
                    .or_insert((0, now, String::new()));
                failing.0 += 1;
                failing.2 = reason;
            }
        }
    }

    /// A dead target is a trouble itself.
    #[must_use]
    pub fn troubles(&self) -> Vec<Trouble> {
        let dead = self
            .failing
            .iter()
            .filter(|(target, _)| self.is_dead(**target));
        let trouble = |(target, (tries, since, reason)): (&usize, &(u32, UtcMs, String))| {
            let target = self.settings.targets.get(*target)?;
            Some(Trouble {
                kind: "target-dead".into(),
                urgency: Urgency::Soon,
                bed: None,
                pour: None,
                place: Some(target.name.clone()),
                what: format!(
                    "{} could not be called {tries} times: {reason}.",
                    target.name
                ),
                since: *since,
                first_act: "Call by hand tonight, and have the way to it mended; `tarplightd \
                            test-notify` tries it."
                    .into(),
                explained_by: None,
            })
        };
        dead.filter_map(trouble).collect()
    }
}

#[cfg(test)]
mod tests {
    use daemon_core::alarm::AlarmBook;

    use super::*;
    use crate::notify::{Target, Way};

    fn at(minute: i64) -> UtcMs {
        UtcMs(1_772_388_000_000 + minute * 60_000)
    }

    fn caller(done: Vec<Call>) -> Caller {
        let target = |name: &str| Target {
            name: name.to_owned(),
            way: Way::Webhook {
                url: "http://127.0.0.1:9/".to_owned(),
            },
        };
        let settings = NotifySettings {
            escalate_min: 10.0,
            least: None,
            targets: vec![target("night phone"), target("foreman")],
            status: None,
        };
        Caller::new(settings, done)
    }

    fn trouble(urgency: Urgency) -> Trouble {
        Trouble {
            kind: "curve-not-usable".into(),
            urgency,
            bed: None,
            pour: None,
            place: None,
            what: "as a test has it".to_owned(),
            since: at(0),
            first_act: "Look.".into(),
            explained_by: None,
        }
    }

    fn ringing(urgency: Urgency) -> AlarmBook {
        let mut book = AlarmBook::default();
        book.look(&[trouble(urgency)], at(0));
        book
    }

    fn targets(calls: &[Call]) -> Vec<usize> {
        calls.iter().map(|call| call.target).collect()
    }

    #[test]
    fn each_is_called_once_and_the_next_when_nobody_has_seen_it() {
        let book = ringing(Urgency::Soon);
        let mut caller = caller(Vec::new());
        let first = caller.due(&book.alarms(), at(0));
        assert_eq!(targets(&first), [0]);
        assert!(
            caller.due(&book.alarms(), at(0)).is_empty(),
            "it is under way"
        );
        caller.made(&first[0], Ok(()), at(0));
        assert!(caller.due(&book.alarms(), at(9)).is_empty());
        let second = caller.due(&book.alarms(), at(10));
        assert_eq!(targets(&second), [1]);
        caller.made(&second[0], Ok(()), at(10));
        assert!(caller.due(&book.alarms(), at(600)).is_empty());
    }

    #[test]
    fn a_seen_alarm_and_a_small_one_call_nobody() {
        let mut seen = ringing(Urgency::Now);
        let word = daemon_core::act::AlarmAct {
            alarm: trouble(Urgency::Now).id(),
            word: daemon_core::act::AlarmWord::Seen,
        };
        seen.hear(&word, "N. Shift", "", at(0));
        assert!(caller(Vec::new()).due(&seen.alarms(), at(60)).is_empty());
        let small = ringing(Urgency::Look);
        assert!(caller(Vec::new()).due(&small.alarms(), at(60)).is_empty());
    }

    #[test]
    fn a_target_that_fails_is_tried_again_later_and_later_then_called_dead_and_passed_over() {
        let book = ringing(Urgency::Soon);
        let mut caller = caller(Vec::new());
        let mut tried = Vec::new();
        for second in 0..360 {
            let now = UtcMs(at(0).0 + second * 1000);
            for call in caller.due(&book.alarms(), now) {
                tried.push((call.target, second));
                let outcome = if call.target == 0 {
                    Err("no answer".to_owned())
                } else {
                    Ok(())
                };
                caller.made(&call, outcome, now);
            }
        }
        assert_eq!(tried, [(0, 0), (0, 30), (0, 90), (1, 91), (0, 210)]);
        let dead = caller.troubles();
        assert_eq!(dead[0].id(), "target-dead/night phone");
        assert!(dead[0].what.contains("no answer"), "{}", dead[0].what);
        let call = Call {
            alarm: trouble(Urgency::Soon).id(),
            raised_at: at(0),
            target: 0,
        };
        caller.made(&call, Ok(()), at(7));
        assert!(caller.troubles().is_empty(), "it lives again");
    }

    #[test]
    fn a_restart_calls_nobody_twice() {
        let book = ringing(Urgency::Soon);
        let made = Call {
            alarm: trouble(Urgency::Soon).id(),
            raised_at: at(0),
            target: 0,
        };
        let mut again = caller(vec![made]);
        assert!(again.due(&book.alarms(), at(1)).is_empty());
        assert_eq!(targets(&again.due(&book.alarms(), at(11))), [1]);
    }
}
