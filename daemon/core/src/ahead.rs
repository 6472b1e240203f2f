//! What the night ahead holds, as the forecast tells it: temperatures, strength, limits, heat.
//!
//! All of it is advice from sampled futures: nothing is switched, and nothing here says that a line
//! may be cut.

use crate::config::LimitSet;
use crate::time::UtcMs;

/// Limits that can be looked at ahead, each where the pour's limit set has it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct AheadLimits {
    pub concrete_c_max: Option<f64>,
    pub cooling_c_per_h_max: Option<f64>,
    pub heat_off_h_max: Option<f64>,
    pub heat_off_fall_c_max: Option<f64>,
    pub released_above_yard_c_max: Option<f64>,
}

impl AheadLimits {
    /// Those of a limit set that can be looked at ahead.
    #[must_use]
    pub const fn of(set: &LimitSet) -> Self {
        Self {
            concrete_c_max: set.concrete_c_max,
            cooling_c_per_h_max: set.cooling_c_per_h_max,
            heat_off_h_max: set.heat_off_h_max,
            heat_off_fall_c_max: set.heat_off_fall_c_max,
            released_above_yard_c_max: set.released_above_yard_c_max,
        }
    }
}

/// The night ahead of one pour.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ahead {
    /// Each whole hour from now to a little beyond the late time of release.
    pub points: Vec<AheadPoint>,
    /// Each position by itself; only where that was asked for.
    pub positions: Vec<PositionAhead>,
    /// The highest temperature of any position, °C.
    pub hottest: Option<LimitAhead>,
    /// The fastest fall of any position over an hour, °C/h.
    pub cooling: Option<LimitAhead>,
    /// Only with a wanted release time that is still ahead.
    pub heat: Option<HeatAdvice>,
}

/// 10, 50 and 90 % points.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spread {
    pub low: f64,
    pub middle: f64,
    pub high: f64,
}

/// What may be expected at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AheadPoint {
    pub at: UtcMs,
    pub coolest_c: Spread,
    pub hottest_c: Spread,
    /// Strength of the concrete at the position that lacks most, MPa; beyond the curve's data no more
    /// than at their end.
    pub strength_mpa: Spread,
}

/// What lies ahead of one position.
#[derive(Debug, Clone, PartialEq)]
pub struct PositionAhead {
    /// Index of the position in the assessment.
    pub position: usize,
    /// At the same moments as those of the pour.
    pub points: Vec<PositionAheadPoint>,
}

/// What may be expected of one position at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PositionAheadPoint {
    pub at: UtcMs,
    pub temperature_c: Spread,
    /// By the curve, in its unit.
    pub maturity: Spread,
    /// Of the concrete, MPa; beyond the curve's data no more than at their end.
    pub strength_mpa: Spread,
}

/// The worst that lies ahead of one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitAhead {
    /// The position (of the assessment) that is most often the worst.
    pub position: usize,
    /// In the limit's unit.
    pub worst: Spread,
    /// When the limit is likely passed, where it is passed at all, else when the worst is likely.
    pub likely_at: UtcMs,
    pub limit: Option<f64>,
    /// The share of futures that pass the limit.
    pub beyond_probability: Option<f64>,
    /// The same with the heat off from now, where that was asked.
    pub probability_without_heat: Option<f64>,
}

/// What may be said of turning the heat off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeatCounsel {
    /// Heat may go off from the earliest time on, and by the latest where there is one.
    OffFrom,
    /// Heat is off and not expected again: there is nothing to turn off.
    HeatIsOff,
    /// Even heat until the wanted time does not make it with the probability aimed at.
    NothingHelps,
    /// The heat that would make it takes a position above the highest temperature allowed.
    LimitInTheWay,
    /// What makes the wanted time leaves no room to cool as the specification wants.
    NoTimeMeetsBoth,
}

/// What forbids an earlier heat-off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BindingReason {
    Strength,
    /// The longest time allowed between heat-off and detensioning.
    TimeAfterHeat,
    /// The largest fall allowed between heat-off and detensioning.
    FallAfterHeat,
}

/// Heat against the wanted release time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatAdvice {
    pub wanted_at: UtcMs,
    /// The probability that a set broken at the wanted time would pass, with heat as planned.
    pub on_time_probability: f64,
    /// The probability that the plant's policy aims at.
    pub aimed_probability: f64,
    pub counsel: HeatCounsel,
    pub earliest_off_at: Option<UtcMs>,
    pub earliest_is_bound_by: BindingReason,
    /// Only where the limit set wants the concrete cooled before release.
    pub latest_off_at: Option<UtcMs>,
    /// The probability with heat until the wanted time.
    pub longest_heat_probability: Option<f64>,
}
