//! Which positions the breaks confirm, and where the pour stands.

use std::collections::BTreeSet;

use crate::act::{Load, SetPurpose, SetStorage};
use crate::assessment::{
    Confirmation, ConfirmationState, Forecast, JudgedBreak, PositionAssessment, PourStatus,
};
use crate::config::ReleasePolicy;
use crate::pour::PourRecord;
use crate::release::breaks::{passes, pooled_strengths};
use crate::time::UtcMs;

/// Judges each position by the breaks that stand for it, the last word counting, and says what is missing.
pub fn confirm(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &[JudgedBreak],
    positions: &mut [PositionAssessment],
) -> Confirmation {
    let mut relied_on = BTreeSet::new();
    for position in positions.iter_mut() {
        position.confirmed = false;
        let mut by = None;
        for (index, broken) in breaks.iter().enumerate() {
            if !stands_for(record, policy, broken, position) {
                continue;
            }
            let pooled = pooled_strengths(breaks, index, policy);
            let strengths = pooled.as_deref().unwrap_or(&broken.strengths_mpa);
            let required_mpa = position.required_mpa.unwrap_or(broken.required_mpa);
            if !passes(record, policy, &broken.set, strengths, required_mpa) {
                by = None;
            } else if has_caught_up(broken, position) {
                by = by.or(Some(broken.id));
            }
        }
        position.confirmed = by.is_some();
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
    let last = breaks.last();
    let last_passes = last.is_some_and(|last| last.pooled.map_or(last.passes, |one| one.passes));
    let counts = last.is_some_and(|last| {
        last.specimen_maturity.is_some() || policy.count_specimens_without_history
    });
    let state = match last {
        None => ConfirmationState::NoBreak,
        Some(_) if judged.is_empty() && last_passes && counts => ConfirmationState::Confirmed,
        Some(_) if !judged.is_empty() && waiting_for.is_empty() => ConfirmationState::Confirmed,
        Some(_) if last_passes => ConfirmationState::PassedInPart,
        Some(_) if waiting_for.len() < judged.len() => ConfirmationState::PassedInPart,
        Some(_) => ConfirmationState::Failed,
    };
    if judged.is_empty() && state == ConfirmationState::Confirmed {
        relied_on.extend(last.map(|last| last.id));
    }
    Confirmation {
        state,
        words: words(record, state, &waiting_for),
        breaks: relied_on.into_iter().collect(),
        waiting_for,
        release_specimens_left: release_specimens_left(record),
    }
}

/// Whether a break says anything of a position: its load was sampled, or no set sampled it at all.
fn stands_for(
    record: &PourRecord,
    policy: &ReleasePolicy,
    broken: &JudgedBreak,
    position: &PositionAssessment,
) -> bool {
    if broken.specimen_maturity.is_none() && !policy.count_specimens_without_history {
        return false;
    }
    let Some(set) = record.sets.get(&broken.set) else {
        return false;
    };
    if set.storage == SetStorage::MatchCured && set.follows_position.is_some() {
        return set.follows_position.as_deref() == Some(position.id.as_str());
    }
    let Some(load) = load_of(record, position) else {
        return true;
    };
    // The usual practice samples the first and the last load; what nobody sampled is stood for by the
    // others, or no cylinder could ever confirm it.
    set.loads.is_empty() || set.loads.contains(&load.ticket) || !is_sampled(record, &load.ticket)
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

fn words(record: &PourRecord, state: ConfirmationState, waiting_for: &[String]) -> String {
    if let Some(release) = &record.release {
        return format!(
            "Released on broken cylinders by {} (as typed, not verified).",
            release.by
        );
    }
    match state {
        ConfirmationState::NoBreak => {
            "No cylinder has been broken: the estimate only says when to break.".to_owned()
        }
        ConfirmationState::Failed => {
            "Cylinders failed: do not release; the estimate only says when to break next."
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
    } else if forecast
        .pass_probability_now
        .is_some_and(|now| now >= policy.break_probability)
        && confirmation.state != ConfirmationState::PassedInPart
    {
        PourStatus::BreakDue
    } else {
        PourStatus::Curing
    }
}
