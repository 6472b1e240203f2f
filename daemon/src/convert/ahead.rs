//! The night ahead as the API tells it.

use daemon_api::ahead as wire;
use daemon_core::ahead::{
    Ahead, AheadPoint, BindingReason, HeatAdvice, HeatCounsel, LimitAhead, PositionAhead,
    PositionAheadPoint, Spread,
};
use daemon_core::assessment::PourAssessment;

use crate::convert::{utc, utc_option};

/// What stands with the forecast; the fans come with the series.
#[must_use]
pub fn ahead(pour: &PourAssessment) -> wire::AheadView {
    let limit = |found: &LimitAhead| limit(found, pour);
    wire::AheadView {
        hottest: pour.ahead.hottest.as_ref().map(limit),
        cooling: pour.ahead.cooling.as_ref().map(limit),
        heat: pour.ahead.heat.as_ref().map(heat),
    }
}

/// The fans.
#[must_use]
pub fn points(ahead: &Ahead) -> Vec<wire::AheadPoint> {
    let point = |one: &AheadPoint| wire::AheadPoint {
        at: utc(one.at),
        coolest_c: spread(one.coolest_c),
        hottest_c: spread(one.hottest_c),
        strength_mpa: spread(one.strength_mpa),
    };
    ahead.points.iter().map(point).collect()
}

/// Each position by itself.
#[must_use]
pub fn positions(pour: &PourAssessment) -> Vec<wire::PositionAheadView> {
    let point = |one: &PositionAheadPoint| wire::PositionAheadPoint {
        at: utc(one.at),
        temperature_c: spread(one.temperature_c),
        maturity: spread(one.maturity),
        strength_mpa: spread(one.strength_mpa),
    };
    let position = |one: &PositionAhead| {
        Some(wire::PositionAheadView {
            position: pour.positions.get(one.position)?.id.clone(),
            points: one.points.iter().map(point).collect(),
        })
    };
    pour.ahead.positions.iter().filter_map(position).collect()
}

const fn spread(spread: Spread) -> wire::SpreadView {
    wire::SpreadView {
        low: spread.low,
        middle: spread.middle,
        high: spread.high,
    }
}

fn limit(found: &LimitAhead, pour: &PourAssessment) -> wire::LimitAheadView {
    wire::LimitAheadView {
        position: pour.positions.get(found.position).map(|one| one.id.clone()),
        worst: spread(found.worst),
        likely_at: utc(found.likely_at),
        limit: found.limit,
        beyond_probability: found.beyond_probability,
        probability_without_heat: found.probability_without_heat,
    }
}

fn heat(advice: &HeatAdvice) -> wire::HeatAdviceView {
    wire::HeatAdviceView {
        wanted_at: utc(advice.wanted_at),
        on_time_probability: advice.on_time_probability,
        aimed_probability: advice.aimed_probability,
        counsel: match advice.counsel {
            HeatCounsel::OffFrom => wire::HeatCounsel::OffFrom,
            HeatCounsel::HeatIsOff => wire::HeatCounsel::HeatIsOff,
            HeatCounsel::NothingHelps => wire::HeatCounsel::NothingHelps,
            HeatCounsel::LimitInTheWay => wire::HeatCounsel::LimitInTheWay,
            HeatCounsel::NoTimeMeetsBoth => wire::HeatCounsel::NoTimeMeetsBoth,
        },
        earliest_off_at: utc_option(advice.earliest_off_at),
        earliest_is_bound_by: match advice.earliest_is_bound_by {
            BindingReason::Strength => wire::BindingReason::Strength,
            BindingReason::TimeAfterHeat => wire::BindingReason::TimeAfterHeat,
            BindingReason::FallAfterHeat => wire::BindingReason::FallAfterHeat,
        },
        latest_off_at: utc_option(advice.latest_off_at),
        longest_heat_probability: advice.longest_heat_probability,
    }
}
