//! Limits that are broken now, as troubles: how far, by which clause, and what to do first.

use crate::assessment::{PourAssessment, Trouble, Urgency};
use crate::limits::{Beyond, Breach, Limit, sentence};
use crate::say::Local;
use crate::time::UtcMs;
use units::UnitSystem;

const HEAT_DOWN: &str = "Turn the heat down.";
const SEE_TARP: &str = "See whether the tarp is down and the heat is on.";

/// One limit that is broken now.
pub fn beyond_trouble(
    pour: &PourAssessment,
    beyond: &Beyond,
    units: UnitSystem,
    now: UtcMs,
) -> Trouble {
    let row = beyond.limit.row();
    let value = beyond.limit.told(beyond.value, units);
    let limit = beyond.limit.told(beyond.limit_value, units);
    let limited = format!(
        "{} the limit of {limit} ({})",
        if row.is_upper { "above" } else { "below" },
        beyond.source
    );
    let what = match beyond.limit {
        Limit::ConcreteMax | Limit::ConcreteMin => format!("{value}, {limited}."),
        Limit::BeforeSet => format!("{value} before initial set, {limited}."),
        Limit::Rise => format!("It rises {value}, {limited}."),
        Limit::Cooling => format!("It falls {value}, {limited}."),
        Limit::Difference => {
            format!(
                "The positions differ by {value} (widest {}), {limited}.",
                beyond.detail
            )
        }
        Limit::Preset => format!(
            "The heat came on after {value}, before the preset of {limit} was over, {} ({}).",
            beyond.detail, beyond.source
        ),
        Limit::EnclosureMax | Limit::EnclosureMin => {
            format!("The air under the tarp is {value}, {limited}.")
        }
        Limit::EnclosureRise => {
            format!("The air under the tarp rises {value}, {limited}.")
        }
        Limit::HeatOffHours => format!("The heat has been off for {value}, {limited}."),
        Limit::HeatOffFall => {
            format!("It fell {value} since the heat went off, {limited}.")
        }
        Limit::ReleasedAboveYard => {
            format!("It was released {value} warmer than the yard's air, {limited}.")
        }
        Limit::ReleaseHours => format!("{value} since the last load, {limited}."),
    };
    Trouble {
        kind: row.kind.into(),
        urgency: urgency(beyond.limit),
        place: beyond.place.clone(),
        what,
        since: beyond.since,
        first_act: first_act(beyond.limit).into(),
        ..super::of(pour, now)
    }
}

/// A limit that was passed only by readings that are not believed: a look, and no hold.
pub fn unproven_trouble(
    pour: &PourAssessment,
    breach: &Breach,
    local: Local,
    now: UtcMs,
) -> Trouble {
    Trouble {
        kind: "unproven-high".into(),
        urgency: Urgency::Look,
        place: breach.place.clone(),
        what: format!("{}.", sentence(breach, local)),
        since: breach.first_at,
        first_act:
            "Look at the sensor and its plug, and probe by hand; if the concrete was that hot, \
                    tell the engineer."
                .into(),
        ..super::of(pour, now)
    }
}

const fn urgency(limit: Limit) -> Urgency {
    match limit {
        Limit::ConcreteMax | Limit::BeforeSet | Limit::Preset => Urgency::Now,
        Limit::Rise
        | Limit::Cooling
        | Limit::ConcreteMin
        | Limit::EnclosureMax
        | Limit::HeatOffHours
        | Limit::HeatOffFall
        | Limit::ReleaseHours
        | Limit::ReleasedAboveYard => Urgency::Soon,
        Limit::Difference | Limit::EnclosureMin | Limit::EnclosureRise => Urgency::Look,
    }
}

const fn first_act(limit: Limit) -> &'static str {
    match limit {
        Limit::ConcreteMax | Limit::BeforeSet => {
            "Turn the heat down or off; do not lift the tarp at once: cold air on hot concrete cracks it. \
             Steam and concrete burn."
        }
        Limit::Rise | Limit::EnclosureMax | Limit::EnclosureRise => HEAT_DOWN,
        Limit::Cooling | Limit::ConcreteMin | Limit::EnclosureMin => SEE_TARP,
        Limit::Difference => {
            "See where the tarp is open or the steam does not reach, coldest position first."
        }
        Limit::Preset => "Turn the heat off until the preset is over or QC records initial set.",
        Limit::HeatOffHours | Limit::HeatOffFall => {
            "Ask QC where the cylinders stand and tell the engineer; keep the tarp down."
        }
        Limit::ReleasedAboveYard => {
            "Tell QC; cover the pieces again: cold air on hot concrete cracks it."
        }
        Limit::ReleaseHours => "Tell QC and the engineer; only the cylinders decide.",
    }
}
