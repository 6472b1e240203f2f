//! Signing the release of a line: on passing cylinders, for the whole line, with no hold standing.

use std::collections::BTreeSet;

use crate::act::{Act, ReleaseSigned};
use crate::act_check::{ActContext, ActRefusal, RefusalKind, invalid, refuse};
use crate::assessment::PositionEstimate;
use crate::pour::PourRecord;

pub(super) fn check_release(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    signed: &ReleaseSigned,
) -> Result<Vec<String>, ActRefusal> {
    if let Some(release) = &record.release {
        let at = release
            .at
            .to_utc()
            .map_or_else(String::new, |at| at.to_rfc3339());
        return refuse(
            RefusalKind::WrongState,
            "already-released",
            format!(
                "{} has released pour \"{}\" at {at}.",
                release.by, record.id
            ),
        );
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
    if signed.breaks.is_empty() {
        return invalid(
            "no-breaks-named",
            "`breaks` is empty: name the breaks that the release relies on.".to_owned(),
        );
    }
    let mut confirming = BTreeSet::new();
    let mut is_estimated = true;
    for pour in &named {
        let Some(assessment) = (context.assessments)(pour) else {
            continue;
        };
        if let Some(first) = assessment.release_holds.first() {
            let all: Vec<&str> = assessment
                .release_holds
                .iter()
                .map(|hold| hold.text.as_str())
                .collect();
            let detail = format!(
                "Pour \"{pour}\" is held ({}): {}",
                first.kind,
                all.join(" ")
            );
            return refuse(RefusalKind::HoldStands, "hold-stands", detail);
        }
        confirming.extend(assessment.confirmation.breaks.iter().copied());
        let mut judged = assessment
            .positions
            .iter()
            .filter(|one| one.is_judged())
            .peekable();
        is_estimated &= judged.peek().is_some()
            && judged.all(|one| matches!(one.estimate, PositionEstimate::Some { .. }));
    }
    if let Some(stranger) = signed
        .breaks
        .iter()
        .find(|broken| !confirming.contains(*broken))
    {
        return invalid(
            "break-does-not-confirm",
            format!(
                "Break {} does not confirm this line: name only breaks that do.",
                uuid_text(*stranger)
            ),
        );
    }
    let has_reason = signed
        .reason_without_estimate
        .as_deref()
        .is_some_and(|why| !why.trim().is_empty());
    if !is_estimated && !has_reason {
        return invalid(
            "reason-needed",
            "No estimate supports this release: give `reason_without_estimate`.".to_owned(),
        );
    }
    if act.happened_at < record.begins_at() {
        return invalid(
            "released-before-placed",
            "`happened_at` is before the pour's first concrete: correct it.".to_owned(),
        );
    }
    Ok(Vec::new())
}

/// An id as people see it: 32 hexadecimal digits in five groups (RFC 9562).
fn uuid_text(id: u128) -> String {
    let digits = format!("{id:032x}");
    [
        &digits[..8],
        &digits[8..12],
        &digits[12..16],
        &digits[16..20],
        &digits[20..],
    ]
    .join("-")
}
