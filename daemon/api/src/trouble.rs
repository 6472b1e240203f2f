//! Something that needs a person: what, where, since when, and what to do first.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::alarm::AlarmView;

/// One trouble as it stands now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TroubleView {
    /// A stable name made from what and where.
    pub id: String,
    /// What kind, in kebab case (`sensor-silent`, `too-hot`, `logger-down`…).
    pub kind: String,
    /// How much it matters.
    pub urgency: Urgency,
    /// The bed, where it concerns one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bed: Option<String>,
    /// The pour, where it concerns one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pour: Option<String>,
    /// The position, channel or source.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// What is wrong, one sentence with the evidence.
    pub what: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// What a person should do first.
    pub first_act: String,
    /// How its alarm stands; absent only where a daemon without alarms answers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarm: Option<AlarmView>,
}

/// How much a trouble matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// Look when you pass.
    Look,
    /// See to it soon.
    Soon,
    /// Go now.
    Now,
}
