//! Stretches in which a position's readings parted from the others' faster than concrete can change.
//!
//! A wire that came loose reads air or steam: within half an hour it goes where no concrete goes. What
//! it reads until it comes back is not its concrete's, and gives no maturity, then or later. A slow
//! parting is believed, for a stretch of bed that lost its tarp is truly cooler: unless it ends by a
//! jump back to where the others had gone meanwhile, or what is read flutters, as only air or steam does.

use std::borrow::Cow;

use crate::grid::{Grid, STEP_H};
use crate::time::{MS_PER_H, UtcMs};
use crate::trust::ARRIVAL_H;
use crate::trust::flutter::Flutter;

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
/// Flutter is looked for over so many points, after as many without.
const FLUTTER_POINTS: usize = 6;
/// So many others are needed to compare with.
const OTHERS_MIN: usize = 2;
/// One that reads air, or flutters, read its concrete before it parted if it was this near to the others, °C;
/// else it was air all along.
const BESIDE_C: f64 = 6.0;

/// A position that has parted, and where it may come back to.
#[derive(Clone)]
struct Parted {
    homes: Vec<Home>,
    /// What gave it away was that it flutters.
    flutters: bool,
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
        night: &Night,
        parted: &[Option<Self>],
        index: usize,
        (earliest, before, point): (usize, usize, usize),
        flutters: bool,
    ) -> Self {
        let per_h = (1.0 / STEP_H).round() as usize;
        let starts = (0..=LEFT_EARLIER_H).map_while(|hours| {
            before
                .checked_sub(hours * per_h)
                .filter(|start| *start >= earliest)
        });
        let own = &night.means[index];
        let led_c = |from: usize, to: usize| -> f64 {
            (from + 1..=to)
                .filter_map(|to| night.changes(parted, (to - 1, to)).of_others(index))
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
            flutters,
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
pub struct Partings {
    stretches: Vec<(UtcMs, UtcMs)>,
    /// In the last of them it fluttered.
    flutters: bool,
}

impl Partings {
    /// True where it has not come back.
    #[must_use]
    pub fn is_parted(&self) -> bool {
        self.parted_from().is_some()
    }

    /// Since when it has read air or steam by its flutter, where it has not come back.
    #[must_use]
    pub fn flutters_from(&self) -> Option<UtcMs> {
        self.parted_from().filter(|_| self.flutters)
    }

    fn parted_from(&self) -> Option<UtcMs> {
        let (from, to) = self.stretches.last()?;
        (*to == ENDLESS).then_some(*from)
    }

    /// The readings outside of them.
    #[must_use]
    pub fn without<'a>(&self, path: &'a [(UtcMs, f64)]) -> Cow<'a, [(UtcMs, f64)]> {
        if self.stretches.is_empty() {
            return Cow::Borrowed(path);
        }
        let within = |at: UtcMs| {
            let mut stretches = self.stretches.iter();
            stretches.any(|(from, to)| (*from..*to).contains(&at))
        };
        path.iter().filter(|one| !within(one.0)).copied().collect()
    }
}

const ENDLESS: UtcMs = UtcMs(i64::MAX);

/// What a position read, and since when its concrete has had an age.
#[derive(Clone, Copy)]
pub struct Aged<'a> {
    pub readings: &'a [(UtcMs, f64)],
    pub zero_at: UtcMs,
    /// It reads air now: it is no measure for the others.
    pub reads_air: bool,
}

/// What all positions read, at points ten minutes apart that stand still as time goes on, so that what was
/// once found stays found.
struct Night {
    grid: Grid,
    means: Vec<Vec<Option<f64>>>,
    flutters: Vec<Flutter>,
    is_measure: Vec<bool>,
}

impl Night {
    /// None where there are too few to compare with, or none has an age yet.
    fn of(paths: &[Option<Aged<'_>>], now: UtcMs) -> Option<Self> {
        let arrived = |zero_at: UtcMs| zero_at.plus_hours(ARRIVAL_H);
        let aged = || paths.iter().flatten();
        let first = aged().map(|one| arrived(one.zero_at)).min()?;
        if aged().count() <= OTHERS_MIN || now < first {
            return None;
        }
        let step_ms = (STEP_H * MS_PER_H) as i64;
        let from = UtcMs(first.0.div_euclid(step_ms) * step_ms);
        let count = (now.hours_since(from) / STEP_H).round() as usize + 1;
        let grid = Grid::new(from, count);
        let of_concrete = |one: &Aged<'_>| {
            let begin = (arrived(one.zero_at).hours_since(from) / STEP_H).ceil() as usize;
            let mut means = grid.means(one.readings);
            means.iter_mut().take(begin).for_each(|mean| *mean = None);
            (means, Flutter::new(one.readings, grid, begin))
        };
        let none = || (vec![None; count], Flutter::default());
        let (means, flutters) = paths
            .iter()
            .map(|path| path.as_ref().map_or_else(none, of_concrete))
            .unzip();
        let is_measure = |path: &Option<Aged<'_>>| path.is_some_and(|one| !one.reads_air);
        Some(Self {
            grid,
            means,
            flutters,
            is_measure: paths.iter().map(is_measure).collect(),
        })
    }

    /// How far those that have not parted changed from one point to another.
    fn changes(&self, parted: &[Option<Parted>], (from, to): (usize, usize)) -> Sorted<'_> {
        self.sorted(parted, |own| Some(own[to]? - own[from]?))
    }

    /// A figure of each that has not parted, in order of size.
    fn sorted(
        &self,
        parted: &[Option<Parted>],
        figure: impl Fn(&[Option<f64>]) -> Option<f64>,
    ) -> Sorted<'_> {
        let mut figures: Vec<(usize, f64)> = (0..self.means.len())
            .filter(|index| parted[*index].is_none())
            .filter_map(|index| Some((index, figure(&self.means[index])?)))
            .collect();
        figures.sort_by(|a, b| a.1.total_cmp(&b.1));
        Sorted {
            figures,
            is_measure: &self.is_measure,
        }
    }

    /// Whether a position read its concrete at a point, going by the others.
    fn is_beside(&self, parted: &[Option<Parted>], index: usize, point: usize) -> bool {
        let temperatures = self.sorted(parted, |own| own[point]);
        let own_c = self.means[index][point];
        let others_c = temperatures.of_others(index);
        own_c
            .zip(others_c)
            .is_some_and(|(own_c, others_c)| (own_c - others_c).abs() < BESIDE_C)
    }

    /// Whether a position has fluttered of late, beside a smooth other.
    fn flutters(&self, parted: &[Option<Parted>], index: usize, point: usize) -> bool {
        let Some(from) = (point + 1).checked_sub(FLUTTER_POINTS) else {
            return false;
        };
        let is_smooth = |other: usize| {
            other != index
                && self.is_measure[other]
                && parted[other].is_none()
                && self.flutters[other].is_smooth(from..point + 1)
        };
        self.flutters[index].is_rough(from..point + 1) && (0..self.means.len()).any(is_smooth)
    }

    /// The last point before a position that flutters as of now began to, where it read its concrete then.
    fn before_flutter(
        &self,
        parted: &[Option<Parted>],
        index: usize,
        (earliest, point): (usize, usize),
    ) -> Option<usize> {
        let began = (point + 1).checked_sub(FLUTTER_POINTS)?;
        let was_calm = self.flutters[index].is_calm(began.checked_sub(1)?..point);
        let is_read = |at: &usize| self.means[index][*at].is_some();
        let before = (earliest..began).rev().find(is_read)?;
        (was_calm && self.is_beside(parted, index, before)).then_some(before)
    }
}

/// The partings of each position: none where it has no age yet, or reads air all along.
#[must_use]
pub fn partings(paths: &[Option<Aged<'_>>], now: UtcMs) -> Vec<Partings> {
    let Some(night) = Night::of(paths, now) else {
        return vec![Partings::default(); paths.len()];
    };
    let mut watch = Watch {
        night: &night,
        parted: vec![None; paths.len()],
        back: vec![0; paths.len()],
        found: vec![Partings::default(); paths.len()],
    };
    for point in 1..night.grid.count {
        watch.lead_home(point);
        let was = watch.parted.clone();
        watch.see_jumps(&was, point);
        watch.see_flutter(&was, point);
        watch.see_returns(&was, point);
    }
    watch.end()
}

/// The night seen up to one point.
struct Watch<'a> {
    night: &'a Night,
    parted: Vec<Option<Parted>>,
    /// The point from which on each has been back.
    back: Vec<usize>,
    found: Vec<Partings>,
}

impl Watch<'_> {
    /// The homes of those that are away go with the others.
    fn lead_home(&mut self, point: usize) {
        let steps = self.night.changes(&self.parted, (point - 1, point));
        for (index, out) in self.parted.iter_mut().enumerate() {
            let others_c = steps.of_others(index).unwrap_or(0.0);
            for home in out.iter_mut().flat_map(|out| &mut out.homes) {
                home.advance(point, others_c, self.night.means[index][point]);
            }
        }
    }

    fn see_jumps(&mut self, was: &[Option<Parted>], point: usize) {
        let night = self.night;
        for (before, parted_c, after_gap) in spans(&night.means, point) {
            let changes = night.changes(was, (before, point));
            if changes.spread_c() <= parted_c {
                continue;
            }
            for (index, change_c) in &changes.figures {
                if self.parted[*index].is_none()
                    && before >= self.back[*index]
                    && after_gap.is_none_or(|only| only == *index)
                    && let Some(others_c) = changes.of_others(*index)
                    && (change_c - others_c).abs() > parted_c
                    && (night.is_measure[*index] || night.is_beside(was, *index, before))
                {
                    let points = (self.back[*index], before, point);
                    self.parted[*index] = Some(Parted::new(night, was, *index, points, false));
                }
            }
        }
    }

    fn see_flutter(&mut self, was: &[Option<Parted>], point: usize) {
        let night = self.night;
        for (index, out) in self.parted.iter_mut().enumerate() {
            if !night.flutters(was, index, point) {
                continue;
            }
            if let Some(out) = out {
                out.flutters = true;
            } else if let Some(before) = night.before_flutter(was, index, (self.back[index], point))
            {
                let points = (self.back[index], before, point);
                *out = Some(Parted::new(night, was, index, points, true));
            }
        }
    }

    /// None is back while it flutters: air swings through the concrete's temperature.
    fn see_returns(&mut self, was: &[Option<Parted>], point: usize) {
        for (index, out) in self.parted.iter_mut().enumerate() {
            let Some(since) = out.as_ref().and_then(Parted::back_since) else {
                continue;
            };
            if !self.night.flutters(was, index, point) {
                // In the first point it was back for it may still have been away.
                self.back[index] = point + 2 - BACK_POINTS;
                let stretch = (
                    self.night.grid.begin_of(since),
                    self.night.grid.begin_of(self.back[index]),
                );
                self.found[index].stretches.push(stretch);
                *out = None;
            }
        }
    }

    fn end(mut self) -> Vec<Partings> {
        for (index, out) in self.parted.iter().enumerate() {
            if let Some(out) = out {
                let stretch = (self.night.grid.begin_of(out.left_at()), ENDLESS);
                self.found[index].stretches.push(stretch);
                self.found[index].flutters = out.flutters;
            }
        }
        self.found
    }
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

/// Figures of the positions that have not parted, in order of size.
struct Sorted<'a> {
    figures: Vec<(usize, f64)>,
    is_measure: &'a [bool],
}

impl Sorted<'_> {
    fn spread_c(&self) -> f64 {
        match (self.figures.first(), self.figures.last()) {
            (Some(least), Some(most)) => most.1 - least.1,
            _ => 0.0,
        }
    }

    /// The median of the positions but one; those that read air have no say.
    fn of_others(&self, index: usize) -> Option<f64> {
        let others = || {
            let is_other = |one: &&(usize, f64)| one.0 != index && self.is_measure[one.0];
            self.figures.iter().filter(is_other)
        };
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
mod tests;
