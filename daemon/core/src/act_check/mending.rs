//! Striking, correcting and withdrawing: what is named must be there, count, and be said this way.

use crate::act::{Act, ActBody, AlarmWord, Replacement};
use crate::act_check::{
    ActContext, ActRefusal, Checked, RefusalKind, check_body, invalid, past, reason, refuse,
    uuid_text,
};
use crate::pour::PourRecord;
use crate::record::Record;

/// Checks a strike; a strike may itself be struck.
pub(super) fn check_struck(
    context: &ActContext<'_>,
    act: &Act,
    struck: u128,
) -> Result<Vec<String>, ActRefusal> {
    reason(act, "strikes an act")?;
    let target = mendable(context, act, struck)?;
    let bed = |pour: &str| context.pours.get(pour).map(|one| one.facts.bed.clone());
    match &target.body {
        ActBody::ReleaseSigned(_) => refuse(
            RefusalKind::WrongState,
            "sign-off-not-struck",
            format!(
                "A sign-off is withdrawn, never struck: `tarplight withdraw {} --why \"…\"`.",
                bed(&act.pour).unwrap_or_else(|| act.pour.clone())
            ),
        ),
        ActBody::ReleaseWithdrawn { .. } => refuse(
            RefusalKind::WrongState,
            "withdrawal-not-struck",
            "A sign-off that was withdrawn does not come back: look at the breaks and sign again."
                .to_owned(),
        ),
        ActBody::Alarm(said) => match said.word {
            AlarmWord::Seen | AlarmWord::Snoozed { .. } => Ok(Vec::new()),
            AlarmWord::Woken => refuse(
                RefusalKind::WrongState,
                "alarm-not-struck",
                "The alarm rings again already: snooze it once more instead.".to_owned(),
            ),
            AlarmWord::Reset => refuse(
                RefusalKind::WrongState,
                "alarm-not-struck",
                "The alarm is put away and comes back by itself where its trouble does: write a \
                 note for the shift log instead."
                    .to_owned(),
            ),
        },
        _ => Ok(Vec::new()),
    }
}

/// Checks a correction: what stands in the place of the act is checked as if it were new, against the
/// record without the act.
pub(super) fn check_act_corrected(
    context: &ActContext<'_>,
    act: &Act,
    corrected: u128,
    replacement: &Replacement,
) -> Result<Vec<String>, ActRefusal> {
    reason(act, "corrects an act")?;
    let target = mendable(context, act, corrected)?;
    let root = said_first(context, target);
    match &root.body {
        ActBody::ReleaseSigned(_) | ActBody::ReleaseWithdrawn { .. } => {
            return check_struck(context, act, corrected);
        }
        ActBody::ActStruck { .. } => {
            return refuse(
                RefusalKind::WrongState,
                "strike-not-corrected",
                "That act strikes another: strike it, and the other counts again.".to_owned(),
            );
        }
        ActBody::Alarm(_) => {
            return refuse(
                RefusalKind::WrongState,
                "alarm-not-corrected",
                "What was said to an alarm is not corrected: strike it, or say the right word now."
                    .to_owned(),
            );
        }
        _ => {}
    }
    if std::mem::discriminant(&root.body) != std::mem::discriminant(&*replacement.body) {
        return invalid(
            "corrected-into-another",
            "A correction must be of the same kind as the act it corrects: strike that one, and \
             record the other by itself."
                .to_owned(),
        );
    }
    let happened_at = replacement.happened_at.unwrap_or(root.happened_at);
    past(context, "replacement.happened_at", happened_at)?;
    let stands = Act {
        happened_at,
        why: replacement.why.clone().or_else(|| root.why.clone()),
        body: (*replacement.body).clone(),
        ..act.clone()
    };
    let strike = Act {
        // No act has these ids: nothing but this judgement ever sees them.
        id: u128::MAX,
        body: ActBody::ActStruck { struck: corrected },
        ..act.clone()
    };
    let mut without = (context.with)(&strike);
    if root.id != target.id {
        // Striking a correction alone would bring back what it corrected.
        without = without.with(&Act {
            id: u128::MAX - 1,
            body: ActBody::ActStruck { struck: root.id },
            ..act.clone()
        });
    }
    without.check_mended(&stands, context.now)
}

/// The act that a chain of corrections began with.
fn said_first<'a>(context: &ActContext<'a>, target: &'a Act) -> &'a Act {
    let mut root = target;
    while let ActBody::ActCorrected { corrected, .. } = &root.body {
        let acts = context.acts.get(&root.pour).into_iter();
        let Some(found) = acts
            .flat_map(|acts| acts.iter())
            .find(|one| one.id == *corrected)
        else {
            break;
        };
        root = found;
    }
    root
}

/// The act that is named, where it is there and counts.
fn mendable<'a>(context: &ActContext<'a>, act: &Act, id: u128) -> Result<&'a Act, ActRefusal> {
    let of_pour = context.acts.get(&act.pour);
    let mut acts = of_pour.into_iter().flat_map(|acts| acts.iter());
    let Some(target) = acts.find(|one| one.id == id && one.pour == act.pour) else {
        return refuse(
            RefusalKind::NotFound,
            "unknown-act",
            unknown(context, act, id),
        );
    };
    let record = Record::of(of_pour.into_iter().flat_map(|acts| acts.iter()));
    let Some(by) = record.struck_by(id) else {
        return Ok(target);
    };
    let (what, then) = match by.body {
        ActBody::ActCorrected { .. } => ("corrected", "correct or strike that act instead"),
        _ => ("struck", "to let it count again, strike that act"),
    };
    refuse(
        RefusalKind::WrongState,
        "already-struck",
        format!(
            "{} has {what} this act already, by act {}: {then}.",
            by.by,
            uuid_text(by.id)
        ),
    )
}

fn unknown(context: &ActContext<'_>, act: &Act, id: u128) -> String {
    let other = context
        .acts
        .values()
        .flat_map(|acts| acts.iter())
        .find(|one| one.id == id);
    match other {
        Some(other) if other.pour.is_empty() => format!(
            "Act {} is of the whole plant: leave `pour` empty.",
            uuid_text(id)
        ),
        Some(other) => format!(
            "Act {} is of pour \"{}\", not of \"{}\": name that pour.",
            uuid_text(id),
            other.pour,
            act.pour
        ),
        None => format!(
            "There is no act {}: `tarplight acts` lists what is on record.",
            uuid_text(id)
        ),
    }
}

/// A sign-off that stands is withdrawn for every pour that it released.
pub(super) fn check_withdrawn(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    pours: &[String],
) -> Checked {
    reason(act, "withdraws a sign-off")?;
    let Some(release) = &record.release else {
        return refuse(
            RefusalKind::WrongState,
            "not-released",
            format!(
                "Pour \"{}\" is not released: nothing is to be withdrawn.",
                record.id
            ),
        );
    };
    let is_signed = |one: &&String| {
        let named = context.pours.get(*one).and_then(|one| one.release.as_ref());
        named.is_some_and(|other| other.act_id == release.act_id)
    };
    let whole: Vec<&String> = context.pours.keys().filter(is_signed).collect();
    let mut named: Vec<&String> = pours.iter().collect();
    named.sort();
    named.dedup();
    if named != whole {
        let whole: Vec<&str> = whole.into_iter().map(String::as_str).collect();
        return invalid(
            "line-not-whole",
            format!(
                "The sign-off is of a whole line: `pours` must be exactly {}.",
                whole.join(", ")
            ),
        );
    }
    if act.happened_at < release.at {
        return invalid(
            "withdrawn-before-signed",
            "`happened_at` is before the release was signed: correct it.".to_owned(),
        );
    }
    Ok(())
}

/// Checks what stands in the place of a corrected act; a finished pour may be mended too.
pub(crate) fn check_mended(context: &ActContext<'_>, act: &Act) -> Result<Vec<String>, ActRefusal> {
    if let ActBody::PourOpened(opened) = &act.body {
        return super::opening::check_opened(context, act, opened);
    }
    if act.pour.is_empty() {
        return super::watch::check_watch(act).map(|()| Vec::new());
    }
    let record = super::known_pour(context, act)?;
    check_body(context, act, record)
}

/// True where an act records a break, or corrects one.
pub(crate) fn is_break(acts: &[Act], act: &Act) -> bool {
    match &act.body {
        ActBody::BreakRecorded(_) => true,
        ActBody::ActCorrected { replacement, .. } => {
            matches!(*replacement.body, ActBody::BreakRecorded(_))
        }
        ActBody::ActStruck { struck } => {
            let mut struck = acts.iter().filter(|one| one.id == *struck);
            struck.any(|one| is_break(acts, one))
        }
        _ => false,
    }
}
