//! What the night ahead holds: advice from sampled futures, never permission.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// Early, likely and late: 10, 50 and 90 % of futures are there by then.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct WindowView {
    /// 10 %.
    pub early_at: Option<DateTime<Utc>>,
    /// Half.
    pub likely_at: Option<DateTime<Utc>>,
    /// 90 %.
    pub late_at: Option<DateTime<Utc>>,
}

/// One point of the probability against time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChanceView {
    /// The share of futures in which the slowest position is there by then.
    pub probability: f64,
    /// When; absent where it is not reached within the horizon or the curve's data.
    pub at: Option<DateTime<Utc>>,
}

/// The probability that a set broken some hours from now would pass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PassView {
    /// Hours from now.
    pub in_h: f64,
    /// The share of futures in which it passes for every position.
    pub probability: f64,
}

/// 10, 50 and 90 % of the futures.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct SpreadView {
    /// 10 %.
    pub low: f64,
    /// Half.
    pub middle: f64,
    /// 90 %.
    pub high: f64,
}

/// What may be expected at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AheadPoint {
    /// When.
    pub at: DateTime<Utc>,
    /// The coolest position, °C.
    pub coolest_c: SpreadView,
    /// The hottest position, °C.
    pub hottest_c: SpreadView,
    /// The position that lacks most of its required strength, MPa.
    pub strength_mpa: SpreadView,
}

/// What may be expected of one position; an estimate, which only cylinders confirm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PositionAheadView {
    /// The position.
    pub position: String,
    /// Each hour from now, at the moments of the pour's own.
    pub points: Vec<PositionAheadPoint>,
}

/// What may be expected of one position at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PositionAheadPoint {
    /// When.
    pub at: DateTime<Utc>,
    /// Temperature, °C.
    pub temperature_c: SpreadView,
    /// Maturity by the curve, in the pour's maturity unit.
    pub maturity: SpreadView,
    /// Strength of the concrete, MPa.
    pub strength_mpa: SpreadView,
}

/// The worst that lies ahead of one limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitAheadView {
    /// The position that is most often the worst.
    pub position: Option<String>,
    /// °C, or °C/h.
    pub worst: SpreadView,
    /// When the limit is likely passed, else when the worst is likely.
    pub likely_at: DateTime<Utc>,
    /// The limit, where there is one.
    pub limit: Option<f64>,
    /// The share of futures that pass it.
    pub beyond_probability: Option<f64>,
    /// The same with the heat off from now, where that was asked.
    pub probability_without_heat: Option<f64>,
}

/// What may be said of turning the heat off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeatCounsel {
    /// From the earliest time on, and by the latest where there is one.
    OffFrom,
    /// Heat is off and not expected again.
    HeatIsOff,
    /// Even heat until the wanted time does not make it with the probability aimed at.
    NothingHelps,
    /// What would make it passes the highest temperature allowed.
    LimitInTheWay,
    /// What makes it leaves no room to cool as the specification wants.
    NoTimeMeetsBoth,
}

/// What forbids an earlier heat-off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BindingReason {
    /// The strength at the wanted time.
    Strength,
    /// The longest time allowed between heat-off and detensioning.
    TimeAfterHeat,
    /// The largest fall allowed between heat-off and detensioning.
    FallAfterHeat,
}

/// Heat against the wanted release time. Advice only: nothing is switched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeatAdviceView {
    /// The wanted release time.
    pub wanted_at: DateTime<Utc>,
    /// Probability that a set broken then would pass, with heat as planned.
    pub on_time_probability: f64,
    /// The probability that the plant aims at.
    pub aimed_probability: f64,
    /// What may be said.
    pub counsel: HeatCounsel,
    /// Heat may go off from then on.
    pub earliest_off_at: Option<DateTime<Utc>>,
    /// What forbids an earlier one.
    pub earliest_is_bound_by: BindingReason,
    /// Heat must be off by then, where the concrete must cool before release.
    pub latest_off_at: Option<DateTime<Utc>>,
    /// The probability with heat until the wanted time.
    pub longest_heat_probability: Option<f64>,
}

/// The night ahead of one pour; its fans come with the series.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct AheadView {
    /// The highest temperature of any position, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hottest: Option<LimitAheadView>,
    /// The fastest fall of any position over an hour, °C/h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cooling: Option<LimitAheadView>,
    /// Only with a wanted release time that is still ahead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat: Option<HeatAdviceView>,
}
