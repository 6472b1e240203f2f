//! Opening and correcting a pour: what it names must exist, and nothing may overlap.

use std::collections::BTreeSet;

use crate::act::{Act, PourCorrected, PourOpened, Requirement, StrengthAct};
use crate::act_check::binding::{check_bindings, unknown_channels};
use crate::act_check::breaking::{check_set, load_cautions};
use crate::act_check::{
    ActContext, ActRefusal, Checked, RefusalKind, check_load_within, in_order, invalid, measured,
    past, refuse, strength, temperature, within,
};
use crate::estimate::{ReadyCurve, curve_use};
use crate::pour::PourRecord;
use crate::time::UtcMs;

pub(super) fn check_opened(
    context: &ActContext<'_>,
    act: &Act,
    opened: &PourOpened,
) -> Result<Vec<String>, ActRefusal> {
    if context.pours.contains_key(&act.pour) {
        return refuse(
            RefusalKind::WrongState,
            "pour-exists",
            format!(
                "Pour \"{}\" is already open: choose another name, or correct that one.",
                act.pour
            ),
        );
    }
    named_once("loads", opened.loads.iter().map(|load| &load.ticket))?;
    named_once(
        "cylinder_sets",
        opened.cylinder_sets.iter().map(|set| &set.set),
    )?;
    let record = PourRecord::open(act, opened);
    check_facts(context, &record)?;
    check_overlap(context, &record)?;
    check_bindings(context, &record)?;
    Ok(cautions(context, &record))
}

pub(super) fn check_corrected(
    context: &ActContext<'_>,
    record: &PourRecord,
    correction: &PourCorrected,
) -> Result<Vec<String>, ActRefusal> {
    let corrected = record.corrected(correction);
    check_facts(context, &corrected)?;
    check_overlap(context, &corrected)?;
    check_bindings(context, &corrected)?;
    Ok(cautions(context, &corrected))
}

/// Names that must differ within one list, or the last would silently replace the others.
fn named_once<'a>(field: &str, names: impl Iterator<Item = &'a String>) -> Checked {
    let mut seen = BTreeSet::new();
    for name in names {
        if !seen.insert(name) {
            return invalid(
                "named-twice",
                format!("`{field}` names \"{name}\" twice: give each its own name."),
            );
        }
    }
    Ok(())
}

fn check_facts(context: &ActContext<'_>, record: &PourRecord) -> Checked {
    let facts = &record.facts;
    let Some(bed) = context.config.bed(&facts.bed) else {
        let known: Vec<&str> = context
            .config
            .beds
            .iter()
            .map(|bed| bed.id.as_str())
            .collect();
        return refuse(
            RefusalKind::NotFound,
            "unknown-bed",
            format!(
                "No bed \"{}\" in the plant file; it has {}.",
                facts.bed,
                known.join(", ")
            ),
        );
    };
    if !context.config.mixes.iter().any(|mix| mix.id == facts.mix) {
        let known: Vec<&str> = context
            .config
            .mixes
            .iter()
            .map(|mix| mix.id.as_str())
            .collect();
        return refuse(
            RefusalKind::NotFound,
            "unknown-mix",
            format!(
                "No mix \"{}\" in the plant file; it has {}.",
                facts.mix,
                known.join(", ")
            ),
        );
    }
    if let Some(limits) = &facts.limit_set
        && context.config.limit_set(limits).is_none()
    {
        return refuse(
            RefusalKind::NotFound,
            "unknown-limit-set",
            format!("No limit set \"{limits}\" in the plant file."),
        );
    }
    within(
        "from_station_m",
        facts.from_station_m,
        0.0,
        bed.length_m,
        "the bed",
    )?;
    within(
        "to_station_m",
        facts.to_station_m,
        facts.from_station_m,
        bed.length_m,
        "the bed after its start",
    )?;
    if facts.to_station_m <= facts.from_station_m {
        return invalid(
            "pour-without-length",
            "`to_station_m` must lie beyond `from_station_m`: correct one of them.".to_owned(),
        );
    }
    for (field, at) in [
        ("first_placement_at", facts.first_placement_at),
        ("last_placement_at", facts.last_placement_at),
    ] {
        at.map_or(Ok(()), |at| past(context, field, at))?;
    }
    in_order(facts.first_placement_at, facts.last_placement_at)?;
    check_requirements(record)?;
    check_positions(record)?;
    for load in record.loads.values() {
        check_load_within(context, facts.from_station_m, facts.to_station_m, load)?;
    }
    for set in record.sets.values() {
        check_set(record, set)?;
    }
    check_measures(record)
}

/// What was measured or planned of the pour, each a plausible number.
fn check_measures(record: &PourRecord) -> Checked {
    let facts = &record.facts;
    let fresh = facts.fresh.unwrap_or_default();
    let plan = facts.heat_plan.unwrap_or_default();
    for temperature_c in [fresh.temperature_c, plan.soak_c].into_iter().flatten() {
        temperature(temperature_c)?;
    }
    measured("cementitious_kg_m3", facts.cementitious_kg_m3)?;
    measured("fresh.slump_mm", fresh.slump_mm)?;
    measured("fresh.slump_flow_mm", fresh.slump_flow_mm)?;
    measured("fresh.visual_stability_index", fresh.visual_stability_index)?;
    measured("fresh.air_percent", fresh.air_percent)?;
    measured("heat_plan.rise_c_per_h", plan.rise_c_per_h)?;
    let thickness_mm = facts
        .section
        .as_ref()
        .and_then(|section| section.thickness_mm);
    measured("section.thickness_mm", thickness_mm)?;
    for position in &facts.positions {
        measured("positions.depth_mm", position.depth_mm)?;
    }
    if facts.without_heat && facts.heat_plan.is_some() {
        return invalid(
            "heat-planned-without-heat",
            "`heat_plan` is given and `without_heat` is true: say one of them; a correction says \
             `without_heat = false` with its plan."
                .to_owned(),
        );
    }
    match (plan.on_at, plan.off_at) {
        (Some(on_at), Some(off_at)) if off_at < on_at => invalid(
            "heat-plan-backwards",
            "`heat_plan.off_at` is before `on_at`: correct one of them.".to_owned(),
        ),
        _ => Ok(()),
    }
}

fn check_requirements(record: &PourRecord) -> Checked {
    let facts = &record.facts;
    let pieces = facts.pieces.iter().flat_map(|piece| &piece.required);
    let all: Vec<&Requirement> = facts.required.iter().chain(pieces).collect();
    for required in &all {
        strength("required.strength_mpa", required.strength_mpa)?;
    }
    if !all
        .iter()
        .any(|required| required.act == StrengthAct::Release)
    {
        return invalid(
            "no-release-strength",
            "`required` states no strength for release: add one.".to_owned(),
        );
    }
    named_once("pieces", facts.pieces.iter().map(|piece| &piece.mark))?;
    let bare = facts
        .positions
        .iter()
        .find(|position| record.required_release_mpa(position).is_none());
    if let Some(position) = bare {
        return invalid(
            "no-release-strength",
            format!(
                "Nothing states the release strength around position \"{}\": add one to the pour's \
                 `required`.",
                position.id
            ),
        );
    }
    for piece in &facts.pieces {
        let field = format!("pieces \"{}\"", piece.mark);
        within(
            &field,
            piece.from_station_m,
            facts.from_station_m,
            facts.to_station_m,
            "the pour",
        )?;
        within(
            &field,
            piece.to_station_m,
            piece.from_station_m,
            facts.to_station_m,
            "the pour",
        )?;
    }
    Ok(())
}

fn check_positions(record: &PourRecord) -> Checked {
    let facts = &record.facts;
    let mut seen = BTreeSet::new();
    for position in &facts.positions {
        if position.id.trim().is_empty() || !seen.insert(&position.id) {
            return invalid(
                "position-named-twice",
                format!(
                    "Position \"{}\" is named twice or not at all: give each its own name.",
                    position.id
                ),
            );
        }
        let field = format!("positions \"{}\" station_m", position.id);
        within(
            &field,
            position.station_m,
            facts.from_station_m,
            facts.to_station_m,
            "the pour",
        )?;
    }
    Ok(())
}

/// Two pours may share stations of a bed only one after the other, or as named layers.
fn check_overlap(context: &ActContext<'_>, record: &PourRecord) -> Checked {
    let facts = &record.facts;
    for other in context.pours.values() {
        let theirs = &other.facts;
        let was_there = other
            .stripped_at
            .is_some_and(|stripped| stripped > record.begins_at());
        let is_other =
            other.id != record.id && theirs.bed == facts.bed && (other.is_on_bed() || was_there);
        let share = facts.from_station_m < theirs.to_station_m
            && theirs.from_station_m < facts.to_station_m;
        if is_other && share && facts.layer == theirs.layer {
            return invalid(
                "pours-overlap",
                format!(
                    "Pour \"{}\" {} on bed {} at these stations ({} to {} m): strip or abandon it \
                     first, correct the stations or placement times, or name a `layer`.",
                    other.id,
                    if was_there { "was still" } else { "is still" },
                    facts.bed,
                    theirs.from_station_m,
                    theirs.to_station_m
                ),
            );
        }
    }
    Ok(())
}

fn cautions(context: &ActContext<'_>, record: &PourRecord) -> Vec<String> {
    let mut cautions: Vec<String> = record
        .sets
        .values()
        .flat_map(|set| load_cautions(record, set))
        .collect();
    cautions.extend(unknown_channels(context, &record.bindings));
    let now: UtcMs = context.now;
    let curve = curve_use(context.config, record, now);
    if !curve.standing.is_usable() {
        cautions.push(curve.note);
    } else if let Some(known) = curve
        .digest
        .and_then(|digest| context.config.curve(&digest))
    {
        let ready = ReadyCurve::new(known, &context.config.estimate);
        if record
            .release_strength_mpa()
            .is_some_and(|required| ready.never_reaches(required))
        {
            cautions.push(format!(
                "Curve {} never reaches the required strength within its data: cylinders alone will tell.",
                ready.name
            ));
        }
    }
    cautions
}
