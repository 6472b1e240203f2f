//! The maturity of one position up to now, with its gaps bridged by the heat balance.

use crate::forecast::future::Rates;
use crate::forecast::past::{GAP_H, Path};
use crate::forecast::table::OneRate;
use crate::time::UtcMs;

/// Maturity gained up to each reading, ending now.
pub(super) struct PastMaturity {
    /// Hours from now (none positive), maturity.
    points: Vec<(f64, f64)>,
    /// How the sum answers to the activation energy, per J/mol.
    answer: f64,
}

impl PastMaturity {
    /// Integrates the temperatures from time zero to now; the first and last are held.
    pub(super) fn new(path: &Path, zero_at: UtcMs, rates: &Rates, now: UtcMs) -> Self {
        let begin = path.partition_point(|one| one.0 <= zero_at);
        let held = |index: usize| path.get(index).map(|one| one.1);
        let mut previous_c = begin
            .checked_sub(1)
            .and_then(held)
            .or(held(begin))
            .unwrap_or(20.0);
        let mut points = vec![(zero_at.hours_since(now), 0.0)];
        let (mut sum, mut answer, mut before) = (0.0, 0.0, points[0].0);
        let known = path[begin..].iter().take_while(|one| one.0 <= now);
        let known = known.map(|one| (one.0.hours_since(now), Some(one.1)));
        for (hours, value) in known.chain([(0.0, None)]) {
            let value = value.unwrap_or(previous_c);
            let span = hours - before;
            let ((rate, answers), (next_rate, next_answers)) =
                (rates.at(previous_c), rates.at(value));
            sum += 0.5 * (rate + next_rate) * span;
            answer += 0.5 * (answers + next_answers) * span;
            (before, previous_c) = (hours, value);
            points.push((hours, sum));
        }
        Self { points, answer }
    }

    /// The same sum of another rate, at now.
    pub(super) fn age_h(path: &Path, zero_at: UtcMs, ripening: &OneRate, now: UtcMs) -> f64 {
        let held = path.first().map_or(20.0, |first| first.1);
        let speed = |celsius: f64| {
            let [speed] = ripening.at(celsius);
            speed
        };
        let (mut sum, mut before) = (0.0, (zero_at, held));
        for one in path.iter().filter(|one| one.0 > zero_at && one.0 <= now) {
            sum += 0.5 * (speed(before.1) + speed(one.1)) * one.0.hours_since(before.0);
            before = *one;
        }
        sum + speed(before.1) * now.hours_since(before.0).max(0.0)
    }

    pub(super) fn now(&self) -> f64 {
        self.points.last().map_or(0.0, |last| last.1)
    }

    pub(super) const fn answer(&self) -> f64 {
        self.answer
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

/// The readings with the model's temperatures put into what lies further apart than a gap.
///
/// The model's are moved by what it was off at the gap's edges.
pub(super) fn bridged(
    readings: &Path,
    model: &[(UtcMs, f64)],
    (from, to): (UtcMs, UtcMs),
) -> Vec<(UtcMs, f64)> {
    let mut path = Vec::with_capacity(readings.len() + 16);
    let model_at = |at: UtcMs| {
        let index = model.partition_point(|one| one.0 <= at);
        let before = index.checked_sub(1).and_then(|index| model.get(index));
        match (before, model.get(index)) {
            (Some(a), Some(b)) => {
                let share = at.hours_since(a.0) / b.0.hours_since(a.0);
                Some(a.1 + (b.1 - a.1) * share)
            }
            (one, other) => one.or(other).map(|one| one.1),
        }
    };
    let off_c =
        |reading: Option<&(UtcMs, f64)>| reading.and_then(|one| Some(one.1 - model_at(one.0)?));
    let fill = |path: &mut Vec<(UtcMs, f64)>,
                before: Option<&(UtcMs, f64)>,
                after: Option<&(UtcMs, f64)>| {
        let start = before.map_or(from, |one| one.0);
        let end = after.map_or(to, |one| one.0);
        let span_h = end.hours_since(start);
        if span_h <= GAP_H {
            return;
        }
        let (start_off, end_off) = (off_c(before), off_c(after));
        for (at, value) in model.iter().filter(|one| one.0 > start && one.0 < end) {
            let share = at.hours_since(start) / span_h;
            let off = match (start_off, end_off) {
                (Some(a), Some(b)) => a + (b - a) * share,
                (Some(a), None) => a,
                (None, Some(b)) => b,
                (None, None) => 0.0,
            };
            path.push((*at, value + off));
        }
    };
    let within = readings.iter().filter(|one| one.0 <= to);
    let mut before = None;
    for reading in within {
        if before.is_some() || reading.0 > from {
            fill(&mut path, before, Some(reading));
        }
        path.push(*reading);
        before = Some(reading);
    }
    fill(&mut path, before, None);
    path
}
