//! Back-fill of readings from a logger's memory.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// Readings to back-fill, posted by `tarplight backfill`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Backfill {
    /// Who sends them, as typed.
    pub by: String,
    /// Where they come from (a file's name).
    pub origin: String,
    /// The readings.
    pub readings: Vec<BackfillReading>,
}

/// One reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BackfillReading {
    /// The channel.
    pub channel: String,
    /// When the logger measured it.
    pub measured_at: DateTime<Utc>,
    /// Temperature, °C.
    pub temperature_c: f64,
}

/// What became of them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BackfillAnswer {
    /// Rows that were new.
    pub new_count: u64,
    /// Rows that were known already, with the same value.
    pub known_count: u64,
    /// Rows that disagree with what was known; both are kept and suspect.
    pub conflict_count: u64,
    /// Channels that no plant file or pour names.
    pub unknown_channels: Vec<String>,
    /// Rows that speak of a time still to come; they are kept, and count from then on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_the_future: Option<FutureRows>,
}

/// Rows of a back-fill whose time is still to come: a wrong clock, or a wrong date.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct FutureRows {
    /// How many.
    pub count: u64,
    /// The latest of them.
    pub latest_at: DateTime<Utc>,
}
