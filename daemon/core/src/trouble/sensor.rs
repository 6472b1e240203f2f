//! Channels that are doubted and loggers whose clock is wrong, as troubles.

use crate::act::ChannelRole;
use crate::assessment::{DoubtReason, PourAssessment, Trouble, Trust, Urgency, Verdict};
use crate::time::{MS_PER_H, UtcMs};

/// Concrete reaches the last sensor within this of the last placement, h.
const ARRIVAL_H: f64 = 0.5;
/// Cylinders have their sensor within this of the last placement, h.
const CYLINDERS_H: f64 = 1.0;
/// The kind of the trouble of a channel that says nothing; a silent logger explains it.
pub const SILENT: &str = "sensor-silent";
/// The kind of the trouble of a channel with two values for one time; its logger's explains it.
pub const CONFLICT: &str = "sensor-conflict";
/// The kind of the trouble of a logger whose clock is wrong.
pub const CLOCK_WRONG: &str = "clock-wrong";

/// A channel that is doubted.
pub fn doubted(
    pour: &PourAssessment,
    place: &str,
    trust: &Trust,
    role: ChannelRole,
    now: UtcMs,
) -> Option<Trouble> {
    let reason = trust.reason?;
    if reason == DoubtReason::Step && role == ChannelRole::Concrete && is_arrival(pour, trust, now)
    {
        return None;
    }
    if reason == DoubtReason::Silent && role == ChannelRole::Specimen && awaits_cylinders(pour, now)
    {
        return None;
    }
    // Air jumps when the heat comes or the tarp goes; what that means for the bed is told as heat.
    if reason == DoubtReason::Step
        && matches!(role, ChannelRole::Enclosure | ChannelRole::Ambient)
        && trust.verdict == Verdict::Suspect
    {
        return None;
    }
    let (kind, first_act) = match reason {
        DoubtReason::Open => ("sensor-open", "Check the wire and the plug."),
        DoubtReason::Fault => ("sensor-fault", "Check the wire and the plug."),
        DoubtReason::Silent => (SILENT, "Check that the logger has power and its line."),
        DoubtReason::OutOfRange => ("sensor-out-of-range", "Check the wire and the plug."),
        DoubtReason::Step => (
            "sensor-step",
            "See whether the wire was pulled or a plug moved.",
        ),
        DoubtReason::Stuck => (
            "sensor-stuck",
            "Unplug it and plug it in again; watch it move.",
        ),
        DoubtReason::ReadsAir => (
            "sensor-reads-air",
            "See whether its tip is still in the concrete; probe by hand.",
        ),
        DoubtReason::Conflict => (CONFLICT, "See whether two loggers share a channel name."),
        DoubtReason::NoChannel => ("position-unbound", "Say which channel reads this position."),
    };
    let urgency = match (trust.verdict, role) {
        (Verdict::Good | Verdict::Suspect, _) | (_, ChannelRole::Ambient) => Urgency::Look,
        _ => Urgency::Soon,
    };
    Some(Trouble {
        kind: kind.into(),
        urgency,
        place: Some(place.to_owned()),
        what: format!(
            "{}: {}.",
            reason.name(),
            trust.evidence.as_deref().unwrap_or("doubted")
        ),
        since: trust.since.unwrap_or(pour.record.opened_at),
        first_act: first_act.into(),
        ..super::of(pour, now)
    })
}

/// A step while concrete is placed, or soon after, is the concrete that reaches the sensor.
fn is_arrival(pour: &PourAssessment, trust: &Trust, now: UtcMs) -> bool {
    let placed_at = pour.record.facts.last_placement_at.unwrap_or(now);
    trust
        .since
        .is_some_and(|since| since < placed_at.plus_hours(ARRIVAL_H))
}

/// The cylinders may not be made yet, and their sensor has nothing to read.
fn awaits_cylinders(pour: &PourAssessment, now: UtcMs) -> bool {
    let placed_at = pour.record.facts.last_placement_at;
    placed_at.is_none_or(|placed_at| now < placed_at.plus_hours(CYLINDERS_H))
}

/// The trouble of a logger whose clock is wrong.
#[must_use]
pub fn clock_trouble(logger: &str, offset_ms: i64, now: UtcMs) -> Option<Trouble> {
    (offset_ms != 0).then(|| Trouble {
        kind: CLOCK_WRONG.into(),
        urgency: Urgency::Look,
        bed: None,
        pour: None,
        place: Some(logger.to_owned()),
        what: format!(
            "Its clock is {:.0} s {}; its times are corrected by that.",
            (offset_ms as f64 / 1000.0).abs(),
            if offset_ms > 0 { "behind" } else { "ahead" }
        ),
        since: now,
        first_act: "Set the logger's clock when nothing is curing.".into(),
        explained_by: None,
    })
}

/// The trouble of a logger some of whose stamps lie after the moment they came, though its clock is right.
#[must_use]
pub fn stamps_ahead_trouble(
    logger: &str,
    (count, ahead_ms): (usize, i64),
    since: UtcMs,
) -> Trouble {
    let ahead = crate::say::span(ahead_ms as f64 / MS_PER_H);
    let what = match count {
        1 => format!(
            "A reading was stamped {ahead} after it came: it is kept and counts for nothing."
        ),
        _ => format!(
            "{count} messages were stamped up to {ahead} after they came: they are kept and count for \
             nothing."
        ),
    };
    Trouble {
        kind: "stamps-ahead".into(),
        urgency: Urgency::Look,
        bed: None,
        pour: None,
        place: Some(logger.to_owned()),
        what,
        since,
        first_act: "See what the logger's clock did, or from which file the rows came.".into(),
        explained_by: None,
    }
}
