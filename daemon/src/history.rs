//! What the store remembers, read back: acts and readings for a start, and plants as of past moments.

use std::collections::BTreeSet;
use std::iter::Peekable;
use std::ops::ControlFlow;
use std::path::Path;

use daemon_api::act::Act;
use daemon_core::config::PlantConfig;
use daemon_core::habits::{KEPT_DAYS, PourSummary};
use daemon_core::plant::Plant;
use daemon_core::pour::PourRecord;
use daemon_core::reading::Reading;
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StoreError, TIME_MS_MAX};

use crate::convert::act::{ActUnreadable, act};
use crate::convert::reading::stored;

/// Readings are kept in memory from this long before the earliest pour on a bed began, h: a clock
/// is judged by what came around a reading.
const BEFORE_BEGIN_H: f64 = 1.0;
/// And in any case for this long, h: pours are often opened after their concrete was placed.
const KEPT_H: f64 = 24.0;

/// Why the record cannot be read back.
#[derive(Debug, thiserror::Error)]
pub enum HistoryError {
    #[error("the record cannot be read")]
    Store(#[from] StoreError),
    #[error("act {sequence} of the record is not an act; run the integrity check")]
    NotAnAct {
        sequence: i64,
        #[source]
        source: serde_json::Error,
    },
    #[error("act {sequence} of the record cannot be understood")]
    Act {
        sequence: i64,
        #[source]
        source: ActUnreadable,
    },
}

/// An act as it stands in the record.
#[derive(Debug, Clone)]
pub struct RecordedAct {
    pub sequence: i64,
    /// The JSON as stored, byte for byte.
    pub json: String,
    pub wire: Act,
    pub core: daemon_core::act::Act,
}

/// Every act in the order of the record.
pub fn read_acts(reader: &Reader) -> Result<Vec<RecordedAct>, HistoryError> {
    let stored = reader.acts_all()?.into_iter().map(|row| {
        let sequence = row.seq;
        let wire: Act = serde_json::from_str(&row.body)
            .map_err(|source| HistoryError::NotAnAct { sequence, source })?;
        let core = act(&wire).map_err(|source| HistoryError::Act { sequence, source })?;
        Ok(RecordedAct {
            sequence,
            json: row.body,
            wire,
            core,
        })
    });
    stored.collect()
}

/// From when on readings must be in memory.
#[must_use]
pub fn horizon<'a>(pours: impl Iterator<Item = &'a PourRecord>, now: UtcMs) -> UtcMs {
    pours
        .filter(|pour| pour.is_on_bed())
        .map(|pour| pour.begins_at().plus_hours(-BEFORE_BEGIN_H))
        .chain([now.plus_hours(-KEPT_H)])
        .min()
        .unwrap_or(now)
}

/// The readings received in `[from, to)`, in order of receipt.
pub fn read_readings(
    reader: &Reader,
    from: UtcMs,
    to: UtcMs,
    take: &mut dyn FnMut(Reading),
) -> Result<(), HistoryError> {
    reader.readings_received(from.0..to.0, &mut |row| {
        take(stored(&row));
        ControlFlow::Continue(())
    })?;
    Ok(())
}

/// The plant as it was known at `at`: what had been recorded and received by then, as far as pours
/// under cure then need it.
///
/// `learned` is what finished pours taught: of it counts what was known by then.
pub fn plant_at(
    dir: &Path,
    config: PlantConfig,
    learned: Vec<PourSummary>,
    at: UtcMs,
) -> Result<Plant, HistoryError> {
    let reader = Reader::open(dir)?;
    let mut plant = Plant::new(config);
    take_learned(&mut plant, learned, at);
    for act in read_acts(&reader)? {
        if act.core.recorded_at <= at {
            plant.take_act(act.core);
        }
    }
    let begins = plant
        .pours()
        .values()
        .filter(|pour| pour.is_under_cure())
        .map(|pour| pour.begins_at().plus_hours(-BEFORE_BEGIN_H))
        .min();
    if let Some(from) = begins {
        let to = UtcMs(at.0.saturating_add(1).min(TIME_MS_MAX));
        read_readings(&reader, from, to, &mut |reading| {
            plant.take_reading(&reading);
        })?;
    }
    Ok(plant)
}

/// What pours teach whose time for it has come by `now`, by the record alone.
///
/// Acts and readings are played in the order in which they became known, as replay plays its files, so
/// that both learn the same. `known` has been learned already.
pub fn learn(
    dir: &Path,
    config: PlantConfig,
    known: Vec<PourSummary>,
    now: UtcMs,
) -> Result<Vec<PourSummary>, HistoryError> {
    let reader = Reader::open(dir)?;
    let acts: Vec<_> = read_acts(&reader)?
        .into_iter()
        .map(|act| act.core)
        .collect();
    let mut whole = Plant::new(config.clone());
    let mut plant = Plant::new(config);
    let mut known_already = BTreeSet::new();
    for summary in known {
        known_already.insert((summary.pour.clone(), summary.known_at));
        whole.take_summary(summary.clone());
        plant.take_summary(summary);
    }
    for act in &acts {
        whole.take_act(act.clone());
    }
    let oldest = now.plus_hours(-24.0 * KEPT_DAYS);
    plant.learn_breaks_only_before(oldest);
    let mut acts = acts.into_iter().peekable();
    for (from, to) in learned_spans(&whole, oldest, now) {
        let mut forgot_at = from;
        read_readings(&reader, from, UtcMs(to.0 + 1), &mut |reading| {
            pass(&mut plant, &mut acts, UtcMs(reading.received_at.0 - 1));
            if reading.received_at.hours_since(forgot_at) > 1.0 {
                forgot_at = reading.received_at;
                plant.forget_finished(forgot_at.plus_hours(-KEPT_H));
            }
            plant.take_reading(&reading);
        })?;
    }
    pass(&mut plant, &mut acts, now);
    let learned = plant.summaries().values().chain(plant.former_summaries());
    Ok(learned
        .filter(|one| !known_already.contains(&(one.pour.clone(), one.known_at)))
        .cloned()
        .collect())
}

/// When readings were received that pours still to be learned from need, in order and apart: from the
/// first young pour on all of them, before it those of pours whose cylinders had a sensor.
fn learned_spans(whole: &Plant, oldest: UtcMs, now: UtcMs) -> Vec<(UtcMs, UtcMs)> {
    let due = whole.learns_at().iter().filter(|(_, at)| **at <= now);
    let mut spans: Vec<(UtcMs, UtcMs)> = due
        .filter_map(|(pour, at)| {
            let record = whole.pours().get(pour)?;
            let is_young = *at >= oldest;
            let from = record.begins_at().plus_hours(-BEFORE_BEGIN_H);
            (is_young || record.has_companion_break())
                .then_some((from, if is_young { now } else { *at }))
        })
        .collect();
    spans.sort_unstable();
    let mut apart: Vec<(UtcMs, UtcMs)> = Vec::new();
    for (from, to) in spans {
        match apart.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => apart.push((from, to)),
        }
    }
    apart
}

/// Lets time pass up to a moment: acts become known, and finished pours are learned from.
fn pass(
    plant: &mut Plant,
    acts: &mut Peekable<impl Iterator<Item = daemon_core::act::Act>>,
    until: UtcMs,
) {
    loop {
        let act_at = acts.peek().map(|act| act.recorded_at);
        let next = [plant.next_learning_at(), act_at]
            .into_iter()
            .flatten()
            .min();
        let Some(next) = next.filter(|next| *next <= until) else {
            return;
        };
        while let Some(act) = acts.next_if(|act| act.recorded_at <= next) {
            plant.take_act(act);
        }
        plant.learn(next);
    }
}

/// A plant that knows everything about one pour, finished ones included, and nothing of the others'
/// temperatures.
///
/// `learned` is what finished pours taught: of it counts what was known before this one ended.
pub fn plant_for_pour(
    dir: &Path,
    config: PlantConfig,
    learned: Vec<PourSummary>,
    pour: &str,
) -> Result<Plant, HistoryError> {
    let reader = Reader::open(dir)?;
    let mut plant = Plant::new(config);
    for act in read_acts(&reader)? {
        plant.take_act(act.core);
    }
    let Some(record) = plant.pours().get(pour).cloned() else {
        return Ok(plant);
    };
    let ended_at = record.stripped_at.or(record.abandoned_at);
    take_learned(&mut plant, learned, ended_at.unwrap_or(UtcMs(TIME_MS_MAX)));
    let from = record.begins_at().plus_hours(-BEFORE_BEGIN_H);
    // Readings that arrived after the end still belong to the record of what was measured before it.
    let to = UtcMs(TIME_MS_MAX);
    let channels: std::collections::BTreeSet<&str> = record
        .bindings
        .iter()
        .map(|binding| binding.channel.as_str())
        .collect();
    read_readings(&reader, from, to, &mut |reading| {
        if channels.contains(&*reading.channel) {
            plant.take_reading(&reading);
        }
    })?;
    Ok(plant)
}

fn take_learned(plant: &mut Plant, learned: Vec<PourSummary>, until: UtcMs) {
    for summary in learned.into_iter().filter(|one| one.known_at <= until) {
        plant.take_summary(summary);
    }
}
