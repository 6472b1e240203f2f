//! Temperatures over time for a chart: minima and maxima kept, gaps explicit.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::act::ChannelRole;
use crate::ahead::{AheadPoint, PositionAheadView};
use crate::pour::ConfirmationView;

/// Every series of one pour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesAnswer {
    /// The pour.
    pub pour: String,
    /// Start of the window.
    pub from_at: DateTime<Utc>,
    /// End of the window.
    pub to_at: DateTime<Utc>,
    /// One entry per position and per other channel.
    pub series: Vec<Series>,
    /// Estimate and lower bound at the governing position over time, MPa.
    pub strength: Vec<StrengthPoint>,
    /// What the cylinders have said, which must stand wherever `strength` is shown.
    pub confirmation: ConfirmationView,
    /// What may be expected each hour ahead, from now; empty where there is no forecast.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ahead: Vec<AheadPoint>,
    /// The same of each position that is forecast.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub positions_ahead: Vec<PositionAheadView>,
}

/// One line on the chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Series {
    /// The position's name, or the channel's.
    pub name: String,
    /// What it reads.
    pub role: ChannelRole,
    /// Gap-free runs, in time order.
    pub runs: Vec<Vec<SeriesPoint>>,
}

/// One bucket of a run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeriesPoint {
    /// The bucket's time.
    pub at: DateTime<Utc>,
    /// Lowest temperature in it, °C.
    pub low_c: f64,
    /// Highest temperature in it, °C.
    pub high_c: f64,
}

/// Strength at one time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StrengthPoint {
    /// When.
    pub at: DateTime<Utc>,
    /// Estimate, MPa.
    pub estimate_mpa: f64,
    /// Lower bound, MPa.
    pub lower_90_mpa: f64,
}
