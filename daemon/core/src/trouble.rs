//! Troubles of the beds: what needs a person, where, since when, and what to do first.

use crate::act::ChannelRole;
use crate::assessment::{
    ConfirmationState, DoubtReason, PositionAssessment, PourAssessment, PourStatus, Standing,
    Trouble, Trust, Urgency, Verdict,
};
use crate::config::{LimitSet, PlantConfig};
use crate::path::slope_c_per_h;
use crate::time::UtcMs;

/// Under a tarp with the heat on the air does not fall by itself faster than this, °C/h.
const ENCLOSURE_FALL_C_PER_H: f64 = 6.0;
/// Its fall is taken over this long, h.
const ENCLOSURE_FALL_H: f64 = 0.5;

/// Every trouble of one pour under cure.
#[must_use]
pub fn pour_troubles(
    config: &PlantConfig,
    pour: &PourAssessment,
    enclosure: &[(UtcMs, f64)],
    limits: Option<&LimitSet>,
    now: UtcMs,
) -> Vec<Trouble> {
    if !pour.record.is_under_cure() {
        return Vec::new();
    }
    let mut troubles: Vec<Trouble> = Vec::new();
    for position in &pour.positions {
        troubles.extend(position_troubles(pour, position, limits, now));
    }
    for other in &pour.other_channels {
        troubles.extend(sensor(pour, &other.channel, &other.trust, other.role, now));
    }
    troubles.extend(heat_trouble(pour, enclosure, now));
    troubles.extend(schedule_troubles(pour, now));
    troubles.extend(curve_trouble(pour, now));
    let believed = pour
        .positions
        .iter()
        .filter(|one| one.trust.verdict != Verdict::NoData)
        .count();
    let is_awaited = now.hours_since(pour.record.begins_at()) * 60.0 > config.trust.silent_min;
    if is_awaited
        && pour.positions.len() >= config.estimate.position_count_min
        && believed < config.estimate.position_count_min
    {
        troubles.push(Trouble {
            kind: "too-few-positions",
            urgency: Urgency::Soon,
            place: None,
            what: format!(
                "Only {believed} of {} positions are read.",
                pour.positions.len()
            ),
            first_act: "Check the plugs and the logger of this bed.",
            ..of(pour, now)
        });
    }
    troubles
}

fn of(pour: &PourAssessment, now: UtcMs) -> Trouble {
    Trouble {
        kind: "",
        urgency: Urgency::Look,
        bed: Some(pour.record.facts.bed.clone()),
        pour: Some(pour.record.id.clone()),
        place: None,
        what: String::new(),
        since: now,
        first_act: "",
    }
}

fn position_troubles(
    pour: &PourAssessment,
    position: &PositionAssessment,
    limits: Option<&LimitSet>,
    now: UtcMs,
) -> Vec<Trouble> {
    let mut troubles: Vec<Trouble> = sensor(
        pour,
        &position.id,
        &position.trust,
        ChannelRole::Concrete,
        now,
    )
    .into_iter()
    .collect();
    let place = Some(position.id.clone());
    let since = position.measured_at.unwrap_or(now);
    let is_read = matches!(position.trust.verdict, Verdict::Good | Verdict::Suspect);
    let (Some(limits), Some(temperature_c), true) = (limits, position.temperature_c, is_read)
    else {
        return troubles;
    };
    if let Some(most_c) = limits
        .concrete_c_max
        .filter(|most_c| temperature_c > *most_c)
    {
        troubles.push(Trouble {
            kind: "too-hot",
            urgency: Urgency::Now,
            place: place.clone(),
            what: format!("{temperature_c:.1} °C, above the limit of {most_c:.1} °C."),
            since,
            first_act: "Turn the heat down or off; do not lift the tarp at once: cold air on hot concrete cracks it. Steam and concrete burn.",
            ..of(pour, now)
        });
    }
    if let (Some(most), Some(rate)) = (limits.rise_c_per_h_max, position.rate_c_per_h)
        && rate > most
    {
        troubles.push(Trouble {
            kind: "heating-too-fast",
            urgency: Urgency::Soon,
            place: place.clone(),
            what: format!("It rises {rate:.1} °C/h, above the limit of {most:.1} °C/h."),
            since,
            first_act: "Turn the heat down.",
            ..of(pour, now)
        });
    }
    if let (Some(most), Some(rate)) = (limits.cooling_c_per_h_max, position.rate_c_per_h)
        && -rate > most
    {
        troubles.push(Trouble {
            kind: "cooling-too-fast",
            urgency: Urgency::Soon,
            place: place.clone(),
            what: format!(
                "It falls {:.1} °C/h, above the limit of {most:.1} °C/h.",
                -rate
            ),
            since,
            first_act: "See whether the tarp is down and the heat is on.",
            ..of(pour, now)
        });
    }
    if let Some(least_c) = limits
        .concrete_c_min
        .filter(|least_c| temperature_c < *least_c)
    {
        troubles.push(Trouble {
            kind: "too-cold",
            urgency: Urgency::Soon,
            place,
            what: format!("{temperature_c:.1} °C, below the limit of {least_c:.1} °C."),
            since,
            first_act: "See whether the tarp is down and the heat is on.",
            ..of(pour, now)
        });
    }
    troubles
}

fn sensor(
    pour: &PourAssessment,
    place: &str,
    trust: &Trust,
    role: ChannelRole,
    now: UtcMs,
) -> Option<Trouble> {
    let reason = trust.reason?;
    let (kind, first_act) = match reason {
        DoubtReason::Open => ("sensor-open", "Check the wire and the plug."),
        DoubtReason::Fault => ("sensor-fault", "Check the wire and the plug."),
        DoubtReason::Silent => (
            "sensor-silent",
            "Check that the logger has power and its line.",
        ),
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
        DoubtReason::Conflict => (
            "sensor-conflict",
            "See whether two loggers share a channel name.",
        ),
        DoubtReason::NoChannel => ("position-unbound", "Say which channel reads this position."),
    };
    let urgency = match (trust.verdict, role) {
        (Verdict::Good | Verdict::Suspect, _) | (_, ChannelRole::Ambient) => Urgency::Look,
        _ => Urgency::Soon,
    };
    Some(Trouble {
        kind,
        urgency,
        place: Some(place.to_owned()),
        what: format!(
            "{}: {}.",
            reason.name(),
            trust.evidence.as_deref().unwrap_or("doubted")
        ),
        since: trust.since.unwrap_or(pour.record.opened_at),
        first_act,
        ..of(pour, now)
    })
}

fn heat_trouble(pour: &PourAssessment, enclosure: &[(UtcMs, f64)], now: UtcMs) -> Option<Trouble> {
    let record = &pour.record;
    let heat = record.heat.iter().rfind(|switch| switch.at <= now);
    let plan = record.facts.heat_plan;
    let should_heat = match heat {
        Some(switch) => switch.on,
        None => plan.is_some_and(|plan| {
            plan.on_at.is_some_and(|on| on <= now) && plan.off_at.is_none_or(|off| now < off)
        }),
    };
    let is_lifted = record
        .tarp
        .iter()
        .rfind(|switch| switch.at <= now)
        .is_some_and(|switch| switch.on);
    if !should_heat || is_lifted {
        return None;
    }
    let last = enclosure
        .last()
        .filter(|last| now.hours_since(last.0) < ENCLOSURE_FALL_H)?;
    let rate = slope_c_per_h(enclosure, ENCLOSURE_FALL_H)?;
    // At its set point a thermostat swings; only a steady fall over the whole window is a loss of heat.
    (rate < -ENCLOSURE_FALL_C_PER_H).then(|| Trouble {
        kind: "losing-heat",
        urgency: Urgency::Now,
        what: format!(
            "The air under the tarp falls {:.1} °C/h (now {:.1} °C) though the heat should be on.",
            -rate, last.1
        ),
        since: last.0.plus_hours(-ENCLOSURE_FALL_H),
        first_act: "See whether the tarp is off, then look at the boiler and the valve. Steam burns.",
        ..of(pour, now)
    })
}

fn schedule_troubles(pour: &PourAssessment, now: UtcMs) -> Vec<Trouble> {
    let mut troubles = Vec::new();
    let wanted = pour.record.facts.wanted_release_at;
    if let (Some(wanted), Some(likely)) = (wanted, pour.forecast.likely_at)
        && likely.hours_since(wanted) > 0.25
        && pour.confirmation.state != ConfirmationState::Confirmed
    {
        troubles.push(Trouble {
            kind: "late",
            urgency: Urgency::Soon,
            what: format!(
                "The forecast is {:.1} h after the wanted release time.",
                likely.hours_since(wanted)
            ),
            first_act: "Tell QC and the morning crew; look at the coldest position first.",
            ..of(pour, now)
        });
    }
    if pour.status == PourStatus::BreakDue {
        troubles.push(Trouble {
            kind: "break-due",
            urgency: Urgency::Soon,
            what: "A set broken now would probably pass; only the cylinders decide.".to_owned(),
            first_act: "Ask QC to break a release set.",
            ..of(pour, now)
        });
    }
    if pour.confirmation.state == ConfirmationState::Failed {
        let since = pour.breaks.last().map_or(now, |broken| broken.tested_at);
        troubles.push(Trouble {
            kind: "break-failed",
            urgency: Urgency::Soon,
            what: format!(
                "Cylinders failed; {} release specimens are left.",
                pour.confirmation.release_specimens_left
            ),
            since,
            first_act: "Do not detension. Keep the heat and the tarp, and wait for the next break time.",
            ..of(pour, now)
        });
    }
    troubles
}

fn curve_trouble(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    let urgency = match pour.curve.standing {
        Standing::Withdrawn => Urgency::Now,
        Standing::Expired | Standing::Missing => Urgency::Soon,
        Standing::Approved | Standing::Superseded | Standing::NotApproved | Standing::None => {
            return None;
        }
    };
    Some(Trouble {
        kind: "curve-not-usable",
        urgency,
        what: pour.curve.note.clone(),
        since: pour.record.opened_at,
        first_act: "Tell QC: this pour goes on by cylinders alone.",
        ..of(pour, now)
    })
}

/// The trouble of a logger whose clock is wrong.
#[must_use]
pub fn clock_trouble(logger: &str, offset_ms: i64, now: UtcMs) -> Option<Trouble> {
    (offset_ms != 0).then(|| Trouble {
        kind: "clock-wrong",
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
        first_act: "Set the logger's clock when nothing is curing.",
    })
}
