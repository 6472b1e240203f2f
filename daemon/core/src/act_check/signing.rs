//! Signing the release of a line: on passing cylinders, for the whole line, with no hold standing.

use std::collections::BTreeSet;

use crate::act::{Act, ReleaseSigned};
use crate::act_check::{ActContext, ActRefusal, Checked, RefusalKind, invalid, refuse, uuid_text};
use crate::assessment::PourAssessment;
use crate::pour::PourRecord;

pub(super) fn check_release(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    signed: &ReleaseSigned,
) -> Result<Vec<String>, ActRefusal> {
    for pour in std::iter::once(&record.id).chain(&signed.pours) {
        let Some(named) = context.pours.get(pour) else {
            return refuse(
                RefusalKind::NotFound,
                "unknown-pour",
                format!("`pours` names \"{pour}\", which is no pour: check its name."),
            );
        };
        if let Some(release) = &named.release {
            let at = context.config.local().moment(release.at);
            return refuse(
                RefusalKind::WrongState,
                "already-released",
                format!("{} has released pour \"{pour}\" at {at}.", release.by),
            );
        }
    }
    let line: BTreeSet<&str> = context
        .pours
        .values()
        .filter(|other| other.is_under_cure())
        .filter(|other| other.facts.bed == record.facts.bed && other.line() == record.line())
        .map(|other| other.id.as_str())
        .collect();
    let named: BTreeSet<&str> = signed.pours.iter().map(String::as_str).collect();
    if line != named {
        let whole: Vec<&str> = line.into_iter().collect();
        return invalid(
            "line-not-whole",
            format!(
                "A line is released whole: `pours` must be exactly {} (line {}).",
                whole.join(", "),
                record.line()
            ),
        );
    }
    let assessments = assessed(context, &named)?;
    let mut cautions = Vec::new();
    let mut is_estimated = true;
    for (pour, assessment) in named.iter().zip(&assessments) {
        not_held(pour, assessment)?;
        cautions.extend(
            assessment
                .cautions
                .iter()
                .map(|caution| caution.text.clone()),
        );
        is_estimated &= has_estimate(assessment);
    }
    check_breaks(act, signed, &assessments)?;
    let has_reason = signed
        .reason_without_estimate
        .as_deref()
        .is_some_and(|why| !why.trim().is_empty());
    if !is_estimated && !has_reason {
        return invalid(
            "reason-needed",
            "No estimate supports this release: give the reason why it is signed all the same (`--why`, or \
             the form's line \"Why without\")."
                .to_owned(),
        );
    }
    Ok(cautions)
}

fn assessed(
    context: &ActContext<'_>,
    pours: &BTreeSet<&str>,
) -> Result<Vec<PourAssessment>, ActRefusal> {
    let judge = |pour: &&str| {
        (context.assessments)(pour).ok_or_else(|| ActRefusal {
            kind: RefusalKind::NotFound,
            code: "unknown-pour",
            detail: format!("Pour \"{pour}\" cannot be judged: check its name."),
        })
    };
    pours.iter().map(judge).collect()
}

fn not_held(pour: &str, assessment: &PourAssessment) -> Checked {
    let Some(first) = assessment.release_holds.first() else {
        return Ok(());
    };
    let texts = assessment
        .release_holds
        .iter()
        .map(|hold| hold.text.as_str());
    let all: Vec<&str> = texts.collect();
    let detail = format!(
        "Pour \"{pour}\" is held ({}): {}",
        first.kind,
        all.join(" ")
    );
    refuse(RefusalKind::HoldStands, "hold-stands", detail)
}

/// Whether every judged position has an estimate; without any position nothing estimates the pour.
fn has_estimate(assessment: &PourAssessment) -> bool {
    let mut judged = assessment
        .positions
        .iter()
        .filter(|one| one.is_judged())
        .peekable();
    judged.peek().is_some() && judged.all(|one| one.estimate.estimate_mpa().is_some())
}

/// The breaks named must confirm, and every pour of the line must have one among them.
fn check_breaks(act: &Act, signed: &ReleaseSigned, line: &[PourAssessment]) -> Checked {
    if signed.breaks.is_empty() {
        return invalid(
            "no-breaks-named",
            "`breaks` is empty: name the breaks that the release relies on.".to_owned(),
        );
    }
    for named in &signed.breaks {
        let confirms = |pour: &&PourAssessment| pour.confirmation.breaks.contains(named);
        let Some(pour) = line.iter().find(confirms) else {
            return invalid(
                "break-does-not-confirm",
                format!(
                    "Break {} does not confirm this line: name only breaks that do.",
                    uuid_text(*named)
                ),
            );
        };
        let broken = pour.breaks.iter().find(|broken| broken.id == *named);
        if broken.is_some_and(|broken| broken.tested_at > act.happened_at) {
            return invalid(
                "released-before-tested",
                "`happened_at` is before a named break was tested: correct it.".to_owned(),
            );
        }
    }
    let bare = line.iter().find(|pour| {
        let mut confirming = pour.confirmation.breaks.iter();
        !confirming.any(|broken| signed.breaks.contains(broken))
    });
    match bare {
        Some(pour) => invalid(
            "pour-without-break",
            format!(
                "`breaks` names none that confirms pour \"{}\": add one that does.",
                pour.record.id
            ),
        ),
        None => Ok(()),
    }
}
