//! Points ten minutes apart, and what was read around each.

use crate::time::{MS_PER_H, UtcMs};

/// From one point to the next, h.
pub(crate) const STEP_H: f64 = 1.0 / 6.0;
const STEPS_PER_MS: f64 = 1.0 / (STEP_H * MS_PER_H);

/// Points from a first one on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grid {
    pub(crate) from: UtcMs,
    pub(crate) count: usize,
    /// Half a step before the first.
    begin: UtcMs,
}

impl Grid {
    pub(crate) fn new(from: UtcMs, count: usize) -> Self {
        Self {
            from,
            count,
            begin: from.plus_hours(-0.5 * STEP_H),
        }
    }

    /// The time of a point.
    pub(crate) fn at(&self, point: usize) -> UtcMs {
        self.from.plus_hours(STEP_H * point as f64)
    }

    /// Where the readings nearest to a point begin.
    pub(crate) fn begin_of(&self, point: usize) -> UtcMs {
        self.from.plus_hours(STEP_H * (point as f64 - 0.5))
    }

    /// The point that a time is nearest to; the first one for a time before it.
    #[inline]
    pub(crate) fn nearest(&self, at: UtcMs) -> usize {
        ((at.0 - self.begin.0) as f64 * STEPS_PER_MS) as usize
    }

    /// The readings from where the first point's begin.
    pub(crate) fn readings<'a>(&self, readings: &'a [(UtcMs, f64)]) -> &'a [(UtcMs, f64)] {
        &readings[readings.partition_point(|one| one.0 < self.begin)..]
    }

    /// Means of the readings within half a step of each point.
    pub(crate) fn means(&self, readings: &[(UtcMs, f64)]) -> Vec<Option<f64>> {
        let mut sums = vec![(0.0, 0u32); self.count];
        for (at, value) in self.readings(readings) {
            if let Some(sum) = sums.get_mut(self.nearest(*at)) {
                *sum = (sum.0 + value, sum.1 + 1);
            }
        }
        sums.into_iter()
            .map(|(sum, n)| (n > 0).then(|| sum / f64::from(n)))
            .collect()
    }
}
