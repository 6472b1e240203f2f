//! Where readings come from, and what was refused.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// One serial port or broker connection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourceView {
    /// Its name in the plant file.
    pub source: String,
    /// `serial`, `mqtt`, `csv`.
    pub via: String,
    /// True while connected.
    pub up: bool,
    /// Since when it has been up or down.
    pub since: Option<DateTime<Utc>>,
    /// Why it is down.
    pub problem: Option<String>,
    /// Readings taken in since the daemon started.
    pub reading_count: u64,
    /// When the last one arrived.
    pub last_reading_at: Option<DateTime<Utc>>,
    /// Refusals by kind, since the store began.
    pub refusals: Vec<RefusalCount>,
    /// The last refusal.
    pub last_refusal: Option<RefusalView>,
}

/// How often something was refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusalCount {
    /// The refusal's name.
    pub kind: String,
    /// How often.
    pub count: u64,
}

/// One refused line or payload.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusalView {
    /// Its name.
    pub kind: String,
    /// Why.
    pub detail: String,
    /// What came, shortened.
    pub sample: String,
    /// When.
    pub received_at: DateTime<Utc>,
}
