//! The event stream: numbered, each carrying a whole thing so that a lost one costs a fetch, not a guess.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::bed::{BedView, StoreView};
use crate::source::SourceView;
use crate::trouble::TroubleView;

/// One event; `sequence` rises by one. A client that misses a number fetches the snapshot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantEvent {
    /// Its number.
    pub sequence: u64,
    /// Plant time when it was made.
    pub now: DateTime<Utc>,
    /// What changed.
    #[serde(flatten)]
    pub change: PlantChange,
}

/// What changed; the key `event` names it and is also the name of the server-sent event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum PlantChange {
    /// A bed, whole.
    Bed {
        /// The bed.
        bed: Box<BedView>,
    },
    /// Every trouble, every source and the store.
    Plant {
        /// Troubles.
        troubles: Vec<TroubleView>,
        /// Troubles that are over, but that nobody has seen yet or that stay in sight until reset.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        cleared: Vec<TroubleView>,
        /// Sources.
        sources: Vec<SourceView>,
        /// The store.
        store: StoreView,
    },
    /// Nothing new; sent each five seconds of wall time.
    Heartbeat {},
    /// The stream lost events: fetch the snapshot.
    Resync {},
}

impl PlantChange {
    /// The name of the server-sent event, which is the value of the key `event` too.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Bed { .. } => "bed",
            Self::Plant { .. } => "plant",
            Self::Heartbeat {} => "heartbeat",
            Self::Resync {} => "resync",
        }
    }
}
