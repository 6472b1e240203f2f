//! How each source of readings stands: connected or not, what it brought, what was refused.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::source::{RefusalCount, RefusalView, SourceView};
use daemon_core::assessment::{PourAssessment, Trouble, Urgency};
use daemon_core::config::PlantConfig;
use daemon_core::say;
use daemon_core::trouble::explain_by_source;
use daemon_store::{RefusalRow, SAMPLE_CHARS_MAX};

/// A source is called refusing for this long after its last refusal, in plant time.
const REFUSING: TimeDelta = TimeDelta::minutes(15);

/// Every source, in the order of the plant file, then those that came by other ways.
#[derive(Debug, Default)]
pub struct SourceBook {
    sources: Vec<SourceView>,
    /// Readings that were never kept, by source.
    lost: BTreeMap<String, u64>,
    /// By which source each channel last came, since the start.
    source_of: HashMap<Arc<str>, String>,
}

impl SourceBook {
    /// Names a source before it has said anything.
    pub fn add(&mut self, source: &str, via: &str) {
        self.entry(source, via);
    }

    /// What the store has counted so far.
    pub fn recall(&mut self, counts: Vec<daemon_store::RefusalCount>, last: &[RefusalRow]) {
        for count in counts {
            let kinds = &mut self.entry(&count.source, "").refusals;
            let refusals = u64::try_from(count.refusal_count).unwrap_or(0);
            kinds.push(RefusalCount {
                kind: count.kind,
                count: refusals,
            });
        }
        // Newest first, so the first of each source is its last.
        for row in last {
            let view = self.entry(&row.source, "");
            if view.last_refusal.is_none() {
                view.last_refusal = Some(refusal_view(row));
            }
        }
    }

    pub fn up(&mut self, source: &str, at: DateTime<Utc>) {
        let view = self.entry(source, "");
        view.up = true;
        view.since = Some(at);
        view.problem = None;
    }

    pub fn down(&mut self, source: &str, at: DateTime<Utc>, reason: String) {
        let view = self.entry(source, "");
        // Another reason for the same outage does not make it younger.
        if view.up || view.since.is_none() {
            view.since = Some(at);
        }
        view.up = false;
        view.problem = Some(reason);
    }

    /// A channel came by a source; what was filled in from a logger's memory says nothing of the way.
    pub fn came(&mut self, channel: &Arc<str>, source: &str) {
        match self.source_of.get_mut(channel) {
            Some(known) if known == source => {}
            Some(known) => source.clone_into(known),
            None => {
                self.source_of
                    .insert(Arc::clone(channel), source.to_owned());
            }
        }
    }

    pub fn brought(&mut self, source: &str, via: &str, reading_count: usize, at: DateTime<Utc>) {
        let view = self.entry(source, via);
        view.reading_count += reading_count as u64;
        view.last_reading_at = Some(at);
    }

    pub fn refused(&mut self, row: &RefusalRow) {
        let view = self.entry(&row.source, "");
        view.last_refusal = Some(refusal_view(row));
        match view.refusals.iter_mut().find(|one| one.kind == row.kind) {
            Some(one) => one.count += 1,
            None => view.refusals.push(RefusalCount {
                kind: row.kind.clone(),
                count: 1,
            }),
        }
    }

    pub fn lost(&mut self, source: &str, reading_count: usize) {
        *self.lost.entry(source.to_owned()).or_default() += reading_count as u64;
    }

    /// What was lost since the last time of asking, to be recorded.
    pub fn take_lost(&mut self) -> BTreeMap<String, u64> {
        std::mem::take(&mut self.lost)
    }

    #[must_use]
    pub fn views(&self) -> Vec<SourceView> {
        self.sources.clone()
    }

    /// What needs a person about the sources.
    #[must_use]
    pub fn troubles(&self, now: DateTime<Utc>) -> Vec<Trouble> {
        self.sources
            .iter()
            .flat_map(|view| [down_trouble(view), refusing(view, now)])
            .flatten()
            .collect()
    }

    /// Says in each silence of a channel that a source which is down explains it.
    pub fn explain(
        &self,
        config: &PlantConfig,
        pours: &[PourAssessment],
        troubles: &mut [Trouble],
    ) {
        for view in &self.sources {
            if let Some(down) = down_trouble(view) {
                let brings = |channel: &str| self.source_of.get(channel) == Some(&view.source);
                explain_by_source(config, pours, &down, &brings, troubles);
            }
        }
    }

    fn entry(&mut self, source: &str, via: &str) -> &mut SourceView {
        let index = self.sources.iter().position(|view| view.source == source);
        let index = index.unwrap_or_else(|| {
            self.sources.push(SourceView {
                source: source.to_owned(),
                via: via.to_owned(),
                up: false,
                since: None,
                problem: None,
                reading_count: 0,
                last_reading_at: None,
                refusals: Vec::new(),
                last_refusal: None,
            });
            self.sources.len() - 1
        });
        let view = &mut self.sources[index];
        if view.via.is_empty() {
            via.clone_into(&mut view.via);
        }
        view
    }
}

fn refusal_view(row: &RefusalRow) -> RefusalView {
    RefusalView {
        kind: row.kind.clone(),
        detail: row.detail.clone(),
        sample: row.sample.chars().take(SAMPLE_CHARS_MAX).collect(),
        received_at: DateTime::from_timestamp_millis(row.received_ms).unwrap_or_default(),
    }
}

fn down_trouble(view: &SourceView) -> Option<Trouble> {
    let problem = view.problem.as_ref()?;
    let first_act = match view.via.as_str() {
        "serial" => "Check the cable, the power of the logger and the port's name.",
        _ => "Check that the broker runs and that the network reaches it.",
    };
    Some(Trouble {
        kind: "source-down".into(),
        urgency: Urgency::Soon,
        bed: None,
        pour: None,
        place: Some(view.source.clone()),
        what: say::ended(&format!("No readings come from {}: {problem}", view.source)),
        since: view.since?.into(),
        first_act: first_act.into(),
        explained_by: None,
    })
}

fn refusing(view: &SourceView, now: DateTime<Utc>) -> Option<Trouble> {
    let last = view.last_refusal.as_ref()?;
    (now - last.received_at < REFUSING).then(|| Trouble {
        kind: "refusing".into(),
        urgency: Urgency::Look,
        bed: None,
        pour: None,
        place: Some(view.source.clone()),
        what: format!(
            "The last refusal was {}: {} ({})",
            last.kind, last.detail, last.sample
        ),
        since: last.received_at.into(),
        first_act: "See what this source sends and how the plant file reads it.".into(),
        explained_by: None,
    })
}
