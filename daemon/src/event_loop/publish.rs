//! The plant judged and told: views of every bed, what changed, forecasts to be recorded.

use std::collections::HashMap;

use daemon_api::PourView;
use daemon_api::bed::{BedView, StoreView};
use daemon_api::event::PlantChange;
use daemon_api::source::SourceView;
use daemon_api::trouble::TroubleView;
use daemon_core::assessment::{PourAssessment, Trouble, Urgency};
use daemon_core::config::PlantConfig;
use daemon_core::plant::Plant;
use daemon_core::pour::PourRecord;
use daemon_core::time::UtcMs;
use daemon_store::StatementRow;

use crate::convert::view;
use crate::history::plant_for_pour;
use crate::live::{Live, Published};
use crate::state_line::StateLine;

/// Forecasts are recorded each time plant time passes a multiple of this, ms.
const FORECAST_STATED_EVERY_MS: i64 = 15 * 60_000;

/// What one look at the plant found.
#[derive(Debug)]
pub struct Assessed {
    pub now: UtcMs,
    /// The last act that was looked at.
    pub acts_through: i64,
    /// Pours on a bed, in yard order.
    pub pours: Vec<PourView>,
    /// The last finished pour of each bed that has no other.
    pub finished: Vec<PourView>,
    pub troubles: Vec<Trouble>,
    /// Pours on a bed, as the core judged them.
    pub judged: Vec<PourAssessment>,
    /// Where a forecast has to be recorded: the pour and its state line.
    pub lines: Vec<(String, String)>,
}

/// Looks at the plant. Blocking: it computes for a moment, and reads the store for a finished pour
/// that `known_finished` does not hold.
pub fn assess(live: &Live, now: UtcMs, with_lines: bool, known_finished: &[PourView]) -> Assessed {
    let (mut assessed, wanted) = {
        // Taken before the plant: an act stands there before it stands in the record's order.
        let acts_through = live.acts().last_sequence();
        let plant = live.plant();
        let assessment = plant.assess(now);
        let under_cure = assessment
            .pours
            .iter()
            .filter(|pour| pour.record.is_under_cure());
        let line = |pour: &daemon_core::assessment::PourAssessment| {
            let json = serde_json::to_string(&StateLine::of(pour, now));
            (
                pour.record.id.clone(),
                json.unwrap_or_else(|_| "null".to_owned()),
            )
        };
        let lines = if with_lines {
            under_cure.map(line).collect()
        } else {
            Vec::new()
        };
        let assessed = Assessed {
            now,
            acts_through,
            pours: assessment
                .pours
                .iter()
                .map(|pour| view::pour(&plant, pour))
                .collect(),
            finished: Vec::new(),
            troubles: assessment.troubles,
            judged: assessment.pours,
            lines,
        };
        (assessed, last_finished(&plant, &live.config))
    };
    for pour in wanted {
        match known_finished.iter().find(|known| known.pour == pour) {
            Some(known) => assessed.finished.push(known.clone()),
            None => assessed.finished.extend(finished_view(live, &pour, now)),
        }
    }
    assessed
}

/// The last finished pour of each bed on which no other lies.
fn last_finished(plant: &Plant, config: &PlantConfig) -> Vec<String> {
    let finished_at = |pour: &PourRecord| pour.stripped_at.or(pour.abandoned_at);
    let of_bed = |bed: &str| {
        let pours = || {
            plant
                .pours()
                .values()
                .filter(move |pour| pour.facts.bed == bed)
        };
        if pours().any(|pour| pour.is_on_bed()) {
            return None;
        }
        let last = pours().max_by_key(|pour| (finished_at(pour), pour.id.clone()))?;
        Some(last.id.clone())
    };
    config
        .beds
        .iter()
        .filter_map(|bed| of_bed(&bed.id))
        .collect()
}

/// A finished pour as it stood at its end, from the store: memory no longer holds its readings.
pub fn finished_view(live: &Live, pour: &str, now: UtcMs) -> Option<PourView> {
    match plant_for_pour(&live.data_dir, live.config_now(), live.learned(), pour) {
        Ok(plant) => plant
            .assess_pour(pour, now)
            .map(|judged| view::pour(&plant, &judged)),
        Err(error) => {
            let error = anyhow::Error::from(error);
            tracing::error!("the finished pour {pour} cannot be read back: {error:#}");
            None
        }
    }
}

/// What has been said so far, to tell what is new.
#[derive(Debug, Default)]
pub struct Said {
    /// The last multiple of the forecast period at which forecasts were recorded.
    forecast_period: Option<i64>,
}

impl Said {
    /// True once per forecast period.
    pub fn is_forecast_due(&mut self, now: UtcMs) -> bool {
        let period = now.0.div_euclid(FORECAST_STATED_EVERY_MS);
        self.forecast_period.replace(period) != Some(period)
    }
}

/// The forecasts of one look, to be recorded.
pub fn forecast_statements(assessed: &Assessed) -> Vec<StatementRow> {
    let row = |(pour, line): &(String, String)| StatementRow {
        said_ms: assessed.now.0,
        kind: "forecast".to_owned(),
        subject: pour.clone(),
        body: line.clone(),
    };
    assessed.lines.iter().map(row).collect()
}

/// Every bed in yard order, from one look.
pub fn bed_views(
    config: &PlantConfig,
    assessed: &Assessed,
    troubles: &[TroubleView],
) -> Vec<BedView> {
    let mut pours: HashMap<&str, Vec<PourView>> = HashMap::new();
    for pour in assessed.pours.iter().chain(&assessed.finished) {
        pours
            .entry(pour.bed.as_str())
            .or_default()
            .push(pour.clone());
    }
    let beds = config.beds.iter().enumerate().map(|(order, bed)| BedView {
        bed: bed.id.clone(),
        order,
        length_m: bed.length_m,
        pours: pours.remove(bed.id.as_str()).unwrap_or_default(),
        troubles: troubles
            .iter()
            .filter(|trouble| trouble.bed.as_deref() == Some(bed.id.as_str()))
            .cloned()
            .collect(),
    });
    beds.collect()
}

/// Beds as they were last told, with the troubles of now.
pub fn with_troubles(beds: &[BedView], troubles: &[TroubleView]) -> Vec<BedView> {
    let of_bed = |bed: &BedView| BedView {
        troubles: troubles
            .iter()
            .filter(|trouble| trouble.bed.as_deref() == Some(bed.bed.as_str()))
            .cloned()
            .collect(),
        ..bed.clone()
    };
    beds.iter().map(of_bed).collect()
}

/// Replaces what is published and lists what changed.
pub fn changes(
    published: &mut Published,
    beds: Vec<BedView>,
    troubles: Vec<TroubleView>,
    cleared: Vec<TroubleView>,
    sources: Vec<SourceView>,
    store: StoreView,
) -> Vec<PlantChange> {
    let mut changes: Vec<PlantChange> = beds
        .iter()
        .enumerate()
        .filter(|(index, bed)| published.beds.get(*index) != Some(bed))
        .map(|(_, bed)| PlantChange::Bed {
            bed: Box::new(bed.clone()),
        })
        .collect();
    published.beds = beds;
    let is_same = published.troubles == troubles
        && published.cleared == cleared
        && published.sources == sources
        && published.store == store;
    if !is_same {
        published.troubles.clone_from(&troubles);
        published.cleared.clone_from(&cleared);
        published.sources.clone_from(&sources);
        published.store.clone_from(&store);
        changes.push(PlantChange::Plant {
            troubles,
            cleared,
            sources,
            store,
        });
    }
    changes
}

/// The trouble of a store that cannot write.
pub fn store_trouble(store: &StoreView, waiting_count: usize, now: UtcMs) -> Option<Trouble> {
    let problem = store.problem.as_ref()?;
    Some(Trouble {
        kind: "store-cannot-write".into(),
        urgency: Urgency::Now,
        bed: None,
        pour: None,
        place: None,
        what: format!(
            "Nothing is being recorded: {problem}. {waiting_count} readings wait in memory; \
             nothing is acknowledged."
        ),
        since: store.since.map_or(now, UtcMs::from),
        first_act: "Free space on the daemon's disk; recording goes on by itself.".into(),
        explained_by: None,
    })
}
