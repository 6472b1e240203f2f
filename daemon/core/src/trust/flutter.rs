//! Flutter: concrete is smooth, so what is read of it lies near the line between its neighbours; air under
//! a thermostat, and steam, do not.

use std::ops::Range;

use crate::grid::Grid;
use crate::time::UtcMs;
use crate::trust::{FLUTTER_C, FLUTTER_COUNT_MIN, FLUTTER_RATIO, NEIGHBOURS_MS};

/// How far the middle of three readings is from the line between the others, °C; `None` where these are too
/// far apart to tell.
pub(super) fn off_line_c(three: &[(UtcMs, f64)]) -> Option<f64> {
    let [before, middle, after] = three else {
        return None;
    };
    let span_ms = after.0.0 - before.0.0;
    if span_ms > NEIGHBOURS_MS {
        return None;
    }
    let share = (middle.0.0 - before.0.0) as f64 / span_ms as f64;
    let between_c = before.1 + (after.1 - before.1) * share;
    Some((middle.1 - between_c).abs())
}

/// How many readings of a position are off their neighbours' line, point by point.
#[derive(Debug, Clone, Default)]
pub(super) struct Flutter {
    /// Sums up to each point.
    sums: Vec<Counts>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    all: usize,
    /// So far off as only air or steam is.
    rough: usize,
    /// Further off than a smooth neighbour of such a one may be.
    uneven: usize,
}

impl Flutter {
    /// Of the readings from a point on.
    pub(super) fn new(readings: &[(UtcMs, f64)], grid: Grid, begin: usize) -> Self {
        let mut counts = vec![Counts::default(); grid.count];
        for three in grid.readings(readings).windows(3) {
            if let Some(off_c) = off_line_c(three)
                && let Some(count) = counts.get_mut(grid.nearest(three[1].0))
            {
                count.all += 1;
                count.rough += usize::from(off_c >= FLUTTER_C);
                count.uneven += usize::from(off_c >= FLUTTER_C / FLUTTER_RATIO);
            }
        }
        counts[..begin.min(grid.count)].fill(Counts::default());
        let mut sum = Counts::default();
        let sums = counts.into_iter().map(|one| {
            sum = Counts {
                all: sum.all + one.all,
                rough: sum.rough + one.rough,
                uneven: sum.uneven + one.uneven,
            };
            sum
        });
        Self {
            sums: std::iter::once(Counts::default()).chain(sums).collect(),
        }
    }

    /// Half of what was read at these points is as rough as air; false where too little was.
    pub(super) fn is_rough(&self, points: Range<usize>) -> bool {
        let counts = self.over(points);
        counts.is_enough() && 2 * counts.rough >= counts.all
    }

    /// The opposite; false where too little was read as well.
    pub(super) fn is_calm(&self, points: Range<usize>) -> bool {
        let counts = self.over(points);
        counts.is_enough() && 2 * counts.rough < counts.all
    }

    /// So even that roughness beside it is not the logger's.
    pub(super) fn is_smooth(&self, points: Range<usize>) -> bool {
        let counts = self.over(points);
        counts.is_enough() && 2 * counts.uneven < counts.all
    }

    fn over(&self, points: Range<usize>) -> Counts {
        let sum = |point: usize| self.sums.get(point).copied().unwrap_or_default();
        let (from, to) = (sum(points.start), sum(points.end));
        Counts {
            all: to.all.saturating_sub(from.all),
            rough: to.rough.saturating_sub(from.rough),
            uneven: to.uneven.saturating_sub(from.uneven),
        }
    }
}

impl Counts {
    fn is_enough(self) -> bool {
        self.all >= FLUTTER_COUNT_MIN
    }
}
