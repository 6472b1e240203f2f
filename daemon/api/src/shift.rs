//! The shift log: notes by people, acts and alarms in one account, and what the next shift needs.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::effect::Struck;
use crate::plan::PlanItemView;
use crate::trouble::TroubleView;

/// What happened, what stands, what is next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShiftLog {
    /// From when.
    pub from_at: DateTime<Utc>,
    /// To when, not included.
    pub to_at: DateTime<Utc>,
    /// What happened, in order of time.
    pub entries: Vec<ShiftEntry>,
    /// What stands now.
    pub stands: Vec<TroubleView>,
    /// What is due next.
    pub next: Vec<PlanItemView>,
}

/// One entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShiftEntry {
    /// When it happened.
    pub at: DateTime<Utc>,
    /// When it became known, where that was later.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known_at: Option<DateTime<Utc>>,
    /// `note`, `handover`, `act`, `alarm`, `late-change`.
    pub kind: String,
    /// The bed, where it concerns one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bed: Option<String>,
    /// The pour, where it concerns one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pour: Option<String>,
    /// Who, as typed, not verified; absent where nobody did it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// One sentence.
    pub text: String,
    /// Present where it is an act that has no effect any more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub struck: Option<Struck>,
}
