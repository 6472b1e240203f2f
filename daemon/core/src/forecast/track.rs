//! What readings say so far: means on a grid, the trend, and the maturity gained up to each moment.

use crate::forecast::STEP_H;
use crate::time::{MS_PER_H, UtcMs};

/// The temperatures that a rate is tabulated for, °C.
const TABLE_FROM_C: f64 = -40.0;
const TABLE_TO_C: f64 = 130.0;
const TABLE_STEP_C: f64 = 0.25;
/// The trend is taken over this long, h …
const TREND_H: f64 = 1.0;
/// … and needs means over this many steps of it.
const TREND_COUNT_MIN: usize = 4;

/// A rate that depends on temperature, tabulated: linear between nodes is good to 1e-4 relative.
pub(super) struct RateTable(Vec<f64>);

impl RateTable {
    pub(super) fn new(rate: impl Fn(f64) -> f64) -> Self {
        let count = ((TABLE_TO_C - TABLE_FROM_C) / TABLE_STEP_C) as usize + 1;
        Self(
            (0..count)
                .map(|index| rate(TABLE_FROM_C + index as f64 * TABLE_STEP_C))
                .collect(),
        )
    }

    /// The rate per hour; held at the table's ends.
    pub(super) fn at(&self, temperature_c: f64) -> f64 {
        let last = (self.0.len() - 1) as f64;
        let place = ((temperature_c - TABLE_FROM_C) / TABLE_STEP_C).clamp(0.0, last);
        let cell = (place as usize).min(self.0.len() - 2);
        self.0[cell] + (self.0[cell + 1] - self.0[cell]) * (place - cell as f64)
    }
}

/// Maturity gained up to each reading, ending now.
pub(super) struct PastMaturity {
    /// Hours from now (none positive), maturity.
    points: Vec<(f64, f64)>,
}

impl PastMaturity {
    /// Integrates the readings from time zero, and scales the sum to the maturity that is known
    /// now, which treats gaps with more care.
    pub(super) fn new(
        readings: &[(UtcMs, f64)],
        zero_at: UtcMs,
        maturity: f64,
        rate: &RateTable,
        now: UtcMs,
    ) -> Self {
        let known: Vec<_> = readings
            .iter()
            .filter(|one| one.0 > zero_at && one.0 <= now)
            .copied()
            .collect();
        let mut points = vec![(zero_at.hours_since(now), 0.0)];
        let mut previous_c = known.first().map_or(20.0, |first| first.1);
        let mut sum = 0.0;
        for (at, value) in known.iter().copied().chain([(now, f64::NAN)]) {
            // The last point has no reading of its own and holds the one before.
            let value = if value.is_nan() { previous_c } else { value };
            let hours = at.hours_since(now);
            let before = points.last().map_or(hours, |last| last.0);
            sum += 0.5 * (rate.at(previous_c) + rate.at(value)) * (hours - before);
            points.push((hours, sum));
            previous_c = value;
        }
        let scale = if sum > 0.0 { maturity / sum } else { 0.0 };
        points.iter_mut().for_each(|point| point.1 *= scale);
        Self { points }
    }

    /// Hours from now at which a maturity was reached; `None` where it was not.
    pub(super) fn reached_h(&self, maturity: f64) -> Option<f64> {
        let index = self.points.partition_point(|point| point.1 < maturity);
        let after = self.points.get(index)?;
        let Some(before) = index.checked_sub(1).map(|index| self.points[index]) else {
            return Some(after.0);
        };
        Some(before.0 + (after.0 - before.0) * (maturity - before.1) / (after.1 - before.1))
    }

    /// The maturity at some hours from now; zero before time zero.
    pub(super) fn at(&self, hours: f64) -> f64 {
        let index = self.points.partition_point(|point| point.0 <= hours);
        let Some(before) = index.checked_sub(1).map(|index| self.points[index]) else {
            return 0.0;
        };
        let Some(after) = self.points.get(index) else {
            return before.1;
        };
        before.1 + (after.1 - before.1) * (hours - before.0) / (after.0 - before.0)
    }
}

/// Means of the readings in each step of a grid that starts at `from`.
pub(super) fn step_means(readings: &[(UtcMs, f64)], from: UtcMs, count: usize) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0u32); count];
    let start = readings.partition_point(|one| one.0 < from);
    for (at, value) in &readings[start..] {
        let step = (at.hours_since(from) / STEP_H) as usize;
        if let Some(sum) = sums.get_mut(step) {
            *sum = (sum.0 + value, sum.1 + 1);
        }
    }
    sums.into_iter()
        .map(|(sum, n)| (n > 0).then(|| sum / f64::from(n)))
        .collect()
}

/// The means with what is missing put in: a straight line between neighbours, held at the ends.
pub(super) fn filled(means: &[Option<f64>]) -> Option<Vec<f64>> {
    let known: Vec<(usize, f64)> = means
        .iter()
        .enumerate()
        .filter_map(|(index, mean)| mean.map(|value| (index, value)))
        .collect();
    let first = *known.first()?;
    let mut values = vec![first.1; means.len()];
    for pair in known.windows(2) {
        let [(from, from_c), (to, to_c)] = [pair[0], pair[1]];
        for (index, value) in values.iter_mut().enumerate().take(to + 1).skip(from) {
            *value = from_c + (to_c - from_c) * (index - from) as f64 / (to - from) as f64;
        }
    }
    let last = *known.last()?;
    values[last.0..].fill(last.1);
    Some(values)
}

/// The median of all slopes between the step means of the last hour, °C/h.
///
/// A median, because one bad reading must not bend the night.
pub(super) fn trend_c_per_h(readings: &[(UtcMs, f64)], now: UtcMs) -> Option<f64> {
    let count = (TREND_H / STEP_H).round() as usize;
    let from = now.plus_hours(-STEP_H * count as f64);
    let means = step_means(readings, from, count);
    let known: Vec<(usize, f64)> = means
        .iter()
        .enumerate()
        .filter_map(|(index, mean)| Some((index, (*mean)?)))
        .collect();
    if known.len() < TREND_COUNT_MIN {
        return None;
    }
    let mut slopes = Vec::new();
    for (index, early) in known.iter().enumerate() {
        for late in &known[index + 1..] {
            slopes.push((late.1 - early.1) / ((late.0 - early.0) as f64 * STEP_H));
        }
    }
    slopes.sort_by(f64::total_cmp);
    Some(slopes[slopes.len() / 2])
}

/// Mean and mean time (hours from now) of the readings between two times; `None` without any.
pub(super) fn mean_between(
    readings: &[(UtcMs, f64)],
    from: UtcMs,
    to: UtcMs,
) -> Option<(f64, f64)> {
    let start = readings.partition_point(|one| one.0 < from);
    let end = readings.partition_point(|one| one.0 <= to);
    let within = readings
        .get(start..end)
        .filter(|within| !within.is_empty())?;
    let count = within.len() as f64;
    let mean_c = within.iter().map(|one| one.1).sum::<f64>() / count;
    let before_ms = within
        .iter()
        .map(|one| (to.0 - one.0.0) as f64)
        .sum::<f64>()
        / count;
    Some((mean_c, -before_ms / MS_PER_H))
}

/// The temperature now: the mean of the last ten minutes read, carried on by the trend.
pub(super) fn temperature_now_c(readings: &[(UtcMs, f64)], trend: f64, now: UtcMs) -> Option<f64> {
    let last_at = readings.last()?.0;
    let (mean_c, before_h) = mean_between(readings, last_at.plus_hours(-STEP_H), last_at)?;
    // A trend is trusted for an hour at most.
    let ahead_h = (now.hours_since(last_at) - before_h).clamp(0.0, 1.0);
    Some(mean_c + trend * ahead_h)
}
