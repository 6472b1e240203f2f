//! Stretches in which a position's readings parted from the others' faster than concrete can change.
//!
//! A wire that came loose reads air or steam: within half an hour it goes where no concrete goes. What
//! it reads until it comes back is not its concrete's, and gives no maturity, then or later. A slow
//! parting is believed: a stretch of bed that lost its tarp is truly cooler.

use crate::forecast::{STEP_H, point_means};
use crate::time::{MS_PER_H, UtcMs};
use crate::trust::ARRIVAL_H;

/// Changes over so many points that differ from the median of the others' by more than so much, °C,
/// part a position …
const PARTINGS: [(usize, f64); 2] = [(2, 3.5), (3, 5.0)];
/// … or, where nothing was read for longer, by the last of these and so much for each hour more …
const UNREAD_C_PER_H: f64 = 2.0;
/// … until it is back this near to where the others' changes would have led it, °C, and so much
/// further for each hour since …
const BACK_C: f64 = 2.5;
const BACK_C_PER_H: f64 = 0.5;
/// … at so many points in a row: air that warms crosses the concrete's temperature, too.
const BACK_POINTS: usize = 5;
/// So many others are needed to compare with.
const OTHERS_MIN: usize = 2;

/// A position that has parted: since which point, and where the others' changes lead it.
#[derive(Clone, Copy)]
struct Parted {
    since: usize,
    expected_c: f64,
    /// How many points it has been back for.
    back_count: usize,
}

/// The stretches in which a position's readings are not its concrete's; the last may be endless.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Partings(Vec<(UtcMs, UtcMs)>);

impl Partings {
    /// True where it has not come back.
    #[must_use]
    pub fn is_parted(&self) -> bool {
        self.0.last().is_some_and(|last| last.1 == ENDLESS)
    }

    /// The readings outside of them.
    #[must_use]
    pub fn without(&self, path: &[(UtcMs, f64)]) -> Vec<(UtcMs, f64)> {
        if self.0.is_empty() {
            return path.to_vec();
        }
        let within = |at: UtcMs| self.0.iter().any(|(from, to)| (*from..*to).contains(&at));
        path.iter().filter(|one| !within(one.0)).copied().collect()
    }
}

const ENDLESS: UtcMs = UtcMs(i64::MAX);

/// What a position read, and since when its concrete has had an age.
#[derive(Clone, Copy)]
pub struct Aged<'a> {
    pub readings: &'a [(UtcMs, f64)],
    pub zero_at: UtcMs,
}

/// The partings of each position: none where it has no age yet, or reads air all along.
#[must_use]
pub fn partings(paths: &[Option<Aged<'_>>], now: UtcMs) -> Vec<Partings> {
    let mut partings = vec![Partings::default(); paths.len()];
    let arrived = |zero_at: UtcMs| zero_at.plus_hours(ARRIVAL_H);
    let Some(first) = paths.iter().flatten().map(|one| arrived(one.zero_at)).min() else {
        return partings;
    };
    if paths.iter().flatten().count() <= OTHERS_MIN || now < first {
        return partings;
    }
    // Points stand still as time goes on, so that what was once found stays found.
    let step_ms = (STEP_H * MS_PER_H) as i64;
    let from = UtcMs(first.0.div_euclid(step_ms) * step_ms);
    let count = (now.hours_since(from) / STEP_H).round() as usize + 1;
    let means: Vec<Vec<Option<f64>>> = paths
        .iter()
        .map(|path| {
            let Some(Aged { readings, zero_at }) = path else {
                return vec![None; count];
            };
            let mut means = point_means(readings, from, count);
            let begin = (arrived(*zero_at).hours_since(from) / STEP_H).ceil() as usize;
            means.iter_mut().take(begin).for_each(|mean| *mean = None);
            means
        })
        .collect();
    let mut parted: Vec<Option<Parted>> = vec![None; paths.len()];
    let mut back = vec![0; paths.len()];
    let at = |point: usize| from.plus_hours(STEP_H * (point as f64 - 0.5));
    for point in 1..count {
        let steps = Changes::new(&means, &parted, (point - 1, point));
        for (index, out) in parted.iter_mut().enumerate() {
            let Some(out) = out else { continue };
            out.expected_c += steps.of_others(index).unwrap_or(0.0);
            let hours = (point - out.since) as f64 * STEP_H;
            let is_back = means[index][point].is_some_and(|value| {
                (value - out.expected_c).abs() < BACK_C + BACK_C_PER_H * hours
            });
            out.back_count = if is_back { out.back_count + 1 } else { 0 };
        }
        let was = parted.clone();
        for (before, parted_c, after_gap) in spans(&means, point) {
            let changes = Changes::new(&means, &was, (before, point));
            if changes.spread_c() <= parted_c {
                continue;
            }
            for (index, change_c) in &changes.sorted {
                let others_c = changes.of_others(*index);
                if parted[*index].is_none()
                    && before >= back[*index]
                    && after_gap.is_none_or(|only| only == *index)
                    && let (Some(others_c), Some(start_c)) = (others_c, means[*index][before])
                    && (change_c - others_c).abs() > parted_c
                {
                    parted[*index] = Some(Parted {
                        since: before + 1,
                        expected_c: start_c + others_c,
                        back_count: 0,
                    });
                }
            }
        }
        for (index, out) in parted.iter_mut().enumerate() {
            if let Some(since) =
                out.and_then(|one| (one.back_count == BACK_POINTS).then_some(one.since))
            {
                back[index] = point + 1 - BACK_POINTS;
                partings[index].0.push((at(since), at(back[index])));
                *out = None;
            }
        }
    }
    for (partings, out) in partings.iter_mut().zip(&parted) {
        partings.0.extend(out.map(|out| (at(out.since), ENDLESS)));
    }
    partings
}

/// The points that one is compared with, what may come in between, and for which position alone: where
/// nothing was read at one for longer, it is compared with its last point before.
fn spans(means: &[Vec<Option<f64>>], point: usize) -> Vec<(usize, f64, Option<usize>)> {
    let usual = PARTINGS
        .iter()
        .filter_map(|(over, parted_c)| Some((point.checked_sub(*over)?, *parted_c, None)));
    let [.., (longest, longest_c)] = PARTINGS;
    let after_gap = means.iter().enumerate().filter_map(|(index, own)| {
        own[point]?;
        let before = own[..point].iter().rposition(Option::is_some)?;
        let more_h = (point - before).checked_sub(longest + 1)? as f64 * STEP_H;
        Some((before, longest_c + UNREAD_C_PER_H * more_h, Some(index)))
    });
    usual.chain(after_gap).collect()
}

/// How far each position that has not parted changed from one point to another, in order of size.
struct Changes {
    sorted: Vec<(usize, f64)>,
}

impl Changes {
    fn new(
        means: &[Vec<Option<f64>>],
        parted: &[Option<Parted>],
        (from, to): (usize, usize),
    ) -> Self {
        let whole = means.iter().zip(parted).enumerate();
        let mut sorted: Vec<(usize, f64)> = whole
            .filter(|(_, (_, parted))| parted.is_none())
            .filter_map(|(index, (own, _))| Some((index, own[to]? - own[from]?)))
            .collect();
        sorted.sort_by(|a, b| a.1.total_cmp(&b.1));
        Self { sorted }
    }

    fn spread_c(&self) -> f64 {
        match (self.sorted.first(), self.sorted.last()) {
            (Some(least), Some(most)) => most.1 - least.1,
            _ => 0.0,
        }
    }

    /// The median change of the positions but one.
    fn of_others(&self, index: usize) -> Option<f64> {
        let others = || self.sorted.iter().filter(|one| one.0 != index);
        let count = others().count();
        if count < OTHERS_MIN {
            return None;
        }
        let below = others().nth((count - 1) / 2)?;
        let above = others().nth(count / 2)?;
        Some(f64::midpoint(below.1, above.1))
    }
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

    fn found<'a>(paths: &'a [Vec<(UtcMs, f64)>]) -> Vec<Partings> {
        let aged = |path: &'a Vec<(UtcMs, f64)>| {
            Some(Aged {
                readings: path,
                zero_at: UtcMs(0),
            })
        };
        let sources: Vec<_> = paths.iter().map(aged).collect();
        partings(&sources, UtcMs(720 * 60_000))
    }

    fn with_others(odd: impl Fn(i64) -> f64) -> [Vec<(UtcMs, f64)>; 4] {
        [night(|_| 0.0), night(|_| 1.0), night(|_| -1.0), night(odd)]
    }

    fn minutes(at: UtcMs) -> i64 {
        at.0 / 60_000
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
        let paths = with_others(loose);
        let found = found(&paths);
        assert!(found[..3].iter().all(|one| one.0.is_empty()), "{found:?}");
        let [(from, to)] = found[3].0[..] else {
            panic!("{found:?}");
        };
        assert!(
            (270..=305).contains(&minutes(from)) && (415..=430).contains(&minutes(to)),
            "{found:?}"
        );
        assert!(!found[3].is_parted());
        assert!(found[3].without(&paths[3]).iter().all(|one| one.1 > 19.0));
    }

    #[test]
    fn air_that_warms_through_the_concretes_temperature_is_not_back() {
        // It falls by 4 °C, is heated past the concrete at 12 °C/h more than that, and comes back.
        let loose = |minute: i64| match minute {
            300..600 => -4.0 + 0.2 * (minute - 360).max(0) as f64,
            _ => 0.0,
        };
        let paths = with_others(loose);
        let found = found(&paths);
        let [(from, to)] = found[3].0[..] else {
            panic!("{found:?}");
        };
        assert!(
            (280..=305).contains(&minutes(from)) && (595..=610).contains(&minutes(to)),
            "{found:?}"
        );
    }

    #[test]
    fn a_wire_that_came_loose_while_nothing_was_read_is_found_afterwards() {
        let mut paths = with_others(|minute| if minute > 360 { 15.0 } else { 0.0 });
        for path in &mut paths {
            path.retain(|one| !(300..450).contains(&minutes(one.0)));
        }
        let found = found(&paths);
        assert!(found[..3].iter().all(|one| one.0.is_empty()), "{found:?}");
        assert!(found[3].is_parted(), "{found:?}");
        let kept = found[3].without(&paths[3]);
        assert!(kept.iter().all(|one| minutes(one.0) < 300), "{kept:?}");
    }

    #[test]
    fn one_that_came_back_a_moment_ago_is_still_parted() {
        let loose = |minute: i64| {
            if (300..700).contains(&minute) {
                -12.0
            } else {
                0.0
            }
        };
        let found = found(&with_others(loose));
        assert!(found[3].is_parted(), "{found:?}");
    }

    #[test]
    fn a_stretch_that_slowly_cools_is_believed() {
        let found = found(&with_others(|minute| -0.1 * (minute - 300).max(0) as f64));
        assert!(found.iter().all(|one| one.0.is_empty()), "{found:?}");
    }

    #[test]
    fn what_befalls_all_at_once_parts_nobody() {
        let cold = |minute: i64| if minute > 300 { -12.0 } else { 0.0 };
        let paths = [night(cold), night(cold), night(cold), night(cold)];
        assert!(found(&paths).iter().all(|one| one.0.is_empty()));
    }

    #[test]
    fn with_one_other_position_nothing_is_left_out() {
        let loose = |minute: i64| if minute > 300 { -12.0 } else { 0.0 };
        let found = found(&[night(|_| 0.0), night(loose)]);
        assert!(found.iter().all(|one| one.0.is_empty()), "{found:?}");
    }
}
