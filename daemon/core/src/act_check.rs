//! Whether an act may be recorded: every rule with its own code and a sentence that says what to do.

mod binding;
mod breaking;
mod mending;
pub(crate) mod odd;
mod opening;
mod signing;
mod watch;

use std::collections::BTreeMap;
use std::sync::Arc;

use units::Megapascal;

use crate::act::{Act, ActBody, Load, Placement, SetPurpose};
use crate::assessment::PourAssessment;
use crate::config::PlantConfig;
use crate::plant::Plant;
use crate::pour::PourRecord;
use crate::time::UtcMs;

pub(crate) use mending::{check_mended, is_break};

/// An act may be this much ahead of the daemon's clock: two clocks never agree wholly, ms.
const FUTURE_MS_MAX: i64 = 60_000;

/// Why an act was not recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActRefusal {
    pub kind: RefusalKind,
    /// The rule's name in kebab case.
    pub code: &'static str,
    /// What is wrong and what to do.
    pub detail: String,
}

/// What sort of refusal it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefusalKind {
    /// A value breaks a rule.
    Invalid,
    /// It names something that is not there.
    NotFound,
    /// It does not fit where the pour stands.
    WrongState,
    /// A release hold stands.
    HoldStands,
}

/// What an act is checked against.
pub struct ActContext<'a> {
    pub config: &'a PlantConfig,
    pub pours: &'a BTreeMap<String, Arc<PourRecord>>,
    /// By pour, in no order.
    pub acts: &'a BTreeMap<String, Arc<Vec<Act>>>,
    /// The plant with one more act.
    pub with: &'a dyn Fn(&Act) -> Plant,
    /// A pour judged now.
    pub assessments: &'a dyn Fn(&str) -> Option<PourAssessment>,
    pub now: UtcMs,
}

/// An act that may be recorded.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Weighed {
    /// What the person should know.
    pub cautions: Vec<String>,
    /// What a careful colleague would ask back: each must be accepted by its name.
    pub odd: Vec<Odd>,
}

/// Something odd about an act.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Odd {
    /// In kebab case, by which a person accepts it.
    pub name: &'static str,
    /// One sentence for a person.
    pub text: String,
}

type Checked = Result<(), ActRefusal>;

fn refuse<T>(kind: RefusalKind, code: &'static str, detail: String) -> Result<T, ActRefusal> {
    Err(ActRefusal { kind, code, detail })
}

fn invalid<T>(code: &'static str, detail: String) -> Result<T, ActRefusal> {
    refuse(RefusalKind::Invalid, code, detail)
}

/// Checks an act against what is known: its cautions, or the first rule it breaks.
///
/// # Errors
/// The first rule it breaks.
pub fn check_act(context: &ActContext<'_>, act: &Act) -> Result<Vec<String>, ActRefusal> {
    if act.by.trim().is_empty() {
        return invalid(
            "name-missing",
            "`by` is empty: say who records this.".to_owned(),
        );
    }
    if act.pour.trim().is_empty() && act.body.may_be_of_plant() {
        past(context, "happened_at", act.happened_at)?;
        return check_of_plant(context, act);
    }
    if act.pour.trim().is_empty() {
        return invalid("pour-missing", "`pour` is empty: name the pour.".to_owned());
    }
    past(context, "happened_at", act.happened_at)?;
    if let ActBody::PourOpened(opened) = &act.body {
        return opening::check_opened(context, act, opened);
    }
    if let ActBody::ActStruck { struck } = &act.body {
        return mending::check_struck(context, act, *struck);
    }
    if let ActBody::ActCorrected {
        corrected,
        replacement,
    } = &act.body
    {
        return mending::check_act_corrected(context, act, *corrected, replacement);
    }
    let record = known_pour(context, act)?;
    if let Some(done) = finished(record)
        && !is_for_later(record, &act.body)
    {
        return refuse(
            RefusalKind::WrongState,
            "pour-finished",
            format!(
                "Pour \"{}\" is {done}: nothing more can be recorded of it. What is on record can be \
                 struck or corrected.",
                record.id
            ),
        );
    }
    check_body(context, act, record)
}

/// An act of the whole plant, or one that mends such an act.
fn check_of_plant(context: &ActContext<'_>, act: &Act) -> Result<Vec<String>, ActRefusal> {
    match &act.body {
        ActBody::ActStruck { struck } => mending::check_struck(context, act, *struck),
        ActBody::ActCorrected {
            corrected,
            replacement,
        } => mending::check_act_corrected(context, act, *corrected, replacement),
        _ => watch::check_watch(act).map(|()| Vec::new()),
    }
}

fn known_pour<'a>(context: &ActContext<'a>, act: &Act) -> Result<&'a PourRecord, ActRefusal> {
    let known = context.pours.get(&act.pour).map(|record| &**record);
    known.ok_or_else(|| ActRefusal {
        kind: RefusalKind::NotFound,
        code: "unknown-pour",
        detail: format!(
            "No pour \"{}\" is known: open it first, or check its name.",
            act.pour
        ),
    })
}

/// The rules of each kind of act on a pour that is there.
fn check_body(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
) -> Result<Vec<String>, ActRefusal> {
    match &act.body {
        ActBody::PourOpened(_) | ActBody::ActStruck { .. } | ActBody::ActCorrected { .. } => {
            Ok(Vec::new())
        }
        ActBody::ReleaseWithdrawn { pours } => {
            mending::check_withdrawn(context, act, record, pours).map(|()| Vec::new())
        }
        ActBody::PourCorrected(correction) => {
            let cautions = opening::check_corrected(context, record, correction)?;
            reason(act, "corrects what was said of a pour")?;
            Ok(cautions)
        }
        ActBody::PlacementRecorded(placement) => {
            check_placement(context, record, placement).map(|()| Vec::new())
        }
        ActBody::LoadPlaced(load) => check_load(context, record, load).map(|()| Vec::new()),
        ActBody::HeatSwitched { .. } | ActBody::TarpMoved { .. } => Ok(Vec::new()),
        ActBody::CylindersMade(set) => {
            breaking::check_set(record, set)?;
            breaking::not_broken_yet(record, set)?;
            Ok(breaking::load_cautions(record, set))
        }
        ActBody::CylindersPulled { set, specimens } => {
            breaking::check_pulled(record, set, specimens).map(|()| Vec::new())
        }
        ActBody::PlugMoved(binding) => {
            binding::check_plug(context, act, record, binding)?;
            Ok(binding::unknown_channels(context, [binding]))
        }
        ActBody::HandProbed {
            position,
            temperature_c,
        } => {
            known_position(record, position)?;
            temperature(*temperature_c).map(|()| Vec::new())
        }
        ActBody::BreakRecorded(result) => breaking::check_break(context, act, record, result),
        ActBody::PositionExcluded { position } => {
            known_position(record, position)?;
            reason(act, "leaves a position out of the release judgement").map(|()| Vec::new())
        }
        ActBody::PositionRestored { position } => {
            known_position(record, position)?;
            if record.excluded.contains_key(position) {
                return Ok(Vec::new());
            }
            refuse(
                RefusalKind::WrongState,
                "not-left-out",
                format!("{position} is not left out: there is nothing to restore."),
            )
        }
        ActBody::GapsAccepted { position } => {
            known_position(record, position)?;
            reason(act, "accepts gaps in a record").map(|()| Vec::new())
        }
        ActBody::DisagreementResolved { break_id } => {
            breaking::check_resolved(context, act, record, *break_id).map(|()| Vec::new())
        }
        ActBody::ReleaseSigned(signed) => signing::check_release(context, act, record, signed),
        ActBody::Stripped => match &record.release {
            Some(release) if act.happened_at < release.at => invalid(
                "stripped-before-released",
                "`happened_at` is before the release was signed: correct it.".to_owned(),
            ),
            Some(_) => Ok(Vec::new()),
            None => refuse(
                RefusalKind::WrongState,
                "not-released",
                format!(
                    "Pour \"{}\" is not released: sign the release first.",
                    record.id
                ),
            ),
        },
        ActBody::Abandoned => reason(act, "gives a pour up").map(|()| Vec::new()),
        ActBody::InitialSetReached => watch::check_set(act, record).map(|()| Vec::new()),
        ActBody::LimitStated { limit, value } => {
            watch::check_limit(act, *limit, *value).map(|()| Vec::new())
        }
        ActBody::HoldDisposed { hold, number, .. } => {
            watch::check_disposition(context, act, record, hold, number).map(|()| Vec::new())
        }
        ActBody::Alarm(_) | ActBody::ShiftNoted | ActBody::ShiftHandedOver { .. } => {
            watch::check_watch(act).map(|()| Vec::new())
        }
    }
}

/// Cylinders for later ages are broken, and engineers decide, after the pieces have left the bed.
fn is_for_later(record: &PourRecord, body: &ActBody) -> bool {
    let set = match body {
        ActBody::HoldDisposed { .. } => return true,
        body if body.may_be_of_plant() => return true,
        ActBody::CylindersPulled { set, .. } => set,
        ActBody::BreakRecorded(result) => &result.set,
        _ => return false,
    };
    let purpose = record.sets.get(set).map(|set| set.purpose);
    record.abandoned_at.is_none() && purpose == Some(SetPurpose::Later)
}

fn finished(record: &PourRecord) -> Option<&'static str> {
    match (record.stripped_at, record.abandoned_at) {
        (Some(_), _) => Some("stripped"),
        (_, Some(_)) => Some("abandoned"),
        _ => None,
    }
}

fn past(context: &ActContext<'_>, field: &str, at: UtcMs) -> Checked {
    if at.0 > context.now.0 + FUTURE_MS_MAX {
        let shown = context.config.local().moment(at);
        return invalid(
            "future-act",
            format!(
                "`{field}` is {shown}, which is still to come: record it once it has happened."
            ),
        );
    }
    Ok(())
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

fn reason(act: &Act, what: &str) -> Checked {
    match act.why.as_deref().map(str::trim) {
        Some(why) if !why.is_empty() => Ok(()),
        _ => invalid("reason-needed", format!("This {what}: say `why`.")),
    }
}

fn known_position(record: &PourRecord, position: &str) -> Checked {
    if record.facts.positions.iter().any(|one| one.id == position) {
        return Ok(());
    }
    let known: Vec<&str> = record
        .facts
        .positions
        .iter()
        .map(|one| one.id.as_str())
        .collect();
    refuse(
        RefusalKind::NotFound,
        "unknown-position",
        format!(
            "Pour \"{}\" has no position \"{position}\"; it has {}.",
            record.id,
            known.join(", ")
        ),
    )
}

fn temperature(temperature_c: f64) -> Checked {
    let bound = units::bounds::CONCRETE_TEMPERATURE_C;
    if bound.contains(temperature_c) {
        return Ok(());
    }
    invalid(
        "implausible-temperature",
        format!(
            "{temperature_c} °C is outside {} to {} °C: was it °F?",
            bound.min, bound.max
        ),
    )
}

fn strength(field: &str, strength_mpa: f64) -> Checked {
    calibration::check_plausible(Megapascal(strength_mpa))
        .map(|_| ())
        .or_else(|error| invalid("implausible-strength", format!("`{field}`: {error}")))
}

fn within(field: &str, value: f64, from: f64, to: f64, of: &str) -> Checked {
    if value.is_finite() && (from..=to).contains(&value) {
        return Ok(());
    }
    invalid(
        "off-the-stations",
        format!("`{field}` is {value} m, outside {of} ({from} to {to} m)."),
    )
}

fn check_placement(
    context: &ActContext<'_>,
    record: &PourRecord,
    placement: &Placement,
) -> Checked {
    let first = placement.first_at.or(record.facts.first_placement_at);
    let last = placement.last_at.or(record.facts.last_placement_at);
    for (field, at) in [
        ("first_at", placement.first_at),
        ("last_at", placement.last_at),
    ] {
        at.map_or(Ok(()), |at| past(context, field, at))?;
    }
    in_order(first, last)?;
    for stoppage in &placement.stoppages {
        past(context, "stoppages.to_at", stoppage.to_at)?;
        if stoppage.to_at < stoppage.from_at {
            return invalid(
                "stoppage-backwards",
                "A stoppage ends before it began: exchange `from_at` and `to_at`.".to_owned(),
            );
        }
        on_pour(record, "stoppages.station_m", stoppage.station_m)?;
    }
    Ok(())
}

fn in_order(first: Option<UtcMs>, last: Option<UtcMs>) -> Checked {
    match (first, last) {
        (Some(first), Some(last)) if last < first => invalid(
            "placement-backwards",
            "The last placement is before the first: correct one of them.".to_owned(),
        ),
        (None, Some(_)) => invalid(
            "first-placement-missing",
            "A last placement needs a first one: give `first_at` too.".to_owned(),
        ),
        _ => Ok(()),
    }
}

fn on_pour(record: &PourRecord, field: &str, station_m: f64) -> Checked {
    within(
        field,
        station_m,
        record.facts.from_station_m,
        record.facts.to_station_m,
        "the pour",
    )
}

fn check_load(context: &ActContext<'_>, record: &PourRecord, load: &Load) -> Checked {
    check_load_within(
        context,
        record.facts.from_station_m,
        record.facts.to_station_m,
        load,
    )
}

fn check_load_within(context: &ActContext<'_>, from_m: f64, to_m: f64, load: &Load) -> Checked {
    if load.ticket.trim().is_empty() {
        return invalid(
            "ticket-missing",
            "`ticket` is empty: name the load.".to_owned(),
        );
    }
    past(context, "placed_to_at", load.placed_to_at)?;
    if load.placed_to_at < load.placed_from_at {
        return invalid(
            "load-backwards",
            format!(
                "Load {} ends before it began: correct its times.",
                load.ticket
            ),
        );
    }
    if load
        .batched_at
        .is_some_and(|batched| batched > load.placed_from_at)
    {
        return invalid(
            "load-batched-late",
            format!(
                "Load {} was placed before it was batched: correct its times.",
                load.ticket
            ),
        );
    }
    within(
        "from_station_m",
        load.from_station_m,
        from_m,
        to_m,
        "the pour",
    )?;
    within(
        "to_station_m",
        load.to_station_m,
        load.from_station_m,
        to_m,
        "the pour after its start",
    )
}

/// A number that a person measured: there, and not below zero.
fn measured(field: &str, value: Option<f64>) -> Checked {
    match value {
        Some(value) if !value.is_finite() || value < 0.0 => invalid(
            "not-a-measure",
            format!("`{field}` is {value}: give a number that is not below zero, or leave it out."),
        ),
        _ => Ok(()),
    }
}
