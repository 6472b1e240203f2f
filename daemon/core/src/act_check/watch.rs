//! Acts of the watch: initial set, limits of one pour, engineers' dispositions, alarms, the shift log.

use crate::act::{Act, ActBody, AlarmWord};
use crate::act_check::{ActContext, Checked, RefusalKind, invalid, reason, refuse};
use crate::limits::{LIMITS, Limit, breach_id};
use crate::pour::PourRecord;

/// Nobody may quieten an alarm for longer than a shift, h.
pub const SNOOZE_H_MAX: f64 = 8.0;

/// What the watch is told of the plant or of a pour: reasons and ends must be there.
pub(super) fn check_watch(act: &Act) -> Checked {
    match &act.body {
        ActBody::Alarm(said) => match said.word {
            AlarmWord::Snoozed { until_at } => {
                reason(act, "makes an alarm quiet")?;
                let hours = until_at.hours_since(act.happened_at);
                if hours > 0.0 && hours <= SNOOZE_H_MAX {
                    return Ok(());
                }
                invalid(
                    "snooze-end",
                    format!(
                        "`until_at` must come after `happened_at`, by {SNOOZE_H_MAX} h at most: an \
                         alarm that nobody hears must come back in the same shift."
                    ),
                )
            }
            AlarmWord::Seen | AlarmWord::Woken | AlarmWord::Reset => Ok(()),
        },
        ActBody::ShiftNoted => reason(act, "is a note for the shift log"),
        ActBody::ShiftHandedOver { to } if to.trim().is_empty() => invalid(
            "name-missing",
            "`to` is empty: say who takes the shift over.".to_owned(),
        ),
        _ => Ok(()),
    }
}

/// Initial set is reached after placement began.
pub(super) fn check_set(act: &Act, record: &PourRecord) -> Checked {
    if act.happened_at < record.begins_at() {
        return invalid(
            "set-before-placement",
            "`happened_at` is before the first concrete was placed: correct it.".to_owned(),
        );
    }
    Ok(())
}

/// A limit of one pour alone, with the clause or the person it comes from.
pub(super) fn check_limit(act: &Act, limit: Limit, value: Option<f64>) -> Checked {
    reason(
        act,
        "states a limit of this pour; the clause it comes from is needed",
    )?;
    let row = limit.row();
    match value {
        Some(value) if !(row.least..=row.most).contains(&value) => invalid(
            "limit-out-of-range",
            format!(
                "`{}` is {value}: give {} to {} {}, or no value to judge nothing.",
                row.key, row.least, row.most, row.unit
            ),
        ),
        _ => Ok(()),
    }
}

/// An engineer's decision about a breach that there is; of a finished pour only its name is checked,
/// because its temperatures are no longer at hand.
pub(super) fn check_disposition(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    hold: &str,
    number: &str,
) -> Checked {
    reason(act, "records what the engineer decided")?;
    if number.trim().is_empty() || number.chars().any(char::is_control) {
        return invalid(
            "number-missing",
            "`number` is empty: give the number of the engineer's disposition.".to_owned(),
        );
    }
    if !record.is_on_bed() {
        let kind = hold.split('/').next().unwrap_or_default();
        if LIMITS.iter().any(|row| row.kind == kind) {
            return Ok(());
        }
        let kinds: Vec<&str> = LIMITS.iter().map(|row| row.kind).collect();
        return refuse(
            RefusalKind::NotFound,
            "unknown-hold",
            format!(
                "\"{hold}\" is no piece hold; it begins with one of {}.",
                kinds.join(", ")
            ),
        );
    }
    let breaches = (context.assessments)(&record.id).map_or_else(Vec::new, |pour| pour.breaches);
    let known: Vec<String> = breaches.iter().map(breach_id).collect();
    if known.iter().any(|one| one == hold) {
        return Ok(());
    }
    let known = if known.is_empty() {
        "it has none".to_owned()
    } else {
        format!("it has {}", known.join(", "))
    };
    refuse(
        RefusalKind::NotFound,
        "unknown-hold",
        format!(
            "Pour \"{}\" has no piece hold \"{hold}\"; {known}.",
            record.id
        ),
    )
}
