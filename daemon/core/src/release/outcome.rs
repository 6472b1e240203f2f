//! The words of pass and fail: the only place where they are chosen, for every screen and message.
//!
//! "Passed" is said of a pour whose cylinders confirm all of it, and of nothing less; "FAILED" of a pour
//! with a failed set that nothing has made up for, and of that set. A set that is strong enough says
//! what it confirms.

use units::UnitSystem;

use crate::assessment::{
    BreakSays, CatchUp, Confirmation, ConfirmationState, Decided, DecidedBy, JudgedBreak, Outcome,
    PourStatus,
};
use crate::config::ReleasePolicy;
use crate::pour::PourRecord;
use crate::release::breaks::passes_finally;
use crate::release::confirm::{counts, open_failures};
use crate::say;
use crate::time::UtcMs;

/// How sentences are told: the plant's units, and a time of its clock.
pub struct Telling<'a> {
    pub units: UnitSystem,
    pub clock: &'a dyn Fn(UtcMs) -> String,
    /// From when on another set passes with the plant's probability, where that is known.
    pub next_set_from: Option<UtcMs>,
}

/// Chooses the words of the pour and of each of its breaks.
pub fn tell(
    record: &PourRecord,
    policy: &ReleasePolicy,
    telling: &Telling<'_>,
    breaks: &mut [JudgedBreak],
    confirmation: &mut Confirmation,
) {
    let open: Vec<u128> = open_failures(record, policy, breaks)
        .iter()
        .map(|one| one.id)
        .collect();
    for broken in breaks.iter_mut() {
        broken.says = says(policy, &open, broken, confirmation);
        broken.words = break_words(policy, telling.units, broken, confirmation);
        broken.short = break_short(telling.units, broken);
    }
    confirmation.words = words(record, policy, telling, confirmation);
    confirmation.short = short(record, telling.units, confirmation);
    confirmation.shortest = shortest(confirmation.outcome);
}

fn says(
    policy: &ReleasePolicy,
    open: &[u128],
    broken: &JudgedBreak,
    confirmation: &Confirmation,
) -> BreakSays {
    if !broken.is_release_set {
        BreakSays::NotForRelease
    } else if !passes_finally(broken) {
        if open.contains(&broken.id) {
            BreakSays::Failed
        } else {
            BreakSays::MadeUp
        }
    } else if !counts(policy, broken) {
        BreakSays::DoesNotCount
    } else if confirmation.state == ConfirmationState::Confirmed {
        BreakSays::Passes
    } else {
        BreakSays::Confirms
    }
}

/// One break: its numbers, what it says, and why.
fn break_words(
    policy: &ReleasePolicy,
    units: UnitSystem,
    broken: &JudgedBreak,
    confirmation: &Confirmation,
) -> String {
    let required_mpa = broken.required_mpa;
    let (mean, required) = say::strengths_apart(broken.mean_mpa, required_mpa, units);
    let each: Vec<String> = broken
        .strengths_mpa
        .iter()
        .map(|mpa| say::strength_number_apart(*mpa, required_mpa, units))
        .collect();
    let said = match broken.says {
        BreakSays::Failed => format!("FAILED{}", because(policy, units, broken)),
        BreakSays::MadeUp => format!(
            "FAILED{}; a later set made up for it",
            because(policy, units, broken)
        ),
        BreakSays::DoesNotCount => {
            "strong enough, but DOES NOT COUNT: no temperature record of these cylinders".to_owned()
        }
        BreakSays::NotForRelease => "not a release set: it confirms nothing".to_owned(),
        BreakSays::Passes => format!("passes{}", together(policy, broken)),
        BreakSays::Confirms => format!(
            "strong enough{}, {}",
            together(policy, broken),
            confirms(broken, confirmation)
        ),
    };
    format!("{mean} ({}) of {required}: {said}", each.join(", "))
}

/// The same in the fewest words, for a list from which a break is chosen.
fn break_short(units: UnitSystem, broken: &JudgedBreak) -> String {
    let number = number_short(units, broken.decided());
    match broken.says {
        BreakSays::Failed => format!("FAILED: {number}"),
        BreakSays::MadeUp => format!("FAILED, made up: {number}"),
        BreakSays::DoesNotCount => format!("does not count: {number}"),
        BreakSays::NotForRelease => format!("not a release set: {number}"),
        BreakSays::Confirms if broken.confirms.is_empty() => {
            format!("confirms nothing yet: {number}")
        }
        BreakSays::Confirms => format!("confirms {}: {number}", broken.confirms.join(", ")),
        BreakSays::Passes => format!("passes: {number}"),
    }
}

fn confirms(broken: &JudgedBreak, confirmation: &Confirmation) -> String {
    if broken.confirms.is_empty() && confirmation.waiting_for.is_empty() {
        // Without positions a set stands for its loads, and another set is still open.
        return "but the pour is not confirmed".to_owned();
    }
    let to_go = confirmation.waiting_for.join(", ");
    match (broken.confirms.is_empty(), to_go.is_empty()) {
        (true, _) => "but confirms no position yet".to_owned(),
        (false, true) => format!("confirms {}", broken.confirms.join(", ")),
        (false, false) => format!("confirms {}, not {to_go} yet", broken.confirms.join(", ")),
    }
}

/// Why a break failed, where its mean alone does not show it.
fn because(policy: &ReleasePolicy, units: UnitSystem, broken: &JudgedBreak) -> String {
    let together = together(policy, broken);
    let decided = broken.decided();
    match decided.by {
        DecidedBy::Mean if together.is_empty() => String::new(),
        _ => format!("{together}: {}", number(units, decided)),
    }
}

/// Which other sets a break is judged with, and why.
fn together(policy: &ReleasePolicy, broken: &JudgedBreak) -> String {
    let others: Vec<&str> = match &broken.pooled {
        None => return String::new(),
        Some(pooled) => {
            let sets = pooled.decided.sets.iter().map(String::as_str);
            sets.filter(|set| *set != broken.set).collect()
        }
    };
    if others.is_empty() {
        return ", judged together with its first test".to_owned();
    }
    format!(
        ", judged together with set {}, broken less than {} before it",
        others.join(" and "),
        say::span(policy.pooled_within_h)
    )
}

/// The number that decides, with what it had to be.
fn number(units: UnitSystem, decided: &Decided) -> String {
    let (value, needed) = say::strengths_apart(decided.value, decided.needed, units);
    let cylinder = decided.specimen.as_deref().unwrap_or("the weakest");
    match decided.by {
        DecidedBy::Mean if decided.sets.len() > 1 => {
            format!(
                "the mean of {} is {value} of {needed}",
                decided.sets.join(" and ")
            )
        }
        DecidedBy::Mean => format!("the mean is {value} of {needed}"),
        DecidedBy::Cylinder => {
            format!("cylinder {cylinder} is {value} and must be {needed} or more")
        }
        DecidedBy::TooFewCylinders => format!(
            "{} broken, the rule asks for {:.0}",
            cylinders(decided.value),
            decided.needed
        ),
        DecidedBy::NoStrength => format!("cylinder {cylinder} has no usable strength"),
        DecidedBy::NoRequirement => {
            "no release strength is required of this pour: correct it".to_owned()
        }
    }
}

fn cylinders(count: f64) -> String {
    if (count - 1.0).abs() < 0.5 {
        "1 cylinder".to_owned()
    } else {
        format!("{count:.0} cylinders")
    }
}

/// The number that decides in the fewest words.
fn number_short(units: UnitSystem, decided: &Decided) -> String {
    let (value, needed) = say::strengths_apart(decided.value, decided.needed, units);
    match decided.by {
        DecidedBy::Mean if decided.sets.len() > 1 => {
            format!("{} {value} of {needed}", decided.sets.join("+"))
        }
        DecidedBy::Mean => format!("{value} of {needed}"),
        DecidedBy::Cylinder => format!("one cylinder {value} of {needed}"),
        DecidedBy::TooFewCylinders => format!("too few: {}", cylinders(decided.value)),
        DecidedBy::NoStrength => "a cylinder without a strength".to_owned(),
        DecidedBy::NoRequirement => "nothing is required".to_owned(),
    }
}

fn words(
    record: &PourRecord,
    policy: &ReleasePolicy,
    telling: &Telling<'_>,
    confirmation: &Confirmation,
) -> String {
    let by = || {
        record
            .release
            .as_ref()
            .map_or("nobody", |release| &release.by)
    };
    let failed = || {
        let Some(decided) = &confirmation.decided else {
            return String::new();
        };
        let why = number(telling.units, decided);
        let within = if decided.sets.len() > 1 {
            format!(", broken within {}", say::span(policy.pooled_within_h))
        } else {
            String::new()
        };
        let sets = if decided.sets.len() > 1 {
            "sets"
        } else {
            "set"
        };
        format!(" ({sets} {}{within}: {why})", decided.sets.join(" and "))
    };
    match confirmation.outcome {
        Outcome::NotBroken => {
            "No cylinder has been broken yet: the estimate only says when to break.".to_owned()
        }
        Outcome::Failed => format!(
            "Cylinders FAILED{}: do not release; {}.",
            failed(),
            next_set(policy, telling, confirmation)
        ),
        Outcome::DoesNotCount => "Do not release: the cylinders were strong enough, but without a \
                                  temperature record they do not count by the plant's rule."
            .to_owned(),
        Outcome::NotConfirmed => format!(
            "Not confirmed: {} to go; do not release.{}",
            confirmation.waiting_for.join(", "),
            rest(telling, confirmation)
        ),
        Outcome::Confirmed => "Cylinders passed, not released: QC signs the release.".to_owned(),
        Outcome::Released => {
            format!(
                "Released on cylinders by {} (as typed, not verified).",
                by()
            )
        }
        Outcome::FailedAfterRelease => format!(
            "Released by {} (as typed, not verified), but cylinders FAILED{}: do not cut; call QC and \
             the engineer.",
            by(),
            failed()
        ),
    }
}

/// When another set may be broken after one that failed.
fn next_set(policy: &ReleasePolicy, telling: &Telling<'_>, confirmation: &Confirmation) -> String {
    if confirmation.release_specimens_left == 0 {
        return "no release cylinders are left".to_owned();
    }
    match telling.next_set_from {
        Some(from) => format!(
            "another set passes with {} from {} on",
            say::percent(policy.break_probability),
            (telling.clock)(from)
        ),
        None => "no time is known at which another set would pass".to_owned(),
    }
}

/// When what is not confirmed will be, by waiting or by another set.
pub(super) fn rest(telling: &Telling<'_>, confirmation: &Confirmation) -> String {
    if confirmation.outcome != Outcome::NotConfirmed {
        return String::new();
    }
    let waits = |one: &CatchUp| match one.likely_at {
        Some(at) => format!("{} about {}", one.position, (telling.clock)(at)),
        None => format!("{} at a time that is not known", one.position),
    };
    let mut text = String::new();
    if !confirmation.catch_up.is_empty() {
        let told: Vec<String> = confirmation.catch_up.iter().map(waits).collect();
        text += &format!(
            " As mature as the cylinders that were strong enough: {}.",
            told.join(", ")
        );
    }
    let unspoken: Vec<&str> = confirmation
        .waiting_for
        .iter()
        .map(String::as_str)
        .filter(|id| confirmation.catch_up.iter().all(|one| one.position != *id))
        .collect();
    if !unspoken.is_empty() {
        text += &format!(
            " No set that was strong enough stands for {}: break one that does.",
            unspoken.join(", ")
        );
    } else if confirmation.is_break_sooner {
        text += " Another set could confirm it sooner than waiting does.";
    } else if !confirmation.catch_up.is_empty() {
        text += " Waiting is sooner than another set.";
    }
    text
}

fn short(record: &PourRecord, units: UnitSystem, confirmation: &Confirmation) -> String {
    let decided = || {
        let decided = confirmation.decided.as_ref();
        decided.map_or_else(String::new, |one| number_short(units, one))
    };
    match confirmation.outcome {
        Outcome::NotBroken if record.sets.is_empty() => {
            "no break yet, no cylinders made".to_owned()
        }
        Outcome::NotBroken => "no break yet".to_owned(),
        Outcome::Failed => format!("FAILED: {}", decided()),
        Outcome::DoesNotCount => "DOES NOT COUNT: no temperature record".to_owned(),
        Outcome::NotConfirmed => {
            format!(
                "NOT CONFIRMED: {} to go",
                confirmation.waiting_for.join(", ")
            )
        }
        Outcome::Confirmed => format!("passed: {}", decided()),
        Outcome::Released => "released by QC".to_owned(),
        Outcome::FailedAfterRelease => format!("FAILED after the release: {}", decided()),
    }
}

/// In at most fourteen letters.
const fn shortest(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::NotBroken => "no break yet",
        Outcome::Failed | Outcome::FailedAfterRelease => "FAILED",
        Outcome::DoesNotCount => "does not count",
        Outcome::NotConfirmed => "not confirmed",
        Outcome::Confirmed => "passed",
        Outcome::Released => "released",
    }
}

/// Where a pour stands, with what the cylinders say where the status alone would hide it.
#[must_use]
pub fn status_words(status: PourStatus, outcome: Outcome) -> &'static str {
    match (status, outcome) {
        (PourStatus::Stripped, Outcome::FailedAfterRelease) => "stripped, a later break FAILED",
        (PourStatus::Released, Outcome::FailedAfterRelease) => "released, a later break FAILED",
        (PourStatus::Placing, Outcome::Failed) => "break FAILED, placing",
        (PourStatus::BreakDue, Outcome::Failed) => "break FAILED, next break due",
        (_, Outcome::Failed) => "break FAILED, curing",
        (PourStatus::Curing, Outcome::NotConfirmed) => "not confirmed, curing",
        (PourStatus::Curing, Outcome::DoesNotCount) => "break does not count, curing",
        (PourStatus::BreakDue, _) => "break due",
        (PourStatus::Placing, _) => "placing",
        (PourStatus::Curing, _) => "curing",
        (PourStatus::Confirmed, _) => "cylinders passed, not released",
        (PourStatus::Released, _) => "released",
        (PourStatus::Stripped, _) => "stripped",
        (PourStatus::Abandoned, _) => "abandoned",
    }
}
