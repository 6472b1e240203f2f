//! Acts as they come in, what they may not be, and what one more would change.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::{Plant, nothing_ahead};
use crate::act::{Act, ActBody};
use crate::act_check::{ActContext, ActRefusal, Odd, Weighed, check_act, check_mended, odd};
use crate::assessment::PourAssessment;
use crate::habits;
use crate::pour::PourRecord;
use crate::record::Record;
use crate::time::UtcMs;

/// One pour without an act and with it, judged at the same moment.
#[derive(Debug, Clone)]
pub struct PourChange {
    pub pour: String,
    pub before: Option<PourAssessment>,
    pub after: Option<PourAssessment>,
}

impl Plant {
    /// Takes in an act that is already recorded.
    pub fn take_act(&mut self, act: Act) {
        let mut pours = self.touched_by(&act);
        for pour in &pours {
            let acts = self.acts.entry(pour.clone()).or_default();
            Arc::make_mut(acts).push(act.clone());
        }
        // One signature covers a line: what mends an act of one pour may end the release of another.
        for pour in pours.clone() {
            pours.extend(self.signed_with(&pour));
        }
        for pour in pours {
            self.fold_again(&pour, &act);
        }
    }

    /// The pours in whose acts an act belongs.
    fn touched_by(&self, act: &Act) -> BTreeSet<String> {
        let mut touched = BTreeSet::from([act.pour.clone()]);
        match &act.body {
            ActBody::ReleaseSigned(signed) => touched.extend(signed.pours.iter().cloned()),
            ActBody::ReleaseWithdrawn { pours } => touched.extend(pours.iter().cloned()),
            _ => {}
        }
        touched
    }

    /// Every pour that was ever signed for together with this one, itself included.
    fn signed_with(&self, pour: &str) -> BTreeSet<String> {
        let mut together = BTreeSet::from([pour.to_owned()]);
        for act in self.acts.get(pour).into_iter().flat_map(|acts| acts.iter()) {
            if let ActBody::ReleaseSigned(signed) = &act.body {
                together.extend(signed.pours.iter().cloned());
            }
        }
        together
    }

    /// The record of a pour by the acts that were known at `until`.
    pub(super) fn record_at(&self, pour: &str, until: UtcMs) -> Option<PourRecord> {
        let together = self.signed_with(pour);
        let acts = together.iter().filter_map(|one| self.acts.get(one));
        let acts = acts.flat_map(|acts| acts.iter());
        PourRecord::fold(acts.filter(|act| act.recorded_at <= until)).remove(pour)
    }

    fn fold_again(&mut self, pour: &str, act: &Act) {
        let Some(record) = self.record_at(pour, UtcMs(i64::MAX)) else {
            // Its opening was struck, or never was: whatever it taught is taken back.
            if self.pours.remove(pour).is_some() {
                self.learns_at.remove(pour);
                self.teaches_no_more(pour, act.recorded_at);
            }
            return;
        };
        let was_on_bed = self.pours.get(pour).is_none_or(|one| one.is_on_bed());
        let has_taught = self.summaries.contains_key(pour);
        let is_mended =
            act.body.mends().is_some() || matches!(act.body, ActBody::ReleaseWithdrawn { .. });
        if has_taught && is_mended {
            self.learn_from_mended(&record, act);
        }
        let is_back = has_taught && is_mended && !was_on_bed && record.is_on_bed();
        if !has_taught || is_back || self.learns_at.contains_key(pour) {
            let acts = self.acts.get(pour).map(|acts| Record::of(acts.iter()));
            let in_effect: Vec<_> = acts.iter().flat_map(Record::in_effect).collect();
            let at = habits::learned_at(&record, in_effect.iter().map(AsRef::as_ref));
            self.learns_at.insert(pour.to_owned(), at);
        }
        self.pours.insert(pour.to_owned(), Arc::new(record));
    }

    /// Whether an act may be recorded now: its cautions, or why not.
    ///
    /// # Errors
    /// The first rule that it breaks.
    pub fn check_act(&self, act: &Act, now: UtcMs) -> Result<Vec<String>, ActRefusal> {
        self.checked(now, |context| check_act(context, act))
    }

    /// The same of what would stand in the place of a struck act.
    pub(crate) fn check_mended(&self, act: &Act, now: UtcMs) -> Result<Vec<String>, ActRefusal> {
        self.checked(now, |context| check_mended(context, act))
    }

    fn checked<T>(&self, now: UtcMs, check: impl FnOnce(&ActContext<'_>) -> T) -> T {
        let assessments = |pour: &str| self.assess_pour(pour, now);
        let with = |act: &Act| self.with(act);
        check(&ActContext {
            config: &self.config,
            pours: &self.pours,
            acts: &self.acts,
            assessments: &assessments,
            with: &with,
            now,
        })
    }

    /// The cautions of an act and what is odd about it, or why it may not be recorded.
    ///
    /// # Errors
    /// The first rule that it breaks.
    pub fn weigh(&self, act: &Act, now: UtcMs) -> Result<Weighed, ActRefusal> {
        let cautions = self.check_act(act, now)?;
        let odd = self.odd(act, now);
        Ok(Weighed { cautions, odd })
    }

    /// The plant as it would be with one more act.
    #[must_use]
    pub fn with(&self, act: &Act) -> Self {
        let mut with = self.clone();
        with.take_act(act.clone());
        with
    }

    /// What an act would change: each pour it bears on, judged without it and with it.
    #[must_use]
    pub fn would(&self, act: &Act, now: UtcMs) -> Vec<PourChange> {
        let with = self.with(act);
        let changes = self.borne_on(act).into_iter().map(|pour| PourChange {
            before: self.assess_pour(&pour, now),
            after: with.assess_pour(&pour, now),
            pour,
        });
        changes
            .filter(|change| change.before.is_some() || change.after.is_some())
            .collect()
    }

    fn borne_on(&self, act: &Act) -> BTreeSet<String> {
        let touched = self.touched_by(act);
        let together = touched.iter().flat_map(|pour| self.signed_with(pour));
        together.chain(touched.iter().cloned()).collect()
    }

    fn odd(&self, act: &Act, now: UtcMs) -> Vec<Odd> {
        let with = self.with(act);
        let judged = |plant: &Self, pour: &str| {
            let record = plant.pours.get(pour)?;
            let until = record.until(now);
            Some(plant.judge(record, &plant.clocks(), until, nothing_ahead).0)
        };
        let changes: Vec<PourChange> = self
            .borne_on(act)
            .into_iter()
            .map(|pour| PourChange {
                before: judged(self, &pour),
                after: judged(&with, &pour),
                pour,
            })
            .collect();
        let acts = self.acts.get(&act.pour);
        odd::odd(
            &odd::OddContext {
                config: &self.config,
                acts: acts.map_or(&[], |acts| acts.as_slice()),
            },
            act,
            &changes,
        )
    }
}
