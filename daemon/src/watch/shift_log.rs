//! The shift log: notes by people, acts and alarms in one account, as they stand in the record.

use chrono::{DateTime, Utc};
use daemon_api::act::ActBody;
use daemon_api::alarm::{AlarmEventView, AlarmHistory};
use daemon_api::shift::ShiftEntry;
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StoreError};

use super::late::LateChange;
use super::{ALARM_STATEMENT, LATE_STATEMENT};
use crate::act_text::Said;
use crate::convert::utc;
use crate::history::RecordedAct;

/// An act that became known this long after it happened says when, s.
const KNOWN_LATER_S: i64 = 300;

/// What happened to alarms in `[from, to)`, in the order in which it was recorded.
///
/// # Errors
/// That the record cannot be read.
pub fn alarm_history(reader: &Reader, from: UtcMs, to: UtcMs) -> Result<AlarmHistory, StoreError> {
    let said = reader.statements_said(ALARM_STATEMENT, from.0..to.0)?;
    let events = said.into_iter().filter_map(|statement| {
        let read: Result<AlarmEventView, _> = serde_json::from_str(&statement.body);
        if let Err(error) = &read {
            tracing::error!("statement {} is no alarm: {error}", statement.seq);
        }
        read.ok()
    });
    Ok(AlarmHistory {
        from_at: utc(from),
        to_at: utc(to),
        events: events.collect(),
    })
}

/// Everything that became known in `[from, to)`, in order of time.
///
/// # Errors
/// That the record cannot be read.
pub fn entries(
    reader: &Reader,
    plant: &Plant,
    said: &Said<'_>,
    from: UtcMs,
    to: UtcMs,
) -> Result<Vec<ShiftEntry>, StoreError> {
    let within = |at: DateTime<Utc>| (from..to).contains(&UtcMs::from(at));
    let acts = said.acts().iter();
    let mut entries: Vec<ShiftEntry> = acts
        .filter(|act| act.wire.recorded_at.is_some_and(within))
        .filter_map(|act| act_entry(plant, said, act))
        .collect();
    let history = alarm_history(reader, from, to)?;
    entries.extend(history.events.iter().filter_map(alarm_entry));
    for statement in reader.statements_said(LATE_STATEMENT, from.0..to.0)? {
        match serde_json::from_str::<LateChange>(&statement.body) {
            Ok(change) => entries.push(ShiftEntry {
                at: utc(UtcMs(statement.said_ms)),
                known_at: None,
                kind: "late-change".to_owned(),
                bed: Some(change.bed),
                pour: Some(change.pour),
                by: None,
                text: change.text,
                struck: None,
            }),
            Err(error) => {
                tracing::error!("statement {} is no late change: {error}", statement.seq);
            }
        }
    }
    entries.sort_by_key(|entry| entry.known_at.unwrap_or(entry.at));
    Ok(entries)
}

fn act_entry(plant: &Plant, said: &Said<'_>, recorded: &RecordedAct) -> Option<ShiftEntry> {
    let act = &recorded.wire;
    let kind = match &act.body {
        // What people said to alarms stands there as what happened to the alarm.
        ActBody::AlarmSeen { .. }
        | ActBody::AlarmSnoozed { .. }
        | ActBody::AlarmWoken { .. }
        | ActBody::AlarmReset { .. } => return None,
        ActBody::ShiftNoted {} => "note",
        ActBody::ShiftHandedOver { .. } => "handover",
        _ => "act",
    };
    let record = plant.pours().get(&act.pour);
    let known_at = act.recorded_at?;
    let is_later = (known_at - act.happened_at).num_seconds() > KNOWN_LATER_S;
    Some(ShiftEntry {
        at: act.happened_at,
        known_at: is_later.then_some(known_at),
        kind: kind.to_owned(),
        bed: record.map(|record| record.facts.bed.clone()),
        pour: (!act.pour.is_empty()).then(|| act.pour.clone()),
        by: Some(act.by.clone()),
        text: text(said, act.id, said.text(act)),
        struck: said.struck(act.id),
    })
}

/// What an act said, with what became of it: whoever read it before is told.
fn text(said: &Said<'_>, id: uuid::Uuid, text: String) -> String {
    let Some(struck) = said.struck(id) else {
        return text;
    };
    let what = struck
        .replaced_by
        .map_or_else(|| "STRUCK".to_owned(), |now| format!("CORRECTED to {now}"));
    format!("{text}: {what} by {} ({})", struck.by, struck.why)
}

fn alarm_entry(event: &AlarmEventView) -> Option<ShiftEntry> {
    let trouble = &event.trouble;
    let life = trouble.alarm.as_ref()?;
    // What never rang, because another alarm stood for it, does not end either.
    if event.event == "cleared" && life.explained_by.is_some() {
        return None;
    }
    let by = match event.event.as_str() {
        "seen" => life.seen_by.clone(),
        "snoozed" => life.snoozed.as_ref().map(|snoozed| snoozed.by.clone()),
        // Its end without a word, and what another alarm explains, are not told twice.
        "closed" | "explained" => return None,
        _ => None,
    };
    let why = match (&life.snoozed, event.event.as_str()) {
        (Some(snoozed), "snoozed") => format!(" ({})", snoozed.why),
        _ => String::new(),
    };
    let place = trouble
        .place
        .as_deref()
        .map_or_else(String::new, |place| format!(" {place}:"));
    Some(ShiftEntry {
        at: event.at,
        known_at: None,
        kind: "alarm".to_owned(),
        bed: trouble.bed.clone(),
        pour: trouble.pour.clone(),
        by,
        text: format!("{}:{place} {}{why}", event.event, trouble.what),
        struck: None,
    })
}
