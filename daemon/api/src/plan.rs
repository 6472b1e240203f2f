//! The plan: what wants a person through the night, in order of time.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::pour::ConfirmationView;

/// The plan from now on, what is overdue first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanAnswer {
    /// Plant time of the answer.
    pub now: DateTime<Utc>,
    /// In order of time.
    pub items: Vec<PlanItemView>,
    /// Each pour under cure against its wanted time, in yard order.
    pub schedule: Vec<ScheduleView>,
}

/// Something that wants a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanItemView {
    /// When it is due.
    pub at: DateTime<Utc>,
    /// `heat-on`, `heat-off`, `heat-needed-until`, `heat-must-be-off`, `check-tarp`, `break`, `catch-up`,
    /// `wanted-release`, `latest-detensioning`, `snooze-ends`.
    pub kind: String,
    /// The bed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bed: Option<String>,
    /// The pour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pour: Option<String>,
    /// One sentence for a person.
    pub text: String,
    /// True where its time is past.
    pub overdue: bool,
}

/// A pour against its wanted time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScheduleView {
    /// The bed.
    pub bed: String,
    /// The pour.
    pub pour: String,
    /// When it is wanted; absent on a day without a wanted time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wanted_at: Option<DateTime<Utc>>,
    /// When it is expected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub likely_at: Option<DateTime<Utc>>,
    /// `on-time`, `late`, `not-wanted`, `no-forecast`, `confirmed`.
    pub word: String,
    /// By how much it is expected after its wanted time, h; negative before it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_h: Option<f64>,
    /// One sentence for a person, with how surely.
    pub text: String,
    /// What the cylinders have said, which must stand wherever `likely_at` is shown.
    pub confirmation: ConfirmationView,
}
