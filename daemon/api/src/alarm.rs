//! Alarms: how each trouble stands with people, and what has happened to it.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::trouble::{TroubleView, Urgency};

/// How an alarm stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlarmView {
    /// What people see: `new`, `seen`, `cleared`, `snoozed`, `explained`.
    pub word: String,
    /// True where its condition stands.
    pub active: bool,
    /// When it was raised, worsened or woken.
    pub raised_at: DateTime<Utc>,
    /// When it last rang again because nobody had seen it; absent: not since it was raised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rang_at: Option<DateTime<Utc>>,
    /// The most urgent that it has been since then.
    pub rang_as: Urgency,
    /// When its condition was last found to be over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cleared_at: Option<DateTime<Utc>>,
    /// Who has seen it since it last rang; an empty name: nobody had to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen_by: Option<String>,
    /// When it was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen_at: Option<DateTime<Utc>>,
    /// True where it stays in sight after it is over, until a person resets it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub latched: bool,
    /// Who made it quiet, until when and why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub snoozed: Option<SnoozedView>,
    /// The id of the trouble that explains it and rings in its place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub explained_by: Option<String>,
}

/// A snooze.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SnoozedView {
    /// Its end.
    pub until_at: DateTime<Utc>,
    /// Who, as typed, not verified.
    pub by: String,
    /// Why.
    pub why: String,
}

/// Every alarm that is not normal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmsAnswer {
    /// Plant time of the answer.
    pub now: DateTime<Utc>,
    /// In the one order in which people are shown them: the gravest first, of those what nobody has seen,
    /// what waits for a decision before sensors, and the newest.
    pub alarms: Vec<TroubleView>,
    /// Alarms that rang in the last hour, over the whole plant.
    pub rang_last_hour: usize,
}

/// What happened to alarms between two moments.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmHistory {
    /// From when.
    pub from_at: DateTime<Utc>,
    /// To when, not included.
    pub to_at: DateTime<Utc>,
    /// In the order in which it was recorded.
    pub events: Vec<AlarmEventView>,
}

/// Something that happened to an alarm; stored as it was said, never derived again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmEventView {
    /// When it was said.
    pub at: DateTime<Utc>,
    /// `raised`, `worsened`, `cleared`, `seen`, `snoozed`, `woken`, `reset`, `rang-again`, `explained`,
    /// `closed`.
    pub event: String,
    /// The trouble with its alarm as they then stood.
    pub trouble: TroubleView,
}
