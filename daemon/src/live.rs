//! What the event loop and the HTTP door share: the plant, the record of acts, what was published.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};

use chrono_tz::Tz;
use daemon_api::bed::{BedView, PlantSnapshot, PlantView, StoreView};
use daemon_api::event::{PlantChange, PlantEvent};
use daemon_api::source::SourceView;
use daemon_api::trouble::TroubleView;
use daemon_core::config::PlantConfig;
use daemon_core::habits::PourSummary;
use daemon_core::plant::Plant;
use tokio::sync::broadcast;
use uuid::Uuid;

use crate::act_text::Said;
use crate::clock::PlantClock;
use units::UnitSystem;

use crate::config::PlantFile;
use crate::convert::utc;
use crate::history::RecordedAct;
use crate::notify::StatusHealth;

/// A client further behind than this is told to fetch the snapshot.
const EVENTS_KEPT: usize = 1024;

/// Shared by the loop, which alone writes, and the door, which reads.
pub struct Live {
    pub clock: PlantClock,
    pub data_dir: PathBuf,
    pub config: PlantConfig,
    /// How the publishing of the plant's state goes.
    pub status_health: StatusHealth,
    zone: Tz,
    units: &'static str,
    plant: RwLock<Plant>,
    acts: RwLock<Acts>,
    published: RwLock<Published>,
    events: broadcast::Sender<Arc<PlantEvent>>,
}

/// Every act of the record.
#[derive(Debug, Default)]
pub struct Acts {
    in_order: Vec<RecordedAct>,
    by_id: HashMap<Uuid, usize>,
    /// What the person was told when the act was taken, for acts since the start.
    cautions: HashMap<Uuid, Vec<String>>,
}

/// What was last told to everyone.
#[derive(Debug, Clone)]
pub struct Published {
    /// Starts at the wall's milliseconds, so that a restart never counts below what clients saw.
    pub sequence: u64,
    /// The last act that the beds take into account.
    pub acts_through: i64,
    pub beds: Vec<BedView>,
    /// Troubles that stand, and those that are over but still in sight.
    pub troubles: Vec<TroubleView>,
    pub cleared: Vec<TroubleView>,
    /// Every alarm that is not normal, explained and snoozed ones included.
    pub alarms: Vec<TroubleView>,
    pub rang_last_hour: usize,
    pub sources: Vec<SourceView>,
    pub store: StoreView,
}

impl Live {
    /// Nothing is known yet but the configuration.
    #[must_use]
    pub fn new(file: &PlantFile, data_dir: PathBuf, clock: PlantClock) -> Self {
        let wall_ms = chrono::Utc::now().timestamp_millis();
        Self {
            clock,
            data_dir,
            config: file.core.clone(),
            status_health: StatusHealth::default(),
            zone: file.zone,
            units: match file.core.units {
                UnitSystem::Si => "si",
                UnitSystem::Us => "us",
            },
            plant: RwLock::new(Plant::new(file.core.clone())),
            acts: RwLock::default(),
            published: RwLock::new(Published {
                sequence: u64::try_from(wall_ms).unwrap_or(0),
                acts_through: 0,
                beds: Vec::new(),
                troubles: Vec::new(),
                cleared: Vec::new(),
                alarms: Vec::new(),
                rang_last_hour: 0,
                sources: Vec::new(),
                store: StoreView {
                    writing: true,
                    problem: None,
                    since: None,
                },
            }),
            events: broadcast::channel(EVENTS_KEPT).0,
        }
    }

    // A panic while a lock was held has been reported; the state behind it is whole, because each
    // writer changes one thing at a time.
    pub fn plant(&self) -> RwLockReadGuard<'_, Plant> {
        self.plant.read().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn plant_mut(&self) -> RwLockWriteGuard<'_, Plant> {
        self.plant.write().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn acts(&self) -> RwLockReadGuard<'_, Acts> {
        self.acts.read().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn acts_mut(&self) -> RwLockWriteGuard<'_, Acts> {
        self.acts.write().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn published(&self) -> RwLockReadGuard<'_, Published> {
        self.published
            .read()
            .unwrap_or_else(PoisonError::into_inner)
    }

    pub fn subscribe(&self) -> broadcast::Receiver<Arc<PlantEvent>> {
        self.events.subscribe()
    }

    /// What is understood of an act, as its answer repeats it.
    pub fn understood(&self, act: &daemon_api::Act) -> String {
        let acts = self.acts();
        let plant = self.plant();
        let said = Said::of(acts.in_order(), plant.config().units, self.zone);
        let bed = plant
            .pours()
            .get(&act.pour)
            .map(|record| record.facts.bed.as_str());
        said.understood(act, bed, utc(self.clock.now()))
    }

    /// The plant's time zone.
    #[must_use]
    pub fn zone(&self) -> Tz {
        self.zone
    }

    /// The configuration with the curve records that have come to be known since the start.
    pub(crate) fn config_now(&self) -> PlantConfig {
        self.plant().config().clone()
    }

    /// What finished pours have taught so far.
    pub(crate) fn learned(&self) -> Vec<PourSummary> {
        let plant = self.plant();
        let learned = plant.summaries().values().chain(plant.former_summaries());
        learned.cloned().collect()
    }

    /// Changes what is published and tells every subscriber, under one lock: a snapshot holds
    /// exactly the events up to its number.
    pub(crate) fn publish(&self, change: impl FnOnce(&mut Published) -> Vec<PlantChange>) {
        let now = utc(self.clock.now());
        let mut published = self
            .published
            .write()
            .unwrap_or_else(PoisonError::into_inner);
        for change in change(&mut published) {
            published.sequence += 1;
            let event = PlantEvent {
                sequence: published.sequence,
                now,
                change,
            };
            // Nobody listening is no error.
            let _ = self.events.send(Arc::new(event));
        }
    }

    /// A heartbeat with the number of the last event sent.
    #[must_use]
    pub fn heartbeat(&self) -> PlantEvent {
        let sequence = self.published().sequence;
        PlantEvent {
            sequence,
            now: utc(self.clock.now()),
            change: PlantChange::Heartbeat {},
        }
    }

    /// The whole plant as last published.
    #[must_use]
    pub fn snapshot(&self) -> PlantSnapshot {
        let published = self.published().clone();
        PlantSnapshot {
            sequence: published.sequence,
            acts_through: published.acts_through,
            plant: PlantView {
                name: self.config.name.clone(),
                zone: self.zone.name().to_owned(),
                units: self.units.to_owned(),
                now: utc(self.clock.now()),
                clock_speed: self.clock.speed,
                simulated: self.clock.is_simulated,
                version: env!("CARGO_PKG_VERSION").to_owned(),
                store: published.store,
            },
            beds: published.beds,
            troubles: published.troubles,
            cleared: published.cleared,
            sources: published.sources,
        }
    }
}

impl Acts {
    /// The number of the newest act; 0 without any.
    pub(crate) fn last_sequence(&self) -> i64 {
        self.in_order.last().map_or(0, |act| act.sequence)
    }

    pub(crate) fn push(&mut self, act: RecordedAct, cautions: Vec<String>) {
        self.by_id.insert(act.wire.id, self.in_order.len());
        self.cautions.insert(act.wire.id, cautions);
        self.in_order.push(act);
    }

    #[must_use]
    pub fn by_id(&self, id: Uuid) -> Option<&RecordedAct> {
        self.in_order.get(*self.by_id.get(&id)?)
    }

    #[must_use]
    pub fn cautions(&self, id: Uuid) -> Vec<String> {
        self.cautions.get(&id).cloned().unwrap_or_default()
    }

    #[must_use]
    pub fn in_order(&self) -> &[RecordedAct] {
        &self.in_order
    }
}
