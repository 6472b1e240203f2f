//! When the concrete at a position began to age: the load's own time, or what can be said without one.

use calibration::TimeZero;

use crate::act::{Load, Position};
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Without load tickets a position's time is interpolated; this share of the stretch is its doubt.
const INTERPOLATION_DOUBT: f64 = 0.25;

/// A position's time zero and the latest it can be, for a maturity that cannot overstate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Age {
    pub zero_at: UtcMs,
    pub zero_at_latest: UtcMs,
}

/// The age of the concrete at a position, `None` where it is not placed yet or nobody has said when.
#[must_use]
pub fn age_at(record: &PourRecord, position: &Position, zero: TimeZero, now: UtcMs) -> Option<Age> {
    let covering = record
        .loads
        .values()
        .filter(|load| covers(load, position.station_m));
    let age = match covering.max_by_key(|load| load.placed_from_at) {
        Some(load) => load_age(load, position.station_m, zero),
        None => interpolated_age(record, position.station_m, now)?,
    };
    (age.zero_at <= now).then_some(age)
}

/// The age of specimens made from these loads; of the whole pour's first concrete where none is named.
#[must_use]
pub fn specimen_zero(record: &PourRecord, tickets: &[String], zero: TimeZero) -> UtcMs {
    let sampled = record
        .loads
        .values()
        .filter(|load| tickets.contains(&load.ticket));
    // The latest load gives the least maturity, so the comparison cannot flatter the concrete.
    sampled
        .map(|load| match zero {
            TimeZero::Batched => load.batched_at.unwrap_or(load.placed_from_at),
            TimeZero::Placed => load.placed_from_at,
        })
        .max()
        .or(record.facts.first_placement_at)
        .unwrap_or(record.opened_at)
}

fn covers(load: &Load, station_m: f64) -> bool {
    (load.from_station_m..=load.to_station_m).contains(&station_m)
}

fn load_age(load: &Load, station_m: f64, zero: TimeZero) -> Age {
    match (zero, load.batched_at) {
        (TimeZero::Batched, Some(batched_at)) => Age {
            zero_at: batched_at,
            zero_at_latest: batched_at,
        },
        // A ticket without a batch time: placement is later, so it cannot overstate.
        _ => {
            let share = share(station_m, load.from_station_m, load.to_station_m);
            let placed_at = between(load.placed_from_at, load.placed_to_at, share);
            Age {
                zero_at: placed_at,
                zero_at_latest: load.placed_to_at,
            }
        }
    }
}

/// Interpolates between first and last placement, piece by piece between recorded stoppages.
fn interpolated_age(record: &PourRecord, station_m: f64, now: UtcMs) -> Option<Age> {
    let first = record.facts.first_placement_at?;
    // Until the last load is down, what is not covered by a ticket has no age.
    let last = record.facts.last_placement_at.filter(|last| *last <= now)?;
    let (mut from_m, mut from_at) = (record.facts.from_station_m, first);
    let stretch = record.stoppages.iter().find(|stoppage| {
        let holds = (from_m..=stoppage.station_m).contains(&station_m);
        if !holds {
            (from_m, from_at) = (stoppage.station_m, stoppage.to_at);
        }
        holds
    });
    let (to_m, to_at) = stretch.map_or((record.facts.to_station_m, last), |stoppage| {
        (stoppage.station_m, stoppage.from_at)
    });
    let zero_at = between(from_at, to_at, share(station_m, from_m, to_m));
    let doubt_h = INTERPOLATION_DOUBT * to_at.hours_since(from_at).max(0.0);
    Some(Age {
        zero_at,
        zero_at_latest: zero_at.plus_hours(doubt_h).min(to_at.max(zero_at)),
    })
}

fn share(station_m: f64, from_m: f64, to_m: f64) -> f64 {
    let length_m = to_m - from_m;
    if length_m.abs() < 1e-9 {
        1.0
    } else {
        ((station_m - from_m) / length_m).clamp(0.0, 1.0)
    }
}

fn between(from: UtcMs, to: UtcMs, share: f64) -> UtcMs {
    from.plus_hours(share * to.hours_since(from))
}
