//! Positions whose readings part from the others' faster than concrete can change.
//!
//! A wire that came loose reads air or steam: within half an hour it goes where no concrete goes. What
//! it reads until it comes back is left to the heat balance, with doubt. A slow parting is believed: a
//! stretch of bed that lost its tarp is truly cooler.

use crate::forecast::past::{Path, point_means};
use crate::forecast::{STEP_H, Usable};
use crate::time::UtcMs;

/// Changes are compared over so many points.
const OVER: usize = 3;
/// A change that differs by more than this from the median of the others' has parted, °C …
const PARTED_C: f64 = 5.0;
/// … until it is back this near to where the others' changes would have led it, °C, and so much
/// further for each hour since.
const BACK_C: f64 = 2.5;
const BACK_C_PER_H: f64 = 0.5;
/// Before this, h, a sensor may still be reached by the concrete.
const ARRIVED_H: f64 = 1.0;
/// So many others are needed to compare with.
const OTHERS_MIN: usize = 2;

/// A position that has parted: since which point, and where the others' changes lead it.
#[derive(Clone, Copy)]
struct Parted {
    since: usize,
    expected_c: f64,
}

/// Readings without what cannot be concrete, and whether the position is still parted.
pub(super) struct Cleaned {
    readings: Vec<(UtcMs, f64)>,
    is_parted: bool,
}

/// The readings of positions that have parted from the others, without what cannot be concrete, and
/// whether they are still parted.
pub(super) fn screened(usable: &[Usable<'_>], now: UtcMs) -> Vec<Option<Cleaned>> {
    let paths: Vec<(&Path, UtcMs)> = usable
        .iter()
        .map(|one| (one.readings, one.zero_at.plus_hours(ARRIVED_H)))
        .collect();
    let stretches = parted_stretches(&paths, now);
    usable
        .iter()
        .zip(stretches)
        .map(|(one, stretches)| {
            let last = stretches.last()?;
            let is_parted = last.1 > now;
            Some(Cleaned {
                readings: without(one.readings, &stretches),
                is_parted,
            })
        })
        .collect()
}

pub(super) fn leave_out<'a>(usable: &mut [Usable<'a>], cleaned: &'a [Option<Cleaned>]) {
    for (one, cleaned) in usable.iter_mut().zip(cleaned) {
        if let Some(cleaned) = cleaned {
            one.readings = &cleaned.readings;
            one.known.believed &= !cleaned.is_parted;
        }
    }
}

/// The stretches in which each position's readings are not its concrete's.
fn parted_stretches(paths: &[(&Path, UtcMs)], now: UtcMs) -> Vec<Vec<(UtcMs, UtcMs)>> {
    let mut stretches = vec![Vec::new(); paths.len()];
    let Some(first) = paths.iter().map(|one| one.1).min() else {
        return stretches;
    };
    if paths.len() <= OTHERS_MIN {
        return stretches;
    }
    let count = (now.hours_since(first) / STEP_H).floor().max(0.0) as usize + 1;
    let from = now.plus_hours(-STEP_H * (count - 1) as f64);
    let means: Vec<Vec<Option<f64>>> = paths
        .iter()
        .map(|(path, begins_at)| {
            let mut means = point_means(path, from, count);
            let begin = (begins_at.hours_since(from) / STEP_H).ceil().max(0.0) as usize;
            means.iter_mut().take(begin).for_each(|mean| *mean = None);
            means
        })
        .collect();
    let mut parted: Vec<Option<Parted>> = vec![None; paths.len()];
    let mut back = vec![0; paths.len()];
    let at = |point: usize| from.plus_hours(STEP_H * (point as f64 - 0.5));
    for point in OVER..count {
        let was = parted.clone();
        for (index, own) in means.iter().enumerate() {
            let change = |over: usize| others_change(&means, &was, index, point, over);
            match &mut parted[index] {
                None => {
                    let moved = own[point]
                        .zip(own[point - OVER])
                        .map(|(to, before)| to - before);
                    if let (Some(moved), Some(others)) = (moved, change(OVER))
                        && point >= back[index] + OVER
                        && (moved - others).abs() > PARTED_C
                    {
                        let start_c = own[point - OVER].unwrap_or_default();
                        parted[index] = Some(Parted {
                            since: point - OVER + 1,
                            expected_c: start_c + others,
                        });
                    }
                }
                Some(out) => {
                    out.expected_c += change(1).unwrap_or(0.0);
                    let hours = (point - out.since) as f64 * STEP_H;
                    let is_back = own[point].is_some_and(|value| {
                        (value - out.expected_c).abs() < BACK_C + BACK_C_PER_H * hours
                    });
                    if is_back {
                        stretches[index].push((at(out.since), at(point)));
                        parted[index] = None;
                        back[index] = point;
                    }
                }
            }
        }
    }
    for (index, out) in parted.iter().enumerate() {
        if let Some(out) = out {
            stretches[index].push((at(out.since), UtcMs(i64::MAX)));
        }
    }
    stretches
}

/// The median change of the other positions that have not parted themselves.
fn others_change(
    means: &[Vec<Option<f64>>],
    parted: &[Option<Parted>],
    index: usize,
    point: usize,
    over: usize,
) -> Option<f64> {
    let mut changes: Vec<f64> = means
        .iter()
        .enumerate()
        .filter(|(other, _)| *other != index && parted[*other].is_none())
        .filter_map(|(_, own)| Some(own[point]? - own[point - over]?))
        .collect();
    if changes.len() < OTHERS_MIN {
        return None;
    }
    changes.sort_by(f64::total_cmp);
    Some(f64::midpoint(
        changes[(changes.len() - 1) / 2],
        changes[changes.len() / 2],
    ))
}

/// The readings outside those stretches.
fn without(path: &Path, stretches: &[(UtcMs, UtcMs)]) -> Vec<(UtcMs, f64)> {
    let outside = |at: UtcMs| {
        !stretches
            .iter()
            .any(|(from, to)| (*from..*to).contains(&at))
    };
    path.iter().filter(|one| outside(one.0)).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night(shift: impl Fn(i64) -> f64) -> Vec<(UtcMs, f64)> {
        (0..720)
            .step_by(5)
            .map(|minute| {
                (
                    UtcMs(minute * 60_000),
                    20.0 + 0.03 * minute as f64 + shift(minute),
                )
            })
            .collect()
    }

    fn stretches(paths: &[Vec<(UtcMs, f64)>]) -> Vec<Vec<(UtcMs, UtcMs)>> {
        let sources: Vec<_> = paths.iter().map(|path| (&path[..], UtcMs(0))).collect();
        parted_stretches(&sources, UtcMs(720 * 60_000))
    }

    #[test]
    fn a_wire_that_reads_air_for_two_hours_is_left_out_for_these() {
        let loose = |minute: i64| {
            if (300..420).contains(&minute) {
                -12.0
            } else {
                0.0
            }
        };
        let paths = [
            night(|_| 0.0),
            night(|_| 1.0),
            night(|_| -1.0),
            night(loose),
        ];
        let found = stretches(&paths);
        assert!(found[..3].iter().all(Vec::is_empty), "{found:?}");
        let [(from, to)] = found[3][..] else {
            panic!("{found:?}");
        };
        let minutes = |at: UtcMs| at.0 / 60_000;
        assert!(
            (270..=305).contains(&minutes(from)) && (415..=430).contains(&minutes(to)),
            "{found:?}"
        );
        assert!(without(&paths[3], &found[3]).iter().all(|one| one.1 > 19.0));
    }

    #[test]
    fn a_stretch_that_slowly_cools_is_believed() {
        let cooling = |minute: i64| -0.1 * (minute - 300).max(0) as f64;
        let paths = [
            night(|_| 0.0),
            night(|_| 1.0),
            night(|_| -1.0),
            night(cooling),
        ];
        assert!(stretches(&paths).iter().all(Vec::is_empty));
    }

    #[test]
    fn with_one_other_position_nothing_is_left_out() {
        let loose = |minute: i64| if minute > 300 { -12.0 } else { 0.0 };
        assert!(
            stretches(&[night(|_| 0.0), night(loose)])
                .iter()
                .all(Vec::is_empty)
        );
    }
}
