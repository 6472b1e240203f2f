//! Which positions the breaks confirm, and where the pour stands.

use std::collections::BTreeSet;

use calibration::CylinderSize;
use units::{Megapascal, UnitSystem, show_apart};

use crate::act::{CylinderSet, Load, SetPurpose, SetStorage};
use crate::assessment::{
    Confirmation, ConfirmationState, Forecast, JudgedBreak, PositionAssessment, PourStatus,
};
use crate::config::{ReleasePolicy, SetScope};
use crate::pour::PourRecord;
use crate::release::breaks::{passes, passes_finally, pooled_strengths};
use crate::time::UtcMs;

/// Judges each position by the release breaks that stand for it, and says what is missing.
///
/// A later failing break of the same concrete undoes what earlier ones confirmed. The result that
/// counts is the pooled one, where a break followed a failure too soon.
pub fn confirm(
    record: &PourRecord,
    policy: &ReleasePolicy,
    units: UnitSystem,
    breaks: &[JudgedBreak],
    positions: &mut [PositionAssessment],
) -> Confirmation {
    let mut relied_on = BTreeSet::new();
    for position in positions.iter_mut() {
        let by = confirming(record, policy, breaks, position);
        position.confirmed = !by.is_empty();
        if position.is_judged() {
            relied_on.extend(by);
        }
    }
    let judged: Vec<&PositionAssessment> = positions.iter().filter(|one| one.is_judged()).collect();
    let waiting_for: Vec<String> = judged
        .iter()
        .filter(|one| !one.confirmed)
        .map(|one| one.id.clone())
        .collect();
    let failure = open_failure(record, policy, breaks);
    if judged.is_empty() && failure.is_none() {
        let passing = breaks
            .iter()
            .filter(|one| one.is_release_set && passes_finally(one) && counts(policy, one));
        relied_on.extend(passing.map(|one| one.id));
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
    Confirmation {
        state,
        words: words(record, policy, units, state, failure, &waiting_for),
        breaks: relied_on.into_iter().collect(),
        waiting_for,
        release_specimens_left: release_specimens_left(record),
    }
}

/// The breaks that confirm a position, in order of testing.
fn confirming(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &[JudgedBreak],
    position: &PositionAssessment,
) -> Vec<u128> {
    let mut by = Vec::new();
    for (index, broken) in breaks.iter().enumerate() {
        if !broken.is_release_set || !stands_for(record, policy, &broken.set, position) {
            continue;
        }
        let pooled = pooled_strengths(record, breaks, index, policy);
        let strengths = pooled.as_deref().unwrap_or(&broken.strengths_mpa);
        let required_mpa = position.required_mpa.unwrap_or(broken.required_mpa);
        if !passes(record, policy, &broken.set, strengths, required_mpa) {
            by.clear();
        } else if counts(policy, broken) && has_caught_up(broken, position) {
            by.push(broken.id);
        }
    }
    by
}

/// Whether a pass of these specimens counts: by their own history, or by the plant's rule.
fn counts(policy: &ReleasePolicy, broken: &JudgedBreak) -> bool {
    broken.specimen_maturity.is_some() || policy.count_specimens_without_history
}

/// The latest release break that failed and whose concrete no later one has passed since.
fn open_failure<'a>(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &'a [JudgedBreak],
) -> Option<&'a JudgedBreak> {
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
        .find(is_open)
        .map(|index| release[index])
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
fn has_caught_up(broken: &JudgedBreak, position: &PositionAssessment) -> bool {
    match (broken.specimen_maturity, position.estimate.maturity()) {
        (None, _) => true,
        (Some(specimens), Some(own)) => own >= specimens,
        (Some(_), None) => false,
    }
}

fn words(
    record: &PourRecord,
    policy: &ReleasePolicy,
    units: UnitSystem,
    state: ConfirmationState,
    failure: Option<&JudgedBreak>,
    waiting_for: &[String],
) -> String {
    if let Some(release) = &record.release {
        return format!(
            "Released on cylinders by {} (as typed, not verified).",
            release.by
        );
    }
    match state {
        ConfirmationState::NoBreak => {
            "No cylinder has been broken yet: the estimate only says when to break.".to_owned()
        }
        ConfirmationState::Failed => {
            let how = failure.map_or_else(String::new, |one| shortfall(policy, units, one));
            format!(
                "Cylinders failed{how}: do not release; the estimate only says when to break next."
            )
        }
        ConfirmationState::PassedInPart if waiting_for.is_empty() => {
            "Cylinders passed, but without a temperature history they do not count by the plant's \
             rule: do not release."
                .to_owned()
        }
        ConfirmationState::PassedInPart => format!(
            "Cylinders passed, but do not confirm {} yet: do not release.",
            waiting_for.join(", ")
        ),
        ConfirmationState::Confirmed => {
            "Cylinders passed, not released: QC signs the release.".to_owned()
        }
    }
}

/// How a break failed, in brackets, with as many digits as it takes to see it.
fn shortfall(policy: &ReleasePolicy, units: UnitSystem, broken: &JudgedBreak) -> String {
    let mean_mpa = broken
        .pooled
        .map_or(broken.mean_mpa, |pooled| pooled.mean_mpa);
    let together = broken.pooled.map_or("", |_| " with the sets before it");
    if broken.required_mpa <= 0.0 {
        return " (no release strength is required of this pour: correct it)".to_owned();
    }
    if mean_mpa < broken.required_mpa {
        let (mean, required) =
            show_apart(Megapascal(mean_mpa), Megapascal(broken.required_mpa), units);
        return format!(" (set {}{together}: mean {mean} of {required})", broken.set);
    }
    let strengths: Vec<Megapascal> = broken
        .strengths_mpa
        .iter()
        .map(|one| Megapascal(*one))
        .collect();
    let judgement = policy.rule.judge(
        &strengths,
        Megapascal(broken.required_mpa),
        CylinderSize::Other,
    );
    match judgement.reasons.first() {
        Some(reason) => format!(" (set {}: {})", broken.set, reason.sentence(units)),
        None => format!(" (set {}{together})", broken.set),
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
