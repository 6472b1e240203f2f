//! The sampled futures told: points of the two distributions, and what trials correct in them.

use crate::assessment::{BreakTime, BreakTimeKind, Forecast, ForecastWindow};
use crate::forecast::future::Futures;
use crate::forecast::{HORIZON_H, KnownAt, Usable};
use crate::habits::Correction;
use crate::statistics::quantile_of_sorted;
use crate::time::UtcMs;

const EARLY: f64 = 0.1;
const LIKELY: f64 = 0.5;
const LATE: f64 = 0.9;
/// A set broken then passes as often as not.
const EVEN: f64 = 0.5;
/// The probabilities whose times are told.
const CHANCES: [f64; 11] = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95];

/// Moves all times by what trials found, and widens or narrows the curve's window by how often it held.
pub(super) fn correct(futures: &mut Futures, correction: &Correction) {
    for times in futures.all_mut() {
        times
            .iter_mut()
            .for_each(|hours| *hours = correction.corrected_h(*hours));
    }
    let likely_h = quantile_of_sorted(&futures.by_curve, LIKELY);
    if likely_h.is_finite() && likely_h > 0.0 {
        let scale = correction.scale(likely_h);
        for hours in &mut futures.by_curve {
            // What is ahead stays ahead.
            let moved = likely_h + scale * (*hours - likely_h);
            *hours = if *hours > 0.0 {
                moved.max(0.01 * *hours)
            } else {
                *hours
            };
        }
    }
    futures.sort();
}

pub(super) fn summarise(
    known: &KnownAt<'_>,
    usable: &[Usable<'_>],
    futures: &Futures,
    obstacle: Option<String>,
    now: UtcMs,
) -> Forecast {
    let at = |hours: f64| hours.is_finite().then(|| now.plus_hours(hours));
    let mut position_likely_at = vec![None; known.position_count];
    for (one, times) in usable.iter().zip(&futures.by_position) {
        if let Some(likely_at) = position_likely_at.get_mut(one.known.index) {
            *likely_at = at(quantile_of_sorted(times, LIKELY));
        }
    }
    let mut position_catches_up_at = vec![None; known.position_count];
    for (one, times) in usable.iter().zip(&futures.catch_up) {
        if let Some(catches_up_at) = position_catches_up_at.get_mut(one.known.index) {
            // It has not caught up, so that is not past.
            *catches_up_at = at(quantile_of_sorted(times, LIKELY).max(0.0));
        }
    }
    if obstacle.is_some() {
        return Forecast {
            position_catches_up_at,
            position_likely_at,
            reason: obstacle,
            ..Forecast::default()
        };
    }
    let window = |times: &[f64]| ForecastWindow {
        early_at: at(quantile_of_sorted(times, EARLY)),
        likely_at: at(quantile_of_sorted(times, LIKELY)),
        late_at: at(quantile_of_sorted(times, LATE)),
    };
    let of_concrete = window(&futures.slowest);
    let reason = match (of_concrete.likely_at, of_concrete.late_at) {
        (Some(_), Some(_)) => None,
        (Some(_), None) => Some(format!(
            "In more than one of ten sampled nights the slowest position does not get there within \
             {HORIZON_H:.0} h or the curve's data, so there is no late time."
        )),
        (None, _) => Some(format!(
            "The slowest position is not expected to get there within {HORIZON_H:.0} h and the \
             curve's data."
        )),
    };
    let doubted = usable
        .iter()
        .filter(|one| !one.known.believed)
        .map(|one| one.known.index);
    Forecast {
        early_at: of_concrete.early_at,
        likely_at: of_concrete.likely_at,
        late_at: of_concrete.late_at,
        by_curve: window(&futures.by_curve),
        is_curve_reached: quantile_of_sorted(&futures.by_curve, LIKELY) <= 0.0,
        sampled_count: futures.slowest.len(),
        doubted_positions: doubted.collect(),
        pour_count: known.habits.pour_count(),
        break_count: known.habits.break_count(),
        pass_probability_now: Some(share_by(&futures.set_passes, 0.0)),
        pass_probabilities: [1.0, 2.0, 4.0]
            .map(|hours| (hours, share_by(&futures.set_passes, hours)))
            .to_vec(),
        chances: CHANCES
            .map(|share| (share, at(quantile_of_sorted(&futures.slowest, share))))
            .to_vec(),
        break_from_at: at(reached_by_share(
            &futures.set_passes,
            known.break_probability,
        )),
        break_times: break_times(known, futures, now),
        position_catches_up_at,
        position_likely_at,
        reason,
        ..Forecast::default()
    }
}

/// When a set may be broken, each time with its chance: at the wanted time, as even chances, and with the
/// plant's probability; what is past or comes to the same is told once.
fn break_times(known: &KnownAt<'_>, futures: &Futures, now: UtcMs) -> Vec<BreakTime> {
    let passes = &futures.set_passes;
    let hours_to = |share: f64| reached_by_share(passes, share).max(0.0);
    let wanted_h = known.record.facts.wanted_release_at;
    let wanted_h = wanted_h.map(|wanted_at| wanted_at.hours_since(now));
    let asked = [
        (BreakTimeKind::Even, Some(hours_to(EVEN))),
        (BreakTimeKind::Wanted, wanted_h.filter(|hours| *hours > 0.0)),
        (
            BreakTimeKind::Aimed,
            Some(hours_to(known.break_probability)),
        ),
    ];
    let mut times: Vec<BreakTime> = asked
        .into_iter()
        .filter_map(|(kind, hours)| Some((kind, hours.filter(|hours| hours.is_finite())?)))
        .map(|(kind, hours)| BreakTime {
            at: now.plus_hours(hours),
            probability: share_by(passes, hours),
            kind,
        })
        .collect();
    // Where waiting until the plant's probability costs nothing, even chances are no choice.
    let is_now = |one: &BreakTime, kind| one.kind == kind && one.at <= now;
    if times.iter().any(|one| is_now(one, BreakTimeKind::Aimed)) {
        times.retain(|one| one.kind != BreakTimeKind::Even);
    }
    times.sort_by_key(|one| one.at);
    times
}

/// The share of sorted times that have arrived after some hours.
pub(super) fn share_by(sorted: &[f64], hours: f64) -> f64 {
    sorted.partition_point(|time| *time <= hours) as f64 / sorted.len() as f64
}

/// The first time by which at least that share has arrived.
fn reached_by_share(sorted: &[f64], share: f64) -> f64 {
    let needed = (share * sorted.len() as f64).ceil() as usize;
    if needed > sorted.len() {
        return f64::INFINITY;
    }
    sorted[needed.max(1) - 1]
}
