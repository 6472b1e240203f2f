//! The plant and its beds, whole, as one snapshot.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::pour::PourView;
use crate::source::SourceView;
use crate::trouble::TroubleView;

/// The plant itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantView {
    /// Its name.
    pub name: String,
    /// IANA name of its time zone.
    pub zone: String,
    /// `si` or `us`: how it likes its quantities shown.
    pub units: String,
    /// Plant time when this was made.
    pub now: DateTime<Utc>,
    /// Plant seconds per wall second; 1 but for a simulation.
    pub clock_speed: f64,
    /// True where the clock is simulated.
    pub simulated: bool,
    /// The daemon's version.
    pub version: String,
    /// Whether the store takes records, and if not, why and since when.
    pub store: StoreView,
}

/// Whether the store takes records.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoreView {
    /// True where the last commit succeeded.
    pub writing: bool,
    /// What is wrong.
    pub problem: Option<String>,
    /// Since when.
    pub since: Option<DateTime<Utc>>,
}

/// One bed with what is on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BedView {
    /// The bed's name.
    pub bed: String,
    /// Its place in the yard's order, from 0.
    pub order: usize,
    /// Its length, m.
    pub length_m: f64,
    /// Pours not stripped or abandoned, oldest first; then the last finished one if there is no other.
    pub pours: Vec<PourView>,
    /// Troubles of this bed, most urgent first.
    pub troubles: Vec<TroubleView>,
}

/// Everything the dashboard needs to start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantSnapshot {
    /// The number of the last event this snapshot contains.
    pub sequence: u64,
    /// The number of the last act that beds and troubles take into account: an act is answered once it is
    /// recorded, and looked at a moment later. 0 where there is none.
    #[serde(default)]
    pub acts_through: i64,
    /// The plant.
    pub plant: PlantView,
    /// Every bed in yard order.
    pub beds: Vec<BedView>,
    /// Every trouble, most urgent first, those of no bed included.
    pub troubles: Vec<TroubleView>,
    /// Troubles that are over, but that nobody has seen yet or that stay in sight until reset.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cleared: Vec<TroubleView>,
    /// Every source of readings.
    pub sources: Vec<SourceView>,
}
