//! Points ten minutes apart, and what was read around each.

use crate::time::UtcMs;

/// From one point to the next, h.
pub(crate) const STEP_H: f64 = 1.0 / 6.0;

/// Points from a first one on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grid {
    pub(crate) from: UtcMs,
    pub(crate) count: usize,
}

impl Grid {
    /// The time of a point.
    pub(crate) fn at(&self, point: usize) -> UtcMs {
        self.from.plus_hours(STEP_H * point as f64)
    }

    /// Where the readings nearest to a point begin.
    pub(crate) fn begin_of(&self, point: usize) -> UtcMs {
        self.from.plus_hours(STEP_H * (point as f64 - 0.5))
    }

    /// The point that a time is nearest to, where it is one of these.
    pub(crate) fn nearest(&self, at: UtcMs) -> Option<usize> {
        let steps = at.hours_since(self.begin_of(0)) / STEP_H;
        let point = steps.floor();
        (point >= 0.0 && point < self.count as f64).then_some(point as usize)
    }

    /// The readings from where the first point's begin.
    pub(crate) fn readings<'a>(&self, readings: &'a [(UtcMs, f64)]) -> &'a [(UtcMs, f64)] {
        let begin = self.begin_of(0);
        &readings[readings.partition_point(|one| one.0 < begin)..]
    }

    /// Means of the readings within half a step of each point.
    pub(crate) fn means(&self, readings: &[(UtcMs, f64)]) -> Vec<Option<f64>> {
        let mut sums = vec![(0.0, 0u32); self.count];
        for (at, value) in self.readings(readings) {
            if let Some(sum) = self.nearest(*at).and_then(|point| sums.get_mut(point)) {
                *sum = (sum.0 + value, sum.1 + 1);
            }
        }
        sums.into_iter()
            .map(|(sum, n)| (n > 0).then(|| sum / f64::from(n)))
            .collect()
    }
}
