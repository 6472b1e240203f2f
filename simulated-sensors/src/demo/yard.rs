//! What the demo reads of `tarplight show --json`: only what quality control needs to decide.

use chrono::{DateTime, Utc};
use serde::Deserialize;

#[derive(Debug, Clone, Deserialize)]
pub struct Yard {
    pub plant: Plant,
    pub beds: Vec<Bed>,
    pub troubles: Vec<Trouble>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Plant {
    /// Plant time by the daemon's clock.
    pub now: DateTime<Utc>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Bed {
    pub bed: String,
    pub pours: Vec<Pour>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Pour {
    pub pour: String,
    pub line: String,
    /// In the contract's words: `placing`, `curing`, `break-due`, `confirmed`, `released` …
    pub status: String,
    pub forecast: Forecast,
    pub cylinder_sets: Vec<CylinderSet>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Forecast {
    pub break_from_at: Option<DateTime<Utc>>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct CylinderSet {
    pub set: String,
    pub purpose: String,
    pub specimens: Vec<String>,
    pub left_count: usize,
    pub breaks: Vec<Break>,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Break {
    pub tested_at: DateTime<Utc>,
    pub passes: bool,
}

#[derive(Debug, Clone, Deserialize)]
pub struct Trouble {
    pub id: String,
    pub kind: String,
    /// `look`, `soon` or `now`.
    pub urgency: String,
    pub bed: Option<String>,
    /// The position, channel or source, where it concerns one.
    pub place: Option<String>,
    pub what: String,
}

impl Yard {
    /// Every pour with its bed.
    pub fn pours(&self) -> impl Iterator<Item = (&str, &Pour)> {
        self.beds
            .iter()
            .flat_map(|bed| bed.pours.iter().map(|pour| (bed.bed.as_str(), pour)))
    }
}

impl Trouble {
    /// Whether a bed is in trouble: a break that is due is work, not trouble.
    pub fn is_a_beds(&self) -> bool {
        self.bed.is_some() && self.urgency != "look" && self.kind != "break-due"
    }
}
