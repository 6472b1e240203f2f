//! When a sign-off counts no more: a person withdrew it, or a break that it rests on was struck.
//!
//! A sign-off that was withdrawn does not come back by itself, also not where the strike is struck: a
//! person looks at the breaks and signs again.

use std::collections::BTreeMap;

use crate::act::{Act, ActBody};
use crate::pour::{PourRecord, Withdrawn};
use crate::record::Record;

/// Withdraws the releases that rest on a break which the mending at `place` had taken away when it
/// became known.
pub(super) fn by_mending(
    record: &Record<'_>,
    place: usize,
    pours: &mut BTreeMap<String, PourRecord>,
) {
    if pours.values().all(|pour| pour.release.is_none()) {
        return;
    }
    let known = record.up_to(place);
    let act = record.ordered()[place];
    for pour in pours.values_mut() {
        let Some(release) = &pour.release else {
            continue;
        };
        let gone = release.breaks.iter().find_map(|id| set_gone(&known, *id));
        if let Some(set) = gone {
            pour.withdraw(act, Some(set));
        }
    }
}

/// The set of a break that does not count, by itself or because its pour's opening does not.
fn set_gone(known: &Record<'_>, broken: u128) -> Option<String> {
    let act = known.ordered().iter().find(|act| act.id == broken)?;
    let result = match &act.body {
        ActBody::BreakRecorded(result) => result,
        ActBody::ActCorrected { replacement, .. } => match &*replacement.body {
            ActBody::BreakRecorded(result) => result,
            _ => return None,
        },
        _ => return None,
    };
    let opens = |one: &Act| one.pour == act.pour && matches!(one.body, ActBody::PourOpened(_));
    let is_open = || known.in_effect().any(|one| opens(&one));
    (!known.has_effect(broken) || !is_open()).then(|| result.set.clone())
}

impl PourRecord {
    pub(super) fn withdraw(&mut self, act: &Act, set: Option<String>) {
        if let Some(release) = self.release.take() {
            self.withdrawn.push(Withdrawn {
                release,
                at: act.recorded_at,
                by: act.by.clone(),
                why: act.why.clone().unwrap_or_default(),
                set,
            });
        }
    }
}
