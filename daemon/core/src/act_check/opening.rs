//! Opening and correcting a pour: what it names must exist, and nothing may overlap.

use std::collections::BTreeSet;

use crate::act::{
    Act, ChannelBinding, ChannelRole, CylinderSet, PourCorrected, PourOpened, Requirement,
    StrengthAct,
};
use crate::act_check::{
    ActContext, ActRefusal, Checked, RefusalKind, check_load_within, in_order, invalid, past,
    refuse, strength, temperature, within,
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
    if let Some(fresh_c) = facts.fresh.and_then(|fresh| fresh.temperature_c) {
        temperature(fresh_c)?;
    }
    Ok(())
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
    if !(25.0..=400.0).contains(&set.diameter_mm)
        || !(1.0..=2.2).contains(&(set.length_mm / set.diameter_mm))
    {
        return invalid(
            "implausible-cylinder",
            format!(
                "Cylinder set {} is {} by {} mm: give its diameter and length in mm (100 by 200, 150 by 300).",
                set.set, set.diameter_mm, set.length_mm
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

/// Two pours may share stations of a bed only one after the other, or as named layers.
fn check_overlap(context: &ActContext<'_>, record: &PourRecord) -> Checked {
    let facts = &record.facts;
    for other in context.pours.values() {
        let theirs = &other.facts;
        let is_other = other.id != record.id && other.is_on_bed() && theirs.bed == facts.bed;
        let share = facts.from_station_m < theirs.to_station_m
            && theirs.from_station_m < facts.to_station_m;
        if is_other && share && facts.layer == theirs.layer {
            return invalid(
                "pours-overlap",
                format!(
                    "Pour \"{}\" is still on bed {} at these stations ({} to {} m): strip or abandon it \
                     first, correct the stations, or name a `layer`.",
                    other.id, facts.bed, theirs.from_station_m, theirs.to_station_m
                ),
            );
        }
    }
    Ok(())
}

/// What a binding names must exist, and no channel may read two things at one time.
fn check_bindings(context: &ActContext<'_>, record: &PourRecord) -> Checked {
    let mut seen = BTreeSet::new();
    for binding in &record.bindings {
        check_binding(record, binding)?;
        if !seen.insert((&binding.channel, binding.from_at)) {
            return bound_twice(&binding.channel, &record.id);
        }
        not_bound_elsewhere(context, record, binding)?;
    }
    Ok(())
}

fn bound_twice(channel: &str, pour: &str) -> Checked {
    invalid(
        "channel-bound-twice",
        format!(
            "Channel \"{channel}\" is bound twice at one time (pour \"{pour}\"): one plug reads one thing."
        ),
    )
}

fn check_binding(record: &PourRecord, binding: &ChannelBinding) -> Checked {
    if binding.channel.trim().is_empty() {
        return invalid("channel-missing", "A binding names no channel.".to_owned());
    }
    match (binding.role, &binding.position, &binding.set) {
        (ChannelRole::Concrete, Some(position), _)
            if record.facts.positions.iter().any(|one| one.id == *position) =>
        {
            Ok(())
        }
        (ChannelRole::Concrete, position, _) => invalid(
            "binding-without-position",
            format!(
                "Channel \"{}\" reads concrete at {:?}, which is no position of the pour: name one.",
                binding.channel,
                position.as_deref().unwrap_or("")
            ),
        ),
        (ChannelRole::Specimen, _, Some(set)) if record.sets.contains_key(set) => Ok(()),
        (ChannelRole::Specimen, _, set) => invalid(
            "binding-without-set",
            format!(
                "Channel \"{}\" reads specimens of {:?}, which is no cylinder set of the pour: name one.",
                binding.channel,
                set.as_deref().unwrap_or("")
            ),
        ),
        (ChannelRole::Enclosure | ChannelRole::Ambient, _, _) => Ok(()),
    }
}

/// Air of the yard may serve every bed; anything else is read by one pour at a time.
fn not_bound_elsewhere(
    context: &ActContext<'_>,
    record: &PourRecord,
    binding: &ChannelBinding,
) -> Checked {
    let is_shared = |role| matches!(role, ChannelRole::Ambient | ChannelRole::Enclosure);
    for other in context
        .pours
        .values()
        .filter(|other| other.id != record.id && other.is_on_bed())
    {
        let clash = other.bindings.iter().any(|bound| {
            bound.channel == binding.channel && !(is_shared(bound.role) && is_shared(binding.role))
        });
        if clash {
            return bound_twice(&binding.channel, &other.id);
        }
    }
    Ok(())
}

pub(super) fn check_plug(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    binding: &ChannelBinding,
) -> Checked {
    check_binding(record, binding)?;
    let from_at = binding.from_at.unwrap_or(act.happened_at);
    past(context, "from_at", from_at)?;
    let same_time = |bound: &&ChannelBinding| {
        bound.channel == binding.channel && bound.from_at == Some(from_at)
    };
    if record.bindings.iter().any(|bound| same_time(&bound)) {
        return bound_twice(&binding.channel, &record.id);
    }
    not_bound_elsewhere(context, record, binding)
}

fn cautions(context: &ActContext<'_>, record: &PourRecord) -> Vec<String> {
    let mut cautions = Vec::new();
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
