//! What readings that came late changed: no bell for the past, but a line for quality control.

use std::collections::BTreeMap;

use daemon_core::assessment::PourAssessment;
use daemon_core::limits::{breach_id, sentence};
use daemon_core::say::{self, Local};
use daemon_core::time::UtcMs;
use daemon_store::StatementRow;
use serde::{Deserialize, Serialize};

use super::LATE_STATEMENT;

/// What lies further back than this is past, h.
const PAST_H: f64 = 0.5;
/// A peak that moves by less than this has not changed, °C.
const PEAK_C_MIN: f64 = 0.05;

/// What was known of a pour at the last look.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Breach → its worst value.
    worst: BTreeMap<String, f64>,
    /// Position → its highest temperature, °C, since the moment its age begins.
    highest_c: BTreeMap<String, (f64, Option<UtcMs>)>,
}

/// Something past that is known differently now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LateChange {
    #[serde(skip)]
    pub at_ms: i64,
    pub pour: String,
    pub bed: String,
    pub text: String,
}

impl LateChange {
    /// To be recorded.
    pub(super) fn statement(&self) -> Option<StatementRow> {
        Some(StatementRow {
            said_ms: self.at_ms,
            kind: LATE_STATEMENT.to_owned(),
            subject: self.pour.clone(),
            body: serde_json::to_string(self).ok()?,
        })
    }
}

/// Compares every pour with what was known of it, and remembers it as it is now.
///
/// A pour that is looked at for the first time has changed nothing.
pub fn late_changes(
    known: &mut BTreeMap<String, Known>,
    pours: &[PourAssessment],
    local: Local,
    now: UtcMs,
) -> Vec<LateChange> {
    let mut changes = Vec::new();
    let mut next = BTreeMap::new();
    for pour in pours {
        let id = &pour.record.id;
        let before = known.get(id);
        let change = |text: String| LateChange {
            at_ms: now.0,
            pour: id.clone(),
            bed: pour.record.facts.bed.clone(),
            text,
        };
        let mut after = Known::default();
        for breach in &pour.breaches {
            let hold = breach_id(breach);
            let was = before.and_then(|before| before.worst.get(&hold));
            let is_other = was.is_none_or(|was| was.total_cmp(&breach.worst).is_ne());
            let is_past = now.hours_since(breach.last_at) > PAST_H;
            if before.is_some() && is_other && is_past {
                changes.push(change(format!(
                    "Known only now, by readings or acts that came late: {}.",
                    sentence(breach, local)
                )));
            }
            after.worst.insert(hold, breach.worst);
        }
        for position in &pour.positions {
            let Some(highest_c) = position.highest_c else {
                continue;
            };
            let place = &position.id;
            let was = before.and_then(|before| before.highest_c.get(place));
            // Placement that was told later moves where the record of the concrete begins: no reading
            // came late by that.
            let since = position.time_zero_at;
            let was = was.filter(|was| was.1 == since).map(|was| was.0);
            // What is read now may be the highest so far; what was read long ago came late.
            let is_past = position
                .temperature_c
                .is_none_or(|now_c| now_c < highest_c - 1.0);
            if let Some(was_c) = was.filter(|was| highest_c - was > PEAK_C_MIN)
                && is_past
            {
                changes.push(change(format!(
                    "The highest temperature of {place} is {}, not {}, by readings that came late.",
                    say::temperature(highest_c, local.units),
                    say::temperature(was_c, local.units)
                )));
            }
            after.highest_c.insert(place.clone(), (highest_c, since));
        }
        next.insert(id.clone(), after);
    }
    *known = next;
    changes
}
