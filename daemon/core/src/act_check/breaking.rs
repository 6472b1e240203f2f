//! Cylinders made, pulled and broken: the specimens must exist, be whole until now, and give a strength.

use std::collections::BTreeSet;

use crate::act::{Act, BreakResult, CylinderSet, SetPurpose, SetStorage, SpecimenResult};
use crate::act_check::{
    ActContext, ActRefusal, Checked, RefusalKind, invalid, past, reason, refuse, strength,
    uuid_text,
};
use crate::pour::PourRecord;
use crate::release::disagrees;
use calibration::cylinder_strength;
use units::{Kilonewton, Millimetre, bounds};

fn set_of<'a>(record: &'a PourRecord, set: &str) -> Result<&'a CylinderSet, ActRefusal> {
    record.sets.get(set).ok_or_else(|| {
        let known: Vec<&str> = record.sets.keys().map(String::as_str).collect();
        ActRefusal {
            kind: RefusalKind::NotFound,
            code: "unknown-set",
            detail: format!(
                "Pour \"{}\" has no cylinder set \"{set}\"; it has {}.",
                record.id,
                if known.is_empty() {
                    "none".to_owned()
                } else {
                    known.join(", ")
                }
            ),
        }
    })
}

fn known_specimen(set: &CylinderSet, specimen: &str) -> Checked {
    if set.specimens.iter().any(|one| one == specimen) {
        return Ok(());
    }
    refuse(
        RefusalKind::NotFound,
        "unknown-specimen",
        format!(
            "Set {} has no specimen \"{specimen}\"; it has {}.",
            set.set,
            set.specimens.join(", ")
        ),
    )
}

pub(super) fn check_set(record: &PourRecord, set: &CylinderSet) -> Checked {
    if set.set.trim().is_empty() || set.specimens.is_empty() {
        return invalid(
            "set-empty",
            format!(
                "Cylinder set \"{}\" needs a name and at least one specimen.",
                set.set
            ),
        );
    }
    let distinct: BTreeSet<&String> = set.specimens.iter().collect();
    if distinct.len() != set.specimens.len() {
        return invalid(
            "specimen-named-twice",
            format!(
                "Cylinder set {} names a specimen twice: give each its own name.",
                set.set
            ),
        );
    }
    let is_plausible = bounds::CYLINDER_DIAMETER_MM.contains(set.diameter_mm)
        && bounds::CYLINDER_LENGTH_MM.contains(set.length_mm)
        && bounds::LENGTH_DIAMETER_RATIO.contains(set.length_mm / set.diameter_mm);
    if !is_plausible {
        return invalid(
            "implausible-cylinder",
            format!(
                "Cylinder set {} is {} by {} mm: give its diameter and length in mm (100 by 200, 150 by 300).",
                set.set, set.diameter_mm, set.length_mm
            ),
        );
    }
    if set.storage == SetStorage::MatchCured && set.follows_position.is_none() {
        return invalid(
            "match-cured-without-position",
            format!(
                "Cylinder set {} is match-cured: name the position it follows in `follows_position`.",
                set.set
            ),
        );
    }
    match &set.follows_position {
        Some(position) if !record.facts.positions.iter().any(|one| one.id == *position) => refuse(
            RefusalKind::NotFound,
            "unknown-position",
            format!(
                "Cylinder set {} follows \"{position}\", which is no position of the pour.",
                set.set
            ),
        ),
        _ => Ok(()),
    }
}

/// A set of which a specimen is broken is part of a result and stays as it was said.
pub(super) fn not_broken_yet(record: &PourRecord, set: &CylinderSet) -> Checked {
    if record.broken_specimens(&set.set).is_empty() {
        return Ok(());
    }
    refuse(
        RefusalKind::WrongState,
        "set-already-broken",
        format!(
            "Specimens of set {} are already broken: give the new set another name.",
            set.set
        ),
    )
}

/// Loads that a set names but nobody has recorded: it stands for no concrete until they are.
pub(super) fn load_cautions(record: &PourRecord, set: &CylinderSet) -> Vec<String> {
    let unknown = set
        .loads
        .iter()
        .filter(|load| !record.loads.contains_key(*load));
    unknown
        .map(|load| {
            format!(
                "Load {load} of cylinder set {} is not recorded yet: record it.",
                set.set
            )
        })
        .collect()
}

pub(super) fn check_pulled(record: &PourRecord, set: &str, specimens: &[String]) -> Checked {
    let set = set_of(record, set)?;
    specimens
        .iter()
        .try_for_each(|specimen| known_specimen(set, specimen))
}

pub(super) fn check_break(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    result: &BreakResult,
) -> Result<Vec<String>, ActRefusal> {
    let set = set_of(record, &result.set)?;
    past(context, "tested_at", result.tested_at)?;
    if result
        .pulled_at
        .is_some_and(|pulled| pulled > result.tested_at)
    {
        return invalid(
            "tested-before-pulled",
            "`tested_at` is before `pulled_at`: correct one of them.".to_owned(),
        );
    }
    // Where nobody has said when the pour began, its opening may have been recorded late.
    let is_begun = record.facts.first_placement_at.is_some() || !record.loads.is_empty();
    let earliest_at = result.pulled_at.unwrap_or(result.tested_at);
    if is_begun && earliest_at < record.begins_at() {
        return invalid(
            "tested-before-placed",
            "`pulled_at` or `tested_at` is before the pour's first concrete: correct it."
                .to_owned(),
        );
    }
    if result.specimens.is_empty() {
        return invalid(
            "no-specimens",
            "`specimens` is empty: name each specimen that was broken.".to_owned(),
        );
    }
    if set.purpose == SetPurpose::Later {
        reason(act, "breaks cylinders that are not of the release set")?;
    }
    let broken = record.broken_specimens(&set.set);
    let mut seen = BTreeSet::new();
    for specimen in &result.specimens {
        known_specimen(set, &specimen.specimen)?;
        if broken.contains(specimen.specimen.as_str()) || !seen.insert(&specimen.specimen) {
            return invalid(
                "specimen-broken-twice",
                format!(
                    "Specimen {} is already broken: check its name. To correct a value use \
                     `tarplight correct`.",
                    specimen.specimen
                ),
            );
        }
        check_specimen(set, specimen)?;
    }
    let mut cautions = Vec::new();
    let count_min = context.config.release.rule.specimen_count_min;
    if result.specimens.len() < count_min {
        cautions.push(format!(
            "{} specimens were broken; the plant's rule asks for {count_min}: this alone is no pass.",
            result.specimens.len()
        ));
    }
    Ok(cautions)
}

/// Only a break that disagrees can be resolved: that lifts the hold on it and changes no value.
pub(super) fn check_resolved(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    break_id: u128,
) -> Checked {
    let Some(broken) = record.breaks.iter().find(|broken| broken.id == break_id) else {
        return refuse(
            RefusalKind::NotFound,
            "unknown-break",
            "`break_id` names no break of this pour that counts: `tarplight acts` lists them."
                .to_owned(),
        );
    };
    reason(act, "resolves a disagreement")?;
    let judged = (context.assessments)(&record.id).map_or_else(Vec::new, |pour| pour.breaks);
    let disagrees = judged
        .iter()
        .find(|one| one.id == break_id)
        .is_some_and(|one| disagrees(one, &context.config.release));
    if disagrees && !record.resolved_breaks.contains(&break_id) {
        return Ok(());
    }
    refuse(
        RefusalKind::WrongState,
        "nothing-to-resolve",
        format!(
            "Set {} agrees with what it is compared with, or was resolved already: resolving would \
             change nothing. To correct a mistyped value use `tarplight correct {}`.",
            broken.result.set,
            uuid_text(break_id)
        ),
    )
}

fn check_specimen(set: &CylinderSet, specimen: &SpecimenResult) -> Checked {
    let name = &specimen.specimen;
    match (specimen.strength_mpa, specimen.load_kn) {
        (Some(_), Some(_)) => invalid(
            "strength-and-load",
            format!("Specimen {name} gives both a strength and a load: give one."),
        ),
        (None, None) => invalid(
            "no-result",
            format!("Specimen {name} gives neither a strength nor a load: give one."),
        ),
        (Some(strength_mpa), None) => strength(&format!("specimen {name}"), strength_mpa),
        (None, Some(load_kn)) => {
            let diameter = Millimetre(specimen.diameter_mm.unwrap_or(set.diameter_mm));
            let found = cylinder_strength(Kilonewton(load_kn), diameter, Millimetre(set.length_mm));
            match found {
                Ok(found) => strength(&format!("specimen {name}"), found.0),
                Err(error) => invalid("implausible-load", format!("Specimen {name}: {error}")),
            }
        }
    }
}
