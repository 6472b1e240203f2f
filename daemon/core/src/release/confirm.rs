//! Which positions the breaks confirm, and where the pour stands.

use std::collections::BTreeSet;

use crate::act::{CylinderSet, Load, SetPurpose, SetStorage};
use crate::assessment::{
    CatchUp, Confirmation, ConfirmationState, Forecast, JudgedBreak, Outcome, PositionAssessment,
    PourStatus,
};
use crate::config::{ReleasePolicy, SetScope};
use crate::pour::PourRecord;
use crate::release::breaks::{deciding_strengths, passes, passes_finally};
use crate::time::UtcMs;

/// Judges each position by the release breaks that stand for it, and says what is missing.
///
/// A later failing break of the same concrete undoes what earlier ones confirmed. The result that
/// counts is the pooled one, where a break followed a failure too soon. Words come with
/// [`tell`](super::tell), which knows what lies ahead.
pub fn confirm(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &mut [JudgedBreak],
    positions: &mut [PositionAssessment],
) -> Confirmation {
    let mut relied_on = BTreeSet::new();
    let mut catch_up = Vec::new();
    let mut confirms: Vec<(u128, String)> = Vec::new();
    for position in positions.iter_mut() {
        let by = confirming(record, policy, breaks, position);
        position.confirmed = !by.confirmed.is_empty();
        if position.is_judged() {
            confirms.extend(by.confirmed.iter().map(|id| (*id, position.id.clone())));
            if let Some(maturity) = by.to_catch_up.filter(|_| !position.confirmed) {
                catch_up.push(CatchUp {
                    index: position.index,
                    position: position.id.clone(),
                    maturity,
                    likely_at: None,
                });
            }
            relied_on.extend(by.confirmed);
        }
    }
    for broken in breaks.iter_mut() {
        let named = confirms.iter().filter(|(id, _)| *id == broken.id);
        broken.confirms = named.map(|(_, position)| position.clone()).collect();
    }
    let judged: Vec<&PositionAssessment> = positions.iter().filter(|one| one.is_judged()).collect();
    let waiting_for: Vec<String> = judged
        .iter()
        .filter(|one| !one.confirmed)
        .map(|one| one.id.clone())
        .collect();
    let failure = open_failures(record, policy, breaks).first().copied();
    let counting = || {
        let release = breaks.iter().filter(|one| one.is_release_set);
        release.filter(|one| passes_finally(one) && counts(policy, one))
    };
    let has_counting = counting().next().is_some();
    if judged.is_empty() && failure.is_none() {
        relied_on.extend(counting().map(|one| one.id));
    }
    let state = if !breaks.iter().any(|one| one.is_release_set) {
        ConfirmationState::NoBreak
    } else if failure.is_some() {
        ConfirmationState::Failed
    } else if waiting_for.is_empty() && !relied_on.is_empty() {
        ConfirmationState::Confirmed
    } else {
        ConfirmationState::PassedInPart
    };
    let last_of = |id: &u128| breaks.iter().rfind(|one| one.id == *id);
    let decided = failure
        .or_else(|| {
            relied_on
                .iter()
                .filter_map(last_of)
                .max_by_key(|one| one.tested_at)
        })
        .map(|broken| broken.decided().clone());
    Confirmation {
        state,
        outcome: outcome(record, state, has_counting),
        decided,
        catch_up: match state {
            ConfirmationState::PassedInPart => catch_up,
            _ => Vec::new(),
        },
        breaks: relied_on.into_iter().collect(),
        waiting_for,
        release_specimens_left: release_specimens_left(record),
        ..Confirmation::default()
    }
}

fn outcome(record: &PourRecord, state: ConfirmationState, has_counting: bool) -> Outcome {
    match (&record.release, state) {
        (Some(_), ConfirmationState::Failed) => Outcome::FailedAfterRelease,
        (Some(_), _) => Outcome::Released,
        (None, ConfirmationState::NoBreak) => Outcome::NotBroken,
        (None, ConfirmationState::Failed) => Outcome::Failed,
        (None, ConfirmationState::PassedInPart) if !has_counting => Outcome::DoesNotCount,
        (None, ConfirmationState::PassedInPart) => Outcome::NotConfirmed,
        (None, ConfirmationState::Confirmed) => Outcome::Confirmed,
    }
}

/// What the breaks say of one position.
#[derive(Default)]
struct Confirming {
    /// The breaks that confirm it, in order of testing.
    confirmed: Vec<u128>,
    /// The least maturity at their test of the cylinders that passed and were more mature than it is.
    to_catch_up: Option<f64>,
}

fn confirming(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &[JudgedBreak],
    position: &PositionAssessment,
) -> Confirming {
    let mut by = Confirming::default();
    for (index, broken) in breaks.iter().enumerate() {
        if !broken.is_release_set || !stands_for(record, policy, &broken.set, position) {
            continue;
        }
        let strengths = deciding_strengths(record, breaks, index, policy);
        let required_mpa = position.required_mpa.unwrap_or(broken.required_mpa);
        if !passes(record, policy, &broken.set, &strengths, required_mpa) {
            by = Confirming::default();
        } else if counts(policy, broken) {
            if has_caught_up(broken.specimen_maturity, position) {
                by.confirmed.push(broken.id);
            } else if let Some(maturity) = broken.specimen_maturity {
                let least = by.to_catch_up.map_or(maturity, |least| least.min(maturity));
                by.to_catch_up = Some(least);
            }
        }
    }
    by
}

/// Whether a release set that is not all broken could confirm all that waits, as mature as its cylinders
/// and the concrete are now.
pub fn could_confirm_the_rest(
    record: &PourRecord,
    policy: &ReleasePolicy,
    positions: &[PositionAssessment],
    specimen_maturity: &dyn Fn(&str) -> Option<f64>,
) -> bool {
    let waiting = || {
        let judged = positions.iter().filter(|one| one.is_judged());
        judged.filter(|one| !one.confirmed)
    };
    let left = record.sets.values().filter(|set| {
        set.purpose == SetPurpose::Release
            && record.broken_specimens(&set.set).len() < set.specimens.len()
    });
    waiting().next().is_some()
        && left.into_iter().any(|set| {
            let maturity = specimen_maturity(&set.set);
            (maturity.is_some() || policy.count_specimens_without_history)
                && waiting().all(|one| {
                    stands_for(record, policy, &set.set, one) && has_caught_up(maturity, one)
                })
        })
}

/// Whether a pass of these specimens counts: by their own history, or by the plant's rule.
pub(super) fn counts(policy: &ReleasePolicy, broken: &JudgedBreak) -> bool {
    broken.specimen_maturity.is_some() || policy.count_specimens_without_history
}

/// The release breaks that failed and whose concrete no later one has passed since, the latest first.
pub(super) fn open_failures<'a>(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &'a [JudgedBreak],
) -> Vec<&'a JudgedBreak> {
    let release: Vec<&JudgedBreak> = breaks.iter().filter(|one| one.is_release_set).collect();
    let is_open = |index: &usize| {
        let failed = release[*index];
        let later = release[*index + 1..]
            .iter()
            .filter(|one| passes_finally(one) && counts(policy, one));
        let passed: Vec<&CylinderSet> = later.filter_map(|one| record.sets.get(&one.set)).collect();
        let made_up = record
            .sets
            .get(&failed.set)
            .is_some_and(|set| is_made_up(policy, set, &passed));
        !passes_finally(failed) && !made_up
    };
    (0..release.len())
        .rev()
        .filter(is_open)
        .map(|index| release[index])
        .collect()
}

/// Whether sets that passed stand for all the concrete that a failed set stood for.
fn is_made_up(policy: &ReleasePolicy, failed: &CylinderSet, passed: &[&CylinderSet]) -> bool {
    let for_place = |set: &&&CylinderSet| {
        set.storage != SetStorage::MatchCured
            || (failed.storage == SetStorage::MatchCured
                && set.follows_position == failed.follows_position)
    };
    let mut passed = passed.iter().filter(for_place).peekable();
    let is_any = passed.peek().is_some();
    if policy.set_stands_for == SetScope::Pour {
        return is_any;
    }
    let loads: Vec<&[String]> = passed.map(|set| set.loads.as_slice()).collect();
    let has_passed = |ticket: &String| {
        loads
            .iter()
            .any(|sampled| sampled.is_empty() || sampled.contains(ticket))
    };
    is_any && failed.loads.iter().all(has_passed)
}

/// Whether a set says anything of a position: by the plant's rule that it stands for the whole pour,
/// or because its load was sampled, or no set sampled it at all.
fn stands_for(
    record: &PourRecord,
    policy: &ReleasePolicy,
    set: &str,
    position: &PositionAssessment,
) -> bool {
    let Some(set) = record.sets.get(set) else {
        return false;
    };
    if set.storage == SetStorage::MatchCured {
        return set.follows_position.as_deref() == Some(position.id.as_str());
    }
    let is_for_all = policy.set_stands_for == SetScope::Pour;
    if is_for_all || record.loads.is_empty() || set.loads.is_empty() {
        return true;
    }
    // The usual practice samples the first and the last load; what nobody sampled is stood for by the
    // others, or no cylinder could ever confirm it. A caution says so.
    load_of(record, position)
        .is_none_or(|load| set.loads.contains(&load.ticket) || !is_sampled(record, &load.ticket))
}

pub(super) fn load_of<'a>(
    record: &'a PourRecord,
    position: &PositionAssessment,
) -> Option<&'a Load> {
    let station_m = record.facts.positions.get(position.index)?.station_m;
    record
        .loads
        .values()
        .filter(|load| (load.from_station_m..=load.to_station_m).contains(&station_m))
        .max_by_key(|load| load.placed_from_at)
}

pub(super) fn is_sampled(record: &PourRecord, ticket: &str) -> bool {
    record
        .sets
        .values()
        .filter(|set| set.purpose == SetPurpose::Release)
        .any(|set| set.loads.iter().any(|load| load == ticket))
}

/// Whether the position is at least as mature as the specimens were at their test.
fn has_caught_up(specimen_maturity: Option<f64>, position: &PositionAssessment) -> bool {
    match (specimen_maturity, position.estimate.maturity()) {
        (None, _) => true,
        (Some(specimens), Some(own)) => own >= specimens,
        (Some(_), None) => false,
    }
}

fn release_specimens_left(record: &PourRecord) -> usize {
    record
        .sets
        .values()
        .filter(|set| set.purpose == SetPurpose::Release)
        .map(|set| {
            let broken = record.broken_specimens(&set.set);
            set.specimens
                .iter()
                .filter(|one| !broken.contains(one.as_str()))
                .count()
        })
        .sum()
}

/// Where the pour stands, derived from its records and the answers so far.
#[must_use]
pub fn status(
    record: &PourRecord,
    confirmation: &Confirmation,
    forecast: &Forecast,
    policy: &ReleasePolicy,
    now: UtcMs,
) -> PourStatus {
    if record.abandoned_at.is_some() {
        PourStatus::Abandoned
    } else if record.stripped_at.is_some() {
        PourStatus::Stripped
    } else if record.release.is_some() {
        PourStatus::Released
    } else if confirmation.state == ConfirmationState::Confirmed {
        PourStatus::Confirmed
    } else if record.facts.last_placement_at.is_none_or(|last| last > now) {
        PourStatus::Placing
    } else if is_break_due(confirmation.state, forecast, policy, now) {
        PourStatus::BreakDue
    } else {
        PourStatus::Curing
    }
}

/// Whether a set broken now would probably pass; after a failure only from the new time on.
fn is_break_due(
    state: ConfirmationState,
    forecast: &Forecast,
    policy: &ReleasePolicy,
    now: UtcMs,
) -> bool {
    let is_probable = forecast
        .pass_probability_now
        .is_some_and(|probability| probability >= policy.break_probability);
    match state {
        ConfirmationState::NoBreak => is_probable,
        ConfirmationState::Failed => {
            is_probable && forecast.break_from_at.is_none_or(|from| from <= now)
        }
        ConfirmationState::PassedInPart | ConfirmationState::Confirmed => false,
    }
}
