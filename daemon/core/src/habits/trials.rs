//! How far the forecast itself has been off on finished pours, and what that corrects.
//!
//! A pour that is learned from is asked again, as it stood some hours before its slowest position
//! reached the curve's maturity. What the forecast was off then, shrunk, moves later forecasts of the
//! bed; how often its interval held widens or narrows them.

use crate::habits::PourSummary;
use crate::habits::pool::{Pooled, pooled};
use crate::statistics::quantile;

/// Finished pours are asked again so long before their curve's time, h; the nearest first.
pub const AHEAD_H: [f64; NODE_COUNT] = [1.0, 2.0, 4.0, 6.0];
pub(crate) const NODE_COUNT: usize = 4;
/// What the forecast may be off before anything is learned, relative to the time ahead.
const OFF_SHARE: f64 = 0.06;
/// So many trials weigh as much as the belief that the interval is right.
const SCALE_SHRINK: f64 = 12.0;
/// Near the end a trial cannot see what the sensors are off, so it never narrows the interval there.
const SCALE_MIN: [f64; NODE_COUNT] = [1.0, 1.0, 0.7, 0.55];
const SCALE_MAX: f64 = 2.5;
const COVER: f64 = 0.8;
/// A correction further out than the trials grows no more than by this.
const BEYOND: f64 = 1.5;
/// A correction takes away at most this share of the time ahead.
const OFF_SHARE_MAX: f64 = 0.3;

/// One question asked again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// True less forecast, h.
    pub error_h: f64,
    /// From early to likely and from likely to late, h.
    pub before_h: f64,
    pub after_h: f64,
}

/// What trials correct: at each of [`AHEAD_H`], by how much and how much wider.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Correction {
    off_h: [Pooled; NODE_COUNT],
    scale: [f64; NODE_COUNT],
}

impl Correction {
    /// From all summaries, then those of the mix, then those of the bed.
    pub(crate) fn of(
        all: &[&PourSummary],
        of_mix: &[&PourSummary],
        of_bed: &[&PourSummary],
    ) -> Self {
        let trials = |from: &[&PourSummary], node: usize| -> Vec<Trial> {
            from.iter().filter_map(|one| one.trials[node]).collect()
        };
        let off_h = std::array::from_fn(|node| {
            let expected = Pooled {
                mean: 0.0,
                sd: OFF_SHARE * AHEAD_H[node],
                count: 0,
            };
            [all, of_mix, of_bed]
                .iter()
                .fold(expected, |expected, from| {
                    let errors: Vec<f64> =
                        trials(from, node).iter().map(|one| one.error_h).collect();
                    pooled(&errors, expected)
                })
        });
        let scale = std::array::from_fn(|node| {
            // Each trial as the correction of its own plant would have left it.
            let off = off_h[node].mean;
            let misses: Vec<f64> = trials(all, node)
                .iter()
                .map(|one| {
                    let left_h = one.error_h - off;
                    let side_h = if left_h < 0.0 {
                        one.before_h
                    } else {
                        one.after_h
                    };
                    left_h.abs() / side_h.max(0.02)
                })
                .collect();
            let count = misses.len() as f64;
            let seen = quantile(&misses, COVER).unwrap_or(1.0);
            ((seen * count + SCALE_SHRINK) / (count + SCALE_SHRINK))
                .clamp(SCALE_MIN[node], SCALE_MAX)
        });
        Self { off_h, scale }
    }

    /// A time ahead, corrected; order is kept.
    pub(crate) fn corrected_h(&self, ahead_h: f64) -> f64 {
        if ahead_h <= 0.0 || !ahead_h.is_finite() {
            return ahead_h;
        }
        let off = between(ahead_h, |node| self.off_h[node].mean);
        let limit = OFF_SHARE_MAX * ahead_h;
        ahead_h + off.clamp(-limit, limit)
    }

    /// How much wider the interval is than it was sampled.
    pub(crate) fn scale(&self, ahead_h: f64) -> f64 {
        let last = NODE_COUNT - 1;
        if ahead_h >= AHEAD_H[last] {
            return self.scale[last];
        }
        if ahead_h <= AHEAD_H[0] {
            return self.scale[0];
        }
        between(ahead_h, |node| self.scale[node])
    }

    pub(crate) fn figures(&self) -> impl Iterator<Item = (String, f64, f64, usize)> {
        AHEAD_H
            .iter()
            .zip(self.off_h)
            .zip(self.scale)
            .flat_map(|((ahead, off), scale)| {
                [
                    (
                        format!("true_less_forecast_h_{ahead:.0}_h_ahead"),
                        off.mean,
                        off.sd,
                        off.count,
                    ),
                    (
                        format!("interval_factor_{ahead:.0}_h_ahead"),
                        scale,
                        0.0,
                        off.count,
                    ),
                ]
            })
    }
}

/// Linear between the nodes, to zero at no time ahead, and a little beyond the last.
fn between(ahead_h: f64, value: impl Fn(usize) -> f64) -> f64 {
    let last = NODE_COUNT - 1;
    let (from, to) = match AHEAD_H.iter().position(|node| ahead_h < *node) {
        Some(0) => return value(0) * ahead_h / AHEAD_H[0],
        Some(node) => (node - 1, node),
        None => return value(last) * (ahead_h / AHEAD_H[last]).min(BEYOND),
    };
    let share = (ahead_h - AHEAD_H[from]) / (AHEAD_H[to] - AHEAD_H[from]);
    value(from) + (value(to) - value(from)) * share
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_corrected_time_is_ahead_where_it_was_and_keeps_its_order(
            offs in prop::array::uniform4(-1.0..1.0f64),
            sooner_h in 0.01..12.0f64,
            later_h in 0.0..12.0f64,
        ) {
            // Neighbours differ by less than the time between them, as any plant's do.
            let mut node = 0;
            let off_h = offs.map(|off| {
                node += 1;
                Pooled { mean: 0.1 * off * AHEAD_H[node - 1], sd: 0.1, count: 9 }
            });
            let correction = Correction { off_h, scale: [1.0; NODE_COUNT] };
            let (a, b) =
                (correction.corrected_h(sooner_h), correction.corrected_h(sooner_h + later_h));
            prop_assert!(a > 0.0 && a <= b + 1e-9, "{sooner_h} -> {a}, {later_h} later -> {b}");
        }
    }
}
