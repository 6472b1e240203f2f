//! What is odd about an act: what a careful colleague would ask back before writing it down.
//!
//! Nothing here is forbidden. A person who means it accepts each odd thing by its name; acts that were
//! recorded before are never asked again.

use calibration::CylinderSize;
use calibration::series::specimen_range_limit_percent;
use units::{Megapascal, Millimetre, Show};

use crate::act::{Act, ActBody, BreakResult, ChannelRole, PourCorrected};
use crate::act_check::{Odd, is_break};
use crate::assessment::{ConfirmationState, JudgedBreak};
use crate::config::PlantConfig;
use crate::limits::breach_id;
use crate::plant::PourChange;
use crate::pour::PourRecord;
use crate::record::Record;
use crate::release::{compared, strength_mpa};
use crate::time::UtcMs;

/// A set this far off what it is compared with, either side, is asked back.
///
/// Common practice, no source: well inside the plant's own fraction at which it holds the release.
const OFF_FRACTION: f64 = 0.15;

/// How far specimens of another size or number may lie apart, in percent of their mean.
///
/// Common practice, no source.
const RANGE_PERCENT_MAX: f64 = 15.0;

/// What oddness is judged by, beside the pours as they stand and would stand.
pub(crate) struct OddContext<'a> {
    pub config: &'a PlantConfig,
    /// Of the act's pour, in no order.
    pub acts: &'a [Act],
}

/// Everything odd about an act, by what it would change.
pub(crate) fn odd(context: &OddContext<'_>, act: &Act, changes: &[PourChange]) -> Vec<Odd> {
    let mut found = Vec::new();
    let of_act = changes.iter().find(|change| change.pour == act.pour);
    // What stands in the place of a corrected act is asked like a new one.
    let said = said_now(act);
    if let Some(change) = of_act {
        if let Some(result) = said.broken {
            of_break(context, act, result, change, &mut found);
        }
        before_concrete(&said, change, &mut found);
        if let ActBody::PourCorrected(correction) = said.body {
            takes_out(correction, change, &mut found);
        }
        mends(context, act, change, &mut found);
    }
    for change in changes {
        of_release(change, &mut found);
        new_breaches(context, act, change, &mut found);
    }
    found
}

/// What an act says by itself or in the place of another.
struct Said<'a> {
    body: &'a ActBody,
    happened_at: Option<UtcMs>,
    broken: Option<&'a BreakResult>,
}

fn said_now(act: &Act) -> Said<'_> {
    let (body, happened_at) = match &act.body {
        ActBody::ActCorrected { replacement, .. } => (&*replacement.body, replacement.happened_at),
        body => (body, Some(act.happened_at)),
    };
    let broken = match body {
        ActBody::BreakRecorded(result) => Some(result),
        _ => None,
    };
    Said {
        body,
        happened_at,
        broken,
    }
}

fn of_break(
    context: &OddContext<'_>,
    act: &Act,
    result: &BreakResult,
    change: &PourChange,
    found: &mut Vec<Odd>,
) {
    let Some(after) = &change.after else {
        return;
    };
    let Some(judged) = after.breaks.iter().find(|one| one.id == act.id) else {
        return;
    };
    far_from_twins(context, &after.record, result, found);
    off_compared(context, judged, found);
}

/// Specimens further apart than the cylinder standard makes likely for one sample.
fn far_from_twins(
    context: &OddContext<'_>,
    record: &PourRecord,
    result: &BreakResult,
    found: &mut Vec<Odd>,
) {
    let strengths: Vec<(&str, f64)> = result
        .specimens
        .iter()
        .filter_map(|one| Some((&*one.specimen, strength_mpa(record, &result.set, one)?)))
        .collect();
    let count = strengths.len();
    let diameter_mm = record
        .sets
        .get(&result.set)
        .map_or(100.0, |set| set.diameter_mm);
    let size = CylinderSize::of_diameter(Millimetre(diameter_mm));
    let limit = specimen_range_limit_percent(size, count).unwrap_or(RANGE_PERCENT_MAX);
    if count < 2 {
        return;
    }
    let mean = strengths.iter().map(|(_, one)| one).sum::<f64>() / count as f64;
    let high = strengths
        .iter()
        .map(|(_, one)| *one)
        .fold(f64::MIN, f64::max);
    let low = strengths
        .iter()
        .map(|(_, one)| *one)
        .fold(f64::MAX, f64::min);
    let range = 100.0 * (high - low) / mean;
    if range <= limit {
        return;
    }
    let furthest = (0..count).max_by(|a, b| {
        let off = |index: &usize| {
            let others = mean * count as f64 - strengths[*index].1;
            (strengths[*index].1 - others / (count - 1) as f64).abs()
        };
        off(a).total_cmp(&off(b))
    });
    let shown = |mpa: f64| Megapascal(mpa).show(context.config.units);
    let Some((name, strength)) = furthest.map(|index| strengths[index]) else {
        return;
    };
    let others: Vec<String> = strengths
        .iter()
        .filter(|(other, _)| *other != name)
        .map(|(other, one)| format!("{other} {}", shown(*one)))
        .collect();
    found.push(Odd {
        name: "far-from-its-twins",
        text: format!(
            "{name} {} is far from {}: they differ by {range:.1} % of their mean, where cylinders of \
             one sample differ by at most {limit:.1} %. Is it read and typed right?",
            shown(strength),
            others.join(", ")
        ),
    });
}

/// A set that is off what its own temperatures say, or the bed's where it has none.
fn off_compared(context: &OddContext<'_>, judged: &JudgedBreak, found: &mut Vec<Odd>) {
    let Some(compared) = compared(judged) else {
        return;
    };
    if (compared.ratio - 1.0).abs() < OFF_FRACTION {
        return;
    }
    found.push(Odd {
        name: compared.name,
        text: format!(
            "Set {} broke at {:.0} % of {} ({} of {}). Is it the right bed, set and value?",
            judged.set,
            100.0 * compared.ratio,
            compared.with,
            Megapascal(judged.mean_mpa).show(context.config.units),
            Megapascal(compared.estimate_mpa).show(context.config.units),
        ),
    });
}

/// A time before the pour had any concrete.
fn before_concrete(said: &Said<'_>, change: &PourChange, found: &mut Vec<Odd>) {
    let Some(before) = &change.before else {
        return;
    };
    let record = &*before.record;
    // Where nobody has said when the pour began, its opening may have been recorded late.
    let is_begun = record.facts.first_placement_at.is_some() || !record.loads.is_empty();
    let (what, at) = match said.body {
        ActBody::HeatSwitched { on: true } => ("The heat came on", said.happened_at),
        ActBody::HeatSwitched { on: false } => ("The heat went off", said.happened_at),
        ActBody::TarpMoved { lifted: true } => ("The tarp was lifted", said.happened_at),
        ActBody::TarpMoved { lifted: false } => ("The tarp came back", said.happened_at),
        ActBody::HandProbed { .. } => ("The concrete was read by hand", said.happened_at),
        ActBody::CylindersPulled { .. } => ("Cylinders were pulled", said.happened_at),
        ActBody::PlugMoved(binding) if binding.role == ChannelRole::Concrete => {
            ("The plug was moved", binding.from_at.or(said.happened_at))
        }
        ActBody::LoadPlaced(load) => {
            let first = record.facts.first_placement_at;
            if first.is_some_and(|first| load.placed_to_at < first) {
                found.push(before_first(
                    "The load was placed",
                    load.placed_to_at,
                    first,
                ));
            }
            return;
        }
        _ => return,
    };
    if let Some(at) = at.filter(|at| is_begun && *at < record.begins_at()) {
        found.push(before_first(what, at, Some(record.begins_at())));
    }
}

fn before_first(what: &str, at: UtcMs, first: Option<UtcMs>) -> Odd {
    let hours = first.map_or(0.0, |first| first.hours_since(at));
    let how_long = if hours < 1.0 {
        format!("{:.0} minutes", (60.0 * hours).ceil())
    } else {
        format!("{hours:.1} h")
    };
    Odd {
        name: "before-first-concrete",
        text: format!("{what} {how_long} before the pour's first concrete. Is the time right?"),
    }
}

/// A list that replaces the whole list and leaves out what was known.
fn takes_out(correction: &PourCorrected, change: &PourChange, found: &mut Vec<Odd>) {
    let (Some(before), false) = (&change.before, correction.merge) else {
        return;
    };
    let record = &*before.record;
    let mut gone: Vec<String> = Vec::new();
    if let Some(channels) = &correction.channels {
        let lost = record
            .bindings
            .iter()
            .filter(|known| !channels.iter().any(|one| one.channel == known.channel));
        gone.extend(lost.map(|one| format!("channel {}", one.channel)));
    }
    if let Some(positions) = &correction.positions {
        let lost = record.facts.positions.iter();
        let lost = lost.filter(|known| !positions.iter().any(|one| one.id == known.id));
        gone.extend(lost.map(|one| format!("position {}", one.id)));
    }
    if let Some(pieces) = &correction.pieces {
        let lost = record.facts.pieces.iter();
        let lost = lost.filter(|known| !pieces.iter().any(|one| one.mark == known.mark));
        gone.extend(lost.map(|one| format!("piece {}", one.mark)));
    }
    if !gone.is_empty() {
        found.push(Odd {
            name: "takes-out",
            text: format!(
                "The correction replaces whole lists and takes out {}. Is that meant? With \
                 `merge = true` it changes only what it names.",
                gone.join(", ")
            ),
        });
    }
}

/// What a strike or a correction takes along.
fn mends(context: &OddContext<'_>, act: &Act, change: &PourChange, found: &mut Vec<Odd>) {
    let Some(id) = act.body.mends() else {
        return;
    };
    let (Some(before), after) = (&change.before, &change.after) else {
        return;
    };
    let record = Record::of(context.acts);
    if after.is_none() {
        let said = record.in_effect().count().saturating_sub(1);
        found.push(Odd {
            name: "strikes-an-opening",
            text: format!(
                "Pour \"{}\" goes, with the {said} acts said of it. What was read stays in the record.",
                change.pour
            ),
        });
        return;
    }
    let was_on_bed = before.record.is_on_bed();
    if let Some(after) = after
        && !was_on_bed
        && after.record.is_on_bed()
    {
        found.push(Odd {
            name: "back-on-its-bed",
            text: format!(
                "Pour \"{}\" comes back to bed {}.",
                change.pour, before.record.facts.bed
            ),
        });
    }
    let struck = context.acts.iter().find(|one| one.id == id);
    let rested = before.record.withdrawn.last();
    if let (Some(struck), Some(withdrawn)) = (struck, rested)
        && matches!(struck.body, ActBody::ActStruck { .. })
        && is_break(context.acts, struck)
        && before.record.release.is_none()
    {
        found.push(Odd {
            name: "release-stays-withdrawn",
            text: format!(
                "The break counts again, but the release that {} signed stays withdrawn: sign again.",
                withdrawn.release.by
            ),
        });
    }
}

/// A release that would no longer stand, or no longer rest on what it was signed on.
fn of_release(change: &PourChange, found: &mut Vec<Odd>) {
    let (Some(before), Some(after)) = (&change.before, &change.after) else {
        return;
    };
    let Some(release) = &before.record.release else {
        return;
    };
    let withdrawn = after
        .record
        .withdrawn
        .last()
        .filter(|one| one.set.is_some());
    if after.record.release.is_none() {
        // A person who withdraws it says so already.
        if withdrawn.is_some() {
            found.push(Odd {
                name: "release-rests-on-it",
                text: format!(
                    "The release of \"{}\" that {} signed rests on this break and is withdrawn: do not \
                     cut. If strands are cut, tell the engineer.",
                    change.pour, release.by
                ),
            });
        }
    } else if before.confirmation.state == ConfirmationState::Confirmed
        && after.confirmation.state != ConfirmationState::Confirmed
    {
        found.push(Odd {
            name: "release-not-confirmed",
            text: format!(
                "\"{}\" is released, and with this its cylinders no longer confirm it: {} If strands are \
                 not cut, withdraw the release; if they are, tell the engineer.",
                change.pour, after.confirmation.words
            ),
        });
    }
}

/// A limit that would be broken by what is said, and was not before.
fn new_breaches(context: &OddContext<'_>, act: &Act, change: &PourChange, found: &mut Vec<Odd>) {
    let (Some(before), Some(after)) = (&change.before, &change.after) else {
        return;
    };
    // What detensioning itself breaks is told as a piece hold, and bars no signature.
    if matches!(
        act.body,
        ActBody::HoldDisposed { .. } | ActBody::ReleaseSigned(_) | ActBody::Stripped
    ) {
        return;
    }
    let known: Vec<String> = before.breaches.iter().map(breach_id).collect();
    for breach in &after.breaches {
        if !known.contains(&breach_id(breach)) {
            found.push(Odd {
                name: "breaks-a-limit",
                text: format!(
                    "With this a limit is broken and pieces are held: {}.",
                    crate::limits::sentence(breach, context.config.local())
                ),
            });
        }
    }
}
