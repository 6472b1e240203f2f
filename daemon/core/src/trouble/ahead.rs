//! Limits that the night ahead is likely to pass, told while an act may still prevent it.

use crate::ahead::LimitAhead;
use crate::assessment::{PourAssessment, Trouble, Urgency};
use crate::config::LimitSet;
use crate::limits::Limit;
use crate::time::UtcMs;
use units::UnitSystem;

/// A limit is told of ahead where it is passed in at least this share of the futures.
const TOLD_FROM: f64 = 0.5;
/// Less heat prevents it where it then is passed in no more than this share.
const PREVENTED_TO: f64 = 0.25;

/// What is likely to pass its limit and has not yet.
pub fn ahead_troubles(
    pour: &PourAssessment,
    limits: Option<&LimitSet>,
    units: UnitSystem,
    now: UtcMs,
) -> Vec<Trouble> {
    let Some(limits) = limits else {
        return Vec::new();
    };
    let hottest = pour.ahead.hottest.as_ref().map(|found| {
        let first_act = match found.probability_without_heat {
            Some(left) if left <= PREVENTED_TO => {
                "Turn the heat down or off now: that still prevents it. Keep the tarp down."
            }
            _ => {
                "Less heat no longer prevents it for sure: tell QC, turn the heat down, keep the tarp \
                 down and watch that position."
            }
        };
        (Limit::ConcreteMax, "too-hot-ahead", found, first_act)
    });
    let cooling = pour.ahead.cooling.as_ref().map(|found| {
        let first_act = "Lower the heat in steps rather than at once, and keep the tarp down over hot \
                         concrete.";
        (Limit::Cooling, "cooling-too-fast-ahead", found, first_act)
    });
    hottest
        .into_iter()
        .chain(cooling)
        .filter(|(limit, ..)| pour.beyond.iter().all(|one| one.limit != *limit))
        .filter_map(|(limit, kind, found, first_act)| {
            let what = sentence(found, limit, limits, units, now)?;
            Some(Trouble {
                kind: kind.into(),
                urgency: Urgency::Soon,
                place: pour.positions.get(found.position).map(|one| one.id.clone()),
                what,
                first_act: first_act.into(),
                ..super::of(pour, now)
            })
        })
        .collect()
}

/// What lies ahead, when and how surely; `None` where it is not likely.
fn sentence(
    found: &LimitAhead,
    limit: Limit,
    limits: &LimitSet,
    units: UnitSystem,
    now: UtcMs,
) -> Option<String> {
    let (height, share) = (found.limit?, found.beyond_probability?);
    if share < TOLD_FROM {
        return None;
    }
    let told = |value: f64| limit.told(value, units);
    let verb = if limit == Limit::Cooling {
        "fall"
    } else {
        "reach"
    };
    Some(format!(
        "It is likely to {verb} {} ({} to {}) and to pass the limit of {} ({}) in about {:.1} h: so in \
         {:.0} of 10 futures.",
        told(found.worst.middle),
        told(found.worst.low),
        told(found.worst.high),
        told(height),
        limits.source_of(limit),
        found.likely_at.hours_since(now).max(0.0),
        10.0 * share,
    ))
}
