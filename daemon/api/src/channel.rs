//! Every channel that speaks, in a pour or not: which plug is which, and whether a bed's channels agree.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::act::ChannelRole;

/// Every channel that has spoken lately or that a pour names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelsAnswer {
    /// Plant time of the answer.
    pub now: DateTime<Utc>,
    /// The moment since when movements are counted.
    pub since_at: DateTime<Utc>,
    /// By name.
    pub channels: Vec<ChannelReading>,
    /// The channel that has moved against all others since then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stands_out: Option<StandsOut>,
    /// Whether the channels that were plugged in together agree, bed by bed, then logger by logger.
    pub agreement: Vec<AgreementView>,
}

/// What one channel last said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelReading {
    /// The channel, as readings name it.
    pub channel: String,
    /// The bed whose open pour names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bed: Option<String>,
    /// The position that it reads there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// What it reads there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<ChannelRole>,
    /// Its last temperature, °C; absent where its last word was a fault, or nothing came.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// The fault of its last word.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fault: Option<String>,
    /// When that was measured, by the daemon's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_at: Option<DateTime<Utc>>,
    /// How far it has moved since the asked moment, °C; absent where it said nothing before or after.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moved_c: Option<f64>,
}

/// One channel that moves while the others do not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StandsOut {
    /// The channel.
    pub channel: String,
    /// How far it has moved against the middle of the others, °C.
    pub against_others_c: f64,
}

/// Whether channels that should read the same do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AgreementView {
    /// `bed` or `logger`.
    pub of: String,
    /// Its name.
    pub name: String,
    /// The middle of what its channels read, °C; absent where none reads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub middle_c: Option<f64>,
    /// How many channels there are.
    pub channel_count: usize,
    /// Channels that read further from the middle than sensors may differ.
    pub apart: Vec<String>,
    /// Channels that read nothing now.
    pub silent: Vec<String>,
    /// True where concrete is down already: its temperatures may well differ.
    pub poured: bool,
    /// True where all read, and read the same.
    pub agrees: bool,
    /// One sentence for a person.
    pub text: String,
}
