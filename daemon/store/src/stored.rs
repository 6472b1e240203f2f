//! The rows that readers hand out.

use std::sync::Arc;

use uuid::Uuid;

use crate::rows::{Measured, Via};

#[derive(Debug, Clone, PartialEq)]
pub struct StoredReading {
    pub channel: Arc<str>,
    /// `None` where the source had no clock.
    pub measured_ms: Option<i64>,
    pub received_ms: i64,
    pub measured: Measured,
    pub via: Via,
    /// 0 for the first reading of its channel and time; 1, 2, … for values that disagreed with it.
    pub variant: i64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredAct {
    pub seq: i64,
    pub id: Uuid,
    pub recorded_ms: i64,
    pub body: String,
    pub hash: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredRefusal {
    pub seq: i64,
    pub received_ms: i64,
    pub source: String,
    pub kind: String,
    pub detail: String,
    pub sample: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusalCount {
    pub source: String,
    pub kind: String,
    pub refusal_count: i64,
    pub last_received_ms: i64,
}

/// A document without its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentInfo {
    pub digest: String,
    pub kind: String,
    pub name: String,
    pub first_recorded_ms: i64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredDocument {
    pub info: DocumentInfo,
    pub bytes: Vec<u8>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredStatement {
    pub seq: i64,
    pub said_ms: i64,
    pub kind: String,
    pub subject: String,
    pub body: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredSummary {
    pub seq: i64,
    pub key: String,
    pub became_known_ms: i64,
    pub body: String,
}
