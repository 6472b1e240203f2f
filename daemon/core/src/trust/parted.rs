//! Stretches in which a position's readings parted from the others' faster than concrete can change.
//!
//! A wire that came loose reads air or steam: within half an hour it goes where no concrete goes. What
//! it reads until it comes back is not its concrete's, and gives no maturity, then or later. A slow
//! parting is believed, for a stretch of bed that lost its tarp is truly cooler: unless it ends by a
//! jump back to where the others had gone meanwhile.

use std::borrow::Cow;

use crate::grid::{Grid, STEP_H};
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
/// It may have left slowly before it jumped: it may come back to where it was so many hours earlier, too.
const LEFT_EARLIER_H: usize = 5;
/// So many others are needed to compare with.
const OTHERS_MIN: usize = 2;

/// A position that has parted, and where it may come back to.
#[derive(Clone)]
struct Parted {
    homes: Vec<Home>,
}

/// Where a position would be now, had it gone with the others since before a point.
#[derive(Clone, Copy)]
struct Home {
    since: usize,
    expected_c: f64,
    /// How far off it is, where it is read.
    off_c: Option<f64>,
    /// How many points it has been back for.
    back_count: usize,
}

impl Home {
    fn new(since: usize, expected_c: f64) -> Self {
        Self {
            since,
            expected_c,
            off_c: None,
            back_count: 0,
        }
    }

    /// One point on.
    fn advance(&mut self, point: usize, others_c: f64, read_c: Option<f64>) {
        self.expected_c += others_c;
        self.off_c = read_c.map(|read_c| (read_c - self.expected_c).abs());
        let is_back = self.off_c.is_some_and(|off_c| off_c < self.near_c(point));
        self.back_count = if is_back { self.back_count + 1 } else { 0 };
    }

    /// How near counts as back.
    fn near_c(&self, point: usize) -> f64 {
        let hours = (point + 1 - self.since) as f64 * STEP_H;
        BACK_C + BACK_C_PER_H * hours
    }
}

impl Parted {
    /// From the change to `point` on; it may have left by then, or some hours before.
    fn new(
        means: &[Vec<Option<f64>>],
        parted: &[Option<Self>],
        index: usize,
        (earliest, before, point): (usize, usize, usize),
    ) -> Self {
        let per_h = (1.0 / STEP_H).round() as usize;
        let starts = (0..=LEFT_EARLIER_H).map_while(|hours| {
            before
                .checked_sub(hours * per_h)
                .filter(|start| *start >= earliest)
        });
        let own = &means[index];
        let led_c = |from: usize, to: usize| -> f64 {
            (from + 1..=to)
                .filter_map(|to| Changes::new(means, parted, (to - 1, to)).of_others(index))
                .sum()
        };
        let homes = starts.filter_map(|start| {
            let home = Home::new(start + 1, own[start]? + led_c(start, point));
            // One that left slowly was away before it jumped, and is nearer home after it.
            let was_off_c = (own[before]? - own[start]? - led_c(start, before)).abs();
            let is_off_c = (own[point]? - home.expected_c).abs();
            let left_slowly = was_off_c > home.near_c(before) && is_off_c < 0.5 * was_off_c;
            (start == before || left_slowly).then_some(home)
        });
        Self {
            homes: homes.collect(),
        }
    }

    /// Since which point it was away, where it is back: by the jump itself, else by the nearest home.
    fn back_since(&self) -> Option<usize> {
        let is_back = |home: &&Home| home.back_count >= BACK_POINTS;
        let off_c = |home: &&Home| home.off_c.unwrap_or(f64::INFINITY);
        let nearest = || {
            let back = self.homes.iter().filter(is_back);
            back.min_by(|a, b| off_c(a).total_cmp(&off_c(b)))
        };
        let by_jump = self.homes.first().filter(is_back);
        by_jump.or_else(nearest).map(|home| home.since)
    }

    fn left_at(&self) -> usize {
        self.homes.first().map_or(0, |home| home.since)
    }
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
    pub fn without<'a>(&self, path: &'a [(UtcMs, f64)]) -> Cow<'a, [(UtcMs, f64)]> {
        if self.0.is_empty() {
            return Cow::Borrowed(path);
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
            let mut means = Grid { from, count }.means(readings);
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
            let others_c = steps.of_others(index).unwrap_or(0.0);
            for home in out.iter_mut().flat_map(|out| &mut out.homes) {
                home.advance(point, others_c, means[index][point]);
            }
        }
        let was = parted.clone();
        for (before, parted_c, after_gap) in spans(&means, point) {
            let changes = Changes::new(&means, &was, (before, point));
            if changes.spread_c() <= parted_c {
                continue;
            }
            for (index, change_c) in &changes.sorted {
                if parted[*index].is_none()
                    && before >= back[*index]
                    && after_gap.is_none_or(|only| only == *index)
                    && let Some(others_c) = changes.of_others(*index)
                    && (change_c - others_c).abs() > parted_c
                {
                    let points = (back[*index], before, point);
                    parted[*index] = Some(Parted::new(&means, &was, *index, points));
                }
            }
        }
        for (index, out) in parted.iter_mut().enumerate() {
            if let Some(since) = out.as_ref().and_then(Parted::back_since) {
                // In the first point it was back for it may still have been away.
                back[index] = point + 2 - BACK_POINTS;
                partings[index].0.push((at(since), at(back[index])));
                *out = None;
            }
        }
    }
    for (partings, out) in partings.iter_mut().zip(&parted) {
        let left_at = out.as_ref().map(Parted::left_at);
        partings.0.extend(left_at.map(|since| (at(since), ENDLESS)));
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
        read_every(5, shift)
    }

    /// Twelve hours that warm by 1.8 °C/h.
    fn read_every(step: usize, shift: impl Fn(i64) -> f64) -> Vec<(UtcMs, f64)> {
        (0..720)
            .step_by(step)
            .map(|minute| {
                let celsius = 20.0 + 0.03 * minute as f64 + shift(minute);
                (UtcMs(minute * 60_000), celsius)
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
            (270..=305).contains(&minutes(from)) && (415..=440).contains(&minutes(to)),
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
            (280..=305).contains(&minutes(from)) && (595..=620).contains(&minutes(to)),
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
    fn nothing_that_was_read_beside_the_concrete_is_kept_at_the_edges() {
        // Steam until three minutes into a point that is concrete for the rest of it.
        let steam_c = |minute: i64| {
            if (303..488).contains(&minute) {
                12.0
            } else {
                0.0
            }
        };
        let paths = [
            read_every(1, |_| 1.0),
            read_every(1, |_| -1.0),
            read_every(1, steam_c),
        ];
        let found = found(&paths);
        assert!(!found[2].is_parted(), "{found:?}");
        let kept = found[2].without(&paths[2]);
        let is_steam = |one: &(UtcMs, f64)| steam_c(minutes(one.0)) > 0.0;
        assert!(kept.len() > 450 && !kept.iter().any(is_steam), "{found:?}");
    }

    #[test]
    fn one_that_left_slowly_and_jumped_back_was_away_all_the_while() {
        // It falls behind by 4 °C/h, as under a lost tarp, and then is where the others led.
        let slow = |minute: i64| match minute {
            300..480 => -4.0 * (minute - 300) as f64 / 60.0,
            _ => 0.0,
        };
        let paths = with_others(slow);
        let found = found(&paths);
        let [(from, to)] = found[3].0[..] else {
            panic!("{found:?}");
        };
        assert!(
            minutes(from) <= 360 && (475..=500).contains(&minutes(to)),
            "{found:?}"
        );
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
